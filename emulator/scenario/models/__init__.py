"""What a scenario file may say, as data: one module for each part of the file."""

from emulator.scenario.models.access import Credential, Grant
from emulator.scenario.models.actions import Action
from emulator.scenario.models.arrivals import Arrival, Batch, FirstOf, Prerequisite, Prerequisites, Rates
from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.faults import Fault, Target
from emulator.scenario.models.pools import Link, Pool, PowerSchedule, WorkerDiffers
from emulator.scenario.models.queues import Allowance, AskAgain, Queue, Retry, TimeLimit
from emulator.scenario.models.requirements import Requirement
from emulator.scenario.models.routines import Part, Routine
from emulator.scenario.models.scenario import Broker, Scenario
from emulator.scenario.models.systems import RateLimit, System

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
