"""Tells which workers could have taken a job at any moment, what they were taken by, and what was full.

One pass over the events that tell of hand-outs, work and workers, for the workers that serve one queue. A worker is
there when it is on, can be reached, is not frozen and still takes work. A slot of it is taken from the hand-out of a
job to the end of its work, or until the outcome that it hands in is answered; a hand-out that its worker never heard of
takes none.

What many jobs wait for is told once for all of them: those of the workers that have what a routine requires form a
group, whose spells (all busy, none on, one idle) are found once and looked up by time.

When a queue runs as many jobs as it may, and when a key is busy, is the broker's view alone: a job runs from its
hand-out to the end of that attempt, or until it is handed back. It is asked only for queues with such a limit and for
jobs with a key, so that other stories need not read what was submitted.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Any, Final

from emulator.broker.rules import meets
from emulator.errors import DefectError
from emulator.measure.story.facts import MOST_CITED, WorkerSettings
from emulator.record.event_view import EventView
from emulator.record.reasons import OWN_CLOCK

__all__ = [
    "BUSY",
    "IDLE",
    "LEASING",
    "NONE_EQUIPPED",
    "NONE_LARGE_ENOUGH",
    "NONE_ON",
    "NONE_SERVES",
    "OCCUPYING",
    "Group",
    "Lease",
    "Leases",
    "Occupation",
    "Taken",
]


OCCUPYING: Final = (
    "attempt_ended",
    "equipment_changed",
    "handed_back",
    "handed_out",
    "stale_refused",
    "work_began",
    "work_stopped",
    "worker_changed",
)
"""The kinds of event that ``Occupation`` reads."""

BUSY: Final = "all busy"
IDLE: Final = "one idle"
NONE_EQUIPPED: Final = "none equipped"
NONE_LARGE_ENOUGH: Final = "none large enough"
NONE_ON: Final = "none on"
NONE_SERVES: Final = "none serves"

_THERE: Final = frozenset({"idle", "busy"})
_NEVER: Final = 1 << 62


@dataclass(slots=True)
class Taken:
    """A slot of a worker that is taken by a job: ``[begin, end)``, and the event that tells of it."""

    begin: int
    job: int
    token: int
    event: int
    end: int = _NEVER
    stopped: int = 0  # the event by which its work stopped, while its outcome is on its way
    began: int = 0  # the event by which its work began


@dataclass(slots=True)
class Group:
    """The workers that, once equipped, may take a kind of job.

    ``spells`` are (begin, what) in order: what was true of the group from then until the next.
    """

    workers: tuple[str, ...]
    spells: list[tuple[int, str]]
    outs: list[int] = field(default_factory=list)
    """When jobs were handed out to them."""

    def during(self, begin: int, end: int) -> Iterator[tuple[int, int, str]]:
        """Give (begin, end, what) of the spells within [begin, end), cut to it."""
        place = max(0, bisect_right(self.spells, begin, key=lambda spell: spell[0]) - 1)
        while place < len(self.spells) and self.spells[place][0] < end:
            since, what = self.spells[place]
            place += 1
            until = self.spells[place][0] if place < len(self.spells) else end
            yield max(since, begin), min(until, end), what

    def handed_out(self, begin: int, end: int) -> int:
        """Count the jobs that were handed out to them within [begin, end)."""
        return bisect_left(self.outs, end) - bisect_left(self.outs, begin)


class Occupation:
    """What the workers that serve a queue were taken by in the course of a run.

    Args:
        events: those of the kinds ``OCCUPYING`` and of these workers, in order.
        workers: what the scenario says about them, in its order.
        takes_slots: job -> slots that it takes, where they are not 1.
    """

    def __init__(
        self, events: Iterable[EventView], workers: Mapping[str, WorkerSettings], takes_slots: Mapping[int, int]
    ) -> None:
        self._workers = workers
        self._takes_slots = takes_slots
        self.taken: dict[str, list[Taken]] = {}
        self.states: dict[str, list[tuple[int, str, int]]] = {}  # worker -> (tick, state, event)
        self.equipment: dict[str, list[tuple[int, tuple[str, ...], int]]] = {}
        self._changes: list[tuple[int, int, str, str, Any]] = []  # (tick, event, worker, what, value)
        self._outs: dict[str, list[int]] = {}
        self._heard: dict[tuple[str, int], EventView] = {}  # (worker, token) -> its hand-out, until its work begins
        self._open: dict[tuple[str, int], Taken] = {}
        self._groups: dict[tuple[tuple[str, ...], int], Group] = {}
        self._latest_ends: dict[str, list[int]] = {}
        for event in events:
            self._feed(event)
        for slots in self.taken.values():
            slots.sort(key=lambda one: (one.begin, one.event))
        for worker, slots in self.taken.items():
            for one in slots:
                takes = takes_slots.get(one.job, 1)
                self._changes.append((one.begin, one.event, worker, "taken", takes))
                if one.end < _NEVER:
                    self._changes.append((one.end, one.event, worker, "taken", -takes))
        self._changes.sort(key=lambda change: change[:2])

    # -- the pass over the events ---------------------------------------------------------------------------------

    def _feed(self, event: EventView) -> None:
        kind, worker = event.kind, event.worker
        if kind == "handed_out":
            self._heard[worker, event.token] = event
            self._outs.setdefault(worker, []).append(event.at)
        elif kind in ("attempt_ended", "handed_back"):
            one = self._open.get((worker, event.token))
            if kind == "handed_back" or (one is not None and one.stopped and one.stopped == event.cause):
                self._free(worker, event.token, event.at)
        elif kind == "work_began":
            out = self._heard.pop((worker, event.token), event)
            one = Taken(out.at, event.job, event.token, out.event, began=event.event)
            self._open[worker, event.token] = one
            self.taken.setdefault(worker, []).append(one)
        elif kind == "work_stopped":
            self._stopped(event)
        elif kind == "stale_refused":
            one = self._open.get((worker, event.token))
            if event.what == "outcome" and one is not None and one.stopped == event.cause:
                self._free(worker, event.token, event.at)
        elif kind == "worker_changed":
            self.states.setdefault(worker, []).append((event.at, event.state, event.event))
            self._changes.append((event.at, event.event, worker, "there", event.state in _THERE))
            if event.state == "off":
                for token in [token for who, token in self._open if who == worker]:
                    self._free(worker, token, event.at)
        else:
            has = tuple(item for item in event.equipped_with.split(", ") if item)
            self.equipment.setdefault(worker, []).append((event.at, has, event.event))
            self._changes.append((event.at, event.event, worker, "equipment", has))

    def _stopped(self, event: EventView) -> None:
        one = self._open.get((event.worker, event.token))
        if one is None:
            return
        if event.cause == one.began and event.why != OWN_CLOCK:
            one.stopped = event.event  # its outcome is on its way
        else:
            self._free(event.worker, event.token, event.at)

    def _free(self, worker: str, token: int, at: int) -> None:
        one = self._open.pop((worker, token), None)
        if one is not None:
            one.end = at

    # -- what is asked --------------------------------------------------------------------------------------------

    def group(self, requires: tuple[str, ...], slots: int = 1) -> Group:
        """Give the workers that were able at some time, and when those with what is required had so many free slots."""
        found = self._groups.get((requires, slots))
        if found is None:
            found = self._groups[requires, slots] = self._new_group(requires, slots)
        return found

    def _new_group(self, requires: tuple[str, ...], slots: int) -> Group:
        workers = {name: one for name, one in self._workers.items() if one.slots >= slots}
        if not workers:
            return Group((), [(0, NONE_SERVES if not self._workers else NONE_LARGE_ENOUGH)])
        counts = _Counts({name: one.slots - slots + 1 for name, one in workers.items()})
        for name, one in workers.items():
            counts.change(name, "equipment", meets(requires, one.equipment))
        ever = {name for name, is_able in counts.able.items() if is_able}
        spells: list[tuple[int, str]] = []
        last = 0
        for at, _, worker, what, value in self._changes:
            if worker not in workers:
                continue
            if at > last:
                _tell(spells, last, counts.spell())
                last = at
            if what == "equipment":
                value = meets(requires, value)
                if value:
                    ever.add(worker)
            counts.change(worker, what, value)
        _tell(spells, last, counts.spell())
        outs = sorted(at for name in ever for at in self._outs.get(name, ()))
        return Group(tuple(name for name in workers if name in ever), spells, outs)

    def holders(self, workers: Sequence[str], at: int) -> tuple[int, ...]:
        """Give the events by which the slots of some workers were taken at a tick; the first ``MOST_CITED``."""
        found: list[int] = []
        for worker in workers:
            found += [one.event for one in self._taken_at(worker, at)]
            if len(found) >= MOST_CITED:
                break
        return tuple(found[:MOST_CITED])

    def _taken_at(self, worker: str, at: int) -> list[Taken]:
        """Give what takes a slot of a worker at a tick, by the hand-out."""
        slots = self.taken.get(worker, [])
        ends = self._latest_ends.get(worker)
        if ends is None:
            ends = self._latest_ends[worker] = list(accumulate((one.end for one in slots), max))
        place = bisect_right(slots, at, key=lambda one: one.begin) - 1
        found = []
        while place >= 0 and ends[place] > at:
            if slots[place].end > at:
                found.append(slots[place])
            place -= 1
        return found[::-1]

    def state(self, worker: str, at: int) -> tuple[str, int]:
        """Give the state that a worker last told of at a tick, and the event; ("", 0) before the first."""
        found = self.states.get(worker, [])
        place = bisect_right(found, at, key=lambda state: state[0])
        return (found[place - 1][1], found[place - 1][2]) if place else ("", 0)

    def states_of(self, workers: Sequence[str], at: int) -> tuple[int, ...]:
        """Give the events that tell in which states some workers were at a tick; the first ``MOST_CITED``."""
        found = [self.state(worker, at)[1] for worker in workers]
        return tuple(event for event in found if event)[:MOST_CITED]

    def equipped_by(self, at: int) -> tuple[int, ...]:
        """Give the events by which the equipment of the workers was last changed at a tick."""
        found = []
        for changes in self.equipment.values():
            place = bisect_right(changes, at, key=lambda change: change[0])
            if place:
                found.append(changes[place - 1][2])
        return tuple(found[:MOST_CITED])

    def idle_one(self, requires: tuple[str, ...], at: int, slots: int = 1) -> str:
        """Name the first worker in the scenario's order that could have taken such a job at a tick.

        Raises:
            DefectError: when there is none, though the group's spells say that one was idle.
        """
        for worker in self.group(requires, slots).workers:
            one = self._workers[worker]
            changes = self.equipment.get(worker, [])
            place = bisect_right(changes, at, key=lambda change: change[0])
            has = changes[place - 1][1] if place else one.equipment
            busy = sum(self._takes_slots.get(taken.job, 1) for taken in self._taken_at(worker, at))
            if self.state(worker, at)[0] in _THERE and busy + slots <= one.slots and meets(requires, has):
                return worker
        raise DefectError(f"no worker was idle at tick {at}, though a story is to say so: {requires!r}")


class _Counts:
    """How many workers of a group are able, there, and free."""

    def __init__(self, slots: Mapping[str, int]) -> None:
        self._slots = slots
        self.able = dict.fromkeys(slots, False)
        self._there = dict.fromkeys(slots, False)
        self._taken = dict.fromkeys(slots, 0)
        self._counts = [0, 0, 0]

    def change(self, worker: str, what: str, value: Any) -> None:
        self._count(worker, -1)
        if what == "taken":
            self._taken[worker] += value
        elif what == "there":
            self._there[worker] = value
        else:
            self.able[worker] = value
        self._count(worker, 1)

    def _count(self, worker: str, by: int) -> None:
        if self.able[worker]:
            self._counts[0] += by
            if self._there[worker]:
                self._counts[1] += by
                if self._taken[worker] < self._slots[worker]:
                    self._counts[2] += by

    def spell(self) -> str:
        """Say what is true of the group."""
        able, there, free = self._counts
        return NONE_EQUIPPED if not able else NONE_ON if not there else IDLE if free else BUSY


def _tell(spells: list[tuple[int, str]], at: int, what: str) -> None:
    """Add a spell, unless it is the one that lasts already."""
    if not spells or spells[-1][1] != what:
        spells.append((at, what))


LEASING: Final = ("attempt_ended", "handed_back", "handed_out")
"""The kinds of event that ``Leases`` reads; their details do not matter."""


@dataclass(frozen=True, slots=True)
class Lease:
    """A lease as the broker held it: ``[begin, end)``, its job, and the event of the hand-out."""

    begin: int
    end: int
    job: int
    event: int


class Leases:
    """The leases of a run by queue and by key.

    Args:
        events: those of the kinds ``LEASING``, in order, with or without their details.
        submitted: the submissions.
    """

    def __init__(self, events: Iterable[EventView], submitted: Iterable[EventView]) -> None:
        self._by_queue: dict[str, list[Lease]] = {}
        self._by_key: dict[str, list[Lease]] = {}
        self._full: dict[tuple[str, str, int], list[tuple[int, int, tuple[int, ...]]]] = {}
        whose = {came.job: (came.queue, came.key) for came in submitted}
        for lease in _leases(events):
            queue, key = whose[lease.job]
            self._by_queue.setdefault(queue, []).append(lease)
            if key:
                self._by_key.setdefault(key, []).append(lease)

    def queue_full(self, queue: str, most: int) -> list[tuple[int, int, tuple[int, ...]]]:
        """Give (begin, end, hand-outs) of the times when a queue ran as many jobs as it may."""
        return self._filled("queue", queue, most, self._by_queue)

    def key_busy(self, key: str, most: int) -> list[tuple[int, int, tuple[int, ...]]]:
        """Give (begin, end, hand-outs) of the times when as many jobs of a key ran as may."""
        return self._filled("key", key, most, self._by_key)

    def _filled(
        self, what: str, name: str, most: int, leases: Mapping[str, Sequence[Lease]]
    ) -> list[tuple[int, int, tuple[int, ...]]]:
        if (what, name, most) not in self._full:
            self._full[what, name, most] = list(_filled(leases.get(name, ()), most))
        return self._full[what, name, most]


def _leases(events: Iterable[EventView]) -> Iterator[Lease]:
    """Give the leases as they end, and then those that are out."""
    out: dict[int, tuple[int, int]] = {}
    for one in events:
        if one.kind == "handed_out":
            out[one.job] = one.at, one.event
        elif one.job in out:
            begin, event = out.pop(one.job)
            yield Lease(begin, one.at, one.job, event)
    for job, (begin, event) in out.items():
        yield Lease(begin, _NEVER, job, event)


def _filled(leases: Sequence[Lease], most: int) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """Give the stretches in which at least so many of the leases were out, cut where the set of them changes."""
    ends = [(lease.begin, 1, lease) for lease in leases] + [(lease.end, 0, lease) for lease in leases]
    ends.sort(key=lambda one: (one[0], one[1], one[2].event))
    out: dict[int, Lease] = {}
    since = 0
    for at, begins, lease in ends:
        if len(out) >= most and at > since:
            yield since, at, tuple(out)[:MOST_CITED]
        since = at
        if begins:
            out[lease.event] = lease
        else:
            out.pop(lease.event, None)
