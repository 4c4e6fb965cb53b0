"""Which lines of a traceback are the user's own? A report shows those, and not how the package runs them."""

import asyncio
import os
import traceback
from collections.abc import Iterator
from types import FrameType, TracebackType
from typing import Any, Final

from emulator.timeline.surface import TimedLoop

__all__ = ["end_at_the_test", "last_lines", "place_raised"]

_PACKAGE: Final = __file__.removesuffix(os.path.join("testing", "tracebacks.py"))
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
