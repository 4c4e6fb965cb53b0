"""On which terms does a job run: its lease, the time limit of an attempt, its retries?

Each of the three is what the job's arrival entry says, else its routine, else its queue. A ``retry`` or a
``time_limit`` is taken as a whole. The allowance of retries stays the queue's.
"""

from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.models.pools import Queue, Retry, TimeLimit
from emulator.scenario.models.routines import Routine
from emulator.scenario.models.scenario import Scenario

__all__ = ["TERMS", "Terms", "terms_of"]

TERMS: Final = ("lease", "time_limit", "retry")
"""The keys that an arrival entry and a routine may have as a queue does."""


class Terms(NamedTuple):
    """The terms of some jobs.

    Attributes:
        queue: their queue, with the values that hold for them.
        stated_by: for each of ``TERMS`` who states it, and its name; the queue where nobody else does.
        are_own: whether any of them is not the queue's.
    """

    queue: Queue
    stated_by: Mapping[str, tuple[Literal["arrivals", "routines", "queues"], str]]

    @property
    def are_own(self) -> bool:
        return any(who != "queues" for who, _ in self.stated_by.values())


def terms_of(scenario: Scenario, arrival: Arrival | None, routine: str, queue: str | None = None) -> Terms:
    """Give the terms of the jobs of a routine, as an arrival entry brings them (None: no entry has any of its own).

    ``queue``: the queue that they came to, where that is not for the routine to say.
    """
    model = scenario.routines.get(routine)
    name = queue if queue is not None else model.queue if model is not None else ""
    return _over(scenario.queues.get(name) or Queue(), name, arrival, model, routine)


def _over(queue: Queue, name: str, arrival: Arrival | None, model: Routine | None, routine: str) -> Terms:
    stated_by: dict[str, tuple[Literal["arrivals", "routines", "queues"], str]] = {}
    changes: dict[str, int | TimeLimit | Retry] = {}
    for key in TERMS:
        own = None if arrival is None else getattr(arrival, key)
        general = None if model is None else getattr(model, key)
        value = general if own is None else own
        if value is None:
            stated_by[key] = ("queues", name)
            continue
        stated_by[key] = ("routines", routine) if arrival is None or own is None else ("arrivals", arrival.label)
        if isinstance(value, Retry):
            value = value.model_copy(update={"allowance": queue.retry.allowance})
        changes[key] = value
    return Terms(queue.model_copy(update=changes) if changes else queue, stated_by)
