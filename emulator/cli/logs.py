"""What does an operator read beside the results? Lines of ``event key=value`` on standard error."""

import sys
from typing import Any

import structlog

__all__ = ["operator_log"]


def operator_log() -> Any:
    """Make a logger that writes to standard error; the library's own settings are left to embedding programs.

    >>> operator_log().info.__name__
    'info'
    """
    return structlog.wrap_logger(
        structlog.PrintLogger(sys.stderr),
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.LogfmtRenderer(key_order=["level", "event"]),
        ],
        wrapper_class=structlog.BoundLogger,
    )
