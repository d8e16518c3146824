"""The decision rules by name and figure, as files name them; what they cut off a band is worked out in ``rules``."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from eolseq.quantity import Quantity, plain

SIMPLE, MULTIPLE, RISK, RATIO = "simple_acceptance", "guarded_by_multiple", "guarded_to_risk", "ratio_method"
RULES = (SIMPLE, MULTIPLE, RISK, RATIO)
COVERAGE = Decimal(2)  # the usual factor; 95 % of a normal distribution is 1.96, a number of its own
LEAST_RATIO = Decimal(4)
FORMULAS = ("handbook", "root_sum_square", "full_uncertainty", "quarter_more")
"""The published formulas of the ratio method."""

ACCURACY_LIKE = "terms such as '1.5 % of reading + 5 counts', joined by ' + '; then ', k = 2' or another condition"
"""How files word an accuracy; it is read in ``uncertainty``."""


class Spread(NamedTuple):
    """How the true values of the product are spread, normally: their centre and standard deviation."""

    centre: Quantity
    deviation: Quantity

@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule with its figures; ``coverage`` is the k of every expanded uncertainty here, U = k u.

    ``least_ratio``: simple acceptance stands only on this ratio, else it is guarded by U. ``multiple``: of U, for
    ``guarded_by_multiple``. ``risk``: a fraction, for ``guarded_to_risk``. ``formula``: which of FORMULAS, for
    ``ratio_method``.
    """

    name: str = SIMPLE
    coverage: Decimal = COVERAGE
    least_ratio: Decimal = LEAST_RATIO
    multiple: Decimal = Decimal(1)
    risk: Decimal = Decimal("0.02")
    formula: str = "handbook"

    def __str__(self) -> str:
        return {SIMPLE: f"simple acceptance at {self.least_ratio}:1",
                MULTIPLE: f"guarded by {self.multiple} U, k = {self.coverage}",
                RISK: f"guarded to a risk of {plain(self.risk * 100)} %",
                RATIO: f"ratio method, {self.formula.replace('_', ' ')}, k = {self.coverage}"}[self.name]
