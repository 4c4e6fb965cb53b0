"""What everybody is doing just now, worked out by hand from a few events."""

import pytest

from emulator.broker.states import State
from emulator.measure.backlog import profile
from emulator.measure.live_state import BUCKETS, STATES, FaultInForce, LiveState, WorkerNow
from emulator.record.events import Row

NIGHT = 2_400


def live(*rows: Row, workers: tuple[str, ...] = ("dome-1", "dome-2")) -> LiveState:
    made = LiveState(workers, NIGHT)
    for row in rows:
        made.take(row)
    return made


def came(at: int, job: int, state: str = "queued", origin: int = 0) -> Row:
    return (at, "submitted", 0, job, "", state, "copy", "night", "plates", job, "", 0, "", origin)


def taken(at: int, job: int, token: int, worker: str = "dome-1") -> tuple[Row, Row]:
    return (
        (at, "handed_out", 0, job, worker, 1, token, at + 90, 1),
        (at, "work_began", 0, job, worker, 1, token),
    )


def counts(now: LiveState) -> dict[str, int]:
    return {state: count for state, count in now.jobs.items() if count}


def works(worker: WorkerNow) -> list[tuple[int, int, int, int, int, bool]]:
    """Give (since, job, attempt, token, parts, whether it stands still) of what a worker executes."""
    return [(one.began, one.job, one.attempt, one.token, one.parts, one.stands >= 0) for one in worker.works]


def test_the_states_are_those_of_the_table() -> None:
    """Every state of a job is counted."""
    assert sorted(STATES) == sorted(state.value for state in State)


def test_a_job_from_its_coming_to_its_end() -> None:
    """Each event moves a job from one count to the next; what is final stays counted."""
    now, seen = LiveState(("dome-1",), NIGHT), []
    for row in (
        came(5, 1, "queued_held"),
        (6, "hold_ended", 0, 1, "", "queued", "not_due"),
        *taken(7, 1, 1),
        (8, "suspended", 0, 1, "dome-1", 1),
        (9, "resumed", 0, 1, "dome-1", 1),
        (10, "attempt_ended", 0, 1, "dome-1", 1, 1, "error", "", 10),
        (10, "requeued", 0, 1, "", "requeued_held", 20, -1),
        (20, "hold_ended", 0, 1, "", "requeued", "pausing"),
        (21, "held", 0, 1, "", "requeued_held", "by_person"),
        *taken(22, 1, 2),
        (23, "handed_back", 0, 1, "dome-1", "requeued", 2, 2),
        (24, "finished", 0, 1, "", "failed", "withdrawn", "", 1),
    ):
        now.take(row)
        [state] = counts(now)
        if not seen or seen[-1] != state:
            seen.append(state)
    assert seen == [
        *("queued_held", "queued", "running", "suspended", "running", "requeued_held", "requeued", "requeued_held"),
        *("running", "requeued", "failed"),
    ]
    assert (now.at, now.events, counts(now)) == (24, 14, {"failed": 1})


def test_workers_and_what_they_do() -> None:
    """A worker is busy from its first work to the end of its last; parts and standing still are kept for each work."""
    now = live(
        (0, "worker_changed", 0, 0, "dome-1", "idle", "", 1),
        came(1, 1),
        came(1, 2),
        *taken(2, 1, 1),
        *taken(3, 2, 2),
        (4, "part_finished", 0, 1, "dome-1", 1, 1, "copy", 0, False),
        (5, "work_paused", 0, 2, "dome-1", 2),
    )
    one = now.workers["dome-1"]
    assert (one.state, works(one)) == ("busy", [(2, 1, 1, 1, 1, False), (3, 2, 1, 2, 0, True)])
    now.take((6, "work_continued", 0, 2, "dome-1", 2))
    now.take((7, "work_stopped", 0, 1, "dome-1", 1, 1, "finished"))
    assert works(one) == [(3, 2, 1, 2, 0, False)]
    now.take((8, "worker_changed", 0, 0, "dome-1", "frozen", "", 1))
    assert one.state == "frozen"
    now.take((9, "worker_changed", 0, 0, "dome-1", "busy", "goes_on", 1))
    now.take((9, "work_stopped", 0, 2, "dome-1", 1, 2, "finished"))
    assert (one.state, one.why, one.since) == ("idle", "goes_on", 9)
    assert now.workers["dome-2"].state == "off"


def test_a_worker_that_never_told_of_itself_is_there_when_it_works() -> None:
    """Work of a worker that no event named before makes it busy, and idle afterwards."""
    now = live(came(1, 1), *taken(2, 1, 1, "tower-1"), workers=())
    assert now.workers["tower-1"].state == "busy"
    now.take((3, "work_stopped", 0, 1, "tower-1", 1, 1, "finished"))
    assert now.workers["tower-1"].state == "idle"


@pytest.mark.parametrize("end", ["attempt_ended", "lease_forgotten", "handed_back"])
def test_work_without_a_lease_is_known(end: str) -> None:
    """Once the broker ended, forgot or took back the lease, the worker's work has none, until another is granted."""
    details = {"attempt_ended": (1, 1, "lease_lost", "", 92), "lease_forgotten": (1,), "handed_back": ("queued", 1, 1)}
    now = live(came(1, 1), *taken(2, 1, 1))
    [work] = now.workers["dome-1"].works
    assert now.has_lease(work)
    now.take((92, end, 0, 1, "dome-1", *details[end]))
    assert not now.has_lease(work)
    for row in taken(93, 1, 2, "dome-2"):
        now.take(row)
    [second] = now.workers["dome-2"].works
    assert (now.has_lease(work), now.has_lease(second)) == (False, True)


def test_the_backlog_is_counted_at_the_end_of_each_instant() -> None:
    """Who is handed over at once never waited; each stretch keeps the most that waited in it, as the figures do."""
    rows = [came(5, 1), *taken(5, 1, 1), came(25, 2), came(29, 3), *taken(30, 2, 2), came(47, 4), *taken(50, 3, 3)]
    now = live(*rows)
    now.pass_to(59)
    assert (now.peaks, now.most, now.waiting) == ([0, 0, 2, 1, 2, 1], 2, 1)
    now.pass_to(NIGHT - 1)
    assert (len(now.peaks), now.peaks[6:]) == (BUCKETS, [1] * (BUCKETS - 6))
    from array import array

    from emulator.measure.night import Intervals

    waits = Intervals(array("q", [5, 25, 29, 47]), array("q", [5, 30, 50]))
    assert now.most == profile([waits], NIGHT).peak


def test_faults_are_in_force_until_they_end() -> None:
    """A fault with a length is in force from its beginning to its end; one that hit nothing, or has none, is not."""
    now = live(
        (3, "fault_began", 0, 0, "dome-1", "freeze", "faults[0]", 1, "dome-1"),
        (4, "fault_began", 0, 0, "", "hand_out_twice", "faults[1]", 1, "night"),
        (5, "fault_began", 0, 0, "dome-2", "power_off", "faults[2]", 1, "dome-2"),
        (5, "fault_missed", 9, 0, "dome-2", "power_off", "faults[2]", 1, "dome-2", "it is off"),
    )
    assert now.faults == (FaultInForce(3, "freeze", "dome-1", "dome-1"),)
    now.take((9, "fault_ended", 0, 0, "dome-1", "freeze", "faults[0]", 1, "dome-1"))
    assert now.faults == ()


def test_queues_and_the_broker() -> None:
    """A held queue and a broker that is down are known as such."""
    now = live((1, "queue_held", 0, 0, "", "night"), (2, "broker_down", 0, 0, ""))
    assert (list(now.held_queues), now.broker_is_up) == (["night"], False)
    now = live((1, "queue_held", 0, 0, "", "night"), (2, "queue_released", 0, 0, "", "night"))
    now.take((3, "broker_up", 0, 0, ""))
    assert (list(now.held_queues), now.broker_is_up) == ([], True)


def test_other_events_leave_everything_as_it_is() -> None:
    """What says nothing of workers, jobs or faults is counted, and moves the clock."""
    now = live((7, "call_ended", 0, 1, "dome-1", 1, 1, "archive", "ok", 2))
    assert (now.at, now.events, counts(now)) == (7, 1, {})


def test_jobs_have_the_names_that_people_use() -> None:
    """A job is called after its entry; one that was resubmitted has its own number behind it."""
    now = live(came(1, 1), came(2, 2, origin=1))
    assert [now.name(job) for job in (1, 2, 3)] == ["plates#1", "plates#2 (resubmitted as job 2)", "job 3"]
