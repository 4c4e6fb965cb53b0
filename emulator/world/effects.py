"""Which effects are there, and which does a fence refuse?

The law: a fenced system knows nothing of leases. For each target and scope it keeps the highest token that it has
accepted, and refuses a lower one for ever after; the same token may come again. A zombie's write that arrives before
its successor's first write is therefore accepted. The scope is the job's exclusive key if it has one, else the job
together with all jobs resubmitted from it: jobs that have nothing to do with each other never shut each other out.
A system that asks the broker at each write is another mode; there a lost lease is enough to be refused.
"""

from collections.abc import Callable, Mapping
from typing import Literal

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt, Job
from emulator.errors import DefectError
from emulator.world.plan import Step, target_of
from emulator.world.worker import RunContext

__all__ = ["Effects", "Fences"]


class Fences:
    """Remembers the highest token seen for each target and scope, and judges each write by it.

    >>> fences = Fences()
    >>> [fences.accepts("highest_token", "plate 7", "copy#1", token, lambda token: True) for token in (33, 34, 33)]
    [True, True, False]
    """

    __slots__ = ("_highest",)

    def __init__(self) -> None:
        self._highest: dict[tuple[str, str, str], int] = {}

    def accepts(
        self,
        mode: str,
        target: str,
        scope: str,
        token: int,
        lease_is_valid: Callable[[int], bool],
        system: str = "",
    ) -> bool:
        """Say whether a write is accepted at the instant at which it lands; an accepted one is remembered.

        Args:
            mode: ``no`` (every write is accepted), ``highest_token`` or ``asks_broker``, as the system is fenced.
            target: what is written to.
            scope: what shares one row of tokens on that target.
            token: the token with which the write was sent.
            lease_is_valid: what the broker says of a token now; called in the mode ``asks_broker`` only.
            system: the system that holds the target; two systems know nothing of each other's tokens.

        Raises:
            DefectError: for any other mode.
        """
        if mode == "no":
            return True
        if mode == "asks_broker":
            return lease_is_valid(token)
        if mode != "highest_token":
            raise DefectError(f"a system is fenced {mode!r}: write no, highest_token or asks_broker")
        place = (system, target, scope)
        if token < self._highest.get(place, token):
            return False
        self._highest[place] = token
        return True


class Effects:
    """Lands effects, each with the token with which it was sent; a fence is applied at the instant it lands.

    Args:
        context: the event queue and the sink.
        broker: says whether a token is still good.
        fenced: by system how it is fenced.
    """

    __slots__ = ("_agenda", "_broker", "_emit", "_fenced", "_fences", "_there")

    def __init__(self, context: RunContext, broker: Broker, fenced: Mapping[str, str]) -> None:
        self._agenda, self._emit = context.agenda, context.emit
        self._broker = broker
        self._fenced = fenced
        self._fences = Fences()
        self._there: set[tuple[str, str, str]] = set()  # only ever asked whether it holds something

    def is_there(self, job: Job, step: Step) -> bool:
        """Say whether the effect of a step is on its target already, left by the same work."""
        return (job.name, str(step[0].model.effect), target_of(job, step)) in self._there

    def found(self, attempt: Attempt, step: Step) -> None:
        """A part looked first and found its effect there."""
        self._tell("effect_found", attempt, str(step[0].model.effect), target_of(attempt.job, step))

    def land(self, attempt: Attempt, step: Step) -> bool:
        """Land the effect of a step; False if the system that holds its target refuses the token."""
        part = step[0]
        target = target_of(attempt.job, step)
        return self.leave(attempt, str(part.model.effect), target, part.target_system, part.model.repeatable)

    def leave(
        self, attempt: Attempt, effect: str, target: str, holder: str, repeatable: bool | Literal["checks_first"]
    ) -> bool:
        """Leave an effect on a target; False if the system that holds it refuses the token."""
        job = attempt.job
        mode = self._fenced.get(holder, "no")
        if mode != "no" and not self._fences.accepts(mode, target, job.scope, attempt.token, self._is_valid, holder):
            self._tell("effect_refused", attempt, effect, target, "token_is_stale")
            return False
        self._there.add((job.name, effect, target))
        self._tell("effect_landed", attempt, effect, target, repeatable)
        return True

    def _is_valid(self, token: int) -> bool:
        return self._broker.is_up and self._broker.lease_of(token) is not None

    def _tell(self, kind: str, attempt: Attempt, effect: str, target: str, *more: object) -> None:
        row = (self._agenda.now, kind, attempt.event, attempt.job.number, attempt.worker.name)
        self._emit((*row, attempt.number, attempt.token, effect, target, *more))
