"""Paired differences: bounds are never dropped and never zero, and all of them hold together."""

import math

import pytest
from nights_by_hand import more, readings

from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import Paired, Seen, compare_pairs, each_of, holm, pair_up
from emulator.measure.comparison.wanted import Reading


def pairs(variant: list[float | Reading | None], baseline: list[float | Reading | None]) -> Paired:
    return pair_up(readings(variant), readings(baseline))


def test_pairs_by_hand() -> None:
    """Seeds 1 to 6: exact, at least 1, at most -2, nothing known, and two without a value."""
    assert pairs([9, more(8), 7, more(6), None, 1], [7, 7, more(9), more(6), 1, None]) == Paired(
        differences=(2, 1, -2), sides=((9, 7),), at_least=1, at_most=1, unknown=1, absent=2
    )


def test_a_night_without_its_partner_makes_no_pair() -> None:
    assert pair_up({1: Reading(5), 2: Reading(6)}, {2: Reading(4), 3: Reading(9)}).differences == (2,)


def test_a_difference_by_hand() -> None:
    """-3 -2 -4 -3 -3: mean -3, deviation sqrt(2/4), so t = -3 / sqrt(0.1) with 4 degrees of freedom.

    Student's t with 4 degrees has the closed form P(T < -t) = 1/2 - (3/4) (u - u**3 / 3) with u = t / sqrt(4 + t**2)
    times sqrt(1) (Abramowitz and Stegun 26.7.4, from memory).
    """
    seen = compare_pairs(pairs([7, 8, 6, 7, 7], [10, 10, 10, 10, 10]), 0.95, 1)
    t = 3 / math.sqrt(0.1)
    u = t / math.sqrt(4 + t * t)
    assert seen.mean == -3.0
    assert seen.p == pytest.approx(1 - 1.5 * (u - u**3 / 3), rel=1e-9)
    assert seen.alone is not None and seen.together == seen.alone
    assert seen.alone.low == pytest.approx(-3 - 2.7764451052 * math.sqrt(0.1), rel=1e-9)
    assert seen.alone.high == pytest.approx(-3 + 2.7764451052 * math.sqrt(0.1), rel=1e-9)
    assert seen.variance_ratio == pytest.approx(1.0)  # the baseline does not vary: nothing is gained by pairing


def test_the_same_draws_take_away_what_both_nights_share() -> None:
    """Baseline 10 20 30, variant 11 22 33: variances 100 and 121 apart, 1 in pairs."""
    assert compare_pairs(pairs([11, 22, 33], [10, 20, 30]), 0.95, 1).variance_ratio == pytest.approx(221.0)


@pytest.mark.parametrize(
    ("variant", "baseline", "expected"),
    [
        ([more(8), 9, 9], [5, 5, 5], (Interval, None, True)),  # 3 or more, 4, 4: a rise is shown
        ([more(4), 1, 2], [5, 5, 5], (Interval, None, False)),  # -1 or more, -4, -3: a fall is not
        ([8, 9, 9], [5, more(5), 5], (None, Interval, False)),
        ([1, 2, 2], [5, more(5), 5], (None, Interval, True)),
    ],
)
def test_an_interval_is_open_where_bounds_leave_it_and_the_test_can_show_one_side_only(
    variant: list[float | Reading | None], baseline: list[float | Reading | None], expected: tuple[object, object, bool]
) -> None:
    seen = compare_pairs(pairs(variant, baseline), 0.95, 1)
    assert seen.alone is not None and seen.p is not None
    assert (seen.alone.low is None, seen.alone.high is None) == (expected[0] is None, expected[1] is None)
    assert (seen.p < 0.05) is expected[2]
    assert seen.variance_ratio is None


@pytest.mark.parametrize(
    ("variant", "baseline"),
    [
        ([more(8), 1, 9], [5, more(5), 5]),  # bounds of both kinds
        ([more(8), 7, 9], [more(5), 5, 5]),  # one pair of which nothing is known
    ],
)
def test_with_nothing_known_on_either_side_both_ends_are_open(
    variant: list[float | Reading | None], baseline: list[float | Reading | None]
) -> None:
    opened = Interval(None, None, 0.95)
    assert compare_pairs(pairs(variant, baseline), 0.95, 3) == Seen(None, opened, opened, None, None)


def test_one_pair_has_a_mean_and_no_interval_and_none_has_nothing() -> None:
    assert compare_pairs(pairs([7], [5]), 0.95, 1) == Seen(2.0, None, None, None, None)
    assert compare_pairs(pairs([None], [5]), 0.95, 1) == Seen(None, None, None, None, None)


def test_the_same_difference_every_night_has_no_width() -> None:
    same = pairs([7, 8, 9], [5, 6, 7])
    assert (same.constant, pairs([7, 8, 9], [5, 6, more(7)]).constant, pairs([7], [5]).constant) == (True, False, False)
    width = Interval(2.0, 2.0, 0.95)
    assert compare_pairs(same, 0.95, 4) == Seen(2.0, width, width, 0.25, None)  # two more nights on the same side
    nothing = Interval(0.0, 0.0, 0.95)
    assert compare_pairs(pairs([7, 8], [7, 8]), 0.95, 4) == Seen(0.0, nothing, nothing, 1.0, None)


def test_intervals_that_hold_together_are_wider_and_say_the_confidence_of_all() -> None:
    seen = compare_pairs(pairs([7, 8, 6, 7, 7], [10] * 5), 0.9, 4)
    alone = compare_pairs(pairs([7, 8, 6, 7, 7], [10] * 5), each_of(0.9, 4), 1)
    assert seen.together is not None and alone.alone is not None
    assert (seen.together.low, seen.together.high) == (alone.alone.low, alone.alone.high)
    assert seen.together.confidence == 0.9


def test_holm_by_hand() -> None:
    """Sorted .01 .02 .03 .04, times 4 3 2 1: .04 .06 .06 .04, and never below the one before."""
    assert holm([0.03, 0.01, 0.04, 0.02]) == pytest.approx([0.06, 0.04, 0.06, 0.06])


def test_holm_never_exceeds_one_and_counts_what_cannot_be_computed() -> None:
    assert holm([0.6, None, 0.5, 0.02]) == [1.0, None, 1.0, 0.08]
    assert holm([]) == []
