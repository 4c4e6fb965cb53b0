"""Rows of events, written short by hand, and the night that they fold into."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

from story_rows import Why, because

from emulator.measure.fold import NightFold
from emulator.measure.night import Night
from emulator.record.events import Row
from emulator.record.kinds import BEGUN, COMPOUND, ENDED_WELL, QUEUED

KEYS = (
    "measure", "at_least", "at_most", "exactly", "routine", "queue", "pool", "entry",
    "effect", "target", "set_of",
    "each_occurrence_of", "started_by", "finished_by", "within", "starts_after_end_of", "in_share", "say",
    "not_worse_by",
)  # fmt: skip


class Stream:
    """A stream of events in the making; moments count units of so many ticks, and a cause is always 0."""

    def __init__(self, unit: int = 1) -> None:
        self.unit = unit
        self.rows: list[tuple[Any, ...]] = []

    def add(self, at: int, kind: str, job: int = 0, worker: str = "", *details: object) -> None:
        self.rows.append((at * self.unit, kind, 0, job, worker, *details))

    def submit(
        self,
        at: int,
        job: int,
        *,
        state: str = "queued",
        routine: str = "copy",
        queue: str = "night",
        entry: str = "plates",
        ordinal: int | None = None,
        reasons: str = "",
        origin: int = 0,
    ) -> None:
        number = job if ordinal is None else ordinal
        self.add(at, "submitted", job, "", state, routine, queue, entry, number, "", 0, reasons, origin)

    def hand_out(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        self.add(at, "handed_out", job, worker, attempt, token, at + 90, 1)

    def begin(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        self.add(at, "work_began", job, worker, attempt, token)

    def finish_part(self, at: int, job: int, worker: str, token: int, attempt: int = 1, *, kept: bool) -> None:
        self.add(at, "part_finished", job, worker, attempt, token, "read", "", kept)

    def stop(self, at: int, job: int, worker: str, token: int, attempt: int = 1, why: Why = "finished") -> None:
        self.add(at, "work_stopped", job, worker, attempt, token, *because(why))

    def end(
        self, at: int, job: int, worker: str, token: int, outcome: str = "ok", attempt: int = 1, why: Why = ""
    ) -> None:
        self.add(at, "attempt_ended", job, worker, attempt, token, outcome, *because(why, at))

    def requeue(self, at: int, job: int, state: str = "requeued", due: int | None = None) -> None:
        self.add(at, "requeued", job, "", state, at if due is None else due, -1)

    def finish(self, at: int, job: int, sub_state: str = "", attempts: int = 1, why: Why = "") -> None:
        self.add(at, "finished", job, "", "failed" if sub_state else "done", sub_state, *because(why, attempts))

    def land(
        self, at: int, job: int, worker: str, token: int, target: str = "plate-7", *, repeatable: object = False
    ) -> None:
        self.add(at, "effect_landed", job, worker, 1, token, "copied", target, repeatable)

    def start(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        """Hand a job out, and its work begins at once."""
        self.hand_out(at, job, worker, token, attempt)
        self.begin(at, job, worker, token, attempt)

    def go_well(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        """The work stops, the attempt ends ok and the job is done."""
        self.stop(at, job, worker, token, attempt)
        self.end(at, job, worker, token, "ok", attempt)
        self.finish(at, job, "", attempt)

    def worker(self, at: int, name: str, state: str) -> None:
        self.add(at, "worker_changed", 0, name, state, "", 1)

    def night(self, horizon: int, **knowledge: Any) -> Night:
        fold = NightFold(horizon, **knowledge)
        fold.feed_all(together(self.rows))
        return fold.close()


def together(rows: Sequence[Row]) -> list[Row]:
    """Write as one compound row whatever a world writes so; causes, which no figure needs, become 0."""
    found: list[Row] = []
    rest = [(*row[:2], 0, *row[3:]) for row in rows]
    while rest:
        row = _compound(rest[0])
        events = [] if row is None else [(*one[:2], 0, *one[3:]) for one in COMPOUND[row[1]].apart(row, 0)]
        if row is not None and rest[: len(events)] == events:
            found.append(row)
            del rest[: len(events)]
        else:
            found.append(rest.pop(0))
    return found


def _compound(first: Row) -> Row | None:
    """Give the compound row that may begin with an event."""
    if first[1] == "submitted" and len(first) == 14:
        at, _, _, job, _, _, routine, queue, entry, ordinal, _, priority, _, _ = first
        return at, QUEUED, 0, job, "", (routine, queue, entry, priority), ordinal
    if first[1] == "handed_out" and len(first) == 9:
        return (first[0], BEGUN, *first[2:])
    return (first[0], ENDED_WELL, *first[2:7]) if first[1] == "work_stopped" else None


def asked(**keys: object) -> Any:
    """Make a requirement: every key that is not given is None."""
    return SimpleNamespace(**{**dict.fromkeys(KEYS), **keys})


def the_rows(unit: int = 1) -> Stream:
    """The events of a night of 1000 units of so many ticks: two pools, two routines, seven jobs, one that was refused.

    Plates (routine copy), worker dome-1:
      job 1: submitted 0, out 0, works [0, 100), ok, done at 100; leaves copied on plate-1 (unrepeatable)
      job 2: submitted 0, waits until 100, works [100, 150), error; pauses [150, 200), waits [200, 250),
             works [250, 300), permanent error, failed; left copied on plate-2 at 140 and again at 290
      job 3: submitted 50, waits until 300, works from 300 on, unfinished
    Sweeps (routine sweep), worker tower-1 (two slots):
      job 4: submitted 50, held until due at 60, waits until 80, works [80, 110), its worker is off from 110 on,
             its lease is lost at 180; waits from then on
      job 5: submitted 400, expires at 500
      job 6: submitted 600, withdrawn at 700
      job 7: submitted 800, resubmitted for job 5, unfinished
    One plate job is refused at 10, and one occurrence of the sweeps is skipped.
    """
    s = Stream(unit)
    s.worker(0, "dome-1", "idle")
    s.worker(0, "tower-1", "idle")
    s.submit(0, 1)
    s.submit(0, 2)
    s.start(0, 1, "dome-1", 1)
    sweep = {"routine": "sweep", "entry": "sweeps"}
    s.add(10, "submission_refused", 0, "", "copy", "night", "plates", 9, "queue_full", {"most": 3})
    s.submit(50, 3)
    s.submit(50, 4, state="queued_held", reasons="not_due", ordinal=1, **sweep)
    s.add(60, "hold_ended", 4, "", "queued", "not_due")
    s.start(80, 4, "tower-1", 2)
    s.land(90, 1, "dome-1", 1, "plate-1")
    s.go_well(100, 1, "dome-1", 1)
    s.start(100, 2, "dome-1", 3)
    s.stop(110, 4, "tower-1", 2, why="power off")
    s.worker(110, "tower-1", "off")
    s.land(140, 2, "dome-1", 3, "plate-2")
    s.stop(150, 2, "dome-1", 3)
    s.end(150, 2, "dome-1", 3, "error")
    s.requeue(150, 2, "requeued_held", 200)
    s.end(180, 4, "tower-1", 2, "lease_lost")
    s.requeue(180, 4)
    s.add(200, "hold_ended", 2, "", "requeued", "pausing")
    s.start(250, 2, "dome-1", 4, attempt=2)
    s.land(290, 2, "dome-1", 4, "plate-2")
    s.stop(300, 2, "dome-1", 4, attempt=2)
    s.end(300, 2, "dome-1", 4, "permanent_error", attempt=2)
    s.finish(300, 2, "permanent_error", 2)
    s.start(300, 3, "dome-1", 5)
    s.submit(400, 5, ordinal=2, **sweep)
    s.finish(500, 5, "expired", 0)
    s.submit(600, 6, ordinal=3, **sweep)
    s.finish(700, 6, "withdrawn", 0)
    s.submit(800, 7, ordinal=2, origin=5, **sweep)
    s.add(900, "occurrence_skipped", 0, "", "sweeps", 4, "still_running")
    s.add(900, "stale_refused", 2, "dome-1", 3, "renewal")
    s.add(900, "stale_refused", 0, "dome-1", 99, "renewal")
    s.add(900, "fault_missed", 0, "", "freeze", "faults[0]", 1, "tower-1", "was_off")
    return s


def the_night(unit: int = 1) -> Night:
    """The night that ``the_rows`` fold into."""
    return the_rows(unit).night(
        1000 * unit,
        pools={"dome-1": "dome", "tower-1": "tower", "tower-2": "tower"},
        slots={"tower-1": 2},
        occurrences={"sweeps": [50 * unit, 390 * unit, 600 * unit, 900 * unit]},
        offered_load={"dome": 1.5, "tower": 0.25},
        planned_on={"dome": 1000 * unit, "tower": 500 * unit},
    )
