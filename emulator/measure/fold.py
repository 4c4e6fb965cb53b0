"""How do events become a night? One pass over the rows, in their order, each row looked at once.

The law: this is on the hot path, so a row costs one dictionary look-up and a short method; a job in progress is one
list, and when it has ended its row goes into a typed array. Nothing here reads a live object: what the fold knows, it
knows from events. The broker's view (who holds a lease, how an attempt ended) is followed here; what workers really do
is followed by ``Executions`` and what they leave behind by ``Effects``, which this class extends.

Tried and dropped: counters that follow every change of the backlog (the peak inside one instant, while a burst is
handed over, is no backlog that anybody sees); intervals are kept instead and merged when a figure asks for them.
"""

from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from struct import Struct
from typing import Final

from emulator.errors import DefectError
from emulator.measure.effects import Effects
from emulator.measure.executions import (
    BEFORE,
    BEGAN,
    BY,
    ENDED,
    EXECUTED,
    HELD,
    STOPPED,
    TOKEN,
    WAITS,
    JobList,
)
from emulator.measure.night import (
    ATTEMPTS,
    DUE,
    FAMILY,
    FINAL,
    FINISHED,
    FIRST_OUT,
    IN_PROGRESS,
    KIND,
    NUMBER,
    RUN,
    WIDTH,
    WITHDRAWN,
    WORKER,
    FinalState,
    Intervals,
    JobKind,
    MissedFault,
    Night,
    RefusedJob,
    SkippedOccurrence,
)
from emulator.record.events import Row

__all__ = ["NightFold"]

_NOT_DUE: Final = "not due"
"""The reason for which a job is held until its time comes."""
_DISTINCT_ENDS: Final = 10_000
"""So many different reasons of failure are kept in their own words; the rest keep state and sub-state."""

_NUMBER: Final = Struct("q")
_FIELDS: Final = Struct(f"{WIDTH}q")
_PACK: Final = _FIELDS.pack_into
_ROW: Final = _FIELDS.size
_AT_A_TIME: Final = 1024
"""The table grows by so many rows."""


class NightFold(Effects):
    """Folds rows of events into a ``Night``, as they come or all at once.

    Args:
        horizon: the tick at which the run ends.
        pools: worker -> pool.
        slots: worker -> slots, where a worker has more than one.
        occurrences: recurring arrival entry -> the tick at which each occurrence is due, by ordinal.
        offered_load: pool -> the stated load, in workers' worth of work.

    Raises:
        DefectError: by ``feed``, for a row that cannot follow the rows before it.

    >>> fold = NightFold(10_000_000, pools={"dome-1": "dome"})
    >>> fold.feed((0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0))
    >>> fold.feed((2_000_000, "handed_out", 1, 1, "dome-1", 1, 1, 92_000_000, 1))
    >>> night = fold.close(); len(night), night.name_of(1)
    (1, 'plates#1')
    """

    def __init__(
        self,
        horizon: int,
        *,
        pools: Mapping[str, str] | None = None,
        slots: Mapping[str, int] | None = None,
        occurrences: Mapping[str, Sequence[int]] | None = None,
        offered_load: Mapping[str, float] | None = None,
    ) -> None:
        super().__init__()
        self._horizon = horizon
        self._pools = dict(pools or {})
        self._slots = dict(slots or {})
        self._occurrences = {entry: tuple(ticks) for entry, ticks in (occurrences or {}).items()}
        self._offered_load = dict(offered_load or {})
        self._seed: int | None = None
        self._first = 0
        self._next = 0
        self._kinds: dict[tuple[str, str, str], int] = {}
        self._finals: dict[tuple[str, str, str], int] = {("unfinished", "", ""): 0, ("done", "", ""): 1}
        self._worker_codes: dict[str, int] = {"": -1}
        self._waiting: list[Intervals] = []
        self._holding: list[Intervals] = []
        self._stale: dict[tuple[int, str], int] = {}
        self._refused: list[RefusedJob] = []
        self._repeated_submissions = 0
        self._skipped: list[SkippedOccurrence] = []
        self._faults_missed: list[MissedFault] = []
        self._closed = False
        self._handlers: dict[str, Callable[[Row], None]] = {
            "run_began": self._run_began,
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
            "fault_missed": self._fault_missed,
            **self._worker_handlers(),
            **self._effect_handlers(),
        }

    def feed(self, row: Row) -> None:
        """Take the next row of the stream."""
        self.feed_all((row,))

    def feed_all(self, rows: Iterable[Row]) -> None:
        """Take the next rows of the stream, in their order; kinds that no figure needs are passed over."""
        handler_of = self._handlers.get
        row: Row = ()
        try:
            for row in rows:
                handler = handler_of(row[1])
                if handler is not None:
                    handler(row)
        except (KeyError, IndexError, ValueError) as error:
            raise DefectError(f"this event cannot follow the events before it: {row!r} ({error!r})") from error

    def close(self, at: int | None = None) -> Night:
        """End the fold at a tick (default: the horizon) and give the night; what is unfinished is cut off there.

        Raises:
            DefectError: when the fold has been closed before.
        """
        if self._closed:
            raise DefectError("this fold is closed: make a new one and feed it the whole stream")
        self._closed = True
        horizon = self._horizon if at is None else at
        on_time = self._end_of_executions(horizon)
        for job in self._open.values():
            if job[TOKEN]:
                self._cell(job[KIND], job[WORKER], IN_PROGRESS)[0] += 1
            if job[WAITS] >= 0:
                self._waiting[job[KIND]].begins.append(job[WAITS])
            if job[HELD] >= 0:
                self._holding[job[KIND]].begins.append(job[HELD])
            self._write(job)
        self._open.clear()
        return Night(
            horizon=horizon,
            seed=self._seed,
            first=self._first,
            table=array("q", bytes(memoryview(self._rows)[: (self._next - self._first) * _ROW])),
            kinds=tuple(JobKind(*kind) for kind in self._kinds),
            finals=tuple(FinalState(*final) for final in self._finals),
            workers=tuple(self._worker_codes)[1:],
            pools=self._pools,
            slots=self._slots,
            on_time=on_time,
            cells=self._all_cells(),
            waiting=tuple(self._waiting),
            held=tuple(self._holding),
            overlap=self._overlap,
            detections=tuple(self._detections),
            undetected=tuple(self._undetected),
            lost_at_work=self._lost_at_work,
            stale=self._stale,
            landed=self._landed,
            refused_effects=self._refused_effects,
            late=self._late,
            repeats=self._repeats(),
            shared=self._shared(),
            refused=tuple(self._refused),
            repeated_submissions=self._repeated_submissions,
            skipped=tuple(self._skipped),
            faults_missed=tuple(self._faults_missed),
            occurrences=self._occurrences,
            offered_load=self._offered_load,
        )

    # -- jobs as the broker sees them -----------------------------------------------------------------------------

    def _submitted(self, row: Row) -> None:
        at, _, _, number, _, state, routine, queue, entry, ordinal, _, _, reasons, origin = row
        code = self._kinds.get((routine, queue, entry))
        if code is None:
            code = self._kinds[routine, queue, entry] = len(self._kinds)
            self._waiting.append(Intervals(array("q"), array("q")))
            self._holding.append(Intervals(array("q"), array("q")))
            self._went_well.append({})
        if number != self._next:
            if self._next:
                raise ValueError(f"job {self._next} comes next")
            self._first = number
        self._next = number + 1
        family = self._read(origin, FAMILY) if origin else number
        due = -1 if reasons and _NOT_DUE in reasons else at
        waits, held = (at, -1) if state == "queued" else (-1, at)
        # fmt: off
        self._open[number] = [
            number, code, ordinal, at, due, -1, -1, 0, 0, -1, "", family, 0,
            0, waits, held, None,
        ]
        # fmt: on

    def _place(self, job: JobList, state: str, at: int) -> None:
        """Follow a job into a state: what it leaves behind is an interval of waiting or of being held."""
        waits, held = state == "queued" or state == "requeued", state.endswith("held")
        if waits != (job[WAITS] >= 0):
            if waits:
                job[WAITS] = at
            else:
                self._leave(self._waiting, job, WAITS, at)
        if held != (job[HELD] >= 0):
            if held:
                job[HELD] = at
            else:
                self._leave(self._holding, job, HELD, at)

    def _leave(self, intervals: list[Intervals], job: JobList, column: int, at: int) -> None:
        since: int = job[column]
        job[column] = -1
        if since != at:  # a stay of no length is none
            begins, ends = intervals[job[KIND]]
            begins.append(since)
            ends.append(at)

    def _state_changed(self, row: Row) -> None:
        self._place(self._open[row[3]], row[5], row[0])

    def _hold_ended(self, row: Row) -> None:
        job = self._open[row[3]]
        if row[6].startswith(_NOT_DUE):
            job[DUE] = row[0]
        self._place(job, row[5], row[0])

    def _handed_out(self, row: Row) -> None:
        at, _, _, number, worker, attempt, token, _, _ = row
        job = self._open[number]
        since = job[WAITS]
        if since >= 0:
            job[WAITS] = -1
            if since != at:
                begins, ends = self._waiting[job[KIND]]
                begins.append(since)
                ends.append(at)
        if job[FIRST_OUT] < 0:
            job[FIRST_OUT] = at
        job[ATTEMPTS] = attempt
        job[WORKER] = worker
        job[TOKEN] = token

    def _handed_back(self, row: Row) -> None:
        at, _, _, number, _, state, attempt, _ = row
        job = self._open[number]
        job[TOKEN] = 0
        job[ATTEMPTS] = attempt - 1
        if attempt == 1:
            job[FIRST_OUT] = -1
        self._place(job, state, at)

    def _attempt_ended(self, row: Row) -> None:
        at, _, _, number, worker, _, token, outcome, why, _ = row
        job = self._open[number]
        run = job[STOPPED]
        if outcome == "ok" and run is not None and run[BEFORE] is None and run[BY] == worker:
            cell = self._went_well[job[KIND]].get(worker)
            if cell is not None and number not in self._working:  # nearly always: what _settle does, in few steps
                cell[0] += 1
                cell[1] += run[EXECUTED]
                job[RUN] = run[ENDED] - run[BEGAN]
                job[TOKEN] = 0
                job[STOPPED] = None
                return
        if outcome == "lease lost" and why == "withdrawn":
            outcome = WITHDRAWN  # a person took it away: nothing was lost, nothing had to be detected
        self._settle(job, at, worker, token, outcome)

    def _finished(self, row: Row) -> None:
        at, _, _, number, _, state, sub_state, why, attempts = row
        job = self._open[number]
        job[FINISHED] = at
        job[ATTEMPTS] = attempts
        job[FINAL] = 1 if state == "done" else self._final_code(state, sub_state, why)
        if job[WAITS] >= 0 or job[HELD] >= 0:
            self._place(job, state, at)
        if number not in self._working:  # else its row is written when the work stops
            del self._open[number]
            self._write(job)

    def _final_code(self, state: str, sub_state: str, why: str) -> int:
        if len(self._finals) >= _DISTINCT_ENDS and (state, sub_state, why) not in self._finals:
            why = ""
        return self._finals.setdefault((state, sub_state, why), len(self._finals))

    def _write(self, job: JobList) -> None:
        """Write an open job's row into the table."""
        worker = job[WORKER]
        code = self._worker_codes.get(worker)
        if code is None:
            code = self._worker_codes[worker] = len(self._worker_codes) - 1
        job[WORKER] = code
        place = (job[NUMBER] - self._first) * _ROW
        if place >= len(self._rows):
            self._rows.extend(bytes(place - len(self._rows) + _ROW * _AT_A_TIME))
        _PACK(self._rows, place, *job[:WIDTH])

    def _read(self, number: int, column: int) -> int:
        """Give one number of a job's row, open or written."""
        job = self._open.get(number)
        if job is not None:
            value: int = job[column]
            return value
        if not self._first <= number < self._next:
            raise KeyError(number)
        return _NUMBER.unpack_from(self._rows, (number - self._first) * _ROW + column * _NUMBER.size)[0]  # type: ignore[no-any-return]  # struct gives Any

    def _reopen(self, number: int) -> JobList:
        """Take up a job again that is final: a worker begins it late, on a lease that is over."""
        worker = self._read(number, WORKER)  # refuses a job that never was
        job: JobList = [*_FIELDS.unpack_from(self._rows, (number - self._first) * _ROW), 0, -1, -1, None]
        job[WORKER] = tuple(self._worker_codes)[worker + 1]
        self._open[number] = job
        return job

    # -- the rest -------------------------------------------------------------------------------------------------

    def _run_began(self, row: Row) -> None:
        self._seed = row[5]

    def _submission_repeated(self, _row: Row) -> None:
        self._repeated_submissions += 1

    def _submission_refused(self, row: Row) -> None:
        at, _, _, _, _, routine, queue, entry, ordinal, why = row
        self._refused.append(RefusedJob(at, JobKind(routine, queue, entry), ordinal, why))

    def _stale_refused(self, row: Row) -> None:
        key = (row[3], row[6])
        self._stale[key] = self._stale.get(key, 0) + 1

    def _occurrence_skipped(self, row: Row) -> None:
        self._skipped.append(SkippedOccurrence(row[0], row[5], row[6], row[7]))

    def _fault_missed(self, row: Row) -> None:
        at, _, _, _, _, fault, place, _, target, why = row
        self._faults_missed.append(MissedFault(at, fault, place, target, why))
