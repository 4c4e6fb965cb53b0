"""What does a scenario say about workers, queues and effects that no event tells?"""

from collections.abc import Mapping
from dataclasses import dataclass

from emulator.scenario.models.pools import Queue
from emulator.scenario.models.routines import Part
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.schedules import Terms, terms_of

__all__ = ["Settings", "WorkerSettings", "settings_of"]


@dataclass(frozen=True, slots=True)
class WorkerSettings:
    """What the scenario says about one worker; ``equipment`` is what it has at the start."""

    name: str
    pool: str
    slots: int
    queues: tuple[str, ...]
    equipment: tuple[str, ...]
    poll: int
    declines: bool


@dataclass(frozen=True, slots=True)
class Settings:
    """What the scenario says; ``workers`` stand in its order."""

    scenario: Scenario
    workers: Mapping[str, WorkerSettings]

    def queue(self, name: str) -> Queue:
        """Give the settings of a queue; of one that the scenario does not know, those of a queue left as it is."""
        return self.scenario.queues.get(name) or Queue()

    def terms(self, entry: str, routine: str, queue: str) -> Terms:
        """Give the terms on which the jobs of a routine run that an entry brings to a queue."""
        arrivals = (arrival for arrival in self.scenario.arrivals if arrival.label == entry)
        return terms_of(self.scenario, next(arrivals, None), routine, queue)

    def requires(self, routine: str) -> tuple[str, ...]:
        """Give what a worker must have for a job of a routine."""
        found = self.scenario.routines.get(routine)
        return tuple(sorted(found.requires)) if found is not None else ()

    def takes_slots(self, routine: str) -> int:
        """Give how many slots of its worker a job of a routine takes."""
        found = self.scenario.routines.get(routine)
        return found.takes_slots if found is not None else 1

    def missing_tool(self, routine: str) -> str:
        """Give the outcome of an attempt whose worker lacks what its routine requires."""
        found = self.scenario.routines.get(routine)
        return found.missing_tool if found is not None else ""

    def new_requires(self, place: str, before: tuple[str, ...]) -> tuple[str, ...]:
        """Give what is required once a new version was put in by the action at a place, such as ``actions[0]``."""
        number = int(place[len("actions[") : -1])
        actions = self.scenario.actions
        requires = actions[number].requires if number < len(actions) else None
        return before if requires is None else tuple(sorted(requires))

    def part(self, routine: str, effect: str) -> Part | None:
        """Give the part of a routine that leaves an effect."""
        found = self.scenario.routines.get(routine)
        return next((part for part in found.parts if part.effect == effect), None) if found is not None else None

    def fence(self, part: Part) -> tuple[str, str]:
        """Name the system that holds the effect of a part, and how it is fenced; both "" if none does."""
        name = part.effect_in or (part.calls or "").partition("/")[0]
        system = self.scenario.systems.get(name)
        return (name, system.fenced) if system is not None else ("", "")


def settings_of(scenario: Scenario) -> Settings:
    """Read the settings of every worker of a scenario."""
    workers: dict[str, WorkerSettings] = {}
    for pool, model in scenario.pools.items():
        for name in model.names(pool):
            differs = model.per_worker.get(name)
            own = differs.equipped_with if differs is not None else None
            workers[name] = WorkerSettings(
                name,
                pool,
                (differs.slots if differs is not None else None) or model.slots,
                model.serves,
                model.equipped_with if own is None else own,
                model.poll.longest or 0,
                any(window.skips_jobs_too_long_to_finish for window in model.windows),
            )
    return Settings(scenario, workers)
