"""How sure the readings of a step are: the instrument's range, its accuracy, and the decision rule of the run."""

from __future__ import annotations

from collections.abc import Mapping

from eolseq.bands.decision import Rule, Spread
from eolseq.bands.rules import Sureness, sureness
from eolseq.engine.entries import Used
from eolseq.engine.judging import SureOf
from eolseq.quantity import UNITS
from eolseq.steps.base import Step, Taken


def sure_of(step: Step, rule: Rule, spread: Spread | None, used: Mapping[str, Used]) -> SureOf:
    """Gives, for each reading that a step takes, how sure it is and the guard it is judged by.

    The stated spread is that of the step's own band; other readings, such as residual volts, are judged without it.
    """
    measures = tuple(step.measures())
    own = step.bands()[0][1]

    def sure(taken: Taken) -> Sureness:
        reading, band = taken.reading, taken.band
        found = used.get(reading.instrument)
        dimension = UNITS[reading.unit][0] if reading.unit in UNITS else ""
        limit = band.at_most or band.at_least
        span = None if found is None else found.span_of(measures, reading.name, dimension, limit)
        return sureness(rule, band, reading, span, spread if band == own else None)
    return sure
