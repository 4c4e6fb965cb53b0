"""An interval with its confidence."""

from dataclasses import dataclass

__all__ = ["Interval"]


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval with its confidence.

    Attributes:
        low: its lower end; None: open.
        high: its upper end; None: open.
        confidence: 0.95 for 95 %.
    """

    low: float | None
    high: float | None
    confidence: float
