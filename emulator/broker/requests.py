"""What is asked of the broker, and what does it answer? All of it is plain data that could cross a network."""

from typing import TYPE_CHECKING, NamedTuple, Protocol

if TYPE_CHECKING:
    from emulator.broker.jobs import Attempt

__all__ = ["Alarms", "HeartbeatReply"]


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

    def lease(self, attempt: "Attempt") -> None:
        """A lease runs out at ``attempt.until`` unless it is renewed; wake me then with ``what="lease"``.

        Who computes heartbeats instead of simulating them may hold this one back as long as the heartbeats come
        through, and tells the broker by ``Broker.settle_lease`` what they have renewed by then.
        """
        ...

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """A worker is lost at ``at`` unless it is heard; wake me then by ``Broker.silence_due``. May be held back."""
        ...
