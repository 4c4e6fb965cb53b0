"""Finds what a task waits for and whether another has it; gives up the waits of tasks that never run again.

Waits are read from the coroutines of suspended tasks, the innermost of which belongs to asyncio when a task waits for a
lock, a semaphore, a queue or the like.
"""

import asyncio
import gc
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from typing import Any, Final

__all__ = ["give_up_wait", "sleeper", "what_it_has_of"]

_SHARED: Final = (asyncio.Lock.acquire.__code__.co_filename, asyncio.Queue.get.__code__.co_filename)
"""The files of asyncio in which tasks wait for something that they share."""


def _steps(task: "asyncio.Task[Any]") -> Iterator[Any]:
    """Give the coroutines in which a task is suspended, the outermost first."""
    step: Any = task.get_coro()
    while step is not None and hasattr(step, "cr_frame"):
        yield step
        step = step.cr_await


def _innermost(task: "asyncio.Task[Any]") -> Any:
    steps = list(_steps(task))
    return steps[-1] if steps else None


def _waits_in(task: "asyncio.Task[Any]") -> Any:
    """Give the coroutine of asyncio in which a task waits for something shared; None if it does not."""
    last = _innermost(task)
    if last is None or last.cr_frame is None or last.cr_frame.f_code.co_filename not in _SHARED:
        return None
    return last


def give_up_wait(task: "asyncio.Task[Any]", waiter: "asyncio.Future[Any] | None") -> None:
    """Let a task that will never run again wait no more: what it would have been woken with goes to the next.

    Only asyncio's own code runs for it, as for a task that is cancelled; none of the user's.

    Args:
        task: whose wait it is.
        waiter: the future that it waits for.
    """
    last = _waits_in(task)
    if last is None or waiter is None:
        return
    woken = waiter.done()
    waiter.cancel()
    if last.cr_frame.f_code is asyncio.Condition.wait.__code__:  # which would take its lock first, and keep it
        _leave_condition(last.cr_frame.f_locals["self"], waiter, woken)
        return
    with suppress(asyncio.CancelledError, StopIteration):
        last.throw(asyncio.CancelledError())


def _leave_condition(condition: asyncio.Condition, waiter: "asyncio.Future[Any]", woken: bool) -> None:
    for waiting in vars(condition).values():
        if isinstance(waiting, list | deque) and waiter in waiting:
            waiting.remove(waiter)
            for other in waiting if woken else ():
                if not other.done():
                    other.set_result(False)
                    return


def sleeper(task: "asyncio.Task[Any]") -> "asyncio.Task[Any] | None":
    """Give the task that sleeps, of a task and those that it awaits, each the next; None if none does."""
    at: asyncio.Task[Any] | None = task
    seen = set()
    while at is not None and at not in seen:
        seen.add(at)
        last = _innermost(at)
        if getattr(last, "cr_code", None) is asyncio.sleep.__code__:
            return at
        awaited = gc.get_referents(getattr(last, "cr_await", None))
        at = next((each for each in awaited if isinstance(each, asyncio.Task)), None)
    return None


def what_it_has_of(holder: "asyncio.Task[Any]", waiting: "asyncio.Task[Any]") -> str | None:
    """Say what ``waiting`` waits for, if ``holder`` has it: a lock that it has taken by ``async with``, or its end."""
    last = _innermost(waiting)
    if last is not None and any(each is holder for each in gc.get_referents(last.cr_await)):
        return "its end"
    if (shared := _waits_in(waiting)) is None:
        return None
    wanted = shared.cr_frame.f_locals.get("self")
    for step in _steps(holder):
        for held in gc.get_referents(step):
            if getattr(held, "__name__", "") == "__aexit__" and getattr(held, "__self__", None) is wanted:
                return f"the {type(wanted).__name__} that it entered by `async with`"
    return None
