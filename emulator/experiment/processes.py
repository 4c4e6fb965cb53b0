"""How do the processes start that run nights, and when do they load the user's script?

The law: a process that is started by ``spawn`` or ``forkserver`` loads the script that started it, once more, because
what it is sent may be defined there. A night hardly ever is: then the script is left out, so that ``compare`` may be
called anywhere in a script. Else, with a retry policy that stands in the script itself, the script has to be one that
may be loaded without starting nights anew; whether it is, is tried before anything is sent.
"""

import multiprocessing
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from threading import RLock
from types import ModuleType
from typing import Any, Final

from emulator.errors import InputError

__all__ = ["own_processes"]

_LOCK: Final = RLock()
_ADVICE: Final = (
    "put what your script does below `if __name__ == '__main__':`, or the retry policy into a module of its own, or "
    "run nights in this process alone (processes=1)"
)


class _WithoutScript(ProcessPoolExecutor):
    """Processes that do not load the user's script. They start when something is sent."""

    def submit(self, call: Callable[..., Any], /, *args: Any, **more: Any) -> "Future[Any]":
        with _script_left_out():
            return super().submit(call, *args, **more)


@contextmanager
def _script_left_out() -> Iterator[None]:
    """Let whoever starts a process meanwhile find no script (``multiprocessing`` asks for ``__main__``)."""
    with _LOCK:
        script = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")
        try:
            yield
        finally:
            sys.modules["__main__"] = script


def own_processes(many: int, *, script: bool = False) -> Executor:
    """Give so many processes, which Ctrl-C ends at once.

    Args:
        many: how many there are at most.
        script: whether what they are sent needs the user's script.

    Raises:
        InputError: when they need the script, and loading it starts nights anew or ends them.

    >>> with own_processes(1) as one:
    ...     one.submit(sum, [1, 2]).result()
    3
    """
    if getattr(multiprocessing.current_process(), "_inheriting", False):
        raise SystemExit(1)  # this is such a process, which loads the script: the one that started it tells
    context = multiprocessing.get_context(
        "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    )
    kind = ProcessPoolExecutor if script else _WithoutScript
    processes = kind(many, mp_context=context, initializer=_let_ctrl_c_end_it)
    if script:
        try:
            processes.submit(_let_ctrl_c_end_it).result()
        except BrokenExecutor:
            file = getattr(sys.modules["__main__"], "__file__", "the script")
            raise InputError(
                f"{file}: a retry policy stands here, so each process that runs nights loads this file, and none came "
                f"through it: {_ADVICE}"
            ) from None
    return processes


def _let_ctrl_c_end_it() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
