"""A band from reference units: so many sound units were measured, and the limits hold nearly all others like them."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from eolseq.bands.tolerances import SOURCE
from eolseq.bands.working import Around, Form, Source, Standing, Worked, Working, limits, refuse, rounding, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Group, Item, ListOf, Word

if TYPE_CHECKING:
    from eolseq.bands.interval import Spread

_METHOD = Source("two-sided normal tolerance interval, exact factor (NIST/SEMATECH e-Handbook 7.2.6.3)",
                 Standing.FROM_MEMORY)
_PART = Amount("%", at_least=Decimal(50), at_most=Decimal("99.9"))
LEAST = 10  # units; with fewer the limits say more of the few than of the rest. Common practice, no source
MOST = 300  # readings in a file


def fields(dimension: str) -> Group:
    """The fields of a band from reference units, whose readings are in one dimension."""
    return Group({
        "from": Field(Word(("units",)), about="units: sound reference units that were measured"),
        "readings": Field(ListOf(Amount(dimension), 1, MOST), about=f"what each sound unit read, at least {LEAST}"),
        "coverage": Field(_PART, about="the part of all sound units that the band is to hold, such as '99 %'"),
        "confidence": Field(_PART, about="how surely it does, such as '95 %'"),
        "source": Field(SOURCE, about="which units, when, by whom"),
    }, "the band from units")


def work_out_units(readings: Sequence[Quantity], coverage: Quantity, confidence: Quantity, source: str) -> Worked:
    """The band of mean and standard deviation of readings in one dimension; ValueError for too few or all alike."""
    from eolseq.bands.interval import factor, spread  # loads the library's statistics, for which few files need wait

    if len(readings) < LEAST:
        raise ValueError(f"{len(readings)} units are too few to speak for all; at least {LEAST}")
    found = spread([float(each) for each in readings])
    k = factor(found.n, float(coverage) / 100, float(confidence) / 100)
    mean, half = Decimal(repr(found.mean)), Decimal(repr(k * found.deviation))
    low, high = mean - half, mean + half
    dimension = readings[0].dimension
    sources = (stated(source), _METHOD)
    basis = f"{source} (stated); {found.n} sound units, {coverage} of all held with {confidence} confidence"
    band = limits(low, high, dimension, basis)
    deviation = Decimal(repr(found.deviation))
    formula = (f"n = {found.n}, mean {told(mean, dimension)}, standard deviation {told(deviation, dimension)}",
               f"{told(mean)} -/+ {k:.3f} x {told(deviation)}: {told(low)} to {told(high, dimension)}",
               *rounding(low, high, band))
    inputs = (("units", str(found.n)), ("lowest", str(min(readings, key=float))),
              ("highest", str(max(readings, key=float))), ("coverage", str(coverage)), ("confidence", str(confidence)),
              ("factor", f"{k:.3f}"))
    return Worked(band, Working("units", inputs, formula, sources, _notes(found)))


def _notes(found: Spread) -> tuple[str, ...]:
    said = f"Anderson-Darling {found.normality:.3f}, limit 0.752 at 5 % (from memory)"
    if found.looks_normal:
        return (f"nothing speaks against a normal distribution: {said}",)
    return (f"WARNING: the units do not look normally distributed: {said}; the coverage does not hold",)


def _work_out(item: Item, _: Around) -> Worked:
    try:
        return work_out_units(item["readings"], item["coverage"], item["confidence"], item["source"])
    except ValueError as error:
        raise refuse(item, "readings", str(error), "readings of more sound units, from more than one day") from None


def reference(dimension: str) -> Form:
    """The form for readings of one dimension."""
    return Form("sound reference units that were measured", fields(dimension), _work_out)
