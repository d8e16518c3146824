"""Laws of the judge: monotonic in the reading, in the band and in the guard; edges inclusive; no unit changes a verdict."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import AcceptanceBand, Guard, Outcome, Reading, judge
from eolseq.quantity import UNITS, Quantity, units_of

numbers = st.decimals(-1000, 1000, places=4)
limits = st.none() | numbers
widths = st.decimals(0, 500, places=4)
BETTER = {Outcome.FAIL: 0, Outcome.UNDECIDED: 1, Outcome.PASS: 2}


def band_of(low: Decimal | None, high: Decimal | None) -> AcceptanceBand:
    return AcceptanceBand(*(None if each is None else Quantity(each, "V") for each in (low, high)))


def verdict(band: AcceptanceBand, number: Decimal, guard: Guard | None = None) -> Outcome:
    return judge(band, Reading("voltage", number, "V"), guard).outcome


@given(numbers, numbers, numbers, limits, limits, st.none() | st.builds(Guard, st.just("a rule"), widths, widths))
def test_a_reading_between_two_is_judged_no_worse_than_the_worse_of_them(
        a: Decimal, b: Decimal, c: Decimal, low: Decimal | None, high: Decimal | None, guard: Guard | None) -> None:
    if low is None and high is None:
        return
    least, middle, most = sorted((a, b, c))
    band = band_of(low, high)
    outer = [BETTER[verdict(band, each, guard)] for each in (least, most)]
    assert BETTER[verdict(band, middle, guard)] >= min(outer)


@given(numbers, limits, limits, widths, widths)
def test_a_wider_band_never_judges_worse(number: Decimal, low: Decimal | None, high: Decimal | None, down: Decimal,
                                         up: Decimal) -> None:
    if low is None and high is None:
        return
    wider = band_of(None if low is None else low - down, None if high is None else high + up)
    for guard in (None, Guard("a rule", Decimal("0.5"), Decimal("0.5"))):
        assert BETTER[verdict(wider, number, guard)] >= BETTER[verdict(band_of(low, high), number, guard)]


@given(numbers, limits, limits, widths, widths, widths)
def test_a_wider_guard_never_judges_better_and_never_fails_what_is_inside(
        number: Decimal, low: Decimal | None, high: Decimal | None, narrow: Decimal, more: Decimal, other: Decimal) -> None:
    if low is None and high is None:
        return
    band = band_of(low, high)
    bare = verdict(band, number)
    small = verdict(band, number, Guard("a rule", narrow, other))
    large = verdict(band, number, Guard("a rule", narrow + more, other + more))
    assert BETTER[bare] >= BETTER[small] >= BETTER[large]
    assert (bare is Outcome.FAIL) == (large is Outcome.FAIL)


@given(numbers, widths, st.sampled_from(units_of("V")))
def test_edges_are_inclusive_and_the_next_digit_beyond_is_outside(edge: Decimal, width: Decimal, unit: str) -> None:
    step = Decimal("0.0001")
    band = band_of(edge, edge + width)
    same = Quantity(edge, "V").to(unit).value
    assert judge(band, Reading("voltage", same, unit)).outcome is Outcome.PASS
    assert verdict(band, edge + width) is Outcome.PASS
    assert verdict(band, edge - step) is Outcome.FAIL
    assert verdict(band, edge + width + step) is Outcome.FAIL


@given(numbers, widths)
def test_the_edge_of_a_guard_is_inclusive(edge: Decimal, width: Decimal) -> None:
    step = Decimal("0.0001")
    band = band_of(edge, None)
    guard = Guard("a rule", width, width)
    assert verdict(band, edge + width, guard) is Outcome.PASS
    assert verdict(band, edge + width - step, guard) is (Outcome.UNDECIDED if width >= step else Outcome.FAIL)


@given(numbers, limits, limits, st.sampled_from(units_of("V")), st.sampled_from(units_of("V")))
def test_no_unit_changes_a_verdict(number: Decimal, low: Decimal | None, high: Decimal | None, unit: str, other: str) -> None:
    told = [None if each is None else Quantity(each, "V").to(other) for each in (low, high)]
    reading = Reading("voltage", Quantity(number, "V").to(unit).value, unit)
    assert judge(AcceptanceBand(*told), reading).outcome is verdict(band_of(low, high), number)
    assert UNITS[unit][0] == "V"


def test_a_guard_that_is_in_doubt_lets_nothing_pass() -> None:
    band = band_of(Decimal(0), Decimal(10))
    assert verdict(band, Decimal(5), Guard("a rule", Decimal(0), Decimal(0), "no accuracy is known")) is Outcome.UNDECIDED
    assert verdict(band, Decimal(5), Guard("a rule", None, Decimal(0))) is Outcome.UNDECIDED
    assert verdict(band, Decimal(11), Guard("a rule", None, None, "no accuracy is known")) is Outcome.FAIL
