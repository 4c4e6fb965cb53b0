"""Runs an async test in virtual time without a plugin, and finds the lines of a traceback that are the user's own.

For ``unittest``, for scripts, and for whoever wants to see how little there is to it.
"""

import asyncio
import functools
import inspect
import os
import traceback
from collections.abc import Callable, Coroutine, Iterator
from types import FrameType, TracebackType
from typing import Any, Final, ParamSpec, TypeVar

from emulator.errors import InputError
from emulator.timeline.loop import VirtualLoop
from emulator.timeline.surface import TimedLoop

__all__ = [
    "end_at_the_test",
    "in_virtual_time",
    "last_lines",
    "place_raised",
    "run_in_virtual_time",
]


_P = ParamSpec("_P")
_T = TypeVar("_T")


def _is_running() -> bool:
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return False
    return True


def run_in_virtual_time(work: Coroutine[Any, Any, _T] | Callable[[], Coroutine[Any, Any, _T]], **options: Any) -> _T:
    """Run an async test body on a virtual-time loop of its own, from time 0, and give what it returns.

    For ``unittest``, for scripts, and for a program that embeds the emulator; with pytest use the marker.

    Args:
        work: a coroutine, or a function without arguments that makes one.
        options: of the loop, as ``VirtualLoop`` takes them: ``pace``, ``end``, ``wall_limit``, ``shuffle_ties`` ...;
            ``wall_clocks`` is True by default.

    Raises:
        InputError: when that is neither, for an option that the loop does not take, or when a loop is running in this
            thread already.
        ValueError: for an option out of range.
        IrreproducibleError: when another run may come out otherwise, or real I/O was refused in it, unless
            ``allow_irreproducible=True`` is among the options.

    >>> import asyncio
    >>> from emulator import run_in_virtual_time
    >>> async def test():
    ...     await asyncio.sleep(3600)
    ...     return asyncio.get_running_loop().time()
    >>> run_in_virtual_time(test)
    3600.0
    """
    try:
        inspect.signature(VirtualLoop).bind(**options)
    except TypeError as wrong:
        if asyncio.iscoroutine(work):
            work.close()
        known = ", ".join(inspect.signature(VirtualLoop).parameters)
        raise InputError(f"{wrong}: the options are those of VirtualLoop: {known}") from None
    options.setdefault("wall_clocks", True)
    coroutine = work if asyncio.iscoroutine(work) else work() if callable(work) else work
    if not asyncio.iscoroutine(coroutine):
        raise InputError(f"{work!r} is no coroutine and makes none: give `test()` or `test` of an `async def test():`")
    if _is_running():
        coroutine.close()
        raise InputError("an event loop is running in this thread already: await the coroutine there")
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(**options)) as runner:
        result: _T = runner.run(coroutine)
        VirtualLoop.of(runner.get_loop()).check_reproducible()
    return result


def in_virtual_time(test: Callable[_P, Coroutine[Any, Any, _T]]) -> Callable[_P, _T]:
    """Make an async test a plain one that runs in virtual time: a decorator.

    >>> import asyncio, io, unittest
    >>> from emulator import in_virtual_time
    >>> class Copies(unittest.TestCase):
    ...     @in_virtual_time
    ...     async def test_an_hour_passes_at_once(self):
    ...         await asyncio.sleep(3600)
    >>> unittest.TextTestRunner(io.StringIO()).run(Copies("test_an_hour_passes_at_once")).errors
    []
    """

    @functools.wraps(test)
    def runs(*arguments: _P.args, **named: _P.kwargs) -> _T:
        return run_in_virtual_time(lambda: test(*arguments, **named))

    return runs


_PACKAGE: Final = os.path.join(os.path.dirname(os.path.dirname(__file__)), "")
_INSIDE: Final = (_PACKAGE, os.path.join(os.path.dirname(asyncio.__file__), ""))
_ENDS: Final = 3


def _is_inside(frame: FrameType) -> bool:
    return frame.f_code.co_filename.startswith(_INSIDE)


def _steps(trace: TracebackType | None) -> Iterator[TracebackType]:
    while trace is not None:
        yield trace
        trace = trace.tb_next


# -- what the emulator refused ----------------------------------------------------------------------------------------


def end_at_the_test(trace: TracebackType | None, file: str, name: str) -> TracebackType | None:
    """Cut a traceback, in place, after the last line of the user's own; give its new beginning.

    An error that the loop itself raised, because nothing can go on, has no such line. Then the lines at which the test
    waits are put in the place of the loop's.

    Args:
        trace: of an error that is about the test.
        file: where the test is.
        name: of its function.
    """
    last: TracebackType | None = None
    loop: TimedLoop | None = None
    for step in _steps(trace):
        frame = step.tb_frame
        if not _is_inside(frame):
            last, loop = step, None
        elif frame.f_code is TimedLoop.run_forever.__code__:
            loop = frame.f_locals["self"]
    waits = None if loop is None else _where_it_waits(loop, file, name)
    if last is None:
        return waits or trace
    last.tb_next = waits
    return trace


def _where_it_waits(loop: TimedLoop, file: str, name: str) -> TracebackType | None:
    for task in asyncio.all_tasks(loop):
        frames = list(_frames(task.get_coro()))
        for place, frame in enumerate(frames):
            if (frame.f_code.co_filename, frame.f_code.co_name) == (file, name):
                return _as_trace(frames[place:])
    return None


def _frames(step: Any) -> Iterator[FrameType]:
    """Give the frames of a suspended coroutine, the outermost first."""
    while step is not None:
        frame = getattr(step, "cr_frame", None) or getattr(step, "gi_frame", None)
        if frame is not None:
            yield frame
        step = getattr(step, "cr_await", None) or getattr(step, "gi_yieldfrom", None)


def _as_trace(frames: list[FrameType]) -> TracebackType | None:
    trace = None
    for frame in reversed(frames):
        if trace is not None or not _is_inside(frame):
            trace = TracebackType(trace, frame, frame.f_lasti, frame.f_lineno)
    return trace


# -- what handlers raised ---------------------------------------------------------------------------------------------


class _Short(traceback.StackSummary):
    """The first three and the last three lines of a way that is long."""

    def format(self, **options: Any) -> list[str]:
        lines = super().format(**options)
        left_out = len(lines) - 2 * _ENDS
        return [*lines[:_ENDS], f"  ... {left_out:,} more\n", *lines[-_ENDS:]] if left_out > 0 else lines


def _shorten(told: traceback.TracebackException) -> None:
    """Leave the user's own lines, in what it came from too, and in the members of a group."""
    told.stack = _Short(line for line in told.stack if not line.filename.startswith(_INSIDE))
    for other in (told.__cause__, told.__context__, *(told.exceptions or () if hasattr(told, "exceptions") else ())):
        if other is not None:
            _shorten(other)


def place_raised(error: BaseException) -> str:
    """Say by which lines of the user's code an error came, so that it can be told from others."""
    steps = [step for step in _steps(error.__traceback__) if not _is_inside(step.tb_frame)]
    return " ".join(f"{step.tb_frame.f_code.co_filename}:{step.tb_lineno}" for step in steps)


def last_lines(error: BaseException) -> str:
    """Show an error as Python does, with the lines of the user's code alone."""
    told = traceback.TracebackException.from_exception(error)
    _shorten(told)
    return "".join(told.format()).rstrip()
