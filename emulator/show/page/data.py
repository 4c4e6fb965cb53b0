"""Makes the columns that the picture of a night needs: attempts in lanes, states of workers, counts, faults.

The law: one pass over the events; everything is whole numbers and short lists of names, so that the page can search
it without making an object of each attempt. An attempt is one row for each (token, worker): what the worker did, and
beside it the lease that the broker held to be good. Rows stand lane by lane; in a lane no two overlap in time.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import starmap
from typing import Any, Final

from emulator.measure.night import AFTER_ITS_END, IN_PROGRESS, SECOND_HAND_OUT, WITHDRAWN
from emulator.measure.reasons import why_in_words
from emulator.record.event_view import EventView, view
from emulator.record.events import Row
from emulator.record.history import History, Job
from emulator.show.exports.attempts import HANDED_BACK, Attempt, of_workers
from emulator.show.fault_words import listed
from emulator.show.phrases import spoken

__all__ = ["OUTCOMES", "STATES", "Columns", "columns"]

OUTCOMES: Final = (
    "ok",
    "error",
    "permanent_error",
    "time_limit",
    "lease_lost",
    IN_PROGRESS,
    WITHDRAWN,
    SECOND_HAND_OUT,
    AFTER_ITS_END,
)
_Mark = tuple[int, int, str, str, int]
_MOST_HIT: Final = 6
STATES: Final = ("off", "booting", "idle", "busy", "draining", "frozen", "cut_off")
_OUTCOME: Final = {name: code for code, name in enumerate(OUTCOMES)}
_QUEUED, _HELD, _RUNNING = range(3)
_COUNTED: Final = {
    "queued": _QUEUED,
    "requeued": _QUEUED,
    "queued_held": _HELD,
    "requeued_held": _HELD,
    "running": _RUNNING,
    "suspended": _RUNNING,
}


@dataclass(slots=True)
class _Attempt:
    worker: str
    job: int
    number: int
    event: int
    begins: int
    ends: int = -1
    lease: int = -1  # when it was granted; -1: this worker has none of its own
    lost: int = -1  # when it ended
    outcome: int = _OUTCOME[IN_PROGRESS]
    why: str = ""
    beats: list[int] = field(default_factory=list)


@dataclass(slots=True)
class Columns:
    """What the picture is drawn from; ``as_data`` gives it as plain lists for the page."""

    horizon: int
    workers: list[str]
    attempts: list[_Attempt]
    lanes: list[tuple[int, int, int]]  # worker, first row, number of rows after the last
    states: dict[str, list[tuple[int, int, str, int]]]  # worker -> (tick, state, why, event)
    counts: dict[str, list[tuple[int, int, int, int]]]  # queue -> (tick, queued, held, running)
    systems: dict[str, list[tuple[int, int]]]  # system -> (tick, calls under way)
    marks: list["_Mark"]  # begin, end (-1: an instant), worker or "", words, event
    jobs: dict[int, tuple[str, str]]  # number -> (name, routine)

    def as_data(self) -> dict[str, Any]:
        """Give the columns as lists of numbers and names."""
        names = {worker: place for place, worker in enumerate(self.workers)}
        routines = sorted({routine for _, routine in self.jobs.values()})
        whys = sorted({one.why for one in self.attempts})
        why_codes = {why: code for code, why in enumerate(whys)}
        routine_codes = {name: code for code, name in enumerate(routines)}
        return {
            "horizon": self.horizon,
            "workers": self.workers,
            "outcomes": list(map(spoken, OUTCOMES)),
            "states": list(map(spoken, STATES)),
            "routines": routines,
            "whys": whys,
            "lanes": [list(lane) for lane in self.lanes],
            "job": [one.job for one in self.attempts],
            "attempt": [one.number for one in self.attempts],
            "event": [one.event for one in self.attempts],
            "begins": [one.begins for one in self.attempts],
            "lasts": [one.ends - one.begins for one in self.attempts],
            "lease": [one.lease - one.begins if one.lease >= 0 else 0 for one in self.attempts],
            "leased": [one.lost - one.lease if one.lease >= 0 else -1 for one in self.attempts],
            "outcome": [one.outcome for one in self.attempts],
            "why": [why_codes[one.why] for one in self.attempts],
            "beats": [
                [place, *(beat - one.begins for beat in one.beats)]
                for place, one in enumerate(self.attempts)
                if one.beats
            ],
            "workerStates": [[names[worker], *change] for worker, changes in self.states.items() for change in changes],
            "counts": {
                queue: [list(column) for column in zip(*found, strict=True)]
                for queue, found in self.counts.items()
                if found
            },
            "systems": {
                name: [list(column) for column in zip(*found, strict=True)]
                for name, found in self.systems.items()
                if found
            },
            "marks": [list(mark) for mark in self.marks],
            "jobs": [[number, name, routine_codes[routine]] for number, (name, routine) in self.jobs.items()],
        }


def columns(
    rows: Iterable[tuple[int, Row]],
    horizon: int,
    workers: Iterable[str],
    beats: Iterable[tuple[int, int, str]] = (),
) -> Columns:
    """Fold numbered rows into columns.

    Args:
        rows: (number, row), in order.
        horizon: where what is unfinished is cut off.
        workers: in the order of their lanes; others that are met come after them.
        beats: (tick, token, worker) of the heartbeats that renewed a lease.
    """
    fold = _Fold(workers)
    for event in starmap(view, rows):
        fold.feed(event)
    return fold.close(horizon, beats)


class _Fold:
    def __init__(self, workers: Iterable[str]) -> None:
        self._night = History()
        self._first = tuple(workers)
        self._counted: dict[int, int] = {}  # job -> counted as
        self._counts: dict[str, list[tuple[int, int, int, int]]] = {}
        self._calls: dict[str, list[tuple[int, int]]] = {}
        self._marks: list[_Mark] = []
        self._faults: dict[tuple[str, int, str], int] = {}
        self._lasting: dict[tuple[str, str], int] = {}  # a held queue or a system that is not up -> place of its mark
        self._targets: dict[int, str] = {}  # event -> what it hits, where several may be told together
        self._named: set[int] = set()  # the events of faults and actions that are marked

    def feed(self, event: EventView) -> None:
        self._night.take(event)
        if event.job:
            self._count(event.at, self._night.jobs[event.job])
        if event.kind == "call_ended":
            self._calls.setdefault(event.system, []).append((event.at - event.took, event.at))
        elif event.kind in _MARKED:
            self._mark(event)

    def _count(self, at: int, job: Job) -> None:
        """Follow one job into its state; several changes of one instant leave one entry."""
        before, state = self._counted.get(job.number, -1), _COUNTED.get(job.state, -1)
        if before == state:
            return
        self._counted[job.number] = state
        found = self._counts.setdefault("" if job.came is None else job.came.queue, [(0, 0, 0, 0)])
        now = list(found[-1])
        if before >= 0:
            now[before + 1] -= 1
        if state >= 0:
            now[state + 1] += 1
        entry = (at, now[1], now[2], now[3])
        if found[-1][0] == at:
            found[-1] = entry
        else:
            found.append(entry)

    def _mark(self, event: EventView) -> None:
        at, kind = event.at, event.kind
        if kind in _LASTING:
            self._last(event)
            return
        if kind == "access_changed" and event.cause in self._named:
            return  # the fault or the action that did it stands there already
        if kind in ("fault_began", "fault_ended", "action_taken"):
            self._named.add(event.event)
        if kind == "fault_began":
            self._faults[event.place, event.occurrence, event.target] = len(self._marks)
            self._marks.append((at, -2, event.worker, spoken(event.fault), event.event))
            self._targets[event.event] = event.target
        elif kind == "fault_ended":
            place = self._faults.pop((event.place, event.occurrence, event.target), None)
            if place is not None:
                self._end_mark(place, at)
        elif kind == "action_taken":
            words = f"{spoken(event.action)}: {event.target}".removesuffix(": ")
            self._marks.append((at, -1, event.worker, words, event.event))
        elif kind == "access_changed":
            words = f"access of {event.who} to {event.system}: {spoken(event.state)}"
            self._marks.append((at, -1, "", words, event.event))
        else:
            self._marks.append((at, -1, event.worker, "declared lost", event.event))
            self._targets[event.event] = event.worker

    def _end_mark(self, place: int, at: int) -> None:
        began, _, whose, words, number = self._marks[place]
        self._marks[place] = began, at, whose, words, number

    def _last(self, event: EventView) -> None:
        """Mark how long a queue is held or a system is not up; what an action began lasts as its mark does."""
        of_system = event.kind == "system_changed"
        what = event.system if of_system else event.queue
        of = ("system" if of_system else "queue", what)
        ended = self._lasting.pop(of, None)
        if ended is not None:
            self._end_mark(ended, event.at)
        words = f"{what}: {spoken(event.state)}" if of_system else f"{spoken(event.kind)}: {what}"
        begins = event.state != "up" if of_system else event.kind == "queue_held"
        if event.cause not in self._named:
            if begins:
                self._lasting[of] = len(self._marks)
            if begins or ended is None:
                self._marks.append((event.at, -2 if begins else -1, "", words, event.event))
            return
        place = next((k for k, mark in enumerate(self._marks) if mark[4] == event.cause and mark[1] == -1), None)
        if begins and place is not None:  # a fault has a span of its own
            self._lasting[of] = place
            self._end_mark(place, -2)

    def close(self, horizon: int, beats: Iterable[tuple[int, int, str]]) -> Columns:
        night = self._night
        bars = {
            (one.token, one.worker): _bar(one, granted.end, horizon)
            for job in night.jobs.values()
            for granted in job.attempts
            for one in of_workers(granted)
            if one.outcome != HANDED_BACK
        }
        for at, token, worker in beats:
            if (token, worker) in bars:
                bars[token, worker].beats.append(at)
        by_worker: dict[str, list[_Attempt]] = {worker: [] for worker in (*self._first, *night.workers)}
        for one in sorted(bars.values(), key=lambda one: one.event):
            by_worker.setdefault(one.worker, []).append(one)
        lanes: list[tuple[int, int, int]] = []
        ordered: list[_Attempt] = []
        for place, attempts in enumerate(by_worker.values()):
            attempts.sort(key=lambda one: (one.begins, one.event))
            for row in _without_overlap(attempts):
                lanes.append((place, len(ordered), len(ordered) + len(row)))
                ordered += row
        return Columns(
            horizon,
            list(by_worker),
            ordered,
            lanes,
            {
                worker.name: [
                    (change.at, STATES.index(change.state), why_in_words(change.why), change.event)
                    for change in worker.changes
                ]
                for worker in night.workers.values()
                if worker.changes
            },
            self._counts,
            {name: _load(calls) for name, calls in sorted(self._calls.items())},
            self._told_together(horizon),
            {job.number: (job.name, job.came.routine) for job in night.jobs.values() if job.came is not None},
        )

    def _told_together(self, horizon: int) -> list[_Mark]:
        """Give the marks in order; what hits several from one moment to another is one mark of them all."""
        found: dict[tuple[int, int, str, int], list[_Mark]] = {}
        for begins, ends, who, words, event in self._marks:
            until = horizon if ends == -2 else ends
            alone = 0 if event in self._targets else event
            found.setdefault((begins, until, words, alone), []).append((begins, until, who, words, event))
        marks = []
        for (begins, until, words, _), several in found.items():
            event = several[0][4]
            hit = [self._targets[one[4]] for one in several if one[4] in self._targets]
            told = f"{words}: {listed(hit, _MOST_HIT)}" if hit else words
            marks.append((begins, until, several[0][2] if len(several) == 1 else "", told, event))
        return sorted(marks)


_LASTING: Final = frozenset({"queue_held", "queue_released", "system_changed"})
_GOES_ON: Final = frozenset(_OUTCOME[name] for name in (IN_PROGRESS, SECOND_HAND_OUT, AFTER_ITS_END))
_MARKED: Final = frozenset(
    {"access_changed", "action_taken", "fault_began", "fault_ended", "worker_declared_lost", *_LASTING}
)


def _bar(attempt: Attempt, end: int, horizon: int) -> _Attempt:
    """Give what a worker did under one token as it is drawn; ``end`` is the event at which it ended for the broker."""
    begins = attempt.began if attempt.began >= 0 else attempt.handed_out
    bar = _Attempt(attempt.worker, attempt.job, attempt.number, attempt.event, begins, attempt.stopped)
    bar.outcome, bar.why = _OUTCOME[attempt.outcome], why_in_words(*attempt.why)
    if attempt.handed_out >= 0:
        bar.lease, bar.lost = attempt.handed_out, attempt.ended if attempt.ended >= 0 else horizon
        if attempt.work is not None and 0 < end < attempt.work.event:
            bar.outcome = _OUTCOME[AFTER_ITS_END]
    if bar.ends < 0:  # never begun: shown for as long as the lease was good
        bar.ends = bar.lost if bar.lost >= 0 and bar.outcome not in _GOES_ON else horizon
    return bar


def _without_overlap(attempts: list[_Attempt]) -> list[list[_Attempt]]:
    """Share attempts out to as few rows as it takes for none to overlap another; one row at least."""
    rows: list[list[_Attempt]] = [[]]
    for one in attempts:
        for row in rows:
            if not row or max(row[-1].ends, row[-1].lost) <= one.begins:
                row.append(one)
                break
        else:
            rows.append([one])
    return rows


def _load(calls: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Give how many calls were under way or in line, whenever that changed."""
    changes: dict[int, int] = {}
    for begins, ends in calls:
        changes[begins] = changes.get(begins, 0) + 1
        changes[ends] = changes.get(ends, 0) - 1
    found, now = [(0, 0)], 0
    for at in sorted(changes):
        if changes[at]:
            now += changes[at]
            found.append((at, now))
    return found
