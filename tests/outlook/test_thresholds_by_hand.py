"""Shape, limit, table and what it finds: nights made by hand, every figure worked out beside it."""

from datetime import datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from watched_small import HOURS, night

from emulator.errors import InputError
from emulator.measure.comparison.intervals import share_interval
from emulator.measure.signals import Signal
from emulator.outlook.found import NO_FAULT, CauseFound, Part, SignalFound, found_of
from emulator.outlook.table import (
    Hour,
    Limit,
    Shape,
    choose_signals,
    fewest,
    fewest_sure,
    hours_of,
    limit_of,
    sets_of,
    shape_of,
    shapes_of,
    table_of,
)
from emulator.outlook.thresholds import share_from
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import HOUR, MINUTE

ONE = Fraction(1, 100)
RETRIES, LOST = Signal("retries"), Signal("lost_leases")


def test_the_fewest_nights_are_those_of_order_statistics() -> None:
    """99 and 299 for 1 % (Wilks 1941; 0.99^298 = 0.05002, 0.99^299 = 0.04952), 19 and 59 for 5 %."""
    assert [(fewest(share), fewest_sure(share)) for share in (ONE, Fraction(1, 20))] == [(99, 299), (19, 59)]


@pytest.mark.parametrize(
    ("nights", "share", "limit"),
    [
        (99, ONE, Limit(99, 99, False)),
        (199, ONE, Limit(199, 198, False)),  # 200 times 0.99
        (298, ONE, Limit(298, 297, False)),  # 299 times 0.99 is 296.01
        (299, ONE, Limit(299, 299, True)),
        (472, ONE, Limit(472, 472, True)),
        (473, ONE, Limit(473, 472, True)),
        # 59, 93 and 124 are the published numbers of the first three orders for 95 % of 95 %
        (59, Fraction(1, 20), Limit(59, 59, True)),
        (92, Fraction(1, 20), Limit(92, 92, True)),
        (93, Fraction(1, 20), Limit(93, 92, True)),
        (124, Fraction(1, 20), Limit(124, 122, True)),
    ],
)
def test_the_rank_of_the_limit(nights: int, share: Fraction, limit: Limit) -> None:
    assert limit_of(nights, share) == limit


@pytest.mark.parametrize("text", ["1", "0", "30%", "0.01%", "many", "1/0", "", "%", "nan"])
def test_what_is_no_share_of_false_alarms_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        share_from(text)


def test_a_shape_is_mean_deviation_and_the_spread_of_the_highest() -> None:
    """Two nights: 0 2 4 0 and 0 4 4 0.

    Means are 0 3 4 0, smoothed with their neighbours 1.5, 7/3, 7/3, 2. The squares around those are 2.25, 13/9, 25/9
    and 4, the largest 4 everywhere: the deviation is 2. In the first hour the first night has 2 at most,
    which exceeds 7/3 by -1/6 deviations; in the second 4, which exceeds 7/3 by 5/6. The other has 5/6 in both. So their
    median is 5/6, and the spread the least that there is, a half.
    """
    found = shape_of(RETRIES, 0, [night([0, 2, 4, 0]), night([0, 4, 4, 0])], HOURS)
    assert list(found.mean) == pytest.approx([1.5, 7 / 3, 7 / 3, 2])
    assert list(found.deviation) == [2, 2, 2, 2]
    assert (found.centre, found.spread) == (pytest.approx(5 / 6), 0.5)


def test_the_scale_ends_at_the_mean_of_the_largest() -> None:
    """Of 60 nights one has 60 in its first hour, 15 have 30, and 44 nothing: means of 8.5 8.5 0 0 (510 by 60).

    Smoothed they are 8.5, 17/3, 17/6 and 0. Of 60 nights the two largest count. In deviations, the night with 60
    exceeds 8.5 by 51.5, those with 30 by 21.5: 36.5 in the mean. The median night has nothing, and in the second hour
    it exceeds 17/6 by as much below.
    """
    nights = [night([60, 60, 0, 0])] + [night([30, 30, 0, 0])] * 15 + [night([0, 0, 0, 0])] * 44
    shape = shape_of(RETRIES, 0, nights, HOURS)
    assert list(shape.mean) == pytest.approx([8.5, 17 / 3, 17 / 6, 0])
    deviation = shape.deviation[0]
    assert (shape.centre, shape.spread) == pytest.approx((-17 / 6 / deviation, (36.5 + 17 / 6) / deviation))


def test_scores_and_thresholds_fit_each_other() -> None:
    """With a limit of 1 the excess is 4/3: at most 7/3 + 8/3 = 5 in each hour is no alarm, so 6 is the threshold."""
    shape = shape_of(RETRIES, 0, [night([0, 2, 4, 0]), night([0, 4, 4, 0])], HOURS)
    assert [shape.threshold(hour, 1) for hour in HOURS] == [6, 6]
    assert [shape.score(night([0, most, 0, 0]), HOURS) for most in (5, 6)] == pytest.approx([1, 2])


def test_a_signal_that_never_moves_alarms_with_the_first_step() -> None:
    """Without any lost lease the deviation is one, the spread a half: with a limit of 1 half a lease is allowed."""
    shape = shape_of(LOST, 0, [night([0, 0, 0, 0])] * 5, HOURS)
    assert [shape.threshold(HOURS[0], limit) for limit in (0, 1, 1.99, 2)] == [1, 1, 1, 2]


def test_thresholds_are_told_in_whole_steps() -> None:
    """Up to 2 min 30 s is no alarm of a time: 3 min. Up to 0.33 is none of a quotient: 0.4. None is below one step."""
    for signal, mean, threshold in (
        (Signal("longest_silence"), 2.5 * MINUTE, 3 * MINUTE),
        (Signal("longest_silence"), 2 * MINUTE, 3 * MINUTE),
        (Signal("unfinished_per_done"), 0.33, 0.4),
        (Signal("unfinished_per_done"), 0.3, 0.4),
        (RETRIES, -7.0, 1),
    ):
        assert Shape(signal, 0, [mean] * 4, [1.0] * 4).threshold(HOURS[0], 0) == threshold


COUNTS = st.lists(st.integers(0, 9), min_size=4, max_size=4)


@pytest.mark.slow
@given(st.lists(COUNTS, min_size=2, max_size=6), COUNTS, st.floats(-1, 9))
def test_a_night_alarms_exactly_when_its_score_is_above_the_limit(
    quiet: list[list[float]], other: list[float], limit: float
) -> None:
    """For whole numbers rounding up costs nothing; a threshold below one step is one step all the same."""
    shape = shape_of(RETRIES, 0, [night(its) for its in quiet], HOURS)
    thresholds = [shape.threshold(hour, limit) for hour in HOURS]
    alarms = max(other[:2]) >= thresholds[0] or max(other[2:]) >= thresholds[1]
    score = shape.score(night(other), HOURS)
    if score <= limit:
        assert not alarms
    elif score > limit + 1e-3 and min(thresholds) > 1:
        assert alarms


def test_the_night_whose_score_is_the_limit_does_not_alarm() -> None:
    """Of 99 quiet nights the highest is the limit; none of them reaches a threshold."""
    quiet = [night([0, seed % 7, seed % 11, seed % 3]) for seed in range(99)]
    table = table_of(shapes_of([(0, RETRIES)], quiet[:20], HOURS), HOURS, quiet, ONE)
    assert (table.limit, sum(bool(table.alarms(one)) for one in quiet)) == (Limit(99, 99, False), 0)


def test_an_alarm_is_the_first_sample_at_or_above_the_threshold() -> None:
    """The threshold is 1 everywhere. Samples are at 5, 10, 15 and 20 min; one at the tick that is asked for counts."""
    table = table_of([Shape(RETRIES, 0, [0.0] * 4, [1.0] * 4)], HOURS, [night([0, 0, 0, 0])] * 99, ONE)
    one = night([0, 1, 0, 2])
    assert table.thresholds[RETRIES] == (1, 1)
    assert [table.first_alarm(one, minute * MINUTE) for minute in (0, 10, 11, 20)] == [
        10 * MINUTE,
        10 * MINUTE,
        20 * MINUTE,
        20 * MINUTE,
    ]
    assert table.first_alarm(one, 21 * MINUTE) is None
    assert table.alarms(night([0, 0, 0, 0])) == {}


def test_no_night_is_in_two_sets() -> None:
    """Of every five quiet nights one is for the shape and two for the limit; of five others one may choose signals."""
    nights = [night([0], seed=seed, fault=None if seed % 2 else 3) for seed in range(20)]
    sets = sets_of(nights, choice=True)
    seeds = [[one.seed for one in its] for its in (sets.shape, sets.calibration, sets.choice, sets.report)]
    assert seeds == [[1, 11], [3, 7, 13, 17], [0, 10], [2, 4, 5, 6, 8, 9, 12, 14, 15, 16, 18, 19]]
    assert [one.seed for one in sets_of(nights, choice=False).choice] == []


def test_what_a_table_finds() -> None:
    """Two signals with thresholds of 1, samples at 5, 10, 15 and 20 min; faults[0] is `power`, faults[1] `storage`.

    Seed 1 is quiet, seed 2 quiet with an alarm. Seed 3 survived with an alarm, seed 4 without. Bad ones: seed 5 alarms
    at 10 min, after the fault at 6 min and 8 min before the miss (both signals at once); seed 6 only at 20 min, after
    its miss at 18 min; seed 7 alarms before its fault, and not after it; seed 8 has no fault, so that it is quiet too,
    and alarms 15 min before its miss.
    """
    still = [0, 0, 0, 0]
    shapes = [Shape(RETRIES, 0, still, [1.0] * 4), Shape(LOST, 1, still, [1.0] * 4)]
    table = table_of(shapes, HOURS, [night(still, still)] * 99, ONE)
    nights = [
        night(still, still, seed=1),
        night(still, [0, 0, 0, 1], seed=2),
        night([0, 1, 0, 0], still, seed=3, fault=2),
        night(still, still, seed=4, fault=2),
        night([0, 1, 0, 0], [0, 1, 1, 1], seed=5, fault=6, missed=18),
        night([0, 0, 0, 1], still, seed=6, fault=6, missed=18),
        night([1, 0, 0, 0], still, seed=7, fault=6, missed=18, place=1),
        night([1, 0, 0, 0], still, seed=8, missed=20),
    ]
    found = found_of(table, nights, {"faults[0]": "power", "faults[1]": "storage"})
    assert found.quiet == Part(2, 3, share_interval(2, 3, 0.95))
    assert found.survived == Part(1, 2, share_interval(1, 2, 0.95))
    assert (found.bad.count, found.bad.of, found.in_time.count, found.in_time.of) == (4, 4, 2, 4)
    assert found.causes == [
        CauseFound("power", 2, 1, 8 * MINUTE, 0, 8 / 12),  # leads of 8 min and of none: one of two has 8 min
        CauseFound(NO_FAULT, 1, 1, 15 * MINUTE, 15 * MINUTE, None),
        CauseFound("storage", 1, 0, 0, 0, 0.0),
    ]
    assert list(found.signals) == [SignalFound(RETRIES, 2, 2, 1), SignalFound(LOST, 1, 1, 1)]
    assert [one.is_useless for one in found.signals] == [False, False]


def test_leads_are_those_of_half_and_of_nine_of_ten() -> None:
    """Ten bad nights with a fault at 0 and a miss at 20 min: nine alarm at 5 min, one never. Half have 15 of 20 min."""
    still = [0, 0, 0, 0]
    table = table_of([Shape(RETRIES, 0, still, [1.0] * 4)], HOURS, [night(still)] * 99, ONE)
    nights = [night([1, 0, 0, 0], fault=0, missed=20)] * 9 + [night(still, fault=0, missed=20)]
    found = found_of(table, nights, {"faults[0]": "power"})
    assert found.causes == [CauseFound("power", 10, 9, 15 * MINUTE, 15 * MINUTE, 0.75)]
    assert (found.quiet, found.survived) == (Part(0, 0, None), Part(0, 0, None))


def test_signals_are_chosen_by_what_they_add() -> None:
    """Of three, two may stay: the second, which finds two nights, and the first, which finds the one that is left."""
    still = [0, 0, 0, 0]
    quiet = [night(still, still, still)] * 5
    signals = [(0, RETRIES), (1, LOST), (2, Signal("longest_silence"))]
    shapes = shapes_of(signals, quiet, HOURS)
    bad = [
        night(still, [9, 9, 9, 9], still, seed=1, fault=0, missed=20),
        night(still, [9, 9, 9, 9], still, seed=2, fault=0, missed=20),
        night([9, 9, 9, 9], still, still, seed=3, missed=20),
    ]
    assert [shape.signal for shape in choose_signals(shapes, HOURS, bad, 2)] == [RETRIES, LOST]
    assert [shape.signal for shape in choose_signals(shapes, HOURS, [], 2)] == [RETRIES, LOST]
    assert [shape.signal for shape in choose_signals(shapes, HOURS, bad, 9)] == [RETRIES, LOST, signals[2][1]]


def test_hours_are_those_of_the_clock() -> None:
    """From 21:30 to 23:30: half an hour, an hour, half an hour; a sample at the full hour belongs to what begins."""
    clock = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
    assert hours_of(clock, 2 * HOUR) == (
        Hour(0, 30 * MINUTE, 0, 5, "21:30"),
        Hour(30 * MINUTE, 90 * MINUTE, 5, 17, "22:00"),
        Hour(90 * MINUTE, 120 * MINUTE, 17, 24, "23:00"),
    )


def test_an_hour_that_comes_twice_is_told_twice() -> None:
    """In the night of 25 October the clocks of London go back at 02:00; the last sample stays with its hour."""
    clock = Clock(datetime.fromisoformat("2026-10-25T00:00"), "Europe/London")
    assert [(hour.clock, hour.first, hour.end) for hour in hours_of(clock, 4 * HOUR)] == [
        ("00:00", 0, 11),
        ("01:00", 11, 23),
        ("01:00 again", 23, 35),
        ("02:00", 35, 48),
    ]


def test_nights_of_several_days_name_the_day() -> None:
    clock = Clock(datetime.fromisoformat("2026-06-12T22:00"), "America/Santiago")
    assert [hour.clock for hour in hours_of(clock, 25 * HOUR)][::12] == ["Fri 22:00", "Sat 10:00", "Sat 22:00"]
