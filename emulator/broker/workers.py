"""The registered workers: when the broker last heard of each, and what it answers to a heartbeat.

Each start of a worker's program is an incarnation of its own. Former incarnations are remembered: their messages may
still be on the way.
"""

from collections.abc import Callable
from typing import NamedTuple, Protocol

from emulator.broker.jobs import Attempt
from emulator.errors import DefectError
from emulator.record.events import Row

__all__ = ["Alarms", "HeartbeatReply", "Holder", "Message", "Workers"]


class HeartbeatReply(NamedTuple):
    """What a heartbeat brings back: tokens that are no longer good, and what people asked of the others."""

    refused: tuple[int, ...] = ()
    suspend: tuple[int, ...] = ()
    resume: tuple[int, ...] = ()


class Alarms(Protocol):
    """How the broker says when it wants to be woken; whoever drives it then calls ``Broker.due`` with the same words.

    An alarm is never cancelled: one whose reason has gone is ignored when it comes.
    """

    def ring(self, at: int, what: str, job: int, token: int) -> None:
        """Wake me at ``at``.

        ``what`` is one of ``time_limit``, ``total limit``, ``start`` (not started in time), which end things at
        their instant before anything else, or ``pause``, ``not_before``, ``allowance``, ``idempotency``, which
        take their turn among the rest.
        """
        ...

    def lease(self, attempt: Attempt) -> None:
        """A lease runs out at ``attempt.until`` unless it is renewed; wake me then with ``what="lease"``.

        Who computes heartbeats instead of simulating them may hold this one back as long as the heartbeats come
        through, and tells the broker by ``Broker.settle_lease`` what they have renewed by then.
        """
        ...

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """A worker is lost at ``at`` unless it is heard; wake me then by ``Broker.silence_due``. May be held back."""
        ...


class Holder:
    """One incarnation of a worker.

    Attributes:
        name, incarnation: whose record it is; serial: its number among all records, from 1.
        is_current: its program has neither ended nor started anew.
        silence: ticks without a message after which it is declared lost, None: never.
        heard: the tick of its last message.
        newest: the place of the newest message that has come, among all that it has sent.
        lost: it has been declared lost and not been heard since.
        leases: the attempts under its leases, by token (kept only if it may be declared lost).
        take_number, take_answer: its last request for a job, and the answer.
        beat_number, beat_reply: its last heartbeat, and the reply.
        refused: the numbers of its refused hand-ins, None as long as there are none.
    """

    __slots__ = (
        "beat_number",
        "beat_reply",
        "heard",
        "incarnation",
        "is_current",
        "leases",
        "lost",
        "name",
        "newest",
        "refused",
        "serial",
        "silence",
        "take_answer",
        "take_number",
    )

    def __init__(self, name: str, incarnation: int, serial: int, silence: int | None, now: int) -> None:
        self.name = name
        self.incarnation = incarnation
        self.serial = serial
        self.silence = silence
        self.heard = now
        self.newest = 0
        self.lost = False
        self.is_current = True
        self.leases: dict[int, Attempt] | None = None if silence is None else {}
        self.take_number = -1
        self.take_answer: Attempt | None = None
        self.beat_number = -1
        self.beat_reply = HeartbeatReply()
        self.refused: set[int] | None = None


Message = tuple[Holder, int, int]
"""(holder, number, order): whose message it is, and which.

The numbers of an incarnation's requests rise; the same number is the same request. ``order`` is the place of the
message among all that the incarnation has sent, rising; 0 on a link on which nothing can overtake it. Silence runs from
the newest that has come.
"""


class Workers:
    """The incarnations of workers that have registered.

    Attributes:
        now: the last one of each worker that has not signed off, by name.
        former: the others, by name and incarnation.
    """

    __slots__ = ("_emit", "_incarnations", "_last_serial", "_silence", "former", "now")

    def __init__(self, emit: Callable[[Row], int], alarms: Alarms) -> None:
        self._emit = emit
        self._silence = alarms.silence
        self.now: dict[str, Holder] = {}
        self.former: dict[tuple[str, int], Holder] = {}
        self._incarnations: dict[str, int] = {}
        self._last_serial = 0

    def register(self, now: int, cause: int, worker: str, incarnation: int, silence: int | None) -> Holder:
        """A worker's program has started: give its record, by which its messages are known from now on.

        It is declared lost after ``silence`` ticks without a message (None: never).

        Raises:
            DefectError: when the incarnation is not above the worker's earlier ones.
        """
        if incarnation <= self._incarnations.get(worker, -1):
            raise DefectError(f"worker {worker} came as incarnation {incarnation} again")
        self._incarnations[worker] = incarnation
        before = self.now.get(worker)
        if before is not None:
            self.former[worker, before.incarnation] = before
            before.is_current = False
        self._last_serial += 1
        holder = self.now[worker] = Holder(worker, incarnation, self._last_serial, silence, now)
        self._emit((now, "worker_registered", cause, 0, worker, incarnation))
        if silence is not None:
            self._silence(now + silence, worker, incarnation)
        return holder

    def sign_off(self, now: int, cause: int, worker: str, incarnation: int) -> None:
        """A worker leaves in good order; leases that it still has run out."""
        holder = self.holder(worker, incarnation)
        if self.now.get(worker) is holder:
            del self.now[worker]
            self.former[worker, incarnation] = holder
            holder.is_current = False
        holder.silence = None
        self._emit((now, "worker_signed_off", cause, 0, worker, incarnation))

    def holder(self, worker: str, incarnation: int) -> Holder:
        """Give the record of an incarnation, former ones included: their messages may still be on the way."""
        holder = self.now.get(worker)
        if holder is None or holder.incarnation != incarnation:
            holder = self.former.get((worker, incarnation))
            if holder is None:
                raise DefectError(f"worker {worker}, incarnation {incarnation}, has never been registered")
        return holder

    def heard(self, now: int, holder: Holder, order: int = 0) -> None:
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
                self._silence(now + holder.silence, holder.name, holder.incarnation)

    def hear(self, now: int, worker: str, incarnation: int, order: int) -> None:
        """A message came of which nothing can be decided yet; ``order`` as for ``take``."""
        self.heard(now, self.holder(worker, incarnation), order)

    def silence_end(self, worker: str, incarnation: int) -> int | None:
        """Give the tick at which a worker will be declared lost if it is not heard; None if it will not be."""
        holder = self.now.get(worker)
        if holder is None or holder.incarnation != incarnation or holder.silence is None or holder.lost:
            return None
        return holder.heard + holder.silence

    def is_lost(self, worker: str, incarnation: int) -> bool:
        """Say whether a worker has been declared lost and not been heard since."""
        holder = self.now.get(worker)
        return holder is not None and holder.incarnation == incarnation and holder.lost

    def settle_heard(self, worker: str, incarnation: int, at: int) -> None:
        """The last of the computed messages of a worker came at ``at``."""
        holder = self.holder(worker, incarnation)
        if at > holder.heard:
            self.heard(at, holder)
