"""How do the processes start that run nights, and when do they load the user's script?

The law: a process that is started by ``spawn`` or ``forkserver`` loads the script that started it, once more, because
what it is sent may be defined there. A night hardly ever is: then the script is left out, so that ``compare`` may be
called anywhere in a script. Else, with a retry policy that stands in the script itself, the script has to be one that
may be loaded without starting nights anew. Whether it is, and whether a process finds each policy at all, is tried
before anything else is sent.
"""

import multiprocessing
import pickle
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import RLock
from types import ModuleType
from typing import Any, Final

from emulator.errors import InputError

__all__ = ["check_found", "needs_script", "own_processes"]

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


def needs_script(packed: Iterable[bytes]) -> bool:
    """Say whether something that is sent stands in the user's script, and that can be loaded by another process.

    It cannot where there is no file of it: in a notebook, or what was given by ``-c`` or on stdin.
    """
    file = getattr(sys.modules["__main__"], "__file__", None)
    return file is not None and Path(file).is_file() and any(b"__main__" in one for one in packed)


def own_processes(many: int, *, script: bool = False) -> Executor:
    """Give so many processes, which Ctrl-C ends at once.

    Args:
        many: how many there are at most.
        script: whether what they are sent needs the user's script.

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
    return kind(many, mp_context=context, initializer=_let_ctrl_c_end_it)


def check_found(processes: Executor, policies: Mapping[str, bytes]) -> None:
    """Make sure that another process finds what retry policies are made of: what cannot be read there would kill it.

    Args:
        processes: made by ``own_processes``; nothing has been sent to them.
        policies: each as it is sent, by the words that name it.

    Raises:
        InputError: when one cannot be read there; when loading the user's script starts nights anew or ends processes.
    """
    for who, packed in policies.items():
        error = processes.submit(_read, packed).exception()
        if isinstance(error, BrokenExecutor) and not isinstance(processes, _WithoutScript):
            file = getattr(sys.modules["__main__"], "__file__", "the script")
            raise InputError(
                f"{file}: a retry policy stands here, so each process that runs nights loads this file, and none came "
                f"through it: {_ADVICE}"
            )
        if error is not None:
            raise InputError(
                f"{who}, is not found by another process ({type(error).__name__}: {error}): put its class into a "
                "module of its own, which every process can import, or run nights in this process alone (processes=1)"
            )


def _read(packed: bytes) -> None:
    pickle.loads(packed)


def _let_ctrl_c_end_it() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
