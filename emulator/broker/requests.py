"""What is asked of the broker, and what does it answer? All of it is plain data that could cross a network."""

from typing import TYPE_CHECKING, NamedTuple, Protocol

from emulator.broker.prerequisites import After

if TYPE_CHECKING:
    from emulator.broker.order import Terms

__all__ = ["Alarms", "HeartbeatReply", "LeaseGrant", "Submission"]


class Submission(NamedTuple):
    """A job as it is submitted.

    Attributes:
        routine, queue: names.
        entry, ordinal: the arrival entry that it belongs to and its number in it, counted from 1.
        key: the exclusive key ("" for none).
        priority: higher goes first.
        requires: what a worker must have, as a sorted tuple of requirements (``tape``, ``tape>=2.1``).
        expected: the stated expectation of its work in ticks (what a declining worker looks at).
        idempotency_key: "" for none.
        not_before: tick until which it is held.
        after: what must end first, or None.
        origin: the number of the job that this one puts back (0: none).
        night: in which night it is due, counted from 0.
        terms: on which it runs, in place of those of its queue.
    """

    routine: str
    queue: str
    entry: str
    ordinal: int
    key: str = ""
    priority: int = 0
    requires: tuple[str, ...] = ()
    expected: int = 0
    idempotency_key: str = ""
    not_before: int = 0
    after: After | None = None
    origin: int = 0
    night: int = 0
    terms: "Terms | None" = None


class LeaseGrant(NamedTuple):
    """The right to work on a job in [granted, until)."""

    job: int
    attempt: int
    token: int
    granted: int
    until: int


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

    def lease(self, at: int, job: int, token: int, worker: str, length: int) -> None:
        """A lease runs out at ``at`` unless it is renewed; wake me then with ``what="lease"``.

        ``length`` is what a renewal gives it from its instant on, 0 on a queue without renewal.

        Who computes heartbeats instead of simulating them may hold this one back as long as the heartbeats come
        through, and tells the broker by ``Broker.settle_lease`` what they have renewed by then.
        """
        ...

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """A worker is lost at ``at`` unless it is heard; wake me then by ``Broker.silence_due``. May be held back."""
        ...
