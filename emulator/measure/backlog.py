"""How many jobs stood in a state over time: the peak, when it came, when it had gone, and the area below?

Counted at the end of each instant: a job that comes and is handed over at once never was backlog.
"""

from array import array
from bisect import bisect_right
from collections.abc import Iterable
from itertools import chain
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
    begins = array("q", sorted(chain.from_iterable(kind.begins for kind in every)))
    ends = array("q", sorted(chain.from_iterable(kind.ends for kind in every)))
    left = len(begins) - len(ends)
    area = int(sum(ends)) + left * horizon - int(sum(begins))
    ends.extend([horizon + 1] * left)  # never reached below: what has no end is still there at the last begin
    peak = peak_at = begun = ended = 0
    emptied: int | None = None
    while begun < len(begins):
        at = begins[begun]
        while ended < begun and ends[ended] < at:
            ended += 1
        if ended == begun and ended and emptied is None:
            emptied = ends[ended - 1]
        while ended < begun and ends[ended] == at:
            ended += 1
        while begun < len(begins) and begins[begun] == at:
            begun += 1
        if begun - ended > peak:
            peak, peak_at, emptied = begun - ended, at, None
    if peak and emptied is None and not left:
        emptied = ends[-1]
    return Profile(peak, peak_at, emptied, area, left)
