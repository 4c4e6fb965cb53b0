"""Folds events into a night in one pass over the rows, in their order, each row looked at once.

The law: nothing here reads a live object: what the fold knows, it knows from events. This is on the hot path. Of nearly
every job three compound rows tell all: it came, it was handed out and begun, it stopped and was done. ``feed_all``
reads those itself, and keeps of a job no more than its last rows until it is done and is written. As soon as anything
else is told of a job, ``Jobs`` takes it up, and its methods read all that follows, event by event. What they would come
to is what ``feed_all`` writes: no figure tells by which of the two a job was read.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from typing import Final

from emulator.errors import DefectError
from emulator.measure.ages import AT_A_TIME, PACK, ROW
from emulator.measure.executions import HELD, TOKEN, WAITS, Shared
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
from emulator.record.events import Row, events_of
from emulator.record.kinds import BEGUN, COMPOUND, ENDED_WELL, QUEUED

__all__ = ["NightFold"]

_NOTHING: Final[Row] = (0, "", 0, 0, "")
"""Stands for a row as long as none was read."""


class _Tally:
    """The ordinary jobs of one kind that one worker did: how many, the ticks executed, and the codes of both."""

    __slots__ = ("attempts", "executed", "kind", "worker")

    def __init__(self, kind: int, worker: int) -> None:
        self.attempts = 0
        self.executed = 0
        self.kind = kind
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
        events: how many events the fold has taken.

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
        self._tallies: dict[tuple[Shared, str], _Tally] = {}
        self._handler = {**self._handlers(), **dict.fromkeys(COMPOUND, self._read_apart)}
        self._closed = False
        self.events = 0

    def emit(self, row: Row) -> int:
        """Take the next row and give its number: for a compound one, that of its last event."""
        self.feed_all((row,))
        return self.events

    def feed(self, row: Row) -> None:
        """Take the next row of the stream."""
        self.feed_all((row,))

    def feed_all(self, rows: Iterable[Row]) -> None:
        """Take the next rows of the stream, in their order; kinds that no figure needs are passed over."""
        following = iter(rows)
        while some := list(islice(following, AT_A_TIME)):
            self._feed(some)

    def _feed(self, rows: Sequence[Row]) -> None:
        waiting, at_work, codes, tallies = self._waiting, self._at_work, self._codes, self._tallies
        table, coming = self._table, self._next
        table.make_room(coming + len(rows))  # for as many jobs as there can be
        places, first, handlers = table.rows, table.first, self._handler
        row = _NOTHING
        try:
            for row in rows:
                kind = row[1]
                if kind == ENDED_WELL:
                    number = row[3]
                    if number in at_work:
                        began, came = at_work.pop(number)[0], waiting.pop(number)
                        at, now, key = came[0], row[0], (came[5], row[4])
                        ran = now - began
                        tally = tallies.get(key) or self._tally(key)
                        tally.attempts += 1
                        tally.executed += ran
                        # fmt: off
                        PACK(
                            places, (number - first) * ROW,
                            at, at, began, now, ran, tally.kind, came[6], row[5], tally.worker, DONE, 1,
                        )
                        # fmt: on
                        continue
                elif kind == BEGUN:
                    if row[3] in waiting:
                        at_work[row[3]] = row
                        continue
                elif kind == QUEUED:
                    number = row[3]
                    if number == coming:
                        if row[5] not in codes:
                            self._new_code(row[5])
                        waiting[number] = row
                        coming = number + 1
                        continue
                handler = handlers.get(kind)
                if handler is None:
                    continue
                self._next = coming
                handler(row)
                if self._next != coming:
                    coming, first = self._next, table.first
                    table.make_room(coming + len(rows))
        except (KeyError, IndexError, ValueError) as error:
            self._closed = True
            raise DefectError(f"this event cannot follow the events before it: {row!r} ({error!r})") from error
        self._next = coming
        self.events += events_of(rows)

    def _read_apart(self, row: Row) -> None:
        """Read the events of a compound row, each by itself."""
        for one in COMPOUND[row[1]].apart(row, 0):
            self._handler[one[1]](one)

    def _tally(self, key: tuple[Shared, str]) -> _Tally:
        tally = self._tallies[key] = _Tally(self._codes[key[0]], self._worker_code(key[1]))
        return tally

    def close(self, at: int | None = None) -> Night:
        """End the fold at a tick (default: the horizon) and give the night; what is unfinished is cut off there.

        Raises:
            DefectError: when the fold has been closed before, or a row could not follow those before it.
        """
        if self._closed:
            raise DefectError("this fold is closed: make a new one and feed it the whole stream")
        self._closed = True
        horizon = self._horizon if at is None else at
        for number in (*self._waiting,):
            self._taken_up(number)
        self._open = dict(sorted(self._open.items()))
        for (_, worker), tally in self._tallies.items():
            cell = self._cell(tally.kind, worker, "ok")
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
