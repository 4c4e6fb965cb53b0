"""Did a job start before others had ended that it should have come after?

Those are all jobs of another entry that are due in the same night, and those resubmitted from them before the job
started. All jobs of an entry that are due at one instant belong together, in whichever night the others are due. A job
that failed has ended too; one that was refused or skipped never was.
"""

from collections.abc import Iterator
from typing import NamedTuple

from emulator.measure.night import FAMILY, FINISHED, ORDINAL, SUBMITTED, Night
from emulator.measure.verdict import WallClock

__all__ = ["Order", "TooEarly"]


class TooEarly(NamedTuple):
    """The job that one should have waited for: its number and name, and when it ended (None: not so far)."""

    job: int
    name: str
    ended: int | None


class _Other(NamedTuple):
    """A job of the other entry."""

    number: int
    name: str
    submitted: int
    ended: int | None
    is_resubmitted: bool


class Order:
    """The jobs of one entry, after which others are to start."""

    def __init__(self, night: Night, entry: str, clock: WallClock) -> None:
        due = night.occurrences.get(entry, ())
        self._clock = clock
        self._as_one = len(set(due)) == 1
        self._by_night: dict[int, list[_Other]] = {}
        for when, other in _others(night, entry, dict(enumerate(due, 1))):
            self._by_night.setdefault(0 if self._as_one else clock.night_of(when), []).append(other)

    def broken_by(self, started: int | None, due: int) -> TooEarly | None:
        """Give the job that ended last of those that had not when a job started; None if all had."""
        if started is None:
            return None
        others = self._by_night.get(0 if self._as_one else self._clock.night_of(due), ())
        late = [other for other in others if other.ended is None or other.ended > started]
        late = [other for other in late if not other.is_resubmitted or other.submitted < started]
        if not late:
            return None
        last = max(late, key=lambda other: (other.ended is None, other.ended or 0, -other.number))
        return TooEarly(last.number, last.name, last.ended)


def _others(night: Night, entry: str, due: dict[int, int]) -> Iterator[tuple[int, _Other]]:
    """List the jobs of an entry, each with the tick at which its occurrence was due."""
    for job in range(night.first, night.first + len(night)):
        first = night.value(job, FAMILY)
        if night.kind_of(first).entry != entry:
            continue
        ordinal, ended = night.value(first, ORDINAL), night.value(job, FINISHED)
        submitted = night.value(job, SUBMITTED)
        when = due.get(ordinal, night.value(first, SUBMITTED))
        yield when, _Other(job, f"{entry}#{ordinal}", submitted, ended if ended >= 0 else None, job != first)
