"""The whole scenario file."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from emulator.scenario.models.access import Credential, Grant
from emulator.scenario.models.actions import Action
from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.models.brief import Brief
from emulator.scenario.models.faults import Fault
from emulator.scenario.models.growth import Growth
from emulator.scenario.models.pools import Pool
from emulator.scenario.models.queues import Queue
from emulator.scenario.models.requirements import Requirement
from emulator.scenario.models.routines import Routine
from emulator.scenario.models.systems import System
from emulator.scenario.models.varies import Factor
from emulator.scenario.values import Model, Name, NewName, Span, one_line

__all__ = ["Broker", "Question", "Scenario"]


class Broker(Model):
    """What the broker itself is told."""

    leases_during_outage: Literal["expire", "extend"] = Field(
        default="expire",
        description="Leases that end while the broker is down are lost at its restart (expire), or all leases are "
        "extended by the outage's length.",
    )


class Question(Model):
    """A question about the night, and what it would change; answered by `run --nights N --questions`."""

    ask: Annotated[str, AfterValidator(one_line)] = Field(
        min_length=1, max_length=200, description="The question, in words (What if north loses power at 01:30?)."
    )
    change: dict[str, Any] = Field(
        min_length=1, description="What it changes, as a variant does: dotted paths and their values, and `based_on`."
    )


class Scenario(Model):
    """A scenario: the world of one night, what goes wrong in it, and what must be true in the end."""

    title: Annotated[str, AfterValidator(one_line)] = Field(
        min_length=1, max_length=200, description="What it is about, in one line."
    )
    based_on: str | None = Field(
        default=None,
        max_length=1000,
        description="Another scenario file, whose values hold where this one states none: see above.",
    )
    about: str = Field(default="", max_length=10_000, description="What it shows, in as many lines as it needs.")
    starts: str = Field(description="Local time at which it starts, such as 2026-06-12T21:30:00.")
    zone: str = Field(default="UTC", description="The zone of all times, such as America/Santiago.")
    lasts: Span = Field(description="How long it lasts; what is unfinished then is shown as such.")
    seed: int = Field(default=1, ge=0, lt=2**63, description="Chooses the draws; the same seed gives the same night.")
    heartbeats: Literal["computed", "simulated"] = Field(
        default="computed", description="simulated: each heartbeat is an event of its own. The jobs fare the same."
    )
    meant_to_miss: bool = Field(default=False, description="true: a lesson in which a requirement is missed.")
    varies: dict[NewName, Factor] = Field(
        default={}, max_length=20, description="Factors that are drawn once for each night, by name."
    )
    growth: tuple[Growth, ...] = Field(
        default=(), strict=False, max_length=20, description="What grows as the months pass, for `forecast` alone."
    )
    broker: Broker = Field(default=Broker(), description="How the broker behaves.")
    queues: dict[NewName, Queue] = Field(min_length=1, description="The queues, by name.")
    pools: dict[NewName, Pool] = Field(min_length=1, description="The pools of workers, by name.")
    systems: dict[NewName, System] = Field(default={}, description="The systems that parts call, by name.")
    access: tuple[Grant, ...] = Field(default=(), strict=False, description="Who may call what.")
    credentials: tuple[Credential, ...] = Field(default=(), strict=False, description="What is shown to systems.")
    routines: dict[NewName, Routine] = Field(min_length=1, description="The kinds of work, by name.")
    arrivals: tuple[Arrival, ...] = Field(strict=False, description="When jobs come.")
    faults: tuple[Fault, ...] = Field(default=(), strict=False, description="What goes wrong.")
    actions: tuple[Action, ...] = Field(default=(), strict=False, description="What people do.")
    must_hold: tuple[Requirement, ...] = Field(default=(), strict=False, description="What must be true in the end.")
    also_true: tuple[Requirement, ...] = Field(
        default=(),
        strict=False,
        description="Facts of the lesson that are true of one night, such as exactly one lost lease. `run` judges them "
        "apart from `must_hold`; many nights, recommendations and `hunt` leave them out.",
    )
    prefer: tuple[Name, ...] = Field(
        default=(),
        strict=False,
        max_length=10,
        description="By which figures to choose among several variants that keep all requirements, the most important "
        "first. Default: worker_hours, done_share, makespan, wasted_work.",
    )
    variants: dict[NewName, dict[str, Any]] = Field(
        default={},
        max_length=100,
        description="Other settings to compare: dotted paths (queues.night.lease) and their values; `based_on` names "
        "another variant whose changes come first.",
    )
    combine: dict[str, Annotated[tuple[Any, ...], Field(min_length=1, strict=False)]] = Field(
        default={},
        max_length=10,
        description="Settings to compare in every combination: dotted paths, each with a list of values.",
    )
    baseline: Name | None = Field(
        default=None, description="The variant that others are compared with. Default: the scenario as written."
    )
    brief: Brief | None = Field(default=None, description="What a board that decides on a change has to know.")
    questions: tuple[Question, ...] = Field(
        default=(), strict=False, max_length=100, description="What is asked of the night with other settings."
    )
