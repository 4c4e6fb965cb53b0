"""Which jobs come by the clock, and how late?

For each routine, every window of the night is looked at, of every width, on every set of days (all, weekdays, weekends,
each day of the week). A window in which something came on nearly every such night, although little comes around it, is
a schedule. Found against chance: by the rate around the window, something would come in it in a share ``p`` of the
nights; the chance that it did so in ``h`` of ``n`` nights is the upper tail of a binomial, and it counts only when it
stays below one in a million after it was multiplied by the number of all windows looked at (Bonferroni's inequality).
Of all such windows the one with the largest likelihood ratio is taken, what came in it is set aside, and the search
goes on. The times are rounded to the roundest time of day that is not later than the earliest.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from emulator.past.laws import special, stats

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["DAY_SETS", "Schedule", "find_schedules"]

DAY_SETS: Final[dict[str, tuple[int, ...]]] = {
    "every day": (0, 1, 2, 3, 4, 5, 6),
    "weekdays": (0, 1, 2, 3, 4),
    "weekends": (5, 6),
    **{name: (at,) for at, name in enumerate(("mon", "tue", "wed", "thu", "fri", "sat", "sun"))},
}
"""Sets of days of the week (0 is Monday) on which a schedule may come."""

_WIDTHS: Final = (1, 2, 3, 5, 10, 20, 30, 60, 120, 180, 300, 600, 900, 1800)
_AROUND: Final = 1800.0
_CHANCE: Final = 1e-6
_LEAST_SHARE: Final = 0.6
_LEAST_NIGHTS: Final = 4
_MOST: Final = 500
_ROUND: Final = (3600, 1800, 900, 600, 300, 60, 30, 10, 5, 1)


@dataclass(frozen=True, slots=True)
class Schedule:
    """Jobs of a routine that come by the clock.

    Attributes:
        at: the time, in seconds into the night on the wall clock.
        days: one of :data:`DAY_SETS`.
        nights: of how many such nights, and ``hits`` in how many something came.
        hits: see there.
        lateness: how late each batch came, in seconds.
        batches: how many jobs came at once, night by night.
        chance: the chance that what comes at random would do so anywhere in the night.
    """

    at: float
    days: str
    nights: int
    hits: int
    lateness: tuple[float, ...]
    batches: tuple[int, ...]
    chance: float


def find_schedules(
    night: "NDArray[np.int64]", offset: "NDArray[np.float64]", dates: Sequence[date], lasts: float
) -> "tuple[list[Schedule], NDArray[np.bool_]]":
    """Find what comes by the clock among the jobs of one routine.

    Args:
        night: for each job, the place of its night in ``dates``.
        offset: for each job, how far into the night it came, in seconds on the wall clock.
        dates: the date of each night.
        lasts: how long a night lasts, in seconds.

    Returns:
        The schedules in order of time, and which jobs none of them explains.
    """
    import numpy as np

    order = np.argsort(offset, kind="stable")
    night, offset = night[order], offset[order]
    left = np.ones(len(offset), dtype=bool)
    weekdays = np.array([it.weekday() for it in dates])
    windows = sum(lasts / width for width in _WIDTHS) * len(DAY_SETS)
    found: list[Schedule] = []
    while len(found) < _MOST:
        best = _candidates(night[left], offset[left], weekdays, lasts, windows)
        taken: list[tuple[float, float, float, str]] = []
        for it in best:  # what is near to a schedule is judged again once that one's jobs are set aside
            if all(it[1] > other[2] + 2 * _AROUND or it[2] < other[1] - 2 * _AROUND for other in taken):
                taken.append(it)
        if not taken:
            break
        for ratio, low, high, days in taken:
            inside = left & (offset >= low) & (offset <= high) & np.isin(weekdays[night], DAY_SETS[days])
            found.append(_schedule(night[inside], offset[inside], low, high, days, weekdays, ratio))
            left &= ~inside
    rest = np.zeros(len(offset), dtype=bool)
    rest[order] = left
    return sorted(found, key=lambda it: it.at), rest


def _candidates(
    night: "NDArray[np.int64]",
    offset: "NDArray[np.float64]",
    weekdays: "NDArray[np.int64]",
    lasts: float,
    windows: float,
) -> list[tuple[float, float, float, str]]:
    """Look at every window that begins with a job: likelihood ratio, begin, end, days; the best of each place."""
    import numpy as np

    found: list[tuple[float, float, float, str]] = []
    for days, members in DAY_SETS.items():
        on = np.isin(weekdays, members)
        nights = int(on.sum())
        if nights < _LEAST_NIGHTS:
            continue
        own, at = night[on[night]], offset[on[night]]
        if len(at) < _LEAST_SHARE * nights:
            continue
        before = np.searchsorted(at, at - _AROUND, "left")
        earlier = _before(own)
        for width in _WIDTHS:
            ends = np.searchsorted(at, at + width, "right")
            hits = _distinct(earlier, ends)
            after = np.searchsorted(at, at + width + _AROUND, "right")
            around = (np.arange(len(at)) - before) + (after - ends)
            span = np.minimum(at, _AROUND) + np.minimum(np.maximum(lasts - at - width, 0), _AROUND)
            rate = (around + 0.5) / (np.maximum(span, 60.0) * nights)
            by_chance = np.minimum(-np.expm1(-rate * width), 1 - 1e-12)  # hundreds of jobs at one moment round it to 1
            share = hits / nights
            ratio = nights * (
                special().xlogy(share, share / by_chance) + special().xlogy(1 - share, (1 - share) / (1 - by_chance))
            )
            likely = (share >= _LEAST_SHARE) & (share > by_chance) & (ratio > 10)
            rows = np.flatnonzero(likely)
            rows = rows[stats().binom.sf(hits[rows] - 1, nights, by_chance[rows]) * windows < _CHANCE]
            found += [(float(ratio[row]), float(at[row]), float(at[ends[row] - 1]), days) for row in rows.tolist()]
    found.sort(key=lambda it: -it[0])
    best: list[tuple[float, float, float, str]] = []
    for it in found:
        if all(it[2] < other[1] or it[1] > other[2] for other in best):
            best.append(it)
    return best


def _before(night: "NDArray[np.int64]") -> "NDArray[np.int64]":
    """Give for each job the place of the job before it in the same night; -1 where there is none."""
    import numpy as np

    out = np.full(len(night), -1, dtype=np.int64)
    order = np.argsort(night, kind="stable")
    same = night[order][1:] == night[order][:-1]
    out[order[1:][same]] = order[:-1][same]
    return out


def _distinct(earlier: "NDArray[np.int64]", ends: "NDArray[np.int64]") -> "NDArray[np.int64]":
    """Count for each job the nights in the window from it to ``ends``, whose ends never go back.

    A window counts a night as often as it has jobs of it. Those beyond the first have the job before them in the window
    too: that is so in the windows from the first that reaches the job up to the one that begins with the job before it.
    """
    import numpy as np

    jobs = len(ends)
    first = np.searchsorted(ends, np.arange(jobs), "right")
    again = first <= earlier
    steps = np.bincount(first[again], minlength=jobs + 1) - np.bincount(earlier[again] + 1, minlength=jobs + 1)
    return ends - np.arange(jobs) - np.cumsum(steps)[:jobs]


def _schedule(
    night: "NDArray[np.int64]",
    offset: "NDArray[np.float64]",
    low: float,
    high: float,
    days: str,
    weekdays: "NDArray[np.int64]",
    ratio: float,
) -> Schedule:
    """Describe what came in a window."""
    import numpy as np

    nights = int(np.isin(weekdays, DAY_SETS[days]).sum())
    hit = np.unique(night)
    firsts = np.array([offset[night == each].min() for each in hit])
    at = _rounded(float(firsts.min()), high - low)
    return Schedule(
        at,
        days,
        nights,
        len(hit),
        tuple((firsts - at).tolist()),
        tuple(int((night == each).sum()) for each in hit),
        float(np.exp(-ratio)),
    )


def _rounded(earliest: float, spread: float) -> float:
    """Find the roundest time that is not later than the earliest, and not much earlier either."""
    room = max(1.0, 0.25 * spread)
    for step in _ROUND:
        at = earliest // step * step
        if earliest - at <= room:
            return float(at)
    return float(int(earliest))
