"""Guards the start of threads: says whose each is, and whether it may begin.

The law:

1. While a virtual loop runs in the process, ``Thread.start`` is guarded. What is started in the thread of a running
   virtual loop outside a clock stop is refused: the clock would not wait for it. Threads of an executor that the loop
   itself calls are excepted, and so are the loop's own.
2. A thread belongs to whose code started it, with all that it opens and all that it calls back; a call to an executor
   belongs to whoever made the call, whichever thread it runs in.
3. A thread that was started for a virtual loop never keeps the process from ending. One that would have kept it, and
   lives on after its loop was closed, is named in an error.

Tried and dropped: the audit event of a start, which Python 3.11 does not raise; a context variable, which a thread's
code leaves behind when it runs in a context of its own.
"""

import asyncio
import re
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future as SourceFuture
from contextlib import contextmanager
from types import FrameType
from typing import Any, Final, ParamSpec, Protocol, TypeVar, runtime_checkable

from emulator.timeline.answers import Begun
from emulator.timeline.bearers import NOBODY, Bearer
from emulator.timeline.resources import HERE, held_by, origin_here
from emulator.timeline.wall_clocks import host_clock

__all__ = ["STOCK_START", "Origin", "begins_threads", "live_on", "name_of_thread"]

_P = ParamSpec("_P")
_T = TypeVar("_T")

STOCK_START: Final = threading.Thread.start
"""How a thread is started that nobody guards: one of the loop's own."""

_LAST_WAIT: Final = 2.0
"""Seconds of real time that threads have to end after their loop was closed."""

_GIVEN_NAME: Final = re.compile(r"^(Thread|Dummy|ThreadPoolExecutor|asyncio|waitpid|asyncio-waitpid)[-_]\d+(_\d+)?")


class Origin:
    """Where a thread comes from, or a call to an executor.

    Attributes:
        bearer: whose it is.
        begun: in which clock stop it began, and after how many answers there (``emulator.timeline.answers``).
        place: the line of the user's code that started it.
        thread: the thread; None for a call to an executor.
        was_daemon: whether its maker meant it not to keep the process from ending.
        is_pooled: whether it is a thread of an executor, which serves many calls.
        is_over: whether it has come to its end, and uses nothing any more.
        ended: is fulfilled then.
        roll: the threads that were started for the loop.
    """

    __slots__ = ("bearer", "begun", "ended", "is_over", "is_pooled", "place", "roll", "thread", "was_daemon")

    def __init__(self, bearer: Bearer, begun: "Begun | None", place: str, roll: "list[Origin]") -> None:
        self.roll = roll
        self.bearer = bearer
        self.begun = begun
        self.place = place
        self.thread: threading.Thread | None = None
        self.was_daemon = True
        self.is_pooled = self.is_over = False
        self.ended: SourceFuture[None] = SourceFuture()

    def run(self, work: Callable[_P, _T], *args: _P.args, **named: _P.kwargs) -> _T:
        """Do what it has to do, as its own; at the end give back what a dead owner's code has opened in it."""
        before, HERE.origin = origin_here(), self
        try:
            return work(*args, **named)
        finally:
            HERE.origin = before
            if self.bearer is NOBODY:
                self.is_over = True
            else:
                held_by(self.bearer).end_of(self)
            self.ended.set_result(None)

    def adopt(self, thread: threading.Thread) -> None:
        """Take a thread as it is about to start."""
        self.thread, self.was_daemon, self.is_pooled = thread, thread.daemon, _serves_an_executor(thread)
        self.roll[:] = [*(each for each in self.roll if not each.is_over), self]
        thread.daemon = True
        if self.bearer is not NOBODY:
            held_by(self.bearer).threads.append(self)
        work = thread.run

        def run() -> None:
            thread.__dict__.pop("run", None)  # breaks the cycle with the thread
            self.run(work)

        thread.run = run  # type: ignore[method-assign]


def name_of_thread(thread: threading.Thread) -> str:
    """Name a thread as it is named in each run: without the number that Python gave it.

    >>> name_of_thread(threading.Thread(name="Thread-7 (copy)")), name_of_thread(threading.Thread(name="shutter-2"))
    ('Thread (copy)', 'shutter-2')
    """
    return _GIVEN_NAME.sub(r"\1", thread.name)


def live_on(threads: Iterable[Origin]) -> str:
    """Wait two seconds of real time, all together, for threads to end; say which live on nevertheless.

    Left out are those that were not to keep the process from ending, and threads of an executor that are idle. The
    process can end without the others too.
    """
    until, left = host_clock() + _LAST_WAIT, []
    for origin in threads:
        thread = origin.thread
        if thread is None or origin.was_daemon:
            continue
        while (busy := _is_busy(origin)) and (wait := until - host_clock()) > 0:
            thread.join(min(wait, 0.01) if origin.is_pooled else wait)
        if busy:
            _let_go(thread)
            left.append(f"the thread {name_of_thread(thread)!r}{f', started {origin.place}' if origin.place else ''}")
    if not left:
        return ""
    return (
        f"{' and '.join(left)} still lives {_LAST_WAIT:g} s after its event loop was closed: end it before, by what it "
        "waits for (a connection is closed, a queue gets its last item), and wait for its end inside a clock stop"
    )


def _serves_an_executor(thread: threading.Thread) -> bool:
    worker = _executors("_worker")
    return worker is not None and getattr(thread, "_target", None) is worker


def _is_busy(origin: Origin) -> bool:
    """Say whether a thread is at work; one of an executor that waits for the next call, of which none came, is not."""
    thread = origin.thread
    if thread is None or not thread.is_alive():
        return False
    frame = sys._current_frames().get(thread.ident or 0)
    if not origin.is_pooled or frame is None or not _is_in_worker(frame):
        return True
    # On a busy machine it may have been promised a call that it has not begun: the pool counts those that are free.
    pool: Any = frame.f_locals["executor_reference"]()
    frames = sys._current_frames()
    in_worker = [it for it in getattr(pool, "_threads", ()) if _is_in_worker(frames.get(it.ident or 0))]
    return pool is not None and pool._idle_semaphore._value < len(in_worker)


def _is_in_worker(frame: FrameType | None) -> bool:
    return frame is not None and frame.f_code is _executors("_worker").__code__


def _let_go(thread: threading.Thread) -> None:
    """Let the process end without a thread of an executor, for which Python waits otherwise."""
    getattr(sys.modules.get("concurrent.futures.thread"), "_threads_queues", {}).pop(thread, None)


def _executors(name: str) -> Any:
    return getattr(sys.modules.get("concurrent.futures.thread"), name, None)


# -- the guard --------------------------------------------------------------------------------------------------------


@runtime_checkable
class Guarding(Protocol):
    """What the guard asks of a loop."""

    def _thread_begins(self, thread: threading.Thread) -> Origin:
        """Give where a thread comes from that starts in the loop's own thread; refuse it outside a clock stop."""


_running = 0
_lock: Final = threading.Lock()


def _guarded_start(thread: threading.Thread) -> None:
    """Start a thread, if it may."""
    if thread.ident is None and (origin := _origin_of(thread)) is not None:
        origin.adopt(thread)
        try:
            return STOCK_START(thread)
        except BaseException:
            thread.__dict__.pop("run", None)
            origin.run(int)
            raise
    return STOCK_START(thread)


def _origin_of(thread: threading.Thread) -> Origin | None:
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        parent = origin_here()
        if parent is None:
            return None
        return Origin(parent.bearer, parent.begun, parent.place, parent.roll)
    return loop._thread_begins(thread) if isinstance(loop, Guarding) else None


@contextmanager
def begins_threads() -> Iterator[None]:
    """Guard the start of threads for as long as any virtual loop runs."""
    global _running
    with _lock:
        _running += 1
        if _running == 1:
            threading.Thread.start = _guarded_start  # type: ignore[method-assign, assignment]
    try:
        yield
    finally:
        with _lock:
            _running -= 1
            if not _running and threading.Thread.start is _guarded_start:
                threading.Thread.start = STOCK_START  # type: ignore[method-assign]
