"""What is told on standard error: how far a long run is, the answer so far, and that a log was written.

Nothing is said of a run that takes no more than a second.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from os import PathLike
from time import monotonic
from typing import Any, Final, TextIO

from emulator.cli.options import tell
from emulator.show.layout import WIDTH, clean, columns, fit

__all__ = [
    "Progress",
    "operator_log",
    "progress",
    "say_written",
]


_SILENT: Final = 1.0
"""Seconds of real time before anything is said."""
_EVERY: Final = 0.2
"""Seconds of real time between two sayings."""
_ENOUGH: Final = 0.02
"""The share from which on the time that is left can be told."""


class Progress:
    """Rewrites one line of a terminal; called with a share from 0 to 1."""

    def __init__(self, file: TextIO, what: str, of: str = "the night") -> None:
        self._file = file
        self._what = what
        self._of = of
        self._began = monotonic()
        self._next = self._began + _SILENT
        self._shown = ""
        self._answer = ""

    def so_far(self, answer: str) -> None:
        """Take the answer so far, in a few words; it stands behind the share from now on."""
        self._answer = answer

    def __call__(self, share: float) -> None:
        """Say the share, if it is time to say something."""
        if (now := monotonic()) < self._next:
            return
        self._next = now + _EVERY
        left = f", {_in_words((now - self._began) * (1 - share) / share)} left" if share >= _ENOUGH else ""
        answer = f"; {self._answer}" if self._answer else ""
        self._show(f"{self._what}: {100 * share:.0f} % of {self._of}{left}{answer}")

    def clear(self) -> None:
        """Take the line away."""
        if self._shown:
            self._show("")

    def _show(self, text: str) -> None:
        text = fit(clean(text), _width() - 1)  # a line that goes on below could not be taken away
        blanks = " " * max(0, columns(self._shown) - columns(text))
        self._file.write(f"\r{text}{blanks}" if text else f"\r{blanks}\r")
        self._file.flush()
        self._shown = text


def _width() -> int:
    """Give the width of the terminal that is written to."""
    try:
        return os.get_terminal_size(2).columns or WIDTH
    except OSError:
        return WIDTH


def _in_words(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60} s" if whole < 3600 else f"{whole // 3600} h"


@contextmanager
def progress(what: str, *, quiet: bool = False, of: str = "the night") -> Iterator[Progress | None]:
    """Give what tells the progress, or None where it is not wanted; the line is gone at the end."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    told = Progress(sys.stderr, what, of)
    try:
        yield told
    finally:
        told.clear()


def say_written(path: str | PathLike[str], seed: int, *, structured: bool) -> None:
    """Say that the log of a night with such a seed was written."""
    if structured:
        operator_log().info("log written", path=str(path), seed=seed)
    else:
        tell(f"Log written to {path}", err=True)


def operator_log(file: TextIO | None = None) -> Any:
    """Make a logger for standard error, or a file; the library's own settings are left to embedding programs.

    >>> import io
    >>> file = io.StringIO(); operator_log(file).info("log written", seed=1); file.getvalue()
    'level=info event="log written" seed=1\\n'
    """
    import structlog

    return structlog.wrap_logger(
        structlog.PrintLogger(file or sys.stderr),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.LogfmtRenderer(key_order=["level", "event"]),
        ],
        wrapper_class=structlog.BoundLogger,
    )
