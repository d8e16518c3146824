"""What every simulated role instrument has: identity, meters, and the wire's Instrument made of its commands."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from eolseq.simulation.instrument import FAULTS, CommandError, Handler, Instrument, check_number
from eolseq.simulation.meter import Meter
from eolseq.simulation.world import World

MAKER = "Aldervale Instruments (simulated)"
FIRMWARE = "1.0"
ANSWER_TAKES = 0.05
"""Seconds that an instrument takes to answer that is not ``instant``."""

OF_ANY = {"wrong-identity": "it says it is another one of its model, as when two were exchanged"}
"""The faults of the instrument itself that any can have."""

OF_METERS = {
    "drifted": "it reads 10 % (or the part given, such as 0.02) too high",
    "noisy": "its readings scatter 50 times (or as many as given) as much",
    "overloaded": "its input is overloaded and reads infinity; a source sags to 70 % (or the part given)",
}
"""The faults of whatever measures."""

TAKE_NUMBER = ("drifted", "noisy", "overloaded")
"""The faults of the instrument itself that a number may go with."""


@dataclass(frozen=True)
class InstrumentData:
    """One instrument of the simulator file; accuracies as parts of the reading, resolutions in SI units."""

    name: str
    role: str
    model: str
    serial: str
    link: str
    instant: bool
    accuracy: Mapping[str, float]
    resolution: Mapping[str, float]
    manner: str = "plain"
    takes_one: bool = False


class RoleInstrument:
    """Base of the role instruments; a subclass gives its commands, condition bits and reset."""

    measures: tuple[str, ...] = ()
    """The quantities it measures: each needs an accuracy and a resolution in the file."""

    has_faults: Mapping[str, str] = {}
    """The faults that only it has, by name, and what each does."""

    wire_of: type[Instrument] = Instrument
    """What it is at its wire."""

    def __init__(self, data: InstrumentData, world: World) -> None:
        self.data = data
        self.world = world
        self.meters = {each: Meter(f"{data.serial} {each}", data.accuracy[each], data.resolution[each])
                       for each in self.measures}
        self.prepare()
        self.wire = self.wire_of(data.name, self.identity(data.serial), self.commands(), operation=self.operation(),
                               questionable=self.questionable(), reset=self.reset, before=world.advance_to)
        self.wire.takes_one = data.takes_one
        self.clear_fault()

    def identity(self, serial: str) -> str:
        """The answer to *IDN?."""
        return f"{MAKER},{self.data.model},{serial},{FIRMWARE}"

    def prepare(self) -> None:
        """Make what belongs to this instrument alone, before its commands are read."""

    def commands(self) -> Mapping[str, Handler]:
        """SCPI patterns and what they do."""
        raise NotImplementedError

    def operation(self) -> Callable[[], int] | None:
        """What gives the operation condition bits; None where no bit is ever set."""
        return None

    def questionable(self) -> Callable[[], int] | None:
        """What gives the questionable condition bits; None where no bit is ever set."""
        return None

    def reset(self) -> None:
        """What *RST does."""

    def seed_noise(self, serial: str) -> None:
        """Begin the noise that belongs to a unit's serial."""
        for meter in self.meters.values():
            meter.seed_noise(serial)

    @classmethod
    def all_faults(cls) -> Mapping[str, str]:
        """The faults that it and its wire can have, by name, and what each does."""
        return {**OF_ANY, **(OF_METERS if cls.measures else {}), **cls.has_faults, **FAULTS}

    @classmethod
    def check_fault(cls, name: str, number: float | None = None) -> None:
        """CommandError when it cannot have this fault, or not with this number."""
        if name not in cls.all_faults():
            raise CommandError(-224, f"there is no fault {name!r}; there are {', '.join(cls.all_faults())}")
        if number is not None and name not in TAKE_NUMBER:
            check_number(name, number)
        elif number is not None and not math.isfinite(number):
            raise CommandError(-222, f"{name} takes a finite number")

    def own_faults(self) -> Mapping[str, Callable[[float | None], None]]:
        """What makes it have each of ``has_faults``; each takes the number given with it."""
        return {}

    def set_fault(self, name: str, number: float | None = None) -> None:
        """Give the instrument or its wire a fault by name; CommandError lists the names when there is none such."""
        self.check_fault(name, number)
        known = {"wrong-identity": self._take_identity, "drifted": self._drift, "noisy": self._make_noisy,
                 "overloaded": self._overload, **self.own_faults()}
        if name in known:
            known[name](number)
        else:
            self.wire.set_fault(name, number)

    def clear_fault(self) -> None:
        """Make the instrument and its wire sound again."""
        for meter in self.meters.values():
            meter.drift, meter.noisy, meter.overloaded = 1.0, 1.0, False
        self.wire.identity = self.identity(self.data.serial)
        if self.data.instant:
            self.wire.set_fault(None)
        else:
            self.wire.set_fault("slow", ANSWER_TAKES)

    def _drift(self, number: float | None) -> None:
        for meter in self.meters.values():
            meter.drift = 1.0 + (0.1 if number is None else number)

    def _make_noisy(self, number: float | None) -> None:
        for meter in self.meters.values():
            meter.noisy = 50.0 if number is None else number

    def _overload(self, number: float | None) -> None:
        for meter in self.meters.values():
            meter.overloaded = True

    def _take_identity(self, number: float | None) -> None:
        self.wire.identity = self.identity(f"{self.data.serial}-OTHER")
