"""When do jobs come?"""

from typing import Any, Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Count, Duration, Model, Moment, Name

__all__ = ["Arrival", "Prerequisite"]


class Prerequisite(Model):
    """The job that must end first: the job with the same number in another arrival entry."""

    entry: Name
    number: int | None = Field(default=None, ge=1, description="Default: the job's own number in its entry.")
    if_failed: Literal["fail", "go_on"] = "fail"
    follows_successor: bool = Field(default=False, description="true: a job put back takes the place of the first.")


class Arrival(Model):
    """One entry of arrivals. Exactly one of: `at`, `per_hour`, `every`, `gaps`, `recurs`, `trace`, `again_after`."""

    routine: Name
    name: Name | None = Field(default=None, description="Default: made from the content.")
    count: Count | None = Field(default=None, description="With at: so many at once. Else: so many at most.")
    at: Moment | None = None
    per_hour: float | None = Field(default=None, gt=0, le=1e9, strict=False, description="A Poisson rate.")
    every: Duration | None = Field(default=None, gt=0, description="Constant gaps, the first job at `from`.")
    gaps: Distribution | None = Field(default=None, description="Gaps drawn from a distribution.")
    again_after: Distribution | None = Field(
        default=None, description="A finite source: `count` sources, each sends the next so long after its last ended."
    )
    begins: Moment = Field(default=0, alias="from")
    ends: Moment | None = Field(default=None, alias="until")
    recurs: str | None = Field(default=None, description="RFC 5545 RRULE or a five-field crontab expression.")
    excludes: tuple[str, ...] = Field(default=(), strict=False, description="Excluded days.")
    if_still_running: Literal["skip", "wait", "both"] = "both"
    if_missed: Literal["skip", "once", "each"] = "skip"
    late_at_most: Duration | None = Field(default=None, description="A missed occurrence is made up so late at most.")
    trace: str | None = Field(default=None, description="A .csv or .swf file beside the scenario.")
    parameters: dict[Name, Any] = Field(default={})
    priority: int | None = Field(default=None, ge=-1_000_000, le=1_000_000)
    key: str | None = None
    idempotency_key: str | None = Field(default=None, description="{number} and parameter names are filled in.")
    not_before: Moment | None = Field(default=None, description="Held until then.")
    after: Prerequisite | None = None
