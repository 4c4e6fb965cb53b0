"""How often do attempts fail, and how are jobs tried again?

The share of errors is that of the attempts that ended, with the exact interval of Clopper and Pearson (1934). The pause
before a retry is the time from the end of an attempt that failed to the begin of the next; queueing only adds to it, so
its low end is the pause: the second percentile of those gaps.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from emulator.past.attempts import ERROR, LOST, OK
from emulator.past.laws import stats
from emulator.past.nights import Nights

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Retries", "Share", "error_shares", "exact_interval", "find_retries"]

_LEAST: Final = 10


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, with the interval of the share at 95 %."""

    count: int
    of: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share itself."""
        return self.count / self.of if self.of else 0.0


def exact_interval(count: int, of: int, level: float = 0.05) -> tuple[float, float]:
    """Give the two-sided interval of Clopper and Pearson for a share.

    >>> low, high = exact_interval(0, 20)
    >>> round(low, 3), round(high, 3)
    (0.0, 0.168)
    """

    low = float(stats().beta.ppf(level / 2, count, of - count + 1)) if count else 0.0
    high = float(stats().beta.ppf(1 - level / 2, count + 1, of - count)) if count < of else 1.0
    return low, high


def error_shares(nights: Nights) -> list[Share]:
    """Give the share of failed attempts of each routine."""
    import numpy as np

    it = nights.attempts
    out = []
    for routine in range(len(it.routines)):
        own = it.routine == routine
        failed, fine = int(np.sum(own & (it.outcome == ERROR))), int(np.sum(own & (it.outcome == OK)))
        low, high = exact_interval(failed, failed + fine) if failed + fine else (0.0, 1.0)
        out.append(Share(failed, failed + fine, low, high))
    return out


@dataclass(frozen=True, slots=True)
class Retries:
    """How jobs are tried again after an error.

    Attributes:
        attempts_in_all: the most attempts that a job had; 1 where nothing is tried again.
        used_up: how many jobs failed at their last attempt, and had that many.
        pauses: the pause after the first failure, the second and so on, in seconds.
        gaps: how many gaps these were read from.
        after_loss: the median time from the begin of a lost attempt to the next begin, in seconds; not a number where
            none was tried again.
        middle: between which times 90 % of the gaps after the first failure lie, in seconds.
    """

    attempts_in_all: int
    used_up: int
    pauses: tuple[float, ...]
    gaps: int
    after_loss: float
    middle: tuple[float, float] = (0.0, 0.0)


def find_retries(nights: Nights) -> Retries:
    """Learn how jobs are tried again."""
    import numpy as np

    it = nights.attempts
    order = np.lexsort((it.number, it.job))
    job, number = it.job[order], it.number[order]
    follows = np.concatenate([job[1:] == job[:-1], [False]])
    outcome, begun, ended = it.outcome[order], it.begun[order], it.ended[order]
    next_begun = np.concatenate([begun[1:], [np.nan]])
    gap = np.where(follows & (outcome == ERROR), next_begun - ended, np.nan)
    most = int(number[follows].max() + 1) if follows.any() else 1
    pauses: list[float] = []
    middle = (0.0, 0.0)
    for attempt in range(1, most):
        own = gap[(number == attempt) & (gap >= 0)]
        if len(own) < _LEAST and pauses:
            break
        if len(own):
            middle = middle if pauses else (float(np.quantile(own, 0.05)), float(np.quantile(own, 0.95)))
            pauses.append(float(np.quantile(own, 0.02)))
    used_up = int(np.sum((number == most) & (outcome == ERROR) & ~follows))
    lost = (next_begun - begun)[follows & (outcome == LOST)]
    after_loss = float(np.median(lost)) if len(lost) else float("nan")
    return Retries(most, used_up, tuple(pauses), int(np.isfinite(gap).sum()), after_loss, middle)


def follows_ends(nights: Nights, shuffles: int = 19) -> float:
    """How much more often than chance does a submission follow an end at once?

    In a closed loop somebody waits for one job to end and then submits the next. The share of submissions within two
    seconds after an end of the same routine is compared with that share after run times were exchanged between jobs.

    Returns:
        The difference of the two shares; 0 where it is no larger than in any exchange.
    """
    import numpy as np

    it = nights.attempts
    first = nights.first
    submitted = it.submitted[first]
    rows = np.flatnonzero(np.isfinite(it.ended) & np.isfinite(it.begun) & ~it.doubtful)
    if len(rows) < 100:
        return 0.0
    ran = (it.ended - it.begun)[rows]
    rng = np.random.default_rng(0)  # an exchange at random; any other gives the same answer within its noise
    seen = _share_after(submitted, it.routine[first], it.ended[rows], it.routine[rows])
    by_chance = []
    for _ in range(shuffles):
        moved = it.begun[rows].copy()
        for routine in np.unique(it.routine[rows]):
            own = np.flatnonzero(it.routine[rows] == routine)
            moved[own] += ran[rng.permutation(own)]
        by_chance.append(_share_after(submitted, it.routine[first], moved, it.routine[rows]))
    return max(0.0, seen - float(np.mean(by_chance))) if seen > max(by_chance) else 0.0


def _share_after(
    submitted: "NDArray[np.float64]",
    routine: "NDArray[np.int64]",
    ended: "NDArray[np.float64]",
    of: "NDArray[np.int64]",
) -> float:
    import numpy as np

    hits = 0
    for each in np.unique(routine):
        ends = np.sort(ended[of == each])
        if not len(ends):
            continue
        own = submitted[routine == each]
        at = np.searchsorted(ends, own, "right") - 1
        hits += int(np.sum((at >= 0) & (own - ends[np.maximum(at, 0)] <= 2)))
    return hits / len(submitted)
