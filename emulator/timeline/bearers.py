"""Bearers: what code runs on and dies with, and whether that code may run at present.

A bearer is what code runs on and dies with: the program of an emulated worker, or one attempt of it. The law:

1. A context variable names the bearer. Tasks, timers and callbacks have it from the context in which they were made, a
   task that is given a context without one has it from its maker. What the emulator itself makes is borne by nobody.
2. While a bearer stands still, whatever of its code becomes ready is parked. When it goes on, what was ready goes
   first, in the order in which it became so, and then the timers that fell due meanwhile, by when they were due.
3. Once a bearer is gone nothing of its code ever runs again, no ``finally`` block either, as on a machine that lost its
   power. Its tasks and its asynchronous generators are kept until the process ends, because Python would run their
   ``finally`` blocks when it collects them. Code that is being executed at that very moment runs on to its next wait.
4. A bearer's sleeps take as long as its speed lets them; deadlines take their time. When the speed changes, only what
   is left of a sleep is rescaled.

The loop asks about a bearer only when one stands still or is gone, so nobody else pays for it.
"""

import asyncio
import ctypes
from collections import deque
from collections.abc import AsyncGenerator, Callable
from contextvars import Context, ContextVar
from typing import TYPE_CHECKING, Any, Final, Literal
from weakref import WeakKeyDictionary

if TYPE_CHECKING:
    from emulator.timeline.resources import Held

__all__ = ["BEARER", "NOBODY", "Bearer", "Sleep", "bearer_in", "keep_forever"]

Arm = Callable[[int], asyncio.TimerHandle]


class Bearer:
    """What code runs on: it runs, stands still or is gone.

    The loop changes it: ``stand_still``, ``go_on``, ``abandon`` and ``set_speed`` of ``VirtualLoop``.

    Attributes:
        name: as errors say it.
        state: ``"runs"``, ``"stands still"`` or ``"gone"``.
        why: why it stands still or is gone, as errors say it.
        speed: 1 is full speed; a sleep at speed 0.5 takes twice its time.
        parked: what became ready while it stands still.
        late: its timers that fell due meanwhile.
        tasks: its tasks, for as long as anybody else holds them.
        generators: its asynchronous generators that are under way, likewise.
        sleeps: its sleeps that are under way.
        at_power_off: what its code asked to have called when its power goes.
        clock: tells what its worker's clock shows at a tick, in microseconds since 1970; None for the loop's calendar.
        held: what its code has opened (``emulator.timeline.resources``); None as long as that is nothing.
        watch: makes of each coroutine that its tasks run one that is watched; None for as they are.
    """

    __slots__ = (
        "at_power_off", "clock", "generators", "held", "late", "name", "parked", "sleeps", "speed", "state", "tasks",
        "watch", "why",
    )  # fmt: skip

    def __init__(self, name: str) -> None:
        self.name = name
        self.state: Literal["runs", "stands still", "gone"] = "runs"
        self.why = ""
        self.speed = 1.0
        self.parked: deque[asyncio.Handle] = deque()
        self.late: deque[asyncio.Handle] = deque()
        self.tasks: WeakKeyDictionary[asyncio.Task[Any], None] = WeakKeyDictionary()
        self.generators: WeakKeyDictionary[AsyncGenerator[Any, Any], None] = WeakKeyDictionary()
        self.sleeps: dict[Sleep, None] = {}
        self.at_power_off: list[Callable[[], object]] = []
        self.clock: Callable[[int], int] | None = None
        self.held: Held | None = None
        self.watch: Callable[[Any], Any] | None = None

    def park(self, handle: asyncio.Handle) -> None:
        """Keep what became ready until the bearer goes on."""
        (self.late if isinstance(handle, asyncio.TimerHandle) else self.parked).append(handle)

    def unpark(self) -> list[asyncio.Handle]:
        """Give everything that was kept, in the order in which it has to run."""
        kept = [*self.parked, *self.late]
        self.parked.clear()
        self.late.clear()
        return kept


NOBODY: Final = Bearer("nobody")
"""Bears what belongs to no worker; it always runs, and keeps no account of its tasks."""

BEARER: Final[ContextVar[Bearer]] = ContextVar("emulator_bearer", default=NOBODY)
"""Whose code runs in a context."""


def bearer_in(context: Context) -> Bearer:
    """Give the bearer of a context; one that names none gets that of the code that runs."""
    if BEARER not in context:
        context.run(BEARER.set, BEARER.get())
    return context[BEARER]


class Sleep:
    """Stands for the timer of a sleep on a bearer, whichever timer that is at present.

    Args:
        bearer: whose sleep it is.
        now: the present tick.
        ticks: how long it takes at full speed.
        arm: makes a timer for a tick.
    """

    __slots__ = ("_arm", "_bearer", "_due", "_handle")

    def __init__(self, bearer: Bearer, now: int, ticks: int, arm: Arm) -> None:
        self._bearer = bearer
        self._arm = arm
        self._due = now + stretched(ticks, bearer.speed)
        self._handle = arm(self._due)
        bearer.sleeps[self] = None

    def rescale(self, now: int, before: float) -> None:
        """Let what is left take as long as the bearer's speed lets it now; the speed was ``before``."""
        if self._due > now:  # else it is over, and the sleeper has not noticed yet
            self._handle.cancel()
            self._due = now + stretched(max(1, round((self._due - now) * before)), self._bearer.speed)
            self._handle = self._arm(self._due)

    def cancel(self) -> None:
        """Forget the sleep; asyncio does it at the end of each."""
        self._handle.cancel()
        self._bearer.sleeps.pop(self, None)


def stretched(ticks: int, speed: float) -> int:
    """Say how long work of so many ticks, at least one, takes.

    >>> stretched(60, 0.5), stretched(60, 1.0)
    (120, 60)
    """
    return ticks if speed == 1.0 else max(1, round(ticks / speed))


def keep_forever(thing: object) -> None:
    """Take a reference that is never given back: the thing outlives even the end of the interpreter, as it is.

    A list that holds it would not do: what is in a module's lists is collected at exit, ``finally`` blocks and all.
    """
    ctypes.pythonapi.Py_IncRef(ctypes.py_object(thing))
