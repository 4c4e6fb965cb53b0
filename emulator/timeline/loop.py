"""An asyncio event loop on a virtual clock that goes straight to the next instant at which something is due.

The law:

1. What is ready runs first, turn after turn; the clock moves only when nothing is ready and no stop is open.
2. At one instant the ranks come in this order: what ends or expires; faults and actions; messages to the broker; the
   rest of the world; timers of code; the handing over of work. All entries of a rank fire in one go. After each of the
   first three, what they woke runs until quiet before the next rank comes.
3. All timers of code that are due at the instant become ready in one turn, in the order in which they were made. It is
   the same turn in which what the rest of the world woke runs. This is asyncio's own order: of two deadlines that meet,
   both expire. Where the turns that parts of asyncio take differ between Pythons, ties in code may differ too.
4. What code makes for now joins its rank once code is quiet. A timer that is made for now fires in the next turn.
5. As long as entries of the agenda make nothing ready, the agenda runs on by itself, at its own speed.
6. After a thousand turns without quiet, what is due at the instant and what comes from outside is let in nevertheless.
7. The clock is set from what is due: nothing runs early, and in a timer's callback ``loop.time() == handle.when()``.

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
from contextvars import Context, copy_context
from functools import partial
from selectors import EVENT_READ, DefaultSelector
from socket import socket
from typing import Any, Final, TypeVar, TypeVarTuple

from emulator.errors import DefectError
from emulator.timeline.agenda import REST
from emulator.timeline.answers import Begun
from emulator.timeline.bearers import BEARER, NOBODY, Bearer, Sleep, bearer_in, keep_forever
from emulator.timeline.course import NEVER, Nap, whole_ticks
from emulator.timeline.interleaving import Interleaving
from emulator.timeline.reports import name_of, own_place_of, place_in
from emulator.timeline.resources import origin_here
from emulator.timeline.stops import OutsideCall
from emulator.timeline.surface import TimedLoop
from emulator.timeline.tasks import Future, Generators, Task, note_seen
from emulator.timeline.threads import Origin, name_of_thread
from emulator.timeline.ticks import SECOND, from_seconds
from emulator.timeline.waits import give_up_wait
from emulator.timeline.wall_clocks import Over, host_clock

__all__ = ["PRIVATE", "VirtualLoop"]

PRIVATE: Final = (
    "_asyncgens", "_check_callback", "_check_closed", "_check_default_executor", "_check_thread", "_closed",
    "_current_handle", "_debug", "_default_executor", "_process_events", "_read_from_self", "_ready", "_run_once",
    "_selector", "_ssock", "_stopping", "_task_factory", "_thread_id", "_timer_handle_cancelled", "_write_to_self",
)  # fmt: skip
"""Names of a loop; of handles ``_args``, ``_callback``, ``_cancelled``, ``_context``, ``_loop``, ``_repr``,
``_run`` and ``_source_traceback``; of futures ``_callbacks``; of tasks ``_fut_waiter`` and ``_log_destroy_pending``; of
modules ``tasks._unregister_task``,
``format_helpers._format_callback_source`` and ``futures._set_result_unless_cancelled``."""

# What asyncio.sleep, and nothing else in asyncio, has called back; the stubs know nothing of it.
_ENDS_SLEEP: Final = asyncio.futures._set_result_unless_cancelled  # type: ignore[attr-defined]
_blank: Final = object.__new__
_log: Final = logging.getLogger("asyncio")
_T = TypeVar("_T")
_Ts = TypeVarTuple("_Ts")
_Work = Generator[Any, None, _T] | Coroutine[Any, Any, _T]


def _owner(handle: asyncio.Handle) -> "asyncio.Task[Any] | asyncio.Handle":
    """Give what a handle runs: the task whose step it is, or itself."""
    owner = getattr(getattr(handle, "_callback", None), "__self__", None)
    return owner if isinstance(owner, asyncio.Task) else handle


class Handle(asyncio.Handle):
    """A handle of asyncio that ``call_soon`` fills itself, outside debug mode: that takes half the steps."""

    __slots__ = ()
    _callback: Callable[..., object] | None
    _args: Any
    _context: Context
    _loop: "VirtualLoop"
    _repr = _source_traceback = None

    def cancel(self) -> None:
        """Forget the callback."""
        self._cancelled = True
        self._callback = self._args = None


class _Alarm(asyncio.Handle):  # its error ends the run instead of going to the exception handler
    def _run(self) -> None:
        self._callback()  # type: ignore[attr-defined]  # not in the stubs


class VirtualLoop(TimedLoop):
    """An event loop of asyncio in virtual time: ``asyncio.Runner(loop_factory=VirtualLoop)``.

    All of asyncio works on it; real I/O only while a clock stop is open. When somebody waits and nothing is left that
    could end the wait, it raises ``StandstillError``, which names each task and where it waits.

    >>> import asyncio; from emulator import VirtualLoop
    >>> async def main():
    ...     await asyncio.sleep(3600)
    ...     return asyncio.get_running_loop().time()
    >>> with asyncio.Runner(loop_factory=VirtualLoop) as runner:
    ...     runner.run(main())
    3600.0
    """

    __slots__ = ("_inbox", "_nudge", "_tasks_made")
    _ready: deque[asyncio.Handle]
    _selector: DefaultSelector
    _closed: bool
    _thread_id: int | None
    _stopping: bool
    _debug: bool
    _default_executor: Executor | None
    _task_factory: Any
    _read_from_self: Callable[[], None]
    _write_to_self: Callable[[], None]
    _check_closed: Callable[[], None]
    _check_thread: Callable[[], None]
    _check_callback: Callable[[object, str], None]
    _check_default_executor: Callable[[], None]
    _process_events: Callable[[Any], None]
    _ssock: socket
    _current_handle: asyncio.Handle | None

    def _prepare(self) -> None:
        if lacking := [name for name in PRIVATE if not hasattr(self, name)]:
            raise DefectError(f"this Python's asyncio lacks {', '.join(lacking)}, which the virtual loop needs")
        self._asyncgens: Generators = Generators()
        self._tasks_made = 0
        self._inbox: deque[Callable[[], None]] = deque()
        self._nudge = asyncio.Handle(print, (), self)
        self._nudge.cancel()  # a turn skips what is cancelled: among the ready it only says that a turn is wanted

    def call_soon(
        self, callback: Callable[[*_Ts], object], *args: *_Ts, context: Context | None = None
    ) -> asyncio.Handle:
        """Call back in the next turn."""
        if self._closed or self._debug:
            return super().call_soon(callback, *args, context=context)
        handle = _blank(Handle)
        handle._callback = callback
        handle._args = args
        handle._context = copy_context() if context is None else context
        handle._loop = self
        handle._cancelled = False
        self._ready.append(handle)
        return handle

    def call_later(
        self, delay: float, callback: Callable[[*_Ts], object], *args: *_Ts, context: Context | None = None
    ) -> asyncio.TimerHandle:
        """Call back ``delay`` seconds from now, rounded to the nearest tick; a delay above 0 is at least one tick."""
        if delay is None:
            raise TypeError("delay must not be None")
        try:
            ticks = from_seconds(delay)
        except (OverflowError, ValueError):
            ticks = whole_ticks(delay)
        if not ticks and delay > 0:
            ticks = 1
        if callback is not _ENDS_SLEEP or not 0 < ticks < NEVER or self._course.world_runs:
            return self._arm(self.agenda.now + ticks, callback, args, context)
        # No more is asked of what asyncio.sleep gets than to be cancelled.
        if (bearer := BEARER.get()) is not NOBODY:
            arm = partial(self._arm, call=callback, args=args, context=context)
            return Sleep(bearer, self.agenda.now, ticks, arm)  # type: ignore[return-value]
        if self._closed or self._debug:
            self._check_closed()
            self._check_thread()
        return Nap(self._course, self.agenda.now + ticks, *args)  # type: ignore[call-arg, arg-type, return-value]

    def _arm(self, tick: int, call: Callable[..., object], args: Any, context: Context | None) -> asyncio.TimerHandle:
        self._check_closed()
        if self._debug:
            self._check_thread()
            self._check_callback(call, "call_at")
        if context is not None:
            bearer_in(context)
        when = tick / SECOND if -NEVER < tick < NEVER else math.inf if tick > 0 else -math.inf
        handle = asyncio.TimerHandle(when, call, args, self, context)
        if self._debug:  # then the trace is to end where the caller made it
            del getattr(handle, "_source_traceback")[-2:]  # noqa: B009  # the stubs know nothing of it
        if tick < NEVER:
            self._course.put(tick, handle)
        if self._course.world_runs:  # towards a timer that may come after this one
            self._ready.append(self._nudge)
        return handle

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        if self.agenda.now / SECOND < handle.when() < math.inf:  # or it is in the heap no more, or not for long
            self._course.note_cancelled()

    def create_task(
        self, coro: "_Work[_T]", *, name: object = None, context: Context | None = None
    ) -> "asyncio.Task[_T]":
        """Make a task whose order in sets is fixed, and whose name counts the tasks of this loop alone."""
        if self._closed:
            self._check_closed()
        self._tasks_made = ordinal = self._tasks_made + 1
        name = f"Task-{ordinal}" if name is None else str(name)
        bearer = BEARER.get() if context is None else bearer_in(context)
        if bearer.watch is not None:
            coro = bearer.watch(coro)
        made: asyncio.Task[_T]
        if self._task_factory is not None:
            made = super().create_task(coro, name=name, context=context)
        else:
            made = task = Task.__new__(Task)
            task.ordinal, task.place = ordinal, self.places.take()
            Task.__init__(task, coro, loop=self, name=name, context=context)
            if self._debug:
                del getattr(task, "_source_traceback")[-1]  # noqa: B009  # the stubs know nothing of it
        if bearer is not NOBODY:
            bearer.tasks[made] = None
        return made

    def add_signal_handler(self, sig: int, callback: Callable[[*_Ts], Any], *args: *_Ts) -> None:
        """Call back at a signal, which also interrupts a long run of the agenda."""
        super().add_signal_handler(sig, callback, *args)
        signal.signal(sig, lambda number, frame: self._ready.append(asyncio.Handle(self._read_from_self, (), self)))
        signal.siginterrupt(sig, False)

    @property
    def interleave(self) -> int | None:
        """The seed by which steps of tasks are held back, or None; it may be set at any time."""
        how = self._course.interleaving
        return None if how is None else how.seed

    @interleave.setter
    def interleave(self, seed: int | None) -> None:
        before = self._course.interleaving
        self._course.interleave(None if seed is None else Interleaving(seed, _owner))
        self._ready.extend(before or ())

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
        origin, context = origin_here(), copy_context() if context is None else context
        if origin is not None and BEARER not in context:
            context.run(BEARER.set, origin.bearer)
        handle = asyncio.Handle(callback, args, self, context)
        if context.get(BEARER, NOBODY).state == "gone":
            return handle  # as all of the dead's
        begun = self._begun(origin, callback, args)
        if begun is not None and self._outside.is_under_way(begun):
            answer = partial(self._let_in, handle, threading.get_ident() if origin is None else origin, begun)
        else:
            where = f"{name_of(callback)} was called from the thread {name_of_thread(threading.current_thread())!r}"
            answer = partial(self._let_in_stranger, handle, where)
        self._inbox.append(answer)
        self._write_to_self()
        return handle

    def _begun(self, origin: Origin | None, callback: Callable[..., object], args: Any) -> Begun | None:
        """Say where that was begun which a thread answers: the call that it works on, else the future, else itself."""
        if origin is not None and origin.thread is None:
            return origin.begun
        for each in (getattr(callback, "__self__", None), *args):
            if isinstance(each, Future):
                return getattr(each, "begun", None)
        return None if origin is None else origin.begun

    def _let_in(self, handle: asyncio.Handle, thread: object, begun: Begun) -> None:
        """Let in an answer of a thread; the first one that might have been."""
        if begun.answers.note(thread, begun.after):
            self._note_irreproducible(
                "two threads answered within one clock stop"
                f"{self._waiter_of(handle)}, and either might have been first: wait for one after the other, or in "
                "tasks that open a clock stop each"
            )
        self._ready.append(handle)

    def _let_in_stranger(self, handle: asyncio.Handle, where: str) -> None:
        """Let in a call from a thread that no clock stop waited for."""
        self._note_irreproducible(
            f"{where} while the virtual clock was running{self._waiter_of(handle)}: when it arrives is another virtual "
            "time in each run; wait for the thread inside `async with emulator.clock_stop('what for'):`"
        )
        self._ready.append(handle)

    def _waiter_of(self, handle: asyncio.Handle) -> str:
        """Say where the task is that an answer wakes."""
        for each in (getattr(handle._callback, "__self__", None), *(handle._args or ())):  # type: ignore[attr-defined]
            for call, _ in (isinstance(each, asyncio.Future) and each._callbacks) or ():
                if isinstance(task := getattr(call, "__self__", None), asyncio.Task):
                    return f", for {task.get_name()} {own_place_of(task)}"
        return ""

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
        self._submitting = True  # so that the executor may start a thread
        try:
            if isinstance(executor, ThreadPoolExecutor):
                answers = self._outside.answers
                origin = Origin(BEARER.get(), Begun(answers, answers.count), "", self._threads)
                source = executor.submit(origin.run, func, *args)  # type: ignore[arg-type]
            else:
                source = executor.submit(func, *args)
        finally:
            self._submitting = False
        answer: asyncio.Future[_T] = self.create_future()
        answer.add_done_callback(lambda answer: answer.cancelled() and source.cancel())
        self._await_outside(OutsideCall(name_of(func), source, answer))
        return answer

    def _await_outside(self, call: OutsideCall) -> None:
        self._outside.calls.append(call)
        call.source.add_done_callback(lambda _: self._write_to_self())
        if self._course.world_runs:  # which has to stand still now
            self._ready.append(self._nudge)

    def _listen(self, wait: bool) -> None:
        """Let in one thing from outside: a call from a thread, the next result, or what the system has."""
        if self._inbox:
            self._inbox.popleft()()
        elif not self._outside.deliver() and (self._outside.stops or self._outside.calls):
            if wait and (error := self._outside.deadlock()) is not None:
                raise error
            patience = self._outside.longest_patience() if wait else 0.0
            if events := self._selector.select(patience):
                self._process_events(events)
            elif patience:
                raise self._outside.out_of_patience(self.agenda.now, patience, asyncio.all_tasks(self))

    def _sleep(self, seconds: float) -> None:
        """Wait in real time, without listening to anything but threads and signals."""
        with DefaultSelector() as sleeper:
            sleeper.register(self._ssock, EVENT_READ)
            if sleeper.select(seconds):
                self._read_from_self()

    def _ring(self) -> None:
        for _ in range(50):  # until it is at a line of the user's, and not between two of them
            if (thread := self._running_in()) is not None and (place := place_in(thread, VirtualLoop._run_once)):
                self._spins = f", {place}"
                break
            threading.Event().wait(0.002)
        self._over = Over(self._overdue)
        self._ready.append(_Alarm(self.reach_wall_limit, (), self))
        self._write_to_self()

    def _running_in(self) -> int | None:
        return self._thread_id

    # -- the turns ----------------------------------------------------------------------------------------------------

    def _run_once(self) -> None:
        """Take turns until the loop is to stop, and one at least."""
        ready, inbox, withheld, course = self._ready, self._inbox, self._withheld, self._course
        timers, fresh, entries, arrivals = course.timers, course.fresh, course.entries, course.arrivals
        stops, calls, turn = self._outside.stops, self._outside.calls, course.turns
        if self._stopping:  # all that is due now still gets its turn, but no more
            course.fire_due(ready)
            ready.append(self._nudge)
        while True:
            course.turns = turn = turn + 1
            if fresh:
                course.fire_fresh(ready)
            if turn >= course.next_look:
                self._look_around()
            while not ready:
                if (
                    timers
                    and timers[0][0] <= course.last
                    and not (entries or stops or calls or inbox or arrivals or course.hindered)
                ):  # the usual case: a timer is next
                    course.fire(ready)
                else:
                    self._go_on()
            for _ in range(len(ready)):
                handle = ready.popleft()
                if handle._cancelled or (withheld and self._is_withheld(handle)):
                    continue
                try:
                    if self._debug:
                        self._run_watched(handle)
                    else:
                        handle._context.run(handle._callback, *handle._args)  # type: ignore[attr-defined]
                except (SystemExit, KeyboardInterrupt):
                    note_seen(_owner(handle))
                    raise
                except BaseException as error:
                    self._report(handle, error)
            handle = None  # type: ignore[assignment]  # breaks the cycle with the traceback of what it raised
            if self._stopping:
                return

    def _report(self, handle: asyncio.Handle, error: BaseException) -> None:
        """Tell the exception handler what a callback raised, as asyncio's handles do."""
        if isinstance(handle, _Alarm):
            raise error
        call = asyncio.format_helpers._format_callback_source(handle._callback, handle._args)  # type: ignore[attr-defined]
        self.call_exception_handler({"message": f"Exception in callback {call}", "exception": error, "handle": handle})

    def _is_withheld(self, handle: asyncio.Handle) -> bool:
        """Park a handle whose bearer stands still, drop one whose bearer is gone."""
        bearer: Bearer = handle._context.get(BEARER, NOBODY)  # type: ignore[attr-defined]  # not in the stubs
        if bearer.state == "stands still":
            bearer.park(handle)
        return bearer.state != "runs"

    def _make_ready(self, handle: asyncio.Handle) -> None:
        self._ready.append(handle)

    def _bury(self, bearer: Bearer) -> None:
        tasks, generators = list(bearer.tasks), list(bearer.generators)  # for some, only a timer keeps them alive
        for _, _, _, timer in list(self._course.timers):
            if isinstance(timer, asyncio.TimerHandle) and timer._context.get(BEARER) is bearer:  # type: ignore[attr-defined]
                timer.cancel()  # or the clock would go there for nobody
        bearer.sleeps.clear()
        for task in tasks:
            if not task.done():
                give_up_wait(task, task._fut_waiter)  # type: ignore[attr-defined]
                keep_forever(task)
                keep_forever(task.get_coro())
                asyncio.tasks._unregister_task(task)
                task._log_destroy_pending = False  # type: ignore[attr-defined]
        for generator in generators:
            keep_forever(generator)
            self._asyncgens.discard(generator)
        for key in list(self._selector.get_map().values()):
            handles = [handle for handle in key.data if handle is not None]
            if any(handle._context.get(BEARER) is bearer for handle in handles):
                self._selector.unregister(key.fileobj)
                for handle in handles:
                    transport = getattr(handle._callback, "__self__", None)
                    keep_forever(transport)  # or it would complain that nobody closed it
                    pipe = transport.get_extra_info("pipe") if isinstance(transport, asyncio.BaseTransport) else None
                    if pipe is not None:
                        pipe.close()

    def _run_watched(self, handle: asyncio.Handle) -> None:
        self._current_handle, began = handle, host_clock()
        try:
            handle._run()
            if (took := host_clock() - began) >= self.slow_callback_duration:
                _log.warning("Executing %r took %.3f seconds", _owner(handle), took)
        finally:
            self._current_handle = None
            del handle

    def _look_around(self) -> None:
        """Hold back steps of tasks, if that is asked for; after many turns, let in what waits for quiet, too.

        Then ask whether there will ever be any.
        """
        course, ready = self._course, self._ready
        if course.is_long():
            if course.entries:
                course.run_world(course.next_timer(), self.agenda.now, ready)
            if self._inbox or self._outside.stops or self._outside.calls:
                self._listen(wait=False)
            if self._outside.stops or self._outside.calls:
                course.count_anew()  # an ordinary loop may well ask again and again what has happened
            course.fire_due(ready)
            course.look(map(_owner, [*ready, *(course.interleaving or ())]))
        if course.interleaving is not None:
            course.interleaving.hold_back(ready)

    def _go_on(self) -> None:
        """Nothing is ready: find what comes next, move the clock there if it may go, and make it ready."""
        agenda, course, ready, outside = self.agenda, self._course, self._ready, self._outside
        if course.interleaving:
            course.interleaving.skip(ready)
            return
        while not ready:
            timer, stopped, wait = course.next_timer(), outside.stops or outside.calls or self._inbox, 0.0
            if stopped:
                reach = agenda.now
            elif course.hindered or course.arrivals:
                reach, wait = course.reach(timer)
            else:
                reach = course.last
            if course.entries and (rank := course.run_world(timer, reach, ready)):
                if ready and rank == REST:  # what the rest of the world woke and what timers wake share a turn
                    course.fire_due(ready)
                continue
            if timer is not None and timer[0] <= reach:
                course.fire(ready)
            elif wait > 0:
                self._sleep(wait)
            elif stopped:
                self._listen(wait=True)
                if course.pacer is not None:
                    course.pacer.anchor(agenda.now)
            elif not course.arrive(reach):
                files = len(self._selector.get_map()) - 1
                raise course.nothing_left(timer, asyncio.all_tasks(self), files=files, withheld=self._withheld)
        if course.interleaving is not None:
            course.interleaving.hold_back(ready)
