"""Events are read by the names that are declared for them, and fold into one history; worked out by hand."""

import typing

import pytest

from emulator.record.event_view import EventView, place_of, view, views
from emulator.record.events import DETAILS, Row, details_of
from emulator.record.history import History, job_of
from emulator.record.kinds import DETAIL
from emulator.record.reasons import NONE, Because

CAME = (0, "submitted", 0, 1, "", "queued_held", "copy", "night", "plates", 1, "", 0, "not_due,by_person", 0)


def history(*rows: Row) -> History:
    made = History()
    made.take_all(views(rows))
    return made


@pytest.mark.parametrize("kind", DETAILS)
def test_every_detail_of_every_kind_has_its_name(kind: str) -> None:
    """A view gives what the row holds under the declared names; a detail of another kind is refused."""
    row = (5, kind, 3, 7, "dome-1", *(f"value of {name}" for name in DETAILS[kind]))
    event = view(9, row)
    assert (event.event, event.at, event.kind, event.cause, event.job, event.worker) == (9, *row[:5])
    named = {name: getattr(event, "occurrence" if name == "number" else name) for name in DETAILS[kind]}
    assert named == details_of(row)
    assert event.row == row
    assert [row[place_of(kind, name)] for name in DETAILS[kind]] == list(named.values())
    other = next(name for name in DETAIL if name not in DETAILS[kind] and name != "number")
    with pytest.raises(AttributeError):
        getattr(event, other)


def test_type_checkers_know_every_detail_and_its_type() -> None:
    """The attributes that are written for type checkers are those of the declaration."""
    import ast
    import inspect

    body = ast.parse(inspect.getsource(EventView)).body[0].body  # type: ignore[attr-defined]
    [checked] = [node for node in body if isinstance(node, ast.If)]
    written = {node.target.id: ast.unparse(node.annotation) for node in checked.body}  # type: ignore[attr-defined]
    declared = {name: "Any" if detail.type is object else detail.type.__name__ for name, detail in DETAIL.items()}
    assert written == {"occurrence" if name == "number" else name: kind for name, kind in declared.items()}
    assert typing.get_type_hints(EventView)["job"] is int


def test_a_reason_has_its_values() -> None:
    """What a reason carries follows it; without any it has none."""
    stopped = (5, "work_stopped", 0, 3, "dome-1", 1, 7, "part_failed")
    assert view(1, stopped).because == Because("part_failed", NONE.values)
    assert view(1, (*stopped, {"part": "copy"})).because == Because("part_failed", {"part": "copy"})


def test_the_life_of_a_job() -> None:
    """Held for two reasons, taken, lost while it stood still, taken by another worker, done: each with its events."""
    rows = (
        CAME,
        (10, "hold_ended", 0, 1, "", "queued_held", "not_due"),
        (20, "hold_ended", 0, 1, "", "queued", "by_person"),
        (30, "handed_out", 0, 1, "dome-1", 1, 4, 90, 1),
        (30, "work_began", 4, 1, "dome-1", 1, 4),
        (40, "part_finished", 0, 1, "dome-1", 1, 4, "copy", "", False),
        (50, "work_paused", 0, 1, "dome-1", 4),
        (90, "attempt_ended", 0, 1, "dome-1", 1, 4, "lease_lost", "lease_ran_out", 90),
        (90, "requeued", 8, 1, "", "requeued_held", 100, -1),
        (100, "hold_ended", 0, 1, "", "requeued", "pausing"),
        (100, "handed_out", 0, 1, "dome-2", 2, 5, 160, 1),
        (100, "work_began", 11, 1, "dome-2", 2, 5),
        (105, "message_lost", 12, 1, "dome-2", "outcome", 1, "out"),
        (120, "work_stopped", 12, 1, "dome-2", 2, 5, "finished"),
        (120, "attempt_ended", 14, 1, "dome-2", 2, 5, "ok", "", 160),
        (120, "finished", 15, 1, "", "done", "", "", 2),
    )
    night = history(*rows)
    job = night.jobs[1]
    assert (job.name, job.state, job.token, job.submission.event) == ("plates#1", "done", 0, 1)
    assert [(hold.what, hold.begin, hold.end) for hold in job.every_hold()] == [
        ("by_person", 0, 20),
        ("not_due", 0, 10),
        ("pausing", 90, 100),
    ]
    states = [(state.what, state.begin, state.end) for state in job.states]
    assert states == [
        ("queued_held", 0, 10), ("queued_held", 10, 20), ("queued", 20, 30), ("running", 30, 90),
        ("requeued_held", 90, 100), ("requeued", 100, 100), ("running", 100, 120), ("done", 120, -1),
    ]  # fmt: skip
    first, second = job.attempts
    assert (first.outcome, first.ended, first.end, first.lease, first.reason.code) == (
        "lease_lost", 90, 8, 60, "lease_ran_out",
    )  # fmt: skip
    [lost] = first.work
    assert (lost.worker, lost.parts, lost.stands, lost.executed(0, 200)) == ("dome-1", 1, 50, 20)
    assert [event.event for event in second.of_kind("message_lost", "attempt_ended")] == [13, 15]
    assert second.work_of("dome-1") is None
    assert second.own is not None
    assert (second.own.stopped, second.own.why) == (120, "finished")
    assert [work.worker for work in night.worker("dome-1").works] == ["dome-1"]
    assert night.worker("dome-2").works == []
    assert [event.event for event in night.of_kind("work_began")] == [5, 12]
    assert job_of(views(rows)).attempts == job.attempts


def test_a_log_with_gaps_tells_what_it_can() -> None:
    """Events under an unknown token, of an unknown job, or of ends without a beginning change nothing else."""
    night = history(
        (1, "work_began", 0, 2, "dome-1", 1, 9),
        (2, "work_stopped", 0, 2, "dome-1", 1, 9, "finished"),
        (3, "message_lost", 1, 2, "dome-1", "outcome", 1, "out"),
        (4, "hold_ended", 0, 2, "", "queued", "by_person"),
        (5, "broker_up", 0, 0, ""),
    )
    job = night.jobs[2]
    assert (job.name, job.attempts, job.holds, job.state) == ("", [], [], "queued")
    assert (night.lasting, night.worker("dome-1").works) == ([], [])
    assert job_of(()).state == ""


def test_what_lasts_is_told_from_when_to_when() -> None:
    """Outages, holds of queues and faults; a second beginning of the same is none, one that hit nothing is over."""
    night = history(
        (1, "broker_down", 0, 0, ""),
        (2, "broker_down", 0, 0, ""),
        (3, "queue_held", 0, 0, "", "night"),
        (4, "queue_held", 0, 0, "", "day"),
        (5, "broker_up", 0, 0, ""),
        (6, "fault_began", 0, 0, "dome-1", "freeze", "faults[0]", 1, "dome-1"),
        (7, "fault_began", 0, 0, "dome-2", "freeze", "faults[0]", 1, "dome-2"),
        (7, "fault_missed", 7, 0, "dome-2", "freeze", "faults[0]", 1, "dome-2", "off"),
        (8, "queue_released", 0, 0, "", "night"),
    )
    assert [(one.what, one.begin, one.end) for one in night.lasting] == [
        ("outage", 1, 5), ("queue_held", 3, 8), ("queue_held", 4, -1), ("fault", 6, -1), ("fault", 7, 7),
    ]  # fmt: skip
    assert [one.began.target for one in night.now("fault")] == ["dome-1"]
    assert [one.began.queue for one in night.intervals("queue_held")] == ["night", "day"]
