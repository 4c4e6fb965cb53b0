"""From when on a requirement can no longer be met: nights made by hand, and when each is lost."""

from datetime import datetime
from typing import Any

import pytest
from night_rows import Stream, asked

from emulator.measure.night import Night
from emulator.measure.requirements import first_miss, judge, missed_at
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import HOUR, MINUTE

CLOCK = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
HORIZON = 3 * HOUR


def stream() -> Stream:
    """Four jobs, in minutes: 1 and 2 come at 0, 3 at 10, 4 at 20. Of each:

    1 is done at 30; 2 loses its lease at 40 and is done at 100; 3 fails at 50; 4 is handed out at 70 and never ends.
    """
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.submit(0, 2)
    s.start(5, 1, "dome-1", 1)
    s.start(5, 2, "dome-2", 2)
    s.submit(10, 3)
    s.submit(20, 4)
    s.go_well(30, 1, "dome-1", 1)
    s.stop(35, 2, "dome-2", 2, why="power_lost")
    s.end(40, 2, "dome-2", 2, "lease_lost", why="lease_ran_out")
    s.requeue(40, 2)
    s.start(41, 2, "dome-1", 3, 2)
    s.finish(50, 3, "expired")
    s.start(70, 4, "dome-3", 4)
    s.go_well(100, 2, "dome-1", 3, 2)
    return s


def at(s: Stream, **keys: Any) -> float:
    """Give the minute from which on a requirement could no longer be met; the night misses it."""
    night, requirement = s.night(HORIZON), asked(**keys)
    assert judge(night, requirement, CLOCK).met is False
    return missed_at(night, requirement, CLOCK, lambda tick: as_it_stood(s, tick)) / MINUTE


def as_it_stood(s: Stream, tick: int) -> Night:
    before = Stream()
    before.rows = [row for row in s.rows if row[0] <= tick]
    return before.night(tick)


@pytest.mark.parametrize(
    ("keys", "minute"),
    [
        ({"measure": "makespan", "at_most": 2 * HOUR}, 121),  # at 2 h job 4 is unfinished: more than 2 h a minute later
        ({"measure": "wait_longest", "at_most": 45 * MINUTE}, 66),  # job 4 waits from 20 on
        ({"measure": "lost_leases", "at_most": 0.0}, 40),
        ({"measure": "failed", "exactly": 0.0}, 50),
        ({"measure": "attempts", "at_most": 3.0}, 70),  # the fourth hand-out
        ({"measure": "unfinished", "at_most": 0.0}, 180),  # may still fall until the end
        ({"measure": "done", "at_least": 3.0}, 180),
        ({"measure": "wait_p90", "at_most": 10 * MINUTE}, 180),
        ({"measure": "turnaround_longest", "at_most": 4 * HOUR}, 180),  # cannot be known: job 4 is unfinished
        ({"measure": "done_share", "at_least": 0.9}, 50),  # the one that failed is a quarter
        ({"measure": "done_share", "at_least": 0.6}, 180),  # without job 4 it is a half; with it, three quarters
    ],
)
def test_a_requirement_on_a_figure(keys: dict[str, Any], minute: float) -> None:
    assert at(stream(), **keys) == minute


def test_refused_jobs_are_never_done() -> None:
    """Of two submissions one is refused at 10 min: at most half are done."""
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.add(10, "submission_refused", 0, "", "copy", "night", "plates", 2, "queue_full")
    assert at(s, measure="done_share", at_least=0.6) == 10


@pytest.mark.parametrize(
    ("keys", "minute"),
    [
        ({"entry": "plates", "started_by": "22:30"}, 60),  # job 4 starts at 22:40
        ({"entry": "plates", "finished_by": "22:45"}, 75),  # jobs 2 and 4
        ({"entry": "plates", "within": 90 * MINUTE}, 90),  # job 2 is done 100 min after it came
        ({"entry": "plates", "finished_by": "05:00"}, 180),  # after the end of the night
        ({"entry": "plates", "started_by": "22:30", "within": 20 * MINUTE}, 20),  # whichever is first
    ],
)
def test_a_requirement_on_every_job_is_lost_with_the_time_that_the_first_misses(
    keys: dict[str, Any], minute: float
) -> None:
    assert at(stream(), **keys) == minute


def test_a_start_that_comes_too_early_is_lost_then() -> None:
    """Job 2 of `reports` starts at 8 min, before job 1 of `plates` ends at 30 min."""
    s = Stream(MINUTE)
    s.submit(0, 1)
    s.submit(0, 2, entry="reports", ordinal=1)
    s.start(5, 1, "dome-1", 1)
    s.start(8, 2, "dome-2", 2)
    s.go_well(12, 2, "dome-2", 2)
    s.go_well(30, 1, "dome-1", 1)
    assert at(s, each_occurrence_of="reports", starts_after_end_of="plates") == 8


def test_the_first_miss_of_a_night_is_told_in_words() -> None:
    s = stream()
    night = s.night(HORIZON)
    wanted = [asked(measure="makespan", at_most=2 * HOUR), asked(measure="lost_leases", at_most=0.0)]
    wanted.append(asked(measure="attempts", at_least=1.0))
    pairs = [(one, judge(night, one, CLOCK)) for one in wanted]
    found = first_miss(night, pairs, CLOCK, lambda tick: as_it_stood(s, tick))
    assert found == (40 * MINUTE, "leases lost at most 0")
    assert first_miss(night, pairs[2:], CLOCK, lambda tick: as_it_stood(s, tick)) is None
