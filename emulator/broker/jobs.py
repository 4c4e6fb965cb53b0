"""What is kept of a job (a record while it is unfinished, a few bytes once it is final) and of a worker.

Reasons to hold a job are bits; ``REASONS`` names every set of them, in alphabetical order, as events tell it.
"""

from array import array
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from emulator.broker.requests import HeartbeatReply, LeaseGrant
from emulator.broker.states import State

if TYPE_CHECKING:
    from emulator.broker.order import Entry, Lane, Line, Queue, Terms

__all__ = [
    "BY_PERSON",
    "ENDS",
    "NOT_DUE",
    "PAUSING",
    "PREREQUISITE",
    "REASONS",
    "Finished",
    "Holder",
    "Job",
    "Rare",
    "rare",
]

BY_PERSON: Final = 1
NOT_DUE: Final = 2
PAUSING: Final = 4
PREREQUISITE: Final = 8
_NAMES: Final = ((BY_PERSON, "by_person"), (NOT_DUE, "not_due"), (PAUSING, "pausing"), (PREREQUISITE, "prerequisite"))
REASONS: Final = tuple(",".join(name for bit, name in _NAMES if held & bit) for held in range(16))

ENDS: Final[tuple[tuple[State, str], ...]] = (
    (State.DONE, ""),
    (State.FAILED, "attempts_used_up"),
    (State.FAILED, "permanent_error"),
    (State.FAILED, "withdrawn"),
    (State.FAILED, "expired"),
    (State.FAILED, "out_of_time"),
    (State.FAILED, "prerequisite_failed"),
    (State.FAILED, "allowance_used_up"),
    (State.FAILED, "time_limit"),
)
"""Every final state with its sub-state."""

_CODES: Final = {sub_state: code for code, (_, sub_state) in enumerate(ENDS, 1)}


_ROOM: Final = 1024
"""Jobs for which room is made at a time."""


class Rare:
    """What only some jobs need.

    Attributes:
        lost: attempts that ended in a lost lease.
        cut: attempts that were ended by the time limit.
        own_pause: the policy's own pause before the present attempt, in ticks.
        due: the tick at which the pause ends.
        awaits: it waits for a token of the allowance.
        not_before: the tick until which it is not due.
        start_by: the tick at which it expires if it has not been started, -1: never.
        idempotency_key: "" for none.
        wanted, asked: see ``Facts``.
        suspended_at: the tick of the present suspension.
        suspended_for: ticks of the attempt's earlier suspensions.
    """

    __slots__ = (
        "asked",
        "awaits",
        "cut",
        "due",
        "idempotency_key",
        "lost",
        "not_before",
        "own_pause",
        "start_by",
        "suspended_at",
        "suspended_for",
        "wanted",
    )

    def __init__(self) -> None:
        self.lost = 0
        self.cut = 0
        self.own_pause = 0
        self.due = 0
        self.awaits = False
        self.not_before = 0
        self.start_by = -1
        self.idempotency_key = ""
        self.wanted = False
        self.asked = False
        self.suspended_at = 0
        self.suspended_for = 0


class Job:
    """An unfinished job.

    Attributes:
        number, key, submitted: its number, exclusive key and tick of submission.
        queue, line, lane: where it waits (``emulator.broker.order``); terms: on which it runs.
        entry: (-priority, place, job), by which it is ordered.
        waiting: it may be taken.
        inside, copied: its entry stands in its line or lane; a copy of it stands in the line of its lane.
        state, held, attempts: as the events tell them; ``held`` is a set of bits.
        born: the number of the event of its submission; ``since``: of the last that changed where it stands.
        token, holder, until, granted: its lease; token 0 if none is out.
        payload: whatever the caller keeps with it.
        rare: what only some jobs need, or None.
    """

    __slots__ = (
        "attempts",
        "born",
        "copied",
        "entry",
        "granted",
        "held",
        "holder",
        "inside",
        "key",
        "lane",
        "line",
        "number",
        "payload",
        "queue",
        "rare",
        "since",
        "state",
        "submitted",
        "terms",
        "token",
        "until",
        "waiting",
    )

    born: int
    entry: "Entry"
    granted: int
    since: int
    until: int

    def __init__(
        self,
        number: int,
        queue: "Queue",
        line: "Line",
        key: str,
        submitted: int,
        state: State,
        held: int,
        terms: "Terms",
    ) -> None:
        self.number = number
        self.queue: Queue = queue
        self.line: Line = line
        self.terms: Terms = terms
        self.lane: Lane | None = None
        self.key = key
        self.submitted = submitted
        self.state = state
        self.held = held
        self.attempts = 0
        self.token = 0
        self.holder: Holder | None = None
        self.waiting = False
        self.inside = False
        self.copied = False
        self.rare: Rare | None = None
        self.payload: Any = None

    def __str__(self) -> str:
        return f"job {self.number}"


def rare(job: Job) -> Rare:
    """Give what only some jobs need, made when first asked for."""
    found = job.rare
    if found is None:
        found = job.rare = Rare()
    return found


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


class Finished:
    """How each job ended, in some five bytes a job.

    >>> ended = Finished(first=1); ended.close(3, "", 2); ended.how(3), ended.attempts(3), ended.how(2), ended.how(4)
    ((<State.DONE: 'done'>, ''), 2, None, None)
    """

    __slots__ = ("_attempts", "_codes", "_first")

    def __init__(self, first: int) -> None:
        self._first = first
        self._codes = bytearray()
        self._attempts = array("I")

    def close(self, job: int, sub_state: str, attempts: int) -> None:
        """Keep how a job ended: done if ``sub_state`` is empty, else failed."""
        index = job - self._first
        if index >= len(self._codes):
            missing = index + _ROOM - len(self._codes)
            self._codes.extend(bytes(missing))
            self._attempts.extend([0] * missing)
        self._codes[index] = _CODES[sub_state]
        self._attempts[index] = attempts

    def how(self, job: int) -> tuple[State, str] | None:
        """Give the final state and sub-state, or None for a job that is unfinished."""
        index = job - self._first
        code = self._codes[index] if index < len(self._codes) else 0
        return ENDS[code - 1] if code else None

    def attempts(self, job: int) -> int:
        """Give the number of attempts of a finished job."""
        return self._attempts[job - self._first]

    def __iter__(self) -> Iterator[tuple[int, tuple[State, str]]]:
        """Give the number of each finished job with how it ended."""
        for index, code in enumerate(self._codes):
            if code:
                yield self._first + index, ENDS[code - 1]
