"""What another system is told: slots, answers, limits, outages."""

from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Count, Duration, Model, Moment, Share

__all__ = ["Outage", "RateLimit", "System"]


class RateLimit(Model):
    """A token bucket: `allows` calls in each `each`, `burst` at once."""

    allows: int = Field(ge=1, le=10_000_000)
    each: Duration = Field(gt=0)
    burst: int = Field(default=1, ge=1, le=10_000_000)
    when_empty: Literal["refuse", "wait"] = "refuse"


class Outage(Model):
    """A window in which the system is down."""

    begins: Moment = Field(alias="from")
    ends: Moment = Field(alias="until")


class System(Model):
    """Another system that parts call."""

    slots: Count | None = Field(default=None, description="Calls served at once; none: no limit.")
    answers_in: Distribution = Distribution(constant=0)
    line_at_most: Count | None = Field(default=None, description="Calls waiting; more are refused.")
    limit: RateLimit | None = None
    error_share: Share = 0.0
    outages: tuple[Outage, ...] = Field(default=(), strict=False)
    patience: Duration | None = Field(default=None, description="A caller gives up after this and takes it as error.")
    leaves_line_if_abandoned: bool = False
    retry_after: Duration | None = Field(default=None, description="The hint that comes with each refusal.")
    fenced: Literal["no", "highest_token", "asks_broker"] = "no"
