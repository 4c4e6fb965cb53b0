"""What another system is told: slots, answers, limits, outages."""

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Count, Duration, EarlyMoment, Mistake, Model, PositiveDuration, Share

__all__ = ["Outage", "RateLimit", "System"]


class RateLimit(Model):
    """A token bucket: `allows` calls in each `each`, `burst` at once."""

    allows: int = Field(ge=1, le=10_000_000, description="Calls that are allowed in each `each`, evenly.")
    each: PositiveDuration = Field(description="The time in which `allows` tokens come.")
    burst: int = Field(default=1, ge=1, le=10_000_000, description="Tokens when full; it is full at the start.")
    when_empty: Literal["refuse", "wait"] = Field(
        default="refuse", description="What happens to a call that finds no token."
    )


class Outage(Model):
    """A window in which the system is down."""

    begins: EarlyMoment = Field(alias="from", description="First instant at which it is down.")
    ends: EarlyMoment = Field(
        alias="until", description="First instant at which it is up again; an outage before the night is over."
    )

    def mistakes(self) -> Iterator[Mistake]:
        if self.ends <= self.begins:
            yield ("until",), "the outage ends before it begins: `until` must be later than `from`"


class System(Model):
    """Another system that parts call."""

    slots: int | None = Field(
        default=None, ge=1, le=10_000_000, description="Calls served at once; default: without limit."
    )
    answers_in: Distribution = Field(
        default=Distribution(constant=0), description="How long it serves a call, without waiting in line."
    )
    waiting_at_most: Count | None = Field(
        default=None, description="Calls waiting for a slot; more are refused. Default: no limit."
    )
    limit: RateLimit | None = Field(default=None, description="Its rate limit; default: none.")
    error_share: Share = Field(default=0.0, description="This share of its answers are errors.")
    outages: tuple[Outage, ...] = Field(default=(), strict=False, description="When it is down.")
    patience: PositiveDuration | None = Field(
        default=None, description="A caller gives up after this and takes it as an error; default: it waits for ever."
    )
    abandoned_calls: Literal["finish", "drop"] = Field(
        default="finish",
        description="What becomes of a call whose caller gave up: finish serves it all the same; "
        "drop frees its place and slot.",
    )
    retry_after: Duration | None = Field(default=None, description="The hint that comes with each refusal.")
    fenced: Literal["no", "highest_token", "asks_broker"] = Field(
        default="no",
        description="highest_token: refuses tokens below the highest that it has accepted for the same target from the "
        "same exclusive key. Without a key it compares those of the same job and of jobs resubmitted from it. "
        "asks_broker: asks the broker at each write.",
    )
