"""What every simulated role instrument has: identity, meters, and the wire's Instrument made of its commands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from eolseq.simulation.instrument import FAULTS, CommandError, Handler, Instrument
from eolseq.simulation.meter import Meter
from eolseq.simulation.world import World

MAKER = "Aldervale Instruments (simulated)"
FIRMWARE = "1.0"
ANSWER_TAKES = 0.05
"""Seconds that an instrument takes to answer that is not ``instant``."""


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


class RoleInstrument:
    """Base of the role instruments; a subclass gives its commands, condition bits and reset."""

    measures: tuple[str, ...] = ()
    """The quantities it measures: each needs an accuracy and a resolution in the file."""

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

    def faults(self) -> Mapping[str, Callable[[float | None], None]]:
        """The faults of the instrument itself, by name; each takes the number given with it."""
        return {"drifted": self._drift, "noisy": self._make_noisy, "overloaded": self._overload,
                "swapped": self._swap}

    def set_fault(self, name: str, number: float | None = None) -> None:
        """Give the instrument or its wire a fault by name; CommandError lists the names when there is none such."""
        known = self.faults()
        if name in known:
            known[name](number)
        elif name in FAULTS:
            self.wire.set_fault(name, number)
        else:
            raise CommandError(-224, f"fault {name!r}; there are {', '.join([*known, *FAULTS])}")

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

    def _swap(self, number: float | None) -> None:
        self.wire.identity = self.identity(f"{self.data.serial}-OTHER")
