"""What a queue is told: lease, retry, order, limits."""

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from emulator.scenario.values import Count, Duration, Mistake, Model, PositiveDuration
from emulator.timeline.ticks import say

__all__ = ["Allowance", "AskAgain", "Outcome", "Queue", "Retry", "TimeLimit", "wrong_terms"]

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
    retry: Retry = Field(default=Retry(), description="When a job is tried again.")
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
