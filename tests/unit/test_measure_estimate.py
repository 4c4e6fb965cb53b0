"""Samples, with and without times that were cut off."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.measure.estimate import Sample, deviation, mean, product_limit

HALF = Fraction(1, 2)


def test_no_sample_has_no_figures() -> None:
    empty = Sample([], [])
    assert (empty.mean(), empty.longest(), empty.quantile(HALF), len(empty)) == (None, None, None, 0)


def test_a_sample_that_is_all_cut_off_is_more_than_its_longest() -> None:
    sample = Sample([], [3, 9, 5])
    assert (sample.mean(), sample.longest(), sample.quantile(HALF)) == (17 / 3, 9, (9, True))


def test_what_ends_when_another_is_cut_off_ended_first() -> None:
    """Of two at risk at 5 one ends, so half are still going: the median is 5, not 'more than 5'."""
    assert Sample([5], [5]).quantile(HALF) == (5, False)


def test_the_last_time_is_reached_when_it_ended() -> None:
    assert Sample([1, 9], [2, 3]).quantile(Fraction(99, 100)) == (9, False)


def test_a_share_a_hair_beyond_the_curve_is_not_reached() -> None:
    """After 1 exactly half are still going: that is the median, and no more than the median."""
    sample = Sample([1], [2])
    assert sample.quantile(HALF) == (1, False)
    assert sample.quantile(HALF + Fraction(1, 10**12)) == (2, True)


def test_quantiles_stay_exact_where_floats_would_not() -> None:
    """1/10 of ten, step by step with cut-offs of which none changes the share: 0.9 * 8/9 * ... must be exactly 1/10."""
    sample = Sample(range(1, 11), [])
    assert [sample.quantile(Fraction(n, 10)) for n in range(1, 11)] == [(n, False) for n in range(1, 11)]


@given(
    st.lists(st.integers(0, 12), max_size=25),
    st.lists(st.integers(0, 12), max_size=25),
    st.fractions(Fraction(1, 100), 1, max_denominator=100),
)
def test_the_quick_quantile_is_the_one_of_the_exact_curve(
    ended: list[int], cut_off: list[int], share: Fraction
) -> None:
    sample = Sample(ended, cut_off)
    reached = [time for time, going in product_limit(sample) if going <= 1 - share]
    expected = (reached[0], False) if reached else (max(ended + cut_off), True) if len(sample) else None
    assert sample.quantile(share) == expected


def test_many_cut_off_at_different_times_stay_exact() -> None:
    """Ends at even times, cut off at odd ones: the curve is a product of 300 factors that floats cannot hold."""
    sample = Sample(range(2, 602, 2), range(1, 601, 2))
    curve = product_limit(sample)
    for share in (HALF, Fraction(9, 10), 1 - curve[123][1], 1 - curve[299][1]):
        assert sample.quantile(share) == (next(time for time, going in curve if going <= 1 - share), False)


def test_floats_are_added_without_loss() -> None:
    assert mean([0.1] * 10) == pytest.approx(0.1, abs=0)
    assert deviation([1.0, 2.0, 3.0]) == 1.0
