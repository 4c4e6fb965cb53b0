"""From when on can a requirement of a night no longer be met? Looked at afterwards, when the whole night is known.

The law, by what is asked:

- at most (or exactly) so much of a figure that grows (a number, a sum, a longest time, the makespan): the minute with
  which the night, judged as it stood then, came to have more than that;
- a share of jobs done: the end of the job with which too many are not done, and never will be;
- a time of day, or a time after something is due: that time, of the first occurrence that misses it (up to then a
  person may still submit the job again); for a start that came too early, that start;
- anything else (means, quantiles, quotients, at least so much): the end of the night, because until then it may change.

A requirement that is missed only because jobs were unfinished is missed at the end of the night.
"""

from collections.abc import Callable, Iterable
from itertools import chain
from typing import Final

from emulator.measure.catalogue import find
from emulator.measure.figures import Figures
from emulator.measure.night import DONE, FINAL, FINISHED, Night
from emulator.measure.occurrences import first_missed
from emulator.measure.selection import Selection, Where
from emulator.measure.verdict import Asked, Judged, WallClock
from emulator.timeline.ticks import MINUTE

__all__ = ["AsItStood", "first_miss", "missed_at"]

AsItStood = Callable[[int], Night]
"""Gives a night as it stood at a tick: all events up to and with it."""

_SUMS: Final = ("makespan", "overlap", "executed", "wasted_work")
"""Times that grow, beside the longest ones."""


def first_miss(
    night: Night, asked: Iterable[tuple[Asked, Judged]], clock: WallClock, stood: AsItStood
) -> tuple[int, str] | None:
    """Give the tick from which on the first of the missed requirements could no longer be met, and its words.

    Args:
        night: the whole night.
        asked: each requirement, and how it was judged.
        clock: the scenario's clock.
        stood: gives the night as it stood at a tick.
    """
    missed = [(missed_at(night, one, clock, stood), judged.label) for one, judged in asked if judged.met is False]
    return min(missed, key=lambda miss: miss[0], default=None)


def missed_at(night: Night, requirement: Asked, clock: WallClock, stood: AsItStood) -> int:
    """Give the tick from which on a requirement that a night misses could no longer be met; see the law above."""
    if requirement.measure is None:
        return min(first_missed(night, requirement, clock), night.horizon)
    where = Where(requirement.routine, requirement.queue, requirement.entry, requirement.pool)
    if requirement.measure == "done_share" and requirement.at_least is not None:
        return _too_few_done(Selection(night, where), requirement.at_least)
    bound = requirement.at_most if requirement.at_most is not None else requirement.exactly
    name = find(requirement.measure).name
    if bound is None or not _grows(name):
        return night.horizon

    def has_more(at: int) -> bool:
        value = Figures(stood(at), where).get(name).value
        return value is not None and value > bound

    low, high = 0, night.horizon // MINUTE
    if not has_more(high * MINUTE):
        return night.horizon
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if has_more(middle * MINUTE) else (middle, high)
    return high * MINUTE


def _grows(name: str) -> bool:
    return name in _SUMS or name.endswith("_longest") or (find(name).unit == "count" and name != "unfinished")


def _too_few_done(of: Selection, at_least: float) -> int:
    """Give the end of the job with which too many are not done; of the night, where those that ended are too few."""
    finals, ends = of.column(FINAL), of.column(FINISHED)
    jobs = len(finals) + of.refused()
    failed = (end for final, end in zip(finals, ends, strict=True) if final != DONE and end >= 0)
    for left, at in enumerate(sorted(chain(failed, of.refused_at())), 1):
        if (jobs - left) / jobs < at_least:
            return at
    return of.night.horizon
