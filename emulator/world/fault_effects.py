"""What does each kind of fault do to the world, and what undoes it?

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

__all__ = ["EFFECTS", "Answer", "Blow", "Effect", "Targets", "why_missed"]

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


class Blow:
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


Strike = Callable[[Blow], Answer]


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

    begin: Strike
    end: Strike | None = None
    has_value: bool = False
    missed: str = "was_off"
    parts: Callable[[Fault], Sequence[str]] = _whole


def _clock(blow: Blow) -> Answer:
    worker, clock = blow.worker, None if blow.holds is None else blow.holds.clock
    if clock is None:
        pool = blow.scenario.pools[worker.pool]
        differs = pool.per_worker.get(worker.name)
        clock = (differs.clock if differs else None) or pool.clock
    offset = -clock.offset if clock.behind else clock.offset
    return blow.targets.lifecycle.set_clock(blow.cause, worker, offset, clock.drift_ppm)


def _errors(blow: Blow) -> Answer:
    share = None if blow.holds is None else _or(blow.holds.share, 0.0)
    if blow.name in blow.scenario.systems:
        return blow.targets.systems.set_error_share(blow.cause, blow.name, share)
    return blow.targets.control.set_routine_error_share(blow.cause, blow.name, share)


def _or(value: Any, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def _share(blow: Blow) -> float:
    return 0.0 if blow.holds is None else _or(blow.holds.share, 1.0)


def _factor(blow: Blow) -> float:
    return 1.0 if blow.holds is None else _or(blow.holds.factor, 1.0)


EFFECTS: Final[Mapping[str, Effect]] = MappingProxyType(
    {
        "power_off": Effect(
            lambda blow: blow.targets.lifecycle.power_off(blow.cause, blow.worker),
            lambda blow: blow.targets.lifecycle.power_on(blow.cause, blow.worker, not blow.fault.program_absent),
        ),
        "freeze": Effect(
            lambda blow: blow.targets.lifecycle.freeze(blow.cause, blow.worker),
            lambda blow: blow.targets.lifecycle.thaw(blow.cause, blow.worker),
            missed="was_off_or_frozen",
        ),
        "cut_link": Effect(
            lambda blow: blow.targets.lifecycle.cut_link(blow.cause, blow.worker, blow.fault.direction),
            lambda blow: blow.targets.lifecycle.restore_link(
                blow.cause, blow.worker, "both" if len(blow.freed) == 2 else blow.freed[0]
            ),
            parts=_ways,
        ),
        "slow_down": Effect(
            lambda blow: blow.targets.lifecycle.set_speed_factor(
                blow.cause, blow.worker, _or(blow.holds and blow.holds.to, 1.0)
            ),
            has_value=True,
        ),
        "lose_heartbeats": Effect(
            lambda blow: blow.targets.lifecycle.set_heartbeat_loss(blow.cause, blow.worker, _share(blow)),
            has_value=True,
        ),
        "lose_results": Effect(
            lambda blow: blow.targets.lifecycle.set_result_loss(blow.cause, blow.worker, _share(blow)),
            has_value=True,
        ),
        "hand_out_twice": Effect(
            lambda blow: blow.targets.control.hand_out_twice(blow.cause, blow.name, blow.fault.how or "same_token"),
            missed="nothing_to_hand_out_twice",
        ),
        "skew_clock": Effect(_clock, has_value=True),
        "broker_outage": Effect(
            lambda blow: blow.targets.control.broker_down(blow.cause),
            lambda blow: blow.targets.control.broker_up(blow.cause),
            missed="was_down",
        ),
        "missing_tool": Effect(
            lambda blow: blow.targets.lifecycle.remove_tool(blow.cause, blow.worker, blow.fault.tool or ""),
            lambda blow: blow.targets.lifecycle.return_tool(blow.cause, blow.worker, blow.fault.tool or ""),
            missed="lacked_tool",
        ),
        "withdraw_access": Effect(
            lambda blow: blow.targets.access.withdraw(blow.cause, blow.name, blow.fault.access_to),
            lambda blow: blow.targets.access.restore(blow.cause, blow.name, blow.fault.access_to),
            missed="was_withdrawn",
        ),
        "system_outage": Effect(
            lambda blow: blow.targets.systems.set_down(blow.cause, blow.name),
            lambda blow: blow.targets.systems.set_up(blow.cause, blow.name),
            missed="was_down",
        ),
        "brown_out": Effect(
            lambda blow: blow.targets.systems.set_brown_out(blow.cause, blow.name, _factor(blow)),
            has_value=True,
            missed="nothing_changed",
        ),
        "error_burst": Effect(_errors, has_value=True, missed="nothing_changed"),
        "poison_job": Effect(
            lambda blow: blow.targets.control.poison(blow.cause, *blow.job, blow.fault.how or "fails"),
            missed="no_such_job",
        ),
        "surge": Effect(
            lambda blow: blow.targets.arrivals.set_factor(blow.name, _factor(blow)),
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
