"""A setting is sent exactly or not at all."""

from decimal import Decimal
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from eolseq.instruments.settings import Setting
from eolseq.quantity import UNITS, parse, units_of

NUMBERS = st.from_regex(r"\A[0-9]{1,4}(\.[0-9]{1,4})?\Z")


@given(NUMBERS, st.sampled_from(units_of("s")), st.sampled_from(units_of("s")))
def test_what_is_sent_is_what_was_set(number: str, unit: str, instruments: str) -> None:
    setting = Setting("hold", instruments, {}, Decimal(0), Decimal("1E20"))
    value = parse(f"{number} {unit}")
    exact = Fraction(value.base) / Fraction(UNITS[instruments][1])
    problem = setting.problem(value)
    if problem:
        assert "no exact value" in problem
        assert instruments in ("min", "h", "d") and exact.denominator % 3 == 0
    else:
        assert Fraction(Decimal(setting.text(value))) == exact


def test_a_third_of_a_minute_is_refused_by_an_instrument_that_takes_minutes() -> None:
    setting = Setting("hold", "min", {}, Decimal(0), Decimal(60))
    assert setting.problem(parse("20 s")) == "hold 20 s has no exact value in min, in which this instrument takes it."
    assert setting.text(parse("30 s")) == "0.5"
