"""Learns when jobs come: by the clock or at random, at which rates, and how much nights and days differ.

For each routine, every window of the night is looked at, of every width, on every set of days (all, weekdays, weekends,
each day of the week). A window in which something came on nearly every such night, although little comes around it, is
a schedule. Found against chance: by the rate around the window, something would come in it in a share ``p`` of the
nights; the chance that it did so in ``h`` of ``n`` nights is the upper tail of a binomial, and it counts only when it
stays below one in a million after it was multiplied by the number of all windows looked at (Bonferroni's inequality).
Of all such windows the one with the largest likelihood ratio is taken, what came in it is set aside, and the search
goes on. The times are rounded to the roundest time of day that is not later than the earliest.

The rate over the night is constant between change points. They are found by dynamic programming: of all ways to cut the
night into pieces of at least a quarter of an hour, the one with the best likelihood of a Poisson process less a price
of ``log n`` for each cut (the Bayesian information criterion: two parameters, a place and a rate). Nights with more of
everything do not disturb that: given how many jobs a night has, their hours are independent.

Days of the week differ when the counts of nights do by more than chance: the two sets weekdays and weekends are
compared by the logarithm of the counts (Welch's t-test). Where that is sure of one routine, or likely of all together,
weekends are known to be unlike, and less is asked of each of the others. What remains between nights of the same days
is the demand factor: the variance of counts over their expectation less what Poisson counts vary by themselves (method
of moments).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from emulator.past.laws import special, stats

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "DAY_SETS",
    "LIKELY",
    "SURE",
    "Days",
    "Piece",
    "Schedule",
    "change_points",
    "days_of",
    "find_schedules",
    "law_of_factors",
    "spread_of_nights",
    "widened",
]


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


_BIN: Final = 900.0
SURE: Final = 0.001
"""Below this chance days differ, whatever else is known."""

LIKELY: Final = 0.05
"""Below this chance days differ for all routines together; and for one, where those of another or of all do."""

_WEEKEND: Final = (5, 6)


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of the night with one rate: from and until in seconds into the night, jobs an hour, and how many jobs."""

    begins: float
    until: float
    per_hour: float
    jobs: int


@dataclass(frozen=True, slots=True)
class Days:
    """Jobs a night on weekdays and on weekends, and whether they differ by more than chance."""

    weekdays: float
    weekends: float
    differ: bool
    chance: float


def change_points(offset: "NDArray[np.float64]", nights: float, lasts: float) -> list[Piece]:
    """Cut the night into pieces of one rate each.

    Args:
        offset: when each job came, in seconds into its night.
        nights: how many nights these are jobs of; a weight where nights count in part.
        lasts: how long a night lasts, in seconds.
    """
    import numpy as np

    bins = max(1, int(np.ceil(lasts / _BIN)))
    counts = np.histogram(offset, bins=bins, range=(0, bins * _BIN))[0]
    total = np.concatenate([[0], np.cumsum(counts)]).astype(float)
    price = 2 * np.log(max(len(offset), 2))
    best = np.full(bins + 1, np.inf)
    best[0] = -price
    came = np.zeros(bins + 1, dtype=int)
    for end in range(1, bins + 1):
        jobs, width = total[end] - total[:end], (end - np.arange(end)).astype(float)
        cost = best[:end] + price - special().xlogy(jobs, jobs / width)
        came[end] = int(np.argmin(cost))
        best[end] = cost[came[end]]
    cuts = [bins]
    while cuts[-1]:
        cuts.append(int(came[cuts[-1]]))
    pieces = []
    for low, high in zip(cuts[::-1], cuts[-2::-1], strict=False):
        begins, until, jobs = low * _BIN, min(high * _BIN, lasts), int(total[high] - total[low])
        pieces.append(Piece(begins, until, jobs / nights / (until - begins) * 3600, jobs))
    return pieces


def days_of(counts: "NDArray[np.float64]", dates: Sequence[date], sure: float = SURE) -> Days:
    """Compare how many jobs come on weekdays and on weekends; they differ below the chance ``sure``."""
    import numpy as np

    weekend = np.array([it.weekday() in _WEEKEND for it in dates])
    on, off = counts[~weekend], counts[weekend]
    if len(on) < 3 or len(off) < 3 or not counts.any():
        mean = float(counts.mean()) if len(counts) else 0.0
        return Days(mean, mean, False, 1.0)
    chance = _chance_alike(np.log(on + 0.5), np.log(off + 0.5))
    return Days(float(on.mean()), float(off.mean()), chance < sure, chance)


def _chance_alike(one: "NDArray[np.float64]", other: "NDArray[np.float64]") -> float:
    """The chance of means so far apart, were they equal: Welch's test, two-sided.

    Samples may be constant. Where both are, their means are equal or they are not.
    """
    # The mean of equal numbers is rounded, and their variance with it.
    of_means = [0.0 if it.min() == it.max() else float(it.var(ddof=1)) / len(it) for it in (one, other)]
    if not any(of_means):
        return 1.0 if one[0] == other[0] else 0.0
    both = sum(of_means)
    free = both**2 / sum(part**2 / (len(it) - 1) for part, it in zip(of_means, (one, other), strict=True))
    return float(2 * stats().t.sf(abs(float(one.mean() - other.mean())) / both**0.5, free))


def spread_of_nights(counts: "NDArray[np.float64]", expected: "NDArray[np.float64]", levels: int = 1) -> float:
    """Tell by how much nights differ beyond chance: the coefficient of variation of the factor of a night.

    ``levels`` is how many levels of ``expected`` were found from the counts themselves.

    With a factor ``F`` of mean 1 and Poisson counts of mean ``F e``, the variance of ``N / e`` is ``cv**2 + 1 / e``.
    """
    import numpy as np

    if len(counts) < 3:
        return 0.0
    ratio = counts / expected
    ratio = ratio / ratio.mean()
    return float(np.sqrt(max(0.0, ratio.var(ddof=levels) - np.mean(1 / expected))))


def widened(spread: float, nights: int, levels: int = 1) -> float:
    """Widen a spread between nights for the prediction of a further one.

    From few nights neither the level nor the spread is known exactly. A further night lies around the level that was
    found with the variance ``1 + levels / nights``, and by Student's law with that many nights less levels; the factor
    is that which makes an interval of 80 % of a normal law as wide as it has to be.

    Args:
        spread: the coefficient of variation that was found.
        nights: in how many nights.
        levels: how many levels were found in them: 2 where weekends have one of their own.

    >>> round(widened(0.3, 28, 2), 3), round(widened(0.3, 1000), 3)
    (0.319, 0.3)
    """
    free = max(1, nights - levels)
    wider = float(stats().t.ppf(0.9, free) / stats().norm.ppf(0.9))
    return spread * wider * float((1 + levels / nights) ** 0.5)


def law_of_factors(factors: "NDArray[np.float64]", spread: float) -> str:
    """Tell whether factors of nights look more like draws of a gamma law or of a lognormal one of that spread.

    The law of the larger likelihood is taken. It matters in the tail: of a coefficient of variation of 0.35, one night
    in 100 has a factor above 2.08 by the lognormal law and above 1.99 by the gamma law.
    """
    import numpy as np

    known = factors[np.isfinite(factors)]
    if not len(known) or not spread or (known <= 0).any():
        return "gamma" if len(known) and spread else "lognormal"
    known = known / known.mean()
    wide = float(np.log1p(spread**2))
    gamma = stats().gamma.logpdf(known, 1 / spread**2, scale=spread**2)
    lognormal = stats().lognorm.logpdf(known, wide**0.5, scale=np.exp(-wide / 2))
    return "gamma" if gamma.sum() > lognormal.sum() else "lognormal"
