"""How sure the readings of a step are: the instrument's range, its accuracy, and the decision rule of the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal

from eolseq.bands.band import Guard
from eolseq.bands.decision import Rule, Spread
from eolseq.bands.rules import Sureness, sureness
from eolseq.engine.entries import Used
from eolseq.engine.judging import SureOf
from eolseq.instruments.spans import before_zero
from eolseq.quantity import UNITS
from eolseq.steps.base import OPERATOR, Step, Taken

_PICKED = Guard("picked by a person among several: right or wrong, no uncertainty", Decimal(0), Decimal(0))


def sure_of(step: Step, rule: Rule, spread: Spread | None, used: Mapping[str, Used]) -> SureOf:
    """Gives, for each reading that a step takes, how sure it is and the guard it is judged by.

    The stated spread is that of the step's own band; other readings, such as residual volts, are judged without it.
    """
    measures = tuple(step.measures())
    own = step.bands()[0][1]
    limits = (own.at_least, own.at_most)

    def sure(taken: Taken) -> Sureness:
        reading, band = taken.reading, taken.band
        if reading.instrument == OPERATOR and taken.span is None:
            return Sureness(_PICKED)
        found = used.get(reading.instrument)
        dimension = UNITS[reading.unit][0] if reading.unit in UNITS else ""
        limit = band.at_most or band.at_least
        read = before_zero(measures, taken.zero)
        span = taken.span if found is None else found.span_of(read, reading.name, dimension, limit)
        if span is not None and taken.zero is not None:
            span = replace(span, zero=taken.zero.base)
        return sureness(rule, band, reading, span, spread if (band.at_least, band.at_most) == limits else None)
    return sure
