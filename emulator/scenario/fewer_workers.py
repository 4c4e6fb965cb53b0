"""Which mistakes of a changed scenario are only that it has fewer workers than the one that was changed?

A fault that is aimed at ``dome-2`` has nobody to hit where ``pools.dome.count`` is 1. That is no slip of the pen: the
run tells it (``fault_missed``, ``action_refused``), and a search for the right number of workers goes on.
"""

from collections.abc import Mapping
from functools import cached_property
from typing import Any

from emulator.scenario.messages import Found
from emulator.scenario.models.faults import WORKER_KINDS
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.names import Names

__all__ = ["FewerWorkers", "absent_workers"]


class FewerWorkers:
    """Excuses what names workers that a change has taken away; ``data`` is the scenario before it."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self._data = data

    @cached_property
    def _before(self) -> Names:
        return Names(self._data, {})

    def pruned(self, data: dict[str, Any]) -> dict[str, Any]:
        """Give changed data without the settings of single workers that are there no more."""
        after, pools = Names(data, {}), data.get("pools")
        gone = {
            name: [worker for worker in pool["per_worker"] if self._is_gone(str(worker), after)]
            for name, pool in (pools.items() if isinstance(pools, Mapping) else ())
            if isinstance(pool, Mapping) and isinstance(pool.get("per_worker"), Mapping)
        }
        if not isinstance(pools, Mapping) or not any(gone.values()):
            return data
        kept = {
            name: {**pool, "per_worker": {key: it for key, it in pool["per_worker"].items() if key not in gone[name]}}
            for name, pool in pools.items()
            if gone.get(name)
        }
        return {**data, "pools": {**pools, **kept}}

    def excuses(self, data: Mapping[str, Any], found: Found) -> bool:
        """Say whether a mistake in changed data is only that a worker is not there who was before."""
        after = Names(data, {})
        value: Any = data
        for part in found.loc:
            held: Any = value
            try:
                value = value[part]
            except (LookupError, TypeError):
                return False
        if found.loc and found.loc[-1] == "some" and isinstance(held, Mapping) and isinstance(held.get("pool"), str):
            pool = held["pool"]
            return self._before.too_many(pool, value) is None and after.too_many(pool, value) is not None
        return isinstance(value, str) and self._is_gone(value, after)

    def _is_gone(self, word: str, after: Names) -> bool:
        return self._before.worker(word) is None and after.worker(word) is not None


def absent_workers(scenario: Scenario) -> tuple[str, ...]:
    """Name the workers that faults and actions of a scenario are aimed at, and that are not there, each once."""
    known = {*scenario.pools, *(name for pool, model in scenario.pools.items() for name in model.names(pool))}
    aims: list[Any] = [getattr(fault, kind) for fault in scenario.faults for kind in WORKER_KINDS]
    aims += [action.drain for action in scenario.actions]
    named = [name for aim in aims for name in (aim if isinstance(aim, tuple) else (aim,)) if isinstance(name, str)]
    return tuple(dict.fromkeys(name for name in named if name not in known))
