"""What goes wrong, and what people do."""

from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.pools import SkewedClock
from emulator.scenario.values import Duration, Model, Moment, Name, Share

__all__ = ["ACTION_KINDS", "FAULT_KINDS", "Action", "Fault", "Target"]

FAULT_KINDS = (
    "power_off",
    "freeze",
    "cut_link",
    "slow_down",
    "lose_heartbeats",
    "lose_results",
    "hand_out_twice",
    "skew_clock",
    "broker_outage",
    "missing_tool",
    "withdraw_access",
    "system_outage",
    "brown_out",
    "error_burst",
    "poison_job",
    "surge",
)
ACTION_KINDS = (
    "run_again",
    "withdraw",
    "hold",
    "release",
    "suspend",
    "resume",
    "hold_queue",
    "release_queue",
    "finish_and_leave",
    "new_version",
)


class Target(Model):
    """Some or a share of a pool's workers, drawn anew for each occurrence."""

    pool: Name
    some: int | None = Field(default=None, ge=1)
    share: Share | None = None


WorkerTarget = Name | tuple[Name, ...] | Target
"""A worker, a pool (all of it), several, or some of a pool."""


class Fault(Model):
    """One fault. Exactly one of the fault keys; `at`, or `from` and `until`, or `gaps` for a random process."""

    power_off: WorkerTarget | None = Field(default=None, strict=False)
    freeze: WorkerTarget | None = Field(default=None, strict=False)
    cut_link: WorkerTarget | None = Field(default=None, strict=False)
    slow_down: WorkerTarget | None = Field(default=None, strict=False)
    lose_heartbeats: WorkerTarget | None = Field(default=None, strict=False)
    lose_results: WorkerTarget | None = Field(default=None, strict=False)
    hand_out_twice: Name | None = Field(default=None, description="A queue: its next job is handed out twice.")
    skew_clock: WorkerTarget | None = Field(default=None, strict=False)
    broker_outage: Literal[True] | None = None
    missing_tool: WorkerTarget | None = Field(default=None, strict=False)
    withdraw_access: Name | None = Field(default=None, description="A pool or a worker.")
    system_outage: Name | None = None
    brown_out: Name | None = Field(default=None, description="A system whose answers take `factor` times as long.")
    error_burst: Name | None = Field(default=None, description="A system or a routine that fails with `share`.")
    poison_job: str | None = Field(default=None, description="entry#number: that job.")
    surge: Name | None = Field(default=None, description="An arrival entry whose rate is `factor` times as high.")
    # when
    at: Moment | None = None
    begins: Moment | None = Field(default=None, alias="from")
    ends: Moment | None = Field(default=None, alias="until")
    gaps: Distribution | None = Field(default=None, description="Gaps between onsets, for each worker on its own.")
    lasts: Distribution | None = Field(default=None, description="How long it lasts; none: to the end.")
    back_after: Distribution | None = Field(default=None, description="power_off: when it is back; none: never.")
    # how
    program_absent: bool = Field(default=False, description="power_off: back, but the worker program is not.")
    direction: Literal["out", "back", "both"] = "both"
    to: float | None = Field(default=None, gt=0, le=1000, strict=False, description="slow_down: the speed's factor.")
    share: Share | None = None
    factor: float | None = Field(default=None, gt=0, le=10_000, strict=False)
    how: Literal["same_token", "forgets", "fails", "takes_worker_down"] | None = None
    clock: SkewedClock | None = None
    tool: Name | None = None
    access_to: Name | None = Field(default=None, description="withdraw_access: the system.")


class Action(Model):
    """What a person does at a time. Exactly one of the action keys; jobs are named entry#number."""

    run_again: str | None = Field(default=None, description="A finished or running job is put in anew.")
    withdraw: str | None = None
    hold: str | None = None
    release: str | None = None
    suspend: str | None = None
    resume: str | None = None
    hold_queue: Name | None = None
    release_queue: Name | None = None
    finish_and_leave: WorkerTarget | None = Field(default=None, strict=False)
    new_version: Name | None = Field(default=None, description="A routine: jobs in the queue run the new one.")
    at: Moment
    requires: tuple[Name, ...] | None = Field(default=None, strict=False, description="new_version: its equipment.")
    speed: float | None = Field(default=None, gt=0, le=1000, strict=False, description="new_version: work factor.")
    old_jobs: Literal["run_new", "run_old", "fail"] = "run_new"
    lasts: Duration | None = Field(default=None, description="hold: released after it. Not given: forgotten.")
