"""What a queue is told: lease, retry, order, limits."""

from typing import Literal

from pydantic import Field

from emulator.scenario.values import Count, Duration, Model

__all__ = ["Allowance", "LongestRun", "Outcome", "Queue", "Retry"]

Outcome = Literal["error", "permanent error", "too long", "lease lost"]


class Allowance(Model):
    """A queue's allowance of retries: a token bucket; each granted retry takes one token."""

    holds: int = Field(ge=1, le=10_000_000, description="Tokens when full; it is full at the start.")
    refills: int = Field(default=0, ge=0, description="Tokens added in each `each`, evenly.")
    each: Duration = Field(default=60_000_000, description="The time in which `refills` tokens come.")
    when_empty: Literal["fail", "wait"] = "fail"


class Retry(Model):
    """When is a job tried again, and how soon?"""

    attempts_in_all: int = Field(default=1, ge=1, le=100_000, description="Hand-outs in all, lost leases included.")
    lost_leases_at_most: Count | None = Field(default=None, description="Lost leases after which the job fails.")
    retried: tuple[Outcome, ...] = Field(default=("error", "too long", "lease lost"), strict=False)
    pause: Literal["none", "constant", "linear", "exponential"] = "none"
    first: Duration = Field(default=0, description="The first pause.")
    grows_by: float = Field(default=2.0, ge=1, le=1000, strict=False, description="Factor of the exponential pause.")
    longest: Duration | None = Field(default=None, description="No pause before jitter is longer.")
    jitter: Literal["none", "full", "equal", "decorrelated"] = "none"
    total_limit: Duration | None = Field(default=None, description="From first submission; no retry starts after it.")
    allowance: Allowance | None = None
    heeds_retry_after: bool = True


class LongestRun(Model):
    """The longest time that one attempt may take from its hand-out, and what follows."""

    after: Duration
    then: Literal["fail", "start_over", "resume"] = "fail"
    at_most: Count | None = Field(default=None, description="How often a job may start over or resume for this.")


class Queue(Model):
    """One queue of jobs."""

    lease: Duration = Field(default=90_000_000, gt=0)
    renewed: bool = Field(default=True, description="false: a fixed lease that no heartbeat renews.")
    end_told_as: Literal["duration_from_request", "duration_from_reply", "clock_time"] = "duration_from_request"
    longest_run: LongestRun | None = None
    retry: Retry = Retry()
    capacity: Count | None = Field(default=None, description="Unfinished jobs that it holds; more are refused.")
    start_within: Duration | None = Field(default=None, description="Jobs not started in this time expire.")
    running_at_most: Count | None = None
    per_key_at_most: int = Field(default=1, ge=1)
    requeued_keep_place: bool = Field(default=True, description="false: a requeued job goes to the back.")
    matches_equipment: bool = True
    idempotency_keys_kept: Duration = 0
