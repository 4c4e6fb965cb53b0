"""Measures the seconds and the memory of one side.

Processor seconds of the whole process (all its threads, user and system) are taken wherever one process does the work,
so that whatever else the machine does costs little. Collecting garbage stays switched on, as it is for a user.
"""

import gc
import resource
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from time import process_time
from typing import TypeVar

__all__ = ["Marks", "peak_memory", "seconds_of_command", "timed"]

_T = TypeVar("_T")


def timed(work: Callable[[], _T]) -> tuple[_T, float]:
    """Do something and give what it gave, and the processor seconds that this process spent on it."""
    gc.collect()
    began = process_time()
    result = work()
    return result, process_time() - began


def peak_memory() -> int:
    """Give the most memory that this process has held at a time, in bytes."""
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else most * 1024


def seconds_of_command(command: Sequence[str], folder: Path | str) -> tuple[float, str]:
    """Run a command and give the processor seconds that it and its children took, and what it printed.

    Raises:
        CalledProcessError: when it fails.
    """
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stdout


class Marks:
    """Told how far a run is, notes the processor seconds at which its settled part began and ended.

    What comes before ``begins`` (a share of the night) is filling up, which is not what the row asks about.
    """

    def __init__(self, begins: float) -> None:
        self.begins = begins
        self._first: float | None = None
        self._last = 0.0

    def __call__(self, share: float) -> None:
        if self._first is None and share >= self.begins:
            gc.collect()
            self._first = process_time()
        self._last = process_time()

    @property
    def seconds(self) -> float:
        """The processor seconds of the settled part."""
        assert self._first is not None, "the run has come so far"
        return self._last - self._first
