"""Keeps account of what a worker's code has opened, and gives it back at a power off as the machine would.

The law:

1. Whoever opened a thing owns it, not whoever refers to it: connections of SQLite, sockets, child processes, threads.
2. A child process is killed. A socket is shut, so that a thread that waits for it goes on, and closed. A connection is
   closed without a commit, so that its locks go. No line of the owner's code runs for it.
3. What was handed to a thread completes: a connection that a thread of the owner may be using is closed by that thread
   at its end. The thread of an aiosqlite connection ends behind what is in its queue, and the clock stands until then.
4. Threads that the owner started itself, and files, are not known well enough: ``work.at_power_off`` is for those.
5. An owner that stands still keeps everything. What it had handed to the thread of an aiosqlite connection completes
   all the same, and the clock stands until then: otherwise the host's speed would decide what others find.

Who opened what is told by Python's audit events. A hook for them cannot be removed, so that it is installed with the
first virtual loop. What belongs to nobody is not kept account of.
"""

import gc
import os
import signal
import socket
import subprocess
import sys
import threading
from concurrent.futures import Future as SourceFuture
from concurrent.futures import InvalidStateError
from contextlib import suppress
from functools import partial
from types import FrameType
from typing import TYPE_CHECKING, Any, Final
from weakref import ReferenceType, WeakKeyDictionary, WeakSet

from emulator.timeline.bearers import BEARER, NOBODY, Bearer
from emulator.timeline.reports import place_here

if TYPE_CHECKING:
    from emulator.timeline.threads import Origin

__all__ = ["HERE", "Held", "held_by", "origin_here", "watch_what_is_opened", "whose"]

_CLOSE_SOCKET: Final = socket.SocketType.close
"""Closes the file at once, whoever has made files of it."""


class Held:
    """What the code of one bearer has opened.

    Attributes:
        threads: those that it started.
        sockets: its sockets, each with the thread or call that opened it; None for the loop's own thread.
        children: its child processes.
        blocking: at which lines it waited for a child process without giving way.
    """

    __slots__ = ("_connections", "_is_given_back", "_lock", "blocking", "children", "sockets", "threads")

    def __init__(self) -> None:
        self.threads: list[Origin] = []
        self.sockets: WeakKeyDictionary[socket.socket, Origin | None] = WeakKeyDictionary()
        self.children: WeakSet[subprocess.Popen[Any]] = WeakSet()
        self.blocking: list[str] = []
        self._connections: list[tuple[Any, Origin | None]] = []
        self._lock = threading.Lock()
        self._is_given_back = False

    def is_anything(self) -> bool:
        """Say whether any of it is still open or alive."""
        self._tidy()
        return bool(
            self._connections
            or any(not origin.is_over for origin in self.threads)
            or any(each.fileno() >= 0 for each in self.sockets)
            or any(child.returncode is None for child in self.children)
        )

    def add_connection(self, connection: Any, origin: "Origin | None") -> None:
        """Take in a connection of SQLite, of which Python gives no weak reference.

        So one that is dropped without a close stays open until its owner is gone. Without an account it would stay open
        until the garbage collector comes, because a connection refers to itself.
        """
        self._tidy()
        with self._lock:
            self._connections.append((connection, origin))

    def _tidy(self) -> None:
        """Let go of connections that are closed."""
        with self._lock:
            self._connections[:] = [kept for kept in self._connections if _is_open(kept[0])]

    def give_back(self) -> "list[Origin]":
        """Give everything back; what the clock has to wait for is returned: threads that end soon."""
        with self._lock:
            self._is_given_back = True
        awaited = [origin for origin in self.threads if not origin.is_over and _ends_soon(origin)]
        for child in list(self.children):
            _kill(child)
        for each, origin in list(self.sockets.items()):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            if origin is None or origin.is_over:
                _CLOSE_SOCKET(each)
        self._close(lambda origin: origin is None or origin.is_over)
        return awaited

    def handed_over(self) -> "list[SourceFuture[None]]":
        """Give what the clock has to wait for before its owner stands still: databases at work on what they were given.

        Each is fulfilled when the thread of a connection has done all that is in its queue, or has come to its end.
        """
        waits = []
        for origin in self.threads:
            if not origin.is_over and (queue := _queue_of(origin.thread)) is not None:
                waits.append(done := SourceFuture[None]())
                queue.put_nowait((_Deaf(), partial(_fulfil, done)))
                origin.ended.add_done_callback(partial(_fulfil, done))  # if its end was asked for before
        return waits

    def end_of(self, origin: "Origin") -> None:
        """A thread or a call ends, and nothing is under way there: give back what it opened if its owner is gone."""
        with self._lock:
            origin.is_over, gone = True, self._is_given_back
        if gone:
            self._close(lambda other: other is origin)
            for each, other in list(self.sockets.items()):
                if other is origin:
                    _CLOSE_SOCKET(each)

    def _close(self, which: Any) -> None:
        with self._lock:
            closing = [connection for connection, origin in self._connections if which(origin)]
            self._connections[:] = [kept for kept in self._connections if not which(kept[1])]
        for connection in closing:
            _close_connection(connection)


def held_by(bearer: Bearer) -> Held:
    """Give the account of a bearer."""
    with _one_at_a_time:
        if bearer.held is None:
            bearer.held = Held()
        return bearer.held


_one_at_a_time: Final = threading.Lock()


# -- connections of SQLite --------------------------------------------------------------------------------------------


def _is_open(connection: Any) -> bool:
    try:
        connection.total_changes  # noqa: B018  # asks nothing of the thread, unlike all else
    except Exception:
        return False
    return True


def _close_connection(connection: Any) -> None:
    """Close a connection as if its process had died: whatever thread it is of, without a commit, its cursors first."""
    sqlite = sys.modules["sqlite3"]
    lists = [each for each in gc.get_referents(connection) if isinstance(each, list)]
    cursors = [made() for each in lists for made in each if isinstance(made, ReferenceType)]
    with suppress(sqlite.Error):  # closed already
        connection.total_changes  # noqa: B018
        # Opened anew it is of this thread. That closes the old one, but SQLite keeps its locks until its statements,
        # which cursors hold, are gone.
        sqlite.Connection.__init__(connection, ":memory:", check_same_thread=False)
        for cursor in cursors:
            if isinstance(cursor, sqlite.Cursor):
                sqlite.Cursor.close(cursor)
        sqlite.Connection.close(connection)


# -- child processes --------------------------------------------------------------------------------------------------


def _kill(child: "subprocess.Popen[Any]") -> None:
    """Kill a child process and wait until it is dead; who waits for it gets it, else it is taken away here."""
    if child.returncode is not None or getattr(child, "pid", None) is None:
        return
    with suppress(OSError):
        os.kill(child.pid, signal.SIGKILL)
        os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
        if not any("waitpid-" in thread.name for thread in threading.enumerate()):  # asyncio's own, which would miss it
            os.waitpid(child.pid, os.WNOHANG)
            child.returncode = -signal.SIGKILL


# -- the threads of databases -----------------------------------------------------------------------------------------


class _Deaf:
    """Stands for the future of a request whose answer nobody wants."""

    def get_loop(self) -> "_Deaf":
        return self

    def call_soon_threadsafe(self, *_: object) -> None:
        """Drop it."""


def _fulfil(done: "SourceFuture[None]", _: object = None) -> None:
    with suppress(InvalidStateError):  # it is already
        done.set_result(None)


def _queue_of(thread: threading.Thread | None) -> Any:
    """Give the queue from which the thread of an aiosqlite connection takes its requests; None for any other thread."""
    module = sys.modules.get("aiosqlite.core")
    if module is None:
        return None
    if isinstance(thread, module.Connection):  # up to 0.21 the connection is the thread
        return thread._tx
    if getattr(thread, "_target", None) is getattr(module, "_connection_worker_thread", module):
        return thread._args[0]  # type: ignore[union-attr]
    return None


def _ends_soon(origin: "Origin") -> bool:
    """Tell a thread to end that can be told to; say whether it will, by that or by itself."""
    thread = origin.thread
    if (queue := _queue_of(thread)) is not None:
        module = sys.modules["aiosqlite.core"]
        sentinel = module._STOP_RUNNING_SENTINEL
        queue.put_nowait(sentinel if isinstance(thread, module.Connection) else (_Deaf(), lambda: sentinel))
        return True
    return thread is not None and "waitpid-" in thread.name  # asyncio's own, for a child that was killed


# -- who opens what ---------------------------------------------------------------------------------------------------

HERE: Final = threading.local()
"""Its ``origin`` is where the present thread, or the executor call that it works on, comes from."""


def origin_here() -> "Origin | None":
    """Give where the present thread, or the executor call that it works on, comes from; None for any other thread."""
    return getattr(HERE, "origin", None)


def whose() -> Bearer:
    """Give whose code runs here, in a thread of its own too."""
    origin = origin_here()
    return BEARER.get() if origin is None else origin.bearer


def _opened(event: str, args: tuple[Any, ...]) -> None:
    if event not in _OPENINGS:
        return
    if (bearer := whose()) is NOBODY:
        return
    held, origin = held_by(bearer), origin_here()
    if event == "sqlite3.connect/handle":
        held.add_connection(args[0], origin)
    elif event == "socket.__new__":
        if isinstance(args[0], socket.socket):
            held.sockets[args[0]] = origin
    else:
        frame: FrameType | None = sys._getframe(1)
        assert frame is not None, "Python code starts child processes"
        child = frame.f_locals.get("self")
        if isinstance(child, subprocess.Popen):
            held.children.add(child)
        while frame is not None and origin is None:
            if frame.f_code in _BLOCKING:
                held.blocking.append(place_here())
                break
            frame = frame.f_back


_opened.__cantrace__ = True  # type: ignore[attr-defined]  # or neither coverage nor a debugger would see its lines

_OPENINGS: Final = frozenset(("socket.__new__", "sqlite3.connect/handle", "subprocess.Popen"))
_BLOCKING: Final = (subprocess.run.__code__, subprocess.call.__code__)
"""What starts a child process and waits for its end."""
_watching: list[bool] = []


def watch_what_is_opened() -> None:
    """Keep account of what is opened from now on, in this process."""
    if not _watching:
        _watching.append(True)
        sys.addaudithook(_opened)
