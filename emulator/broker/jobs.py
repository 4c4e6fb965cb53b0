"""Jobs, attempts and the queues in which jobs wait, with the order in which they go.

The law: jobs are ordered by (-priority, place). Jobs of one queue with equal requirements, equal expectation and as
many slots form a line, so that a worker looks at one head a line. A worker is shown the lines that take no more slots
than it has free: a job that does not fit is passed over, and holds no place on a worker for itself. Jobs with an
exclusive key wait in a lane of their line, and only the best of a lane stands in the line, and only while the key has
room: 100,000 jobs on one busy key cost the others nothing. Nothing is searched for: an entry whose reason has gone
stays where it is and is dropped when it comes to the head. What was tried: one heap for each worker's view of the queue
(every submission then touches every view), and parking blocked jobs when they are met (the first worker to come pays
for all of them).

A line is a double structure. What comes in order, as nearly everything does, is appended to a deque; the rest goes to
a heap; the head is the better of both.

Reasons to hold a job are bits; ``REASONS`` names every set of them, in alphabetical order, as events tell it.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from heapq import heappop, heappush
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Protocol

from emulator.broker.rules import Offer, Outcome, QueueRules, equipment_of, meets
from emulator.broker.states import Request, State, refuses

if TYPE_CHECKING:
    from emulator.broker.waiters import After, KeyQueue, Keys
    from emulator.broker.workers import Holder

__all__ = [
    "BY_PERSON",
    "NOT_DUE",
    "PAUSING",
    "PREREQUISITE",
    "REASONS",
    "Attempt",
    "Entry",
    "Job",
    "Line",
    "Queue",
    "Rare",
    "Row",
    "Source",
    "Terms",
    "View",
    "rare",
]

BY_PERSON: Final = 1
NOT_DUE: Final = 2
PAUSING: Final = 4
PREREQUISITE: Final = 8
_NAMES: Final = ((BY_PERSON, "by_person"), (NOT_DUE, "not_due"), (PAUSING, "pausing"), (PREREQUISITE, "prerequisite"))
REASONS: Final = tuple(",".join(name for bit, name in _NAMES if held & bit) for held in range(16))


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
        queue, line: where its jobs wait, as the broker knows since the first of them.
        shared: what the compound rows by which they come have in common.
    """

    __slots__ = (
        "arrival",
        "entity",
        "expected",
        "has_nights",
        "is_remembered",
        "key",
        "line",
        "parameters",
        "priority",
        "queue",
        "recurs",
        "routine",
        "shared",
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
        self.queue: Queue | None = None
        self.line: Line | None = None
        self.shared: tuple[str, str, str, int] | None = None


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
        queue, line, lane: where it waits (see ``Queue``); terms: on which it runs.
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
        self.lane: KeyQueue | None = None
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
        "until",
        "waiting_answer",
        "worker",
    )

    start: int

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

    def twin(self) -> "Attempt":
        """Make the attempt of a second worker that is given the same token, as the broker should never do."""
        return Attempt(self.job, self.number, self.token, self.holder, self.granted, self.until)


# -- where it waits ---------------------------------------------------------------------------------------------------

Entry = tuple[int, int, Job]
"""(-priority, place, job): the least goes first."""


View = list[tuple["Queue", list["Line"]]]
"""What a worker sees: the queues that it serves, each with its lines that fit what the worker has."""


class Row:
    """Entries, best first; those that came in order apart from those that did not."""

    __slots__ = ("heap", "row")

    def __init__(self) -> None:
        self.row: deque[Entry] = deque()
        self.heap: list[Entry] = []

    def push(self, entry: Entry) -> None:
        row = self.row
        if not row or row[-1] < entry:
            row.append(entry)
        else:
            heappush(self.heap, entry)

    def first(self) -> Entry | None:
        """Give the best entry, good or not."""
        row, heap = self.row, self.heap
        if row:
            return heap[0] if heap and heap[0] < row[0] else row[0]
        return heap[0] if heap else None

    def drop(self, entry: Entry) -> None:
        """Drop the entry that ``first`` gave."""
        row = self.row
        if row and row[0] is entry:
            row.popleft()
        else:
            heappop(self.heap)


class Line(Row):
    """The jobs of one queue with equal requirements and equal expectation, which take as many slots."""

    __slots__ = ("expected", "lanes", "queue", "requires", "slots")

    def __init__(self, queue: "Queue", requires: tuple[str, ...], expected: int, slots: int) -> None:
        super().__init__()
        self.queue = queue
        self.requires = requires
        self.expected = expected
        self.slots = slots
        self.lanes: dict[str, KeyQueue] = {}

    def head(self) -> Entry | None:
        """Give the best entry whose job may be taken, dropping those before it whose reason has gone."""
        row, heap = self.row, self.heap
        while row or heap:
            entry = row[0] if row and (not heap or row[0] < heap[0]) else heap[0]
            job = entry[2]
            if job.lane is None:
                if job.entry is entry:
                    if job.waiting:
                        return entry
                    job.inside = False
            elif job.lane.shown is entry:
                return entry
            elif job.entry is entry:
                job.copied = False
            if row and row[0] is entry:
                row.popleft()
            else:
                heappop(heap)
        return None


class Terms:
    """The terms on which a job runs: those of its queue, or its own in their place.

    Attributes:
        rules: the rules of the queue, with the job's own lease, time limit and retry in place of the queue's.
        lease: how long its lease is.
        renewal: what a renewal gives it, 0 if it is not renewed.
        longest: its time limit in ticks, or None; has_limits: some limit counts from its submission.
        resumes: once its time limit was reached, it goes on after its last finished part.
        slots: how many of its worker's slots it takes.
    """

    __slots__ = ("has_limits", "lease", "longest", "renewal", "resumes", "rules", "slots")

    def __init__(self, rules: QueueRules, slots: int = 1) -> None:
        self.rules = rules
        self.slots = slots
        self.lease = rules.lease
        self.renewal = rules.lease if rules.renewed and not refuses(State.RUNNING, Request.RENEWAL) else 0
        self.longest = None if rules.time_limit is None else rules.time_limit.after
        self.resumes = rules.time_limit is not None and rules.time_limit.then == "resume"
        self.has_limits = rules.start_within is not None or rules.retry.total_limit is not None


class Queue:
    """A queue: its rules, its lines and its counts.

    Attributes:
        name, running_at_most, per_key_at_most: from its rules.
        terms: on which its jobs run that have none of their own.
        held: a person holds it.
        waiting: jobs that are queued or requeued; running: leases out; unfinished: jobs not final.
        lines: by (requires, expected, slots); matched: the lines that a worker with some offer may take from.
    """

    __slots__ = (
        "held",
        "lines",
        "matched",
        "name",
        "per_key_at_most",
        "renewal",
        "rules",
        "running",
        "running_at_most",
        "terms",
        "unfinished",
        "waiting",
    )

    def __init__(self, rules: QueueRules) -> None:
        self.rules = rules
        self.name = rules.name
        self.terms = Terms(rules)
        self.per_key_at_most = rules.per_key_at_most
        self.running_at_most = rules.running_at_most
        self.held = False
        self.waiting = 0
        self.running = 0
        self.unfinished = 0
        self.lines: dict[tuple[tuple[str, ...], int, int], Line] = {}
        self.matched: dict[Offer, list[Line]] = {}

    def line_of(self, requires: tuple[str, ...], expected: int, slots: int) -> Line:
        """Give the line of such jobs, made when first asked for."""
        known = self.lines.get((requires, expected, slots))
        if known is not None:
            return known
        line = self.lines[requires, expected, slots] = Line(self, requires, expected, slots)
        for offer, lines in self.matched.items():
            if self._fits(line, offer):
                lines.append(line)
        return line

    def _fits(self, line: Line, offer: Offer) -> bool:
        if line.slots > (offer[1] if isinstance(offer, tuple) else 1):
            return False
        if not line.requires or not self.rules.matches_equipment:
            return True
        return meets(line.requires, sorted(equipment_of(offer)))

    def lines_for(self, offer: Offer) -> list[Line]:
        """Give the lines that a worker with that offer may take from."""
        found = self.matched.get(offer)
        if found is None:
            found = self.matched[offer] = [line for line in self.lines.values() if self._fits(line, offer)]
        return found

    def is_full(self) -> bool:
        """Say whether as many jobs run as may."""
        return self.running_at_most is not None and self.running >= self.running_at_most

    def add(self, job: Job, keys: "Keys") -> None:
        """Let a job wait for a worker; its ``entry`` says where."""
        job.waiting = True
        self.waiting += 1
        entry = job.entry
        if not job.key:
            if not job.inside:
                job.inside = True
                line = job.line
                row = line.row
                if not row or row[-1] < entry:
                    row.append(entry)
                else:
                    heappush(line.heap, entry)
            return
        lane = keys.lane(job.line, job.key)
        if job.lane is not lane:
            job.lane = lane
            job.inside = False
        if not job.inside:
            job.inside = True
            lane.push(entry)
        if (lane.shown is None or entry < lane.shown) and keys.has_room(job.key, self):
            lane.show()

    def remove(self, job: Job, keys: "Keys") -> None:
        """A job waits no longer: it was taken, held, or is final."""
        job.waiting = False
        self.waiting -= 1
        lane = job.lane
        if lane is None:
            row = job.line.row
            if row and row[0] is job.entry:  # nearly always: then the next look finds a good one in its place
                row.popleft()
                job.inside = False
        elif lane.shown is job.entry and not lane.show():  # it was shown, so the key has room
            keys.drop(job.key, lane)
