"""Consumer's and producer's risk against published tables; standing of each value beside it."""

import math
from statistics import NormalDist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.risk import Process, conformance, risk, width_for

# NCSLI RP-19 draft, as pinned in a public test suite (second-hand): probability of being in tolerance, then the
# unconditional and the conditional probability of false accept in %. Here "4:1" means process spread over measurement.
RP_19 = [(0.60, 4.83860326, 8.26008199), (0.70, 3.92234109, 5.72322042), (0.80, 2.85583037, 3.63227145),
         (0.90, 1.59995312, 1.79880430), (0.95, 0.87100925, 0.92389664), (0.99, 0.19991684, 0.20243866)]


def in_tolerance(probability: float) -> float:
    """The spread of a centred normal process of which so much lies within -1 and 1."""
    return 1 / NormalDist().inv_cdf((1 + probability) / 2)


@pytest.mark.parametrize(("probability", "unconditional", "conditional"), RP_19)
def test_rp_19(probability: float, unconditional: float, conditional: float) -> None:
    spread = in_tolerance(probability)
    found = risk(Process.normal(0, spread), spread / 4, (-1, 1), (-1, 1))
    assert 100 * found.consumer == pytest.approx(unconditional, abs=1e-6)
    assert 100 * found.bad_if_accepted == pytest.approx(conditional, abs=1e-6)
    assert found.nonconforming == pytest.approx(1 - probability, abs=1e-9)


# Deaver's paper (second-hand): limits in spreads of the process, ratio of spreads, guard factor, PFA and PFR in %.
@pytest.mark.parametrize(("limits", "ratio", "factor", "accept", "reject"), [
    (2, 4, 1, 0.8, 1.5), (2.5, 4, 1, 0.25, None), (2.5, 1, 1, 0.5, None), (2, 2, 0.91, 0.8, 6.6)])
def test_deaver(limits: float, ratio: float, factor: float, accept: float, reject: float | None) -> None:
    """The ratio here is tolerance over an expanded uncertainty of as many spreads as the limits have."""
    found = risk(Process.normal(0, 1), 1 / ratio, (-limits, limits), (-limits * factor, limits * factor))
    assert 100 * found.consumer == pytest.approx(accept, abs=0.05)
    assert reject is None or 100 * found.producer == pytest.approx(reject, abs=0.05)


@pytest.mark.parametrize(("coverage", "accept", "reject"), [(2.0, 0.8583, 1.5537), (1.959963985, 0.8710, 1.5954)])
def test_the_ratio_to_an_expanded_uncertainty_depends_on_its_factor(coverage: float, accept: float, reject: float) -> None:
    """The trap: 4:1 with k = 2 and with 1.96 are two risks, and the process over measurement gives the second (arithmetic)."""
    found = risk(Process.normal(0, in_tolerance(0.95)), 1 / 4 / coverage, (-1, 1), (-1, 1))
    assert (100 * found.consumer, 100 * found.producer) == pytest.approx((accept, reject), abs=5e-5)


@pytest.mark.parametrize(("coverage", "accept"), [(2.0, 1.969), (1.959963985, 2.004)])
def test_four_to_one_is_below_two_percent_only_just(coverage: float, accept: float) -> None:
    """ANSI/NCSL Z540.3 5.3 b (second-hand) asks for at most 2 %; the worst process lies on that edge (arithmetic)."""
    found = risk(Process.normal(0, in_tolerance(0.80)), 1 / 4 / coverage, (-1, 1), (-1, 1))
    assert 100 * found.consumer == pytest.approx(accept, abs=5e-4)
    assert (found.consumer <= 0.02) is (coverage == 2.0)


# JCGM 106:2012 9.5.4, ball bearings (second-hand): a gamma process, at most 2 um, measured to 0.25 um.
BEARINGS = Process(lambda x: 4 ** 4 * x ** 3 * math.exp(-4 * x) / 6 if x > 0 else 0.0, 0.0, 20.0)
AT_MOST_2 = (-math.inf, 2.0)


def test_jcgm_106_simple_acceptance() -> None:
    found = risk(BEARINGS, 0.25, AT_MOST_2, AT_MOST_2)
    assert round(100 * found.nonconforming, 1) == 4.2
    assert round(100 * found.consumer, 1) == 0.8
    assert (found.nonconforming, found.consumer, found.producer) == pytest.approx((0.0423801, 0.00801911, 0.0174446), abs=1e-7)


def test_jcgm_106_guarded_to_a_tenth_of_a_percent() -> None:
    width = width_for(BEARINGS, 0.25, AT_MOST_2, 0.001)
    assert (round(width, 2), round(2 - width, 2)) == (0.33, 1.67)
    assert width == pytest.approx(0.328171, abs=1e-6)
    assert risk(BEARINGS, 0.25, AT_MOST_2, (-math.inf, 2 - width)).producer == pytest.approx(0.0754939, abs=1e-6)


@pytest.mark.parametrize(("width", "consumer", "producer"), [
    (0.0, 1.894, 3.721), (0.08, 0.0469, 24.77), (-0.08, 6.940, 0.0681)])
def test_our_own_cross_check(width: float, consumer: float, producer: float) -> None:
    """Not published: a process of 0.12, measured to 0.04, within 0.2; worked out independently."""
    found = risk(Process.normal(0, 0.12), 0.04, (-0.2, 0.2), (-0.2 + width, 0.2 - width))
    assert 100 * found.consumer == pytest.approx(consumer, rel=1e-3)
    assert 100 * found.producer == pytest.approx(producer, rel=1e-3)
    assert 1 - found.nonconforming == pytest.approx(0.904419, abs=1e-6)


def test_against_another_integration() -> None:
    """scipy's own quadrature over the same plane, both tails."""
    from scipy.integrate import quad
    from scipy.stats import norm

    def accepted(x: float) -> float:
        return float(norm.pdf(x, 0.3, 0.5) * (norm.cdf((0.9 - x) / 0.1) - norm.cdf((-0.95 - x) / 0.1)))

    expected = quad(accepted, 1, 2, epsabs=1e-14)[0] + quad(accepted, -2, -1, epsabs=1e-14)[0]
    assert risk(Process.normal(0.3, 0.5), 0.1, (-1, 1), (-0.95, 0.9)).consumer == pytest.approx(expected, abs=1e-12)


@settings(max_examples=40)
@given(st.floats(-1.5, 1.5), st.floats(0.05, 2), st.floats(0.02, 1), st.floats(0, 0.4), st.floats(0, 0.4))
def test_a_wider_guard_never_accepts_more_bad_units(centre: float, spread: float, standard: float, width: float, more: float) -> None:
    process = Process.normal(centre, spread)
    narrow, wide = (risk(process, standard, (-1, 1), (-1 + w, 1 - w)) for w in (width, width + more))
    assert wide.consumer <= narrow.consumer + 1e-9
    assert wide.producer >= narrow.producer - 1e-9
    assert -1e-9 <= wide.consumer <= wide.nonconforming + 1e-9


@given(st.floats(-3, 3), st.floats(0.01, 2))
def test_conformance_falls_away_from_the_middle(reading: float, standard: float) -> None:
    assert conformance(reading, standard, (-1, 1)) <= conformance(reading / 2, standard, (-1, 1)) + 1e-12
    assert conformance(1.0, standard, (-math.inf, 1.0)) == pytest.approx(0.5)


def test_conformance_one_sided_as_in_the_table() -> None:
    """JCGM 106 Table 1 (from memory): how many standard uncertainties inside a limit give a probability."""
    for probability, z in ((0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)):
        assert conformance(-z, 1.0, (-math.inf, 0.0)) == pytest.approx(probability, abs=1e-5)
