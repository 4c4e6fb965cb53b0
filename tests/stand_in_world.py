"""A world that stands in for the real one under faults and actions: it writes down what is done to it.

It knows who is off and who stands still, and takes part in nothing else.
"""

from typing import Any

from emulator.scenario.models.scenario import Scenario
from emulator.timeline.agenda import Agenda
from emulator.world.actions import Actions
from emulator.world.draws import Draws
from emulator.world.fault_effects import Targets
from emulator.world.faults import Faults

__all__ = ["HOUR", "MINUTE", "Night", "StandInWorld", "at"]

MINUTE = 60_000_000
HOUR = 60 * MINUTE


class StandInWorker:
    def __init__(self, name: str, pool: str, index: int) -> None:
        self.name, self.pool, self.index = name, pool, index
        self.is_on, self.is_frozen = True, False

    def __repr__(self) -> str:
        return self.name


class Part:
    """Systems, access or arrivals: writes down each call and agrees to it."""

    def __init__(self, world: "StandInWorld", name: str) -> None:
        self._world, self._name = world, name

    def __getattr__(self, method: str) -> Any:
        def call(*arguments: Any) -> bool:
            if method != "set_factor":  # the only one without a cause
                self._world.causes.append(arguments[0])
                arguments = arguments[1:]
            self._world.note(f"{self._name}.{method}", *arguments)
            return True

        return call


class StandInWorld:
    """Writes down (minute, method, arguments) of every call."""

    def __init__(self, scenario: Scenario, agenda: Agenda, seed: int) -> None:
        self.agenda, self.draws = agenda, Draws(seed)
        self.calls: list[tuple[Any, ...]] = []
        self.causes: list[int] = []
        self.rows: list[tuple[Any, ...]] = []
        self.jobs: dict[tuple[str, int], int] = {}
        self.refusals: dict[str, str] = {}
        self.pools: dict[str, list[Any]] = {}
        self.workers: dict[str, Any] = {}
        for pool, model in scenario.pools.items():
            names = [f"{pool}-{number}" for number in range(1, model.count + 1)]
            self.pools[pool] = [StandInWorker(name, pool, len(self.workers) + n) for n, name in enumerate(names)]
            self.workers.update((worker.name, worker) for worker in self.pools[pool])
        self.systems, self.access, self.arrivals = Part(self, "systems"), Part(self, "access"), Part(self, "arrivals")

    def emit(self, row: tuple[Any, ...]) -> int:
        self.rows.append(row)
        return len(self.rows)

    def note(self, method: str, *arguments: Any) -> None:
        shown = tuple(one.name if isinstance(one, StandInWorker) else one for one in arguments)
        self.calls.append((self.agenda.now / MINUTE, method, *shown))

    def power_off(self, cause: int, worker: Any) -> bool:
        self.causes.append(cause)
        self.note("power_off", worker)
        was_on, worker.is_on = worker.is_on, False
        return bool(was_on)

    def power_on(self, cause: int, worker: Any, program: bool = True) -> bool:
        self.causes.append(cause)
        self.note("power_on", worker, program)
        was_on, worker.is_on = worker.is_on, True
        return not was_on

    def freeze(self, cause: int, worker: Any) -> bool:
        self.causes.append(cause)
        self.note("freeze", worker)
        hit = worker.is_on and not worker.is_frozen
        worker.is_frozen = worker.is_frozen or hit
        return bool(hit)

    def thaw(self, cause: int, worker: Any) -> bool:
        self.causes.append(cause)
        self.note("thaw", worker)
        was_frozen, worker.is_frozen = worker.is_frozen, False
        return bool(was_frozen)

    def set_speed_factor(self, cause: int, worker: Any, factor: float) -> bool:
        self.causes.append(cause)
        self.note("set_speed_factor", worker, factor)
        return bool(worker.is_on)

    def job_of(self, entry: str, ordinal: int) -> int:
        return self.jobs.get((entry, ordinal), 0)

    def new_version(self, cause: int, routine: str, action: Any) -> bool:
        self.causes.append(cause)
        self.note("new_version", routine, action.speed)
        return True

    def _plainly(self, method: str, answer: Any, cause: int, *arguments: Any) -> Any:
        self.causes.append(cause)
        self.note(method, *arguments)
        return answer

    def __getattr__(self, method: str) -> Any:
        refusal = self.refusals.get(method, "")
        if method == "run_again":
            return lambda cause, job: self._plainly(method, refusal, cause, job)
        if method in ("do_to_job", "do_to_queue"):
            return lambda what, cause, target: self._plainly(method, refusal, cause, what, target)
        if method == "drain":
            return lambda cause, worker, *_: self._plainly(method, worker.is_on, cause, worker)
        return lambda *given: self._plainly(method, True, *given)


class Night:
    """Runs faults and actions to the end of a night of ``lasts`` minutes."""

    def __init__(self, faults: Any = (), actions: Any = (), lasts: int = 600, seed: int = 1, **more: Any) -> None:
        pools = more.pop("pools", {"dome": 3})
        self.scenario = Scenario.model_validate(
            {
                "title": "A night",
                "starts": "2026-06-12T21:30:00",
                "lasts": lasts * MINUTE,
                "queues": {"night": {}},
                "pools": {
                    name: given if isinstance(given, dict) else {"count": given, "serves": ["night"]}
                    for name, given in pools.items()
                },
                "routines": {"plate-copy": {"queue": "night", "parts": [{"name": "copy", "takes": MINUTE}]}},
                "arrivals": [{"routine": "plate-copy", "name": "plates", "every": MINUTE}],
                "systems": {"archive": {"answers_in": MINUTE}},
                "faults": list(faults),
                "actions": list(actions),
            }
        )
        self.agenda = Agenda()
        self.world = StandInWorld(self.scenario, self.agenda, seed)
        world: Any = self.world
        targets = Targets(world, world, world.systems, world.access, world.arrivals)
        self.faults = Faults(world, targets, self.scenario)
        self.actions = Actions(world, world, world, self.scenario)

    def run(self) -> "Night":
        self.faults.start()
        self.actions.start()
        self.agenda.run(before=(self.scenario.lasts,))
        self.faults.finish()
        return self

    @property
    def calls(self) -> list[tuple[Any, ...]]:
        return self.world.calls

    @property
    def told(self) -> list[tuple[Any, ...]]:
        """Give what was told: minute, kind, cause, job, worker, details."""
        return [(row[0] / MINUTE, *row[1:]) for row in self.world.rows]

    def onsets(self, kind: str = "fault_began") -> dict[str, list[int]]:
        """Give the ticks at which something of a kind was told of each worker."""
        found: dict[str, list[int]] = {}
        for row in self.world.rows:
            if row[1] == kind:
                found.setdefault(row[4], []).append(row[0])
        return found

    def hit(self) -> list[str]:
        return [row[4] for row in self.world.rows if row[1] == "fault_began"]


def at(minute: float) -> int:
    return round(minute * MINUTE)
