"""The states of a job and every request on it, in one complete table that says what follows.

The law: every pair of state and request stands in ``TABLE``, with its moves in the order in which they are tried, or
with the reason why it is refused. A condition that no state tells is a guard: a small named predicate over ``Facts``,
so that the diagram can show it. A refused request changes nothing. The states are those of the open standard DRMAA v2
(Open Grid Forum GFD.194 and GFD.231); ``undetermined`` is left out, because the emulator always knows.

Holding a job gives it one reason more; it is held while any reason is left, and people take back only their own. A
job that a worker has keeps its state while a person holds it: the reason counts once it comes back to the queue.

``Finished`` is all that is kept of a job that is final: how it ended, in some five bytes.
"""

from array import array
from collections.abc import Callable, Iterator, Mapping
from enum import Enum
from itertools import repeat
from types import MappingProxyType
from typing import Final, Literal, NamedTuple

__all__ = [
    "CODES",
    "ENDS",
    "FINAL_STATES",
    "TABLE",
    "Facts",
    "Finished",
    "Guard",
    "Move",
    "Request",
    "Rule",
    "State",
    "StateName",
    "Ways",
    "in_plain_words",
    "refuses",
    "target",
    "ways",
]


StateName = Literal[
    "queued",
    "queued_held",
    "running",
    "suspended",
    "requeued",
    "requeued_held",
    "done",
    "failed",
]
"""The state of a job, by its name."""


class State(Enum):
    """The state of a job."""

    __hash__ = object.__hash__  # a member is equal to itself alone, and Enum's own hash is a call of Python code

    QUEUED = "queued"
    """It waits for a worker; no attempt at it counts yet."""
    QUEUED_HELD = "queued_held"
    """It waits for a worker, but a reason to hold it stands; no attempt at it counts yet."""
    RUNNING = "running"
    """A worker has it, under a lease."""
    SUSPENDED = "suspended"
    """A worker has it and stands still on request; the lease goes on."""
    REQUEUED = "requeued"
    """It waits for a worker after an attempt that counts."""
    REQUEUED_HELD = "requeued_held"
    """It waits after an attempt that counts, and a reason to hold it stands, such as the pause before a retry."""
    DONE = "done"
    """An attempt went well. Final."""
    FAILED = "failed"
    """It will not be tried again; the sub-state says why. Final."""


FINAL_STATES: Final = (State.DONE, State.FAILED)


class Request(Enum):
    """What can happen to a job: asked by people, by workers, or by a limit that is reached."""

    __hash__ = object.__hash__  # as that of ``State``

    HOLD = "hold"
    """A person holds it."""
    RELEASE = "release"
    """A person takes the hold back."""
    END_OF_REASON = "end of a reason"
    """It has become due, its pause has ended, or the job before it has."""
    TAKE = "take"
    """A worker takes it."""
    RENEWAL = "renewal"
    """A heartbeat names its lease."""
    OUTCOME = "outcome"
    """Its worker hands in the outcome of the attempt."""
    HAND_BACK = "hand-back"
    """Its worker gives it back unstarted; the attempt does not count."""
    LEASE_LOSS = "lease loss"
    """Its lease ran out, or its worker fell silent."""
    TIME_LIMIT = "time limit"
    """The attempt reached its cap."""
    FORGETTING = "forgetting"
    """The broker's table loses the lease (a fault)."""
    SUSPEND = "suspend"
    """A person asks that its worker stand still."""
    SUSPENSION = "suspension"
    """The worker says that it stands still."""
    RESUME = "resume"
    """A person asks that its worker go on."""
    RESUMPTION = "resumption"
    """The worker says that it goes on."""
    WITHDRAW = "withdraw"
    """A person terminates it."""
    START_LIMIT = "start limit"
    """It has not been started in time."""
    TOTAL_LIMIT = "total limit"
    """All its time since submission is used up."""
    PREREQUISITE_FAILURE = "prerequisite failure"
    """The job before it has failed."""


class Facts(NamedTuple):
    """What guards may look at beside the state.

    Attributes:
        held: a reason to hold the job stands once the request is served.
        by_person: a person holds it before the request.
        well: the attempt went well.
        again: it is tried again.
        counted: an attempt before this one counts.
        wanted: its suspension is wanted before the request.
        asked: the change from its present state to suspended, or back, has been asked for.
        waits: it waits for another job.
    """

    held: bool = False
    by_person: bool = False
    well: bool = False
    again: bool = False
    counted: bool = False
    wanted: bool = False
    asked: bool = False
    waits: bool = False


class Guard(NamedTuple):
    """A named condition; ``words`` stand in the diagram."""

    words: str
    holds: Callable[[Facts], bool]


class Move(NamedTuple):
    """To another state (or the same), if the guard holds."""

    guard: Guard
    to: State


class Rule(NamedTuple):
    """What one request does in one state: the first move whose guard holds; else it is refused, and ``otherwise``
    says why (empty if some guard always holds)."""

    moves: tuple[Move, ...] = ()
    otherwise: str = ""


ALWAYS: Final = Guard("", lambda facts: True)
FREE: Final = Guard("no reason to hold it is left", lambda facts: not facts.held)
HELD: Final = Guard("a reason to hold it stands", lambda facts: facts.held)
BY_NOBODY: Final = Guard("no person holds it", lambda facts: not facts.by_person)
BY_PERSON: Final = Guard("a person holds it", lambda facts: facts.by_person)
BY_PERSON_FREE: Final = Guard("only a person holds it", lambda facts: facts.by_person and not facts.held)
BY_PERSON_HELD: Final = Guard("a person holds it, and more", lambda facts: facts.by_person and facts.held)
WELL: Final = Guard("it went well", lambda facts: facts.well)
AGAIN_FREE: Final = Guard("tried again at once", lambda facts: facts.again and not facts.held)
AGAIN_HELD: Final = Guard("tried again after a pause or a hold", lambda facts: facts.again and facts.held)
NOT_AGAIN: Final = Guard("not tried again", lambda facts: not facts.again)
FIRST_FREE: Final = Guard("no attempt counts, not held", lambda facts: not facts.counted and not facts.held)
FIRST_HELD: Final = Guard("no attempt counts, held", lambda facts: not facts.counted and facts.held)
LATER_FREE: Final = Guard("an attempt counts, not held", lambda facts: facts.counted and not facts.held)
LATER_HELD: Final = Guard("an attempt counts, held", lambda facts: facts.counted and facts.held)
UNWANTED: Final = Guard("its suspension is not wanted", lambda facts: not facts.wanted)
WANTED: Final = Guard("its suspension is wanted", lambda facts: facts.wanted)
ASKED: Final = Guard("it was asked for", lambda facts: facts.asked)
WAITS: Final = Guard("it waits for that job", lambda facts: facts.waits)

_NO_WORKER: Final = "no_worker_has_it"
_HAS_WORKER: Final = "a_worker_has_it"
_NO_LEASE: Final = "no_lease_is_out_on_it"


def _build() -> Mapping[tuple[State, Request], Rule]:
    s, r = State, Request
    table: dict[tuple[State, Request], Rule] = {}

    def rule(
        states: tuple[State, ...], request: Request, *moves: tuple[Guard, State | None], otherwise: str = ""
    ) -> None:
        for state in states:  # None as a target: it stays in its state
            table[state, request] = Rule(tuple(Move(guard, to or state) for guard, to in moves), otherwise)

    out, at_work = (s.QUEUED, s.QUEUED_HELD, s.REQUEUED, s.REQUEUED_HELD), (s.RUNNING, s.SUSPENDED)
    free, held = (s.QUEUED, s.REQUEUED), (s.QUEUED_HELD, s.REQUEUED_HELD)
    for plain, kept in zip(free, held, strict=True):
        rule((plain,), r.HOLD, (ALWAYS, kept))
        rule((plain,), r.TAKE, (ALWAYS, s.RUNNING))
        rule((kept,), r.RELEASE, (BY_PERSON_FREE, plain), (BY_PERSON_HELD, kept), otherwise="no_person_holds_it")
        rule((kept,), r.END_OF_REASON, (FREE, plain), (HELD, kept))
    rule((*held, *at_work), r.HOLD, (BY_NOBODY, None), otherwise="a_person_holds_it_already")
    rule(at_work, r.RELEASE, (BY_PERSON, None), otherwise="no_person_holds_it")
    rule(free, r.RELEASE, otherwise="no_person_holds_it")
    rule((*free, *at_work), r.END_OF_REASON, otherwise="no_such_reason_holds_it")
    rule(held, r.TAKE, otherwise="it_is_held")
    rule(at_work, r.TAKE, otherwise=_HAS_WORKER)

    for request in (r.RENEWAL, r.OUTCOME, r.HAND_BACK, r.LEASE_LOSS, r.TIME_LIMIT, r.FORGETTING):
        rule(out, request, otherwise=_NO_LEASE)
    ways = ((AGAIN_FREE, s.REQUEUED), (AGAIN_HELD, s.REQUEUED_HELD), (NOT_AGAIN, s.FAILED))
    rule(at_work, r.RENEWAL, (ALWAYS, None))
    rule(at_work, r.OUTCOME, (WELL, s.DONE), *ways)
    rule(at_work, r.LEASE_LOSS, *ways)
    rule((s.RUNNING,), r.TIME_LIMIT, *ways)
    rule((s.SUSPENDED,), r.TIME_LIMIT, otherwise="its_clock_stands_still")
    rule(at_work, r.FORGETTING, (FREE, s.REQUEUED), (HELD, s.REQUEUED_HELD))
    first = ((FIRST_FREE, s.QUEUED), (FIRST_HELD, s.QUEUED_HELD))
    rule(at_work, r.HAND_BACK, *first, (LATER_FREE, s.REQUEUED), (LATER_HELD, s.REQUEUED_HELD))

    for request in (r.SUSPEND, r.SUSPENSION, r.RESUME, r.RESUMPTION):
        rule(out, request, otherwise=_NO_WORKER)
    rule(at_work, r.SUSPEND, (UNWANTED, None), otherwise="its_suspension_has_been_asked_for_already")
    rule(at_work, r.RESUME, (WANTED, None), otherwise="its_suspension_is_not_asked_for")
    rule((s.RUNNING,), r.SUSPENSION, (ASKED, s.SUSPENDED), otherwise="nobody_asked_for_it")
    rule((s.SUSPENDED,), r.SUSPENSION, otherwise="it_is_suspended_already")
    rule((s.SUSPENDED,), r.RESUMPTION, (ASKED, s.RUNNING), otherwise="nobody_asked_for_it")
    rule((s.RUNNING,), r.RESUMPTION, otherwise="it_is_not_suspended")

    rule((*out, *at_work), r.WITHDRAW, (ALWAYS, s.FAILED))
    rule((*out, *at_work), r.TOTAL_LIMIT, (ALWAYS, s.FAILED))
    rule((s.QUEUED, s.QUEUED_HELD), r.START_LIMIT, (ALWAYS, s.FAILED))
    rule((s.REQUEUED, s.REQUEUED_HELD, *at_work), r.START_LIMIT, otherwise="it_has_been_started")
    rule((s.QUEUED_HELD,), r.PREREQUISITE_FAILURE, (WAITS, s.FAILED), otherwise="it_waits_for_no_other_job")
    rule(
        (s.QUEUED, s.REQUEUED, s.REQUEUED_HELD, *at_work), r.PREREQUISITE_FAILURE, otherwise="it_waits_for_no_other_job"
    )
    for request in r:
        rule((s.DONE,), request, otherwise="it_is_done")
        rule((s.FAILED,), request, otherwise="it_has_failed")
    return MappingProxyType({(state, request): table[state, request] for state in s for request in r})


TABLE: Final[Mapping[tuple[State, Request], Rule]] = _build()
"""Every pair of state and request, in the order of the two enumerations."""


def target(state: State, request: Request, facts: Facts) -> State | str:
    """Give the state that follows, or the code of the reason why the request is refused.

    >>> target(State.QUEUED, Request.TAKE, Facts())
    <State.RUNNING: 'running'>
    >>> target(State.DONE, Request.TAKE, Facts())
    'it_is_done'
    """
    rule = TABLE[state, request]
    for guard, to in rule.moves:
        if guard.holds(facts):
            return to
    return rule.otherwise


def in_plain_words(code: str) -> str:
    """Write a code of the table for an error: it is its words, joined by underscores.

    >>> in_plain_words("it_is_done")
    'it is done'
    """
    return code.replace("_", " ")


def refuses(state: State, request: Request) -> bool:
    """Say whether the request is refused in that state, whatever else is known of the job.

    >>> refuses(State.RUNNING, Request.OUTCOME), refuses(State.QUEUED, Request.OUTCOME)
    (False, True)
    """
    return not TABLE[state, request].moves


class Ways(NamedTuple):
    """The table worked out for what a broker looks up at every step.

    Attributes:
        of: by request and facts, and then by state: what ``target`` gives.
        refused: every (state, request) of which ``refuses`` is true.
    """

    of: dict[tuple[Request, Facts], dict[State, State | str]]
    refused: frozenset[tuple[State, Request]]


_USUAL: Final = (
    (Request.TAKE, Facts()),
    (Request.RENEWAL, Facts()),
    (Request.OUTCOME, Facts()),
    (Request.OUTCOME, Facts(well=True)),
    (Request.OUTCOME, Facts(again=True)),
    (Request.OUTCOME, Facts(again=True, held=True)),
    (Request.LEASE_LOSS, Facts()),
    (Request.LEASE_LOSS, Facts(again=True)),
    (Request.LEASE_LOSS, Facts(again=True, held=True)),
    (Request.END_OF_REASON, Facts()),
    (Request.END_OF_REASON, Facts(held=True)),
)


def _work_out() -> Ways:
    of = {(request, facts): {one: target(one, request, facts) for one in State} for request, facts in _USUAL}
    return Ways(of, frozenset(pair for pair, rule in TABLE.items() if not rule.moves))


_KNOWN: Final = TABLE
_WAYS: Final = _work_out()


def ways() -> Ways:
    """Give the table worked out, to whoever adds what is seldom asked as it comes."""
    return Ways(dict(_WAYS.of), _WAYS.refused) if TABLE is _KNOWN else _work_out()


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

CODES: Final = {sub_state: code for code, (_, sub_state) in enumerate(ENDS, 1)}


_ROOM: Final = 1024
"""Jobs for which room is made at a time."""
"""The number of each sub-state among them, from 1; "" is done."""


class Finished:
    """How each job ended, by its place: its number less that of the first job.

    Attributes:
        codes: the number of its end in ``ENDS``, from 1; 0 while it is unfinished.
        tries: how many attempts at it counted.
        end: there is room for the jobs below this number.

    >>> ended = Finished(first=1)
    >>> ended.codes[1], ended.tries[1] = 1, 2
    >>> ended.how(2), ended.attempts(2), ended.how(1), ended.how(4)
    ((<State.DONE: 'done'>, ''), 2, None, None)
    """

    __slots__ = ("_first", "codes", "end", "tries")

    def __init__(self, first: int) -> None:
        self._first = first
        self.codes = bytearray()
        self.tries = array("I")
        self.end = first
        self.make_room(first)

    def make_room(self, job: int) -> None:
        """Make room for a job, and for those that come after it."""
        more = job + _ROOM - self.end
        self.codes.extend(bytes(more))
        self.tries.extend(repeat(0, more))
        self.end += more

    def how(self, job: int) -> tuple[State, str] | None:
        """Give the final state and sub-state, or None for a job that is unfinished."""
        index = job - self._first
        code = self.codes[index] if index < len(self.codes) else 0
        return ENDS[code - 1] if code else None

    def attempts(self, job: int) -> int:
        """Give the number of attempts of a finished job."""
        return self.tries[job - self._first]

    def __iter__(self) -> Iterator[tuple[int, tuple[State, str]]]:
        """Give the number of each finished job with how it ended."""
        for index, code in enumerate(self.codes):
            if code:
                yield self._first + index, ENDS[code - 1]
