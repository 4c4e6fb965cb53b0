"""Which columns does the picture of a night need? Attempts in lanes, states of workers, counts over time, faults.

The law: one pass over the events; everything is whole numbers and short lists of names, so that the page can search
it without making an object of each attempt. An attempt is one row for each (token, worker): what the worker did, and
beside it the lease that the broker held to be good. Rows stand lane by lane; in a lane no two overlap in time.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from emulator.measure.night import AFTER_ITS_END, IN_PROGRESS, SECOND_HAND_OUT, WITHDRAWN
from emulator.measure.reasons import why_in_words
from emulator.record.events import Row, reason_of
from emulator.record.reasons import WITHDRAWN_BY_PERSON
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
_BY_STATE: Final = frozenset({"submitted", "held", "hold_ended", "handed_back", "requeued", "finished"})


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
    for number, row in rows:
        fold.feed(number, row)
    for at, token, worker in beats:
        one = fold.attempts.get((token, worker))
        if one is not None:
            one.beats.append(at)
    return fold.close(horizon)


class _Fold:
    def __init__(self, workers: Iterable[str]) -> None:
        self.attempts: dict[tuple[int, str], _Attempt] = {}
        self._workers = dict.fromkeys(workers)
        self._states: dict[str, list[tuple[int, int, str, int]]] = {}
        self._jobs: dict[int, tuple[str, str]] = {}
        self._where: dict[int, tuple[str, int]] = {}  # job -> (queue, counted as)
        self._counts: dict[str, list[tuple[int, int, int, int]]] = {}
        self._calls: dict[str, list[tuple[int, int]]] = {}
        self._marks: list[_Mark] = []
        self._faults: dict[tuple[str, int, str], int] = {}
        self._lasting: dict[tuple[str, str], int] = {}  # a held queue or a system that is not up -> place of its mark
        self._targets: dict[int, str] = {}  # event -> what it hits, where several may be told together
        self._named: set[int] = set()  # the events of faults and actions that are marked
        self._down = -1

    def feed(self, number: int, row: Row) -> None:
        at, kind, job, worker = row[0], row[1], row[3], row[4]
        if kind == "submitted":
            queue, entry, ordinal, origin = row[7], row[8], row[9], row[13]
            name = f"{entry}#{ordinal}" + (f" (resubmitted as job {job})" if origin else "")
            self._jobs[job] = name, row[6]
            self._where[job] = queue, -1
        if kind in _BY_STATE:
            self._count(at, job, _COUNTED.get(row[5], -1))
        elif kind == "handed_out":
            self._count(at, job, _RUNNING)
            self.attempts[row[6], worker] = _Attempt(worker, job, row[5], number, at, lease=at)
        elif kind == "work_began":
            self._began(number, row)
        elif kind == "work_stopped":
            one = self.attempts.get((row[6], worker))
            if one is not None:
                one.ends = at
        elif kind == "attempt_ended":
            one = self.attempts.get((row[6], worker))
            if one is not None:
                lost = row[7] == "lease_lost"
                one.outcome = _OUTCOME[WITHDRAWN if lost and row[8] == WITHDRAWN_BY_PERSON else row[7]]
                one.lost, one.why = at, why_in_words(*reason_of(row))
        elif kind == "worker_changed":
            self._workers.setdefault(worker)
            self._states.setdefault(worker, []).append((at, STATES.index(row[5]), why_in_words(row[6]), number))
        elif kind == "call_ended":
            self._calls.setdefault(row[7], []).append((at - row[9], at))
        else:
            self._mark(number, row)
        if kind == "handed_back":
            self.attempts.pop((row[7], worker), None)

    def _began(self, number: int, row: Row) -> None:
        at, job, worker, attempt, token = row[0], row[3], row[4], row[5], row[6]
        self._workers.setdefault(worker)
        one = self.attempts.get((token, worker))
        if one is None:
            self.attempts[token, worker] = _Attempt(worker, job, attempt, number, at, outcome=_OUTCOME[SECOND_HAND_OUT])
        elif one.ends >= 0 or one.lost >= 0:
            one.outcome = _OUTCOME[AFTER_ITS_END] if one.ends < 0 else one.outcome
            one.begins = one.begins if one.ends >= 0 else at
            one.ends = -1
        else:
            one.begins = at

    def _count(self, at: int, job: int, state: int) -> None:
        """Follow one job into a state; several changes of one instant leave one entry."""
        queue, before = self._where.get(job, ("", -1))
        if before == state:
            return
        self._where[job] = queue, state
        found = self._counts.setdefault(queue, [(0, 0, 0, 0)])
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

    def _mark(self, number: int, row: Row) -> None:
        at, kind, worker = row[0], row[1], row[4]
        if kind in ("queue_held", "queue_released", "system_changed"):
            self._last(number, row)
            return
        if kind == "access_changed" and row[2] in self._named:
            return  # the fault or the action that did it stands there already
        if kind in ("fault_began", "fault_ended", "action_taken"):
            self._named.add(number)
        if kind == "fault_began":
            self._faults[row[6], row[7], row[8]] = len(self._marks)
            self._marks.append((at, -2, worker, spoken(row[5]), number))
            self._targets[number] = row[8]
        elif kind == "fault_ended":
            place = self._faults.pop((row[6], row[7], row[8]), None)
            if place is not None:
                began, _, whose, words, event = self._marks[place]
                self._marks[place] = began, at, whose, words, event
        elif kind == "action_taken":
            self._marks.append((at, -1, worker, f"{spoken(row[5])}: {row[7]}".removesuffix(": "), number))
        elif kind == "access_changed":
            self._marks.append((at, -1, "", f"access of {row[5]} to {row[6]}: {spoken(row[7])}", number))
        elif kind == "worker_declared_lost":
            self._marks.append((at, -1, worker, "declared lost", number))
            self._targets[number] = worker

    def _last(self, number: int, row: Row) -> None:
        """Mark how long a queue is held or a system is not up; what an action began lasts as its mark does."""
        at, kind, what = row[0], row[1], row[5]
        of = ("queue" if kind != "system_changed" else "system", what)
        ended = self._lasting.pop(of, None)
        if ended is not None:
            began, _, whose, words, event = self._marks[ended]
            self._marks[ended] = began, at, whose, words, event
        words = f"{what}: {spoken(row[6])}" if kind == "system_changed" else f"{spoken(kind)}: {what}"
        begins = kind == "queue_held" or (kind == "system_changed" and row[6] != "up")
        if row[2] not in self._named:
            if begins:
                self._lasting[of] = len(self._marks)
            if begins or ended is None:
                self._marks.append((at, -2 if begins else -1, "", words, number))
            return
        place = next((k for k, mark in enumerate(self._marks) if mark[4] == row[2] and mark[1] == -1), None)
        if begins and place is not None:  # a fault has a span of its own
            self._lasting[of] = place
            began, _, whose, said, event = self._marks[place]
            self._marks[place] = began, -2, whose, said, event

    def close(self, horizon: int) -> Columns:
        by_worker: dict[str, list[_Attempt]] = {worker: [] for worker in self._workers}
        for one in self.attempts.values():
            if one.lost < 0 and one.lease >= 0:
                one.lost = horizon
            if one.ends < 0:  # never begun: shown for as long as the lease was good
                one.ends = one.lost if one.lost >= 0 and one.outcome not in (5, 7, 8) else horizon
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
            self._states,
            self._counts,
            {name: _load(calls) for name, calls in sorted(self._calls.items())},
            self._told_together(horizon),
            self._jobs,
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
