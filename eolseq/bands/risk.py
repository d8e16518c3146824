"""How often a bad unit is accepted and a good one rejected: consumer's and producer's risk, by integration.

JCGM 106:2012, clause 9: the true value is spread by the process, the reading is spread about it by the measurement.
Everything here is pure; risks are fractions of one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

Interval = tuple[float, float]
"""From and to; infinite where there is no limit."""

_FAR = 9.0         # standard deviations beyond which a normal distribution holds less than 1e-18
_MOST_PIECES = 400
_NODES = 12


@dataclass(frozen=True)
class Process:
    """How true values are spread: their density, and the interval outside which there are none that matter."""

    density: Callable[[float], float]
    low: float
    high: float

    @classmethod
    def normal(cls, centre: float, spread: float) -> Process:
        """True values spread normally about a centre with a standard deviation."""
        from statistics import NormalDist  # takes as long to import as all of our own rules

        return cls(NormalDist(centre, spread).pdf, centre - _FAR * spread, centre + _FAR * spread)


@dataclass(frozen=True)
class Risk:
    """``consumer``: accepted and bad. ``producer``: rejected and good. ``bad_if_accepted``: bad among the accepted.

    ``nonconforming``: bad, whatever was measured.
    """

    consumer: float
    producer: float
    bad_if_accepted: float
    nonconforming: float


def risk(process: Process, standard: float, tolerance: Interval, acceptance: Interval) -> Risk:
    """The risks of accepting readings inside ``acceptance`` when true values must lie inside ``tolerance``.

    ``standard``: the standard uncertainty of a reading, above zero. All values in one unit.
    """
    def accepted(x: float) -> float:
        return process.density(x) * _between(acceptance, x, standard)

    low, high = max(process.low, tolerance[0]), min(process.high, tolerance[1])
    edges = [edge + side * _FAR * standard for edge in acceptance if math.isfinite(edge) for side in (-1, 0, 1)]
    good = _integral(process.density, low, high, edges, standard) if low < high else 0.0
    good_accepted = _integral(accepted, low, high, edges, standard) if low < high else 0.0
    outside = [(process.low, min(process.high, tolerance[0])), (max(process.low, tolerance[1]), process.high)]
    consumer = sum(_integral(accepted, a, b, edges, standard) for a, b in outside if a < b)
    bad = sum(_integral(process.density, a, b, edges, standard) for a, b in outside if a < b)
    all_accepted = good_accepted + consumer
    return Risk(consumer, good - good_accepted, consumer / all_accepted if all_accepted else 0.0, bad)


def conformance(reading: float, standard: float, tolerance: Interval) -> float:
    """The probability that the true value lies inside the tolerance, given one reading alone (JCGM 106, clause 7)."""
    if standard <= 0:
        return float(tolerance[0] <= reading <= tolerance[1])
    return _between(tolerance, reading, standard)


def width_for(process: Process, standard: float, tolerance: Interval, target: float) -> float:
    """How far inside the tolerance to accept, at each limit, so that the consumer's risk is no more than a target.

    Negative where readings beyond the tolerance could be accepted; infinite if no acceptance keeps the target.
    """
    reach = _FAR * standard
    finite = [each for each in tolerance if math.isfinite(each)]
    narrow = (finite[1] - finite[0]) / 2 if len(finite) == 2 else reach

    def kept(width: float) -> bool:
        limits = (tolerance[0] + width, tolerance[1] - width)
        return risk(process, standard, tolerance, limits).consumer <= target

    low, high = -reach, min(reach, narrow)
    if not kept(high):
        return math.inf
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (low, middle) if kept(middle) else (middle, high)
    return high


def _between(limits: Interval, centre: float, standard: float) -> float:
    """The part of a normal distribution that lies inside limits; by tails, so that small parts keep their digits."""
    low, high = (limits[0] - centre) / standard, (limits[1] - centre) / standard
    if low >= high:
        return 0.0
    root = math.sqrt(2)
    if low > 0:
        return (math.erfc(low / root) - math.erfc(high / root)) / 2
    if high < 0:
        return (math.erfc(-high / root) - math.erfc(-low / root)) / 2
    return 1 - (math.erfc(-low / root) + math.erfc(high / root)) / 2


def _integral(function: Callable[[float], float], low: float, high: float, edges: Sequence[float],
              scale: float) -> float:
    """Gauss-Legendre over pieces about as wide as what changes fastest, with a cut at every edge."""
    cuts = [low, *sorted(edge for edge in set(edges) if low < edge < high), high]
    total = 0.0
    for a, b in pairwise(cuts):
        pieces = max(8, min(_MOST_PIECES, math.ceil((b - a) / scale)))
        half = (b - a) / pieces / 2
        for piece in range(pieces):
            middle = a + (2 * piece + 1) * half
            total += half * sum(weight * function(middle + half * node) for node, weight in _legendre())
    return total


@lru_cache(maxsize=1)
def _legendre() -> tuple[tuple[float, float], ...]:
    """Nodes and weights of the Gauss-Legendre rule on -1 to 1 (NIST DLMF 3.5(v))."""
    found = []
    for index in range(_NODES):
        x = math.cos(math.pi * (index + 0.75) / (_NODES + 0.5))
        for _ in range(50):
            p, before = 1.0, 0.0
            for n in range(_NODES):
                p, before = ((2 * n + 1) * x * p - n * before) / (n + 1), p
            slope = _NODES * (x * p - before) / (x * x - 1)
            x -= p / slope
            if abs(p / slope) < 1e-15:
                break
        found.append((x, 2 / ((1 - x * x) * slope * slope)))
    return tuple(found)
