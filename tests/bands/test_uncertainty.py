"""Uncertainty held against the examples of JCGM 100 (the GUM) and against an independent library, GTC.

The published values are known second-hand, from the documentation of GTC and a third-party test file that cite GUM H.1
and H.2, unless a line says otherwise. GTC works them out afresh here.
"""

import importlib
import math
import warnings
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.uncertainty import (
    DIVISORS,
    Accuracy,
    Component,
    Span,
    combined,
    correlation,
    coverage_factor,
    effective_freedom,
    observed,
    read_accuracy,
    rounded_up,
)
from eolseq.quantity import parse

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    gtc: Any = importlib.import_module("GTC")


# -- GUM H.1, an end gauge: inputs in nm and degC, second-hand --------------------------------------------------

LENGTH = 50_000_623.0
H1 = (
    Component("calibration of the standard", 25.0, 1.0, 18),
    Component("repeated observations", 5.8, 1.0, 24),
    Component("random effects of the comparator", 3.9, 1.0, 5),
    Component("systematic effects of the comparator", 6.7, 1.0, 8),
    Component("difference of expansion coefficients", 1e-6 / DIVISORS["rectangular"], -LENGTH * -0.1, 50),
    Component("difference of temperatures", 0.05 / DIVISORS["rectangular"], -LENGTH * 11.5e-6, 2),
)


def test_gum_h1_the_length_is_known_to_32_nm() -> None:
    shares = [each.share for each in H1]
    assert [round(each, 3) for each in shares] == [25.0, 5.8, 3.9, 6.7, 2.887, 16.599]
    assert combined(H1) == pytest.approx(31.66, abs=0.01)
    assert rounded_up(combined(H1)) == 32  # published: u_c = 32 nm
    assert LENGTH + 215 == 50_000_838      # published: l = 50 000 838 nm


def test_gum_h1_expanded_to_99_percent() -> None:
    freedom = effective_freedom(H1)
    assert freedom == pytest.approx(16.75, abs=0.01)  # arithmetic, with unrounded parts
    # From memory: v_eff 16 and U99 = 93 nm. From the rounded u_c = 32 v_eff would be 17.47, a trap.
    assert math.floor(freedom) == 16
    factor = coverage_factor(math.floor(freedom), 0.99)
    assert factor == pytest.approx(2.9208, abs=1e-4)
    assert factor * 32 == pytest.approx(93.5, abs=0.1)
    assert math.floor(effective_freedom(H1) * (32 / combined(H1)) ** 4 * 100) == 1747


def test_gum_h1_second_order_terms_make_it_34_nm() -> None:
    second = [LENGTH * 0.05 / math.sqrt(3) * 2e-6 / math.sqrt(3), LENGTH * 1e-6 / math.sqrt(3) * math.hypot(0.2, 0.5 / math.sqrt(2))]
    assert round(math.hypot(combined(H1), *second)) == 34


def test_gum_h1_by_an_independent_library() -> None:
    parts = [gtc.ureal(0, each.standard, each.freedom) for each in H1]
    total = sum(each.sensitivity * part for each, part in zip(H1, parts, strict=True))
    assert combined(H1) == pytest.approx(gtc.uncertainty(total), rel=1e-12)
    assert effective_freedom(H1) == pytest.approx(gtc.dof(total), rel=1e-9)
    assert coverage_factor(16.0, 0.99) == pytest.approx(gtc.reporting.k_factor(16.0, 99), rel=1e-9)


# -- GUM H.2, resistance and reactance measured at the same time, second-hand -----------------------------------

VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPS = (0.019663, 0.019639, 0.019640, 0.019685, 0.019678)
ANGLE = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)
SERIES = {"V": VOLTS, "I": AMPS, "angle": ANGLE}


def h2() -> dict[str, dict[str, float]]:
    """The sensitivities of R, X and Z to V, I and the angle."""
    v, i, a = (observed(each)[0] for each in (VOLTS, AMPS, ANGLE))
    r, x, z = v / i * math.cos(a), v / i * math.sin(a), v / i
    return {"R": {"V": r / v, "I": -r / i, "angle": -x}, "X": {"V": x / v, "I": -x / i, "angle": r},
            "Z": {"V": z / v, "I": -z / i, "angle": 0.0}}


def h2_correlations() -> dict[tuple[str, str], float]:
    return {(a, b): correlation(SERIES[a], SERIES[b]) for a, b in (("V", "I"), ("V", "angle"), ("I", "angle"))}


def test_gum_h2_means_and_correlations() -> None:
    found = [observed(each)[1] for each in (VOLTS, AMPS, ANGLE)]
    assert found == pytest.approx([3.2e-3, 9.5e-6, 0.75e-3], rel=0.01)
    assert [round(r, 2) for r in h2_correlations().values()] == [-0.36, 0.86, -0.65]
    assert observed(VOLTS)[2] == 4


@pytest.mark.parametrize(("name", "value", "standard"), [("R", 127.732, 0.070), ("X", 219.85, 0.30), ("Z", 254.26, 0.24)])
def test_gum_h2_results(name: str, value: float, standard: float) -> None:
    v, i, a = (observed(each)[0] for each in (VOLTS, AMPS, ANGLE))
    assert {"R": v / i * math.cos(a), "X": v / i * math.sin(a), "Z": v / i}[name] == pytest.approx(value, abs=0.005)
    parts = [Component(key, observed(SERIES[key])[1], sensitivity) for key, sensitivity in h2()[name].items()]
    found = combined(parts, h2_correlations())
    assert found == pytest.approx(standard, rel=0.02)
    assert found == pytest.approx({"R": 0.07107, "X": 0.29558, "Z": 0.23634}[name], abs=1e-5)  # arithmetic


def test_gum_h2_by_an_independent_library() -> None:
    v, i, a = gtc.type_a.multi_estimate_real([VOLTS, AMPS, ANGLE])
    for name, result in (("R", v / i * gtc.cos(a)), ("X", v / i * gtc.sin(a)), ("Z", v / i)):
        parts = [Component(key, observed(SERIES[key])[1], sensitivity) for key, sensitivity in h2()[name].items()]
        assert combined(parts, h2_correlations()) == pytest.approx(gtc.uncertainty(result), rel=1e-9)


# -- coverage ---------------------------------------------------------------------------------------------------

@pytest.mark.parametrize(("freedom", "probability", "factor"), [
    (1, 0.95, 12.706), (5, 0.95, 2.571), (10, 0.95, 2.228), (10, 0.99, 3.169), (30, 0.95, 2.042),
    (math.inf, 0.95, 1.960), (math.inf, 0.99, 2.576)])  # Student's t as every table has it, from memory
def test_coverage_factors(freedom: float, probability: float, factor: float) -> None:
    assert coverage_factor(freedom, probability) == pytest.approx(factor, abs=6e-4)


@given(st.floats(1.0, 300.0), st.sampled_from([0.5, 0.9, 0.95, 0.99, 0.999]))
def test_coverage_factors_by_an_independent_library(freedom: float, probability: float) -> None:
    assert coverage_factor(freedom, probability) == pytest.approx(gtc.reporting.k_factor(freedom, 100 * probability), rel=1e-6)


@given(st.floats(1.0, 1e4), st.floats(0.5, 0.999))
def test_more_freedom_never_needs_a_larger_factor(freedom: float, probability: float) -> None:
    assert coverage_factor(freedom * 1.5, probability) <= coverage_factor(freedom, probability) + 1e-9


def test_two_is_not_one_point_nine_six() -> None:
    assert coverage_factor(math.inf, 0.95) == pytest.approx(1.959964, abs=1e-6)
    as_two, as_95 = read_accuracy("1 V, k = 2", "V"), read_accuracy("1 V, 95 %", "V")
    assert as_two.standard(Decimal(0)) == 0.5
    assert as_95.standard(Decimal(0)) == pytest.approx(0.510213, abs=1e-6)


# -- accuracies as they are worded ------------------------------------------------------------------------------

def test_an_accuracy_is_read_exactly() -> None:
    found = read_accuracy("0.2 % of reading + 0.05 % of range + 5 counts + 2 mV", "V")
    assert found.limits(Decimal("19.2"), Decimal(100), Decimal("0.001")) == Decimal("0.0384") + Decimal("0.05") \
        + Decimal("0.005") + Decimal("0.002")
    assert found.distribution == "rectangular" and found.conditions == ()


@pytest.mark.parametrize(("text", "divisor"), [
    ("1 V", math.sqrt(3)), ("1 V, rectangular", math.sqrt(3)), ("1 V, triangular", math.sqrt(6)),
    ("1 V, arcsine", math.sqrt(2)), ("1 V, k = 2", 2), ("1 V, normal, k = 3", 3), ("1 V, k = 2, 18 degC to 28 degC", 2)])
def test_distributions_and_coverages(text: str, divisor: float) -> None:
    assert read_accuracy(text, "V").standard(Decimal(0)) == pytest.approx(1 / divisor)


def test_conditions_are_kept_as_worded() -> None:
    assert read_accuracy("1 % of reading, 18 degC to 28 degC, 45 Hz to 65 Hz", "A").conditions == (
        "18 degC to 28 degC", "45 Hz to 65 Hz")


BAD = {
    "no term": ("good", "is not an accuracy"), "no number": ("% of reading", "is not an accuracy"),
    "a comma as decimal sign": ("1,5 % of reading", "is not an accuracy"), "two spaces": ("1  V", "is not an accuracy"),
    "minus": ("-1 V", "is not an accuracy"), "unknown unit": ("1 furlong", "not a unit"),
    "other dimension": ("1 A", "no accuracy of a reading in V"), "unknown condition": ("1 V, often", "not a condition"),
    "coverage of limits": ("1 V, rectangular, k = 2", "states a coverage"), "normal alone": ("1 V, normal", "no coverage"),
    "factor nought": ("1 V, k = 0", "not a condition"),
    "factor of a slip": ("1 V, k = 20", "not a condition"), "two factors": ("1 V, k = 2, k = 3", "says twice"),
    "two distributions": ("1 V, arcsine, triangular", "says twice"), "no probability": ("1 V, 00 %", "not a condition"),
    "certainty": ("1 V, 99.999999999999999999 %", "not a condition"), "condition upside down": ("1 V, 28 degC to 18 degC", "not a condition"),
    "condition of two kinds": ("1 V, 18 degC to 60 Hz", "not a condition"), "empty": ("", "is not an accuracy"),
}


@pytest.mark.parametrize(("text", "words"), BAD.values(), ids=BAD.keys())
def test_an_accuracy_that_cannot_be_read(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_accuracy(text, "V")


@given(st.one_of(st.text(), st.lists(st.sampled_from(["1 V", "5 counts", " + ", ", ", "k = 2", "95 %", "normal", "0 V", "%", " "])).map("".join)),
       st.sampled_from(["V", "ohm", "%", ""]))
def test_any_text_is_read_or_refused(text: str, dimension: str) -> None:
    try:
        found = read_accuracy(text, dimension)
    except ValueError as error:
        assert str(error)
    else:
        assert found.standard(Decimal(1), Decimal(1), Decimal(1)) >= 0


def test_a_budget_by_hand() -> None:
    """19.2 ohm on 100 ohm in steps of 1 mohm, 0.2 % of reading + 5 counts, leads up to 2 mohm: arithmetic."""
    span = Span(parse("100 ohm"), parse("1 mohm"), read_accuracy("0.2 % of reading + 5 counts", "ohm"), leads=Decimal("0.002"))
    shares = {each.name: each.share for each in span.budget(Decimal("19.2"))}
    assert shares == pytest.approx({"accuracy": 0.0434 / math.sqrt(3), "resolution": 0.0005 / math.sqrt(3),
                                    "leads": 0.002 / math.sqrt(3)})
    by_gtc = sum(gtc.ureal(0, gtc.type_b.uniform(half)) for half in (0.0434, 0.0005, 0.002))
    assert span.standard(Decimal("19.2")) == pytest.approx(gtc.uncertainty(by_gtc), rel=1e-12)


def test_temperature_comes_on_top() -> None:
    bare = Span(parse("10 A"), None, read_accuracy("1 % of reading", "A"))
    warm = Span(parse("10 A"), None, read_accuracy("1 % of reading", "A"), temperature=read_accuracy("1 % of reading", "A"))
    assert warm.standard(Decimal(2)) == pytest.approx(math.sqrt(2) * bare.standard(Decimal(2)))


@given(st.floats(1e-9, 1e9), st.floats(1e-9, 1e9))
def test_more_doubt_never_makes_surer(one: float, other: float) -> None:
    assert combined([Component("a", one), Component("b", other)]) >= max(one, other) * (1 - 1e-12)


@given(st.floats(1e-12, 1e12), st.integers(1, 4))
def test_rounding_up_never_makes_surer_and_adds_at_most_one_in_the_last_digit(value: float, digits: int) -> None:
    rounded = rounded_up(value, digits)
    assert Decimal(repr(value)) <= rounded <= Decimal(repr(value)) * (1 + Decimal(10) ** (1 - digits))


def test_an_exact_accuracy_has_no_doubt() -> None:
    assert combined(Span(parse("1 V"), None, Accuracy("")).budget(Decimal(1))) == 0
    assert rounded_up(0.0) == 0
