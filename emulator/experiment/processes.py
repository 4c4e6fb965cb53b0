"""Starts the processes that run nights, and loads the user's script in them only where it is needed.

The law: each is started anew (``spawn``), which takes the time of loading the program and keeps nobody waiting: this
process goes on meanwhile. Ctrl-C waits until a start is through, so that it never finds one half done. A process that
is started so loads the script that started it, once more, because what it is sent may be defined there. A night hardly
ever is: then the script is left out, so that ``compare`` may be called anywhere in a script. Else, with a retry policy
that stands in the script itself, the script has to be one that may be loaded without starting nights anew. Whether it
is, and whether a process finds each policy at all, is tried before anything else is sent.
"""

import multiprocessing
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import resource_tracker
from pathlib import Path
from types import ModuleType
from typing import Any, Final

from emulator.errors import InputError

__all__ = ["check_found", "interrupt_put_off", "needs_script", "own_processes"]

_LOCK: Final = threading.RLock()
_ADVICE: Final = (
    "put what your script does below `if __name__ == '__main__':`, or the retry policy into a module of its own, or "
    "run nights in this process alone (processes=1)"
)


class _Processes(ProcessPoolExecutor):
    """Processes that start when something is sent, and that Ctrl-C ends at once."""

    def submit(self, call: Callable[..., Any], /, *args: Any, **more: Any) -> "Future[Any]":
        with interrupt_put_off():
            return super().submit(call, *args, **more)


class _WithoutScript(_Processes):
    """Processes that do not load the user's script."""

    def submit(self, call: Callable[..., Any], /, *args: Any, **more: Any) -> "Future[Any]":
        with _script_left_out():
            return super().submit(call, *args, **more)


@contextmanager
def interrupt_put_off() -> Iterator[None]:
    """Let Ctrl-C wait: for this process until the end of the block, for one that is started until it is ready for it.

    Without this, Ctrl-C between two lines of ``multiprocessing`` or ``threading`` would leave a process that nobody
    knows of, or a thread that ends with a traceback.
    """
    if threading.current_thread() is not threading.main_thread() or signal.getsignal(signal.SIGINT) is None:
        with _interrupt_kept_from_children():
            yield
        return
    came = list[int]()
    handler = signal.signal(signal.SIGINT, lambda number, frame: came.append(number))
    try:
        with _interrupt_kept_from_children():
            yield
    finally:
        signal.signal(signal.SIGINT, handler)
        if came:
            signal.raise_signal(signal.SIGINT)


@contextmanager
def _interrupt_kept_from_children() -> Iterator[None]:
    """Start processes with Ctrl-C held back, where the system can; they let it through when they are ready."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it lets signals through again when it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
    kind = _Processes if script else _WithoutScript
    return kind(many, mp_context=multiprocessing.get_context("spawn"), initializer=_let_ctrl_c_end_it)


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
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
