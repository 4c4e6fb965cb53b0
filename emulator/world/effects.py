"""Which effects are there, and which does a fence refuse?"""

from typing import TYPE_CHECKING, Literal

from emulator.world.fences import Fences
from emulator.world.plan import JobPlan, Step
from emulator.world.worker import Execution

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Effects"]


class Effects:
    """Lands effects, each with the token with which it was sent; a fence is applied at the instant it lands."""

    __slots__ = ("_fences", "_there", "_world")

    def __init__(self, world: "World", fences: Fences) -> None:
        self._world = world
        self._fences = fences
        self._there: set[tuple[str, str, str]] = set()  # only ever asked whether it holds something

    def is_there(self, plan: JobPlan, step: Step) -> bool:
        """Say whether the effect of a step is on its target already, left by the same work."""
        return (plan.name, str(step[0].model.effect), plan.target(step)) in self._there

    def found(self, execution: Execution, step: Step) -> None:
        """A part looked first and found its effect there."""
        self._emit("effect_found", execution, str(step[0].model.effect), execution.plan.target(step))

    def land(self, execution: Execution, step: Step) -> bool:
        """Land the effect of a step; False if the system that holds its target refuses the token."""
        part = step[0]
        target = execution.plan.target(step)
        return self.leave(execution, str(part.model.effect), target, part.target_system, part.model.repeatable)

    def leave(
        self, execution: Execution, effect: str, target: str, holder: str, repeatable: bool | Literal["checks_first"]
    ) -> bool:
        """Leave an effect on a target; False if the system that holds it refuses the token."""
        plan = execution.plan
        system = self._world.scenario.systems.get(holder)
        mode = system.fenced if system is not None else "no"
        if mode != "no" and not self._fences.accepts(mode, target, plan.scope, execution.token, self._is_valid, holder):
            self._emit("effect_refused", execution, effect, target, "token_is_stale")
            return False
        self._there.add((plan.name, effect, target))
        self._emit("effect_landed", execution, effect, target, repeatable)
        return True

    def _is_valid(self, token: int) -> bool:
        return self._world.broker.is_up and self._world.broker.lease_of(token) is not None

    def _emit(self, kind: str, execution: Execution, effect: str, target: str, *more: object) -> None:
        row = (self._world.agenda.now, kind, execution.event, execution.plan.number, execution.worker.name)
        self._world.emit((*row, execution.attempt, execution.token, effect, target, *more))
