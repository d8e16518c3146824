"""A script as an engineer would write it by hand: stock pyvisa, messages typed out, nothing of the program used.

Run as ``python plain_script.py FORM ADDRESSES``: the form of the headers (long, short or compound) and a JSON object
of VISA addresses by instrument name. It puts the unit through four measurements, and prints a JSON object of readings.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from typing import Any

import pyvisa

HOLDING = 16  # operation condition
SETTLES = 2.5  # s, for a motor that runs up in 0.25 s

FORMS: dict[str, dict[str, list[str]]] = {
    "long": {
        "ready": ["TRIGger:TIMer 10", "*TRG", "OUTPut2:STATe ON", "OUTPut1:STATe ON"],
        "close": ["ROUTe:CLOSe (@{})"],
        "open all": ["ROUTe:OPEN:ALL"],
        "ohms": ["CONFigure:SCALar:FRESistance 20 OHM", "READ:FRESistance?"],
        "bond": ["SOURce:VOLTage:PROTection:LEVel 12V", "SOURce:CURRent:MODE LIST", "SOURce:LIST:CURRent 0,25,25,0",
                 "SOURce:LIST:DWELl 0.1,5,0.1", "OUTPut:STATe ON", "INITiate:IMMediate"],
        "bond readings": ["MEASure:SCALar:CURRent:AC?", "MEASure:SCALar:FRESistance?"],
        "withstand": ["SOURce:FUNCtion:SHAPe SINusoid", "SOURce:FREQuency 60HZ", "SOURce:VOLTage:MODE LIST",
                      "SOURce:LIST:VOLTage 0,1230,1230,0", "SOURce:LIST:DWELl 0.1,5,0.1",
                      "CALCulate1:LIMit:UPPer:DATA 5E-3", "CALCulate1:LIMit:STATe ON", "OUTPut:STATe ON",
                      "INITiate:IMMediate"],
        "withstand readings": ["MEASure:SCALar:VOLTage?", "MEASure:SCALar:CURRent?", "CALCulate2:DATA?"],
        "residual": ["MEASure:SCALar:VOLTage:MAXimum?"],
        "power": ["SOURce:VOLTage:LEVel:IMMediate:AMPLitude 240V", "SOURce:FREQuency 60HZ",
                  "SOURce:CURRent:PROTection:LEVel 15A", "SOURce:VOLTage:MODE FIXed", "OUTPut:STATe ON"],
        "power readings": ["MEASure:SCALar:VOLTage:AC?", "MEASure:SCALar:FREQuency?"],
        "expect amps": ["CONFigure:SCALar:CURRent:AC 5A"],
        "amps": ["READ:CURRent:AC?"],
        "off": ["OUTPut:STATe OFF"],
        "condition": ["STATus:OPERation:CONDition?"],
        "error": ["SYSTem:ERRor:NEXT?"],
    },
    "short": {
        "ready": ["trig:tim 10", "*trg", "outp2 on", "outp1 on"],
        "close": ["rout:clos (@{})"],
        "open all": ["rout:open:all"],
        "ohms": ["conf:fres 20", "read?"],
        "bond": ["volt:prot 12", "curr:mode list", "list:curr 0,25,25,0", "list:dwel 0.1,5,0.1", "outp on", "init"],
        "bond readings": ["meas:curr?", "meas:fres?"],
        "withstand": ["func sin", "freq 60", "volt:mode list", "list:volt 0,1230,1230,0", "list:dwel 0.1,5,0.1",
                      "calc1:lim:upp 0.005", "calc1:lim:stat 1", "outp 1", "init"],
        "withstand readings": ["meas?", "meas:curr?", "calc2:data?"],
        "residual": ["meas:volt:max?"],
        "power": ["volt 240", "freq 60", "curr:prot 15", "volt:mode fix", "outp on"],
        "power readings": ["meas?", "meas:freq?"],
        "expect amps": ["conf:curr:ac 5"],
        "amps": ["read?"],
        "off": ["outp off"],
        "condition": ["stat:oper:cond?"],
        "error": ["syst:err?"],
    },
    "compound": {
        "ready": ["TRIG:TIM 10;*TRG;:OUTP2 ON;:OUTP1 ON"],
        "close": ["ROUT:CLOS (@{})"],
        "open all": ["ROUT:OPEN:ALL"],
        "ohms": ["CONF:FRES 20;:READ?"],
        "bond": ["SOUR:VOLT:PROT 12;:SOUR:CURR:MODE LIST;:SOUR:LIST:CURR 0,25,25,0;DWEL 0.1,5,0.1;:OUTP ON;:INIT"],
        "bond readings": ["MEAS:CURR?;FRES?"],
        "withstand": ["SOUR:FUNC SIN;FREQ 60;VOLT:MODE LIST;:SOUR:LIST:VOLT 0,1230,1230,0;DWEL 0.1,5,0.1;"
                      ":CALC1:LIM:UPP 5 MA;STAT ON;:OUTP ON;:INIT"],
        "withstand readings": ["MEAS:VOLT?;CURR?;:CALC2:DATA?"],
        "residual": ["MEAS:VOLT:MAX?"],
        "power": ["SOUR:VOLT 240;FREQ 60;CURR:PROT 15;:SOUR:VOLT:MODE FIX;:OUTP ON"],
        "power readings": ["MEAS:VOLT?;FREQ?"],
        "expect amps": ["CONF:CURR:AC 5"],
        "amps": ["READ?"],
        "off": ["OUTP OFF"],
        "condition": ["STAT:OPER:COND?"],
        "error": ["SYST:ERR?"],
    },
}


class Bench:
    """The instruments, opened with stock pyvisa, spoken to in one form of headers."""

    def __init__(self, form: str, addresses: dict[str, str]) -> None:
        self._messages = FORMS[form]
        manager = pyvisa.ResourceManager("@py")
        self._lines: dict[str, Any] = {
            name: manager.open_resource(address, read_termination="\n", write_termination="\n", timeout=5000)
            for name, address in addresses.items()}

    def do(self, instrument: str, task: str, *values: object) -> list[float]:
        """Send the messages of a task; every number that came back."""
        numbers: list[float] = []
        for message in self._messages[task]:
            text = message.format(*values)
            if "?" in text:
                numbers += [float(part) for part in self._lines[instrument].query(text).split(";")]
            else:
                self._lines[instrument].write(text)
        return numbers

    def close(self, *channels: int) -> None:
        """Close relays."""
        for channel in channels:
            self.do("switching", "close", channel)

    def errors(self) -> dict[str, str]:
        """What stands in each instrument's error queue."""
        query = self._messages["error"][0]
        return {name: line.query(query).strip() for name, line in self._lines.items()}

    def hold(self, instrument: str) -> None:
        """Wait until the instrument says that it holds."""
        while not int(self.do(instrument, "condition")[0]) & HOLDING:
            pass


def measure(bench: Bench) -> dict[str, list[float]]:
    """Every reading, by name."""
    readings = {"dead": bench.do("residual", "residual")}
    bench.close(122, 101)  # the resistance meter, and stage 1, whose contactor takes its time
    while (ohms := bench.do("resistance", "ohms"))[0] > 9e37:
        pass
    readings["stage 1"] = ohms
    bench.do("switching", "open all")
    bench.do("guard", "ready")
    bench.close(111)  # the front panel
    bench.do("continuity", "bond")
    bench.hold("continuity")
    readings["bond"] = bench.do("continuity", "bond readings")
    bench.do("continuity", "off")
    bench.do("switching", "open all")
    bench.close(120, 123)  # the withstand tester, line tied to neutral; the stages stay open
    bench.do("withstand", "withstand")
    bench.hold("withstand")
    readings["withstand"] = bench.do("withstand", "withstand readings")
    readings["live"] = bench.do("residual", "residual")
    bench.do("withstand", "off")
    bench.do("switching", "open all")
    bench.close(121, 104)  # the power source, the fan
    bench.do("current", "expect amps")
    bench.do("power", "power")
    readings["power"] = bench.do("power", "power readings")
    readings["settled amps"] = settled(lambda: bench.do("current", "amps")[0])
    bench.do("power", "off")
    bench.do("switching", "open all")
    return readings


def settled(amps: Callable[[], float]) -> list[float]:
    """The mean of the last twenty readings of a current that is watched while the motor runs up and settles."""
    window: list[float] = []
    until = time.monotonic() + SETTLES
    while time.monotonic() < until:
        window = [*window[-19:], amps()]
    return [sum(window) / len(window)]


def main() -> None:
    """Measure, and print the readings and the errors."""
    bench = Bench(sys.argv[1], json.loads(sys.argv[2]))
    before = bench.errors()
    readings = measure(bench)
    print(json.dumps({"readings": readings, "before": before, "errors": bench.errors()}))


if __name__ == "__main__":
    main()
