"""What holds of a comparison whatever the nights gave."""

import math
import warnings
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nights_by_hand import compared, played, readings
from scipy import stats

from emulator.measure.comparison.analysis import spread
from emulator.measure.comparison.intervals import (
    half_width,
    nights_for_half_width,
    nights_to_show,
    nights_without_more_misses,
    rank_coverage,
    ranks,
    share_interval,
    student_interval,
    student_power,
    student_quantile,
)
from emulator.measure.comparison.paired import compare_pairs, holm, pair_up
from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.wanted import Reading

pytestmark = pytest.mark.slow

ticks = st.integers(0, 10**11)
quotients = st.builds(lambda up, down: up / down, st.integers(0, 10**6), st.integers(1, 10**6))  # as figures are
known = st.builds(Reading, ticks | quotients, st.booleans())
any_reading = known | st.just(Reading(None)) | st.just(Reading(math.inf))
confidences = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])
VARIANTS = ("as written", "patient", "short")


@st.composite
def nights(draw: st.DrawFn) -> list[Any]:
    count = draw(st.integers(1, 6))
    return played(
        {
            variant: {
                measure: draw(st.lists(any_reading, min_size=count, max_size=count))
                for measure in ("makespan", "failed", "accepted")
            }
            for variant in VARIANTS
        }
    )


def concluded(given_nights: Sequence[Any]) -> dict[str, Any]:
    found = compared(
        given_nights, VARIANTS, measures=("makespan", "failed", "accepted"), trade_off=("makespan", "failed")
    )
    return {name: getattr(found, name) for name in Comparison.__dataclass_fields__}


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_the_order_of_nights_does_not_matter_and_something_is_always_said(data: st.DataObject) -> None:
    first = data.draw(nights())
    found = concluded(first)
    assert concluded(data.draw(st.permutations(first))) == found
    for one in found["differences"]:
        assert one.sentence.startswith(f"'{one.variant}'") and one.sentence.endswith(".")
        assert one.n + one.absent == len(first) // 3
        if one.together is not None and one.mean is not None:
            assert one.together.low is None or one.together.low <= one.mean
            assert one.together.high is None or one.together.high >= one.mean
        if one.p is not None:
            assert one.p <= one.p_together <= 1


@given(st.lists(known, min_size=2, max_size=30), confidences)
@settings(deadline=None)
def test_intervals_contain_what_they_are_about(found: list[Reading], confidence: float) -> None:
    one = spread("makespan", "patient", "time", found, confidence)
    for middle, interval in (
        (one.mean, one.mean_interval),
        (one.median, one.median_interval),
        (one.p90, one.p90_interval),
    ):
        assert middle is not None and interval is not None
        assert interval.low is None or interval.low <= middle
        assert interval.high is None or interval.high >= middle


@given(st.lists(known, min_size=2, max_size=30), st.data())
@settings(deadline=None)
def test_whatever_cut_off_nights_would_have_come_to_the_interval_keeps_its_word(
    found: list[Reading], data: st.DataObject
) -> None:
    """If each cut-off night ended at some later value, the order-statistic interval of that would be within ours."""
    ended = [
        Reading(one.value + data.draw(st.integers(0, 10**9)) if one.more_than else one.value)
        for one in found
        if one.value is not None
    ]
    ours, true = (spread("makespan", "patient", "time", values, 0.9) for values in (found, ended))
    for mine, theirs in ((ours.median_interval, true.median_interval), (ours.p90_interval, true.p90_interval)):
        assert mine is not None and theirs is not None
        assert mine.low is None or (theirs.low is not None and mine.low <= theirs.low)
        assert mine.high is None or (theirs.high is not None and mine.high >= theirs.high)
    for name in ("mean", "median", "p90", "least", "most"):
        mine_value, true_value = getattr(ours, name), getattr(true, name)
        assert mine_value <= true_value if name in ours.lower_bounds else mine_value == true_value


@given(st.lists(ticks, min_size=2, max_size=20), st.integers(-(10**9), 10**9))
@settings(deadline=None)
def test_shifting_every_night_shifts_the_mean_and_its_interval(values: list[int], shift: int) -> None:
    one, other = student_interval(values, 0.95), student_interval([value + shift for value in values], 0.95)
    assert one is not None and other is not None and one.low is not None and other.low is not None
    assert one.high is not None and other.high is not None
    assert (other.low - shift, other.high - shift) == pytest.approx((one.low, one.high), rel=1e-9, abs=1e-3)


@given(st.lists(st.tuples(ticks, ticks), min_size=2, max_size=20))
@settings(deadline=None)
def test_paired_differences_are_those_of_another_library(values: list[tuple[int, int]]) -> None:
    variant, baseline = zip(*values, strict=True)
    seen = compare_pairs(pair_up(readings(variant), readings(baseline)), 0.95, 1)
    if len({a - b for a, b in values}) == 1:
        return  # the other library divides by zero
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of differences that hardly vary; the tolerances below allow for it
        theirs = stats.ttest_rel(variant, baseline)
        interval = theirs.confidence_interval(0.95)
    assert seen.alone is not None
    assert seen.p == pytest.approx(theirs.pvalue, rel=1e-6, abs=1e-12)
    assert (seen.alone.low, seen.alone.high) == pytest.approx((interval.low, interval.high), rel=1e-6, abs=1e-3)


@given(st.lists(st.tuples(known, known), min_size=2, max_size=12), st.data())
@settings(deadline=None)
def test_a_bound_never_shows_what_the_whole_nights_would_deny(
    values: list[tuple[Reading, Reading]], data: st.DataObject
) -> None:
    """Where the cut-off side really ended later, the mean difference lies on the side of the bound that is told."""
    pairs = pair_up(readings([one for one, _ in values]), readings([other for _, other in values]))
    seen = compare_pairs(pairs, 0.95, 1)
    if seen.mean is None:
        return

    def end(one: Reading) -> float:
        assert one.value is not None
        return one.value + data.draw(st.integers(0, 10**9)) if one.more_than else one.value

    true = math.fsum(end(one) - end(other) for one, other in values) / len(values)
    slack = 1e-9 * (abs(true) + abs(seen.mean)) + 1e-9
    assert not pairs.at_least or true >= seen.mean - slack
    assert not pairs.at_most or true <= seen.mean + slack


@given(st.lists(st.floats(0, 1) | st.none(), max_size=12))
def test_holm_s_p_values_rise_with_the_raw_ones_and_are_never_below(p_values: list[float | None]) -> None:
    adjusted = holm(p_values)
    both = sorted(
        (raw, new) for raw, new in zip(p_values, adjusted, strict=True) if raw is not None and new is not None
    )
    assert [new is None for new in adjusted] == [raw is None for raw in p_values]
    assert all(raw <= new <= 1 for raw, new in both)
    assert [new for _, new in both] == sorted(new for _, new in both)


@given(st.integers(1, 300), st.data(), confidences)
@settings(deadline=None)
def test_exact_limits_of_a_share_are_those_of_another_library(n: int, data: st.DataObject, confidence: float) -> None:
    held = data.draw(st.integers(0, n))
    ours, theirs = share_interval(held, n, confidence), stats.binomtest(held, n).proportion_ci(confidence, "exact")
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@given(st.integers(1, 300), st.integers(1, 99).map(lambda k: Fraction(k, 100)), confidences)
@settings(deadline=None)
def test_ranks_are_the_innermost_whose_ends_fail_rarely_enough(n: int, share: Fraction, confidence: float) -> None:
    low, high = ranks(n, share, confidence)
    fails = (1 - confidence) / 2
    binomial = stats.binom(n, float(share))
    assert low is None or binomial.cdf(low - 1) <= fails + 1e-12
    assert binomial.cdf(low or 0) > fails - 1e-12
    assert high is None or binomial.sf(high - 1) <= fails + 1e-12
    assert binomial.sf((high or n + 1) - 2) > fails - 1e-12
    if low is not None and high is not None:
        assert rank_coverage(n, share, low, high) >= confidence - 1e-9


@given(st.floats(0.05, 5), st.floats(0.05, 5))
@settings(deadline=None, max_examples=50)
def test_the_planned_number_of_nights_is_the_fewest_that_does_it(size: float, deviation: float) -> None:
    def power(n: int) -> float:
        return student_power(student_quantile(0.975, n - 1), n - 1, size / deviation * math.sqrt(n))

    n = nights_to_show(size, deviation, 0.95)
    assert n is not None and power(n) >= 0.8 and (n == 2 or power(n - 1) < 0.8)
    m = nights_for_half_width(deviation, size, 0.95)
    assert m is not None and half_width(deviation, m, 0.95) <= size
    assert m == 2 or half_width(deviation, m - 1, 0.95) > size


@given(st.integers(0, 5), st.floats(0.05, 0.99))
@settings(deadline=None, max_examples=50)
def test_the_nights_that_would_be_enough_are_the_fewest_that_are(missed: int, share: float) -> None:
    def low(n: int) -> float:
        return share_interval(n - missed, n, 0.95).low or 0.0

    n = nights_without_more_misses(missed, share, 0.95)
    assert n is not None and low(n) >= share and (n == missed + 1 or low(n - 1) < share)
