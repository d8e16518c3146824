"""What a reference meter shows, as a person types it or as a simulated station says it, passed in as a number.

Nobody reads a meter against the clock of a test: a person presses its hold key while the voltage is on, and types what
it holds once it is off. A number that it cannot rightly show is not taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Protocol

from eolseq.bands.band import NO_ANSWER, AcceptanceBand, Reading
from eolseq.bands.uncertainty import Span
from eolseq.errors import Refused
from eolseq.quantity import UNITS, plain
from eolseq.station.reference_fields import ReferenceMeter
from eolseq.steps.base import OPERATOR, Bench, Taken
from eolseq.steps.entering import typed_once
from eolseq.verification.known_loads import Known
from eolseq.verification.results import UNREAD

WITHIN = 120.0  # seconds that a person has for each answer
_NO_BAND = AcceptanceBand(None, None, "worked out from what is measured")


class References(Protocol):
    """How the numbers of reference meters come to a verification."""

    def ready(self, bench: Bench, words: str) -> bool:
        """Before ON: whether somebody says that they stand ready to press the hold key."""

    def hold(self, meter: ReferenceMeter) -> None:
        """While it is on: what the meter shows now is what it will hold."""

    def read(self, bench: Bench, meter: ReferenceMeter, words: str) -> Reading:
        """What the meter shows or holds, in base units; a reading without a number when nobody can tell."""


class Typed:
    """A person at the terminal reads the meters; each number is typed twice alike."""

    def ready(self, bench: Bench, words: str) -> bool:
        """Wait until the person types 1; False when nobody did within the time."""
        until = bench.clock.monotonic() + WITHIN
        while bench.clock.monotonic() < until:
            number = typed_once(bench, f"{words} Type 1, Enter.", until)
            if number is None or number == 1:
                return number is not None
        return False

    def hold(self, meter: ReferenceMeter) -> None:
        """The person presses its hold key."""

    def read(self, bench: Bench, meter: ReferenceMeter, words: str) -> Reading:
        """A number in its range, typed twice alike within the time; without a number otherwise."""
        until = bench.clock.monotonic() + WITHIN
        factor = UNITS[meter.typed_in][1]
        first, why = None, ""
        while bench.clock.monotonic() < until:
            ask = "the same again" if first is not None else "type it, Enter"
            number = typed_once(bench, f"{why}{words}, in {meter.typed_in}: {ask}.", until)
            if number is None:
                break
            if not meter.covers(number * factor):
                first, why = None, f"{meter.name} shows {meter.least} to {meter.most}. "
            elif number == first:
                return Reading(meter.measures, plain(number * factor), meter.unit,
                               f"{number} {meter.typed_in}, typed twice", "", bench.clock.monotonic(), OPERATOR)
            else:
                why = "These two differ. " if first is not None else ""
                first = number if first is None else None
        return nothing(meter, bench)


class FromSimulator:
    """A simulated station's own reference meters, each read as a number from its world; nobody types."""

    def __init__(self, read: Callable[[str], float | None]) -> None:
        self._read = read
        self._held: dict[str, float | None] = {}

    def ready(self, bench: Bench, words: str) -> bool:
        """A simulated meter is always ready."""
        return True

    def hold(self, meter: ReferenceMeter) -> None:
        """Read it now, since there will be nothing to see once it is off."""
        self._held[meter.name] = self._read(meter.name)

    def read(self, bench: Bench, meter: ReferenceMeter, words: str) -> Reading:
        """What it held, or shows now; without a number outside its range."""
        shown = self._held.pop(meter.name) if meter.name in self._held else self._read(meter.name)
        value = Decimal(f"{shown:.8g}") if shown is not None and math.isfinite(shown) else None
        if value is None or not meter.covers(value):
            return nothing(meter, bench)
        return Reading(meter.measures, plain(value), meter.unit, f"{value} {meter.unit}, simulated", "",
                       bench.clock.monotonic(), meter.name)


def nothing(meter: ReferenceMeter, bench: Bench) -> Reading:
    """No number: nobody typed one, or it lies outside what the meter rightly shows."""
    return Reading(meter.measures, None, meter.unit, special=NO_ANSWER, time=bench.clock.monotonic(),
                   instrument=meter.name)


def known(meter: ReferenceMeter, reading: Reading) -> Known | None:
    """What a reference meter showed, with the uncertainty of its certificate; None where it showed no number."""
    if reading.base is None:
        return None
    return Known(float(reading.base), meter.expanded(reading.base),
                 f"{meter.name}, {meter.certificate}, {reading.raw}")


def unread(meter: ReferenceMeter, name: str, unit: str, why: str = "") -> Taken:
    """In the place of an instrument's reading: the reference meter gave no number, which says nothing of either."""
    why = why or f"{meter.name} gave no number from {meter.least} to {meter.most}"
    return Taken(Reading(name, None, unit, UNREAD, NO_ANSWER), _NO_BAND,
                 if_bad=f"{why}; verify again at a terminal, with a person who reads it")


def span_of_meter(meter: ReferenceMeter) -> Span:
    """How sure a reference meter's number is, as the record keeps it: its certificate states k = 2."""
    stated = replace(meter.uncertainty, distribution="normal", coverage=Decimal(2))
    return Span(meter.most, None, stated, f"certificate {meter.certificate}")


def refuse_past_due(meter: ReferenceMeter, today: date) -> None:
    """Refused when the certificate of a reference meter is past due."""
    if today > meter.good_until:
        raise Refused(f"The certificate of {meter.called} was good until {meter.good_until}.",
                      "Have it calibrated, and its entry in the station file changed.")
