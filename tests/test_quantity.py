"""Quantities: digits kept, units exact, nothing converted silently."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.quantity import UNITS, Quantity, nearest, parse, units_of

# SI Brochure (9th edition, 2019), table 7: prefixes; from memory.
PREFIXES = [("5 kV", "5000"), ("1.5 mA", "0.0015"), ("20 uA", "0.000020"), ("6 uF", "0.000006"), ("2.2 Mohm", "2200000"),
            ("4 nF", "0.000000004"), ("200 ms", "0.200"), ("1 min", "60"), ("100 kPa", "100000"), ("1 bar", "100000")]


@pytest.mark.parametrize(("text", "base"), PREFIXES)
def test_prefixes(text: str, base: str) -> None:
    assert parse(text).base == Decimal(base)


@pytest.mark.parametrize("text", ["1480 V", "1500.0 V", "0.100 ohm", "-10 %", "5 kV"])
def test_text_in_is_text_out(text: str) -> None:
    assert str(parse(text)) == text


BAD = {
    "comma for a point": ("1,5 kV", "not a number"),
    "milli and Mega": ("10 ma", "'mA'"),
    "no number": ("V", "not a number"),
    "exponent": ("1e3 V", "not a number"),
    "infinite": ("inf V", "not a number"),
    "not a number": ("NaN", "not a number"),
    "unknown unit": ("5 furlong", "not a unit"),
    "two units": ("5 V A", "not a number"),
    "empty": ("", "not a number"),
    "hexadecimal": ("0x10 V", "not a number"),
    "more digits than anyone means": ("0.10000000000000000000001 V", "more than 20 digits"),
}


@pytest.mark.parametrize(("text", "words"), BAD.values(), ids=BAD.keys())
def test_bad_texts(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse(text)


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-10**9, max_value=10**9, places=6),
       st.sampled_from(sorted(u for u in UNITS if u)))
def test_there_and_back_is_exact(value: Decimal, unit: str) -> None:
    quantity = Quantity(value, unit)
    for other in units_of(quantity.dimension):
        if UNITS[other][1] == UNITS[other][1].normalize() and UNITS[other][1] not in (Decimal(60), Decimal(3600), Decimal(86400)):
            assert quantity.to(other).base == quantity.base


WRITTEN = st.from_regex(r"\A[+-]?[0-9]{1,10}(\.[0-9]{1,10})?\Z")
"""Numbers of at most 20 digits, as a file may have them."""


@given(WRITTEN, st.sampled_from(sorted(UNITS)))
def test_units_are_exact_and_reversible(number: str, unit: str) -> None:
    quantity = parse(f"{number} {unit}".strip())
    factor = Fraction(UNITS[unit][1])
    assert Fraction(quantity.base) == Fraction(Decimal(number)) * factor, "base units lose no digit"
    for other in units_of(quantity.dimension):
        there = quantity.to(other)
        wanted = Fraction(Decimal(number)) * factor / Fraction(UNITS[other][1])
        if other not in ("min", "h", "d"):  # a third of a minute has no last digit
            assert Fraction(there.value) == wanted
            assert unit in ("min", "h", "d") or there.to(unit).value == quantity.value
        else:
            assert abs(Fraction(there.value) - wanted) <= abs(wanted) * Fraction(1, 10 ** 27)


@given(WRITTEN, st.sampled_from(sorted(UNITS)))
def test_what_is_read_is_what_was_written(number: str, unit: str) -> None:
    quantity = parse(f"{number} {unit}".strip())
    assert parse(str(quantity)) == quantity
    assert quantity.value.as_tuple().exponent == -len(number.partition(".")[2]), "trailing zeros are kept"


@given(WRITTEN, WRITTEN, st.sampled_from(["V", "mV", "kV"]), st.sampled_from(["V", "uV", "mV"]))
def test_order_is_that_of_exact_numbers(one: str, two: str, unit: str, other: str) -> None:
    a, b = parse(f"{one} {unit}"), parse(f"{two} {other}")
    exact = Fraction(Decimal(one)) * Fraction(UNITS[unit][1]), Fraction(Decimal(two)) * Fraction(UNITS[other][1])
    assert (a.base < b.base, a.base == b.base) == (exact[0] < exact[1], exact[0] == exact[1])


@given(st.text(max_size=30))
def test_no_text_raises_anything_but_value_error(text: str) -> None:
    try:
        found = parse(text)
    except ValueError:
        return
    assert found.value.is_finite() and found.unit in UNITS


def test_another_dimension_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be given in A"):
        parse("5 V").to("A")


def test_nearest_prefers_the_same_letters() -> None:
    assert nearest("ma", ["mA", "MV"]) == "mA"
    assert nearest("groundcontinuity", ["ground_continuity", "motor_current"]) == "ground_continuity"
    assert nearest("zzz", ["alpha"]) == ""
