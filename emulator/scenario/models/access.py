"""Who may call what, from when, until when."""

from typing import Literal

from pydantic import Field

from emulator.scenario.models.distribution import Distribution
from emulator.scenario.values import Duration, Model, Moment, Name

__all__ = ["Credential", "Grant"]


class Grant(Model):
    """One grant of access. A system that no grant names is open to all."""

    who: Name = Field(description="A pool or a worker.")
    to: Name = Field(description="A system, or system/part for one part of it.")
    given: Moment = 0
    in_force_after: Distribution = Distribution(constant=0)
    until: Moment | None = None
    refusals_cached: Duration = Field(default=0, description="A refused caller is refused this long without a look.")


class Credential(Model):
    """What a worker shows to a system: it has a life, and is renewed or ends in the middle of long work."""

    who: Name
    to: Name
    life: Duration = Field(gt=0)
    issued: Literal["at_attempt", "at_start"] = "at_attempt"
    renewed_every: Duration | None = Field(default=None, gt=0)
