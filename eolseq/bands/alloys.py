"""How resistance changes with temperature: heating alloys by their tables, windings by a named standard's constant.

C_t is the resistance at a temperature over that at 20 degC. It rises and falls again in some alloys, so that no
coefficient can stand for it: 1 + 0.00013 per kelvin gives 1.101 at 800 degC where the table says 1.008.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple

from eolseq.bands.working import Source, Standing
from eolseq.quantity import Quantity

_TABLE = Source("an alloy maker's table of C_t", Standing.SECOND_HAND)


class Alloy(NamedTuple):
    """A table of C_t by temperature (degC); ``sparse`` ones have too few rows to say what lies between them."""

    points: tuple[tuple[Decimal, Decimal], ...]
    sparse: bool = False
    source: Source = _TABLE


def _full(*factors: str) -> Alloy:
    """A table at 20, 100, 200 ... degC."""
    at = [Decimal(20), *(Decimal(100 * k) for k in range(1, len(factors)))]
    return Alloy(tuple(zip(at, map(Decimal, factors), strict=True)))


def _sparse(at_500: str, at_1000: str) -> Alloy:
    return Alloy(((Decimal(20), Decimal(1)), (Decimal(500), Decimal(at_500)), (Decimal(1000), Decimal(at_1000))), True)


ALLOYS: Mapping[str, Alloy] = {
    "NiCr 80/20": _full("1.000", "1.006", "1.012", "1.018", "1.025", "1.026", "1.018", "1.010", "1.008", "1.010",
                        "1.014", "1.021", "1.025"),
    "NiCr 60/15": _full("1.000", "1.011", "1.024", "1.038", "1.052", "1.064", "1.069", "1.073", "1.078", "1.088",
                        "1.095", "1.109"),
    "NiCr 70/30": _full("1.000", "1.007", "1.016", "1.028", "1.038", "1.044", "1.036", "1.030", "1.028", "1.029",
                        "1.033", "1.037", "1.043"),
    "FeCrAl 25/5": _full("1.000", "1.002", "1.005", "1.008", "1.013", "1.021", "1.030", "1.038", "1.040", "1.042",
                         "1.044", "1.046", "1.047"),
    "FeCrAl 21/6": _sparse("1.020", "1.052"),
    "FeCrAl 13/4": _sparse("1.064", "1.150"),
    "FeCrAl 27/7Mo2": _sparse("0.976", "0.968"),
}
"""Alloy -> its table. The sign differs by grade, so a FeCrAl element needs its grade named."""


def resistance_factor(alloy: str, at: Quantity) -> Decimal:
    """C_t of an alloy at a temperature (degC), straight between the rows of its table.

    ValueError with a sentence outside the table, and between the rows of a table that has too few of them.
    """
    table, celsius = ALLOYS[alloy], at.base
    points = table.points
    for known, factor in points:
        if known == celsius:
            return factor
    if not points[0][0] <= celsius <= points[-1][0]:
        raise ValueError(f"{at} lies outside the table of {alloy}, {points[0][0]} to {points[-1][0]} degC")
    if table.sparse:
        rows = ", ".join(str(known) for known, _ in points)
        raise ValueError(f"{at} lies between the only rows of {alloy}, {rows} degC; nothing is known there")
    (low, before), (high, after) = next(pair for pair in pairwise(points) if pair[0][0] < celsius < pair[1][0])
    return before + (after - before) * (celsius - low) / (high - low)


class WindingMetal(NamedTuple):
    """The constant K (degC) of R2 / R1 = (K + t2) / (K + t1), and who says so."""

    constant: Decimal
    source: Source


WINDINGS: Mapping[str, WindingMetal] = {
    "copper 234.5": WindingMetal(Decimal("234.5"), Source("a UL standard, clauses 49.8 and 49.9, K = 234.5",
                                                          Standing.SECOND_HAND)),
    "aluminium 225": WindingMetal(Decimal("225"), Source("a UL standard, clauses 49.8 and 49.9, K = 225.0 for EC "
                                                         "aluminium", Standing.SECOND_HAND)),
    "aluminium 228": WindingMetal(Decimal("228"), Source("an engineering reference page, K = 228 for aluminium",
                                                         Standing.SECOND_HAND)),
}
"""Metal and constant -> the constant. Two are in print for aluminium; a file says which it goes by."""


def winding_factor(winding: str, at: Quantity, to: Quantity) -> Decimal:
    """How many times its resistance at one temperature a winding has at another (degC)."""
    constant = WINDINGS[winding].constant
    return (constant + to.base) / (constant + at.base)
