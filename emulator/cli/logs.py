"""Says on standard error that a log was written: as a sentence, or as a line of ``key=value`` for other programs."""

import sys
from os import PathLike
from typing import Any, TextIO

from emulator.cli.streams import tell

__all__ = ["operator_log", "say_written"]


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
