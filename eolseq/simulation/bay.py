"""A whole simulated station as its user sees it: its world, instruments, next unit, faults and orders."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from eolseq.errors import WrongUse
from eolseq.simulation.instrument import CommandError, Instrument
from eolseq.simulation.references import ReferenceData, shown
from eolseq.simulation.roles.base import RoleInstrument
from eolseq.simulation.unit import Unit
from eolseq.simulation.world import World


class Units(Protocol):
    """Where units come from, and the faults that the bay itself may have, as field paths in the fixture with values."""

    @property
    def faults(self) -> Mapping[str, Sequence[tuple[str, Any]]]:
        """Faults of the bay by name."""

    def unit(self, serial: str, defect: str | None = None, *, twin: bool = False) -> Unit:
        """The unit of a serial, with a defect or its sound twin."""


class Bay(World):
    """One simulated station: a world with its instruments."""

    references: Mapping[str, ReferenceData] = {}
    """The meters outside the program that people read, by name."""

    def equip(self, instruments: Sequence[RoleInstrument], serial: str, units: Units) -> None:
        """Give the bay its instruments, the serial of the unit in it, and where units come from."""
        self.by_name = {each.data.name: each for each in instruments}
        self.serial = serial
        self._units = units
        self._sound = {path: getattr(self.fixture, path) for settings in units.faults.values() for path, _ in settings}
        self._seed_noise(serial)
        self.replan()

    def instruments(self) -> list[tuple[str, Instrument, str]]:
        """The instruments' names, their wires, and their links ("tcp" or "serial")."""
        return [(name, each.wire, each.data.link) for name, each in self.by_name.items()]

    def tick(self, now: float) -> None:
        """Let the time in seconds of the clock be now, with nobody speaking."""
        self.advance_to(now)

    def load(self, serial: str, defect: str | None = None, *, twin: bool = False) -> None:
        """Put the next unit into the bay; the guard opens for it, and closes by itself once it was looked at."""
        self.set_unit(self._units.unit(serial, defect, twin=twin))
        self.serial = serial
        self._seed_noise(serial)
        self.guard.load()

    def fit(self, what: str) -> None:
        """Put nothing ("empty"), a shorting piece ("shorted") or the unit ("unit") into the fixture."""
        points = [name.removeprefix("bond-") for name in self.fixture.channels if name.startswith("bond-")]
        frames = {"empty": 1e12, "shorted": 1e-5}
        if what != "unit" and what not in frames:
            raise ValueError(f"it is none of {', '.join(frames)}, unit")
        self.set_unit(self._units.unit(self.serial) if what == "unit" else Unit.none(points, frames[what]))
        self.guard.load()

    def read_reference(self, name: str) -> float:
        """What a reference meter shows now, in Hz or Pa; whoever listens is told it too."""
        value = shown(self._reference(name), self)
        self.note({"time": self.now, "reference": name, "shows": value if math.isfinite(value) else None})
        return value

    def place_reference(self, name: str) -> None:
        """Put the unit into the bay in whose place a reference meter is read, such as a good one with a fan."""
        self.load(self._reference(name).unit or self.serial)
        self.note({"time": self.now, "reference": name, "shows": None})

    def pump(self, pascals: float | None) -> None:
        """Let a hand pump hold a pressure above the air's at the gauge's hose; None: the hose is at the unit again."""
        self.pumped = pascals

    def _reference(self, name: str) -> ReferenceData:
        if name not in self.references:
            raise WrongUse(f"There is no reference meter {name!r}.", f"The names are {', '.join(self.references)}.")
        return self.references[name]

    def set_defect(self, name: str | None, *, twin: bool = False) -> None:
        """Let the unit in the bay have a defect (or its sound twin, or none) from now on."""
        self.set_unit(self._units.unit(self.serial, name, twin=twin))

    def set_fault(self, name: str, instrument: str | None = None, number: float | None = None) -> None:
        """Give an instrument a fault by name, or without an instrument the bay one of the file's faults.

        A number is the fault's own: seconds, a part of the reading, an error's number. WrongUse lists the names.
        """
        if instrument is None:
            self._set_bay_fault(name)
            return
        try:
            self._instrument(instrument).set_fault(name, number)
        except CommandError as error:
            raise WrongUse(f"{instrument}: {error.do}.", "Take one of these names.") from None

    def clear_faults(self) -> None:
        """Make every instrument and the bay's leads sound again."""
        for each in self.by_name.values():
            each.clear_fault()
        self._change_fixture(self._sound)

    def obey(self, order: Mapping[str, Any]) -> Any:
        """Carry out an order, such as ``{"open": "both"}`` or ``{"fault": {"name": "test-lead-off"}}``.

        Keys: open, close (contact_a, contact_b, both), stop (true, false), open_guard_after (seconds after the next
        output on), closes_by_itself (true, false), fault (name, and instrument and number if it has them),
        load (serial, and defect if it has one: the next unit comes into the bay), fit (empty,
        shorted or unit: what is in the fixture), place (the name of a reference meter: the unit in whose place it is
        read), pump (Pa that a hand pump holds at the gauge's hose; off), read (a reference meter), power_fails (relays
        and contactor fall open), clear_faults. ``read`` gives a number. WrongUse for what does not fit.
        """
        actions: dict[str, Callable[[Any], object]] = {
            "open": self.open_guard, "close": self.close_guard, "stop": self.press_stop,
            "open_guard_after": lambda seconds: self.open_guard_after(float(seconds)),
            "closes_by_itself": lambda closes: setattr(self.guard, "closes_by_itself", bool(closes)),
            "fault": lambda fault: self.set_fault(fault["name"], fault.get("instrument"), fault.get("number")),
            "load": lambda each: self.load(each["serial"], each.get("defect")),
            "fit": self.fit,
            "place": self.place_reference,
            "pump": lambda pascals: self.pump(None if pascals == "off" else float(pascals)),
            "read": self.read_reference,
            "power_fails": lambda _: self.power_fails(),
            "clear_faults": lambda _: self.clear_faults(),
        }
        answer: Any = None
        for key, value in order.items():
            if key not in actions:
                raise WrongUse(f"There is no order {key!r}.", f"The orders are {', '.join(actions)}.")
            try:
                answer = actions[key](value)
            except (CommandError, KeyError, TypeError, ValueError) as error:
                raise WrongUse(f"The order {key!r} does not take {value!r}: {error}.", "See Bay.obey.") from None
        return answer

    def _instrument(self, name: str) -> RoleInstrument:
        if name not in self.by_name:
            raise WrongUse(f"There is no instrument {name!r}.", f"The instruments are {', '.join(self.by_name)}.")
        return self.by_name[name]

    def _set_bay_fault(self, name: str) -> None:
        if name not in self._units.faults:
            raise WrongUse(f"There is no fault of the bay {name!r}.", f"The names are {', '.join(self._units.faults)}.")
        self._change_fixture(dict(self._units.faults[name]))

    def _change_fixture(self, settings: Mapping[str, Any]) -> None:
        self.settle()
        for path, value in settings.items():
            setattr(self.fixture, path, value)
        self.replan()

    def _seed_noise(self, serial: str) -> None:
        for each in self.by_name.values():
            each.seed_noise(serial)
