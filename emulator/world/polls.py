"""Who waits for work, and who gets what, when work is handed over at the end of an instant?

The law: everything else of an instant goes first, so that all that came, ended or became free in its course is there.
Then the best job that anybody who asks may have is handed over, and so on until nobody may have any. Of those who may
have it, the worker that has been idle for the longest gets it; among equals, the first by its place in the scenario.
Neither the order of wake-ups nor what else is due at the instant has a say. A job that takes several slots may be had
by workers with as many free: where there are such jobs, only workers with equally many free slots are alike.

Who asks at an instant: an idle worker with ``poll: 0``, at every one; another, every p ticks from its last request on
(the first after each attempt comes at once); and whose request has come over a link that takes time. A request of an
idle worker that would find nothing changes nothing, so it is not simulated: when a job becomes eligible, the next one
that could get it follows by arithmetic, from the places of the idle workers within the period. A worker whose link is
slow or loses messages is told at once that there is work, and sends for it.
"""

from bisect import bisect_left, insort
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from itertools import count
from typing import TYPE_CHECKING, Any

from emulator.broker.matching import Offer
from emulator.broker.order import Entry
from emulator.timeline.agenda import HANDING, MESSAGES
from emulator.world.contact import Request
from emulator.world.worker import Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Polls"]

Signature = tuple[tuple[str, ...], Offer, int, tuple[str, float] | None]
"""(queues, offer, poll, (pool, speed) if it declines what it cannot end in time): such workers are alike."""

Candidate = tuple[int, int, int, Worker, Request | None]
"""(idle since, worker's place, order among equals, worker, its request if that has come over a link)."""

Reply = Callable[[Request, Any], None]

_BY_REQUEST = -1
"""Stands for the period of those who ask by a request that comes over a link."""


class _Alike:
    """Those of one signature who wait for work, or have sent for it.

    Attributes:
        candidates: a heap of who may ask at this instant; some may wait no longer, or have been busy since.
        places: of those who poll, in order: (place within the period, worker's place, worker).
        next_at: the next poll that is foreseen, -1 for none.
        speed: their speed, if they decline what they cannot end in time.
    """

    __slots__ = ("candidates", "next_at", "offer", "places", "poll", "queues", "speed", "worker")

    def __init__(self, signature: Signature, worker: Worker) -> None:
        self.queues, self.offer, self.poll, declines = signature
        self.worker = worker  # one of them, for what they have in common
        self.speed = None if declines is None else worker.real_speed
        self.candidates: list[Candidate] = []
        self.places: list[tuple[int, int, Worker]] = []
        self.next_at = -1


class Polls:
    """Knows who waits for work, and hands it over.

    Attributes:
        waiting: how many workers wait.
    """

    __slots__ = (
        "_agenda",
        "_alike",
        "_asked",
        "_broker",
        "_by_slots",
        "_due_at",
        "_groups",
        "_number",
        "_periodic",
        "_to_wake",
        "_world",
        "waiting",
    )

    def __init__(self, world: "World") -> None:
        self._world = world
        self._agenda = world.agenda
        self._broker = world.broker
        self._by_slots = any(routine.takes_slots > 1 for routine in world.scenario.routines.values())
        self._alike: dict[Signature, _Alike] = {}
        self._groups: list[_Alike] = []
        self._periodic: list[_Alike] = []  # those of them who do not ask at every instant
        self._asked: list[tuple[Request, Reply]] = []
        self._due_at = -1
        self._to_wake: dict[str, None] = {}
        self._number = count().__next__
        self.waiting = 0

    # -- idle workers -------------------------------------------------------------------------------------------------

    def wait(self, worker: Worker, anchor: int, free: int | None = None) -> None:
        """A worker has a free slot and nothing to put in it; one that polls asks every period, from ``anchor`` on.

        ``free``: how many of its slots are free, if not as many as it says itself.
        """
        if self._by_slots:
            self._group(worker, worker.poll, worker.free if free is None else free)
        alike: _Alike = worker.group or self._group(worker, worker.poll, 1)
        worker.waiting = True
        self.waiting += 1
        heappush(alike.candidates, (worker.idle_since, worker.index, self._number(), worker, None))
        if alike.poll:
            worker.poll_anchor = anchor
            worker.asked_at = -1
            insort(alike.places, (anchor % alike.poll, worker.index, worker), key=_place)
        if self._due_at < 0 and (self._broker.has_waiting(alike.queues) or self._world.doubles):
            self.hand_over_soon()

    def offer(self, worker: Worker, free: int) -> Offer:
        """Give what a worker with so many free slots offers a job."""
        return (worker.equipment, free) if self._by_slots and free != 1 else worker.equipment

    def stay(self, worker: Worker, free: int) -> None:
        """A worker that waits has begun or ended something: it stands behind those idle for longer.

        ``free``: how many of its slots are free, with what it is about to begin.
        """
        if self._by_slots:  # those with as many are others now
            asked_at = worker.asked_at
            self.leave(worker)
            self.wait(worker, worker.poll_anchor, free)
            worker.asked_at = asked_at
            return
        heappush(worker.group.candidates, (worker.idle_since, worker.index, self._number(), worker, None))

    def leave(self, worker: Worker) -> None:
        """A worker no longer waits, whatever the reason."""
        if not worker.waiting:
            return
        alike: _Alike = worker.group
        worker.waiting = False
        self.waiting -= 1
        if alike.poll:
            alike.places.pop(bisect_left(alike.places, (worker.poll_anchor % alike.poll, worker.index), key=_place))

    def changed(self, worker: Worker, change: Callable[[], None]) -> None:
        """Change what makes a worker like others, waiting or not."""
        was_waiting = worker.waiting
        self.leave(worker)
        change()
        worker.group = None
        if was_waiting:
            self.wait(worker, worker.poll_anchor)

    def asked(self, request: Request, reply: Reply) -> None:
        """A request has reached the broker: ``reply`` is called with it and its answer as work is handed over."""
        worker = request.worker
        self._broker.hear(self._agenda.now, worker.name, request.incarnation, request.arrived)
        self._asked.append((request, reply))
        if not request.is_decided:
            alike = self._group(worker, _BY_REQUEST, request.free)
            heappush(alike.candidates, (worker.idle_since, worker.index, self._number(), worker, request))
        self.hand_over_soon()

    def _group(self, worker: Worker, poll: int, free: int) -> _Alike:
        declines = any(window.skips_jobs_too_long_to_finish for window in worker.model.windows)
        able = (worker.pool, worker.real_speed) if declines else None
        signature = (worker.queues, self.offer(worker, free), poll, able)
        alike = self._alike.get(signature)
        if alike is None:
            alike = self._alike[signature] = _Alike(signature, worker)
            self._groups.append(alike)
            if poll:
                self._periodic.append(alike)
        if poll != _BY_REQUEST:
            worker.group = alike
        return alike

    # -- handing over -------------------------------------------------------------------------------------------------

    def match(self) -> None:
        """Jobs have become eligible: hand them over at the end of this instant, if anybody might have them."""
        fresh = self._broker.fresh
        if self._world.sleepers:
            self._to_wake.update(dict.fromkeys(fresh))
            self.hand_over_soon()
        elif self.waiting and self._due_at < 0:
            self.hand_over_soon()
        fresh.clear()

    def hand_over_soon(self) -> None:
        """Hand work over at the end of this instant."""
        if self._due_at < 0:
            self._due_at = now = self._agenda.now
            self._agenda.at(now, self.hand_over, None, HANDING)

    def hand_over(self, _: object) -> None:
        """End an instant: let those who ask have what is eligible by now."""
        now = self._agenda.now
        for alike in self._periodic:
            self._add_due(alike, now)
        if self._broker.is_up:
            while (self.waiting or self._asked) and self._hand_over_one(now):
                pass
        self._due_at = -1
        for alike in self._periodic:
            self._end_asking(alike, now)
        if self._asked:
            self._answer()
        if self._to_wake:
            self._wake()

    def _hand_over_one(self, now: int) -> bool:
        """Hand over the best job that anybody may have; say whether there was one."""
        world = self._world
        if world.doubles and self._hand_over_double(now):
            return True
        chosen: _Alike | None = None
        found: Entry | None = None
        for alike in self._groups:
            candidates = alike.candidates
            if not candidates or not self._asks_first(alike, now):
                continue
            left = None if alike.speed is None else world.time_left(alike.worker, alike.speed)
            entry = self._broker.best(alike.queues, alike.offer, left)
            if entry is None:
                continue
            if (
                found is None
                or entry < found
                or (entry is found and chosen is not None and candidates[0] < chosen.candidates[0])
            ):
                chosen, found = alike, entry
        if chosen is None or found is None:
            return False
        _, _, _, worker, request = heappop(chosen.candidates)
        if request is not None:
            world.grant(request)
        elif worker.is_plain:
            world.take_at_once(worker, found)
        else:
            self.leave(worker)
            world.ask(worker)
        if self.waiting:  # and so this goes on; the last is the step that the entry stands for
            self._agenda.step(self.hand_over, (found[2], worker))
        return True

    def _asks_first(self, alike: _Alike, now: int) -> bool:
        """Drop those who do not ask now from the head of a group; say whether anybody does."""
        candidates = alike.candidates
        while candidates:
            since, _, _, worker, request = candidates[0]
            if request is not None:
                return True
            if (
                worker.waiting
                and since == worker.idle_since
                and worker.group is alike
                and (not alike.poll or _asks(worker, now))
            ):
                return True
            heappop(candidates)  # it has left since, or has had something to do: then it stands further back
        return False

    def _hand_over_double(self, now: int) -> bool:
        """Deliver what a fault has the broker hand out twice; say whether anybody could have it."""
        world = self._world
        asking = [
            (worker.idle_since, index, number, worker, request, alike.candidates)
            for alike in self._groups
            for _, index, number, worker, request in alike.candidates
            if request is not None or (worker.waiting and worker.group is alike and _asks(worker, now))
        ]
        for _, _, _, worker, request, candidates in sorted(asking, key=lambda one: one[:3]):
            if not (queue := world.double_for(worker, worker.free if request is None else request.free)):
                continue
            if request is not None:
                candidates[:] = [candidate for candidate in candidates if candidate[4] is not request]
                heapify(candidates)
                world.grant_double(request, queue)
            elif worker.is_plain:
                world.take_double(worker, queue)
            else:
                self.leave(worker)
                world.ask(worker)
            return True
        return False

    def _answer(self) -> None:
        """Answer the requests that have come, now that it is decided what each is given."""
        asked, self._asked = self._asked, []
        if not self._broker.is_up:
            return
        for request, _ in asked:
            if not request.is_decided:
                self._world.grant(request)
        for request, reply in asked:
            reply(request, request.granted)

    def _wake(self) -> None:
        """Switch machines on that sleep until there is work."""
        fresh, self._to_wake = self._to_wake, {}
        for queue in self._world.sleepers:
            if queue in fresh:
                self._world.power.wake_for(queue)

    # -- those who poll -----------------------------------------------------------------------------------------------

    def _add_due(self, alike: _Alike, now: int) -> None:
        """Let those ask whose period ends now."""
        places, due = alike.places, now % alike.poll
        place = bisect_left(places, (due, -1), key=_place)
        while place < len(places) and places[place][0] == due:
            worker = places[place][2]
            heappush(alike.candidates, (worker.idle_since, worker.index, self._number(), worker, None))
            place += 1

    def _end_asking(self, alike: _Alike, now: int) -> None:
        """Nobody gets anything more at this instant: foresee when one asks again that could find something."""
        for _, _, _, worker, _ in alike.candidates:
            worker.asked_at = now
        alike.candidates.clear()
        if not alike.places or (not self._world.doubles and self._broker.best(alike.queues, alike.offer, None) is None):
            return
        period, start = alike.poll, now + 1
        place = bisect_left(alike.places, (start % period, -1), key=_place)
        wrapped = 0 if place < len(alike.places) else period
        found = alike.places[place if not wrapped else 0]
        at = start - start % period + wrapped + found[0]
        if not now < alike.next_at <= at:
            alike.next_at = at
            self._agenda.at(at, self._poll, None, MESSAGES, found[1])

    def _poll(self, _: object) -> None:
        self.hand_over_soon()


def _asks(worker: Worker, now: int) -> bool:
    """Say whether a worker that waits asks at this instant, and has not done so before in it."""
    poll = worker.poll
    return not poll or (worker.asked_at != now and (now - worker.poll_anchor) % poll == 0)


def _place(entry: tuple[int, int, Worker] | tuple[int, int]) -> tuple[int, int]:
    return entry[0], entry[1]
