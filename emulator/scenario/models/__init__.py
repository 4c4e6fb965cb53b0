"""What a scenario file may say, as data: one module for each part of the file."""

from emulator.scenario.models.arrivals import Arrival, Batch, FirstOf, Prerequisite, Prerequisites, Rates
from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.faults import Action, Credential, Fault, Grant, RateLimit, System, Target
from emulator.scenario.models.pools import (
    Allowance,
    AskAgain,
    Link,
    Pool,
    PowerSchedule,
    Queue,
    Retry,
    TimeLimit,
    WorkerDiffers,
)
from emulator.scenario.models.routines import Part, Routine
from emulator.scenario.models.scenario import Broker, Requirement, Scenario

__all__ = [
    "Action",
    "Allowance",
    "Arrival",
    "AskAgain",
    "Batch",
    "Broker",
    "Credential",
    "Distribution",
    "Fault",
    "FirstOf",
    "Grant",
    "Link",
    "Part",
    "Pool",
    "PowerSchedule",
    "Prerequisite",
    "Prerequisites",
    "Queue",
    "RateLimit",
    "Rates",
    "Requirement",
    "Retry",
    "Routine",
    "Scenario",
    "System",
    "Target",
    "TimeLimit",
    "WorkerDiffers",
]
