"""Names the tasks that wait, and where, for errors about a run that cannot go on."""

import asyncio
import os
import sys
import sysconfig
from collections.abc import Callable, Iterable
from functools import partial
from types import CodeType, FrameType
from typing import Any, Final

from emulator.timeline.ticks import say

__all__ = [
    "clock_reading",
    "is_library",
    "line_of",
    "name_of",
    "own_place_of",
    "place_here",
    "place_in",
    "place_of",
    "tasks_waiting",
]

_AT_MOST: Final = 20
_LIBRARY: Final = os.path.dirname(asyncio.__file__)
_PACKAGE: Final = os.path.join(os.path.dirname(os.path.dirname(os.path.abspath(__file__))), "")
_NOT_THE_USERS: Final = ("<frozen ", _PACKAGE, os.path.join(sysconfig.get_path("stdlib"), ""))
_INSTALLED: Final = f"{os.sep}site-packages{os.sep}"


def clock_reading(now: int) -> str:
    """Say the present virtual time for an error.

    >>> clock_reading(90_000_000)
    '1m30s (virtual time)'
    """
    return f"{say(now)} (virtual time)"


def name_of(call: Callable[..., Any]) -> str:
    """Name a callable by what it really does: the one inside a partial, and inside what ``to_thread`` makes.

    >>> name_of(partial(print, "plate"))
    'print'
    """
    while isinstance(call, partial):
        inside = call.args[0] if call.args and callable(call.args[0]) else None
        call = inside if inside is not None and getattr(call.func, "__name__", "") == "run" else call.func
    return str(getattr(call, "__qualname__", None) or repr(call))


def place_of(task: "asyncio.Task[Any]") -> str:
    """Say where a task is suspended: the innermost line outside asyncio, and what it waits in there."""
    code: CodeType | None = None
    line, inside = 0, ""
    step: Any = task.get_coro()
    while step is not None:
        frame: FrameType | None = getattr(step, "cr_frame", None) or getattr(step, "gi_frame", None)
        if frame is not None:
            if code is not None and frame.f_code.co_filename.startswith(_LIBRARY):
                inside = f", waiting in {frame.f_code.co_qualname}"
            else:
                code, line, inside = frame.f_code, frame.f_lineno, ""
        step = getattr(step, "cr_await", None) or getattr(step, "gi_yieldfrom", None)
    if code is None:
        return "at no line of Python"
    return f"at {code.co_filename}:{line} in {code.co_qualname}{inside}"


def place_here() -> str:
    """Say which line of the user's own code runs: the innermost outside the libraries and the emulator."""
    frame: FrameType | None = sys._getframe(1)
    line = ""
    while frame is not None:
        if not is_library(frame.f_code):
            return f"at {frame.f_code.co_filename}:{frame.f_lineno} in {frame.f_code.co_qualname}"
        if not line and not frame.f_code.co_filename.startswith((_LIBRARY, _PACKAGE)):
            line = f"at {frame.f_code.co_filename}:{frame.f_lineno} in {frame.f_code.co_qualname}"
        frame = frame.f_back
    return line


def place_in(thread: int, within: Callable[..., Any]) -> str:
    """Say which line of the user's own code a thread is at, inside a call of ``within``; "" at none."""
    frame = sys._current_frames().get(thread)
    while frame is not None and frame.f_code is not within.__code__:
        if not is_library(frame.f_code):
            return f"at {frame.f_code.co_filename}:{frame.f_lineno} in {frame.f_code.co_qualname}"
        frame = frame.f_back
    return ""


def is_library(code: CodeType) -> bool:
    """Say whether code is of Python, of an installed library or of the emulator, and not the user's own."""
    return code.co_filename.startswith(_NOT_THE_USERS) or _INSTALLED in code.co_filename


def own_place_of(task: "asyncio.Task[Any]") -> str:
    """Say at which line of the user's own code a task is suspended, or at the innermost line if there is none."""
    found = ""
    step: Any = task.get_coro()
    while step is not None:
        frame: FrameType | None = getattr(step, "cr_frame", None) or getattr(step, "gi_frame", None)
        if frame is not None and not is_library(frame.f_code):
            found = f"at {frame.f_code.co_filename}:{frame.f_lineno} in {frame.f_code.co_qualname}"
        step = getattr(step, "cr_await", None) or getattr(step, "gi_yieldfrom", None)
    return found or place_of(task)


def _ordinal(task: "asyncio.Task[Any]") -> tuple[int, str]:
    return getattr(task, "ordinal", 0), task.get_name()


def line_of(what: "asyncio.Task[Any] | asyncio.Handle") -> str:
    """Give the line of a report for a task, with its place, or for the handle of a callback."""
    return f"  {what.get_name()} {place_of(what)}" if isinstance(what, asyncio.Task) else f"  {what!r}"


def tasks_waiting(tasks: Iterable["asyncio.Task[Any]"]) -> str:
    """List tasks in the order of their making, one a line, with the place where each waits; twenty at most."""
    ordered = sorted(tasks, key=_ordinal)
    if not ordered:
        return "  no task is left"
    lines = [line_of(task) for task in ordered[:_AT_MOST]]
    if len(ordered) > _AT_MOST:
        lines.append(f"  and {len(ordered) - _AT_MOST:,} more")
    return "\n".join(lines)
