"""Intervals and chances, held to published values and to scipy, which shares no code with them."""

from __future__ import annotations

import itertools
import math
import random

import pytest
import scipy.stats
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from eolseq.review.chance import by_chance, by_chance_in_all, held_against, means_by_chance, share

# count, of, confidence -> limits. Second-hand: the values of R's binom.test that scipy's own tests hold
# (test_binomtest); the last two are from memory as cases of Newcombe, Statistics in Medicine 17 (1998) 857, table I.
CLOPPER_PEARSON = {
    (0, 10, 0.95): (0, 0.3084971), (10, 10, 0.95): (0.6915029, 1), (3, 50, 0.99): (0.006872485, 0.202706269),
    (81, 263, 0.95): (0.2527, 0.3676), (15, 148, 0.95): (0.0578, 0.1617), (0, 20, 0.95): (0, 0.1684),
    (1, 29, 0.95): (0.0009, 0.1776),
}


@pytest.mark.parametrize("case", CLOPPER_PEARSON)
def test_published_intervals(case: tuple[int, int, float]) -> None:
    found = share(*case)
    digits = 4 if case[1] in (263, 148, 20, 29) else 7
    assert (round(found.low, digits), round(found.high, digits)) == \
        tuple(round(each, digits) for each in CLOPPER_PEARSON[case])


def test_nothing_counted_says_nothing() -> None:
    assert share(0, 0) == (0, 0, 0.0, 1.0)
    assert share(0, 0).value == 0.0


@given(st.integers(1, 3000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
@settings(max_examples=40, deadline=None)
def test_any_interval_is_that_of_scipy(case: tuple[int, int]) -> None:
    found, held = share(*case), scipy.stats.binomtest(*case).proportion_ci(0.95, "exact")
    assert found.low == pytest.approx(held.low, abs=1e-8)
    assert found.high == pytest.approx(held.high, abs=1e-8)


def test_fishers_own_example() -> None:
    # R. A. Fisher, The Design of Experiments (1935): four cups of eight, three named right. Second-hand: 0.2429 one-sided,
    # and by the symmetry of the table 0.4857 two-sided.
    assert round(by_chance((3, 4), (1, 4)), 4) == 0.4857


@given(*[st.integers(1, 400).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of)))] * 2)
@settings(max_examples=60, deadline=None)
def test_any_chance_is_that_of_scipy(one: tuple[int, int], other: tuple[int, int]) -> None:
    table = [[one[0], one[1] - one[0]], [other[0], other[1] - other[0]]]
    assert by_chance(one, other) == pytest.approx(scipy.stats.fisher_exact(table).pvalue, rel=1e-6, abs=1e-300)


def test_published_strata() -> None:
    # The rabbits that C. R. Mehta and N. R. Patel and later R's mantelhaen.test take as their example: cured of so many
    # without delay and with a delay of 1.5 h, at five levels of penicillin. From memory: exact test S = 16, p = 0.03994.
    levels = [((0, 6), (0, 5)), ((3, 6), (0, 6)), ((6, 6), (2, 6)), ((5, 6), (6, 6)), ((2, 2), (5, 5))]
    assert sum(one[0] for one, _ in levels) == 16
    assert round(by_chance_in_all(levels), 5) == 0.03994


COUNTS = st.integers(1, 7).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of)))


@given(st.lists(st.tuples(COUNTS, COUNTS), min_size=1, max_size=3))
@settings(max_examples=60, deadline=None)
def test_any_strata_are_all_tables_counted_out(pairs: list[tuple[tuple[int, int], tuple[int, int]]]) -> None:
    """Every way to share the passes out is walked with scipy's hypergeometric distribution."""
    likely: dict[int, float] = {}
    for ks in itertools.product(*(range(one[1] + 1) for one, _ in pairs)):
        each = math.prod(scipy.stats.hypergeom.pmf(k, one[1] + other[1], one[0] + other[0], one[1])
                         for k, (one, other) in zip(ks, pairs, strict=True))
        likely[sum(ks)] = likely.get(sum(ks), 0.0) + float(each)
    seen = likely[sum(one[0] for one, _ in pairs)]
    held = sum(each for each in likely.values() if each <= seen * (1 + 1e-7))
    assert by_chance_in_all(pairs) == pytest.approx(min(1.0, held), rel=1e-6)


def test_nothing_to_compare_is_no_difference() -> None:
    assert by_chance_in_all([]) == 1.0


def test_the_first_t_test() -> None:
    # Student, Biometrika 6 (1908) 1: hours of sleep gained with two drugs. From memory: Welch's test gives p = 0.07939.
    one = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
    other = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)
    assert round(means_by_chance(one, other), 5) == 0.07939


SERIES = st.lists(st.integers(-1000, 1000), min_size=2, max_size=60)


@given(SERIES, SERIES)
@settings(max_examples=60, deadline=None)
def test_any_t_test_is_that_of_scipy(one: list[int], other: list[int]) -> None:
    assume(len(set(one)) > 1 and len(set(other)) > 1)
    held = scipy.stats.ttest_ind(one, other, equal_var=False).pvalue
    assert means_by_chance(one, other) == pytest.approx(held, rel=1e-7, abs=1e-300)


def test_series_without_spread() -> None:
    assert means_by_chance([1.0, 1.0], [1.0, 1.0]) == 1.0
    assert means_by_chance([1.0, 1.0], [2.0, 2.0]) == 0.0


def test_many_comparisons() -> None:
    # Second-hand: the example in the documentation of pingouin's holm, with alarm 0.05.
    assert held_against([0.50, 0.003, 0.32, 0.054, 0.0003], 0.05) == [False, True, False, False, True]
    assert held_against([]) == []


def test_comparisons_together_seldom_speak_up_for_nothing() -> None:
    """By the law of Holm's rule: of 1000 sets of 20 uniform chances about 10 have one that is told."""
    draw = random.Random(7)
    wrong = sum(any(held_against([draw.random() for _ in range(20)])) for _ in range(1000))
    assert 1 <= wrong <= 21  # 10 within three and a half standard deviations
