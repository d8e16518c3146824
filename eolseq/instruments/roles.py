"""The parts that instruments play at a bay: what each takes, what it gives, which make danger, and what each must do.

A driver page must provide everything its role has here; a gap is a mistake in the page. Settings and readings are
named in the words of the trade, never of an instrument.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

from eolseq.bands.band import Reading


class Answer(NamedTuple):
    """What one action gave: readings by name, the flags (conditions) that were set, and closed relay channels."""

    readings: Mapping[str, Reading] = MappingProxyType({})
    flags: frozenset[str] = frozenset()
    channels: frozenset[int] = frozenset()


class Instrument(Protocol):
    """An instrument as the rest of the program sees it: actions by name, in the words of its role."""

    name: str
    role: str

    def perform(self, action: str, **arguments: Any) -> Answer:
        """Carry out an action of the driver page; InstrumentFault or LinkFault when it does not answer as it should."""

    def check_errors(self) -> None:
        """Read the instrument's error queue; InstrumentFault if anything stands in it."""


@dataclass(frozen=True)
class Role:
    """One part to play.

    ``takes``: setting -> base unit, or the words it may be. ``gives``: reading -> base unit. ``flags``: conditions it
    can report. ``does``: action -> the settings it is given. ``danger``: it can put a dangerous voltage or current
    out, so only the door to voltage may ask it to ``energise``. ``source``: it can be switched on and off.
    """

    takes: Mapping[str, str | tuple[str, ...]]
    gives: Mapping[str, str]
    flags: tuple[str, ...]
    does: Mapping[str, tuple[str, ...]]
    danger: bool = False


_WITHSTAND = ("type", "frequency", "voltage", "rise", "hold", "fall", "trip", "trip_on")
_CONTINUITY = ("current", "rise", "hold", "open_volts")
_POWER = ("volts", "hertz", "current_limit", "longest_on")

ROLES: Mapping[str, Role] = {
    # energise: turns the output on, confirmed, and starts the instrument's own timed profile.
    # measure: readings and flags in one look. off: output off, confirmed. output: flag "on" while the output is on.
    "withstand_tester": Role(
        takes={"type": ("ac", "dc"), "frequency": "Hz", "voltage": "V", "rise": "s", "hold": "s", "fall": "s",
               "trip": "A", "trip_on": ("total", "in_phase")},
        gives={"voltage": "V", "current_total": "A", "current_in_phase": "A", "elapsed": "s"},
        flags=("rising", "holding", "falling", "tripped", "on"),
        does={"prepare": _WITHSTAND, "energise": (), "measure": (), "off": (), "output": ()}, danger=True),
    "continuity_tester": Role(
        takes={"current": "A", "rise": "s", "hold": "s", "open_volts": "V"},
        gives={"current": "A", "resistance": "ohm"},
        flags=("rising", "holding", "falling", "on"),
        does={"prepare": _CONTINUITY, "energise": (), "measure": (), "off": (), "output": ()}, danger=True),
    "power_source": Role(
        takes={"volts": "V", "hertz": "Hz", "current_limit": "A", "longest_on": "s"},
        gives={"volts": "V", "hertz": "Hz"},
        flags=("holding", "limited", "on"),
        does={"prepare": _POWER, "energise": (), "measure": (), "off": (), "output": ()}, danger=True),
    "resistance_meter": Role(
        takes={"expected": "ohm"}, gives={"resistance": "ohm"}, flags=(),
        does={"prepare": ("expected",), "measure": ()}),
    "current_meter": Role(
        takes={"expected": "A"}, gives={"current_rms": "A"}, flags=(),
        does={"prepare": ("expected",), "measure": ()}),
    # one acquisition: the three readings belong together. The range is chosen by the expected watts.
    "power_meter": Role(
        takes={"expected": "W"}, gives={"volts": "V", "current_rms": "A", "watts": "W"}, flags=(),
        does={"prepare": ("expected",), "measure": ()}),
    # across the fan: above zero when it blows the right way
    "airflow_meter": Role(
        takes={"expected": "Pa"}, gives={"pressure": "Pa"}, flags=(),
        does={"prepare": ("expected",), "measure": ()}),
    # one acquisition: pressure above the air's, the air's own (absolute), temperature of the charged part
    "pressure_gauge": Role(
        takes={"expected": "Pa"}, gives={"pressure": "Pa", "air": "Pa", "temperature": "degC"}, flags=(),
        does={"prepare": ("expected",), "measure": ()}),
    "residual_meter": Role(
        takes={}, gives={"volts_peak": "V"}, flags=(), does={"measure": ()}),
    # closed: reads back which channels are closed. close and open take one channel each time.
    "switching_unit": Role(
        takes={"channel": ""}, gives={}, flags=(),
        does={"close": ("channel",), "open": ("channel",), "open_all": (), "closed": ()}),
    # look: one scan, also the watchdog's pulse. contact_a, contact_b set: closed. stop_button set: pressed.
    "guard_unit": Role(
        takes={"watchdog": "s"}, gives={},
        flags=("contact_a", "contact_b", "red", "green", "locked", "contactor", "stop_button"),
        does={"prepare": ("watchdog",), "look": (), "lock": (), "unlock": (), "contactor_on": (),
              "contactor_off": ()}),
}
