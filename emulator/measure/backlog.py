"""Counts the jobs in a state over time: the peak, when it came, when it had gone, and the area below.

Counted at the end of each instant: a job that comes and is handed over at once never was backlog.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate, chain, islice
from typing import NamedTuple

from emulator.measure.night import Intervals

__all__ = ["Profile", "moments", "over_time", "profile"]


class Profile(NamedTuple):
    """A number of jobs over time.

    Attributes:
        peak: the most at one time. peak_at: the first tick at which there were so many (0 without any).
        emptied: the first tick after it at which there were none; None when that did not come, or without any.
        area: the sum, over jobs, of the ticks spent in the state.
        left: how many there were at the horizon.
    """

    peak: int
    peak_at: int
    emptied: int | None
    area: int
    left: int


def moments(horizon: int, count: int) -> list[int]:
    """Give so many moments, two at least, evenly apart from the start to the horizon.

    >>> moments(10, 3)
    [0, 5, 10]
    """
    return [horizon * place // (count - 1) for place in range(count)]


def over_time(intervals: Iterable[Intervals], horizon: int, count: int) -> tuple[int, ...]:
    """Say how many jobs stood in a state at so many moments, at the end of each; see ``moments``.

    >>> from array import array
    >>> over_time([Intervals(array("q", [0, 2, 5]), array("q", [5]))], 10, 3)
    (1, 2, 2)
    """
    every = [*intervals]
    begins = sorted(chain.from_iterable(kind.begins for kind in every))
    ends = sorted(chain.from_iterable(kind.ends for kind in every))
    return tuple(bisect_right(begins, at) - bisect_right(ends, at) for at in moments(horizon, count))


def profile(intervals: Iterable[Intervals], horizon: int) -> Profile:
    """Merge the intervals of several kinds of jobs.

    >>> from array import array
    >>> profile([Intervals(array("q", [0, 2]), array("q", [5]))], 10)
    Profile(peak=2, peak_at=2, emptied=None, area=13, left=1)
    """
    every = [*intervals]
    begins = [*chain.from_iterable(kind.begins for kind in every)]
    ends = [*chain.from_iterable(kind.ends for kind in every)]
    left = len(begins) - len(ends)
    area = sum(ends) + left * horizon - sum(begins)
    # A tick, doubled, and 1 more for a begin: what ends at an instant goes first, so the sum is highest at its end.
    changes = sorted([*[2 * at + 1 for at in begins], *[2 * at for at in ends]])
    there = [*accumulate([1 if change & 1 else -1 for change in changes])]
    peak = max(there, default=0)
    if not peak:
        return Profile(0, 0, None, area, left)
    place = there.index(peak)
    return Profile(peak, changes[place] >> 1, _emptied(changes, there, place), area, left)


def _emptied(changes: Sequence[int], there: Sequence[int], place: int) -> int | None:
    """Give the first tick from a place on at whose end there are none, None if there is no such tick."""
    zeros = (at for at, number in enumerate(islice(there, place, None), place) if not number)
    for last in zeros:
        if last + 1 == len(changes) or changes[last + 1] >> 1 != changes[last] >> 1:
            return changes[last] >> 1
    return None
