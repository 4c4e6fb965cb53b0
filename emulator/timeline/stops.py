"""Stops the clock for work outside the loop, and lets its results in, in a fixed order.

The law:

1. While a declared stop is open, or a call to an executor is under way, the clock does not move and the loop is an
   ordinary one, real I/O included. What comes from outside is let in one at a time and only when the loop is quiet
   (nothing ready, nothing due at this instant), so that the moment of real time at which it arrived decides nothing.
2. Declared stops are served one at a time, in the order in which they were opened. One that waits counts as open. A
   stop within a stop, also in a task that was made there, waits for its siblings alone: each stop has its own line.
   When a stop is left before those within it, they take its place.
3. Results of executor calls come in the order in which the calls were begun: one that is done early waits its turn.
4. The stops of a bearer that stands still or is gone hinder nobody. When it goes on, its stop is in force at once.
   Its code may still be at a step when it is told so: a stop that it opens then is a wait, and opens later.
"""

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Iterable
from concurrent.futures import Future as SourceFuture
from contextvars import ContextVar
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Final

from emulator.errors import ClockStopError
from emulator.timeline.answers import Answers, Begun
from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.kinds import NUMBER, must_be
from emulator.timeline.reports import clock_reading, own_place_of, tasks_waiting
from emulator.timeline.waits import sleeper, what_it_has_of

__all__ = ["STOP", "ClockStop", "Outside", "OutsideCall", "clock_stop"]

_PATIENCE: Final = "seconds of real time above 0, or math.inf"

STOP: Final[ContextVar["ClockStop | None"]] = ContextVar("emulator_clock_stop", default=None)
"""In which stop the code of a context runs; it may be over."""


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
        self.line: list[ClockStop] = []
        self.answers = Answers()
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
        away = [stop for stop in self.stops if stop.bearer is bearer]
        lines = [stop.step_out() for stop in away]
        self._set_aside.update(dict.fromkeys(away))
        for line in lines:
            serve(line)

    def take_back(self, bearer: Bearer) -> None:
        """Put the stops of a bearer that goes on back in force; one that still waited waits next."""
        for stop in [stop for stop in self._set_aside if stop.bearer is bearer]:
            del self._set_aside[stop]
            serve(stop.line_up(first=True))

    def stop_here(self) -> "ClockStop | None":
        """Give the innermost open stop in which the present code runs."""
        stop = STOP.get()
        while stop is not None and not (stop in self.stops or stop in self._set_aside):
            stop = stop.parent
        return stop

    def begun_here(self) -> Begun | None:
        """Note where something is begun; None outside all stops."""
        stop = self.stop_here()
        return None if stop is None else Begun(stop.answers, stop.answers.count)

    def is_under_way(self, begun: Begun) -> bool:
        """Say whether the stop in which something was begun is not over; a call that answers is still under way."""
        if begun.answers is self.answers:
            return True
        return any(stop.answers is begun.answers for stop in (*self.stops, *self._set_aside))

    def deadlock(self) -> ClockStopError | None:
        """Give the error for a stop whose task sleeps, or that waits behind one that waits for what it has itself."""
        for stop in self.stops:
            if stop.task is not None and stop.behind() is None and (asleep := sleeper(stop.task)) is not None:
                return ClockStopError(
                    f"asyncio.sleep never ends inside the clock stop {stop.name!r} of {stop.opened_by}, where the "
                    f"clock stands still: {asleep.get_name()} sleeps {own_place_of(asleep)}; leave the clock stop "
                    "before, and open it anew for the next try"
                )
            if stop.task is None or (ahead := stop.behind()) is None or ahead.task is None:
                continue
            if (what := what_it_has_of(stop.task, ahead.task)) is not None:
                return ClockStopError(
                    f"the clock stop {stop.name!r} of {stop.opened_by} waits behind {ahead.name!r} of "
                    f"{ahead.opened_by}, and that waits for {what}, which {stop.opened_by} has: neither can "
                    f"go on; these wait:\n{tasks_waiting([ahead.task, stop.task])}\nopen the clock stop first and take "
                    "the rest inside it, in each task"
                )
        return None

    async def all_ended(self) -> None:
        """Wait until every executor call has ended for real."""
        if self.calls:
            if self._all_ended is None or self._all_ended.done():
                self._all_ended = asyncio.get_running_loop().create_future()
            await asyncio.shield(self._all_ended)

    def longest_patience(self) -> float | None:
        """Give the seconds of real silence that all that is open allows together; None for no end."""
        allowed = [stop.patience for stop in self.stops]
        if self.calls:
            allowed.append(self.patience)
        longest = max(allowed)
        return None if math.isinf(longest) else longest

    def out_of_patience(self, now: int, patience: float, tasks: "Iterable[asyncio.Task[Any]]") -> ClockStopError:
        """Give the error for a wait that was too long, naming all that keeps the clock from moving."""
        names = [stop.in_words() for stop in self.stops]
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
        parent: the stop within which it was opened, if that was open.
        task: which task opened it.
        answers: what threads have answered within it.
        goes_first: whether it waits behind nobody: the loop's own at its end, where some may never be left.
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
        self.parent: ClockStop | None = None
        self.task: asyncio.Task[Any] | None = None
        self.answers = Answers()
        self.goes_first = False
        self._outside = outside
        self._within: list[ClockStop] = []
        self._line = outside.line
        self._is_served = False
        self._turn: asyncio.Future[None] | None = None

    async def __aenter__(self) -> "ClockStop":
        if self in self._outside.stops:
            raise ClockStopError(
                f"the clock stop {self.name!r} is open already: make one for each stretch of outside work"
            )
        self.task = task = asyncio.current_task()
        self.opened_by = "nobody" if task is None else task.get_name()
        self.bearer = BEARER.get()
        self.parent = self._outside.stop_here()
        self.answers = Answers()
        self._is_served, self._turn = self.goes_first, None
        line = self.line_up(first=self.goes_first)
        if self.bearer.state == "runs":
            serve(line)
        else:
            self._outside.set_aside(self.bearer)
        if not self._is_served:
            self._turn = asyncio.get_running_loop().create_future()
            try:
                await self._turn
            except BaseException:
                if self in self._outside.stops:
                    serve(self.step_out())
                raise
        STOP.set(self)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self not in self._outside.stops:
            raise ClockStopError(f"the clock stop {self.name!r} is not open: leave it once for each time you enter it")
        serve(self.step_out())
        if STOP.get() is self:
            STOP.set(self.parent)

    # -- the line -----------------------------------------------------------------------------------------------------

    def behind(self) -> "ClockStop | None":
        """Give the stop that it waits behind; None when it is being served."""
        return None if self._is_served else self._line[max(0, self._line.index(self) - 1)]

    def line_up(self, *, first: bool) -> "list[ClockStop]":
        """Count as open, and take a place in the line of the stop around it; give the line.

        Args:
            first: before all that wait there, and beside what is being served.
        """
        self._outside.stops[self] = None
        around = self.parent
        self._line = around._within if around is not None and around in self._outside.stops else self._outside.line
        at = len(self._line)
        if first:
            at = 0 if self._is_served else sum(stop._is_served for stop in self._line)
        self._line.insert(at, self)
        return self._line

    def step_out(self) -> "list[ClockStop]":
        """Count as open no more, and leave the line to those within, which take its place; give the line."""
        del self._outside.stops[self]
        place = self._line.index(self)
        for inner in self._within:
            inner._line = self._line
        self._line[place : place + 1] = self._within
        self._within = []
        return self._line

    def be_served(self) -> None:
        """Go on, once it is the first in its line."""
        self._is_served = True
        if self._turn is not None and not self._turn.done():
            self._turn.set_result(None)

    def in_words(self) -> str:
        """Name it for an error, with the one that it waits behind."""
        ahead = self.behind()
        waits = "" if ahead is None else f", which waits behind {ahead.name!r} of {ahead.opened_by}"
        return f"the clock stop {self.name!r} (opened by {self.opened_by}){waits}"


def serve(line: list[ClockStop]) -> None:
    """Let the first of a line go on, if it still waits."""
    if line and line[0].behind() is not None:
        line[0].be_served()


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
