"""What does each kind of fault do to the world, and what undoes it?

The law: faults of one kind on one target overlap freely. What they do is undone when the last of them ends. Where they
carry a value (a speed, a share, a clock), the one that began last holds; when it ends, the one before it that still
lasts holds again. A worker's link is two targets, out and back. An occurrence that finds nothing to hit (a worker that
is off) has missed: it leaves nothing behind, and nothing is undone for it.
"""

from collections.abc import Mapping
from typing import Any, Final

from emulator.scenario.models.faults import Fault
from emulator.scenario.models.scenario import Scenario
from emulator.world.access import Access
from emulator.world.arrivals import Arrivals
from emulator.world.control import Control
from emulator.world.fault_times import Lane
from emulator.world.systems import Systems
from emulator.world.worker import Worker
from emulator.world.worker_lifecycle import WorkerLifecycle

__all__ = ["Answer", "Hits", "Targets", "why_missed"]

Answer = bool | str | None
"""What the world says of a request: False, or the code of why, where it hit nothing."""


class Targets:
    """The parts of the world that faults strike.

    Attributes:
        lifecycle: does what happens to workers; control: to jobs, routines, queues and the broker.
        systems, access, arrivals: do what happens to these.
    """

    __slots__ = ("access", "arrivals", "control", "lifecycle", "systems")

    def __init__(
        self, lifecycle: WorkerLifecycle, control: Control, systems: Systems, access: Access, arrivals: Arrivals
    ) -> None:
        self.lifecycle, self.control = lifecycle, control
        self.systems, self.access, self.arrivals = systems, access, arrivals


_MISSED: Final[Mapping[str, str]] = {
    "power_off": "was_off",
    "freeze": "was_off_or_frozen",
    "missing_tool": "lacked_tool",
    "broker_outage": "was_down",
    "system_outage": "was_down",
    "withdraw_access": "was_withdrawn",
    "brown_out": "nothing_changed",
    "error_burst": "nothing_changed",
    "surge": "nothing_changed",
    "hand_out_twice": "nothing_to_hand_out_twice",
    "poison_job": "no_such_job",
}
_WORKER_OFF: Final = "was_off"

_VALUED: Final = frozenset(
    ("slow_down", "lose_heartbeats", "lose_results", "skew_clock", "brown_out", "error_burst", "surge")
)

_Key = tuple[str, ...]
_Token = tuple[int, int]


def why_missed(answer: Answer, otherwise: str = "hit_nothing") -> str:
    """Give the code of why a request hit nothing; "" when it hit.

    >>> why_missed(True), why_missed(""), why_missed(None), why_missed(False), why_missed("was_off")
    ('', '', '', 'hit_nothing', 'was_off')
    """
    if isinstance(answer, str):
        return answer
    return otherwise if answer is False else ""


class Hits:
    """Applies faults to the world and undoes them, keeping count of those that overlap."""

    __slots__ = ("_lasting", "_scenario", "_targets")

    def __init__(self, targets: Targets, scenario: Scenario) -> None:
        self._targets = targets
        self._scenario = scenario
        self._lasting: dict[_Key, dict[_Token, Fault]] = {}

    def begin(self, cause: int, lane: Lane, number: int, worker: Worker | None, fault: Fault) -> str:
        """Let an occurrence begin, as strong as ``fault`` says; give why it hit nothing, "" when it hit."""
        keys = _keys(lane, worker)
        overlaps = any(self._lasting.get(key) for key in keys)
        why = why_missed(self._apply(cause, lane, worker, fault), _MISSED.get(lane.kind, _WORKER_OFF))
        if why and not overlaps:
            if lane.kind in _VALUED:
                self._apply(cause, lane, worker, None)  # a value may have been taken all the same
            return why
        for key in keys:
            self._lasting.setdefault(key, {})[lane.place, number] = fault
        return ""

    def end(self, cause: int, lane: Lane, number: int, worker: Worker | None) -> None:
        """Let an occurrence that hit end; what it did is undone if no other of its kind still lasts."""
        free: list[_Key] = []
        for key in _keys(lane, worker):
            lasting = self._lasting[key]
            was_last = next(reversed(lasting)) == (lane.place, number)
            del lasting[lane.place, number]
            if not lasting:
                del self._lasting[key]
                free.append(key)
            elif was_last and lane.kind in _VALUED:
                self._apply(cause, lane, worker, next(reversed(lasting.values())))
        if lane.kind == "cut_link" and worker is not None:
            if free:
                self._targets.lifecycle.restore_link(cause, worker, "both" if len(free) == 2 else free[0][2])
        elif free:
            self._apply(cause, lane, worker, None)

    def _apply(self, cause: int, lane: Lane, worker: Worker | None, holds: Fault | None) -> Answer:
        """Put a fault in force on a lane's target, or (None) what was before any."""
        if worker is not None:
            return self._apply_to_worker(cause, lane, worker, holds)
        targets, name = self._targets, lane.name
        match lane.kind:
            case "broker_outage":
                return targets.control.broker_down(cause) if holds else targets.control.broker_up(cause)
            case "withdraw_access":
                change = targets.access.withdraw if holds else targets.access.restore
                return change(cause, name, lane.fault.access_to)
            case "system_outage":
                return targets.systems.set_down(cause, name) if holds else targets.systems.set_up(cause, name)
            case "brown_out":
                return targets.systems.set_brown_out(cause, name, _or(holds and holds.factor, 1.0))
            case "error_burst":
                share = _or(holds.share, 0.0) if holds else None
                if name in self._scenario.systems:
                    return targets.systems.set_error_share(cause, name, share)
                return targets.control.set_routine_error_share(cause, name, share)
            case "surge":
                return targets.arrivals.set_factor(name, _or(holds and holds.factor, 1.0))
            case "hand_out_twice":
                return targets.control.hand_out_twice(cause, name, lane.fault.how or "same_token")
            case _:
                entry, _, ordinal = name.rpartition("#")
                return targets.control.poison(cause, entry, int(ordinal), lane.fault.how or "fails")

    def _apply_to_worker(self, cause: int, lane: Lane, worker: Worker, holds: Fault | None) -> Answer:
        lifecycle, tool = self._targets.lifecycle, lane.fault.tool or ""
        match lane.kind:
            case "power_off":
                if holds:
                    return lifecycle.power_off(cause, worker)
                return lifecycle.power_on(cause, worker, not lane.fault.program_absent)
            case "freeze":
                return lifecycle.freeze(cause, worker) if holds else lifecycle.thaw(cause, worker)
            case "cut_link":
                return lifecycle.cut_link(cause, worker, lane.fault.direction)
            case "slow_down":
                return lifecycle.set_speed_factor(cause, worker, _or(holds and holds.to, 1.0))
            case "lose_heartbeats":
                return lifecycle.set_heartbeat_loss(cause, worker, _or(holds.share, 1.0) if holds else 0.0)
            case "lose_results":
                return lifecycle.set_result_loss(cause, worker, _or(holds.share, 1.0) if holds else 0.0)
            case "skew_clock":
                clock = holds.clock if holds else None
                if clock is None:
                    pool = self._scenario.pools[worker.pool]
                    differs = pool.per_worker.get(worker.name)
                    clock = (differs.clock if differs else None) or pool.clock
                return lifecycle.set_clock(
                    cause, worker, -clock.offset if clock.behind else clock.offset, clock.drift_ppm
                )
            case _:
                change = lifecycle.remove_tool if holds else lifecycle.return_tool
                return change(cause, worker, tool)


def _or(value: Any, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def _keys(lane: Lane, worker: Worker | None) -> list[_Key]:
    """Give what an occurrence of a lane takes hold of."""
    fault, name = lane.fault, lane.name if worker is None else worker.name
    if lane.kind == "cut_link":
        return [(lane.kind, name, way) for way in ("out", "back") if fault.direction in (way, "both")]
    return [(lane.kind, name, fault.tool or fault.access_to or "")]
