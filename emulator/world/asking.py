"""When does a part ask a system again that has refused it, inside one attempt?

The pauses are those of retries (``emulator.broker.retry``), counted by asks instead of attempts; a hint of the system
(retry-after) is waited for in any case. A pause is a timer of the worker's program: its due time stays while the worker
stands still, and at whatever speed it works.
"""

from collections.abc import Callable

from emulator.broker.jitter import jittered
from emulator.broker.retry import base_pause
from emulator.broker.rules import DataRetry
from emulator.scenario.models import AskAgain

__all__ = ["Again", "Asking"]


class Again:
    """The pause before the next ask of a step.

    Attributes:
        number: how many times the step has asked again, this one included.
        own: the pause without the system's hint, in ticks.
        due: the tick at which it asks.
    """

    __slots__ = ("due", "number", "own")

    def __init__(self, number: int, own: int, due: int) -> None:
        self.number = number
        self.own = own
        self.due = due


class Asking:
    """How often, and after which pauses, a part asks again."""

    __slots__ = ("_pauses", "_times")

    def __init__(self, model: AskAgain) -> None:
        self._times = model.times
        self._pauses = DataRetry(
            pause=model.pause,
            first=model.first,
            grows_by=model.grows_by,
            longest=model.longest,
            jitter=model.jitter,
        )

    def after(self, before: Again | None, now: int, hint: int | None, draw: Callable[[int], float]) -> Again | None:
        """Say when a step asks again that was refused at ``now``; None: it has asked often enough.

        Args:
            before: its pause before this ask, None for the first.
            now: the tick of the refusal.
            hint: the ticks from it after which the system wants to be asked again, None for no hint.
            draw: gives the uniform of the ask with a number; called only if the jitter needs it.
        """
        number = 1 if before is None else before.number + 1
        if number > self._times:
            return None
        own = base_pause(self._pauses, number)
        if self._pauses.jitter != "none" and own:
            own = jittered(self._pauses, own, 0 if before is None else before.own, draw(number))
        return Again(number, own, now + max(own, hint or 0))
