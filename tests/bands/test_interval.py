"""Normal tolerance intervals: the exact factor against published and independent values, and what they refuse."""

from __future__ import annotations

import math
import random
from statistics import NormalDist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.interval import chi_square_above, factor, spread
from eolseq.errors import FileMistakes
from tests.bands.worked import numbers, worked


def by_howe(n: int, coverage: float, confidence: float) -> float:
    """The factor by Howe's approximation, which the handbook uses: z sqrt((n-1)(1+1/n) / chi-square quantile)."""
    low, high = 0.0, 10.0 * n
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if chi_square_above(n - 1, middle) > confidence else (low, middle)
    return NormalDist().inv_cdf((1 + coverage) / 2) * math.sqrt((n - 1) * (1 + 1 / n) / low)


def test_the_handbooks_example() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, 90 % of all with 99 % confidence, k2 = 2.217; from memory.
    # That is Howe's approximation, and holds a little less than it says: the exact factor is 0.3 % larger
    assert by_howe(43, 0.90, 0.99) == pytest.approx(2.217, abs=0.0005)
    exact = factor(43, 0.90, 0.99)
    assert 2.217 < exact < 2.217 * 1.005
    assert other_way(43, 0.90, 2.217) < 0.9899 < other_way(43, 0.90, exact)


@pytest.mark.parametrize(("degrees", "x", "above"), [
    # the table of chi-square that textbooks print, from memory
    (1, 3.841, 0.05), (2, 5.991, 0.05), (10, 18.307, 0.05), (10, 2.558, 0.99), (30, 43.773, 0.05), (100, 124.342, 0.05)])
def test_chi_square(degrees: int, x: float, above: float) -> None:
    assert chi_square_above(degrees, x) == pytest.approx(above, abs=2e-5)


@pytest.mark.parametrize(("n", "k"), [(2, 37.674), (5, 5.077), (10, 3.379), (20, 2.752), (30, 2.549), (100, 2.233)])
def test_printed_factors_for_95_and_95(n: int, k: float) -> None:
    # the table of two-sided factors that textbooks print, 95 % of all with 95 % confidence, from memory; it goes by an
    # approximation that is up to half a percent low for small n (and 3 % for n = 2), so this holds the order only
    assert factor(n, 0.95, 0.95) == pytest.approx(k, rel=0.04 if n == 2 else 0.006)


def other_way(n: int, coverage: float, k: float) -> float:
    """The confidence of a factor by integrating over the standard deviation instead of the mean.

    The coverage of mean z and deviation s is Phi(z + k s) - Phi(z - k s); for each s there is one largest |z| at which
    it is still enough. P(|Z| <= that), with Z of deviation 1 / sqrt(n), is averaged over the density of s.
    """
    normal, nu = NormalDist(), n - 1

    def largest(s: float) -> float:
        low, high = 0.0, 10.0
        if 2 * normal.cdf(k * s) - 1 < coverage:
            return -1.0
        for _ in range(60):
            middle = (low + high) / 2
            enough = normal.cdf(middle + k * s) - normal.cdf(middle - k * s) >= coverage
            low, high = (middle, high) if enough else (low, middle)
        return low

    def density(s: float) -> float:
        log = math.log(2) + nu / 2 * math.log(nu / 2) - math.lgamma(nu / 2) + (nu - 1) * math.log(s) - nu * s * s / 2
        return math.exp(log)

    top, pieces = 1 + 9 / math.sqrt(2 * nu), 2000
    step = top / pieces
    total = 0.0
    for index in range(pieces):
        s = (index + 0.5) * step
        z = largest(s)
        total += density(s) * step * (2 * normal.cdf(z * math.sqrt(n)) - 1 if z > 0 else 0.0)
    return total


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(10, 0.95, 0.95), (15, 0.99, 0.95), (43, 0.90, 0.99),
                                                           (200, 0.99, 0.90)])
def test_the_factor_gives_its_confidence_worked_out_the_other_way(n: int, coverage: float, confidence: float) -> None:
    assert other_way(n, coverage, factor(n, coverage, confidence)) == pytest.approx(confidence, abs=2e-4)


def test_it_holds_what_it_says_it_holds() -> None:
    chance, normal, held = random.Random(20261125), NormalDist(), 0
    k = factor(12, 0.90, 0.90)
    for _ in range(2000):
        found = spread([chance.gauss(0, 1) for _ in range(12)])
        low, high = found.mean - k * found.deviation, found.mean + k * found.deviation
        held += normal.cdf(high) - normal.cdf(low) >= 0.90
    assert held / 2000 == pytest.approx(0.90, abs=0.025)  # four standard deviations of so many trials


def test_many_units_come_near_the_normal_quantile() -> None:
    assert factor(20_000, 0.95, 0.95) == pytest.approx(NormalDist().inv_cdf(0.975), rel=0.012)


@settings(max_examples=8, deadline=None)
@given(st.integers(10, 120), st.sampled_from([0.5, 0.9, 0.99]), st.sampled_from([0.5, 0.9, 0.99]))
def test_more_units_narrow_it_and_more_sureness_widens_it(n: int, coverage: float, confidence: float) -> None:
    k = factor(n, coverage, confidence)
    assert factor(n + 10, coverage, confidence) < k or confidence == 0.5
    assert factor(n, coverage, 0.999) > k
    assert factor(n, 0.999, confidence) > k


NUMACC1 = [10000001.0, 10000003.0, 10000002.0]
NUMACC2 = [1.2, *[1.1, 1.3] * 500]
NUMACC4 = [10000000.2, *[10000000.1, 10000000.3] * 500]


@pytest.mark.parametrize(("values", "n", "mean", "deviation"), [
    # NIST StRD univariate, certified values, seen in the original data files
    (NUMACC1, 3, 10000002.0, 1.0), (NUMACC2, 1001, 1.2, 0.1), (NUMACC4, 1001, 10000000.2, 0.1)])
def test_mean_and_deviation_keep_their_digits(values: list[float], n: int, mean: float, deviation: float) -> None:
    found = spread(values)
    assert found.n == n
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.deviation == pytest.approx(deviation, rel=1e-7)


def test_what_is_far_from_normal_is_told() -> None:
    chance = random.Random(1)
    assert spread([chance.gauss(5, 1) for _ in range(60)]).looks_normal
    assert not spread([1.0, 9.0] * 30).looks_normal
    assert not spread([math.exp(chance.gauss(0, 1)) for _ in range(60)]).looks_normal


UNITS = "{{from: units, readings: [{}], coverage: 99 %, confidence: 95 %, source: invented batch}}"


def listed(values: list[float]) -> str:
    return ", ".join(f"{value:.3f} ohm" for value in values)


def test_a_band_from_reference_units() -> None:
    chance = random.Random(7)
    values = [round(chance.gauss(18.7, 0.2), 3) for _ in range(20)]
    found = worked("Stage 1", UNITS.format(listed(values)))
    exact = spread(values)
    k = factor(20, 0.99, 0.95)
    low, high = numbers(found)
    assert low is not None and high is not None
    assert 0 <= float(low) - (exact.mean - k * exact.deviation) < 0.011
    assert 0 <= (exact.mean + k * exact.deviation) - float(high) < 0.011
    assert "20 sound units, 99 % of all held with 95 % confidence" in found.band.basis
    assert "nothing speaks against a normal distribution" in found.working.notes[0]


def test_units_that_are_not_normal_are_warned_of() -> None:
    found = worked("Stage 1", UNITS.format(listed([18.0, 19.0] * 10)))
    assert found.working.notes[0].startswith("WARNING: the units do not look normally distributed")


@pytest.mark.parametrize(("values", "why"), [([18.7, 18.8] * 4, "8 units are too few"), ([18.7] * 12, "all units read alike")])
def test_too_few_or_all_alike_are_refused(values: list[float], why: str) -> None:
    with pytest.raises(FileMistakes, match=why):
        worked("Stage 1", UNITS.format(listed(values)))
