"""What the checker keeps of jobs, leases, work and workers while it reads the events of a night."""

from typing import NamedTuple

from emulator.record.events import Event
from random_nights.facts import Pool, Queue

__all__ = ["RULES", "Before", "Broken", "Heard", "Job", "Lease", "Refusal", "Work", "Worker"]


RULES = (
    *("allowance", "arrivals", "at request", "attempts", "capacity", "causes", "conservation", "fences", "heartbeats"),
    *("holds", "hours", "idempotency", "incarnations", "keys", "lapse", "late hand-out", "longest idle", "matching"),
    *("nobody there", "not before", "numbers", "one lease", "order", "outage", "overtaken", "pauses", "prerequisites"),
    *("renewal", "running limit", "silence", "slots", "stale", "stands still", "start within", "states", "time"),
    *("time limit", "tokens", "tonight", "total limit", "wake-up"),
)
"""What the checker looks at, by name; ``modes`` (the two modes of heartbeats differ) is looked at beside it."""


class Broken(NamedTuple):
    """One promise that is broken: which, at which event (the last one read), and how."""

    rule: str
    event: int
    at: int
    how: str


class Lease:
    def __init__(self, job: "Job", worker: str, event: Event, queue: Queue) -> None:
        self.job = job
        self.worker = worker
        self.incarnation: int = event.details["incarnation"]
        self.token: int = event.details["token"]
        self.attempt: int = event.details["attempt"]
        self.at = event.at
        self.end: int = event.details["lease_until"]
        self.first_end = self.end
        self.queue = queue
        self.is_current = True
        self.ran_out = False
        self.is_begun = False
        self.unrenewed_since = -1
        self.stood: int | None = None  # suspended since
        self.stood_in_all = 0


class Before(NamedTuple):
    """What a job waits for: one job of an entry by its number, or all of them (0)."""

    entry: str
    number: int
    goes_on: bool
    follows: bool


class Job:
    def __init__(self, event: Event, queue: Queue, terms: Queue) -> None:
        details = event.details
        self.number = event.job
        self.queue = queue
        self.terms = terms
        self.routine: str = details["routine"]
        self.entry: str = details["entry"]
        self.ordinal: int = details["ordinal"]
        self.key: str = details["key"]
        self.priority: int = details["priority"]
        self.slots = 1
        self.origin: int = details["resubmitted_from"]
        self.held = set(filter(None, details["reasons"].split(",")))
        self.state: str = details["state"]
        self.at = event.at
        self.place = 0
        self.attempts = self.lost = self.forgotten = self.cut = 0
        self.lease: Lease | None = None
        self.sub_state: str | None = None
        self.finished_at = -1
        self.ended: Event | None = None  # an attempt ended: what follows must be told next
        self.ended_by_cap = False
        self.requires: list[str] | None = []
        self.befores: list[Before] = []
        self.first_suffices = False
        self.start_by: int | None = None
        self.not_before = 0
        self.idempotency_key = ""
        self.wanted_still = False

    @property
    def waits(self) -> bool:
        return self.lease is None and self.sub_state is None and not self.held

    def rank(self) -> tuple[int, int]:
        return -self.priority, self.place


class Refusal:
    """A call was refused; its worker learns of it at once, or as it goes on if it stands still."""

    def __init__(self, at: int, how: str) -> None:
        self.at = self.learned_at = at
        self.how = how
        self.has_followed = False  # the next ask has been made, and its effect has landed


class Work:
    def __init__(self, at: int, lease: Lease) -> None:
        self.began = at
        self.lease = lease
        self.step_at = at
        self.refusals: list[Refusal] = []  # of the calls of the present step
        self.paused_at = self.went_on_at = -1
        self.stands_still = False

    def step(self, at: int) -> None:
        """Note that a step ended, and the next began."""
        self.step_at = at
        self.refusals.clear()


class Worker:
    def __init__(self, name: str, pool: Pool) -> None:
        self.name = name
        self.pool = pool
        self.slots = pool.slots(name)
        self.equipment = pool.equipment(name)
        self.is_on = self.is_frozen = self.is_finishing = False
        self.incarnation = self.registered = 0
        self.cuts: dict[tuple[str, int], str] = {}
        self.work: dict[int, Work] = {}
        self.granted: dict[int, Lease] = {}
        self.takes: dict[int, int] = {}  # slots, by token
        self.unanswered: dict[int, bool] = {}  # outcomes sent, by token: True once the broker has taken it
        self.begun = 0
        self.free_from = 0
        self.beats_from = 0
        self.last_beat = -1
        self.disturbed_at = 0
        self.idle_since: int | None = None
        self.starving_since: int | None = None
        self.newest_sent = 0

    @property
    def cut_out(self) -> bool:
        return any(way != "back" for way in self.cuts.values())

    @property
    def is_reached(self) -> bool:
        return self.is_on and not self.is_frozen and not self.cuts and self.registered == self.incarnation

    @property
    def sends(self) -> bool:
        return self.is_on and not self.is_frozen and not self.cut_out and self.registered == self.incarnation

    def free(self) -> int:
        """Count the slots that are free for sure: nothing that it may still have takes them."""
        granted = (token for token, lease in self.granted.items() if not lease.is_begun)
        return self.slots - sum(self.takes[token] for token in (*self.work, *self.unanswered, *granted))

    def has_a_slot(self) -> bool:
        return self.free() > 0

    def is_idle(self, now: int) -> bool:
        """Say whether it is sure that it could take a job: it is reached, and nothing may still be on its way."""
        pool = self.pool
        return (
            self.is_reached
            and not self.is_finishing
            and self.has_a_slot()
            and now >= self.free_from
            and not (pool.leaves_after is not None and self.begun >= pool.leaves_after)
        )


class Heard:
    """What the broker has heard of one incarnation of a worker."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.is_lost = False
        self.lost_as_of = -1
        self.signed_off = False
        self.dumb_since: int | None = None
