"""Intervals of means, shares and quantiles, and how a figure spreads over nights."""

import math
import sys
from fractions import Fraction

import pytest
from nights_by_hand import more

from emulator.errors import InputError
from emulator.measure.comparison.analysis import finite, spread
from emulator.measure.comparison.intervals import (
    Interval,
    check_confidence,
    ranks,
    scipy_version,
    share_interval,
    student_interval,
)
from emulator.measure.comparison.result import Spread
from emulator.measure.comparison.wanted import Reading

HALF, NINE_TENTHS = Fraction(1, 2), Fraction(9, 10)
MAKESPAN = ("makespan", "patient", "time")


def of(*values: float | Reading | None, confidence: float = 0.9) -> Spread:
    readings = [one if isinstance(one, Reading) else Reading(one) for one in values]
    return spread("makespan", "patient", "time", readings, confidence)


def test_without_scipy_the_way_to_get_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy", None)
    with pytest.raises(InputError) as caught:
        student_interval([1, 2, 4], 0.123)  # a confidence that nothing else asks for: nothing is remembered
    assert (
        str(caught.value)
        == "intervals need scipy, which is not installed: python -m pip install '.[stats]' in the folder of queuedrill"
    )


def test_the_version_of_scipy_is_told() -> None:
    assert [part.isdecimal() for part in scipy_version().split(".")[:2]] == [True, True]


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0, -0.1, math.nan])
def test_a_confidence_that_is_none_is_refused(confidence: float) -> None:
    check_confidence(0.95)
    with pytest.raises(InputError) as caught:
        check_confidence(confidence)
    assert str(caught.value) == f"a confidence of {confidence:g} is out of range: give a share such as 0.95"


def test_a_mean_of_fewer_than_two_nights_has_no_interval() -> None:
    assert (student_interval([], 0.95), student_interval([7], 0.95)) == (None, None)


def test_values_that_are_all_the_same_have_an_interval_without_width() -> None:
    assert student_interval([7, 7, 7], 0.95) == Interval(7.0, 7.0, 0.95)


def test_shares_of_none_and_of_all_reach_to_the_end_exactly() -> None:
    """The other end is (0.025) ** (1 / n): what fails in all of n nights with probability 2.5 %."""
    none, everything = share_interval(0, 20, 0.95), share_interval(20, 20, 0.95)
    assert none.low == 0.0 and none.high == pytest.approx(1 - 0.025**0.05, rel=1e-12)
    assert everything.high == 1.0 and everything.low == pytest.approx(0.025**0.05, rel=1e-12)


@pytest.mark.parametrize(
    ("n", "share", "confidence", "expected"),
    [
        (5, HALF, 0.95, (None, None)),  # 1/32 each side is more than 2.5 %
        (6, HALF, 0.95, (1, 6)),  # 1/64 is not
        (5, HALF, 0.9, (1, 5)),
        (1, NINE_TENTHS, 0.9, (None, None)),
        (22, NINE_TENTHS, 0.8, (18, 22)),  # 0.9**22 = 0.0985, and P(B <= 17) = 0.0621, P(B <= 18) = 0.1719
    ],
)
def test_each_end_of_a_quantile_fails_at_most_half_of_what_may_fail(
    n: int, share: Fraction, confidence: float, expected: tuple[int | None, int | None]
) -> None:
    assert ranks(n, share, confidence) == expected


def test_a_spread_of_whole_nights_by_hand() -> None:
    """1 2 3 4 5: deviation sqrt(10 / 4), Student's 2.1318 with 4 degrees at 90 %, and 1/32 is below 5 %."""
    half = 2.1318467863 * math.sqrt(2.5 / 5)
    found = of(3, 1, 5, 2, 4)
    assert found == Spread(
        *MAKESPAN,
        5,
        0,
        0,
        3.0,
        found.mean_interval,
        math.sqrt(2.5),
        3,
        Interval(1, 5, 0.9),
        5,
        found.p90_interval,
        1,
        5,
    )
    assert found.mean_interval is not None and found.mean_interval.low == pytest.approx(3 - half, rel=1e-9)
    assert found.mean_interval.high == pytest.approx(3 + half, rel=1e-9)
    assert found.p90_interval == Interval(3, None, 0.9)  # P(B <= 2) = 0.0086, P(B <= 3) = 0.0815, 0.9**5 = 0.59


def test_cut_off_nights_make_the_mean_a_lower_bound_and_open_what_they_may_exceed() -> None:
    """1 2 3 4 and more than 3: the third of five is 3 either way, the fifth may be any value from 4 up."""
    found = of(1, 2, 3, 4, more(3))
    assert found.mean_interval is not None
    assert (found.n, found.more_than, found.mean, found.mean_interval.high) == (5, 1, 2.6, None)
    assert found.mean_interval.low == pytest.approx(2.6 - 2.1318467863 * math.sqrt(1.3 / 5), rel=1e-9)
    assert (found.median, found.median_interval) == (3, Interval(1, None, 0.9))
    assert (found.p90, found.p90_interval) == (4, Interval(3, None, 0.9))
    assert found.lower_bounds == ("mean", "p90", "most")


def test_the_least_of_nights_that_were_all_cut_off_is_a_bound_too() -> None:
    assert of(more(2), more(3), more(9)).lower_bounds == ("mean", "median", "p90", "least", "most")


def test_a_bound_above_all_others_leaves_the_median_known() -> None:
    found = of(1, 2, 3, 4, 5, more(9), confidence=0.95)
    assert (found.median, found.median_interval) == (3, Interval(1, None, 0.95))
    assert "median" not in found.lower_bounds


def test_one_night_has_a_mean_and_nothing_that_needs_two() -> None:
    assert of(7, None) == Spread(*MAKESPAN, 1, 1, 0, 7.0, None, None, 7, None, 7, None, 7, 7)


def test_nights_with_nothing_to_take_it_from_are_counted_apart() -> None:
    nothing = (None,) * 9
    assert of(None, None) == Spread(*MAKESPAN, 0, 2, 0, *nothing)


def test_an_infinite_reading_is_more_than_all_finite_ones() -> None:
    infinite = Reading(math.inf)
    assert finite([Reading(3), infinite, Reading(5)], "x") == [Reading(3), Reading(5, True), Reading(5)]
    assert finite([infinite, Reading(None)], "x") == [Reading(0, True), Reading(None)]


@pytest.mark.parametrize("value", [math.nan, -math.inf])
def test_a_reading_that_is_no_number_is_refused(value: float) -> None:
    with pytest.raises(InputError, match="a reading of makespan is not a number"):
        finite([Reading(1), Reading(value)], "makespan")
