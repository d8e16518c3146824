"""Speaks to the simulated station as a program would, in virtual seconds, message by message."""

from __future__ import annotations

from pathlib import Path

from eolseq.simulation.bay import Bay
from eolseq.simulation.file import build, load_simulator

ROOT = Path(__file__).resolve().parents[3]
DEMO = ROOT / "simulators/demo-simulator.yaml"
SIMULATOR = load_simulator(DEMO)
SERIAL = "DH6-00000001"
BONDS = {"front-panel": 111, "rear-panel": 112, "motor-frame": 113, "element-plate": 114, "control-box": 115}
EXCHANGE = 0.2e-3


class Talk:
    """A station with one unit; ``ask`` costs an exchange of time, ``wait`` lets time pass with nobody speaking."""

    def __init__(self, defect: str | None = None, *, twin: bool = False, serial: str = SERIAL) -> None:
        self.bay: Bay = build(SIMULATOR, serial, defect, now=0.0, twin=twin)
        self.now = 0.0

    def ask(self, name: str, message: str) -> str:
        """Send a message one exchange later; the answer without its end."""
        self.now += EXCHANGE
        return self.bay.by_name[name].wire.receive(message.encode() + b"\n", self.now).decode().rstrip("\n")

    def numbers(self, name: str, message: str) -> list[float]:
        """The numbers of an answer."""
        return [float(each) for each in self.ask(name, message).split(";")]

    def wait(self, seconds: float) -> None:
        """Let time pass with nobody speaking."""
        self.now += seconds
        self.bay.tick(self.now)

    def ready(self, watchdog: float = 10.0) -> Talk:
        """Guard seen open and closed, locked, contactor closed."""
        self.bay.guard.set_timer(watchdog)
        self.ask("guard", "*TRG")
        self.wait(0.3)
        self.ask("guard", "*TRG;OUTP2 ON;:OUTP1 ON")
        assert self.bay.guard.contactor
        return self

    def pulse(self) -> None:
        """One look at the guard."""
        self.ask("guard", "*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?")

    def close(self, *channels: int) -> None:
        """Close relays and wait for the contactors they drive."""
        self.ask("switching", f"ROUT:CLOS (@{','.join(map(str, channels))})")
        self.wait(0.2)

    def open_all(self) -> None:
        """Open every relay."""
        self.ask("switching", "ROUT:OPEN:ALL")
        self.wait(0.1)

    def errors(self) -> list[str]:
        """Every instrument's oldest error that is one."""
        answers = [self.ask(name, "SYST:ERR?") for name in self.bay.by_name]
        return [each for each in answers if not each.startswith("0,")]

    def bond(self, point: str) -> float:
        """Resistance in ohm of a bonded point at 25 A, read in the hold."""
        self.pulse()
        self.close(BONDS[point])
        self.ask("continuity", "SOUR:CURR:MODE LIST;:SOUR:VOLT:PROT 12;:LIST:CURR 0,25,25,0;DWEL 0.1,0.4,0.1")
        self.ask("continuity", "OUTP ON;*OPC?")
        self.ask("continuity", "INIT")
        self.wait(0.4)
        (ohms,) = self.numbers("continuity", "MEAS:FRES?")
        self.wait(0.3)
        self.open_all()
        return ohms

    def heater(self, *stages: int, expected: float = 20.81) -> float:
        """Resistance in ohm between L and N with stages closed."""
        self.pulse()
        self.close(122, *(100 + stage for stage in stages))
        self.ask("resistance", f"CONF:FRES {expected}")
        (ohms,) = self.numbers("resistance", "READ?")
        self.open_all()
        return ohms

    def prepare_withstand(self, volts: float = 1230, trip: float = 5e-3, shape: str = "SIN", limit: int = 1) -> None:
        """Everything for a withstand test but OUTP ON and INIT."""
        self.pulse()
        self.close(120, 101, 102, 123)
        self.ask("withstand", f"SOUR:FUNC:SHAP {shape};:FREQ 60;:SOUR:VOLT:MODE LIST")
        self.ask("withstand", f"SOUR:LIST:VOLT 0,{volts},{volts},0;DWEL 0.3,1,0.2")
        self.ask("withstand", f"CALC1:LIM:STAT OFF;:CALC2:LIM:STAT OFF;:CALC{limit}:LIM:UPP {trip};STAT ON")

    def start(self, name: str) -> float:
        """Switch a source on and start its list; when it started."""
        assert self.ask(name, "OUTP ON;*OPC?") == "1"
        self.ask(name, "INIT")
        return self.now

    def look(self) -> list[float]:
        """Volts, total and in-phase amps, seconds at full voltage, operation and questionable bits of the tester."""
        return self.numbers("withstand",
                            "MEAS:VOLT?;CURR?;:CALC2:DATA?;:MEAS:TINT?;:STAT:OPER:COND?;:STAT:QUES:COND?")

    def prepare_power(self, longest: float = 8.0, protection: float = 15.0) -> None:
        """Everything for running the fan but OUTP ON and INIT."""
        self.pulse()
        self.close(121, 104)
        self.ask("current", "CONF:CURR:AC 5")
        self.ask("power", f"SOUR:VOLT 240;FREQ 60;:SOUR:CURR:PROT {protection}")
        self.ask("power", f"SOUR:VOLT:MODE LIST;:SOUR:LIST:VOLT 240;DWEL {longest}")

    def amps(self) -> float:
        """The supply current in A."""
        return self.numbers("current", "READ?")[0]

    def residual(self) -> float:
        """Crest volts at the unit's terminals."""
        return self.numbers("residual", "MEAS:VOLT:MAX?")[0]

    def changes(self, key: str, name: str | None = None) -> list[tuple[float, str]]:
        """When and what the simulator itself noted under a key."""
        return [(each["time"], each[key]) for each in self.bay.changes
                if key in each and name in (None, each.get("name"))]
