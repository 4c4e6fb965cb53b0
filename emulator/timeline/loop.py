"""How does asyncio run on a clock that goes straight to the next instant at which something is due?

The law:

1. What is ready runs first, turn after turn; the clock moves only when nothing is ready and no stop is open.
2. Then whatever sorts first by (time, rank, keys, number) is next: an entry of the agenda, or a timer, which is of rank
   ``REST``. All that it makes ready runs before the next one, so that of two things due at one instant the first made
   has run its course before the other begins. (asyncio fires all timers of an instant in one turn. Then who is first in
   the end hangs on how many turns parts of asyncio take, and that differs between Pythons.) A timer that is made at an
   instant for the same instant does not wait for quiet, only for those that were due before it.
3. As long as entries of the agenda make nothing ready, the agenda runs on by itself, at its own speed.
4. After a thousand turns without quiet, what is due at the instant and what comes from outside is let in nevertheless.
5. The clock is set from what is due: nothing runs early, and in a timer's callback ``loop.time() == handle.when()``.

All private names of asyncio that the timeline touches are in ``PRIVATE``, and only this file touches them. Tried and
dropped: timers as entries of the agenda (a cancelled one would attract a jump).
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
from selectors import EVENT_READ, DefaultSelector
from socket import socket
from time import monotonic
from typing import Any, Final, TypeVar, TypeVarTuple

from emulator.errors import DefectError
from emulator.timeline.agenda import REST
from emulator.timeline.bearers import BEARER, NOBODY, Bearer, keep_forever
from emulator.timeline.course import NEVER, Timer
from emulator.timeline.reports import name_of
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
"""Names of a loop; of handles ``_callback``, ``_cancelled``, ``_context``, ``_run``, ``_source_traceback`` and
``_when``; of tasks ``_log_destroy_pending``; of modules ``tasks._unregister_task`` and
``futures._set_result_unless_cancelled``."""

_log: Final = logging.getLogger("asyncio")
_T = TypeVar("_T")
_Ts = TypeVarTuple("_Ts")
_Work = Generator[Any, None, _T] | Coroutine[Any, Any, _T]


def _owner(handle: asyncio.Handle) -> "asyncio.Task[Any] | asyncio.Handle":
    """Give what a handle runs: the task whose step it is, or itself."""
    owner = getattr(getattr(handle, "_callback", None), "__self__", None)
    return owner if isinstance(owner, asyncio.Task) else handle


class _Alarm(asyncio.Handle):  # its error ends the run instead of going to the exception handler
    def _run(self) -> None:
        self._loop.reach_wall_limit()  # type: ignore[attr-defined]  # the loop of this handle is always ours


class VirtualLoop(TimedLoop):
    """An event loop of asyncio in virtual time: ``asyncio.Runner(loop_factory=VirtualLoop)``.

    All of asyncio works on it; real I/O only while a clock stop is open. When somebody waits and nothing is left that
    could end the wait, it raises ``StandstillError``, which names each task and where it waits.

    >>> import asyncio
    >>> from emulator import VirtualLoop
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
    _ends_sleep = staticmethod(asyncio.futures._set_result_unless_cancelled)  # type: ignore[attr-defined]  # private

    def _prepare(self) -> None:
        if lacking := [name for name in PRIVATE if not hasattr(self, name)]:
            raise DefectError(f"this Python's asyncio lacks {', '.join(lacking)}, which the virtual loop needs")
        self._asyncgens: Generators = Generators()
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
        when = tick / SECOND if -NEVER < tick < NEVER else math.inf if tick > 0 else -math.inf
        handle = asyncio.TimerHandle(when, call, args, self, context)
        if self._debug:  # then the trace is to end where the caller made it
            del getattr(handle, "_source_traceback")[-2:]  # noqa: B009  # the stubs know nothing of it
        if tick < NEVER:
            self._course.put(tick, handle)
        if self._world_runs:  # towards a timer that may come after this one
            self._ready.append(self._nudge)
        return handle

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        when: float = handle._when  # type: ignore[attr-defined]  # not in the stubs
        if self.agenda.now / SECOND < when < math.inf:  # or it is in the heap no more, or not for long
            self._course.note_cancelled()

    def create_task(self, coro: "_Work[_T]", *, name: object = None, **options: Any) -> "asyncio.Task[_T]":
        """Make a task whose order in sets is fixed, and whose name counts the tasks of this loop alone."""
        self._check_closed()
        self._tasks_made += 1
        name = f"Task-{self._tasks_made}" if name is None else str(name)
        bearer, context = BEARER.get(), options.get("context")
        if context is not None:
            if BEARER not in context:
                context.run(BEARER.set, bearer)
            bearer = context[BEARER]
        if self.get_task_factory() is not None:
            made = super().create_task(coro, name=name, **options)
        else:
            made = task = Task(coro, loop=self, name=name, **options)
            task.ordinal = self._tasks_made
            if trace := getattr(task, "_source_traceback", None):
                del trace[-1]
        if bearer is not NOBODY:
            bearer.tasks[made] = None
        return made

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
        if self._debug:
            self._check_callback(callback, "call_soon_threadsafe")
        handle = asyncio.Handle(callback, args, self, context)
        if self._outside.stops or self._outside.calls:
            self._inbox.append(handle)
        else:
            where = f"{name_of(callback)} was called from the thread {threading.current_thread().name!r}"
            self._ready.extend((asyncio.Handle(self._report_stranger, (where,), self), handle))
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
            executor = self._default_executor or ThreadPoolExecutor(thread_name_prefix="asyncio")
            self._default_executor = executor
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
                raise self._outside.out_of_patience(self.agenda.now, patience, asyncio.all_tasks(self))

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
        ready, course, withheld = self._ready, self._course, self._withheld
        course.turns += 1
        if course.turns >= course.next_look:
            self._look_around()
        if not ready and not self._stopping:
            self._go_on()
        if course.timers and course.timers[0][0] <= self.agenda.now:
            course.fire_due(ready, only_fresh=not self._stopping)
        handle = self._nudge
        for _ in range(len(ready)):
            handle = ready.popleft()
            if handle._cancelled or (withheld and self._is_withheld(handle)):
                continue
            if self._debug:
                self._run_watched(handle)
            else:
                handle._run()
        del handle  # which breaks the cycle with the traceback of what it raised (so does the other one)

    def _is_withheld(self, handle: asyncio.Handle) -> bool:
        """Park a handle whose bearer stands still, drop one whose bearer is gone."""
        bearer: Bearer = handle._context.get(BEARER, NOBODY)  # type: ignore[attr-defined]  # not in the stubs
        if bearer.state == "stands still":
            bearer.park(handle)
        return bearer.state != "runs"

    def _make_ready(self, handle: asyncio.Handle) -> None:
        self._ready.append(handle)

    def _bury(self, bearer: Bearer) -> None:
        for _, _, _, timer in list(self._course.timers):
            if timer._context.get(BEARER) is bearer:  # type: ignore[attr-defined]
                timer.cancel()  # or the clock would go there for nobody
        bearer.sleeps.clear()
        for task in list(bearer.tasks):
            if not task.done():
                keep_forever(task)
                keep_forever(task.get_coro())
                asyncio.tasks._unregister_task(task)
                task._log_destroy_pending = False  # type: ignore[attr-defined]
        for generator in list(bearer.generators):
            keep_forever(generator)
            self._asyncgens.discard(generator)

    def _run_watched(self, handle: asyncio.Handle) -> None:
        self._current_handle, began = handle, monotonic()
        try:
            handle._run()
            if (took := monotonic() - began) >= self.slow_callback_duration:
                _log.warning("Executing %r took %.3f seconds", _owner(handle), took)
        finally:
            self._current_handle = None
            del handle

    def _run_world(self, timer: Timer | None, reach: int) -> bool:
        """Run the agenda up to the next timer, but not beyond the tick ``reach``, until something becomes ready.

        Say whether anything ran.
        """
        head = (entries := self.agenda.entries) and entries[0]
        before = (reach + 1,) if timer is None or timer[0] > reach else (timer[0], REST, 0, 0, timer[2])
        self._world_runs = True
        try:
            self.agenda.run(before, self._ready)
        finally:
            self._world_runs = False
        if head and (not entries or entries[0] is not head):
            self._course.note_progress(head[4])
            return True
        return False

    def _look_around(self) -> None:
        """Let in what waits for quiet although there is none, and ask whether there ever will be."""
        self._run_world(self._course.next_timer(), self.agenda.now)
        if self._inbox or self._outside.stops or self._outside.calls:
            self._listen(wait=False)
        if self._outside.stops or self._outside.calls:
            self._course.count_anew()  # an ordinary loop may well ask again and again what has happened
        self._course.fire_due(self._ready, only_fresh=False)
        self._course.look(map(_owner, self._ready))

    def _go_on(self) -> None:
        """Nothing is ready: find what comes next, move the clock there if it may go, and make it ready."""
        agenda, course, ready, outside = self.agenda, self._course, self._ready, self._outside
        while not ready:
            timers = course.timers
            timer = timers[0] if timers and not timers[0][3]._cancelled else course.next_timer()
            stopped, wait = outside.stops or outside.calls or self._inbox, 0.0
            if stopped:
                reach = agenda.now
            elif course.hindered or course.arrivals:
                reach, wait = course.reach(timer)
            else:
                reach = course.last
            if course.entries:
                ran = self._run_world(timer, reach)
                if ran or ready or (timer is not None and timer[3].cancelled()):
                    continue
            if timer is not None and timer[0] <= reach:
                course.fire(timer, ready)
            elif wait > 0:
                self._sleep(wait)
            elif stopped:
                self._listen(wait=True)
                if course.pacer is not None:
                    course.pacer.anchor(agenda.now)
            elif not course.arrive(reach):
                files = len(self._selector.get_map()) - 1
                raise course.nothing_left(timer, asyncio.all_tasks(self), files=files, withheld=self._withheld)
