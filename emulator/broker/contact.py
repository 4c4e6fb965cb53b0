"""Which workers are there, and when was each heard of last?

A worker's program is registered when it starts; each start is an incarnation of its own. Former incarnations are
remembered: their messages may still be on the way.
"""

from emulator.broker.endings import Endings
from emulator.broker.workers import Holder
from emulator.errors import DefectError

__all__ = ["Contact"]


class Contact(Endings):
    """The layer that knows workers."""

    __slots__ = ()

    def register(self, now: int, cause: int, worker: str, incarnation: int, silence: int | None) -> None:
        """A worker's program has started; it is declared lost after ``silence`` ticks without a message (None: never).

        Raises:
            DefectError: when the incarnation is not above the worker's earlier ones.
        """
        if incarnation <= self._incarnations.get(worker, -1):
            raise DefectError(f"worker {worker} came as incarnation {incarnation} again")
        self._incarnations[worker] = incarnation
        before = self._workers.get(worker)
        if before is not None:
            self._former[worker, before.incarnation] = before
        self._last_serial += 1
        self._workers[worker] = Holder(worker, incarnation, self._last_serial, silence, now)
        self._emit((now, "worker_registered", cause, 0, worker, incarnation))
        if silence is not None:
            self._alarms.silence(now + silence, worker, incarnation)

    def sign_off(self, now: int, cause: int, worker: str, incarnation: int) -> None:
        """A worker leaves in good order; leases that it still has run out."""
        holder = self._holder(worker, incarnation)
        if self._workers.get(worker) is holder:
            del self._workers[worker]
            self._former[worker, incarnation] = holder
        holder.silence = None
        self._emit((now, "worker_signed_off", cause, 0, worker, incarnation))

    def _holder(self, worker: str, incarnation: int) -> Holder:
        """Give the record of an incarnation, former ones included: their messages may still be on the way."""
        holder = self._workers.get(worker)
        if holder is None or holder.incarnation != incarnation:
            holder = self._former.get((worker, incarnation))
            if holder is None:
                raise DefectError(f"worker {worker}, incarnation {incarnation}, has never been registered")
        return holder

    def _heard(self, now: int, holder: Holder, order: int = 0) -> None:
        """A message came; who was declared lost is known again, though its old tokens stay dead.

        One that a newer message has overtaken says nothing of the worker now: silence runs from the newest.
        """
        if order:
            if order < holder.newest:
                return
            holder.newest = order
        holder.heard = now
        if holder.lost:
            holder.lost = False
            if holder.silence is not None:
                self._alarms.silence(now + holder.silence, holder.name, holder.incarnation)

    def hear(self, now: int, worker: str, incarnation: int, order: int) -> None:
        """A message came of which nothing can be decided yet; ``order`` as for ``take``."""
        self._heard(now, self._holder(worker, incarnation), order)

    def silence_end(self, worker: str, incarnation: int) -> int | None:
        """Give the tick at which a worker will be declared lost if it is not heard; None if it will not be."""
        holder = self._workers.get(worker)
        if holder is None or holder.incarnation != incarnation or holder.silence is None or holder.lost:
            return None
        return holder.heard + holder.silence

    def is_lost(self, worker: str, incarnation: int) -> bool:
        """Say whether a worker has been declared lost and not been heard since."""
        holder = self._workers.get(worker)
        return holder is not None and holder.incarnation == incarnation and holder.lost

    def settle_heard(self, worker: str, incarnation: int, at: int) -> None:
        """The last of the computed messages of a worker came at ``at``."""
        holder = self._holder(worker, incarnation)
        if at > holder.heard:
            self._heard(at, holder)
