"""Makes the columns that the picture of a night needs, and a small picture of one night from them.

Everything is whole numbers and short lists of names, so that the page can search it without making an object of each
attempt. An attempt is one row for each (token, worker): what the worker did, and beside it the lease that the broker
held to be good. Rows stand lane by lane; in a lane no two overlap in time.

The small picture has a lane for each worker, a bar for each attempt, and what went wrong, numbered and told below. A
night of hundreds of attempts is what the page is for.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, starmap
from typing import Any, Final

from emulator.measure.night import AFTER_ITS_END, DONE, FINAL, IN_PROGRESS, SECOND_HAND_OUT, WITHDRAWN, Night
from emulator.measure.words import duration, why_in_words
from emulator.record.event_view import EventView, view
from emulator.record.events import Row
from emulator.record.history import History, Job
from emulator.scenario.clock import Clock
from emulator.show.exports.recorded import HANDED_BACK, Attempt, of_workers
from emulator.show.svg import Svg, Theme, nice_steps
from emulator.show.words import fault_words, listed, spoken
from emulator.timeline.ticks import HOUR, MINUTE, SECOND

__all__ = [
    "OUTCOMES",
    "STATES",
    "Columns",
    "columns",
    "night_picture",
]


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
        elif kind == "fault_missed":
            place = self._faults.pop((event.place, event.occurrence, event.target), None)
            if place is not None:  # it never lasted
                began, _, whose, words, number = self._marks[place]
                self._marks[place] = began, -1, whose, f"{words} hit nothing", number
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
    {"access_changed", "action_taken", "fault_began", "fault_ended", "fault_missed", "worker_declared_lost", *_LASTING}
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


_WIDTH: Final = 880
_LEFT: Final = 80
_TOP: Final = 34
_LANE: Final = 40
_BAR: Final = 22
_LINE: Final = 20
_MOST_TICKS: Final = 7
_MOST_TOLD: Final = 6
_OK: Final = OUTCOMES.index("ok")


@dataclass(frozen=True, slots=True)
class _Note:
    """What is numbered in the picture: when, in which lane (-1: above all), and in words."""

    at: int
    lane: int
    words: str


def night_picture(
    night: Night, columns: Columns, clock: Clock, *, title: str, file: str, seed: int, theme: Theme = "both"
) -> str:
    """Draw a night as an SVG document.

    Args:
        night: folded.
        columns: of the same night.
        clock: of its scenario.
        title: of the scenario.
        file: the scenario file, as it is named below the picture.
        seed: of the night.
        theme: how it looks.
    """
    ends = max((one.ends for one in columns.attempts), default=columns.horizon)
    begins = min((one.begins for one in columns.attempts), default=0)
    margin = max((ends - begins) // 40, MINUTE)
    low, high = max(0, begins - margin), min(columns.horizon, ends + margin)
    notes = _notes(night, columns, clock)
    done = sum(1 for final in night.column(FINAL) if final == DONE)
    jobs = len(columns.jobs)
    of_all = f"all {jobs:,} jobs are done" if done == jobs else f"{done:,} of {jobs:,} jobs are done"
    by = f" by {clock.local(ends):%H:%M}" if done == jobs else ""
    told = "; ".join(one.words for one in notes[:2])
    lanes_end = _TOP + _LANE * len(columns.lanes)
    below = lanes_end + 14
    height = below + _LINE * (len(notes[:_MOST_TOLD]) + 2)
    svg = Svg(_WIDTH, height, f"One night: {told + '; ' if told else ''}{of_all}{by}.", title, theme)

    def at(tick: int) -> float:
        return _LEFT + (min(max(tick, low), high) - low) * (_WIDTH - _LEFT - 12) / (high - low)

    for tick in _round_times(clock, low, high):
        svg.line(at(tick), _TOP - 6, at(tick), lanes_end, role="faint", width=0.4)
        svg.text(at(tick), _TOP - 12, f"{clock.local(tick):%H:%M}", anchor="middle", role="faint", size=12)
    before = -1
    for place, (worker, first, last) in enumerate(columns.lanes):
        y = _TOP + _LANE * place + (_LANE - _BAR) / 2
        if worker != before:
            svg.text(4, y + 16, columns.workers[worker])
            _outs(svg, night, columns, columns.workers[worker], y, at)
        before = worker
        for one in columns.attempts[first:last]:
            good = one.outcome == _OK
            svg.bar(
                at(one.begins),
                y,
                max(1.0, at(one.ends) - at(one.begins) - 1),
                _BAR,
                role="good" if good else "bad",
                dashes="" if good else "4 2",
                tip=f"{columns.jobs[one.job][0]}, attempt {one.number}: {OUTCOMES[one.outcome].replace('_', ' ')}",
            )
    for number, note in enumerate(notes[:_MOST_TOLD], 1):
        y = _TOP + _LANE * max(note.lane, 0) + (_LANE - _BAR) / 2
        svg.mark(at(note.at), y - 2, "ring", role="bad", size=8)
        svg.text(at(note.at), y + 2, str(number), anchor="middle", bold=True, size=11)
        svg.text(4, below + _LINE * number, f"{number}  {note.words}")
    more = f" {len(notes) - _MOST_TOLD} more events are not told." if len(notes) > _MOST_TOLD else ""
    about = f"{file}, seed {seed}. A bar for each attempt, dashed where it failed or was lost; {of_all}{by}.{more}"
    svg.text(4, height - 8, about, role="faint", size=12)
    return svg.write()


def _notes(night: Night, columns: Columns, clock: Clock) -> list[_Note]:
    """Give what went wrong and what came of it, in the order of time: faults, and jobs that were taken over."""
    lane_of = {columns.workers[worker]: place for place, (worker, _, _) in reversed([*enumerate(columns.lanes)])}
    found = []
    for fault in night.faults:
        lasts = f" for {duration(fault.ended - fault.at)}" if fault.ended >= 0 else ""
        words = f"{clock.local(fault.at):%H:%M} {fault_words(fault.fault, [fault.target])}{lasts}"
        found.append(_Note(fault.at, lane_of.get(fault.target, -1), words))
    by_job: dict[int, list[int]] = {}
    for place, one in enumerate(columns.attempts):
        by_job.setdefault(one.job, []).append(place)
    for job in dict.fromkeys(lost.job for lost in night.lost):
        tries = sorted((columns.attempts[place] for place in by_job.get(job, ())), key=lambda one: one.begins)
        for before, one in pairwise(tries):
            by = "takes it again" if one.worker == before.worker else f"takes it over from {before.worker}"
            words = f"{clock.local(one.begins):%H:%M} {columns.jobs[job][0]}: {one.worker} {by}, attempt {one.number}"
            found.append(_Note(one.begins, lane_of.get(one.worker, -1), words))
    return sorted(found, key=lambda note: note.at)


def _outs(svg: Svg, night: Night, columns: Columns, worker: str, y: float, at: Callable[[int], float]) -> None:
    """Draw how long a worker was hit by a fault, as an empty box."""
    for fault in night.faults:
        if fault.target == worker:
            x, right = at(fault.at), at(fault.ended if fault.ended >= 0 else columns.horizon)
            svg.bar(x, y, right - x, _BAR, role="faint", dashes="3 3", filled=False)


def _round_times(clock: Clock, low: int, high: int) -> Sequence[int]:
    """Give round times of day within a span."""
    step = int(nice_steps(high - low, "time", _MOST_TICKS))
    local = clock.local(low)
    into = (local.hour * HOUR + local.minute * MINUTE + local.second * SECOND + local.microsecond) % step
    return range(low - into + (step if into else 0), high + 1, step)
