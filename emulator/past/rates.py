"""How many jobs come at random, at which hours, on which days, and how much do nights differ?

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
    "LIKELY",
    "SURE",
    "Days",
    "Piece",
    "change_points",
    "days_of",
    "law_of_factors",
    "spread_of_nights",
    "widened",
]

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
