"""A small instrument for the tests of the wire: a source that remembers, a meter that reads what a test sets."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from eolseq.simulation.instrument import Call, CommandError, Instrument, nr1, nr3, taking

IDENTITY = "ALDERVALE EXAMPLE,WT-0,0001,1.0"


@dataclass
class Bench:
    """What the instrument under test has been told, and what it is to read."""

    volts: float = 0.0
    hertz: float = 50.0
    list_volts: list[float] = field(default_factory=list)
    dwell: list[float] = field(default_factory=list)
    outputs: dict[int, bool] = field(default_factory=dict)
    closed: list[int] = field(default_factory=list)
    shape: str = "ac"
    label: str = ""
    reading: float = 1.25
    work: int = 0
    doubt: int = 0
    resets: int = 0
    times: list[float] = field(default_factory=list)

    def instrument(self) -> Instrument:
        """The instrument on this bench."""
        return Instrument("bench", IDENTITY, {
            "SOURce:VOLTage[:LEVel]": taking(1, 1, self._set_volts),
            "SOURce:VOLTage[:LEVel]?": lambda _: nr3(self.volts),
            "SOURce:FREQuency": taking(1, 1, self._set_hertz),
            "SOURce:FUNCtion[:SHAPe]": taking(1, 1, self._set_shape),
            "SOURce:LIST:VOLTage": taking(1, None, self._set_list),
            "SOURce:LIST:DWELl": taking(1, None, self._set_dwell),
            "OUTPut#[:STATe]": taking(1, 1, self._switch),
            "OUTPut#[:STATe]?": lambda call: nr1(self.outputs.get(call.suffixes[0], False)),
            "MEASure:VOLTage?": lambda _: nr3(self.reading),
            "MEASure:CURRent?": lambda _: nr3(self.reading / 1000),
            "[SENSe:]CURRent[:DC]:RANGe?": lambda _: "0.004",
            "ROUTe:CLOSe": taking(1, 1, self._close),
            "DISPlay:TEXT": taking(1, 1, self._show),
            "INITiate[:IMMediate]": self._never,
        }, operation=lambda: self.work, questionable=lambda: self.doubt, reset=self._reset, before=self.times.append)

    def _set_volts(self, call: Call) -> None:
        self.volts = call.parameters[0].number("V", least=0, most=5000, default=100)

    def _set_hertz(self, call: Call) -> None:
        self.hertz = call.parameters[0].number("HZ", least=45, most=2e6)

    def _set_shape(self, call: Call) -> None:
        self.shape = call.parameters[0].word({"SINusoid": "ac", "DC": "dc"})

    def _set_list(self, call: Call) -> None:
        self.list_volts = [parameter.number("V") for parameter in call.parameters]

    def _set_dwell(self, call: Call) -> None:
        self.dwell = [parameter.number("S") for parameter in call.parameters]

    def _switch(self, call: Call) -> None:
        self.outputs[call.suffixes[0]] = call.parameters[0].boolean()

    def _close(self, call: Call) -> None:
        self.closed = call.parameters[0].channels()

    def _show(self, call: Call) -> None:
        self.label = call.parameters[0].string()

    def _never(self, _: Call) -> None:
        raise CommandError(-213)

    def _reset(self) -> None:
        self.volts = 0.0
        self.outputs.clear()
        self.resets += 1


@pytest.fixture
def bench() -> Bench:
    """A bench fresh from the shelf."""
    return Bench()


@pytest.fixture
def instrument(bench: Bench) -> Instrument:
    """The instrument on the bench, its power-on event already read."""
    made = bench.instrument()
    made.receive(b"*CLS\n", 0.0)
    return made
