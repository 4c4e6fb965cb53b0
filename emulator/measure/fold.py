"""How do events become a night? One pass over the rows, in their order, each row looked at once.

The law: nothing here reads a live object: what the fold knows, it knows from events. This is on the hot path. Nearly
every job is submitted, waits, is handed out and begun in one go, and in one go stops, ends well and is done; such a
job is one small tuple while it waits and while it is at work, and is written once. ``_reading`` reads exactly these
jobs; as soon as anything else is told of a job, ``Jobs`` takes it up, and its methods read all that follows, event by
event. What they would come to is what ``_reading`` writes: no figure tells by which of the two a job was read.

Tried and dropped: to gather rows and to read some hundred at a time. Each row is then touched twice, and what follows
the last one is not there to be seen.
"""

from collections import deque
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from contextlib import suppress
from itertools import count
from typing import Final

from emulator.errors import DefectError
from emulator.measure.executions import HELD, TOKEN, WAITS
from emulator.measure.jobs import Jobs
from emulator.measure.night import (
    DONE,
    IN_PROGRESS,
    KIND,
    WORKER,
    Cell,
    JobKind,
    Night,
)
from emulator.measure.table import AT_A_TIME, PACK, ROW
from emulator.record.events import Row

__all__ = ["NightFold"]

_END: Final[Row] = (0, "", 0, 0, "")
"""Follows the last row, so that what was kept back until it is seen what follows is read."""
_WELL: Final = ("ok",)
"""The outcome that follows job, worker, attempt and token where an attempt ended well."""


class _Tally:
    """The ordinary jobs of one kind that one worker did: how many, the ticks executed, and the worker's code."""

    __slots__ = ("attempts", "executed", "worker")

    def __init__(self, worker: int) -> None:
        self.attempts = 0
        self.executed = 0
        self.worker = worker


class NightFold(Jobs):
    """Folds rows of events into a ``Night``, as they come or all at once; a sink for events, too.

    Args:
        horizon: the tick at which the run ends.
        pools: worker -> pool.
        slots: worker -> slots, where a worker has more than one.
        takes_slots: routine -> slots that a job of it takes, where that is more than one.
        occurrences: recurring arrival entry -> the tick at which each occurrence is due, by ordinal.
        offered_load: pool -> the stated load, in workers' worth of work.
        planned_on: pool -> ticks for which its workers are meant to be on, added up.

    Attributes:
        emit: takes the next row and gives its number, counted from 1. That the row cannot follow the rows before it
            may be told with the next row, or when the fold is closed.
        events: how many rows the fold has taken, when it is closed.

    Raises:
        DefectError: for a row that cannot follow the rows before it.

    >>> fold = NightFold(10_000_000, pools={"dome-1": "dome"})
    >>> fold.emit((0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0))
    1
    >>> fold.feed((2_000_000, "handed_out", 1, 1, "dome-1", 1, 1, 92_000_000, 1))
    >>> night = fold.close(); len(night), night.name_of(1), fold.events
    (1, 'plates#1', 2)
    """

    def __init__(
        self,
        horizon: int,
        *,
        pools: Mapping[str, str] | None = None,
        slots: Mapping[str, int] | None = None,
        takes_slots: Mapping[str, int] | None = None,
        occurrences: Mapping[str, Sequence[int]] | None = None,
        offered_load: Mapping[str, float] | None = None,
        planned_on: Mapping[str, int] | None = None,
    ) -> None:
        super().__init__()
        self._horizon = horizon
        self._pools = dict(pools or {})
        self._slots = dict(slots or {})
        self._takes_slots = dict(takes_slots or {})
        self._occurrences = {entry: tuple(ticks) for entry, ticks in (occurrences or {}).items()}
        self._offered_load = dict(offered_load or {})
        self._planned_on = dict(planned_on or {})
        self._tallies: dict[tuple[int, str], _Tally] = {}
        self._numbers = count(1)
        self._closed = False
        self.events = 0
        reading = self._reading()
        next(reading)
        self.emit: Final[Callable[[Row], int]] = reading.send

    def feed(self, row: Row) -> None:
        """Take the next row of the stream, like ``emit``."""
        self.emit(row)

    def feed_all(self, rows: Iterable[Row]) -> None:
        """Take the next rows of the stream, in their order; kinds that no figure needs are passed over."""
        deque(map(self.emit, rows), maxlen=0)

    def _reading(self) -> Generator[int, Row, None]:
        """Read what is sent, each row answered by its number.

        A hand-out and the end of work are kept back until it is seen whether the usual follows: then they are read
        together with it. Else they are read by themselves, and what came in its place is the next row. A generator,
        because what it knows of a row while it waits for the next stays in its own variables.
        """
        row: Row = _END
        try:
            numbers, handlers = self._numbers, self._handlers()
            waiting, at_work, table = self._waiting, self._at_work, self._table
            kinds, tallies = self._kinds, self._tallies
            row = yield 0
            while True:
                kind = row[1]
                if kind == "work_stopped" and (work := at_work.pop(row[3], None)) is not None:
                    ended = yield next(numbers)
                    (at, code, ordinal), out, began = work
                    who = row[3:7]  # the job, the worker, the attempt and the token
                    if ended[1] == "attempt_ended" and ended[3:8] == who + _WELL and began[3:7] == who:
                        finished = yield next(numbers)
                        number = row[3]
                        if finished[3:6] == (number, "", "done"):  # nothing but "finished" tells of that state
                            ran = row[0] - began[0]
                            tally = tallies.get((code, row[4])) or self._tally(code, row[4])
                            tally.attempts += 1
                            tally.executed += ran
                            # fmt: off
                            PACK(
                                table.rows, (number - table.first) * ROW,
                                at, at, out[0], finished[0], ran, code, ordinal, finished[8], tally.worker, DONE, 1,
                            )
                            # fmt: on
                            row = yield next(numbers)
                            continue
                        unread, follows = [row, ended], finished
                    else:
                        unread, follows = [row], ended
                    at_work[row[3]] = work
                    for row in unread:
                        handlers[row[1]](row)
                    row = follows
                    continue
                if kind == "handed_out" and (told := waiting.pop(row[3], None)) is not None:
                    begun = yield next(numbers)
                    if begun[1] == "work_began" and begun[3:7] == row[3:7]:
                        at_work[row[3]] = told, row, begun
                        row = yield next(numbers)
                    else:
                        waiting[row[3]] = told
                        handlers[kind](row)
                        row = begun
                    continue
                # queued: nothing holds it; not resubmitted for another job
                if kind == "submitted" and row[3] == self._next and row[5] == "queued" and not row[13]:
                    number = row[3]
                    known = kinds.get(row[6:9])
                    waiting[number] = row[0], self._new_kind(row[6:9]) if known is None else known, row[9]
                    self._next = number + 1
                    if not number % AT_A_TIME:
                        table.make_room(number)
                elif (handler := handlers.get(kind)) is not None:
                    handler(row)
                elif row is _END:
                    return
                row = yield next(numbers)
        except (KeyError, IndexError, ValueError) as error:
            self._closed = True
            raise DefectError(f"this event cannot follow the events before it: {row!r} ({error!r})") from error

    def _tally(self, kind: int, worker: str) -> _Tally:
        tally = self._tallies[kind, worker] = _Tally(self._worker_code(worker))
        return tally

    def close(self, at: int | None = None) -> Night:
        """End the fold at a tick (default: the horizon) and give the night; what is unfinished is cut off there.

        Raises:
            DefectError: when the fold has been closed before, or a row could not follow those before it.
        """
        if self._closed:
            raise DefectError("this fold is closed: make a new one and feed it the whole stream")
        with suppress(StopIteration):  # there is no answer to it
            self.emit(_END)
        self._closed = True
        self.events = next(self._numbers) - 1
        horizon = self._horizon if at is None else at
        for number in (*self._waiting, *self._at_work):
            self._taken_up(number)
        self._open = dict(sorted(self._open.items()))
        for (kind, worker), tally in self._tallies.items():
            cell = self._cell(kind, worker, "ok")
            cell[0] += tally.attempts
            cell[1] += tally.executed
        on_time = self._end_of_executions(horizon)
        for job in self._open.values():
            if job[TOKEN]:
                self._cell(job[KIND], job[WORKER], IN_PROGRESS)[0] += 1
            if job[WAITS] >= 0:
                self._waits[job[KIND]].begins.append(job[WAITS])
            if job[HELD] >= 0:
                self._holds[job[KIND]].begins.append(job[HELD])
            self._write(job)
        self._open.clear()
        self._table.cut(self._next)
        kinds = tuple(JobKind(*kind) for kind in self._kinds)
        return Night(
            horizon=horizon,
            seed=self._seed,
            factors=dict(self._factors),
            table=self._table,
            kinds=kinds,
            finals=tuple(self._finals),
            workers=tuple(self._worker_codes)[1:],
            pools=self._pools,
            slots=self._slots,
            takes_slots=self._takes_slots,
            on_time=on_time,
            cells={key: Cell(*cell) for key, cell in self._cells.items()},
            waits=tuple(self._waits),
            held=tuple(self._holds),
            overlap=self._overlap,
            detections=tuple(self._detections),
            undetected=tuple(self._undetected),
            lost=tuple(self._lost),
            stale=self._stale,
            landed=self._landed,
            refused_effects=self._refused_effects,
            late=self._late,
            after_end=self._after_end,
            calls=self._calls,
            repeats=self._repeats(),
            shared=self._shared(),
            silences=self._end_of_silences(horizon),
            results=self._landings.results(self._table, [kind.entry for kind in kinds], DONE),
            refused=tuple(self._refused),
            repeated_submissions=self._repeated_submissions,
            skipped=tuple(self._skipped),
            faults=tuple(self._faults),
            faults_missed=tuple(self._faults_missed),
            actions=tuple(self._actions),
            occurrences=self._occurrences,
            offered_load=self._offered_load,
            planned_on=self._planned_on,
        )
