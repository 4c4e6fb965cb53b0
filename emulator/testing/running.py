"""How is an async test run in virtual time without any plugin? By a plain function, or a decorator.

For ``unittest``, for scripts, and for whoever wants to see how little there is to it.
"""

import asyncio
import functools
import inspect
from collections.abc import Callable, Coroutine
from typing import Any, ParamSpec, TypeVar

from emulator.errors import InputError
from emulator.timeline.loop import VirtualLoop

__all__ = ["in_virtual_time", "run_in_virtual_time"]

_P = ParamSpec("_P")
_T = TypeVar("_T")


def _is_running() -> bool:
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return False
    return True


def run_in_virtual_time(work: Coroutine[Any, Any, _T] | Callable[[], Coroutine[Any, Any, _T]], **options: Any) -> _T:
    """Run an async test body on a virtual-time loop of its own, from time 0, and give what it returns.

    For ``unittest``, for scripts, and for a program that embeds the emulator; with pytest use the marker.

    Args:
        work: a coroutine, or a function without arguments that makes one.
        options: of the loop, as ``VirtualLoop`` takes them: ``pace``, ``end``, ``wall_limit``, ``shuffle_ties`` ...;
            ``wall_clocks`` is True by default.

    Raises:
        InputError: when that is neither, for an option that the loop does not take, or when a loop is running in this
            thread already.
        ValueError: for an option out of range.
        IrreproducibleError: when another run may come out otherwise, or real I/O was refused in it, unless
            ``allow_irreproducible=True`` is among the options.

    >>> import asyncio
    >>> from emulator import run_in_virtual_time
    >>> async def test():
    ...     await asyncio.sleep(3600)
    ...     return asyncio.get_running_loop().time()
    >>> run_in_virtual_time(test)
    3600.0
    """
    try:
        inspect.signature(VirtualLoop).bind(**options)
    except TypeError as wrong:
        if asyncio.iscoroutine(work):
            work.close()
        known = ", ".join(inspect.signature(VirtualLoop).parameters)
        raise InputError(f"{wrong}: the options are those of VirtualLoop: {known}") from None
    options.setdefault("wall_clocks", True)
    coroutine = work if asyncio.iscoroutine(work) else work() if callable(work) else work
    if not asyncio.iscoroutine(coroutine):
        raise InputError(f"{work!r} is no coroutine and makes none: give `test()` or `test` of an `async def test():`")
    if _is_running():
        coroutine.close()
        raise InputError("an event loop is running in this thread already: await the coroutine there")
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(**options)) as runner:
        result: _T = runner.run(coroutine)
        VirtualLoop.of(runner.get_loop()).check_reproducible()
    return result


def in_virtual_time(test: Callable[_P, Coroutine[Any, Any, _T]]) -> Callable[_P, _T]:
    """Make an async test a plain one that runs in virtual time: a decorator.

    >>> import asyncio, io, unittest
    >>> from emulator import in_virtual_time
    >>> class Copies(unittest.TestCase):
    ...     @in_virtual_time
    ...     async def test_an_hour_passes_at_once(self):
    ...         await asyncio.sleep(3600)
    >>> unittest.TextTestRunner(io.StringIO()).run(Copies("test_an_hour_passes_at_once")).errors
    []
    """

    @functools.wraps(test)
    def runs(*arguments: _P.args, **named: _P.kwargs) -> _T:
        return run_in_virtual_time(lambda: test(*arguments, **named))

    return runs
