"""What can be said of a line from a few counts and readings: intervals, and how likely a difference is by chance. Pure.

A yield's interval is Clopper and Pearson's (Biometrika 26 (1934) 404): it holds the true yield at least as often as it
says, at every count. Wilson's is shorter and holds it 95 times in 100 only on average over all yields; near the yields
of a good line it may hold it less often, and a lead should not be told that a bay is better known than it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

from eolseq.bands.uncertainty import beta_parts

CONFIDENCE = 0.95
"""How sure an interval is."""

ALARM = 0.01
"""How often all comparisons of one kind together may speak up when nothing is the matter."""


Pair = tuple[tuple[int, int], tuple[int, int]]
"""Two counts that are compared, each so many of so many."""


class Share(NamedTuple):
    """So many of so many, with the interval in which the true share lies; 0 to 1."""

    number: int
    of: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share itself; 0 of nothing is 0."""
        return self.number / self.of if self.of else 0.0


@lru_cache(maxsize=1024)  # whoever watches asks for the same ones again and again
def share(count: int, of: int, confidence: float = CONFIDENCE) -> Share:
    """A share with Clopper and Pearson's exact interval; 0 to 1 when nothing was counted."""
    tail = (1 - confidence) / 2
    low = _quantile(count, of - count + 1, tail) if count else 0.0
    high = _quantile(count + 1, of - count, 1 - tail) if count < of else 1.0
    return Share(count, of, low, high)


def _quantile(a: float, b: float, probability: float) -> float:
    """Below which value a beta distribution has this probability, by halving."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if beta_parts(a, b, middle)[0] < probability else (low, middle)
    return (low + high) / 2


def by_chance(first: tuple[int, int], second: tuple[int, int]) -> float:
    """How likely two counts (so many of so many) are at least so unlike by chance: Fisher's exact test, two-sided.

    The sum over all tables with the same margins that are no more likely than the one seen.
    """
    return by_chance_in_all([(first, second)])


def by_chance_in_all(pairs: Iterable[Pair]) -> float:
    """The same for several pairs of counts together, each compared within itself alone, such as model by model.

    The exact conditional test for a common difference (the exact form of Mantel and Haenszel's, J. Natl. Cancer Inst.
    22 (1959) 719): what is added up over the pairs is how many of the first count there are.
    """
    seen, least, ways = 0, 0, [1.0]
    for first, second in pairs:
        begins, here = _spread(first, second)
        seen, least, ways = seen + first[0], least + begins, _sums(ways, here)
    limit = ways[seen - least] * (1 + 1e-7)
    return min(1.0, math.fsum(each for each in ways if each <= limit))


def _spread(first: tuple[int, int], second: tuple[int, int]) -> tuple[int, list[float]]:
    """The least that the first count can be with these margins, and how likely it and each higher one is."""
    (a, n), (c, m) = first, second
    passed, whole = a + c, log_ways(n + m, a + c)
    least, most = max(0, passed - m), min(n, passed)
    return least, [math.exp(log_ways(n, k) + log_ways(m, passed - k) - whole) for k in range(least, most + 1)]


def _sums(one: Sequence[float], other: Sequence[float]) -> list[float]:
    """How likely each sum of two independent counts is."""
    result = [0.0] * (len(one) + len(other) - 1)
    for place, likely in enumerate(one):
        for more, each in enumerate(other):
            result[place + more] += likely * each
    return result


def log_ways(of: int, chosen: int) -> float:
    """The logarithm of how many ways there are to choose so many of so many."""
    return math.lgamma(of + 1) - math.lgamma(chosen + 1) - math.lgamma(of - chosen + 1)


def means_by_chance(before: Sequence[float], after: Sequence[float]) -> float:
    """How likely the means of two series are at least so far apart by chance: Welch's t test, two-sided.

    Two or more readings in each. Series without any spread differ for certain or not at all.
    """
    squares = [_mean_square(each) for each in (before, after)]
    apart, variance = _mean(after) - _mean(before), sum(squares)
    if variance == 0:
        return 1.0 if apart == 0 else 0.0
    freedom = variance ** 2 / sum(square ** 2 / (len(each) - 1)
                                  for square, each in zip(squares, (before, after), strict=True))
    return beta_parts(freedom / 2, 0.5, freedom / (freedom + apart ** 2 / variance))[0]


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _mean_square(values: Sequence[float]) -> float:
    """The square of the standard uncertainty of a mean."""
    mean = _mean(values)
    return math.fsum((each - mean) ** 2 for each in values) / (len(values) - 1) / len(values)


def held_against(chances: Iterable[float], alarm: float = ALARM) -> list[bool]:
    """Which chances are too small for chance, so that all together are wrong at most this often: Holm's rule."""
    found = list(chances)
    result = [False] * len(found)
    for rank, place in enumerate(sorted(range(len(found)), key=found.__getitem__)):
        if found[place] > alarm / (len(found) - rank):
            break
        result[place] = True
    return result
