"""The half of the fold that follows workers: what they really execute, when, and for how long.

An execution runs from ``work_began`` to ``work_stopped``; the time in which it stands still (frozen, suspended) is not
executed. Most jobs have one execution at a time. Zombies and double hand-outs make more: they hang together as a
chain, newest first, and the time in which two or more of a chain advance at once is the job's overlap.
"""

from collections.abc import Callable, Iterator
from typing import Any, Final

from emulator.measure.ages import STORED, JobTable, Landings
from emulator.measure.night import (
    AFTER_ITS_END,
    DONE,
    FINAL,
    FINISHED,
    HEALTHY,
    IN_PROGRESS,
    KEPT,
    KIND,
    NOT_KNOWN,
    RUN,
    SECOND_HAND_OUT,
    LostLease,
    Silence,
)
from emulator.record.events import Row
from emulator.record.reasons import NOT_BY_PLAN

__all__ = ["BY_JOB", "HELD", "OUT_STATES", "STOPPED", "TOKEN", "WAITS", "Executions", "JobList", "Shared"]

JobList = list[Any]
"""An open job: what the table stores of it (the worker by name), then what only an open job has."""

BY_JOB: Final = STORED  # the job's number
TOKEN: Final = STORED + 1  # of the lease that the broker holds to be valid; 0: none
WAITS: Final = STORED + 2  # since when it is queued or requeued; -1: it is not
HELD: Final = STORED + 3  # since when it is held; -1: it is not
STOPPED: Final = STORED + 4  # the chain of executions under TOKEN that have stopped, while the outcome is on its way

Shared = tuple[str, str, str, int]
"""What ordinary jobs share: routine, queue, entry and priority."""

# An execution is a list too.
Execution = list[Any]
_SINCE: Final = 0  # it advances since then; -1: it stands still
BEGAN: Final = 1
BY: Final = 2
_UNDER: Final = 3  # the token
EXECUTED: Final = 4
_OUT: Final = 5  # since when its worker is off, frozen or cut off, or the work has stopped; -1: at work
_OUTCOME: Final = 6  # how its attempt ended, told while it is still executed; None: not yet
BEFORE: Final = 7  # the next of the chain
ENDED: Final = 8
_PARTS: Final = 9  # what it had executed when it finished its last part
_SAVED: Final = 10  # what it executed of parts that a later attempt need not repeat

_NEVER_SILENT: Final = Silence(0, 0)

OUT_STATES: Final = ("off", "frozen", "cut_off")


class Executions:
    """Follows workers and what they execute; ``NightFold`` adds the jobs."""

    def __init__(self) -> None:
        self._open: dict[int, JobList] = {}
        self._table = JobTable()
        self._at_work: dict[int, Row] = {}  # by ordinary job: the compound row by which it was handed out and begun
        self._working: dict[int, Execution] = {}
        self._cells: dict[tuple[int, str, str], list[int]] = {}
        self._saved: dict[int, list[tuple[str, str, int]]] = {}  # by unfinished job: worker, outcome, ticks
        self._overlapping: dict[int, int] = {}
        self._overlap: dict[int, int] = {}
        self._detections: list[tuple[int, str, int]] = []
        self._undetected: list[tuple[int, str, int]] = []
        self._lost: list[LostLease] = []
        self._on_since: dict[str, int] = {}
        self._on_time: dict[str, int] = {}
        self._out_since: dict[str, int] = {}
        self._landings = Landings()
        self._heard: dict[str, int] = {}
        self._silences: dict[str, Silence] = {}
        self._has_heartbeats = False

    def _taken_up(self, number: int, *, final: bool = False) -> JobList:
        """Give a record to a job that was an ordinary one so far, or (late work begins) that is final already."""
        raise NotImplementedError

    def _write(self, job: JobList) -> None:
        raise NotImplementedError

    def _worker_handlers(self) -> dict[str, Callable[[Row], None]]:
        return {
            "work_began": self._work_began,
            "part_finished": self._part_finished,
            "work_stopped": self._work_stopped,
            "work_paused": self._stands_still,
            "work_continued": self._goes_on,
            "suspended": self._stands_still,
            "resumed": self._goes_on,
            "worker_changed": self._worker_changed,
            "worker_registered": self._registered,
            "heartbeat_received": self._heartbeat_received,
            "worker_signed_off": self._signed_off,
        }

    def _cell(self, kind: int, worker: str, outcome: str) -> list[int]:
        return self._cells.setdefault((kind, worker, outcome), [0, 0])

    # -- executions -----------------------------------------------------------------------------------------------

    def _work_began(self, row: Row) -> None:
        at, _, _, number, worker, _, token = row
        self._landings.begins(token, worker, at)
        if number not in self._open:
            self._taken_up(number, final=True)
        before = self._working.get(number)
        self._working[number] = [at, at, worker, token, 0, -1, None, before, -1, 0, 0]
        if before is not None:
            self._count_again(number, at)

    def _work_stopped(self, row: Row) -> None:
        at, _, _, number, worker, _, token = row[:7]
        job = self._open.get(number) or self._taken_up(number)
        run = self._working[number]
        if run[BEFORE] is None and run[_UNDER] == token and run[BY] == worker:
            del self._working[number]
        else:
            run = self._unlink(number, worker, token)
            self._count_again(number, at)
        if run[_SINCE] >= 0:
            run[EXECUTED] += at - run[_SINCE]
        if job[TOKEN] == token and run[_OUTCOME] is None:
            run[ENDED] = at
            if run[_OUT] < 0:
                run[_OUT] = at
            run[BEFORE] = job[STOPPED]
            job[STOPPED] = run
            return
        self._book(job, run, run[_OUTCOME] or AFTER_ITS_END)
        if run[_OUTCOME] == "ok":
            job[RUN] = at - run[BEGAN]
        if job[FINISHED] >= 0 and number not in self._working:
            del self._open[number]
            self._write(job)

    def _settle(self, job: JobList, at: int, worker: str, token: int, outcome: str) -> None:
        """Book an attempt that ended: its outcome, and what was executed under its token."""
        cell = self._cell(job[KIND], worker, outcome)
        cell[0] += 1
        job[TOKEN] = 0
        run = job[STOPPED]
        own: Execution | None = None
        if run is not None:
            job[STOPPED] = None
            for stopped in _chain(run):
                if stopped[BY] == worker:
                    own = stopped
                    self._book(job, stopped, outcome)
                    if outcome == "ok":
                        job[RUN] = stopped[ENDED] - stopped[BEGAN]
                else:
                    self._book(job, stopped, SECOND_HAND_OUT)
        run = self._working.get(job[BY_JOB])
        if run is not None:  # it learns of its end later
            for working in _chain(run):
                if working[_UNDER] == token:
                    working[_OUTCOME] = outcome if working[BY] == worker else SECOND_HAND_OUT
                    own = working if working[BY] == worker else own
        if outcome == "lease_lost":
            out = own[_OUT] if own is not None else self._out_since.get(worker)
            delay = NOT_KNOWN if out is None else HEALTHY if out < 0 else at - out
            self._lost.append(LostLease(at, job[BY_JOB], worker, delay))
            if delay >= 0:
                self._detections.append((job[KIND], worker, delay))

    def _part_finished(self, row: Row) -> None:
        """Note what of an execution stays done, if its job is: parts finished under a lease that is good."""
        number, worker, token, kept = row[3], row[4], row[6], row[9]
        self._landings.goes_on(token, worker, row[0])
        if not kept and number not in self._open:
            return  # none of its parts was kept so far
        job = self._open.get(number) or self._taken_up(number)
        for run in _chain(self._working[number]):
            if run[_UNDER] == token and run[BY] == worker:
                executed = run[EXECUTED] + (row[0] - run[_SINCE] if run[_SINCE] >= 0 else 0)
                if kept and job[TOKEN] == token:
                    run[_SAVED] += executed - run[_PARTS]
                run[_PARTS] = executed

    def _book(self, job: JobList, run: Execution, outcome: str) -> None:
        """Add what was executed to its cell; what need not be repeated, once it is known whether the job is done."""
        executed, saved = run[EXECUTED], run[_SAVED]
        if saved and outcome != "ok":
            executed -= saved
            if job[FINISHED] < 0:
                self._saved.setdefault(job[BY_JOB], []).append((run[BY], outcome, saved))
            else:
                self._cell(job[KIND], run[BY], KEPT if job[FINAL] == DONE else outcome)[1] += saved
        self._cell(job[KIND], run[BY], outcome)[1] += executed

    def _book_saved(self, job: JobList, *, in_vain: bool) -> None:
        for worker, outcome, ticks in self._saved.pop(job[BY_JOB], ()):
            self._cell(job[KIND], worker, outcome if in_vain else KEPT)[1] += ticks

    def _unlink(self, number: int, worker: str, token: int) -> Execution:
        """Take one execution out of its job's chain of several."""
        after: Execution | None = None
        for run in _chain(self._working[number]):
            if run[_UNDER] == token and run[BY] == worker:
                if after is not None:
                    after[BEFORE] = run[BEFORE]
                else:
                    self._working[number] = run[BEFORE]
                return run
            after = run
        raise ValueError(f"{worker} does not execute job {number} under token {token}")

    def _stands_still(self, row: Row) -> None:
        if row[3] in self._at_work:
            self._taken_up(row[3])
        for run in _chain(self._working.get(row[3])):
            if run[_UNDER] == row[5] and run[_SINCE] >= 0 and row[4] in (run[BY], ""):
                run[EXECUTED] += row[0] - run[_SINCE]
                run[_SINCE] = -1
        self._count_again(row[3], row[0])

    def _goes_on(self, row: Row) -> None:
        for run in _chain(self._working.get(row[3])):
            if run[_UNDER] == row[5] and run[_SINCE] < 0 and row[4] in (run[BY], ""):
                run[_SINCE] = row[0]
        self._count_again(row[3], row[0])

    def _count_again(self, number: int, at: int) -> None:
        """Let an overlap begin or end, after an execution of the job began, stopped, stood still or went on."""
        advancing = 0
        for run in _chain(self._working.get(number)):
            advancing += run[_SINCE] >= 0
        if advancing >= 2:
            self._overlapping.setdefault(number, at)
        elif number in self._overlapping:
            since = self._overlapping.pop(number)
            if at > since:
                self._overlap[number] = self._overlap.get(number, 0) + at - since

    # -- workers --------------------------------------------------------------------------------------------------

    def _worker_changed(self, row: Row) -> None:
        at, worker, state = row[0], row[4], row[5]
        if state == "off" and row[6] not in NOT_BY_PLAN:
            self._signed_off(row)
        self._on_time.setdefault(worker, 0)
        if state == "off":
            since = self._on_since.pop(worker, at)
            self._on_time[worker] += at - since
        else:
            self._on_since.setdefault(worker, at)
        if state in OUT_STATES:
            self._out_since.setdefault(worker, at)
        elif worker in self._out_since:
            del self._out_since[worker]
        else:
            return
        for number in [number for number, out in self._at_work.items() if out[4] == worker]:
            self._taken_up(number)
        out = self._out_since.get(worker, -1)
        for newest in self._working.values():  # as many as there are slots at work
            for run in _chain(newest):
                if run[BY] == worker:
                    run[_OUT] = out

    def _registered(self, row: Row) -> None:
        self._no_longer_silent(row[4], row[0])
        self._heard[row[4]] = row[0]

    def _heartbeat_received(self, row: Row) -> None:
        self._has_heartbeats = True
        self._registered(row)

    def _signed_off(self, row: Row) -> None:
        self._no_longer_silent(row[4], row[0])
        self._heard.pop(row[4], None)

    def _no_longer_silent(self, worker: str, at: int) -> None:
        """The broker hears of a worker again, or expects nothing more of it."""
        silent = at - self._heard.get(worker, at)
        if silent > 0 and silent > self._silences.get(worker, _NEVER_SILENT).longest:
            self._silences[worker] = Silence(silent, at)

    def _end_of_silences(self, horizon: int) -> dict[str, Silence]:
        """Give each worker's longest silence; none where heartbeats were worked out, and are no events."""
        for worker in self._heard:
            self._no_longer_silent(worker, horizon)
        return dict(sorted(self._silences.items())) if self._has_heartbeats else {}

    def _end_of_executions(self, horizon: int) -> dict[str, int]:
        """Cut everything off at the horizon; give each worker's time on.

        A worker that never told of a change but worked was on all the time.
        """
        for number, newest in self._working.items():
            job = self._open[number]
            for run in _chain(newest):
                executed = run[EXECUTED] + (horizon - run[_SINCE] if run[_SINCE] >= 0 else 0)
                goes_on = run[_OUTCOME] is None and job[TOKEN] == run[_UNDER]
                if goes_on:
                    job[RUN] = horizon - run[BEGAN]
                    if run[_OUT] >= 0:
                        self._undetected.append((job[KIND], run[BY], horizon - run[_OUT]))
                outcome = IN_PROGRESS if goes_on else run[_OUTCOME] or AFTER_ITS_END
                self._cell(job[KIND], run[BY], outcome)[1] += executed
        for number, since in self._overlapping.items():
            self._overlap[number] = self._overlap.get(number, 0) + horizon - since
        for job in self._open.values():
            self._book_saved(job, in_vain=False)
            for run in _chain(job[STOPPED]):
                self._cell(job[KIND], run[BY], IN_PROGRESS)[1] += run[EXECUTED]
                job[RUN] = run[ENDED] - run[BEGAN]
                if run[BY] in self._out_since:
                    self._undetected.append((job[KIND], run[BY], horizon - run[_OUT]))
        self._working.clear()
        for worker, since in self._on_since.items():
            self._on_time[worker] += horizon - since
        for _, worker, _ in self._cells:
            self._on_time.setdefault(worker, horizon)
        return self._on_time


def _chain(run: Execution | None) -> Iterator[Execution]:
    while run is not None:
        yield run
        run = run[BEFORE]
