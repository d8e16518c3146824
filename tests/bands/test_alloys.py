"""Temperature tables and winding constants, against published values; what lies outside them is refused."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.alloys import ALLOYS, WINDINGS, resistance_factor, winding_factor
from eolseq.quantity import Quantity, parse

TABLED = [  # C_t at 20, 100, 200 ... degC: an alloy maker's table, second-hand
    ("NiCr 80/20", "1.000 1.006 1.012 1.018 1.025 1.026 1.018 1.010 1.008 1.010 1.014 1.021 1.025"),
    ("NiCr 60/15", "1.000 1.011 1.024 1.038 1.052 1.064 1.069 1.073 1.078 1.088 1.095 1.109"),
    ("NiCr 70/30", "1.000 1.007 1.016 1.028 1.038 1.044 1.036 1.030 1.028 1.029 1.033 1.037 1.043"),
    ("FeCrAl 25/5", "1.000 1.002 1.005 1.008 1.013 1.021 1.030 1.038 1.040 1.042 1.044 1.046 1.047"),
]
SPARSE = [("FeCrAl 21/6", "1.020", "1.052"), ("FeCrAl 13/4", "1.064", "1.150"), ("FeCrAl 27/7Mo2", "0.976", "0.968")]


def at(celsius: object) -> Quantity:
    return parse(f"{celsius} degC")


@pytest.mark.parametrize(("alloy", "factors"), TABLED)
def test_every_row_of_the_tables(alloy: str, factors: str) -> None:
    temperatures = [20, *range(100, 1300, 100)]
    for celsius, factor in zip(temperatures, factors.split(), strict=False):
        assert resistance_factor(alloy, at(celsius)) == Decimal(factor)


def test_between_rows_it_is_straight() -> None:
    assert resistance_factor("NiCr 80/20", at(350)) == Decimal("1.0215")  # arithmetic, from the second-hand table


def test_the_table_is_not_a_coefficient() -> None:
    table = resistance_factor("NiCr 80/20", at(800))
    assert table == Decimal("1.008") < resistance_factor("NiCr 80/20", at(500))  # it falls again
    assert 1 + Decimal("0.00013") * 780 > Decimal("1.10") > table  # a textbook's coefficient, second-hand, misleads


@pytest.mark.parametrize(("alloy", "at_500", "at_1000"), SPARSE)
def test_two_rows_say_nothing_of_what_lies_between(alloy: str, at_500: str, at_1000: str) -> None:
    # the same maker's table of other grades, second-hand; the sign differs by grade
    assert resistance_factor(alloy, at(500)) == Decimal(at_500)
    assert resistance_factor(alloy, at(1000)) == Decimal(at_1000)
    for celsius in (19, 21, 499, 750, 999, 1001):
        with pytest.raises(ValueError, match="lies"):
            resistance_factor(alloy, at(celsius))


@pytest.mark.parametrize(("alloy", "celsius"), [("NiCr 80/20", "19.9"), ("NiCr 80/20", "1200.1"), ("NiCr 60/15", "1101")])
def test_outside_a_table_is_refused(alloy: str, celsius: str) -> None:
    with pytest.raises(ValueError, match="outside the table"):
        resistance_factor(alloy, at(celsius))


@given(st.sampled_from([name for name, table in ALLOYS.items() if not table.sparse]), st.decimals(20, 1100, places=2))
def test_between_two_rows_it_lies_between_their_factors(alloy: str, celsius: Decimal) -> None:
    points = ALLOYS[alloy].points
    low = max((each for each in points if each[0] <= celsius), key=lambda each: each[0])
    high = min((each for each in points if each[0] >= celsius), key=lambda each: each[0])
    assert min(low[1], high[1]) <= resistance_factor(alloy, at(celsius)) <= max(low[1], high[1])


@pytest.mark.parametrize(("winding", "ohms"), [
    # R = 10 ohm at 25 degC, to 100 degC. T = (R/r)(K+t)-K of a UL standard, clauses 49.8 and 49.9, K = 234.5 copper
    # and 225.0 EC aluminium, second-hand; 228 for aluminium from an engineering reference page, second-hand
    ("copper 234.5", "12.8902"), ("aluminium 225", "13.0000"), ("aluminium 228", "12.9644")])
def test_windings(winding: str, ohms: str) -> None:
    assert round(10 * winding_factor(winding, at(25), at(100)), 4) == Decimal(ohms)


def test_a_rise_from_the_ratio_of_resistances() -> None:
    constant = WINDINGS["copper 234.5"].constant  # the same clauses, second-hand: ratio 1.25 from 25 degC is 64.875 K
    assert Decimal("1.25") * (constant + 25) - constant - 25 == Decimal("64.875")
    assert winding_factor("copper 234.5", at(25), at("89.875")) == Decimal("1.25")


@given(st.sampled_from(list(WINDINGS)), st.integers(-40, 150), st.integers(-40, 150))
def test_there_and_back_is_the_same(winding: str, one: int, other: int) -> None:
    product = winding_factor(winding, at(one), at(other)) * winding_factor(winding, at(other), at(one))
    assert abs(product - 1) < Decimal("1e-25")
