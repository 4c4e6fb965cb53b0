"""When does the clock stand still for work outside the loop, and in which order do its results come in?

The law: while a declared stop is open, or a call to an executor is under way, the clock does not move and the loop is
an ordinary one, real I/O included. What comes from outside is let in one at a time and only when the loop is quiet
(nothing ready, nothing due at this instant), so that the moment of real time at which it arrived decides nothing.
Results of executor calls come in the order in which the calls were begun: one that is done early waits for its turn.
"""

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Iterable
from concurrent.futures import Future as SourceFuture
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Final

from emulator.errors import ClockStopError
from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.kinds import NUMBER, must_be
from emulator.timeline.reports import clock_reading, tasks_waiting

__all__ = ["ClockStop", "Outside", "OutsideCall", "clock_stop"]

_PATIENCE: Final = "seconds of real time above 0, or math.inf"


@dataclass(frozen=True, slots=True)
class OutsideCall:
    """One call to an executor: what it is called, what the executor promised, and whom its result is for."""

    name: str
    source: "SourceFuture[Any]"
    answer: "asyncio.Future[Any]"

    def settle(self) -> None:
        """Hand over the result, unless nobody wants it any more."""
        if self.answer.done():
            return
        if self.source.cancelled():
            self.answer.cancel()
            return
        error = self.source.exception()
        if isinstance(error, StopIteration):  # which no coroutine may let through
            stopped, error = error, RuntimeError("the outside call raised StopIteration")
            error.__cause__ = stopped
        if error is not None:
            self.answer.set_exception(error)
        else:
            self.answer.set_result(self.source.result())


class Outside:
    """What is open to the outside at present: declared stops, and calls to executors in the order begun."""

    def __init__(self, patience: float, in_order: bool) -> None:
        must_be(NUMBER, _PATIENCE, patience=patience)
        if not patience > 0:
            raise ValueError(f"patience={patience!r}: give {_PATIENCE}")
        must_be(bool, "True or False", in_order=in_order)
        self.patience = patience
        self.in_order = in_order
        self.stops: dict[ClockStop, None] = {}
        self._set_aside: dict[ClockStop, None] = {}
        self.calls: deque[OutsideCall] = deque()
        self._all_ended: asyncio.Future[None] | None = None

    def deliver(self) -> bool:
        """Hand over the next result that is there, if one is."""
        for call in self.calls:
            if call.source.done():
                self.calls.remove(call)
                call.settle()
                if self._all_ended is not None and not self.calls and not self._all_ended.done():
                    self._all_ended.set_result(None)
                return True
            if self.in_order:
                break
        return False

    def set_aside(self, bearer: Bearer) -> None:
        """Take out the stops of a bearer that stands still or is gone: it cannot leave them, so they hinder nobody."""
        for stop in [stop for stop in self.stops if stop.bearer is bearer]:
            del self.stops[stop]
            self._set_aside[stop] = None

    def take_back(self, bearer: Bearer) -> None:
        """Put the stops of a bearer that goes on back in force."""
        for stop in [stop for stop in self._set_aside if stop.bearer is bearer]:
            del self._set_aside[stop]
            self.stops[stop] = None

    async def all_ended(self) -> None:
        """Wait until every executor call has ended for real."""
        if self.calls:
            self._all_ended = asyncio.get_running_loop().create_future()
            await self._all_ended

    def longest_patience(self) -> float | None:
        """Give the seconds of real silence that all that is open allows together; None for no end."""
        allowed = [stop.patience for stop in self.stops]
        if self.calls:
            allowed.append(self.patience)
        longest = max(allowed)
        return None if math.isinf(longest) else longest

    def out_of_patience(self, now: int, patience: float, tasks: "Iterable[asyncio.Task[Any]]") -> ClockStopError:
        """Give the error for a wait that was too long, naming all that keeps the clock from moving."""
        names = [f"the clock stop {stop.name!r} (opened by {stop.opened_by})" for stop in self.stops]
        names += [f"the executor call {call.name}" for call in self.calls]
        return ClockStopError(
            f"the clock has stood still at {clock_reading(now)} for {patience:g} s of real time without a sign from "
            f"outside, because of {', '.join(names)}; these wait:\n{tasks_waiting(tasks)}\nleave the clock stop before "
            f"waiting for virtual time, or give it more patience"
        )


class ClockStop:
    """Keeps the clock of one loop still from ``async with`` to its end; made by ``loop.clock_stop(name)``.

    Attributes:
        name: what it is for, as errors say it.
        patience: seconds of real time without a sign from outside after which waiting is given up.
        bearer: whose code opened it.
    """

    def __init__(self, outside: Outside, name: str, patience: float | None) -> None:
        if patience is not None and not (isinstance(patience, NUMBER) and patience > 0):
            raise ValueError(
                f"the patience of the clock stop {name!r} is {patience!r}: give seconds above 0, or math.inf"
            )
        self.name = name
        self.patience = outside.patience if patience is None else patience
        self.opened_by = ""
        self.bearer = NOBODY
        self._outside = outside

    async def __aenter__(self) -> "ClockStop":
        if self in self._outside.stops:
            raise ClockStopError(
                f"the clock stop {self.name!r} is open already: make one for each stretch of outside work"
            )
        task = asyncio.current_task()
        self.opened_by = "nobody" if task is None else task.get_name()
        self.bearer = BEARER.get()
        self._outside.stops[self] = None
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self not in self._outside.stops:
            raise ClockStopError(f"the clock stop {self.name!r} is not open: leave it once for each time you enter it")
        del self._outside.stops[self]


def clock_stop(name: str, patience: float | None = None) -> contextlib.AbstractAsyncContextManager[Any]:
    """Stop the clock of the running loop around outside work: ``async with clock_stop("save the plates"): ...``.

    On a loop whose clock is the real one there is nothing to stop, and nothing happens: the same handler runs inside
    the emulator and in production.

    Args:
        name: what the stop is for, as errors say it.
        patience: seconds of real time, above 0, without a sign from outside after which the error comes; ``math.inf``
            for no end. By default what the loop was made with.

    Raises:
        ValueError: for a patience that is not above 0.
        ClockStopError: when the wait inside it is out of patience, or it is entered while it is open.

    >>> import asyncio
    >>> from emulator import clock_stop, run_in_virtual_time
    >>> async def main():
    ...     async with clock_stop("save the plates"):
    ...         return await asyncio.to_thread(sum, [1, 2])
    >>> run_in_virtual_time(main)
    3
    """
    make = getattr(asyncio.get_running_loop(), "clock_stop", None)
    if make is None:
        return contextlib.nullcontext()
    stop: ClockStop = make(name, patience)
    return stop
