"""What the scenarios that compare say in their `about` is what comes out.

Seeds are fixed, so that a test gives the same result each time; the confidence that it states is that of the intervals
which the comparison reports, for other seeds.
"""

from collections import Counter
from functools import lru_cache
from math import exp, sqrt
from pathlib import Path
from statistics import mean, stdev

import pytest

import emulator
from emulator.experiment.night import run_night
from emulator.measure.comparison.result import Comparison, Spread
from emulator.scenario.load import Loaded, load, varied

pytestmark = pytest.mark.slow

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HOUR = 3600 * 1_000_000
MINUTE = HOUR // 60
SECOND = MINUTE // 60
MIDNIGHT = 2 * HOUR + HOUR // 6


@lru_cache
def compared(name: str, variants: tuple[str, ...], nights: int, measures: tuple[str, ...]) -> Comparison:
    return emulator.compare(SCENARIOS / name, variants=variants, nights=nights, measures=measures)


def effects(of: Comparison, measure: str) -> dict[str, str]:
    """Give, for each variant, how a figure compares to that of the file as written, at 95 % for all together."""
    return {each.variant: each.effect for each in of.differences if each.measure == measure}


def spreads(of: Comparison, measure: str) -> dict[str, Spread]:
    return {each.variant: each for each in of.spreads if each.measure == measure}


def covers(found: Spread, expected: float) -> bool:
    """Tell whether the 95 % interval of the mean over nights holds a value."""
    interval = found.mean_interval
    assert interval is not None and interval.low is not None and interval.high is not None
    return interval.low <= expected <= interval.high


def nights_held(of: Comparison, requirement: int) -> dict[str, int]:
    """Count, for each variant, the nights in which a requirement held."""
    return {
        variant: sum(night.held[requirement] is True for night in of.played if night.variant == variant)
        for variant in of.variants
    }


def storm() -> Loaded:
    return load(SCENARIOS / "retry-storm.yaml")


def in_the_last_hour(scenario: Loaded, variant: str = "") -> dict[str, int]:
    """Count jobs that are done, answers in time and answers for nobody from midnight to one o'clock, with its seed."""
    night = run_night(scenario, variant=variant, keep_events=True)
    found: Counter[str] = Counter()
    for event in night.events():
        if MIDNIGHT <= event.at < MIDNIGHT + HOUR:
            if event.kind == "call_served_late":
                found["for nobody"] += 1
            elif event.kind == "call_ended" and event.details["outcome"] == "ok":
                found["in time"] += 1
            elif event.kind == "finished" and event.details["state"] == "done":
                found["done"] += 1
    return {name: found[name] for name in ("done", "in time", "for nobody")}


def test_the_storm_keeps_the_archive_busy_for_nobody() -> None:
    """Ninety minutes after the brown-out the archive gives as many answers as it can, and not one is in time."""
    found = in_the_last_hour(storm())
    assert (found["done"], found["in time"]) == (0, 0)
    assert found["for nobody"] == pytest.approx(360, rel=0.05)  # four slots, 40 seconds each in the mean


@pytest.mark.parametrize("variant", ["an allowance", "an allowance that waits", "five minutes"])
def test_after_the_storm_every_answer_is_in_time(variant: str) -> None:
    """Where the storm has ended, the archive answers as many calls as jobs come, and none for nobody."""
    found = in_the_last_hour(storm(), variant)
    assert found == {"done": 170, "in time": 169, "for nobody": 0}  # 180 an hour come; 170 with this seed: a pin


def test_both_states_last_under_one_load() -> None:
    """Without the brown-out the same jobs are all done at their first attempt: the load alone makes no storm."""
    quiet = varied(storm(), {"faults": []}, "no brown-out")
    night = run_night(quiet)
    assert (night.figure("done_share").value, night.figure("attempts_per_job").value) == (1, 1)
    assert in_the_last_hour(quiet)["for nobody"] == 0


def storms() -> Comparison:
    return compared(
        "retry-storm.yaml",
        ("a minute", "five minutes", "growing, full jitter", "an allowance", "an allowance that waits"),
        6,
        ("failed", "done_share", "turnaround_longest"),
    )


def test_which_way_of_retrying_ends_the_storm() -> None:
    """It lasts without a pause and with a minute's, ends with an allowance, and with long pauses in some nights.

    Six nights each. What holds in none of them holds in less than 46 % of all nights, what holds in each in more than
    54 % (Clopper-Pearson, 95 %), so an allowance is better beyond doubt. The two counts between are pins.
    """
    assert nights_held(storms(), 0) == {
        "as written": 0,
        "a minute": 0,
        "five minutes": 5,
        "growing, full jitter": 1,
        "an allowance": 6,
        "an allowance that waits": 6,
    }
    failed = effects(storms(), "failed")
    assert (failed["an allowance"], failed["an allowance that waits"]) == ("better", "better")


def test_what_an_allowance_costs() -> None:
    """One export in ten fails; if retries wait for the allowance hardly one does, and the last is an hour late."""
    done, longest = spreads(storms(), "done_share"), spreads(storms(), "turnaround_longest")
    assert covers(done["an allowance"], 0.9)
    least = done["an allowance that waits"].least
    assert least is not None and least > 0.99
    assert covers(longest["an allowance that waits"], HOUR)


def test_longer_leases_are_lost_less_often_and_noticed_later() -> None:
    """Each lease is noticed later than the next shorter one and lost by fewer workers at work, down to none.

    With one of 30 seconds most jobs are never done, so that its time is not called better.

    All differences from the lease of 50 seconds at 95 % together, over six nights each. Where k heartbeats within a
    lease must be lost one after the other, and one in ten is lost, leases are lost some ten times as seldom with each
    heartbeat more.
    """
    names = ("30 s", "70 s", "90 s", "110 s", "5 min")
    found = compared("how-long-a-lease.yaml", names, 6, ("lost_while_healthy", "detection_delay_mean"))
    assert effects(found, "lost_while_healthy") == {"30 s": "worse", **dict.fromkeys(names[1:], "better")}
    assert effects(found, "detection_delay_mean") == {"30 s": "not_compared", **dict.fromkeys(names[1:], "worse")}
    lost = [spreads(found, "lost_while_healthy")[name].mean for name in ("30 s", "as written", "70 s", "90 s", "5 min")]
    assert lost == sorted(lost, key=lambda mean: -(mean or 0)) and lost[-1] == 0
    late = [spreads(found, "detection_delay_mean")[name].mean for name in ("30 s", "as written", *names[1:])]
    assert late == sorted(late, key=lambda mean: mean or 0)
    for name, length in zip(("as written", *names[1:]), (50, 70, 90, 110, 300), strict=True):
        # in the mean a worker dies half a heartbeat after the last one, and 0.1 / 0.9 of one more were lost before it
        assert covers(spreads(found, "detection_delay_mean")[name], length * SECOND - (10 + 20 / 9) * SECOND)
    assert nights_held(found, 1)["110 s"] == nights_held(found, 2)["110 s"] == 6


GOING_ON = ("start-over-or-resume.yaml", ("resume", "no loss of power"), 40)
FIGURES = ("makespan", "executed", "wasted_work", "lost_leases")


def test_going_on_saves_hours_that_starting_over_costs() -> None:
    """Sets that go on end hours sooner than those that start over, and within their eleven hours in each night.

    Differences at 95 % together; what holds in all of 40 nights holds in more than 91 % of nights.
    """
    found = compared(*GOING_ON, FIGURES)
    assert effects(found, "makespan") == {"resume": "better", "no loss of power": "better"}
    assert effects(found, "executed") == {"resume": "lower", "no loss of power": "lower"}
    assert effects(found, "wasted_work") == {"resume": "better", "no loss of power": "better"}
    assert nights_held(found, 1)["resume"] == nights_held(found, 2)["resume"] == 40
    work = spreads(found, "executed")
    assert (work["as written"].mean or 0) / (work["resume"].mean or 1) == pytest.approx(1.25, abs=0.05)


def test_what_goes_on_wastes_the_begun_tape_alone() -> None:
    """A loss of power wastes what was written of one tape: in the mean as much as theory says, within four standard
    errors over the nights; that is within 15 % of it (whole attempts would be six times as much).

    By hand: losses come at the rate r while a tape of T is written, again with the same T until it is whole. An attempt
    comes to the age a in exp(-r a) of cases, and there are exp(r T) attempts in the mean; so exp(r T) - 1 losses waste
    (exp(r T) - 1 - r T) / r. T is uniform from 15 to 25 minutes, r one in 240 minutes.
    """
    found = compared(*GOING_ON, FIGURES)
    rate = 1 / 240
    growth = (exp(25 * rate) - exp(15 * rate)) / (10 * rate)  # the mean of exp(r T)
    each = (growth - 1 - 20 * rate) / rate / (growth - 1) * MINUTE
    nights = [night.readings for night in found.played if night.variant == "resume"]
    lost = [night["lost_leases"].value or 0 for night in nights]
    over = [(night["wasted_work"].value or 0) - each * n for night, n in zip(nights, lost, strict=True)]
    error = stdev(over) / sqrt(len(over))
    assert abs(mean(over)) < 4 * error < 0.15 * each * mean(lost)


def test_as_many_workers_as_the_window_needs() -> None:
    """Six workers are too few, seven are enough: nine nights in ten are over by two o'clock, at 95 %."""
    found = emulator.size(SCENARIOS / "how-many-workers.yaml", by="pools.dome.count", first=5, last=8, nights=80)
    assert [each.verdict for each in found.tried] == ["does_not_hold", "does_not_hold", "holds", "holds"]
    assert (found.share, found.smallest, found.monotone) == (0.9, 7, True)


def test_the_wait_that_polling_costs() -> None:
    """Longer intervals cost longer waits: with three workers that are mostly idle, a third to a quarter of each.

    Ten nights, differences at 95 % together. With three idle workers the first asks after a quarter of the interval,
    with two after a third.
    """
    names = ("poll 0s", "poll 10s", "poll 1m", "poll 5m")
    found = compared("how-often-to-ask.yaml", names, 10, ("wait_mean",))
    assert effects(found, "wait_mean") == dict(zip(names, ("better", "better", "worse", "worse"), strict=True))
    wait = {name: each.mean or 0 for name, each in spreads(found, "wait_mean").items()}
    for name, interval in (("poll 10s", 10), ("as written", 30), ("poll 1m", 60), ("poll 5m", 300)):
        cost = (wait[name] - wait["poll 0s"]) / (interval * SECOND)
        assert 0.25 < cost < 0.36, name
