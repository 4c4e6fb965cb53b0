"""What is kept of a job (a record while it is unfinished, a few bytes once it is final) and of a worker.

Reasons to hold a job are bits; ``REASONS`` names every set of them, in alphabetical order, as events tell it.
"""

from array import array
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Protocol

from emulator.broker.prerequisites import After
from emulator.broker.requests import HeartbeatReply
from emulator.broker.rules import Outcome
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
    "Attempt",
    "Finished",
    "Holder",
    "Job",
    "Rare",
    "Source",
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
        idempotency_key: "" for none.
        not_before: the tick until which it is not due, 0 if it is due at once.
        after: what must end first, or None.
        origin: the number of the job that this one puts back, 0 for none.
        night: in which night it is due, counted from 0.
        lost: attempts that ended in a lost lease.
        cut: attempts that were ended by the time limit.
        own_pause: the policy's own pause before the present attempt, in ticks.
        due: the tick at which the pause ends.
        awaits: it waits for a token of the allowance.
        start_by: the tick at which it expires if it has not been started, -1: never.
        wanted, asked: see ``Facts``.
        suspended_at: the tick of the present suspension.
        suspended_for: ticks of the attempt's earlier suspensions.
    """

    __slots__ = (
        "after",
        "asked",
        "awaits",
        "cut",
        "due",
        "idempotency_key",
        "lost",
        "night",
        "not_before",
        "origin",
        "own_pause",
        "start_by",
        "suspended_at",
        "suspended_for",
        "wanted",
    )

    def __init__(self) -> None:
        self.idempotency_key = ""
        self.not_before = 0
        self.after: After | None = None
        self.origin = 0
        self.night = 0
        self.lost = 0
        self.cut = 0
        self.own_pause = 0
        self.due = 0
        self.awaits = False
        self.start_by = -1
        self.wanted = False
        self.asked = False
        self.suspended_at = 0
        self.suspended_for = 0


class Routine(Protocol):
    """What the broker reads of the routine of a job: its name, its queue, and what a worker must have."""

    @property
    def name(self) -> str: ...
    @property
    def queue(self) -> str: ...
    @property
    def requires(self) -> tuple[str, ...]: ...


_NO_PARAMETERS: Final[Mapping[str, Any]] = MappingProxyType({})


class Source:
    """Where a job comes from and what it comes with; jobs of one entry share it where no more is said of each.

    Attributes:
        routine, arrival: the routine, and the name of the arrival entry.
        terms: on which its jobs run, None: those of their queue.
        key: their exclusive key, "" for none; a job may have one of its own.
        priority: higher goes first.
        parameters: their values by name.
        steps: what there is to do, in order.
        expected: the stated expectation of the work in ticks (what a declining worker looks at).
        traced: ticks of work that a trace tells, else None.
        entity: the key of the entry for draws.
        recurs: each job is an occurrence of a recurrence.
        has_nights: all jobs of a night are waited for.
        is_remembered: somebody may name its jobs later on.
    """

    __slots__ = (
        "arrival",
        "entity",
        "expected",
        "has_nights",
        "is_remembered",
        "key",
        "parameters",
        "priority",
        "recurs",
        "routine",
        "steps",
        "terms",
        "traced",
    )

    def __init__(self, routine: Routine, arrival: str, terms: "Terms | None" = None) -> None:
        self.routine = routine
        self.arrival = arrival
        self.terms = terms
        self.key = ""
        self.priority = 0
        self.parameters = _NO_PARAMETERS
        self.steps: Sequence[Any] = ()
        self.expected = 0
        self.traced: int | None = None
        self.entity = 0
        self.recurs = self.has_nights = self.is_remembered = False


class Job:
    """One job: its arrival makes it, ``Broker.submit`` takes it up, and it is dropped when it is final.

    Attributes, as it comes:
        source: where it comes from and what it comes with; routine: that of its source.
        ordinal: its number in its arrival entry, counted from 1.
        nominal: the tick at which it was due, which an outage or a wait may have passed since.
        key: its exclusive key, "" for none.
        rare: what only some jobs need, or None.

    Attributes that the broker keeps:
        number, submitted: its number, 0 before it is submitted, and the tick of its submission.
        queue, line, lane: where it waits (``emulator.broker.order``); terms: on which it runs.
        entry: (-priority, place, job), by which it is ordered.
        waiting: it may be taken.
        inside, copied: its entry stands in its line or lane; a copy of it stands in the line of its lane.
        state, held, attempts: as the events tell them; ``held`` is a set of bits.
        born: the number of the event of its submission; ``since``: of the last that changed where it stands.
        attempt: the one under whose lease a worker has it, None if no lease is out.

    Attributes of those who work on it, which say nothing to the broker:
        entity, draw_number: its key for draws: that of its entry, and its number in it; or one of its own, and 0.
        version: of its routine, as it was submitted.
        progress: how many steps have been finished by any of its attempts.
        poison: how it fails every time, "" if it does not.
        asked: people have asked that it stand still.
        running: the attempts that workers are at now.
    """

    __slots__ = (
        "asked",
        "attempt",
        "attempts",
        "born",
        "copied",
        "draw_number",
        "entity",
        "entry",
        "held",
        "inside",
        "key",
        "lane",
        "line",
        "nominal",
        "number",
        "ordinal",
        "poison",
        "progress",
        "queue",
        "rare",
        "routine",
        "running",
        "since",
        "source",
        "state",
        "submitted",
        "terms",
        "version",
        "waiting",
    )

    born: int
    entry: "Entry"
    held: int
    line: "Line"
    queue: "Queue"
    since: int
    state: State
    submitted: int
    terms: "Terms"
    version: int

    def __init__(self, source: Source, ordinal: int, nominal: int = 0) -> None:
        self.source = source
        self.routine: Any = source.routine
        self.ordinal = self.draw_number = ordinal
        self.nominal = nominal
        self.key = source.key
        self.entity = source.entity
        self.rare: Rare | None = None
        self.attempt: Attempt | None = None
        self.lane: Lane | None = None
        self.number = self.attempts = self.progress = 0
        self.waiting = self.inside = self.copied = self.asked = False
        self.poison = ""
        self.running: list[Attempt] = []

    def __str__(self) -> str:
        return f"job {self.number}"

    @property
    def name(self) -> str:
        """Give the name by which scenarios and people call the job."""
        return f"{self.source.arrival}#{self.ordinal}"

    @property
    def scope(self) -> str:
        """Give what fences take as one: the exclusive key, else the job with all jobs resubmitted from it."""
        return f"key {self.key}" if self.key else self.name


def rare(job: Job) -> Rare:
    """Give what only some jobs need, made when first asked for."""
    found = job.rare
    if found is None:
        found = job.rare = Rare()
    return found


class Attempt:
    """One attempt at a job, which is also the lease under which its worker has it.

    It outlives its lease with a worker that has not heard of the end, and then it is a zombie's.

    Attributes that the broker keeps:
        job, number: the job, and the number of the attempt at it, counted from 1.
        token, holder: the token of the lease, and who holds it.
        granted, until: the right to work on the job is given for [granted, until).

    Attributes of those who work on it, which say nothing to the broker:
        worker: who works on it; start: since when.
        step: the number of the step under way, counted from 0.
        ends_at: tick at which the part under way ends, -1 if that is not known (a call) or nothing is under way.
        left: work left of the part under way while it stands still, in ticks at speed 1.
        failing: the outcome of the part under way if it fails.
        call: the call under way; waiting_answer: the answer that came while it stood still.
        again: the pause before the part under way asks its system again, or the last one; None before the first.
        known_end: the end of the lease as the worker knows it, as a true tick.
        known_since: the tick at which it sent the message by whose answer it knows that end.
        told_at: the first tick at which a heartbeat may name it.
        disowned: it is worked on without a lease; is_told: its worker knows.
        suspended, handing_in: it stands still on request; its outcome is on the way.
        event: the number of the last event of its work.
    """

    __slots__ = (
        "again",
        "call",
        "disowned",
        "ends_at",
        "event",
        "failing",
        "granted",
        "handing_in",
        "holder",
        "is_told",
        "job",
        "known_end",
        "known_since",
        "left",
        "number",
        "start",
        "step",
        "suspended",
        "token",
        "told_at",
        "until",
        "waiting_answer",
        "worker",
    )

    start: int
    told_at: int

    def __init__(self, job: Job, number: int, token: int, holder: "Holder", now: int, until: int) -> None:
        self.job = job
        self.number = number
        self.token = token
        self.holder = holder
        self.granted = now
        self.until = self.known_end = until
        self.step = self.left = self.event = 0
        self.known_since = self.ends_at = -1
        self.disowned = self.suspended = self.handing_in = self.is_told = False
        self.worker: Any = None
        self.failing: Outcome | None = None
        self.call: Any = None
        self.again: Any = None
        self.waiting_answer: tuple[str, int | None] | None = None

    def __str__(self) -> str:
        return f"attempt {self.number} of job {self.job.number} on {self.worker}"

    def twin(self) -> "Attempt":
        """Make the attempt of a second worker that is given the same token, as the broker should never do."""
        return Attempt(self.job, self.number, self.token, self.holder, self.granted, self.until)


class Holder:
    """One incarnation of a worker.

    Attributes:
        name, incarnation: whose record it is; serial: its number among all records, from 1.
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
        self.leases: dict[int, Attempt] | None = None if silence is None else {}
        self.take_number = -1
        self.take_answer: Attempt | None = None
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
