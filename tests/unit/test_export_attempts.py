"""What exports call an attempt, and which parts it had, worked out by hand from a few events."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

import pytest

from emulator.record.event_view import views
from emulator.record.events import Row
from emulator.record.history import History
from emulator.record.log_writer import SqliteRecorder
from emulator.record.meta import RunMeta
from emulator.record.reasons import Because
from emulator.report.exporting import FORMATS, export
from emulator.show.exports.recorded import PartDone, attempts_of

PARTS = {"copy": (("read", False), ("write", True), ("check", False))}
SUBMITTED: Row = (0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0)


@dataclass
class Night:
    horizon: int = 100


@dataclass
class Given:
    """As much of a recorded night as attempts are made from."""

    rows: list[Row]
    parts: dict[str, tuple[tuple[str, bool], ...]]
    night: Night

    def history(self) -> History:
        """Give their history."""
        night = History()
        night.take_all(views(self.rows))
        return night


def attempts(*rows: Row):  # type: ignore[no-untyped-def]
    return attempts_of(Given([SUBMITTED, *rows], PARTS, Night()))  # type: ignore[arg-type]


def out(at: int, token: int, worker: str = "dome-1", attempt: int = 1) -> Row:
    return (at, "handed_out", 0, 1, worker, attempt, token, at + 90, 1)


def began(at: int, token: int, worker: str = "dome-1", attempt: int = 1) -> Row:
    return (at, "work_began", 0, 1, worker, attempt, token)


def part(at: int, name: str, element: str = "") -> Row:
    return (at, "part_finished", 0, 1, "dome-1", 1, 1, name, element, False)


def stopped(at: int, why: str, worker: str = "dome-1", attempt: int = 1, token: int = 1) -> Row:
    return (at, "work_stopped", 0, 1, worker, attempt, token, why)


def ended(at: int, outcome: str, why: str = "") -> Row:
    return (at, "attempt_ended", 0, 1, "dome-1", 1, 1, outcome, why, at)


def test_an_attempt_has_its_lease_and_its_work_apart() -> None:
    """A lease that is lost and work that goes on end at times of their own; the attempt lasts until the later."""
    [one] = attempts(out(1, 1), began(2, 1), ended(91, "lease_lost", "lease_ran_out"), stopped(95, "told_lease_lost"))
    assert (one.handed_out, one.until, one.began, one.stopped, one.ended) == (1, 91, 2, 95, 91)
    assert (one.outcome, one.why, one.stopped_why, one.begins, one.ends(100)) == (
        "lease_lost",
        Because("lease_ran_out"),
        Because("told_lease_lost"),
        1,
        95,
    )


def test_what_is_no_ordinary_attempt_has_a_name() -> None:
    """Handed back unstarted, withdrawn, on one more worker, in progress: each is told as such, none is left out."""
    assert [one.outcome for one in attempts(out(1, 1), (2, "handed_back", 0, 1, "dome-1", "requeued", 1, 1))] == [
        "handed_back"
    ]
    assert [one.outcome for one in attempts(out(1, 1), ended(2, "lease_lost", "withdrawn"))] == ["withdrawn"]
    two = attempts(out(1, 1), began(1, 1), began(2, 1, "dome-2"), stopped(9, "finished", "dome-2"))
    assert [(one.worker, one.outcome, one.handed_out) for one in two] == [
        ("dome-1", "in_progress", 1),
        ("dome-2", "second_hand_out", -1),
    ]
    assert [one.ends(100) for one in two] == [100, 9]


@pytest.mark.parametrize(
    ("finished", "why", "last"),
    [
        ([], "power_lost", "read"),
        ([part(5, "read")], "power_lost", ""),  # the list may be empty, so it may be either
        ([part(5, "read"), part(6, "write", "north")], "power_lost", ""),  # there may be another element
        ([part(5, "read"), part(6, "write", "north")], "finished", "check"),
        ([part(5, "a part of a test's own code")], "power_lost", ""),
        ([part(5, "a part of a test's own code")], "finished", ""),
    ],
)
def test_the_last_part_is_named_where_it_is_known(finished: list[Row], why: str, last: str) -> None:
    """No event tells in which part work stopped: it follows from the routine, or is left open."""
    [one] = attempts(out(1, 1), began(2, 1), *finished, stopped(9, why))
    begins = finished[-1][0] if finished else 2
    assert one.parts[-1] == PartDone(last, "", begins, 9, why == "finished")
    assert [(done.name, done.element, done.ends) for done in one.parts[:-1]] == [
        (row[7], row[8], row[0]) for row in finished
    ]


def test_an_attempt_that_may_have_resumed_leaves_its_first_part_open() -> None:
    """A second attempt may go on after the last part that was finished, so its first part is not guessed."""
    [_, second] = attempts(
        out(1, 1), began(1, 1), stopped(2, "power_lost"), out(3, 2, attempt=2), began(3, 2, attempt=2)
    )
    assert second.parts == [PartDone("", "", 3, 100, False)]


SCENARIO = """\
title: A run that was killed
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 1h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night]}}
routines: {copy: {queue: night, parts: [{name: read, takes: 5m}]}}
arrivals: [{routine: copy, name: plates, count: 1, at: "+0s"}]
must_hold: [{measure: done, exactly: 1}]
"""


def test_the_log_of_a_run_that_was_killed_is_exported_as_far_as_it_goes(tmp_path: Path) -> None:
    """A log without an end is exported up to its last event, and says that the run was not finished."""

    async def write() -> None:
        about = RunMeta(seed=1, scenario_text=SCENARIO, scenario_name="killed.yaml")
        async with await SqliteRecorder.create(tmp_path / "killed.qdlog", about) as log:
            for row in (
                (0, "run_began", 0, 0, "", 1),
                SUBMITTED,
                out(1, 1),
                began(2, 1),
                began(2_000_000, 1, "dome-2"),
            ):
                log.emit(row)

    asyncio.run(write())
    found = {form: export(tmp_path / "killed.qdlog", form) for form in FORMATS}
    assert found["jobs-csv"].splitlines()[1].split(",")[7] == "running"
    assert [line.split(",")[5] for line in found["attempts-csv"].splitlines()[1:]] == ["in_progress", "second_hand_out"]
    assert '<property name="finished" value="no" />' in found["junit"]
    assert '<property name="night lasts, seconds of virtual time" value="2.000000" />' in found["junit"]
    assert 'finished="no"' in found["openmetrics"]
    assert found["cloudevents-lines"].count("\n") == 5
