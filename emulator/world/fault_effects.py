"""The effect of each kind of fault on the world, and what undoes it.

The law: faults of one kind on one target overlap freely. What they do is undone when the last of them ends. Where they
carry a value (a speed, a share, a clock), the one that began last holds; when it ends, the one before it that still
lasts holds again. A worker's link is two targets, out and back. An occurrence that finds nothing to hit (a worker that
is off) has missed: it leaves nothing behind, and nothing is undone for it.
"""

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from emulator.records import record
from emulator.scenario.models.faults import Fault
from emulator.scenario.models.scenario import Scenario
from emulator.world.access import Access
from emulator.world.arrivals import Arrivals
from emulator.world.control import Control
from emulator.world.systems import Systems
from emulator.world.worker import Worker
from emulator.world.worker_lifecycle import WorkerLifecycle

__all__ = ["EFFECTS", "Answer", "Effect", "Occurrence", "Targets", "why_missed"]

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


class Occurrence:
    """One fault as it strikes, or as it ends: what an effect is told.

    Attributes:
        targets: the parts of the world; scenario: what it says.
        cause: the number of the event that told of it.
        fault: as it stands in the file; holds: as strong as it is now, None where nothing of its kind lasts any more.
        name: whom it hits; worker: the same, where that is a worker.
        freed: as it ends, the parts of its target that no other fault of its kind has hold of.
    """

    __slots__ = ("cause", "fault", "freed", "holds", "name", "scenario", "targets", "worker")

    worker: Worker

    def __init__(self, targets: Targets, scenario: Scenario, cause: int, fault: Fault, name: str) -> None:
        self.targets, self.scenario, self.cause = targets, scenario, cause
        self.fault, self.name = fault, name
        self.holds: Fault | None = None
        self.freed: tuple[str, ...] = ()

    @property
    def job(self) -> tuple[str, int]:
        """The entry and the number of the job that it hits."""
        entry, _, ordinal = self.name.rpartition("#")
        return entry, int(ordinal)


Change = Callable[[Occurrence], Answer]


def _whole(fault: Fault) -> tuple[str]:
    return (fault.tool or fault.access_to or "",)


def _ways(fault: Fault) -> list[str]:
    return [way for way in ("out", "back") if fault.direction in (way, "both")]


@record
class Effect:
    """What a kind of fault does.

    Attributes:
        begin: puts it in force; end: puts in force what was before any, None where nothing is undone.
        has_value: it carries a value, and ``begin`` is called for either: the one that began last holds.
        missed: the code of why it hit nothing, where the world says no more.
        parts: which parts of its target it takes hold of: those that another fault has hold of stay in force.
    """

    begin: Change
    end: Change | None = None
    has_value: bool = False
    missed: str = "was_off"
    parts: Callable[[Fault], Sequence[str]] = _whole


def _clock(it: Occurrence) -> Answer:
    worker, clock = it.worker, None if it.holds is None else it.holds.clock
    if clock is None:
        pool = it.scenario.pools[worker.pool]
        differs = pool.per_worker.get(worker.name)
        clock = (differs.clock if differs else None) or pool.clock
    offset = -clock.offset if clock.behind else clock.offset
    return it.targets.lifecycle.set_clock(it.cause, worker, offset, clock.drift_ppm)


def _errors(it: Occurrence) -> Answer:
    share = None if it.holds is None else _or(it.holds.share, 0.0)
    if it.name in it.scenario.systems:
        return it.targets.systems.set_error_share(it.cause, it.name, share)
    return it.targets.control.set_routine_error_share(it.cause, it.name, share)


def _or(value: Any, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def _share(it: Occurrence) -> float:
    return 0.0 if it.holds is None else _or(it.holds.share, 1.0)


def _factor(it: Occurrence) -> float:
    return 1.0 if it.holds is None else _or(it.holds.factor, 1.0)


EFFECTS: Final[Mapping[str, Effect]] = MappingProxyType(
    {
        "power_off": Effect(
            lambda it: it.targets.lifecycle.power_off(it.cause, it.worker),
            lambda it: it.targets.lifecycle.power_on(it.cause, it.worker, not it.fault.program_absent),
        ),
        "freeze": Effect(
            lambda it: it.targets.lifecycle.freeze(it.cause, it.worker),
            lambda it: it.targets.lifecycle.thaw(it.cause, it.worker),
            missed="was_off_or_frozen",
        ),
        "cut_link": Effect(
            lambda it: it.targets.lifecycle.cut_link(it.cause, it.worker, it.fault.direction),
            lambda it: it.targets.lifecycle.restore_link(
                it.cause, it.worker, "both" if len(it.freed) == 2 else it.freed[0]
            ),
            parts=_ways,
        ),
        "slow_down": Effect(
            lambda it: it.targets.lifecycle.set_speed_factor(it.cause, it.worker, _or(it.holds and it.holds.to, 1.0)),
            has_value=True,
        ),
        "lose_heartbeats": Effect(
            lambda it: it.targets.lifecycle.set_heartbeat_loss(it.cause, it.worker, _share(it)),
            has_value=True,
        ),
        "lose_results": Effect(
            lambda it: it.targets.lifecycle.set_result_loss(it.cause, it.worker, _share(it)),
            has_value=True,
        ),
        "hand_out_twice": Effect(
            lambda it: it.targets.control.hand_out_twice(it.cause, it.name, it.fault.how or "same_token"),
            missed="nothing_to_hand_out_twice",
        ),
        "skew_clock": Effect(_clock, has_value=True),
        "broker_outage": Effect(
            lambda it: it.targets.control.broker_down(it.cause),
            lambda it: it.targets.control.broker_up(it.cause),
            missed="was_down",
        ),
        "missing_tool": Effect(
            lambda it: it.targets.lifecycle.remove_tool(it.cause, it.worker, it.fault.tool or ""),
            lambda it: it.targets.lifecycle.return_tool(it.cause, it.worker, it.fault.tool or ""),
            missed="lacked_tool",
        ),
        "withdraw_access": Effect(
            lambda it: it.targets.access.withdraw(it.cause, it.name, it.fault.access_to),
            lambda it: it.targets.access.restore(it.cause, it.name, it.fault.access_to),
            missed="was_withdrawn",
        ),
        "system_outage": Effect(
            lambda it: it.targets.systems.set_down(it.cause, it.name),
            lambda it: it.targets.systems.set_up(it.cause, it.name),
            missed="was_down",
        ),
        "brown_out": Effect(
            lambda it: it.targets.systems.set_brown_out(it.cause, it.name, _factor(it)),
            has_value=True,
            missed="nothing_changed",
        ),
        "error_burst": Effect(_errors, has_value=True, missed="nothing_changed"),
        "poison_job": Effect(
            lambda it: it.targets.control.poison(it.cause, *it.job, it.fault.how or "fails"),
            missed="no_such_job",
        ),
        "surge": Effect(
            lambda it: it.targets.arrivals.set_factor(it.name, _factor(it)),
            has_value=True,
            missed="nothing_changed",
        ),
    }
)
"""What each kind of fault does: the rest of its row in ``emulator.scenario.fault_kinds``."""


def why_missed(answer: Answer, otherwise: str = "hit_nothing") -> str:
    """Give the code of why a request hit nothing; "" when it hit.

    >>> why_missed(True), why_missed(""), why_missed(None), why_missed(False), why_missed("was_off")
    ('', '', '', 'hit_nothing', 'was_off')
    """
    if isinstance(answer, str):
        return answer
    return otherwise if answer is False else ""
