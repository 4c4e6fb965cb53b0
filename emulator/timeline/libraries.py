"""Which libraries can be used without a change of the code: each of their calls gets a clock stop of its own.

The law: a call of a named library that is awaited in the thread of a virtual loop opens a clock stop and leaves it when
the answer is there, so that calls are served one after the other, in the order in which they began. ``sqlite3`` needs
no more than its name: its calls are synchronous, and the clock cannot move during one.

A lock that another connection holds is waited for in virtual time, with SQLite's own pauses and for as long as the
connection has patience: in a clock stop its holder, who is next in line, could not give it back.

What is patched is the library's class, for as long as somebody asks for it; a call on any other loop is passed on.
"""

import asyncio
import importlib
import inspect
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import wraps
from itertools import chain, repeat
from typing import Any, Final
from weakref import WeakKeyDictionary

from emulator.timeline.stops import clock_stop

__all__ = ["LIBRARIES", "each_in_a_stop", "known_libraries"]

LIBRARIES: Final = ("sqlite3", "aiosqlite")
"""The libraries that are known here."""

_asked: list[asyncio.AbstractEventLoop] = []
_stock: dict[str, Callable[..., Any]] = {}
_lock: Final = threading.Lock()


def known_libraries(outside: Iterable[str]) -> tuple[str, ...]:
    """Give the names, once each.

    Raises:
        ValueError: for a library that is not known here, or not installed.

    >>> known_libraries(["aiosqlite", "sqlite3", "aiosqlite"])
    ('aiosqlite', 'sqlite3')
    """
    if isinstance(outside, str) or not isinstance(outside, Iterable):
        raise ValueError(f'outside={outside!r}: give a list of libraries, such as ["aiosqlite"]')
    names = tuple(dict.fromkeys(outside))
    for name in names:
        if name not in LIBRARIES:
            raise ValueError(
                f"outside: {name!r} is not known here: give {' or '.join(LIBRARIES)}; open a clock stop around others"
            )
        try:
            importlib.import_module(name)
        except ImportError:
            raise ValueError(f"outside: {name} is not installed") from None
    return names


@contextmanager
def each_in_a_stop(loop: asyncio.AbstractEventLoop, names: Iterable[str]) -> Iterator[None]:
    """Let each call of some libraries on a loop be made in a clock stop of its own, for as long as this lasts."""
    if "aiosqlite" not in names:
        yield
        return
    kind = importlib.import_module("aiosqlite").Connection
    with _lock:
        if not _asked:
            _patch(kind)
        _asked.append(loop)
    try:
        yield
    finally:
        with _lock:
            _asked.remove(loop)
            if not _asked:
                for name in list(_stock):
                    setattr(kind, name, _stock.pop(name))


def _is_asked() -> bool:
    try:
        running = asyncio.get_running_loop()
    except RuntimeError:
        return False
    return any(loop is running for loop in _asked)


def _patch(kind: Any) -> None:
    stock_execute, stock_close, begins = kind._execute, kind.close, kind.__await__
    _stock.update(_execute=stock_execute, close=stock_close, __await__=begins)

    @wraps(stock_execute)
    async def execute(self: Any, fn: Any, *args: Any, **options: Any) -> Any:
        if not _is_asked():
            return await stock_execute(self, fn, *args, **options)
        patience = 0.0 if getattr(fn, "__name__", "") in _ONCE else _patience.get(self, 0.0)
        for pause in chain(_FIRST_PAUSES, repeat(0.1)):  # pragma: no branch  # it has no end
            async with clock_stop("aiosqlite"):
                try:
                    return await stock_execute(self, fn, *args, **options)
                except asyncio.CancelledError:  # the thread is at it still, and is to answer inside the stop
                    with suppress(ValueError):  # it is closed
                        await stock_execute(self, int)
                    raise
                except Exception as error:
                    if patience <= 0 or not _is_busy(error):
                        raise
            pause = min(pause, patience)
            patience -= pause
            await asyncio.sleep(pause)

    @wraps(stock_close)
    async def close(self: Any) -> Any:
        if not _is_asked():
            return await stock_close(self)
        async with clock_stop("aiosqlite"):
            return await stock_close(self)

    @wraps(begins)
    def connects(self: Any) -> Any:
        return connect(self).__await__() if _is_asked() else begins(self)

    async def connect(connection: Any) -> Any:
        async with clock_stop("aiosqlite"):
            _patience[connection] = _take_patience(connection._connector)
            try:
                return await _Begun(lambda: begins(connection))
            except asyncio.CancelledError:
                thread = getattr(connection, "_thread", connection)  # up to 0.21 it is the thread
                await asyncio.to_thread(thread.join)
                raise

    kind._execute, kind.close, kind.__await__ = execute, close, connects


class _Begun:
    """Awaits what a stock ``__await__`` gives."""

    def __init__(self, begins: Callable[[], Any]) -> None:
        self._begins = begins

    def __await__(self) -> Any:
        return self._begins()


# -- waiting for locks ------------------------------------------------------------------------------------------------

_BUSY: Final = 5
"""SQLite's code for a database that somebody else has locked."""
_ONCE: Final = ("executemany", "executescript")
"""What may have been done in part, so that it is not tried again."""
_FIRST_PAUSES: Final = (0.001, 0.002, 0.005, 0.01, 0.015, 0.02, 0.025, 0.025, 0.025, 0.05, 0.05)
"""Seconds that SQLite itself waits between its attempts; then 0.1 each."""
_USUAL_PATIENCE: Final = 5.0
"""Seconds that a connection waits for a lock if nobody says otherwise, in Python's ``sqlite3``."""
_patience: Final[WeakKeyDictionary[Any, float]] = WeakKeyDictionary()
"""The seconds for which each connection waits for a lock."""


def _take_patience(connector: Any) -> float:
    """Let a connection that is about to be opened not wait for locks; give the seconds for which it would have."""
    options = inspect.getclosurevars(connector).nonlocals.get("kwargs")
    if not isinstance(options, dict):  # opened by another function than the library's: SQLite waits itself
        return 0.0
    patience: float = options.get("timeout", _USUAL_PATIENCE)
    options["timeout"] = 0.0
    return patience


def _is_busy(error: Exception) -> bool:
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(code, int) and code & 0xFF == _BUSY
