"""What is learnt from nights whose truth is known, because the test made them."""

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest

from emulator.errors import InputError
from emulator.past.attempts import ERROR, LOST, OK, Attempts
from emulator.past.betting import LIMIT, lag_one, ranks_of, wager
from emulator.past.draft import draft_of
from emulator.past.durations import (
    Duration,
    _cut_off,
    error_shares,
    exact_interval,
    find_retries,
    follows_ends,
    run_times,
)
from emulator.past.figures import FIGURES, figures_of, nights_text, read_nights
from emulator.past.learning import learn
from emulator.past.nights import Nights, NightWindow
from emulator.past.schedules import (
    LIKELY,
    SURE,
    change_points,
    days_of,
    find_schedules,
    law_of_factors,
    spread_of_nights,
    widened,
)
from emulator.past.scoring import crps, interval_of, promise_kept
from emulator.past.workers import find_losses, find_polling, find_pools
from emulator.scenario.spelling import parse_duration

DATES = [date(2026, 3, 2) + timedelta(days=at) for at in range(42)]  # the first is a Monday
LASTS = 14 * 3600.0


def nights(**columns: object) -> Nights:
    """Attempts of 42 nights from 18:00 UTC on; times are seconds into the night, what is not given is plain."""
    night = np.asarray(columns["night"])
    count = len(night)
    starts = np.array([(day - date(1970, 1, 1)).days * 86_400.0 + 64_800 for day in DATES])
    start = starts[night]
    submitted = np.asarray(columns.get("submitted", np.zeros(count)), dtype=float)
    begun = np.asarray(columns.get("begun", submitted), dtype=float)
    worker = np.asarray(columns.get("worker", np.zeros(count, int)))
    routine = np.asarray(columns.get("routine", np.zeros(count, int)))
    job = np.asarray(columns.get("job", np.arange(count)))
    attempts = Attempts(
        job=job,
        routine=routine,
        submitted=start + submitted,
        begun=start + begun,
        ended=start + np.asarray(columns.get("ended", begun + 60), dtype=float),
        worker=worker,
        outcome=np.asarray(columns.get("outcome", np.full(count, OK))),
        number=np.asarray(columns.get("number", np.ones(count, int))),
        doubtful=np.zeros(count, bool),
        file=np.zeros(count, int),
        line=np.arange(count),
        routines=[f"routine {at}" for at in range(int(routine.max()) + 1)],
        workers=list(columns.get("workers", [f"dome-{at + 1}" for at in range(int(worker.max()) + 1)])),  # type: ignore[call-overload]
        files=["made.csv"],
        knows_submission=True,
    )
    first = np.flatnonzero(attempts.number == 1)
    return Nights(attempts, NightWindow(64_800, int(LASTS)), "UTC", DATES, starts, night, submitted, first)


def test_a_routine_may_be_slow_in_nights_that_are_not() -> None:
    """In every third night the first of two routines takes twice as long, 20 runs of 60 s each night.

    The other keeps the pace of the night. A night's mean of 20 runs of deviation 0.3 is off by 0.3 / 20**0.5 = 0.067.
    """
    draws = np.random.default_rng(20)
    night, routine = np.repeat(np.arange(42), 40), np.tile([0, 1], 42 * 20)
    slow = night % 3 == 0
    submitted = np.tile(np.arange(40) * 600.0, 42)
    took = 60 * np.exp(draws.normal(0, 0.3, len(night))) * np.where((routine == 0) & slow, 2, 1)
    found = run_times(nights(night=night, routine=routine, submitted=submitted, ended=submitted + took))
    assert [*found.pace_of] == [0, 1]
    of_slow = found.pace_of[0][::3] / found.pace_of[1][::3]
    others = (found.pace_of[0] / found.pace_of[1])[np.arange(42) % 3 > 0]
    assert np.median(of_slow) / np.median(others) == pytest.approx(2, rel=0.1)
    assert np.std(np.log(of_slow)) < 2 * 0.067 * 2**0.5
    alike = np.where((routine == 0) & slow, took / 2, took)
    assert run_times(nights(night=night, routine=routine, submitted=submitted, ended=submitted + alike)).pace_of == {}


def test_attempts_that_fail_early_are_told_from_those_that_fail_at_their_end() -> None:
    """Work of 300 s (deviation of the logarithm 0.2); a quarter fails: after 20 to 40 s, or at its end, or later."""
    draws = np.random.default_rng(21)
    night = np.repeat(np.arange(42), 12)
    outcome = np.where(draws.random(len(night)) < 0.25, ERROR, OK)
    submitted = np.tile(np.arange(12) * 1200.0, 42)
    whole = 300 * np.exp(draws.normal(0, 0.2, len(night)))

    def of(failing: object) -> Duration:
        ended = submitted + np.where(outcome == ERROR, failing, whole)  # type: ignore[arg-type]
        [found] = run_times(nights(night=night, submitted=submitted, ended=ended, outcome=outcome)).durations
        assert found.failed == (outcome == ERROR).sum()
        return found

    early = of(draws.uniform(20, 40, len(night))).early
    assert np.diff(early) == pytest.approx([2] * 10, abs=1.5)
    assert (early[0], early[-1]) == pytest.approx((20, 40), abs=1)
    assert (of(whole).early, of(whole).fails_late) == ((), False)
    assert (of(whole * 2).early, of(whole * 2).fails_late) == ((), True)
    # Half fail at 100 s and half at the end: of those who are left then, none fails before the work ends.
    half = of(np.where(draws.random(len(night)) < 0.5, 100.0, whole)).early
    assert half[:5] == (100.0,) * 5
    assert half[7] > 300


def test_a_schedule_is_found_among_what_comes_at_random() -> None:
    draws = np.random.default_rng(1)
    night = np.concatenate([np.arange(42), np.repeat(np.arange(42), 30)])
    offset = np.concatenate([7200 + draws.uniform(0, 20, 42), draws.uniform(0, LASTS, 42 * 30)])
    found, rest = find_schedules(night, offset, DATES, LASTS)
    assert [(it.at, it.days, it.hits, it.nights) for it in found] == [(7200.0, "every day", 42, 42)]
    assert max(found[0].lateness) < 20
    assert rest.sum() >= 42 * 30 - 3
    assert found[0].chance < 1e-30


def test_a_schedule_of_weekdays_with_batches_and_a_night_without_it() -> None:
    on = [at for at, day in enumerate(DATES) if day.weekday() < 5 and at != 9]
    night = np.repeat(on, 4)
    found, rest = find_schedules(night, np.full(len(night), 19_800.0), DATES, LASTS)
    assert [(it.at, it.days, it.hits, it.nights) for it in found] == [(19_800.0, "weekdays", 29, 30)]
    assert set(found[0].batches) == {4}
    assert not rest.any()


@pytest.mark.slow
def test_no_schedule_is_found_where_there_is_none() -> None:
    """A chance of one in a million a routine: none in 40."""
    for seed in range(40):
        draws = np.random.default_rng(seed)
        count = int(draws.integers(50, 2000))
        night, offset = draws.integers(0, 42, count), draws.uniform(0, LASTS, count) ** 1.3 % LASTS
        assert find_schedules(night, offset, DATES, LASTS)[0] == []


def test_rates_change_where_they_were_made_to_change() -> None:
    draws = np.random.default_rng(3)
    jobs = [
        draws.uniform(low * 3600, high * 3600, draws.poisson(rate * (high - low) * 42))
        for low, high, rate in ((0, 2, 10), (2, 6, 26), (6, 14, 9))
    ]
    pieces = change_points(np.concatenate(jobs), 42, LASTS)
    assert [(it.begins / 3600, it.until / 3600) for it in pieces] == [(0, 2), (2, 6), (6, 14)]
    assert [it.per_hour for it in pieces] == pytest.approx([10, 26, 9], rel=0.1)


def test_weekends_differ_by_more_than_chance_or_not() -> None:
    draws = np.random.default_rng(4)
    weekend = np.array([day.weekday() >= 5 for day in DATES])
    same = draws.poisson(100, 42).astype(float)
    assert not days_of(same, DATES).differ
    half = np.where(weekend, draws.poisson(50, 42), same).astype(float)
    found = days_of(half, DATES)
    assert found.differ
    assert (found.weekdays, found.weekends) == pytest.approx((100, 50), rel=0.1)


def test_nights_spread_beyond_chance() -> None:
    """Counts of mean 100 with a factor of coefficient of variation 0.3: chance alone would be 0.1."""
    draws = np.random.default_rng(5)
    found = [
        spread_of_nights(draws.poisson(100 * draws.gamma(1 / 0.09, 0.09, 60)).astype(float), np.full(60, 100.0))
        for _ in range(40)
    ]
    assert np.mean(found) == pytest.approx(0.3, abs=0.02)
    # Student's quantile of 26 nights beside the normal one, 1.3150 / 1.2816, times the root of 1 + 2 / 28 (tables).
    assert widened(0.3, 28, 2) == pytest.approx(0.3 * 1.3150 / 1.2816 * 1.07143**0.5, abs=1e-4)
    none = [spread_of_nights(draws.poisson(100, 60).astype(float), np.full(60, 100.0)) for _ in range(40)]
    assert np.mean(none) < 0.05


def test_weekends_that_are_quiet_for_one_routine_need_less_to_be_so_for_another() -> None:
    """20 to 60 jobs on weekdays and 18 or 36 at weekends differ likely, not surely, in six weeks."""
    of_days = (20, 40, 60, 30, 50, 18, 36)
    counts = np.array([of_days[day.weekday()] for day in DATES], dtype=float)
    assert SURE < days_of(counts, DATES).chance < LIKELY
    assert (days_of(counts, DATES).differ, days_of(counts, DATES, LIKELY).differ) == (False, True)
    # All routines together are asked once: what is likely of them is enough.
    night = np.repeat(np.arange(42), counts.astype(int))
    submitted = np.random.default_rng(21).uniform(0, LASTS, len(night))
    assert learn(nights(night=night, submitted=submitted)).random[0].days.differ


def test_demand_is_told_beside_the_rate_that_is_drafted() -> None:
    """Where weekends do not differ by more than chance, a night's demand is its jobs by those of all nights."""
    of_days = (20, 40, 60, 30, 50, 28, 44)
    counts = np.array([of_days[day.weekday()] for day in DATES])
    night = np.repeat(np.arange(42), counts)
    learnt = learn(nights(night=night, submitted=np.random.default_rng(22).uniform(0, LASTS, len(night))))
    assert not learnt.random[0].days.differ
    assert learnt.demand[:7] == pytest.approx(np.array(of_days) / np.mean(of_days))


def test_the_law_of_factors_is_the_likelier_one() -> None:
    """Of 80 samples of 200 nights each, nearly all are told for what they are; a night without anything is a gamma."""
    draws = np.random.default_rng(14)
    wide = np.log1p(0.36) ** 0.5
    gamma = [law_of_factors(draws.gamma(1 / 0.36, 0.36, 200), 0.6) for _ in range(40)]
    lognormal = [law_of_factors(np.exp(draws.normal(0, wide, 200)), 0.6) for _ in range(40)]
    assert (gamma.count("gamma") >= 36, lognormal.count("lognormal") >= 36) == (True, True)
    assert law_of_factors(np.array([0.0, 1.0, 2.0]), 0.5) == "gamma"
    assert law_of_factors(np.array([np.nan]), 0.5) == "lognormal"


def test_run_times_without_slow_workers_and_slow_nights() -> None:
    draws = np.random.default_rng(6)
    count = 42 * 60
    night, worker, routine = np.repeat(np.arange(42), 60), draws.integers(0, 3, count), draws.integers(0, 2, count)
    pace = np.exp(draws.normal(0, 0.15, 42))
    ran = (
        np.where(routine == 0, 240.0, 1200.0)
        * np.exp(draws.normal(0, 0.4, count))
        * pace[night]
        / np.where(worker == 2, 0.6, 1.0)
    )
    found = run_times(nights(night=night, worker=worker, routine=routine, ended=ran))
    assert [*found.slow] == [2]
    low, high = found.slow[2]
    assert low < found.speed[2] < high < low + 0.1
    assert found.speed[2] == pytest.approx(0.6, rel=0.05)
    assert found.pace_cv == pytest.approx(float(np.std(pace) / np.mean(pace)), rel=0.15)
    assert [it.median for it in found.durations] == pytest.approx([240, 1200], rel=0.06)
    # The 95th percentile of a lognormal is its median times exp(1.6449 sigma).
    assert [it.p95 / it.median for it in found.durations] == pytest.approx([np.exp(1.6449 * 0.4)] * 2, rel=0.1)
    assert all(it.lognormal and it.low < it.median < it.high for it in found.durations)


def test_a_run_without_an_end_counts_as_longer_and_not_as_over() -> None:
    """Runs of 60 s; the other half is cut off at 120 s by the worker's next start: half outlast 60 s (Kaplan-Meier)."""
    night = np.repeat(np.arange(42), 4)
    begun = np.tile([0.0, 200.0, 320.0, 600.0], 42)
    ended = np.tile([60.0, np.nan, 380.0, np.nan], 42) + np.zeros(len(night))
    outcome = np.where(np.isnan(ended), LOST, OK)
    made = {"night": night, "begun": begun, "ended": ended, "submitted": begun}
    found = run_times(nights(**made, outcome=outcome)).durations[0]
    assert (found.ended, found.cut) == (84, 84)
    assert found.median == pytest.approx(60, rel=0.01)
    assert found.quantiles[-1][1] == 60
    two = np.where(np.arange(len(night)) % 3 == 0, 30.0, 90.0)
    other = run_times(nights(night=night, ended=two)).durations[0]
    assert not other.lognormal


def test_a_run_that_went_well_without_an_end_tells_no_time() -> None:
    """Runs of 10 s to 59 s; of one in five the end was lost, and its worker begins the next after 600 s.

    Each of them ended before that. Counted as longer than 600 s, it would leave 19 of 20 below no time that was seen.
    """
    night, place = np.repeat(np.arange(42), 50), np.tile(np.arange(50), 42)
    begun = place * 600.0
    ended = np.where(place % 5 == 2, np.nan, begun + 10 + place)
    made = {"night": night, "begun": begun, "submitted": begun, "ended": ended}
    found = run_times(nights(**made)).durations[0]
    assert (found.ended, found.cut) == (42 * 40, 0)


def test_a_lost_run_lasted_until_its_job_began_anew_at_least() -> None:
    """A worker begins a run at 300 s and its next at 600 s; the lost job begins anew elsewhere at 330 s: after 30 s."""
    night = np.repeat(np.arange(42), 5)
    begun = np.tile([0.0, 300.0, 330.0, 600.0, 900.0], 42)
    ended = begun + np.tile([20.0, np.nan, 100.0, 20.0, 20.0], 42)
    job = np.repeat(np.arange(42) * 5, 5) + np.tile([0, 1, 1, 3, 4], 42)
    number, worker = np.tile([1, 1, 2, 1, 1], 42), np.tile([0, 0, 1, 0, 0], 42)
    outcome = np.where(np.isnan(ended), LOST, OK)
    made = {"night": night, "begun": begun, "submitted": begun, "ended": ended, "job": job, "number": number}
    found = _cut_off(nights(**made, worker=worker, outcome=outcome))
    assert np.unique(found[np.isfinite(found)]).tolist() == [30.0]


def test_polling_is_read_from_waits_for_the_only_idle_worker() -> None:
    """One worker that is idle between jobs: waits are uniform up to the interval of 30 s."""
    draws = np.random.default_rng(7)
    night = np.repeat(np.arange(42), 20)
    submitted = np.tile(np.arange(20) * 600.0, 42)
    begun = submitted + draws.uniform(0, 30, len(night))
    found = find_polling(nights(night=night, submitted=submitted, begun=begun))
    assert found.every == pytest.approx(30, rel=0.05)
    at_once = find_polling(nights(night=night, submitted=submitted, begun=submitted + 0.4))
    assert at_once.every == 0.0
    assert find_polling(nights(night=[0], submitted=[5.0])).every == 0.0


def test_workers_of_one_kind_make_a_pool() -> None:
    night = np.repeat(np.arange(42), 5)
    worker = np.tile([0, 1, 2, 3, 3], 42)
    begun = np.tile([0.0, 10.0, 7300.0, 7400.0, 7500.0], 42)
    names = ["dome-1", "dome-2", "late-1", "wide"]
    found, rare = find_pools(nights(night=night, worker=worker, begun=begun, ended=begun + 500, workers=names))
    assert [(it.name, it.workers, it.begins, it.slots) for it in found] == [
        ("dome", (0, 1), 0.0, 1),
        ("late", (2,), 7200.0, 1),
        ("wide", (3,), 7200.0, 2),
    ]
    assert rare == []
    alike = {"worker": np.tile([0, 1, 2, 1, 2], 42), "begun": np.tile([0.0, 10.0, 20.0, 7400.0, 7500.0], 42)}
    own, _ = find_pools(nights(night=night, workers=["north", "south", "east"], **alike))
    assert [(it.name, it.workers) for it in own] == [("workers", (0, 1, 2))]
    # A job each ten minutes, to each of three workers in turn; east begins none in the last four hours.
    night, at = np.repeat(np.arange(42), 84), np.tile(np.arange(84) * 600.0, 42)
    turn = np.where(at < 36_000, np.arange(len(at)) % 3, np.arange(len(at)) % 2)
    shifts, _ = find_pools(nights(night=night, worker=turn, begun=at, workers=["north", "south", "east"]))
    assert [(it.name, it.until) for it in shifts] == [("workers", 0.0), ("east", 36_000.0)]
    alone = find_pools(nights(night=[0, 0, 1, 2, 3, 4, 5], worker=[1, 0, 0, 0, 0, 0, 0], workers=["dome-1", "dome-2"]))
    assert alone[1] == [1]


def test_what_comes_after_the_end_of_a_night_is_no_part_of_it() -> None:
    """Where clocks are put back the window on the wall has an hour more; a night told for 14 hours ends before it.

    Of a job at the begin and one after 14.5 hours, a night of 14 hours has one job and no negative wait; a night of
    15 hours has both, and one of them waits 10 minutes.
    """
    late = 14.5 * 3600
    made = nights(night=[0, 0], submitted=[0.0, late], begun=[0.0, late + 600])
    short, long = (figures_of(made, np.ones(42), lasts) for lasts in (LASTS, LASTS + 3600))
    assert (short["accepted"][0], short["done"][0], short["wait_mean"][0], short["makespan"][0]) == (1, 1, 0, 60)
    assert (long["accepted"][0], long["done"][0], long["wait_mean"][0]) == (2, 2, 300)


def test_a_worker_that_is_hardly_needed_early_has_no_shift_of_its_own() -> None:
    """In each of ten nights dome-1 begins two jobs in the first half hour, dome-2 none, and then ten each: of 20 early
    jobs dome-2 gets none by chance in one of a million histories (0.5 ** 20), of 10 in one of a thousand."""
    for early, begins in ((2, 1800.0), (1, 0.0)):
        at = [
            *[600.0 * (1 + job) for job in range(early)],
            *[1800.0 + 600 * job for job in range(10) for _ in range(2)],
        ]
        worker = [*[0] * early, *[0, 1] * 10]
        made = nights(night=np.repeat(np.arange(10), len(at)), worker=np.tile(worker, 10), begun=np.tile(at, 10))
        assert sorted(pool.begins for pool in find_pools(made)[0]) == ([0.0, begins] if begins else [0.0])


def test_losses_count_for_each_hour_at_work() -> None:
    """Of 5000 s between two begins, half a run of 3600 s was work and 400 s are a wait, as before the loss."""
    night = np.repeat(np.arange(42), 3)
    outcome = np.tile([OK, LOST, OK], 42)
    begun = np.tile([0.0, 4000.0, 9000.0], 42)
    ended = np.tile([3600.0, np.nan, 12_600.0], 42)
    found = find_losses(nights(night=night, outcome=outcome, begun=begun, ended=ended))
    assert (found.count, found.hours, found.hours_apart) == (42, 84.0, 2.0)
    assert (found.back_after, found.at_most) == (5000.0 - 1800 - 400, 5000.0)
    assert find_losses(nights(night=[0])).hours_apart == float("inf")


def test_retries_and_their_pause() -> None:
    """Each job fails once and is tried again after 120 s and up to 30 s of waiting."""
    draws = np.random.default_rng(8)
    job = np.repeat(np.arange(400), 2)
    number = np.tile([1, 2], 400)
    begun = np.where(number == 1, 0.0, 60 + 120 + draws.uniform(0, 30, 800))
    outcome = np.where(number == 1, ERROR, OK)
    it = nights(
        night=np.repeat(np.arange(400) % 42, 2),
        job=job,
        number=number,
        begun=begun,
        outcome=outcome,
        submitted=np.zeros(800),
    )
    found = find_retries(it)
    assert (found.attempts_in_all, found.used_up, found.gaps) == (2, 0, 400)
    assert found.pauses[0] == pytest.approx(120, abs=2)
    share = error_shares(it)[0]
    assert (share.count, share.of, share.value) == (400, 800, 0.5)
    assert find_retries(nights(night=[0])).attempts_in_all == 1


def test_the_exact_interval_against_published_values() -> None:
    """0 of 20 and 1 of 20 at 95 %: Clopper and Pearson's limits, as scipy's binomtest gives them too."""
    from scipy.stats import binomtest

    for count, of in ((0, 20), (1, 20), (19, 20), (20, 20), (37, 412)):
        want = binomtest(count, of).proportion_ci(0.95, "exact")
        assert exact_interval(count, of) == pytest.approx((want.low, want.high))


def test_submissions_that_follow_ends_are_a_closed_loop() -> None:
    draws = np.random.default_rng(9)
    night = np.repeat(np.arange(42), 30)
    ran = draws.exponential(300, (42, 30))
    ended = np.cumsum(ran + 1, axis=1)
    begun = ended - ran
    closed = nights(night=night, submitted=begun.ravel(), begun=begun.ravel(), ended=ended.ravel())
    assert follows_ends(closed) > 0.5
    opened = draws.uniform(0, LASTS, len(night))
    assert follows_ends(nights(night=night, submitted=opened, begun=opened, ended=opened + ran.ravel())) == 0.0
    assert follows_ends(nights(night=[0, 1])) == 0.0


def test_figures_of_a_night_by_hand(tmp_path: object) -> None:
    """Night 0: two jobs, the first fails and is done at its second attempt; waits 10 and 30 s; ends at 400 s."""
    it = nights(
        night=[0, 0, 0, 1],
        job=[0, 0, 1, 2],
        number=[1, 2, 1, 1],
        submitted=[0.0, 0.0, 100.0, 0.0],
        begun=[10.0, 200.0, 130.0, 0.0],
        ended=[70.0, 400.0, 190.0, np.nan],
        outcome=[ERROR, OK, OK, LOST],
    )
    got = figures_of(it, np.full(42, 1.0))
    first = {name: float(got[name][0]) for name in FIGURES}
    assert first == {
        "accepted": 2,
        "done": 2,
        "attempts_error": 1,
        "lost_leases": 0,
        "wait_mean": 20,
        "wait_p90": 30,
        "executed": 60 + 200 + 60,
        "makespan": 400,
        "pace": 1,
    }
    assert (got["lost_leases"][1], got["done"][1]) == (1, 0)
    assert np.isnan(got["makespan"][1])
    path = tmp_path / "draft.nights.csv"  # type: ignore[operator]
    path.write_text(nights_text(DATES, got))
    dates, again = read_nights(path)
    assert dates == DATES
    assert all(np.allclose(again[name], got[name], rtol=1e-5, equal_nan=True) for name in FIGURES)


def test_scores_by_hand_and_promises_by_the_binomial() -> None:
    """Of 42 intervals at 80 %, 28 to 38 hits do not contradict: P(X < 28) and P(X > 38) are below 2.5 % (scipy)."""
    from scipy.stats import binom

    assert crps([1.0, 2.0, 3.0], 2.0) == pytest.approx(2 / 3 - 0.5 * (4 / 3))
    draws = np.random.default_rng(10)
    # Of a normal law the score at its centre is 0.2337 sigma (Gneiting and Raftery, 2007, by their closed form).
    assert crps(draws.normal(0, 1, 20_000), 0.0) == pytest.approx(0.2337, abs=0.01)
    inside = np.mean(
        [low <= draws.normal() <= high for low, high in (interval_of(draws.normal(size=99), 0.8) for _ in range(2000))]
    )
    assert inside == pytest.approx(0.8, abs=0.03)
    kept = promise_kept(0.8, 27, 42)
    assert (kept.low, kept.high, kept.contradicted) == (28, 38, True)
    assert binom.cdf(27, 42, 0.8) < 0.025 < binom.cdf(28, 42, 0.8)
    assert binom.sf(38, 42, 0.8) < 0.025 < binom.sf(37, 42, 0.8)


@pytest.mark.slow
def test_false_alarms_stay_below_the_promise_and_changes_are_found() -> None:
    """In 1,000 undisturbed sequences of 90 nights at most one alarm is expected: more than 5 would refute the promise.

    They have a probability of 0.06 % (Poisson of mean 1). Then a quarter more work from night 60 on, where nights vary
    by 12 %.
    """
    draws = np.random.default_rng(11)
    alarms, found = 0, []
    for seed in range(1000):
        values = draws.normal(0, 0.12, 90)
        alarms += wager(ranks_of(values, 10, seed)).alarm is not None
        if seed < 100:
            values[60:] += np.log(1.25)
            bet = wager(ranks_of(values, 10, seed))
            found.append(90 if bet.alarm is None else bet.alarm + 10 - 60)
            assert bet.alarm is None or bet.higher
    assert alarms <= 5
    assert np.median(found) <= 25


def test_the_capital_is_fair() -> None:
    """Each night's factor has the expectation 1 under uniform ranks: the middle of a fine grid shows it."""
    grid = (np.arange(200_000) + 0.5) / 200_000
    assert np.mean(0.5 / np.sqrt(grid)) == pytest.approx(1, abs=0.002)
    one = [wager([0.3, rank]).capital[1] for rank in grid[::100]]
    assert np.mean(one) == pytest.approx(wager([0.3]).capital[0], rel=0.01)
    assert wager([0.999] * 60).capital[-1] >= LIMIT


def test_nights_that_lean_on_the_night_before_are_noticed() -> None:
    draws = np.random.default_rng(12)
    noise = draws.normal(size=90)
    values = [0.0]
    for each in noise:
        values.append(0.6 * values[-1] + each)
    value, chance = lag_one(values)
    assert value > 0.3
    assert chance < 0.01
    alone = [lag_one(draws.normal(size=90))[1] for _ in range(200)]
    assert np.mean([chance < 0.05 for chance in alone]) < 0.09  # 5 % of 200, and three standard errors
    assert lag_one([1.0] * 30) == (0.0, 1.0)


def test_all_of_it_together() -> None:
    """A schedule at 2 h of 20 min on dome-1, and jobs at random of 5 min at six an hour, half as many on weekends."""
    draws = np.random.default_rng(13)
    counts = np.array([draws.poisson(84 if day.weekday() < 5 else 42) for day in DATES])
    night = np.concatenate([np.arange(42), np.repeat(np.arange(42), counts)])
    submitted = np.concatenate([np.full(42, 7200.0), draws.uniform(0, LASTS, counts.sum())])
    routine = np.concatenate([np.zeros(42, int), np.ones(counts.sum(), int)])
    ran = np.where(routine == 0, 1200.0, 300.0) * np.exp(draws.normal(0, 0.2, len(night)))
    order = np.lexsort((submitted, night))
    night, submitted, routine, ran = night[order], submitted[order], routine[order], ran[order]
    learnt = learn(nights(night=night, submitted=submitted, routine=routine, ended=submitted + ran, worker=routine))
    assert [(it.at, it.days) for it in learnt.schedules[0]] == [(7200.0, "every day")]
    assert learnt.schedules[1] == []
    assert set(learnt.random) == {1}
    heights = {
        kind: sum(it.per_hour * (it.until - it.begins) / 3600 for it in pieces)
        for kind, pieces in learnt.random[1].pieces.items()
    }
    assert heights["weekday"] == pytest.approx(84, rel=0.05)
    assert heights["weekend"] == pytest.approx(42, rel=0.1)
    assert learnt.demand_cv < 0.06
    assert [it.routine for it in learnt.run_times.durations] == [0, 1]
    assert learnt.left_out == []
    with pytest.raises(InputError, match="4 nights are too few to learn from"):
        learn(learnt.nights.until(DATES[4]))
    assert len(learnt.nights.since(DATES[40])) == 2


def test_the_mean_of_factors_on_run_times_is_above_that_of_the_night_in_the_middle() -> None:
    """Run times are told for the median night. With a spread of 0.5 of a lognormal law the mean factor is 1.13.

    It is the root of 1 + cv ** 2, with cv ** 2 = exp(0.5 ** 2) - 1: exp(0.125) = 1.133.
    """
    draws = np.random.default_rng(8)
    night = np.repeat(np.arange(42), 40)
    begun = np.tile(np.arange(40) * 900.0, 42) + draws.uniform(0, 600, len(night))
    ran = 120 * np.exp(draws.normal(0, 0.3, len(night))) * np.exp(draws.normal(0, 0.5, 42))[night]
    varies = draft_of(learn(nights(night=night, submitted=begun, begun=begun, ended=begun + ran))).settings["varies"]
    assert varies["pace"]["mean"] == pytest.approx(1.133, rel=0.06)


def test_a_long_tail_is_drawn_with_the_mean_that_it_had() -> None:
    """Of 2,000 runs one in twenty takes 100 times as long or more; what is drawn takes as long in the mean (15 %).

    Between quantiles that lie evenly apart times are drawn evenly, so that the mean of each list is the mean of its
    trapezia.
    """
    draws = np.random.default_rng(9)
    ran = np.where(draws.uniform(size=2000) < 0.95, 1.0, 100 * draws.pareto(1.5, 2000) + 100) * draws.uniform(
        20, 40, 2000
    )
    night = np.arange(2000) % 42
    begun = np.full(2000, 60.0)
    learnt = learn(nights(night=night, begun=begun, ended=begun + ran))
    takes = draft_of(learnt).settings["routines"]["routine-0"]["parts"][0]["takes"]

    def mean(texts: list[str]) -> float:
        values = [parse_duration(text) / 1_000_000 for text in texts]
        return sum((low + high) / 2 for low, high in pairwise(values)) / (len(values) - 1)

    drawn = sum(
        weight * mean(part["quantiles"]) for part, weight in zip(takes["mixture"], takes["weights"], strict=True)
    )
    assert drawn == pytest.approx(float(ran.mean()), rel=0.15)
