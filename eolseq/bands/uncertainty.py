"""How sure a reading is: an instrument's accuracy as its page words it, and the uncertainty that follows from it.

Everything here is pure. The arithmetic is that of JCGM 100 (the GUM): components as standard uncertainties, combined by
the root of their squares, expanded by a coverage factor. Accuracies are read exactly; uncertainties are floats, and
are rounded up where people or records see them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_UP, Decimal
from functools import lru_cache

from eolseq.quantity import UNITS, Quantity, parse, plain

DIVISORS: Mapping[str, float] = {"rectangular": math.sqrt(3), "triangular": math.sqrt(6), "arcsine": math.sqrt(2)}
"""What limits of a distribution are divided by to give a standard uncertainty (GUM 4.3.7, 4.3.9, H.1.3.4)."""

_TERM = re.compile(r"([0-9]+(?:\.[0-9]+)?) (% of reading|% of range|counts|[A-Za-z%]+)")
_FACTOR = re.compile(r"k = ([0-9]+(?:\.[0-9]+)?)")
_PROBABILITY = re.compile(r"([0-9]{2}(?:\.[0-9]+)?) %")
_CONDITION = re.compile(r"(-?[0-9]+(?:\.[0-9]+)? [A-Za-z%]+) to (-?[0-9]+(?:\.[0-9]+)? [A-Za-z%]+)")
_NONE = Decimal(0)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """An accuracy as worded: % of reading, % of range, counts and a fixed part (base units), all exact, added up.

    ``distribution`` says how errors lie within these limits. For ``normal`` the limits are ``coverage`` standard
    uncertainties wide. ``conditions`` are those under which the accuracy holds, as worded.
    """

    text: str
    of_reading: Decimal = _NONE
    of_range: Decimal = _NONE
    counts: Decimal = _NONE
    fixed: Decimal = _NONE
    distribution: str = "rectangular"
    coverage: Decimal = Decimal(1)
    conditions: tuple[str, ...] = ()

    def limits(self, value: Decimal, to: Decimal = _NONE, resolution: Decimal = _NONE) -> Decimal:
        """The limits of error at a value in a range up to ``to``, all in base units, exact."""
        return (abs(value) * self.of_reading + abs(to) * self.of_range) / 100 + self.counts * resolution + self.fixed

    def standard(self, value: Decimal, to: Decimal = _NONE, resolution: Decimal = _NONE) -> float:
        """The standard uncertainty at a value, in base units."""
        divisor = float(self.coverage) if self.distribution == "normal" else DIVISORS[self.distribution]
        return float(self.limits(value, to, resolution)) / divisor


@lru_cache(maxsize=512)
def read_accuracy(text: str, dimension: str) -> Accuracy:
    """Read an accuracy such as "0.2 % of reading + 5 counts, k = 2, 18 degC to 28 degC"; ValueError with a sentence.

    What is not said is taken as limits of a rectangular distribution, as GUM 4.3.7 does where no more is known.
    """
    terms, *conditions = text.split(", ")
    parts = {"% of reading": _NONE, "% of range": _NONE, "counts": _NONE, "": _NONE}
    for term in terms.split(" + "):
        found = _TERM.fullmatch(term)
        if found is None:
            raise ValueError(f"'{term}' in '{text}' is not an accuracy known here")
        number, kind = Decimal(found[1]), found[2]
        if kind not in parts:
            number, kind = _fixed(number, kind, dimension), ""
        parts[kind] += number
    distribution, coverage, stated = _conditions(conditions, text)
    return Accuracy(text, parts["% of reading"], parts["% of range"], parts["counts"], parts[""],
                    distribution, coverage, stated)


def _fixed(number: Decimal, unit: str, dimension: str) -> Decimal:
    if unit not in UNITS:
        raise ValueError(f"'{unit}' is not a unit known here")
    base, factor = UNITS[unit]
    if base != dimension:
        raise ValueError(f"'{number} {unit}' is no accuracy of a reading in {dimension or 'plain numbers'}")
    return number * factor


def _conditions(words: Sequence[str], text: str) -> tuple[str, Decimal, tuple[str, ...]]:
    """The distribution, the coverage factor and the conditions that stand behind the terms."""
    distributions = [word for word in words if word in DIVISORS or word == "normal"]
    coverages = [found for word in words if (found := _coverage(word)) is not None]
    others = [word for word in words if word not in distributions and _coverage(word) is None]
    for word in others:
        if not _is_condition(word):
            raise ValueError(f"'{word}' in '{text}' is not a condition known here")
    if len(distributions) > 1 or len(coverages) > 1:
        raise ValueError(f"'{text}' says twice how errors lie")
    if coverages and distributions not in ([], ["normal"]):
        raise ValueError(f"'{text}' states a coverage, which a {distributions[0]} distribution has none of")
    if distributions == ["normal"] and not coverages:
        raise ValueError(f"'{text}' is normal and states no coverage, such as 'k = 2'")
    if coverages:
        return "normal", coverages[0], tuple(others)
    return (*distributions, "rectangular")[0], Decimal(1), tuple(others)


def _coverage(word: str) -> Decimal | None:
    """The coverage factor, from 1 to 4, that a factor or a probability states; None if the word is neither."""
    factor, probability = _FACTOR.fullmatch(word), _PROBABILITY.fullmatch(word)
    if factor is not None and 1 <= Decimal(factor[1]) <= 4:
        return Decimal(factor[1])
    if probability is not None and 68 <= Decimal(probability[1]) <= Decimal("99.99"):
        return Decimal(repr(_normal_below(0.5 + float(probability[1]) / 200)))
    return None


def _is_condition(word: str) -> bool:
    found = _CONDITION.fullmatch(word)
    if found is None:
        return False
    low, high = parse(found[1]), parse(found[2])
    return low.dimension == high.dimension and low.base <= high.base


@dataclass(frozen=True, slots=True)
class Component:
    """One source of doubt: its standard uncertainty, how much of it reaches the result, and its degrees of freedom."""

    name: str
    standard: float
    sensitivity: float = 1.0
    freedom: float = math.inf

    @property
    def share(self) -> float:
        """What it adds to the result, as a standard uncertainty."""
        return abs(self.sensitivity) * self.standard


def combined(components: Sequence[Component], correlations: Mapping[tuple[str, str], float] | None = None) -> float:
    """The combined standard uncertainty (GUM 5.1.2, and 5.2.2 where pairs of names have a correlation)."""
    total = sum(each.share ** 2 for each in components)
    by_name = {each.name: each for each in components}
    for (one, other), r in (correlations or {}).items():
        first, second = by_name[one], by_name[other]
        total += 2 * r * first.sensitivity * first.standard * second.sensitivity * second.standard
    return math.sqrt(max(0.0, total))


def _normal_below(probability: float) -> float:
    """The standard normal value below which a probability lies."""
    from statistics import NormalDist  # takes as long to import as all of our own rules

    return NormalDist().inv_cdf(probability)


def effective_freedom(components: Sequence[Component]) -> float:
    """The effective degrees of freedom (Welch-Satterthwaite, GUM G.4.1), not truncated; infinite if all are."""
    spread = sum(each.share ** 4 / each.freedom for each in components if each.share and math.isfinite(each.freedom))
    return math.inf if spread == 0 else combined(components) ** 4 / spread


def coverage_factor(freedom: float, probability: float) -> float:
    """The factor for a two-sided coverage probability: Student's t, the normal distribution without limit (GUM G.3)."""
    if math.isinf(freedom):
        return _normal_below((1 + probability) / 2)
    low, high = 0.0, 1.0
    while _t_inside(high, freedom) < probability:
        high *= 2
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if _t_inside(middle, freedom) < probability else (low, middle)
    return (low + high) / 2


def _t_inside(t: float, freedom: float) -> float:
    """The probability that Student's t lies within -t and t: 1 - I(x; v/2, 1/2), with x = v/(v + t^2)."""
    return beta_parts(freedom / 2, 0.5, freedom / (freedom + t * t))[1]


def beta_parts(a: float, b: float, x: float) -> tuple[float, float]:
    """The regularised incomplete beta function I(x; a, b) and what it lacks to 1, each exact where it is small."""
    if x <= 0.0 or x >= 1.0:
        return (0.0, 1.0) if x <= 0.0 else (1.0, 0.0)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1) / (a + b + 2):
        below = front * _beta_fraction(a, b, x) / a
        return below, 1 - below
    above = front * _beta_fraction(b, a, 1 - x) / b
    return 1 - above, above


def _beta_fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of the incomplete beta function (NIST DLMF 8.17.22), by Lentz's method."""
    c, d = 1.0, 1 / (1 - (a + b) * x / (a + 1))
    result = d
    for m in range(1, 500):
        for step in (m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
                     -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))):
            d = 1 / (1 + step * d)
            c = 1 + step / c
            result *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return result


def observed(values: Sequence[float]) -> tuple[float, float, int]:
    """The mean of repeated readings, its standard uncertainty and the degrees of freedom (GUM 4.2); two or more."""
    count = len(values)
    mean = math.fsum(values) / count
    spread = math.fsum((each - mean) ** 2 for each in values) / (count - 1)
    return mean, math.sqrt(spread / count), count - 1


def correlation(some: Sequence[float], others: Sequence[float]) -> float:
    """The correlation of two series of readings taken in pairs (GUM 5.2.3 and C.3.6)."""
    mean, other_mean = math.fsum(some) / len(some), math.fsum(others) / len(others)
    pairs = [(a - mean, b - other_mean) for a, b in zip(some, others, strict=True)]
    product = math.fsum(a * b for a, b in pairs)
    return product / math.sqrt(math.fsum(a * a for a, _ in pairs) * math.fsum(b * b for _, b in pairs))


@dataclass(frozen=True, slots=True)
class Span:
    """A measuring range as a reading is taken in it, with all that makes the reading unsure, in base units.

    ``leads``: the most that leads and contacts may add. ``temperature``: the most that the bench's temperature may
    add. ``zero``: what was taken off the reading, measured before in the same way, so that it is as unsure again.
    ``source``: whose accuracy it is, the driver page's or a certificate's; None where nobody stated one.
    """

    to: Quantity
    resolution: Quantity | None
    accuracy: Accuracy | None
    source: str = "driver page"
    leads: Decimal = _NONE
    temperature: Accuracy | None = None
    zero: Decimal = _NONE

    @property
    def known(self) -> bool:
        """Whether it can be said how sure a reading is: an accuracy is stated, and what its counts are."""
        stated = (self.accuracy, self.temperature) if self.temperature is not None else (self.accuracy,)
        return all(each is not None and (not each.counts or self.resolution is not None) for each in stated)

    @property
    def words(self) -> str | None:
        """The accuracy as the record keeps it."""
        if self.accuracy is None:
            return None
        return self.accuracy.text if self.source == "driver page" else f"{self.accuracy.text} ({self.source})"

    @property
    def step(self) -> Decimal:
        """The smallest step it shows, in base units; 0 where none is stated."""
        return self.resolution.base if self.resolution is not None else _NONE

    def budget(self, value: Decimal) -> tuple[Component, ...]:
        """Every component at a value in base units; it is only the whole where ``known``."""
        found = self._parts(value + self.zero)
        if self.zero:
            found += [replace(each, name=f"{each.name} of the zero") for each in self._parts(self.zero)]
        found.append(Component("leads", float(self.leads) / DIVISORS["rectangular"]))
        return tuple(each for each in found if each.standard)

    def _parts(self, read: Decimal) -> list[Component]:
        """What one look at the instrument adds, when it reads so much."""
        to, step = self.to.base, self.step
        found = [Component("resolution", float(step) / 2 / DIVISORS["rectangular"])]
        for name, stated in (("accuracy", self.accuracy), ("temperature", self.temperature)):
            if stated is not None:
                found.append(Component(name, stated.standard(read, to, step)))
        return found

    def standard(self, value: Decimal) -> float:
        """The combined standard uncertainty at a value, both in base units."""
        return combined(self.budget(value))


def rounded_up(value: float, digits: int = 2) -> Decimal:
    """An uncertainty as people see it: so many digits, never smaller than it is (GUM 7.2.6)."""
    if value == 0 or not math.isfinite(value):
        return Decimal(0) if value == 0 else Decimal("Infinity")
    exact = Decimal(repr(value))
    return plain(exact.quantize(Decimal(1).scaleb(exact.adjusted() - digits + 1), ROUND_UP))
