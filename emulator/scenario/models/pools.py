"""What a pool of workers and a queue are told: power, heartbeats, slots; lease, retry, order, limits."""

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from emulator.scenario.models.distribution import NO_TIME, Distribution
from emulator.scenario.values import (
    Count,
    Duration,
    Mistake,
    Model,
    Moment,
    Name,
    NewName,
    PositiveDuration,
    Share,
    Speed,
    TimeOfDay,
)
from emulator.timeline.ticks import say

__all__ = [
    "Allowance",
    "AskAgain",
    "EquipmentChange",
    "Link",
    "Outcome",
    "Pool",
    "PowerSchedule",
    "Queue",
    "Retry",
    "SkewedClock",
    "TimeLimit",
    "WorkerDiffers",
    "wrong_terms",
]


Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Link(Model):
    """The link between a worker and the broker."""

    delay_out: Distribution = Field(
        default=NO_TIME,
        description="Of messages to the broker; a drawn one lets them overtake each other.",
    )
    delay_back: Distribution = Field(default=NO_TIME, description="Of the broker's answers.")
    loss_out: Share = Field(default=0.0, description="This share of messages to the broker is lost.")
    loss_back: Share = Field(default=0.0, description="This share of answers is lost.")
    answer_within: PositiveDuration = Field(default=10_000_000, description="Then the request is sent again.")


class SkewedClock(Model):
    """How a worker's own clock differs from true time."""

    offset: Duration = Field(default=0, description="How far it is ahead at the start.")
    behind: bool = Field(default=False, description="true: the offset is behind true time.")
    drift_ppm: float = Field(
        default=0.0, gt=-1_000_000, le=1_000_000, description="Microseconds gained in each second; below 0: lost."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.behind and not self.offset:
            yield ("behind",), "behind by how much? give `offset`"


class PowerSchedule(Model):
    """When the workers of a pool are on, in a zone of their own.

    In a list of several windows each has `on` and `off`. A worker is meant to be on while any of them is on: one that
    ends inside another, or when another begins, switches nothing off. `at_shutdown`, `finish_within` and
    `skips_jobs_too_long_to_finish` are those of the window whose end switches off; of windows that end together, those
    of the last in the file. A worker that still finishes its work at `on` goes on with it, and stays on.
    """

    on: TimeOfDay | None = Field(default=None, description="When it is switched on; default: never by itself.")
    off: TimeOfDay | None = Field(default=None, description="When it is switched off; default: never by itself.")
    days: tuple[Day, ...] = Field(
        default=("mon", "tue", "wed", "thu", "fri", "sat", "sun"),
        strict=False,
        min_length=1,
        description="The days on which this happens: each of `on` and `off` on these days only.",
    )
    zone: str | None = Field(default=None, description="Default: the scenario's zone.")
    at_shutdown: Literal["kill", "finish"] = Field(
        default="kill", description="Whether running work is killed, or finished first."
    )
    finish_within: Duration = Field(
        default=3_600_000_000, description="With finish: what still runs after this time is killed."
    )
    skips_jobs_too_long_to_finish: bool = Field(
        default=False,
        description="true: takes no job that is expected to end after the shutdown.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.on is None and self.off is None:
            yield (), "a power schedule needs `on`, `off` or both"
        if self.on is not None and self.on == self.off:
            yield ("off",), "`on` and `off` are the same time"
        if self.stated("finish_within") and self.at_shutdown != "finish":
            yield ("finish_within",), "`finish_within` belongs to at_shutdown: finish"
        if self.skips_jobs_too_long_to_finish and self.off is None:
            yield ("skips_jobs_too_long_to_finish",), "there is no shutdown to finish before: give `off`"
        if len(set(self.days)) < len(self.days):
            yield ("days",), "a day stands here twice"


def _power_form(value: Any) -> str:
    return "(windows)" if isinstance(value, list | tuple) else "(schedule)"


Power = Annotated[
    Annotated[PowerSchedule, Tag("(schedule)")]
    | Annotated[tuple[PowerSchedule, ...], Field(min_length=1, max_length=100, strict=False), Tag("(windows)")],
    Discriminator(_power_form),
]
"""When workers are on: one schedule, or several windows."""


class EquipmentChange(Model):
    """Equipment installed or removed at a time (a re-image is both)."""

    at: Moment = Field(description="When it changes.")
    workers: tuple[Name, ...] | None = Field(
        default=None, strict=False, min_length=1, description="On which workers; default: on the whole pool."
    )
    installs: tuple[Name, ...] = Field(default=(), strict=False, description="What they have from then on.")
    removes: tuple[Name, ...] = Field(default=(), strict=False, description="What they no longer have.")

    def mistakes(self) -> Iterator[Mistake]:
        if not self.installs and not self.removes:
            yield (), "nothing changes: give `installs` or `removes`"


class WorkerDiffers(Model):
    """Where one worker differs from its pool."""

    equipped_with: tuple[Name, ...] | None = Field(default=None, strict=False, description="Its own equipment.")
    slots: int | None = Field(default=None, ge=1, le=1000, description="Its own slots.")
    speed: Speed | None = Field(default=None, description="Its own speed.")
    clock: SkewedClock | None = Field(default=None, description="Its own clock.")
    error_share: Share | None = Field(
        default=None, description="This share of the executions of parts on it ends in an error, on top of theirs."
    )
    joins: Moment | None = Field(default=None, description="When it is switched on first.")


class Pool(Model):
    """A group of like workers, named pool-1, pool-2, ..., or by names of their own."""

    stated_count: int | None = Field(
        default=None, alias="count", ge=0, le=100_000, description="How many workers; needed unless `workers` is given."
    )
    workers: tuple[NewName, ...] | None = Field(
        default=None,
        strict=False,
        max_length=100_000,
        description="The names of the workers, in place of `count`; each is used wherever `dome-2` might be.",
    )
    serves: tuple[Name, ...] = Field(
        strict=False,
        min_length=1,
        description="The queues that they take jobs from. Of all of them the best job goes first: priority, place.",
    )
    poll: Distribution = Field(
        default=NO_TIME,
        description="An idle worker asks this often; 0: the broker hands over at the end of the instant. "
        "Of those who ask, the longest idle gets the best job; among equals, the first in the file. A distribution "
        "that has a longest time is drawn once for each worker.",
    )
    heartbeat: PositiveDuration = Field(default=30_000_000, description="Time from one heartbeat to the next.")
    heartbeat_jitter: Duration = Field(
        default=0, description="Each heartbeat is off by less than this either way; at most half of `heartbeat`."
    )
    silence: PositiveDuration | None = Field(
        default=None,
        description="After so long without a message the broker declares the worker lost, counted from when the newest "
        "came; default: never.",
    )
    slots: int = Field(default=1, ge=1, le=1000, description="Jobs that one worker works on at once.")
    boots_in: Distribution = Field(default=NO_TIME, description="From being switched on to the first request.")
    speed: Speed = Field(default=1.0, description="Work done in a unit of time; 2 halves the time of each part.")
    equipped_with: tuple[Name, ...] = Field(
        default=(), strict=False, description="What they have: tape, or tape 2.1 with a version."
    )
    equipment_changes: tuple[EquipmentChange, ...] = Field(
        default=(), strict=False, description="How that changes over time."
    )
    per_worker: dict[Name, WorkerDiffers] = Field(
        default={}, description="Settings of single workers, by name (`dome-2`)."
    )
    joins: Moment = Field(default=0, description="When the workers are switched on first.")
    power: Power | None = Field(
        default=None,
        description="When they are on: a schedule, or a list of windows, of which any suffices; default: all the time.",
    )
    woken_on_demand: bool = Field(default=False, description="true: off until there is work, then switched on.")
    idle_off_after: PositiveDuration | None = Field(
        default=None, description="With woken_on_demand: off when idle so long; default: stays on."
    )
    retires_after: int | None = Field(
        default=None,
        ge=1,
        le=10_000_000,
        description="A worker leaves for good after so many attempts; default: never.",
    )
    stops_at_lease_end: bool = Field(
        default=False, description="true: stops work when its own clock says the lease has ended."
    )
    link: Link = Field(default=Link.model_construct(), description="Their link to the broker.")
    clock: SkewedClock = Field(
        default=SkewedClock.model_construct(), description="How their clocks differ from true time."
    )

    @property
    def count(self) -> int:
        """How many workers there are."""
        return (self.stated_count or 0) if self.workers is None else len(self.workers)

    @property
    def windows(self) -> tuple[PowerSchedule, ...]:
        """The schedule or the windows by which its workers are on; none: all the time."""
        if self.power is None:
            return ()
        return (self.power,) if isinstance(self.power, PowerSchedule) else self.power

    def names(self, pool: str) -> tuple[str, ...]:
        """Give the names of the workers, in order; ``pool`` is the pool's.

        >>> Pool(count=2, serves=("night",)).names("dome"), Pool(workers=("north",), serves=("night",)).names("dome")
        (('dome-1', 'dome-2'), ('north',))
        """
        if self.workers is not None:
            return self.workers
        return tuple(f"{pool}-{number}" for number in range(1, self.count + 1))

    def mistakes(self) -> Iterator[Mistake]:
        if self.poll.longest is None or self.poll.varies_with is not None:
            yield ("poll",), "how often a worker asks has a longest time: write 30s or {between: [25s, 35s]}"
        if 2 * self.heartbeat_jitter > self.heartbeat:
            half = say(self.heartbeat // 2)
            yield ("heartbeat_jitter",), f"a heartbeat is off by less than half the time between two: at most {half}"
        if self.stated_count is None and self.workers is None:
            yield (), "how many workers? give `count`, or their names as `workers`"
        elif self.stated_count is not None and self.workers is not None:
            yield ("workers",), "`count` and `workers` both say how many workers there are: keep one of the two"
        for place, name in enumerate(self.workers or ()):
            if name in (self.workers or ())[:place]:
                yield ("workers", place), f"the worker {name!r} stands here twice"
        yield from self._wrong_windows()
        if self.idle_off_after is not None and not self.woken_on_demand:
            yield ("idle_off_after",), "`idle_off_after` belongs to woken_on_demand: true"
        if len(set(self.serves)) < len(self.serves):
            yield ("serves",), "a queue stands here twice"

    def _wrong_windows(self) -> Iterator[Mistake]:
        windows = self.windows
        for place, window in enumerate(windows if len(windows) > 1 else ()):
            if window.on is None:
                yield ("power", place), "each of several windows begins and ends: give `on`"
            elif window.off is None:
                yield ("power", place), "each of several windows begins and ends: give `off`"
            elif window in windows[:place]:
                yield ("power", place), "this window stands here twice"


Outcome = Literal["error", "permanent_error", "time_limit", "lease_lost"]


class Allowance(Model):
    """A queue's allowance of retries: a token bucket; each granted retry takes one token."""

    holds: int = Field(ge=1, le=10_000_000, description="Tokens when full; it is full at the start.")
    refills: Count = Field(default=0, description="Tokens added in each `each`, evenly.")
    each: PositiveDuration = Field(default=60_000_000, description="The time in which `refills` tokens come.")
    when_empty: Literal["fail", "wait"] = Field(
        default="fail", description="What happens to a retry that finds no token."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.when_empty == "wait" and not self.refills:
            yield ("when_empty",), "jobs would wait for ever, because no tokens come: give `refills`"


class Retry(Model):
    """When is a job tried again, and how soon?"""

    attempts_in_all: int = Field(default=1, ge=1, le=100_000, description="Hand-outs in all, lost leases included.")
    lost_leases_at_most: Count | None = Field(
        default=None, description="With more lost leases than this the job fails; default: no limit of its own."
    )
    retried: tuple[Outcome, ...] = Field(
        default=("error", "time_limit", "lease_lost"),
        strict=False,
        description="Outcomes after which it is tried again.",
    )
    pause: Literal["none", "constant", "linear", "exponential"] = Field(
        default="none", description="How the pause before a retry grows from retry to retry."
    )
    first: Duration = Field(default=0, description="The first pause.")
    grows_by: float = Field(default=2.0, ge=1, le=1000, description="Factor of the exponential pause.")
    longest: Duration | None = Field(
        default=None, description="No pause before jitter is longer, no decorrelated one at all; default: no limit."
    )
    jitter: Literal["none", "full", "equal", "decorrelated"] = Field(
        default="none",
        description="full: 0 to the pause; equal: half to the whole; decorrelated: `first` to 3 times the one before.",
    )
    total_limit: PositiveDuration | None = Field(
        default=None, description="From first submission; no retry starts after it. Default: no limit."
    )
    allowance: Allowance | None = Field(default=None, description="The allowance of retries; default: no limit.")
    respects_retry_after: bool = Field(default=True, description="Waits at least as long as a system's hint asks.")

    def mistakes(self) -> Iterator[Mistake]:
        yield from _wrong_pause(self)
        if len(set(self.retried)) < len(self.retried):
            yield ("retried",), "an outcome stands here twice"


class AskAgain(Model):
    """How a part asks a system again that has refused its call, inside one attempt; each ask is one more call.

    Refused is a call that the system turns away (down, over its rate limit, its line full), or that has no access. A
    hint of the system (`retry_after`) is waited for in any case.
    """

    times: int = Field(ge=1, le=100_000, description="So often at most, after the first call.")
    pause: Literal["none", "constant", "linear", "exponential"] = Field(
        default="none", description="How the pause before an ask grows from ask to ask."
    )
    first: Duration = Field(default=0, description="The first pause.")
    grows_by: float = Field(default=2.0, ge=1, le=1000, description="Factor of the exponential pause.")
    longest: Duration | None = Field(
        default=None, description="No pause before jitter is longer, no decorrelated one at all; default: no limit."
    )
    jitter: Literal["none", "full", "equal", "decorrelated"] = Field(
        default="none", description="As for the retries of a queue."
    )

    def mistakes(self) -> Iterator[Mistake]:
        yield from _wrong_pause(self)


def _wrong_pause(stated: Retry | AskAgain) -> Iterator[Mistake]:
    if stated.pause == "none" and "pause" not in stated.model_fields_set:
        for name in ("first", "grows_by", "longest"):
            if stated.stated(name):
                yield (name,), f"`{name}` says nothing without pause: constant, linear or exponential"
    if stated.pause == "none" and stated.jitter != "none":
        yield ("jitter",), "there is no pause to jitter: give pause: constant, linear or exponential"
    if stated.pause != "none" and not stated.first:
        yield ("first",), f"a pause that is {stated.pause} needs `first`, the first pause, above 0"
    if stated.stated("grows_by") and stated.pause in ("constant", "linear"):
        yield ("grows_by",), f"`grows_by` belongs to an exponential pause, and this one is {stated.pause}"
    if stated.longest is not None and stated.pause != "none" and stated.longest < stated.first:
        yield ("longest",), f"the longest pause is below the first ({say(stated.first)})"


class TimeLimit(Model):
    """The time limit of one attempt, from its hand-out, and what follows when it is reached."""

    after: PositiveDuration = Field(description="From the hand-out; no renewal extends it.")
    then: Literal["fail", "start_over", "resume"] = Field(
        default="fail", description="What becomes of the job; resume goes on after the last part that was finished."
    )
    at_most: Count | None = Field(
        default=None, description="How often a job may start over or resume for this; default: no limit of its own."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.at_most is not None and self.then == "fail":
            yield ("at_most",), "`at_most` says how often a job starts over or resumes, and here it fails at once"


def wrong_terms(retry: Retry | None) -> Iterator[Mistake]:
    """Tell what an arrival entry or a routine cannot say of the retries of its jobs."""
    if retry is not None and retry.allowance is not None:
        yield ("retry", "allowance"), "the allowance of retries is the queue's: give it there"


class Queue(Model):
    """One queue of jobs. Its lease, time limit and retries hold where neither routine nor arrivals say their own."""

    lease: PositiveDuration = Field(default=90_000_000, description="How long a lease is; a renewal starts it again.")
    renewed: bool = Field(default=True, description="false: a fixed lease that no heartbeat renews.")
    expiry_sent_as: Literal["duration_from_request", "duration_from_reply", "clock_time"] = Field(
        default="duration_from_request",
        description="How the end of a lease is sent to its worker: as a duration from its request or from the reply, "
        "or as a clock time.",
    )
    time_limit: TimeLimit | None = Field(default=None, description="The time limit of one attempt; default: none.")
    retry: Retry = Field(default=Retry.model_construct(), description="When a job is tried again.")
    capacity: Count | None = Field(
        default=None, description="Unfinished jobs that it holds; more are refused. Default: no limit."
    )
    start_within: PositiveDuration | None = Field(
        default=None, description="Jobs not started in this time expire; default: never."
    )
    running_at_most: int | None = Field(
        default=None, ge=1, le=10_000_000, description="Jobs of this queue running at once; default: no limit."
    )
    per_key_at_most: int = Field(default=1, ge=1, le=10_000_000, description="Jobs of one key running at once.")
    requeued_keep_place: bool = Field(default=True, description="false: a requeued job goes to the back.")
    matches_equipment: bool = Field(
        default=True, description="false: a job may go to a worker that lacks what it requires, and fails there."
    )
    idempotency_keys_kept: Duration = Field(
        default=0, description="So long after a job's end its idempotency key still answers."
    )
