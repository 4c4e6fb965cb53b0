"""Lets the host's clocks (``time.monotonic``, ``datetime.now`` and the like) show virtual time to code on a virtual
loop.

The law:

1. In the thread of a running virtual loop that asks for it, and outside clock stops, they follow virtual time: the
   monotonic ones are the loop's own ``time()``; those of the calendar count from the loop's ``calendar``, and for the
   code of a worker by that worker's clock.
2. Everywhere else they are real: in other threads, inside clock stops, between runs, and for the limits of real time,
   which read ``clock_gettime``, or where a system lacks it what ``time.monotonic`` calls before it is exchanged.
3. ``time.sleep`` in a worker's code is refused: it would hold up the loop, and no virtual time would pass.

The monotonic clocks are reached under each name that was given to them (``from time import monotonic``), because what
is exchanged is the function inside the object. ``time.time``, ``datetime`` and ``date`` are left to time-machine, which
does the same for those. Out of reach are SQLite's ``now``, and other callers in C.
"""

import asyncio
import ctypes
import importlib
import logging
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, Final, NoReturn, Protocol, cast

__all__ = ["DEFAULT_CALENDAR", "Over", "host_clock", "raise_in", "wall_clocks"]

DEFAULT_CALENDAR: Final = 1_767_225_600_000_000
"""Microseconds from 1970 to tick 0 of a loop without an emulator: 2026-01-01, 00:00 UTC."""

_log: Final = logging.getLogger("emulator.timeline")


def host_clock() -> float:
    """Give the host's own monotonic clock in seconds, whatever other clocks show."""
    return _host_seconds()


class Over:
    """What clocks show when the limit of real time is reached: whoever reckons with it, such as a loop that waits for a
    deadline without giving way, gets the error at that line.
    """

    def __init__(self, error: Callable[[], BaseException]) -> None:
        self._error = error

    def _raise(self, *_: object) -> NoReturn:
        raise self._error()

    __lt__ = __le__ = __gt__ = __ge__ = __add__ = __radd__ = __sub__ = __rsub__ = __mul__ = __rmul__ = _raise
    __truediv__ = __rtruediv__ = __floordiv__ = __mod__ = __divmod__ = __pow__ = __neg__ = __round__ = _raise
    __int__ = __float__ = __index__ = __bool__ = __format__ = _raise


def raise_in(thread: int, error: BaseException) -> None:
    """Raise an error like this in a thread that runs Python code, wherever that is."""
    kind = type(error)
    told = {"__init__": lambda self, *_: kind.__init__(self, *error.args), "__module__": kind.__module__}
    ctypes.pythonapi.PyThreadState_SetAsyncExc(
        ctypes.c_ulong(thread), ctypes.py_object(type(kind.__name__, (kind,), told))
    )


class Shown(Protocol):
    """What is asked of a loop whose time the clocks may show."""

    def _shown_tick(self) -> "int | Over | None":
        """Give the tick that the monotonic clocks show, or None where they are real."""

    def _shown_moment(self) -> int | None:
        """Give the microseconds since 1970 that the clocks of the calendar show, or None where they are real."""

    def _refuse_sleep(self) -> None:
        """Refuse ``time.sleep`` where the clocks are not real, in a worker's code."""


def _loop_here() -> Shown | None:
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        return None
    return (
        cast(Shown, loop) if hasattr(loop, "_shown_tick") else None
    )  # a check of the protocol takes ten times as long


@contextmanager
def wall_clocks() -> Iterator[None]:
    """Let the clocks follow virtual time, for as long as this is asked for anywhere in the process."""
    global _asked
    with _lock:
        _asked += 1
        if _asked == 1:
            _set_all()
    try:
        yield
    finally:
        with _lock:
            _asked -= 1
            if not _asked:
                _back.close()


_asked = 0
_lock: Final = threading.Lock()
_back: Final = ExitStack()
"""Puts everything back."""


def _set_all() -> None:
    for name, ticks_to in _MONOTONIC.items():
        _exchange(getattr(time, name), ticks_to)
    stock = time.sleep

    def sleep(seconds: Any, /) -> None:
        if (loop := _loop_here()) is not None:
            loop._refuse_sleep()
        stock(seconds)

    time.sleep = sleep
    _back.callback(_put_back_sleep, sleep, stock)
    _travel()


def _put_back_sleep(ours: object, stock: Any) -> None:
    if time.sleep is ours:
        time.sleep = stock


# -- the monotonic clocks ---------------------------------------------------------------------------------------------

_MONOTONIC: Final[dict[str, Callable[[Any], Any]]] = {
    "monotonic": lambda tick: tick / 1_000_000,
    "perf_counter": lambda tick: tick / 1_000_000,
    "monotonic_ns": lambda tick: tick * 1_000,
    "perf_counter_ns": lambda tick: tick * 1_000,
}
_NO_ARGUMENTS: Final = ctypes.PYFUNCTYPE(ctypes.py_object, ctypes.c_void_p, ctypes.c_void_p)
_DEFINITION: Final = 2 * ctypes.sizeof(ctypes.c_void_p)
"""Where in a function object the pointer to its definition is: behind the count of references and the type."""
_FUNCTION: Final = ctypes.sizeof(ctypes.c_void_p)
"""Where in a definition the pointer to the function is: behind the name."""
_kept: Final[list[Any]] = []
"""What the clocks call, for ever: somebody may be in the middle of a call as they are put back."""


def _slot(clock: Any) -> ctypes.c_void_p:
    """Find where a clock's function object keeps what it calls."""
    definition = ctypes.c_void_p.from_address(id(clock) + _DEFINITION).value
    assert definition is not None, "a function of a module written in C has one"
    return ctypes.c_void_p.from_address(definition + _FUNCTION)


def _host_clock() -> Callable[[], float]:
    if hasattr(time, "clock_gettime"):
        return lambda: time.clock_gettime(time.CLOCK_MONOTONIC)
    stock = _NO_ARGUMENTS(_slot(time.monotonic).value or 0)
    return lambda: cast(float, stock(None, None))


_host_seconds: Final = _host_clock()


def _exchange(clock: Any, ticks_to: Callable[[Any], Any]) -> None:
    slot = _slot(clock)
    before = slot.value
    assert before is not None, "and that has a function"
    stock = _NO_ARGUMENTS(before)

    def read(module: int | None, nothing: int | None) -> Any:
        loop = _loop_here()
        tick = None if loop is None else loop._shown_tick()
        if tick is None:
            return stock(module, nothing)
        return ticks_to(tick) if isinstance(tick, int) else tick

    ours = _NO_ARGUMENTS(read)
    _kept.append(ours)
    slot.value = ctypes.cast(ours, ctypes.c_void_p).value
    _back.callback(setattr, slot, "value", before)


# -- the clocks of the calendar ---------------------------------------------------------------------------------------


def _travel() -> None:
    alone = "pytest" not in sys.modules
    if alone:  # it would load that for a fixture of its own, which takes longer than all the rest
        sys.modules["pytest"] = None  # type: ignore[assignment]
    try:
        time_machine: Any = importlib.import_module("time_machine")
    except ImportError:
        if not _told:
            _told.append(True)
            _log.warning(
                "time-machine is not installed, so that time.time() and datetime.now() show real time in virtual time: "
                "python -m pip install time-machine"
            )
        return
    finally:
        if alone:
            del sys.modules["pytest"]
    if time_machine.escape_hatch.is_travelling():  # somebody sets the time already: theirs counts
        return
    real = time_machine.escape_hatch.time.time_ns

    def time_ns() -> int:
        loop = _loop_here()
        moment = None if loop is None else loop._shown_moment()
        return real() if moment is None else moment * 1_000

    journey = time_machine.travel(0, tick=False)
    traveller = journey.start()
    traveller.time_ns = time_ns
    _back.callback(journey.stop)


_told: Final[list[bool]] = []
