"""How does asyncio run on a clock that goes straight to the next instant at which something is due?

The law:

1. What is ready runs first, turn after turn; the clock moves only when nothing is ready and no stop is open.
2. Then whatever sorts first by (time, rank, keys, number) is next: an entry of the agenda or a timer, timers being of
   rank ``REST``. The timers of one instant, up to the next entry of the agenda, become ready together.
3. An entry that makes something ready gives the loop its turn before the next entry. As long as none does, the agenda
   runs on by itself, at its own speed. At one instant it is let in after a thousand turns without quiet, too.
4. The clock is set from what is due: nothing runs early, and in a timer's callback ``loop.time() == handle.when()``.

All private names of asyncio that the timeline touches are in ``PRIVATE``, and only this file touches them. Tried and
dropped: timers as entries of the agenda (a cancelled one would attract a jump), and asking the system for real events
on each turn (whatever comes from outside waits for quiet anyway).
"""

import asyncio
import logging
import math
import signal
import threading
from collections import deque
from collections.abc import Callable, Coroutine, Generator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextvars import Context
from heapq import heappush
from selectors import EVENT_READ, DefaultSelector
from socket import socket
from time import monotonic
from typing import Any, Final, TypeVar, TypeVarTuple

from emulator.errors import ClockStopError, DefectError
from emulator.timeline.agenda import REST
from emulator.timeline.course import NEVER, Timer
from emulator.timeline.reports import clock_reading, name_of
from emulator.timeline.stops import OutsideCall
from emulator.timeline.surface import TimedLoop
from emulator.timeline.tasks import Generators, Task
from emulator.timeline.ticks import SECOND

__all__ = ["PRIVATE", "VirtualLoop"]

PRIVATE: Final = (
    "_asyncgens", "_check_callback", "_check_closed", "_check_default_executor", "_check_thread", "_current_handle",
    "_debug", "_default_executor", "_process_events", "_read_from_self", "_ready", "_run_once", "_selector", "_ssock",
    "_stopping", "_thread_id", "_timer_handle_cancelled", "_write_to_self",
)  # fmt: skip
"""Names of a loop; of handles ``_callback``, ``_cancelled``, ``_run`` and ``_source_traceback``."""

_log: Final = logging.getLogger("asyncio")
_T = TypeVar("_T")
_Ts = TypeVarTuple("_Ts")
_Work = Generator[Any, None, _T] | Coroutine[Any, Any, _T]


def _say_handle(handle: asyncio.Handle) -> str:
    """Name what a handle runs: the task whose step it is, or the callback."""
    owner = getattr(getattr(handle, "_callback", None), "__self__", None)
    return repr(owner if isinstance(owner, asyncio.Task) else handle)


class _Alarm(asyncio.Handle):  # its error ends the run instead of going to the exception handler
    def _run(self) -> None:
        self._loop.reach_wall_limit()  # type: ignore[attr-defined]  # the loop of this handle is always ours


class VirtualLoop(TimedLoop):
    """An event loop of asyncio in virtual time: ``asyncio.Runner(loop_factory=VirtualLoop)``.

    What it takes and offers beyond asyncio is in ``TimedLoop``.

    >>> async def main():
    ...     await asyncio.sleep(3600)
    ...     return asyncio.get_running_loop().time()
    >>> with asyncio.Runner(loop_factory=VirtualLoop) as runner:
    ...     runner.run(main())
    3600.0
    """

    _ready: deque[asyncio.Handle]
    _selector: DefaultSelector
    _thread_id: int | None
    _stopping: bool
    _debug: bool
    _default_executor: Executor | None
    _read_from_self: Callable[[], None]
    _write_to_self: Callable[[], None]
    _check_closed: Callable[[], None]
    _check_thread: Callable[[], None]
    _check_callback: Callable[[object, str], None]
    _check_default_executor: Callable[[], None]
    _process_events: Callable[[Any], None]
    _ssock: socket
    _current_handle: asyncio.Handle | None
    _sleeper: DefaultSelector | None = None

    def _prepare(self) -> None:
        if lacking := [name for name in PRIVATE if not hasattr(self, name)]:
            raise DefectError(f"this Python's asyncio lacks {', '.join(lacking)}, which the virtual loop needs")
        self._asyncgens = Generators()
        self._tasks_made = 0
        self._inbox: deque[asyncio.Handle] = deque()
        self._world_runs = False
        self._nudge = asyncio.Handle(print, (), self)
        self._nudge.cancel()  # a turn skips what is cancelled: among the ready it only says that a turn is wanted

    def _arm(self, tick: int, call: Callable[..., object], args: Any, context: Context | None) -> asyncio.TimerHandle:
        self._check_closed()
        if self._debug:
            self._check_thread()
            self._check_callback(call, "call_at")
        when = tick / SECOND if -NEVER < tick < NEVER else math.copysign(math.inf, tick)
        handle = asyncio.TimerHandle(when, call, args, self, context)
        if self._debug:  # then the trace is to end where the caller made it
            del getattr(handle, "_source_traceback")[-2:]  # noqa: B009  # the stubs know nothing of it
        if tick < NEVER:
            heappush(self._course.timers, (tick, self.agenda.take_number(), handle))
        if self._world_runs:  # towards a timer that may come after this one
            self._ready.append(self._nudge)
        return handle

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        if self.time() < handle.when() < math.inf:  # or it is in the heap no more, or not for long
            self._course.note_cancelled()

    def create_task(self, coro: "_Work[_T]", *, name: object = None, **options: Any) -> "asyncio.Task[_T]":
        """Make a task whose order in sets is fixed, and whose name counts the tasks of this loop alone."""
        self._check_closed()
        self._tasks_made += 1
        name = f"Task-{self._tasks_made}" if name is None else str(name)
        if self.get_task_factory() is not None:
            return super().create_task(coro, name=name, **options)
        task: Task[_T] = Task(coro, loop=self, name=name, **options)
        task.ordinal = self._tasks_made
        if trace := getattr(task, "_source_traceback", None):
            del trace[-1]
        return task

    def add_signal_handler(self, sig: int, callback: Callable[[*_Ts], Any], *args: *_Ts) -> None:
        """Call back at a signal, which also interrupts a long run of the agenda."""
        super().add_signal_handler(sig, callback, *args)
        signal.signal(sig, lambda number, frame: self._ready.append(asyncio.Handle(self._read_from_self, (), self)))
        signal.siginterrupt(sig, False)

    def close(self) -> None:
        """Close the loop; its clock can still be read."""
        if self._sleeper is not None and not self.is_running():
            self._sleeper.close()
            self._sleeper = None
        super().close()

    # -- the outside ------------------------------------------------------------------------------------------------

    def call_soon_threadsafe(
        self, callback: Callable[[*_Ts], object], *args: *_Ts, context: Context | None = None
    ) -> asyncio.Handle:
        """Call back in the loop's thread; inside a clock stop when the loop is quiet, outside at once and reported."""
        if self._thread_id in (None, threading.get_ident()):
            return super().call_soon_threadsafe(callback, *args, context=context)
        self._check_closed()
        handle = asyncio.Handle(callback, args, self, context)
        if self._outside.stops or self._outside.calls:
            self._inbox.append(handle)
        else:
            where = f"{name_of(callback)} was called from the thread {threading.current_thread().name!r}"
            self._ready.append(asyncio.Handle(self._report_stranger, (where,), self))
            self._ready.append(handle)
        self._write_to_self()
        return handle

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[*_Ts], _T], *args: *_Ts
    ) -> "asyncio.Future[_T]":
        """Run ``func`` in a thread or process; until its real end the clock stands still."""
        self._check_closed()
        if self._debug:
            self._check_callback(func, "run_in_executor")
        if executor is None:
            self._check_default_executor()
            if self._default_executor is None:
                self._default_executor = ThreadPoolExecutor(thread_name_prefix="asyncio")
            executor = self._default_executor
        source = executor.submit(func, *args)
        answer: asyncio.Future[_T] = self.create_future()
        self._outside.calls.append(OutsideCall(name_of(func), source, answer))
        answer.add_done_callback(lambda answer: answer.cancelled() and source.cancel())
        source.add_done_callback(lambda _: self._write_to_self())
        if self._world_runs:  # which has to stand still now
            self._ready.append(self._nudge)
        return answer

    def _listen(self, wait: bool) -> None:
        """Let in one thing from outside: a call from a thread, the next result, or what the system has."""
        if self._inbox:
            self._ready.append(self._inbox.popleft())
        elif not self._outside.deliver() and (self._outside.stops or self._outside.calls):
            patience = self._outside.longest_patience() if wait else 0.0
            if events := self._selector.select(patience):
                self._process_events(events)
            elif patience:
                raise ClockStopError(
                    f"the clock has stood still at {clock_reading(self.agenda.now)} for {patience:g} s of real time "
                    f"without a sign from outside, because of {self._outside.names()}; these wait:\n{self._tasks()}\n"
                    f"leave the clock stop before waiting for virtual time, or give it more patience"
                )

    def _sleep(self, seconds: float) -> None:
        """Wait in real time, without listening to anything but threads and signals."""
        if self._sleeper is None:
            self._sleeper = DefaultSelector()
            self._sleeper.register(self._ssock, EVENT_READ)
        if self._sleeper.select(seconds):
            self._read_from_self()

    def _ring(self) -> None:
        self._ready.append(_Alarm(print, (), self))
        self._write_to_self()

    # -- the turns ----------------------------------------------------------------------------------------------------

    def _run_once(self) -> None:
        ready, course = self._ready, self._course
        course.turns += 1
        if course.turns >= course.next_look:
            self._look_around()
        if not ready and not self._stopping:
            self._go_on()
            if course.instant != self.agenda.now:
                course.turn_to()
        if course.timers and course.timers[0][0] <= self.agenda.now:
            course.take_due(ready)
        handle = self._nudge
        for _ in range(len(ready)):
            handle = ready.popleft()
            if handle._cancelled:
                continue
            if self._debug:  # here alone are callbacks run: whoever is to hold one back, or drop it, does it here
                self._run_watched(handle)
            else:
                handle._run()
        del handle  # which breaks the cycle with the traceback of what it raised

    def _run_watched(self, handle: asyncio.Handle) -> None:
        self._current_handle = handle
        began = monotonic()
        try:
            handle._run()
            if (took := monotonic() - began) >= self.slow_callback_duration:
                _log.warning("Executing %s took %.3f seconds", _say_handle(handle), took)
        finally:
            self._current_handle = None

    def _run_world(self, timer: Timer | None, reach: int) -> None:
        """Run the agenda up to the next timer, but not beyond the tick ``reach``, until something becomes ready."""
        before = (reach + 1,) if timer is None or timer[0] > reach else (timer[0], REST, 0, 0, timer[1])
        self._world_runs = True
        try:
            self.agenda.run(before, self._ready)
        finally:
            self._world_runs = False

    def _look_around(self) -> None:
        """Let in what waits for quiet although there is none, and ask whether there ever will be."""
        self._run_world(self._course.next_timer(), self.agenda.now)
        stopped = self._outside.stops or self._outside.calls
        if stopped or self._inbox:
            self._listen(wait=False)
        if stopped:  # an ordinary loop may well ask again and again whether something outside has happened
            self._course.turns = 0
        self._course.take_due(self._ready)
        self._course.look(lambda: [_say_handle(handle) for handle in self._ready])

    def _go_on(self) -> None:
        """Nothing is ready: find what comes next, move the clock there if it may go, and make it ready."""
        agenda, course, ready, outside = self.agenda, self._course, self._ready, self._outside
        while not ready:
            timer = course.next_timer()
            stopped, wait = outside.stops or outside.calls or self._inbox, 0.0
            if stopped:
                reach = agenda.now
            elif course.hindered or course.arrivals:
                reach, wait = course.reach(timer)
            else:
                reach = course.last
            if course.entries:
                self._run_world(timer, reach)
                if ready or (timer is not None and timer[2].cancelled()):
                    continue
            if timer is not None and timer[0] <= reach:
                course.go_to(timer)
                return
            if wait > 0:
                self._sleep(wait)
            elif stopped:
                self._listen(wait=True)
                if course.pacer is not None:
                    course.pacer.anchor(agenda.now)
            elif not course.arrive(reach):
                raise course.nothing_left(timer, asyncio.all_tasks(self), files=len(self._selector.get_map()) - 1)
