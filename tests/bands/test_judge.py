"""The judge: laws that hold for every band and every reading."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import (
    ABOVE_RANGE,
    BELOW_RANGE,
    NO_ANSWER,
    NOT_A_NUMBER,
    AcceptanceBand,
    Outcome,
    Reading,
    judge,
    worst,
)
from eolseq.quantity import Quantity

numbers = st.decimals(-10 ** 6, 10 ** 6, places=6)
units = st.sampled_from(["A", "mA", "uA"])
limits = st.none() | st.builds(Quantity, numbers, units)
FACTOR = {"A": Decimal(1), "mA": Decimal("1E-3"), "uA": Decimal("1E-6")}
outcomes = st.sampled_from([Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED, Outcome.STOPPED, Outcome.FAULT,
                            Outcome.NOT_REACHED])


@given(limits, limits, numbers, units)
def test_inside_passes_and_outside_fails_by_exact_arithmetic(low: Quantity | None, high: Quantity | None,
                                                             number: Decimal, unit: str) -> None:
    outcome = judge(AcceptanceBand(low, high), Reading("current", number, unit)).outcome
    value = number * FACTOR[unit]
    inside = (low is None or value >= low.value * FACTOR[low.unit]) \
        and (high is None or value <= high.value * FACTOR[high.unit])
    bandless = low is None and high is None
    assert outcome is (Outcome.FAULT if bandless else Outcome.PASS if inside else Outcome.FAIL)


@given(numbers, units, units)
def test_the_edges_are_inside(number: Decimal, unit: str, other: str) -> None:
    edge = Quantity(number, unit)
    same = Reading("current", edge.to(other).value, other)
    assert judge(AcceptanceBand(edge, edge), same).outcome is Outcome.PASS


@given(limits, limits, st.sampled_from([ABOVE_RANGE, BELOW_RANGE, NOT_A_NUMBER, NO_ANSWER, ""]))
def test_no_number_never_passes(low: Quantity | None, high: Quantity | None, special: str) -> None:
    outcome = judge(AcceptanceBand(low, high), Reading("current", None, "A", special=special)).outcome
    assert outcome is (Outcome.FAIL if special == ABOVE_RANGE and high is not None else Outcome.FAULT)


@given(st.sampled_from(["NaN", "sNaN", "Infinity", "-Infinity"]), limits, limits)
def test_a_decimal_that_is_no_number_is_a_fault(text: str, low: Quantity | None, high: Quantity | None) -> None:
    assert judge(AcceptanceBand(low, high), Reading("current", Decimal(text), "A")).outcome is Outcome.FAULT


@given(numbers, numbers)
def test_another_dimension_is_a_fault(number: Decimal, limit: Decimal) -> None:
    assert judge(AcceptanceBand(Quantity(limit, "V"), None), Reading("current", number, "A")).outcome is Outcome.FAULT


@given(numbers, numbers, numbers, numbers)
def test_a_wider_band_never_turns_a_pass_into_a_fail(low: Decimal, high: Decimal, wider: Decimal, number: Decimal) -> None:
    reading = Reading("current", number, "A")
    narrow = AcceptanceBand(Quantity(low, "A"), Quantity(high, "A"))
    wide = AcceptanceBand(Quantity(low - abs(wider), "A"), Quantity(high + abs(wider), "A"))
    if judge(narrow, reading).outcome is Outcome.PASS:
        assert judge(wide, reading).outcome is Outcome.PASS


@given(st.lists(outcomes), st.lists(outcomes))
def test_the_whole_is_no_better_than_any_part(some: list[Outcome], more: list[Outcome]) -> None:
    whole = worst([*some, *more])
    assert (whole is Outcome.PASS) == (bool(some + more) and set(some + more) == {Outcome.PASS})
    if Outcome.FAIL in some + more:
        assert whole is Outcome.FAIL  # a bad reading is never washed out by what comes after it
