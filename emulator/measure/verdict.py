"""What does judging a requirement give, and what must a requirement and a clock tell for it?"""

from datetime import datetime
from typing import Protocol

from emulator.measure.estimate import Figure
from emulator.records import record

__all__ = ["Asked", "Judged", "WallClock"]


@record
class Judged:
    """One requirement, judged on one night.

    Attributes:
        requirement: what is asked, with the name of the measure, as it is typed.
        met: whether its bound holds in this night, whatever share of nights it is asked of. None: nothing to judge, or
            a requirement on not being worse than a baseline, which one night cannot decide.
        found: the figure; for occurrences, how many missed.
        bound: the bound that was missed, else the first one.
        sentence: the verdict with its figures, in one sentence.
        evidence: numbers of jobs that show why it was missed, the worst first, ten at most.
        against: for each job of the evidence the job that it should have waited for, where order was asked for.
        of_occurrences: it was asked of each occurrence of an entry, and not of a figure.
        label: what is asked, in words, for screens; "" where nobody has said it otherwise than ``requirement``.
        about: for tables and sentences, the label of the figure that it is asked of; of occurrences what is asked.
        limit: what is asked of that figure; "" for occurrences, where ``about`` says all.
        said: the requirement's own words, if it has some.
    """

    requirement: str
    met: bool | None
    found: Figure
    bound: float | None
    sentence: str
    evidence: tuple[int, ...] = ()
    of_occurrences: bool = False
    label: str = ""
    against: tuple[int, ...] = ()
    about: str = ""
    limit: str = ""
    said: str = ""

    @property
    def asks(self) -> str:
        """What is asked, as people read it."""
        return self.label or self.requirement


class Asked(Protocol):
    """What is read of a requirement (``emulator.scenario.models.scenario.Requirement``).

    A bound on a time is a whole number of ticks, any other bound a float.
    """

    @property
    def measure(self) -> str | None: ...
    @property
    def at_least(self) -> float | None: ...
    @property
    def at_most(self) -> float | None: ...
    @property
    def exactly(self) -> float | None: ...
    @property
    def not_worse_by(self) -> float | None: ...
    @property
    def routine(self) -> str | None: ...
    @property
    def queue(self) -> str | None: ...
    @property
    def pool(self) -> str | None: ...
    @property
    def entry(self) -> str | None: ...
    @property
    def effect(self) -> str | None: ...
    @property
    def target(self) -> str | None: ...
    @property
    def set_of(self) -> str | None: ...
    @property
    def each_occurrence_of(self) -> str | None: ...
    @property
    def started_by(self) -> str | None: ...
    @property
    def finished_by(self) -> str | None: ...
    @property
    def within(self) -> int | None: ...
    @property
    def starts_after_end_of(self) -> str | None: ...
    @property
    def in_share(self) -> float | None: ...
    @property
    def say(self) -> str | None: ...


class WallClock(Protocol):
    """What is asked of the scenario's clock (``emulator.scenario.clock.Clock``)."""

    def local(self, tick: int) -> datetime:
        """Give the local time at a tick."""
        ...

    def tick_of(self, when: datetime) -> int:
        """Give the tick of a local time."""
        ...

    def night_of(self, tick: int) -> int:
        """Say in which night of the run a tick lies, from 0."""
        ...

    def instants(self, local: datetime) -> tuple[int, ...]:
        """List the ticks at which the clock shows a local time: none, one or two."""
        ...
