"""What workers do over a night: sleep until there is work, shut down, finish and leave, suspend, meet a new version.

Every time is worked out by hand from constant durations; ``m`` is a minute in ticks.
"""

from typing import Any

import pytest

from emulator.record.events import Row
from emulator.record.fold import fold, verify
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

m = 60_000_000
s = 1_000_000


def _night(pool: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "title": "a night",
        "starts": "2026-06-12T21:30:00",
        "lasts": "3h",
        "queues": {"night": {"retry": {"attempts_in_all": 3}}},
        "pools": {"dome": {"count": 1, "serves": ["night"], **pool}},
        "routines": {"plate-copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
        "arrivals": [{"routine": "plate-copy", "name": "plates", "at": "+5m"}],
        **more,
    }


def _run(settings: dict[str, Any]) -> tuple[World, list[Row]]:
    agenda, recorder = Agenda(), Recorder()
    world = World(from_settings(settings), 1, agenda, recorder)
    world.start()
    world.run()
    world.close()
    verify(recorder.rows)
    assert fold(recorder.rows) == world.broker.snapshot()
    return world, recorder.rows


def _states(rows: list[Row], worker: str = "dome-1") -> list[tuple[int, str]]:
    return [(row[0], row[5]) for row in rows if row[1] == "worker_changed" and row[4] == worker]


def _attempts(rows: list[Row]) -> list[tuple[int, int, str, int]]:
    """(job, attempt, worker, began)."""
    return [(row[3], row[5], row[4], row[0]) for row in rows if row[1] == "work_began"]


def _stops(rows: list[Row]) -> list[tuple[int, str]]:
    return [(row[0], row[7]) for row in rows if row[1] == "work_stopped"]


def test_a_sleeping_worker_is_woken_by_work_and_sleeps_again() -> None:
    """Woken at 5 min, booted at 7, it works until 17, is idle for 4 min and switched off at 21."""
    _, rows = _run(_night({"woken_on_demand": True, "boots_in": "2m", "idle_off_after": "4m"}))
    assert _states(rows) == [(5 * m, "booting"), (7 * m, "idle"), (21 * m, "off")]
    assert _attempts(rows) == [(1, 1, "dome-1", 7 * m)]


def test_only_as_many_sleepers_are_woken_as_there_is_work() -> None:
    """Of four sleeping workers, two are woken for two jobs, those with the lowest places."""
    arrivals = [{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 2}]
    _, rows = _run(_night({"count": 4, "woken_on_demand": True}, arrivals=arrivals))
    assert [(row[0], row[4]) for row in rows if row[1] == "worker_changed" and row[5] == "booting"] == [
        (5 * m, "dome-1"),
        (5 * m, "dome-2"),
    ]


def test_a_schedule_kills_what_runs_and_comes_back_the_next_time() -> None:
    """Off at 21:40, on at 22:00: the work of 21:35 is gone, its lease (90 s) ends after the last beat at 21:39:30."""
    power = {"off": "21:40", "on": "22:00"}
    _, rows = _run(_night({"power": power, "heartbeat": "30s"}))
    assert _states(rows) == [(0, "booting"), (0, "idle"), (10 * m, "off"), (30 * m, "booting"), (30 * m, "idle")]
    # Beats at 30 s, 60 s, ...: the one at 9 min 30 s was the last, the lease ends at 11 min; it waits until 30 min.
    assert [row[0] for row in rows if row[1] == "attempt_ended"] == [11 * m, 40 * m]
    assert _attempts(rows) == [(1, 1, "dome-1", 5 * m), (1, 2, "dome-1", 30 * m)]


def test_a_worker_may_finish_at_its_shutdown_but_not_for_ever() -> None:
    """With 10 min to finish, the work of 5 to 15 min ends; with 2 min it is killed at 12 min."""
    for wait, end in (("10m", (15 * m, "finished")), ("2m", (12 * m, "too_long_to_finish"))):
        power = {"off": "21:40", "at_shutdown": "finish", "finish_within": wait}
        _, rows = _run(_night({"power": power}))
        assert _stops(rows) == [end]
        assert _states(rows)[2:] == [(10 * m, "draining"), (end[0], "off")]


def _windows(*windows: tuple[str, str], **more: Any) -> dict[str, Any]:
    return {"power": [{"on": on, "off": off, **more} for on, off in windows], "heartbeat": "30s"}


@pytest.mark.parametrize(
    ("windows", "states"),
    [
        # apart: on from 21:40 to 21:50 and from 22:10 to 22:20
        ((("21:40", "21:50"), ("22:10", "22:20")), [(10, "booting"), (10, "idle"), (20, "off"), (40, "booting")]),
        # on since 21:00; the end of the first at 21:50 lies in the second, which ends at 22:00
        ((("21:00", "21:50"), ("21:40", "22:00")), [(0, "booting"), (0, "idle"), (30, "off")]),
        # the second lies in the first
        ((("21:40", "22:00"), ("21:45", "21:50")), [(10, "booting"), (10, "idle"), (30, "off")]),
        # the second begins as the first ends
        ((("21:40", "21:50"), ("21:50", "22:00")), [(10, "booting"), (10, "idle"), (30, "off")]),
        # both end at once
        ((("21:40", "22:00"), ("21:50", "22:00")), [(10, "booting"), (10, "idle"), (30, "off")]),
    ],
)
def test_a_worker_is_on_while_any_of_its_windows_is(windows: Any, states: list[tuple[int, str]]) -> None:
    """Minutes from 21:30 on, while no job is there."""
    _, rows = _run(_night(_windows(*windows), arrivals=[]))
    assert [(at // m, state) for at, state in _states(rows)][: len(states)] == states


def test_the_shutdown_is_that_of_the_window_which_ends() -> None:
    """The work of 21:35 to 21:45 is finished at 21:40, or killed, as the window that ends says; so with the later."""
    first = {"on": "21:00", "off": "21:40"}
    later = {"on": "22:00", "off": "22:10"}
    finish = {"at_shutdown": "finish", "finish_within": "8m"}
    for one, other, end in (
        ({**first, **finish}, later, (15 * m, "finished")),
        (first, {**later, **finish}, (10 * m, "shut_down")),
    ):
        for windows in ([one, other], [other, one]):
            _, rows = _run(_night({"power": windows}))
            assert _stops(rows)[:1] == [end]
    together = [first, {**first, "on": "21:20", **finish}]
    assert _stops(_run(_night({"power": together}))[1])[:1] == [(15 * m, "finished")]
    assert _stops(_run(_night({"power": together[::-1]}))[1])[:1] == [(10 * m, "shut_down")]


def test_what_is_finished_when_the_next_window_begins_is_kept_and_the_worker_stays() -> None:
    """Off at 21:40 with 20 min to finish, on again at 21:43: the work of 5 to 15 min goes on, the next job follows.

    The second job runs from 15 to 25 min, and the shutdown of 22:05 (35 min) finds nobody at work: nothing is killed
    at 30 min, when the 20 min would be over.
    """
    arrivals = [{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 3}]
    finish = {"at_shutdown": "finish", "finish_within": "20m"}
    one, other = {"on": "21:00", "off": "21:40", **finish}, {"on": "21:43", "off": "22:02"}
    for power in ([one, other], {"on": "21:43", "off": "21:40", **finish}):
        _, rows = _run(_night({"power": power}, arrivals=arrivals))
        assert _attempts(rows)[:3] == [(1, 1, "dome-1", 5 * m), (2, 1, "dome-1", 15 * m), (3, 1, "dome-1", 25 * m)]
        states = [(at // m, state) for at, state in _states(rows)]
        assert [one for one in states if 10 <= one[0] < 15] == [(10, "draining"), (13, "busy")]
        assert _stops(rows)[:2] == [(15 * m, "finished"), (25 * m, "finished")]


def test_a_worker_in_line_for_its_return_waits_for_its_hours() -> None:
    """Drained at 21:36 until 21:42, and shut down from 21:40 on: it ends its work at 21:45 and is off, not back."""
    power = {"on": "21:00", "off": "21:40", "at_shutdown": "finish"}
    action = {"drain": "dome-1", "at": "+6m", "until": "21:42"}
    arrivals = [{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 2}]
    _, rows = _run(_night({"power": power}, arrivals=arrivals, actions=[action]))
    assert _states(rows)[-1] == (15 * m, "off")
    assert _attempts(rows) == [(1, 1, "dome-1", 5 * m)]


def test_a_worker_that_is_woken_on_demand_is_woken_when_its_hours_begin() -> None:
    """The job of 21:35 waits for the window of 22:00, which wakes the worker; one job needs one of the two."""
    pool = {"woken_on_demand": True, "count": 2, **_windows(("20:00", "21:00"), ("22:00", "23:00"))}
    _, rows = _run(_night(pool))
    assert [(row[0], row[4]) for row in rows if row[1] == "worker_changed" and row[5] == "booting"] == [
        (30 * m, "dome-1")
    ]


def test_a_worker_passes_over_what_the_window_that_ends_next_leaves_no_time_for() -> None:
    """The job of 10 min fits before 22:00 and not before 21:40; only a window that minds is heeded."""
    minds = {"skips_jobs_too_long_to_finish": True}
    early, late = {"on": "21:00", "off": "21:40"}, {"on": "21:50", "off": "22:20"}
    for power, began in (
        ([{**early, **minds}, late], 20 * m),
        ([early, {**late, **minds}], 5 * m),
        ([{**early, **minds}, {"on": "21:20", "off": "22:20"}], 5 * m),
    ):
        _, rows = _run(_night({"power": power}))
        assert _attempts(rows)[0] == (1, 1, "dome-1", began)


def test_a_schedule_runs_in_a_zone_of_its_own() -> None:
    """Off at 23:40 in a zone two hours ahead of the scenario's is 21:40 here, 10 min after the start."""
    power = {"off": "23:40", "zone": "Africa/Johannesburg"}
    _, rows = _run(_night({"power": power}))
    assert _states(rows)[-1] == (10 * m, "off")


def test_a_worker_told_to_leave_finishes_and_never_comes_back() -> None:
    """Told at 8 min, it ends its work at 15 min, signs off, and the second job finds nobody."""
    arrivals = [{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 2}]
    world, rows = _run(_night({}, arrivals=arrivals, actions=[{"drain": "dome-1", "at": "+8m"}]))
    assert _states(rows)[2:] == [(8 * m, "draining"), (15 * m, "off")]
    assert [row[0] for row in rows if row[1] == "worker_signed_off"] == [15 * m]
    assert world.stuck() == [2]


def test_a_worker_leaves_after_its_attempts() -> None:
    """With retires_after: 2 it works from 5 to 15 and from 15 to 25 min and goes; the third job finds nobody."""
    arrivals = [{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 3}]
    world, rows = _run(_night({"retires_after": 2}, arrivals=arrivals))
    assert [row[3] for row in _attempts(rows)] == [5 * m, 15 * m]  # type: ignore[misc]  # the tick at which it began
    assert _states(rows)[-1] == (25 * m, "off")
    assert list(world.explanations()) == [3]


def test_a_suspended_job_stands_still_until_it_is_resumed() -> None:
    """Asked at 8 min 10 s it stops at the beat of 8:30; asked at 20:10 it goes on at 20:30, and ends 12 min late."""
    actions = [{"suspend": "plates#1", "at": "+490s"}, {"resume": "plates#1", "at": "+1210s"}]
    _, rows = _run(_night({"heartbeat": "30s"}, actions=actions))
    assert [(row[0], row[1]) for row in rows if row[1] in ("suspended", "resumed")] == [
        (510 * s, "suspended"),
        (1230 * s, "resumed"),
    ]
    assert _stops(rows) == [(15 * m + 720 * s, "finished")]


def test_silence_ends_the_leases_of_a_worker_before_they_run_out() -> None:
    """A lease of 10 min and a silence limit of 1 min: power off at 8 min, last beat at 7:40, lost at 8:40."""
    queues = {"night": {"lease": "10m", "retry": {"attempts_in_all": 2}}}
    faults = [{"power_off": "dome-1", "at": "+8m", "back_after": "20m"}]
    _, rows = _run(_night({"heartbeat": "20s", "silence": "1m"}, queues=queues, faults=faults))
    ended = [(row[0], row[7], row[8]) for row in rows if row[1] == "attempt_ended"]
    # A beat due at the very instant of the fault (8:00) is not sent: the fault goes first.
    assert ended == [(520 * s, "lease_lost", "worker_silent"), (38 * m, "ok", "")]


def test_a_new_version_runs_faster_or_fails_old_jobs_or_leaves_them() -> None:
    """Put in at 6 min with speed 2: the second job, begun at 15 min, takes 5 min, 10 min, or fails at once."""
    arrivals = [{"routine": "plate-copy", "name": "plates", "at": "+5m", "count": 2}]
    for old_jobs, end in (
        ("run_new", (20 * m, "finished")),
        ("run_old", (25 * m, "finished")),
        ("fail", (15 * m, "new_version")),
    ):
        actions = [{"new_version": "plate-copy", "at": "+6m", "speed": 2.0, "old_jobs": old_jobs}]
        _, rows = _run(_night({}, arrivals=arrivals, actions=actions))
        assert _stops(rows) == [(15 * m, "finished"), end]


def test_a_slowed_worker_rescales_only_what_remains() -> None:
    """At half speed from 10 to 14 min, 5 + 2 min of the work are done by then; the last 3 end at 17 min."""
    faults = [{"slow_down": "dome-1", "at": "+10m", "lasts": "4m", "to": 0.5}]
    _, rows = _run(_night({}, faults=faults))
    assert _stops(rows) == [(17 * m, "finished")]


def test_a_frozen_worker_works_on_with_what_was_left() -> None:
    """Frozen from 10 to 11 min within its lease, 5 of 10 min are left: it ends at 16 min, its lease kept."""
    faults = [{"freeze": "dome-1", "at": "+10m", "lasts": "1m"}]
    _, rows = _run(_night({"heartbeat": "20s"}, faults=faults))
    assert _stops(rows) == [(16 * m, "finished")]
    assert [row[7] for row in rows if row[1] == "attempt_ended"] == ["ok"]


def test_a_resubmitted_job_by_hand_is_a_new_one_that_names_the_old() -> None:
    """Run again at 20 min, job 2 names job 1 and takes the same time, for its draws are the generation's own."""
    _, rows = _run(_night({}, actions=[{"run_again": "plates#1", "at": "+20m"}]))
    assert [(row[0], row[3], row[13]) for row in rows if row[1] == "submitted"] == [(5 * m, 1, 0), (20 * m, 2, 1)]
    assert _stops(rows) == [(15 * m, "finished"), (30 * m, "finished")]


def test_a_job_that_waits_for_another_follows_it_or_fails_with_it() -> None:
    """The second entry's job starts when the first is done at 15 min, on the worker that was idle all the while;
    withdrawn at 8 min, it fails with it."""
    arrivals = [
        {"routine": "plate-copy", "name": "plates", "at": "+5m"},
        {"routine": "plate-copy", "name": "checks", "at": "+5m", "after": {"entry": "plates"}},
    ]
    _, rows = _run(_night({"count": 2}, arrivals=arrivals))
    assert _attempts(rows) == [(1, 1, "dome-1", 5 * m), (2, 1, "dome-2", 15 * m)]
    _, rows = _run(_night({"count": 2}, arrivals=arrivals, actions=[{"withdraw": "plates#1", "at": "+8m"}]))
    assert [(row[0], row[3], row[6]) for row in rows if row[1] == "finished"] == [
        (8 * m, 1, "withdrawn"),
        (8 * m, 2, "prerequisite_failed"),
    ]
