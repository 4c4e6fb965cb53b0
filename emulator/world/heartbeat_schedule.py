"""Draws when each heartbeat of a worker is due, and which are lost on the way.

Both modes of heartbeats share these draws and nothing else. Heartbeat k (counted from 1) of an incarnation is due at
origin + k * period + jitter(k), never cumulative; jitter is less than half a period either way. Losses of a share are
keyed geometric gaps between lost heartbeats, so that they need no draw for those that get through.
"""

from typing import Protocol

from emulator.broker.jobs import Attempt
from emulator.timeline.agenda import MESSAGES, Agenda
from emulator.world.draws import Draws, Purpose, geometric, whole
from emulator.world.worker import Worker

__all__ = ["HeartbeatSchedule", "Heartbeats"]

_JITTER = int(Purpose.HEARTBEAT_JITTER)
_LOSS = int(Purpose.HEARTBEAT_LOSS)
_MESSAGE = int(Purpose.MESSAGE_LOSS)
_DELAY = int(Purpose.MESSAGE_DELAY)

OUT = 1
BACK = 2
BEAT = 0
"""The kind of message in the draws of links; requests are kind 1."""


class Heartbeats(Protocol):
    """What either mode of heartbeats is told, so that leases and silences end in time."""

    def lease(self, attempt: Attempt, /) -> None:
        """A lease was granted or has been renewed."""

    def silence(self, at: int, worker: str, incarnation: int, /) -> None:
        """The broker wants to know at ``at`` whether a worker was heard since."""

    def started(self, worker: Worker, /) -> None:
        """A program has started."""

    def settle(self, worker: Worker, /) -> None:
        """Something about a worker is about to change: what its heartbeats have done by now must stand."""

    def changed(self, worker: Worker, /) -> None:
        """Something about a worker, its link or the broker has changed."""

    def began(self, attempt: Attempt, /) -> None:
        """A worker has begun to work on what it was handed."""

    def dropped(self, worker: Worker, attempt: Attempt, /) -> None:
        """A worker does not name a token in its heartbeats any more."""

    def want_contact(self, worker: Worker, /) -> None:
        """There is something that a worker's next heartbeat has to bring back."""

    def thawed(self, worker: Worker, frozen_at: int, /) -> None:
        """A worker that stood still goes on."""


class HeartbeatSchedule:
    """The draws of heartbeats, with a memory of where the lost ones lie."""

    __slots__ = ("_draws", "_lost")

    def __init__(self, draws: Draws) -> None:
        self._draws = draws
        self._lost: dict[tuple[int, int, float, int], tuple[list[int], set[int]]] = {}

    def due(self, worker: Worker, k: int) -> int:
        """Give the tick at which heartbeat ``k`` of the present incarnation is sent."""
        at = worker.beat_origin + k * worker.heartbeat
        if worker.jitter:
            u = self._draws.uniform(_JITTER, worker.key, k, worker.incarnation)
            at += whole(u, 1 - worker.jitter, worker.jitter - 1)
        return at

    def first_from(self, worker: Worker, tick: int) -> int:
        """Give the number of the first heartbeat that is due at ``tick`` or later."""
        first = worker.first_beat
        k = max(first, -((worker.beat_origin - tick) // worker.heartbeat))
        if worker.jitter:
            k = max(first, k - 1)
            while self.due(worker, k) < tick:
                k += 1
        return k

    def next(self, worker: Worker, agenda: Agenda) -> int:
        """Give the number of the first heartbeat that has not had its turn yet."""
        k = self.first_from(worker, agenda.now)
        return k + agenda.has_passed(self.due(worker, k), MESSAGES, worker.index, k)

    def overdue(self, worker: Worker, now: int, frozen_at: int) -> int:
        """Give the number of the last heartbeat that fell due while a worker stood still; 0 for none."""
        k = self.first_from(worker, now) - 1
        if worker.missed_beat or (k >= worker.first_beat and self.due(worker, k) >= frozen_at):
            return k
        return 0

    def is_lost(self, worker: Worker, k: int) -> bool:
        """Say whether heartbeat ``k`` is among those that a fault loses."""
        share = worker.heartbeat_loss
        if not share:
            return False
        if share >= 1:
            return True
        key = (worker.key, worker.incarnation, share, worker.loss_from)
        if key not in self._lost:
            self._lost[key] = ([worker.loss_from], set())
        last, lost = self._lost[key]
        while last[0] < k:
            u = self._draws.uniform(_LOSS, worker.key, last[0], worker.incarnation)
            last[0] += geometric(u, share) + 1
            lost.add(last[0])
        return k in lost

    def gets_through(self, worker: Worker, k: int) -> bool:
        """Say whether heartbeat ``k`` reaches the broker, faults of the link apart from a cut."""
        if self.is_lost(worker, k):
            return False
        loss = worker.link.loss_out
        return not loss or self._draws.uniform(_MESSAGE, worker.key, k, worker.incarnation * 4 + BEAT, OUT) >= loss

    def answer_gets_through(self, worker: Worker, k: int) -> bool:
        """Say whether the answer to heartbeat ``k`` reaches the worker, a cut apart."""
        loss = worker.link.loss_back
        return not loss or self._draws.uniform(_MESSAGE, worker.key, k, worker.incarnation * 4 + BEAT, BACK) >= loss

    def delay_out(self, worker: Worker, k: int) -> int:
        """Give how long heartbeat ``k`` is on its way."""
        law = worker.delay_out
        if law is None:
            return 0
        return law.sample(self._draws.row(_DELAY, worker.key, k, worker.incarnation * 4 + BEAT, OUT))

    def delay_back(self, worker: Worker, k: int) -> int:
        """Give how long the answer to heartbeat ``k`` is on its way."""
        law = worker.delay_back
        if law is None:
            return 0
        return law.sample(self._draws.row(_DELAY, worker.key, k, worker.incarnation * 4 + BEAT, BACK))
