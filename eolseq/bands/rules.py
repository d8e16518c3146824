"""Decision rules: how near to a limit a reading may lie and still pass, given how sure the reading is. Pure.

A rule gives a Guard, the widths that are cut off a band at its limits; ``band.judge`` alone decides by it. The words
are those of ILAC-G8:09/2019 4.1 and 4.2: tolerance limit TL, acceptance limit AL, guard band w = TL - AL.

The ratio of a band to an uncertainty has three meanings in print, and they differ: half the band over the expanded
uncertainty (``ratio``; ANSI/NCSL Z540.3, and the meaning of every rule here), the spread of the process over the
standard uncertainty (NCSLI RP-19's tables), and the first with k = 2 or with 1.96 (3.92:1 is then called 4:1 or less).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import ROUND_DOWN, Decimal
from functools import lru_cache

from eolseq.bands.band import AcceptanceBand, Guard, Reading
from eolseq.bands.decision import COVERAGE, MULTIPLE, RISK, SIMPLE, Rule, Spread
from eolseq.bands.risk import Interval, Process, conformance, width_for
from eolseq.bands.uncertainty import Span, rounded_up
from eolseq.quantity import UNITS, Quantity

UNKNOWN = "how sure this reading is is not known; state its accuracy on the driver page or from a certificate"

ACCEPTED: Mapping[str, Callable[[float], float]] = {
    "handbook": lambda ratio: 1 - max(0.0, 1.04 - math.exp(0.38 * math.log(ratio) - 0.54)) / ratio,
    "root_sum_square": lambda ratio: math.sqrt(max(0.0, 1 - 1 / ratio ** 2)),
    "full_uncertainty": lambda ratio: max(0.0, 1 - 1 / ratio),
    "quarter_more": lambda ratio: min(1.0, max(0.0, 1.25 - 1 / ratio)),
}
"""The ratio method's published formulas: from the ratio to the part of the band's half that is accepted.

``handbook``: Z540.3 handbook, method 6, AL = TL - M U with M = 1.04 - exp(0.38 ln ratio - 0.54), never below 0.
``full_uncertainty`` is also called 95 %; ``quarter_more`` is NCSLI RP-10's. All known second-hand.
"""


def guard(rule: Rule, band: AcceptanceBand, span: Span | None, spread: Spread | None = None) -> Guard:
    """The guard of a band for readings taken in a range; one that lets nothing pass where the range is unknown."""
    if span is None or not span.known:
        return Guard(str(rule), None, None, UNKNOWN)
    return _guard(rule, band, span, spread)


@dataclass(frozen=True, slots=True)
class Sureness:
    """How sure one reading is, as it is judged and recorded: the guard, expanded uncertainty, conformance probability.

    The texts are None where they are not known; ``span`` is the range that the reading was taken in.
    """

    guard: Guard
    uncertainty: str | None = None
    conformance: str | None = None
    span: Span | None = None


def sureness(rule: Rule, band: AcceptanceBand, reading: Reading, span: Span | None,
             spread: Spread | None = None) -> Sureness:
    """How sure a reading is, by a rule."""
    cut = guard(rule, band, span, spread)
    if span is None or not span.known or reading.base is None:
        return Sureness(cut, None, None, span)
    standard = span.standard(reading.base)
    return Sureness(cut, expanded_text(standard, reading.unit, rule.coverage),
                    conformance_text(band, reading, standard), span)


def ratio(band: AcceptanceBand, span: Span, coverage: Decimal = COVERAGE) -> float:
    """Half of a band over the expanded uncertainty at its limits, the larger of the two."""
    expanded = float(coverage) * max((span.standard(limit.base) for limit in (band.at_least, band.at_most) if limit),
                                     default=math.inf)
    return math.inf if expanded == 0 else half_of(band) / expanded


def half_of(band: AcceptanceBand) -> float:
    """Half the width of a band, in base units; one that has a single limit counts as reaching from it to zero.

    No published rule gives a ratio to a single limit. This one is ours: it takes the smaller width that makes sense.
    """
    low, high = band.at_least, band.at_most
    if low is not None and high is not None:
        return float(high.base - low.base) / 2
    limit = low or high
    return abs(float(limit.base)) / 2 if limit is not None else 0.0


@lru_cache(maxsize=1024)
def _guard(rule: Rule, band: AcceptanceBand, span: Span, spread: Spread | None) -> Guard:
    limits = (band.at_least, band.at_most)
    standards = [span.standard(limit.base) if limit is not None else 0.0 for limit in limits]
    words = str(rule)
    if rule.name == RISK and any(standards):
        widths = _risk_widths(rule, band, standards, spread)
        words += " by the stated process" if spread is not None else " of each reading"
    else:
        factor, words = _factor(rule, ratio(band, span, rule.coverage))
        widths = [factor * float(rule.coverage) * each for each in standards]
    if not all(math.isfinite(width) for width in widths):
        return Guard(words, None, None, "the instrument is too poor for this band under this rule; see 'eolseq check "
                     "--station'")
    low, high = (None if limit is None else Decimal(repr(width)) for limit, width in zip(limits, widths, strict=True))
    return Guard(words, low, high)


def _factor(rule: Rule, reached: float) -> tuple[float, str]:
    """How many U are cut off at each limit, and the rule in words with what became of its ratio."""
    if rule.name == SIMPLE:
        if reached >= float(rule.least_ratio):
            return 0.0, str(rule)
        return 1.0, f"{rule}, not reached ({shown_ratio(reached)}): guarded by U, k = {rule.coverage}"
    if rule.name == MULTIPLE:
        return float(rule.multiple), str(rule)
    if reached <= 0:
        return math.inf, str(rule)
    return (1 - ACCEPTED[rule.formula](reached)) * reached if math.isfinite(reached) else 0.0, str(rule)


def shown_ratio(reached: float) -> str:
    """A ratio as people read it, rounded down."""
    return f"{math.floor(reached * 10) / 10:g}:1" if math.isfinite(reached) else "without limit"


def _risk_widths(rule: Rule, band: AcceptanceBand, standards: list[float], spread: Spread | None) -> list[float]:
    """Widths that keep the risk: of each accepted reading, or, with a stated process, of all of them together."""
    tolerance = interval(band)
    if spread is not None:
        width = max(0.0, width_for(process_of_spread(spread), max(standards), tolerance, float(rule.risk)))
        return [width, width]
    return [_width_of_one(tolerance, side, standard, float(rule.risk)) for side, standard in enumerate(standards)]


def process_of_spread(spread: Spread) -> Process:
    """The stated spread of a product, in base units, for integration."""
    return Process.normal(float(spread.centre), float(spread.deviation))


def _width_of_one(tolerance: Interval, side: int, standard: float, target: float) -> float:
    """How far inside one limit the nonconformance probability of a reading falls to a target, both tails counted."""
    if standard == 0 or math.isinf(tolerance[side]):
        return 0.0
    from statistics import NormalDist  # takes as long to import as all of our own rules

    inward = 1 if side == 0 else -1
    half = (tolerance[1] - tolerance[0]) / 2

    low, high = 0.0, min(half, -NormalDist().inv_cdf(target / 2) * standard)

    def kept(width: float) -> bool:
        return 1 - conformance(tolerance[side] + inward * width, standard, tolerance) <= target

    if not kept(high):
        return math.inf
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if kept(middle) else (middle, high)
    return high


def interval(band: AcceptanceBand) -> Interval:
    """The limits of a band in base units, infinite where there is none."""
    return (float(band.at_least.base) if band.at_least is not None else -math.inf,
            float(band.at_most.base) if band.at_most is not None else math.inf)


def expanded_text(standard: float, unit: str, coverage: Decimal = COVERAGE) -> str:
    """An expanded uncertainty (from one in base units) as the record keeps it: two digits, rounded up, with its k."""
    expanded = Quantity(rounded_up(float(coverage) * standard), UNITS[unit][0]).to(unit)
    return f"{expanded}, k = {coverage}"


def conformance_text(band: AcceptanceBand, reading: Reading, standard: float) -> str | None:
    """The probability that the true value lies in the band, to six places, rounded down and never one."""
    if reading.base is None:
        return None
    found = conformance(float(reading.base), standard, interval(band))
    return str(min(Decimal(repr(found)).quantize(Decimal("0.000001"), ROUND_DOWN), Decimal("0.999999")))
