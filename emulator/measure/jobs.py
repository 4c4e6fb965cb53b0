"""The part of the fold that reads each kind of event by itself and follows jobs as the broker sees them.

The law: every event of every job can be read here, whatever came before it. A job in progress is one list, and when
it has ended its row goes into the table. The broker's view (who holds a lease, how an attempt ended) is followed here;
what workers really do is followed by ``Executions`` and what they leave behind by ``Effects``, which this class
extends. ``NightFold`` reads what happens to nearly all jobs, and much of it at once, without a list; a job of which
something else is told is taken up into a list then.

Tried and dropped: counters that follow every change of the backlog (the peak inside one instant, while a burst is
handed over, is no backlog that anybody sees); intervals are kept instead and merged when a figure asks for them.
"""

from array import array
from collections.abc import Callable
from typing import Final

from emulator.measure.effects import Effects
from emulator.measure.executions import BY_JOB, HELD, TOKEN, WAITS, JobList, Shared
from emulator.measure.night import (
    ATTEMPTS,
    DUE,
    FAMILY,
    FINAL,
    FINISHED,
    FIRST_OUT,
    KIND,
    WITHDRAWN,
    WORKER,
    FinalState,
    Intervals,
    JobKind,
    MissedFault,
    RefusedJob,
    SeenAction,
    SeenFault,
    SkippedOccurrence,
)
from emulator.record.events import Row, reason_of
from emulator.record.kinds import BEGUN, COMPOUND
from emulator.record.reasons import WITHDRAWN_BY_PERSON, Because

__all__ = ["Jobs"]

_NOT_DUE: Final = "not_due"
"""The reason for which a job is held until its time comes."""
_DISTINCT_ENDS: Final = 10_000
"""So many different reasons of failure are kept in their own words; the rest keep state and sub-state."""


class Jobs(Effects):
    """Follows jobs; ``NightFold`` puts it to use."""

    def __init__(self) -> None:
        super().__init__()
        self._waiting: dict[int, Row] = {}  # by ordinary job that is unfinished: the compound row by which it came
        self._codes: dict[Shared, int] = {}
        self._next = self._table.first
        self._kinds: dict[tuple[str, str, str], int] = {}
        self._finals: dict[FinalState, int] = {FinalState("unfinished", "", ""): 0, FinalState("done", "", ""): 1}
        self._worker_codes: dict[str, int] = {"": -1}
        self._waits: list[Intervals] = []
        self._holds: list[Intervals] = []
        self._stale: dict[tuple[int, str], int] = {}
        self._refused: list[RefusedJob] = []
        self._repeated_submissions = 0
        self._skipped: list[SkippedOccurrence] = []
        self._faults: list[SeenFault] = []
        self._faults_on: dict[tuple[str, int, str, str], int] = {}
        self._faults_missed: list[MissedFault] = []
        self._actions: list[SeenAction] = []
        self._seed: int | None = None
        self._factors: dict[str, float] = {}

    def _handlers(self) -> dict[str, Callable[[Row], None]]:
        return {
            "run_began": self._run_began,
            "factor_drawn": self._factor_drawn,
            "submitted": self._submitted,
            "submission_repeated": self._submission_repeated,
            "submission_refused": self._submission_refused,
            "held": self._state_changed,
            "hold_ended": self._hold_ended,
            "handed_out": self._handed_out,
            "handed_back": self._handed_back,
            "attempt_ended": self._attempt_ended,
            "requeued": self._state_changed,
            "finished": self._finished,
            "stale_refused": self._stale_refused,
            "occurrence_skipped": self._occurrence_skipped,
            "fault_began": self._fault_began,
            "fault_ended": self._fault_ended,
            "fault_missed": self._fault_missed,
            "action_taken": self._action_taken,
            **self._worker_handlers(),
            **self._effect_handlers(),
        }

    # -- records --------------------------------------------------------------------------------------------------

    def _opened(self, number: int, at: int, kind: int, ordinal: int) -> JobList:
        """Make the record of a job that waits since it was submitted."""
        job = self._open[number] = [at, at, -1, -1, -1, kind, ordinal, 0, "", 0, 0, number, 0, at, -1, None]
        return job

    def _taken_up(self, number: int, *, final: bool = False) -> JobList:
        came = self._waiting.pop(number, None)
        if came is not None:
            job = self._opened(number, came[0], self._codes[came[5]], came[6])
            out = self._at_work.pop(number, None)
            if out is not None:
                handed_out, began = COMPOUND[BEGUN].apart(out, 0)
                self._handed_out(handed_out)
                self._work_began(began)
            return job
        if not final or not self._table.first <= number < self._next:
            raise KeyError(number)
        job = self._open[number] = [*self._table.restored(number), number, 0, -1, -1, None]
        job[WORKER] = tuple(self._worker_codes)[job[WORKER] + 1]
        return job

    def _standing(self, number: int) -> tuple[int, int]:
        job = self._open.get(number)
        if job is not None:
            return job[KIND], job[TOKEN]
        if number in self._waiting:
            out = self._at_work.get(number)
            return self._codes[self._waiting[number][5]], 0 if out is None else out[6]
        if not self._table.first <= number < self._next:
            raise KeyError(number)
        return self._table.value(number, KIND), 0

    def _has_ended(self, number: int) -> bool:
        job = self._open.get(number)
        if job is not None:
            return bool(job[FINISHED] >= 0)
        return number not in self._waiting

    def _worker_code(self, worker: str) -> int:
        return self._worker_codes.setdefault(worker, len(self._worker_codes) - 1)

    def _write(self, job: JobList) -> None:
        """Write an open job's row into the table."""
        job[WORKER] = self._worker_code(job[WORKER])
        self._table.write(job[BY_JOB], job[:BY_JOB])

    # -- jobs as the broker sees them -----------------------------------------------------------------------------

    def _submitted(self, row: Row) -> None:
        at, _, _, number, _, state, routine, queue, entry, ordinal, _, _, reasons, origin = row
        kind = self._kinds.get((routine, queue, entry))
        table = self._table
        if number != self._next:
            if self._kinds:
                raise ValueError(f"job {self._next} comes next")
            self._table.begin(number)
        if kind is None:
            kind = self._new_kind((routine, queue, entry))
        if origin:
            if not table.first <= origin < number:
                raise KeyError(origin)
            table.families[number] = table.value(origin, FAMILY)
        self._next = number + 1
        table.make_room(number)
        job = self._opened(number, at, kind, ordinal)
        if _NOT_DUE in reasons:
            job[DUE] = -1
        if state != "queued":
            job[WAITS], job[HELD] = -1, at

    def _new_code(self, key: Shared) -> None:
        kind = self._kinds.get(key[:3])
        self._codes[key] = self._new_kind(key[:3]) if kind is None else kind

    def _new_kind(self, kind: tuple[str, str, str]) -> int:
        self._waits.append(Intervals(array("q"), array("q")))
        self._holds.append(Intervals(array("q"), array("q")))
        return self._kinds.setdefault(kind, len(self._kinds))

    def _place(self, job: JobList, state: str, at: int) -> None:
        """Follow a job into a state: what it leaves behind is an interval of waiting or of being held."""
        waits, held = state == "queued" or state == "requeued", state.endswith("held")
        if waits != (job[WAITS] >= 0):
            if waits:
                job[WAITS] = at
            else:
                self._leave(self._waits, job, WAITS, at)
        if held != (job[HELD] >= 0):
            if held:
                job[HELD] = at
            else:
                self._leave(self._holds, job, HELD, at)

    def _leave(self, intervals: list[Intervals], job: JobList, column: int, at: int) -> None:
        since: int = job[column]
        job[column] = -1
        if since != at:  # a stay of no length is none
            begins, ends = intervals[job[KIND]]
            begins.append(since)
            ends.append(at)

    def _state_changed(self, row: Row) -> None:
        self._place(self._open.get(row[3]) or self._taken_up(row[3]), row[5], row[0])

    def _hold_ended(self, row: Row) -> None:
        job = self._open.get(row[3]) or self._taken_up(row[3])
        if row[6].startswith(_NOT_DUE):
            job[DUE] = row[0]
        self._place(job, row[5], row[0])

    def _handed_out(self, row: Row) -> None:
        at, _, _, number, worker, attempt, token, _, _ = row
        job = self._open.get(number) or self._taken_up(number)
        since = job[WAITS]
        if since >= 0:
            job[WAITS] = -1
            if since != at:
                begins, ends = self._waits[job[KIND]]
                begins.append(since)
                ends.append(at)
        if job[FIRST_OUT] < 0:
            job[FIRST_OUT] = at
        job[ATTEMPTS] = attempt
        job[WORKER] = worker
        job[TOKEN] = token

    def _handed_back(self, row: Row) -> None:
        at, _, _, number, _, state, attempt, _ = row
        job = self._open.get(number) or self._taken_up(number)
        job[TOKEN] = 0
        job[ATTEMPTS] = attempt - 1
        if attempt == 1:
            job[FIRST_OUT] = -1
        self._place(job, state, at)

    def _attempt_ended(self, row: Row) -> None:
        at, _, _, number, worker, _, token, outcome, why = row[:9]
        job = self._open.get(number) or self._taken_up(number)
        if outcome == "lease_lost" and why == WITHDRAWN_BY_PERSON:
            outcome = WITHDRAWN  # a person took it away: nothing was lost, nothing had to be detected
        self._landings.ends(token, worker, outcome)
        self._settle(job, at, worker, token, outcome)

    def _finished(self, row: Row) -> None:
        at, _, _, number, _, state, sub_state, _, attempts = row[:9]
        job = self._open.get(number) or self._taken_up(number)
        job[FINISHED] = at
        job[ATTEMPTS] = attempts
        job[FINAL] = 1 if state == "done" else self._final_code(state, sub_state, reason_of(row))
        if job[WAITS] >= 0 or job[HELD] >= 0:
            self._place(job, state, at)
        if number in self._saved:
            self._book_saved(job, in_vain=state != "done")
        if number not in self._working:  # else its row is written when the work stops
            del self._open[number]
            self._write(job)

    def _final_code(self, state: str, sub_state: str, why: Because) -> int:
        final = FinalState(state, sub_state, why.code, tuple(why.values.items()))
        if len(self._finals) >= _DISTINCT_ENDS and final not in self._finals:
            final = FinalState(state, sub_state, "")
        return self._finals.setdefault(final, len(self._finals))

    # -- the rest -------------------------------------------------------------------------------------------------

    def _run_began(self, row: Row) -> None:
        self._seed = row[5]

    def _factor_drawn(self, row: Row) -> None:
        self._factors[row[5]] = row[6]

    def _submission_repeated(self, _row: Row) -> None:
        self._repeated_submissions += 1

    def _submission_refused(self, row: Row) -> None:
        at, _, _, _, _, routine, queue, entry, ordinal, _ = row[:10]
        self._refused.append(RefusedJob(at, JobKind(routine, queue, entry), ordinal, *reason_of(row)))

    def _stale_refused(self, row: Row) -> None:
        key = (row[3], row[6])
        self._stale[key] = self._stale.get(key, 0) + 1

    def _occurrence_skipped(self, row: Row) -> None:
        self._skipped.append(SkippedOccurrence(row[0], row[5], row[6], row[7]))

    def _fault_began(self, row: Row) -> None:
        at, _, _, _, worker, fault, place, number, target = row
        self._faults_on[place, number, target, worker] = len(self._faults)
        self._faults.append(SeenFault(at, -1, fault, place, worker or target))

    def _fault_ended(self, row: Row) -> None:
        at, _, _, _, worker, _, place, number, target = row
        found = self._faults_on.pop((place, number, target, worker))
        self._faults[found] = self._faults[found]._replace(ended=at)

    def _action_taken(self, row: Row) -> None:
        self._actions.append(SeenAction(row[0], row[5], row[7]))

    def _fault_missed(self, row: Row) -> None:
        at, _, cause, _, worker, fault, place, number, target, why = row[:10]
        if cause:  # it began, and nothing else has begun since
            del self._faults[self._faults_on.pop((place, number, target, worker))]
        self._faults_missed.append(MissedFault(at, fault, place, target, why))
