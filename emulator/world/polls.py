"""Which idle worker asks for work, and when?

With ``poll: 0`` the broker hands over at once: of the idle workers that may have a job, the one with the lowest place
in the scenario gets it. Otherwise an idle worker asks every p ticks from its last fruitless request on. A request that
would find nothing changes nothing, so it is not simulated: when a job becomes eligible, the next request that could
get it follows by arithmetic, from the places of the idle workers within the period.
"""

from bisect import bisect_left, insort
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from emulator.broker.order import Entry
from emulator.timeline.agenda import MESSAGES
from emulator.world.worker import Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Polls"]

Signature = tuple[tuple[str, ...], frozenset[str], int]
"""(queues, equipment, poll): workers of one signature are alike to the broker."""


class _Alike:
    """The idle workers of one signature."""

    __slots__ = ("count", "next_at", "places", "pushed", "signature", "version")

    def __init__(self, signature: Signature) -> None:
        self.signature = signature
        self.count = 0
        self.pushed: list[tuple[int, Worker]] = []
        self.places: list[tuple[int, int, Worker]] = []  # (place within the period, worker's place, worker)
        self.next_at = -1
        self.version = 0


class Polls:
    """Knows the idle workers and lets them ask.

    Attributes:
        waiting: by its place, the group of each worker that waits for work.
        handed: how many of them do not poll.
    """

    __slots__ = ("_alike", "_by_queue", "_world", "handed", "waiting")

    def __init__(self, world: "World") -> None:
        self._world = world
        self._alike: dict[Signature, _Alike] = {}
        self._by_queue: dict[str, list[_Alike]] = {}
        self.waiting: dict[int, _Alike] = {}
        self.handed = 0

    # -- idle workers -------------------------------------------------------------------------------------------------

    def wait(self, worker: Worker, anchor: int) -> None:
        """A worker has nothing to do: its requests come every period, counted from ``anchor``."""
        worker.waiting = True
        worker.poll_anchor = anchor
        alike = self._group(worker)
        self.waiting[worker.index] = alike
        alike.count += 1
        if not worker.poll:
            self.handed += 1
            heappush(alike.pushed, (worker.index, worker))
        else:
            insort(alike.places, (anchor % worker.poll, worker.index, worker), key=_place)
            if self._world.broker.best(worker.queues, worker.equipment, None) is not None:
                self._schedule(alike)

    def leave(self, worker: Worker) -> None:
        """A worker no longer waits."""
        if not worker.waiting:
            return
        worker.waiting = False
        alike = self.waiting.pop(worker.index)
        alike.count -= 1
        if worker.poll:
            alike.places.pop(self._find(alike, worker))
        else:
            self.handed -= 1

    def anyone_waits(self, worker: Worker) -> Worker | None:
        """Give another idle worker that serves a queue of this one, the first by place."""
        found: Worker | None = None
        for queue in worker.queues:
            for alike in self._by_queue.get(queue, ()):
                if not alike.count:
                    continue
                candidates = [w for _, w in alike.pushed if w.waiting] + [w for _, _, w in alike.places]
                for candidate in candidates:
                    if candidate is not worker and (found is None or candidate.index < found.index):
                        found = candidate
        return found

    def _group(self, worker: Worker) -> _Alike:
        signature = (worker.queues, worker.equipment, worker.poll)
        alike = self._alike.get(signature)
        if alike is None:
            alike = self._alike[signature] = _Alike(signature)
            for queue in worker.queues:
                self._by_queue.setdefault(queue, []).append(alike)
        return alike

    @staticmethod
    def _find(alike: _Alike, worker: Worker) -> int:
        return bisect_left(alike.places, (worker.poll_anchor % worker.poll, worker.index), key=_place)

    # -- asking -------------------------------------------------------------------------------------------------------

    def match(self) -> None:
        """Jobs have become eligible: let idle workers have them, at once or at their next request."""
        world = self._world
        fresh = world.broker.fresh
        while fresh:
            queue = fresh.pop()
            del fresh[:]  # whatever else is new is found by the looks below, which take every queue of a group
            groups = self._by_queue.get(queue, ()) if len(self._by_queue) == 1 else list(self._alike.values())
            self._push(groups)
            for alike in groups:
                if alike.places and self._best(alike) is not None:
                    self._schedule(alike)

    def hand_over(self) -> None:
        """Let idle workers that do not poll have what is eligible by now."""
        self._push(list(self._alike.values()))

    def _push(self, groups: "list[_Alike] | tuple[_Alike, ...]") -> None:
        """Let idle workers to whom work is handed over have what they may have, lowest place first."""
        while True:
            best: _Alike | None = None
            found: Entry | None = None
            for alike in groups:
                pushed = alike.pushed
                while pushed and not self._is_current(alike, pushed[0][1]):
                    heappop(pushed)
                if pushed and (best is None or pushed[0][0] < best.pushed[0][0]):
                    entry = self._best(alike)
                    if entry is not None:
                        best, found = alike, entry
            if best is None:
                return
            worker = heappop(best.pushed)[1]
            self.leave(worker)
            self._world.ask(worker, found)
            if worker.waiting and self._best(best) is not None:
                # it declined what its group may have (it cannot end in time): pass it over for now
                self._pass_over(best, worker)
                return

    def _pass_over(self, alike: _Alike, declined: Worker) -> None:
        for _, worker in sorted(alike.pushed, key=lambda pair: pair[0]):
            if worker is declined or not self._is_current(alike, worker):
                continue
            self.leave(worker)
            self._world.ask(worker)

    def _is_current(self, alike: _Alike, worker: Worker) -> bool:
        return worker.waiting and self.waiting.get(worker.index) is alike

    def _best(self, alike: _Alike) -> Entry | None:
        """Give what a worker of a group would be given now."""
        queues, equipment, _ = alike.signature
        broker = self._world.broker
        return broker.best(queues, equipment, None) if broker.is_up else None

    def _schedule(self, alike: _Alike) -> None:
        """Foresee the next request of a group that could find something."""
        agenda = self._world.agenda
        period = alike.signature[2]
        start = agenda.now + (agenda.rank >= MESSAGES)
        place = bisect_left(alike.places, (start % period, -1), key=_place)
        if place == len(alike.places):
            found, wrapped = alike.places[0], period
        else:
            found, wrapped = alike.places[place], 0
        at = start - start % period + wrapped + found[0]
        if alike.next_at < 0 or at < alike.next_at or alike.next_at < agenda.now:
            alike.next_at = at
            alike.version += 1
            agenda.at(at, self._poll, (alike, alike.version), MESSAGES, found[1], 1 << 60)

    def _poll(self, what: tuple[_Alike, int]) -> None:
        alike, version = what
        if version != alike.version:
            return
        alike.next_at = -1
        now, period = self._world.agenda.now, alike.signature[2]
        place = bisect_left(alike.places, (now % period, -1), key=_place)
        due = []
        while place < len(alike.places) and alike.places[place][0] == now % period:
            due.append(alike.places[place][2])
            place += 1
        for worker in due:
            if worker.waiting and (found := self._best(alike)) is not None:
                self.leave(worker)
                self._world.ask(worker, found)
        if alike.places and self._best(alike) is not None:
            self._schedule(alike)


def _place(entry: tuple[int, int, Worker] | tuple[int, int]) -> tuple[int, int]:
    return entry[0], entry[1]
