"""The whole scenario file."""

from typing import Any, Literal

from pydantic import Field

from emulator.scenario.models.access import Credential, Grant
from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.models.faults import Action, Fault
from emulator.scenario.models.pools import Pool
from emulator.scenario.models.queues import Queue
from emulator.scenario.models.requirements import Requirement
from emulator.scenario.models.routines import Routine
from emulator.scenario.models.systems import System
from emulator.scenario.values import Duration, Model, Name

__all__ = ["Broker", "Scenario"]


class Broker(Model):
    """What the broker itself is told."""

    leases_over_outage: Literal["run_on", "pushed_out"] = "run_on"


class Scenario(Model):
    """A scenario: the world of one night, what goes wrong in it, and what must be true in the end."""

    title: str
    about: str = ""
    starts: str
    zone: str = "UTC"
    lasts: Duration = Field(gt=0)
    seed: int = Field(default=1, ge=0, lt=2**63)
    heartbeats: Literal["computed", "simulated"] = "computed"
    meant_to_miss: bool = Field(default=False, description="true: a lesson in which a requirement is missed.")
    broker: Broker = Broker()
    queues: dict[Name, Queue] = Field(min_length=1)
    pools: dict[Name, Pool] = Field(min_length=1)
    systems: dict[Name, System] = Field(default={})
    access: tuple[Grant, ...] = Field(default=(), strict=False)
    credentials: tuple[Credential, ...] = Field(default=(), strict=False)
    routines: dict[Name, Routine] = Field(min_length=1)
    arrivals: tuple[Arrival, ...] = Field(strict=False, min_length=1)
    faults: tuple[Fault, ...] = Field(default=(), strict=False)
    actions: tuple[Action, ...] = Field(default=(), strict=False)
    must_hold: tuple[Requirement, ...] = Field(default=(), strict=False)
    variants: dict[Name, dict[str, Any]] = Field(default={})
