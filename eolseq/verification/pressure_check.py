"""Holding a pressure gauge against a pressure standard on the same line: vented, and at what a hand pump sets.

Nothing is energised. The gauge's own barometer and thermometer are not looked at here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from eolseq.bands.band import Outcome, Reading
from eolseq.bands.uncertainty import Span
from eolseq.engine.judging import judge_evidence
from eolseq.errors import EolseqError
from eolseq.quantity import Quantity
from eolseq.station.reference_fields import ReferenceMeter
from eolseq.steps.base import Bench, Evidence, Taken
from eolseq.steps.watching import named
from eolseq.verification.guard_check import Ask
from eolseq.verification.known_loads import Known, band_around, expanded
from eolseq.verification.references import References, known, unread
from eolseq.verification.results import Result, checks_of, held, is_unread, only_unread

NEAR = Decimal("0.1")
"""How far, as a part of it, a hand pump may miss the pressure that was asked for: common practice, no source."""


@dataclass(frozen=True)
class GaugeCheck:
    """One gauge and one standard. ``span_of`` gives the range that the gauge reads a pressure in."""

    name: str
    meter: ReferenceMeter
    references: References
    span_of: Callable[[Quantity], Span | None]
    ask: Ask

    def verify(self, bench: Bench) -> Result:
        """Vented, then at each pressure of the station file; vented again at the end, whatever came."""
        taken: list[Taken] = []
        try:
            taken.append(self._vented(bench))
            for each in self.meter.at if not is_unread(taken[0].reading) else ():
                taken.append(self._at(bench, each))
        except EolseqError as error:
            seen = judge_evidence(Evidence(tuple(taken))).readings
            return Result(self.name, Outcome.FAULT, str(error), checks_of(self.name, seen))
        finally:
            self.ask("Let the pressure off. Put the gauge's hose back to the unit.", "pump off")
        verdict = judge_evidence(Evidence(tuple(taken)))
        sentence = held(len(taken)) if verdict.outcome is Outcome.PASS else verdict.sentence
        outcome = Outcome.NOT_REACHED if only_unread(verdict) else verdict.outcome
        return Result(self.name, outcome, sentence, checks_of(self.name, verdict.readings))

    def _vented(self, bench: Bench) -> Taken:
        """Open to the air the gauge must read nothing, within its own uncertainty."""
        if not self.references.ready(bench, f"{self.name} and {self.meter.name} at the hand pump, its valve open to "
                                            "the air?"):
            return unread(self.meter, "pressure, vented", "Pa", f"nobody said that {self.meter.name} is ready")
        self.ask("Leave the hand pump open to the air.", "pump 0")
        own = named(self._measure(bench, Quantity(Decimal(0), "Pa")), "pressure, vented", "Pa")
        unsure = self._unsure(own, Quantity(Decimal(0), "Pa"))
        air = Known(0.0, self.meter.expanded(Decimal(0)), "open to the air")
        return Taken(own, band_around(air, unsure, "Pa"))

    def _at(self, bench: Bench, wanted: Quantity) -> Taken:
        self.ask(f"Pump to about {wanted} on {self.meter.name}, close the valve, wait until both are steady.",
                 f"pump {wanted.base:f}")
        shown = self.references.read(bench, self.meter, f"What {self.meter.name} shows")
        own = named(self._measure(bench, wanted), f"pressure at {wanted}", "Pa")
        reference = known(self.meter, shown)
        if reference is None:
            return unread(self.meter, own.name, "Pa")
        if abs(Decimal(repr(reference.value)) - wanted.base) > NEAR * wanted.base:
            return unread(self.meter, own.name, "Pa",
                          f"{self.meter.name} showed {shown.raw}, more than 10 % from {wanted}")
        return Taken(own, band_around(reference, self._unsure(own, wanted), "Pa"))

    def _measure(self, bench: Bench, expected: Quantity) -> Reading | None:
        gauge = bench.instrument("pressure_gauge")
        gauge.perform("prepare", expected=expected)
        return gauge.perform("measure").readings.get("pressure")

    def _unsure(self, own: Reading, expected: Quantity) -> float:
        return 0.0 if own.base is None else expanded(self.span_of(expected), float(own.base))
