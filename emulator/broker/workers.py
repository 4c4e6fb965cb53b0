"""What does the broker know of a worker? When it heard of it last, and what it answered to its last requests.

Each start of a worker's program is an incarnation with a number of its own, and a record of its own.
"""

from typing import TYPE_CHECKING

from emulator.broker.requests import HeartbeatReply, LeaseGrant

if TYPE_CHECKING:
    from emulator.broker.jobs import Job

__all__ = ["Holder"]


class Holder:
    """One incarnation of a worker.

    Attributes:
        name, incarnation: whose record it is; serial: its number among all records, from 1.
        silence: ticks without a message after which it is declared lost, None: never.
        heard: the tick of its last message.
        newest: the place of the newest message that has come, among all that it has sent.
        lost: it has been declared lost and not been heard since.
        leases: its leases by token (kept only if it may be declared lost).
        take_number, take_answer: its last request for a job, and the answer.
        beat_number, beat_reply: its last heartbeat, and the reply.
        refused: the numbers of its refused hand-ins, None as long as there are none.
    """

    __slots__ = (
        "beat_number",
        "beat_reply",
        "heard",
        "incarnation",
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
        self.leases: dict[int, Job] | None = None if silence is None else {}
        self.take_number = -1
        self.take_answer: LeaseGrant | None = None
        self.beat_number = -1
        self.beat_reply = HeartbeatReply()
        self.refused: set[int] | None = None
