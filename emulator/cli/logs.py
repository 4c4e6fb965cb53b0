"""What does an operator read beside the results? Lines of ``event key=value`` on standard error."""

import sys
from typing import Any, TextIO

import structlog

__all__ = ["operator_log"]


def operator_log(file: TextIO | None = None) -> Any:
    """Make a logger for standard error, or a file; the library's own settings are left to embedding programs.

    >>> import io
    >>> file = io.StringIO(); operator_log(file).info("log written", seed=1); file.getvalue()
    'level=info event="log written" seed=1\\n'
    """
    return structlog.wrap_logger(
        structlog.PrintLogger(file or sys.stderr),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.LogfmtRenderer(key_order=["level", "event"]),
        ],
        wrapper_class=structlog.BoundLogger,
    )
