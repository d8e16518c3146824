"""In which measuring range a reading was taken, and how sure it is there: by the driver page, or by a certificate."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from eolseq.bands.uncertainty import Accuracy, Span
from eolseq.instruments.page_model import Model
from eolseq.quantity import UNITS, Quantity

Measures = Iterable[tuple[str, str, Quantity]]
"""Role, reading and the highest value that matters, as a step states them."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a station knows of one reading of one instrument beyond the driver page.

    ``accuracy``: from a certificate, in place of the page's. ``leads``: the most that leads and contacts may add, in
    base units. ``temperature``: the most that the bench's temperature may add.
    """

    accuracy: Accuracy | None = None
    certificate: str = ""
    leads: Decimal = Decimal(0)
    temperature: Accuracy | None = None


def reading_of(page: Model, measures: Measures, name: str, dimension: str) -> tuple[str, Quantity | None] | None:
    """Which of an instrument's readings stands behind a step's reading, and the highest value that matters.

    The step says what it measures by each role; else the page's reading by that name, else its first in that unit.
    """
    for role, reading, most in measures:
        if role == page.role and reading in page.gives and UNITS[page.gives[reading].unit][0] == dimension:
            return reading, most
    if name in page.gives:
        return name, None
    return next(((each.name, None) for each in page.gives.values() if UNITS[each.unit][0] == dimension), None)


def before_zero(measures: Measures, zero: Quantity | None) -> Measures:
    """What an instrument must read before a zero is taken off: more by the zero, where it is of that kind."""
    if zero is None:
        return measures
    return tuple((role, reading, Quantity(most.base + zero.base, most.dimension) if most.dimension == zero.dimension
                  else most) for role, reading, most in measures)


def span_of(page: Model, known: Mapping[str, Known], measures: Measures, name: str, dimension: str,
            limit: Quantity | None) -> Span | None:
    """The range that a reading is taken in, with all that makes it unsure; None where the page states no range.

    The range is the smallest that reaches the highest value that matters to the step, else the band's ``limit``.
    """
    found = reading_of(page, measures, name, dimension)
    if found is None:
        return None
    reading, most = found[0], found[1] or limit
    span = page.range_for(reading, most) if most is not None else None
    if span is None:
        return None
    more = known.get(reading, Known())
    better = more.accuracy is not None
    return Span(span.to, span.resolution, more.accuracy if better else span.stated,
                f"certificate {more.certificate}" if better else "driver page", more.leads, more.temperature)
