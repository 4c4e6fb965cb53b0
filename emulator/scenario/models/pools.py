"""What a pool of workers is told."""

from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Count, Duration, Model, Moment, Name, Share, Speed

__all__ = ["EquipmentChange", "Link", "Pool", "PowerSchedule", "SkewedClock", "WorkerDiffers"]


class Link(Model):
    """The link between a worker and the broker."""

    delay_out: Distribution = Distribution(constant=0)
    delay_back: Distribution = Distribution(constant=0)
    loss_out: Share = 0.0
    loss_back: Share = 0.0
    answer_within: Duration = Field(default=10_000_000, gt=0, description="Then the request is sent again.")


class SkewedClock(Model):
    """How a worker's own clock differs from true time."""

    offset: Duration = 0
    behind: bool = Field(default=False, description="true: the offset is behind true time.")
    drift_ppm: float = Field(default=0.0, gt=-1_000_000, le=1_000_000, strict=False)


class PowerSchedule(Model):
    """When the workers of a pool are on, in a zone of their own."""

    on: str | None = Field(default=None, description="Time of day, HH:MM; none: never switched on by itself.")
    off: str | None = Field(default=None, description="Time of day, HH:MM.")
    days: tuple[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"], ...] = Field(
        default=("mon", "tue", "wed", "thu", "fri", "sat", "sun"), strict=False
    )
    zone: str | None = Field(default=None, description="Default: the scenario's zone.")
    at_shutdown: Literal["kill", "finish"] = "kill"
    longest_wait: Duration = Field(default=3_600_000_000, description="With finish: then it is a kill.")
    declines_what_cannot_end: bool = False


class EquipmentChange(Model):
    """Equipment installed or removed at a time (a re-image is both)."""

    at: Moment
    workers: tuple[Name, ...] | None = Field(default=None, strict=False, description="Default: the whole pool.")
    installs: tuple[Name, ...] = Field(default=(), strict=False)
    removes: tuple[Name, ...] = Field(default=(), strict=False)


class WorkerDiffers(Model):
    """Where one worker differs from its pool."""

    equipped_with: tuple[Name, ...] | None = Field(default=None, strict=False)
    slots: int | None = Field(default=None, ge=1, le=1000)
    speed: Speed | None = None
    clock: SkewedClock | None = None
    joins: Moment | None = None


class Pool(Model):
    """A group of like workers, named pool-1, pool-2, ..."""

    count: int = Field(ge=0, le=100_000)
    serves: tuple[Name, ...] = Field(strict=False, min_length=1)
    poll: Duration = Field(default=0, description="An idle worker asks this often; 0: the broker hands over at once.")
    heartbeat: Duration = Field(default=30_000_000, gt=0)
    heartbeat_jitter: Duration = Field(default=0, description="Each heartbeat is off by less than this either way.")
    silence: Duration | None = Field(default=None, description="After this the broker declares the worker lost.")
    slots: int = Field(default=1, ge=1, le=1000)
    boots_in: Distribution = Distribution(constant=0)
    speed: Speed = 1.0
    equipped_with: tuple[Name, ...] = Field(default=(), strict=False)
    equipment_changes: tuple[EquipmentChange, ...] = Field(default=(), strict=False)
    differ: dict[Name, WorkerDiffers] = Field(default={})
    joins: Moment = Field(default=0, description="When the workers are switched on first.")
    power: PowerSchedule | None = None
    woken_on_demand: bool = False
    idle_off_after: Duration | None = Field(default=None, description="With woken_on_demand: off when idle so long.")
    leaves_after: Count | None = Field(default=None, description="Finish so many attempts, then leave.")
    stops_itself: bool = Field(default=False, description="Stops work when its own clock says the lease has ended.")
    link: Link = Link()
    clock: SkewedClock = SkewedClock()
