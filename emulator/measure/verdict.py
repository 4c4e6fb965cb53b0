"""What does judging a requirement give, and what does it need to know of the clock on the wall?"""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from emulator.measure.estimate import Figure

__all__ = ["Judged", "WallClock"]


@dataclass(frozen=True, slots=True)
class Judged:
    """One requirement, judged on one night.

    Attributes:
        requirement: in words.
        met: True, False, or None: nothing to judge, or a requirement on a share of nights, which one cannot decide.
        tonight: whether its bound holds in this night, whatever share of nights it is asked of; None: nothing to judge.
        found: the figure; for occurrences, how many missed.
        bound: the bound that was missed, else the first one.
        sentence: the verdict with its figures, in one sentence.
        evidence: numbers of jobs that show why it was missed, the worst first, ten at most.
    """

    requirement: str
    met: bool | None
    tonight: bool | None
    found: Figure
    bound: float | None
    sentence: str
    evidence: tuple[int, ...] = ()


class WallClock(Protocol):
    """What is asked of the scenario's clock (``emulator.scenario.clock.Clock``)."""

    def local(self, tick: int) -> datetime:
        """Give the local time at a tick."""
        ...

    def tick_of(self, when: datetime) -> int:
        """Give the tick of a local time."""
        ...

    def instants(self, local: datetime) -> tuple[int, ...]:
        """List the ticks at which the clock shows a local time: none, one or two."""
        ...
