"""Learns about workers from past attempts: shifts, slots, how often they poll, and how often they are lost.

- A worker's shift is when it begins its first job and when its last ends, night by night. It is told apart from the
  whole night only where no night contradicts it, and where chance does not explain it: of all that was begun before,
  a worker that had been there would have got its share.
- Slots are how many attempts ran on it at once, so long as at least one night in ten needed that many.
- A job that comes while one worker alone is idle waits for that worker's next question, up to the interval of polling.
  Where that is below two seconds, jobs are handed out at once.
- A loss is an attempt whose outcome says so, or that has no end while its worker begins nothing more that night. Losses
  are counted for each hour at work, since a loss of an idle worker leaves no trace in an export of jobs.
"""

import re
from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from emulator.past.attempts import LOST
from emulator.past.nights import Nights

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Losses", "Polling", "Pool", "find_losses", "find_polling", "find_pools"]

_NUMBERED: Final = re.compile(r"(.*?)[-_.]?\d+")
_EARLY: Final = 900.0
_AT_ONCE: Final = 2.0
_LEAST: Final = 30
_CHANCE: Final = 1e-6
_QUARTER: Final = 900.0
_HOUR: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Pool:
    """Workers of one kind: of one name but for a number, of one shift, one number of slots and the same routines.

    Attributes:
        name: what their names have in common.
        workers: their places among the workers.
        begins: when their shift begins, in seconds into the night; 0 for the night's begin.
        slots: how many attempts one runs at once.
        routines: the places of the routines that they ran.
        nights: in how many nights any of them ran anything.
        until: when their shift ends, in seconds into the night; 0 for the night's end.
    """

    name: str
    workers: tuple[int, ...]
    begins: float
    slots: int
    routines: frozenset[int]
    nights: int
    until: float = 0.0


def find_pools(nights: Nights, least_share: float = 0.02) -> tuple[list[Pool], list[int]]:
    """Group workers into pools.

    Args:
        nights: the past.
        least_share: a worker that ran in a smaller share of the nights is left out.

    Returns:
        The pools, and the workers that were left out.
    """
    import numpy as np

    it = nights.attempts
    elapsed = it.begun - nights.starts[nights.night]
    groups: dict[tuple[str, float, bool, int], list[int]] = defaultdict(list)
    ends: dict[int, float] = {}
    rare = []
    for worker in range(len(it.workers)):
        rows = (it.worker == worker) & np.isfinite(it.begun)
        seen = np.unique(nights.night[rows])
        if len(seen) < max(2, least_share * len(nights)):
            rare.append(worker)
            continue
        begins = _shift_begin(nights.night[rows], elapsed[rows], elapsed)
        slots = _slots(it.begun[rows], it.ended[rows], nights.night[rows])
        ends[worker] = _shift_end(nights.night[rows], elapsed[rows], elapsed)
        match = _NUMBERED.fullmatch(it.workers[worker])
        groups[match[1] if match else "", begins, ends[worker] > 0, slots].append(worker)
    groups = {
        # Workers with names of their own make one pool where they are alike in all else.
        (stem or (it.workers[workers[0]] if len(workers) == 1 else "workers"), begins, ended, slots): workers
        for (stem, begins, ended, slots), workers in groups.items()
    }
    pools = []
    stems = Counter(stem for stem, *_ in groups)
    named: Counter[str] = Counter()
    for (stem, begins, _, slots), workers in groups.items():
        rows = np.isin(it.worker, workers)
        named[stem] += 1
        name = stem if stems[stem] == 1 else f"{stem}-group-{named[stem]}"
        ran = frozenset(np.unique(it.routine[rows]).tolist())
        until = -(-max(ends[worker] for worker in workers) // _QUARTER) * _QUARTER
        pools.append(Pool(name, tuple(workers), begins, slots, ran, len(np.unique(nights.night[rows])), until))
    return pools, rare


def _shift_begin(night: "NDArray[np.int64]", elapsed: "NDArray[np.float64]", everybody: "NDArray[np.float64]") -> float:
    """When a worker's shift begins: the earliest first job of all nights, rounded down, if it is a real gap."""
    import numpy as np

    firsts = np.array([elapsed[night == each].min() for each in np.unique(night)])
    earliest = float(np.quantile(firsts, 0.02)) if len(firsts) > 50 else float(firsts.min())
    if earliest < _EARLY or len(firsts) < 5:
        return 0.0
    begins = earliest // 300 * 300
    before, after = int((everybody < begins).sum()), int((everybody >= begins).sum())
    share = min(1.0, int((elapsed >= begins).sum()) / max(after, 1))
    return float(begins) if (1 - share) ** before < _CHANCE else 0.0


def _shift_end(night: "NDArray[np.int64]", elapsed: "NDArray[np.float64]", everybody: "NDArray[np.float64]") -> float:
    """When a worker begins its last job, where its shift ends before the night does; else 0.

    In half of the nights it works up to an hour before that, and by chance it would have had some of the jobs that
    others begin afterwards: who is only taken when all others are busy has no shift.
    """
    import numpy as np

    lasts = np.array([elapsed[night == each].max() for each in np.unique(night)])
    latest = float(np.quantile(lasts, 0.98)) if len(lasts) > 50 else float(lasts.max())
    if len(lasts) < 5 or float(np.median(lasts)) < latest - _HOUR or latest - float(elapsed.min()) < _HOUR:
        return 0.0
    before, after = int((everybody <= latest).sum()), int((everybody > latest + _EARLY).sum())
    share = min(1.0, int((elapsed <= latest).sum()) / max(before, 1))
    return latest if (1 - share) ** after < _CHANCE else 0.0


def _slots(begun: "NDArray[np.float64]", ended: "NDArray[np.float64]", night: "NDArray[np.int64]") -> int:
    """How many attempts ran at once, in at least a tenth of the nights."""
    import numpy as np

    known = np.isfinite(ended) & (ended > begun + 1)
    most = []
    for each in np.unique(night[known]):
        rows = known & (night == each)
        moments = np.concatenate([begun[rows] + 0.5, ended[rows] - 0.5])
        steps = np.concatenate([np.ones(rows.sum()), -np.ones(rows.sum())])[np.argsort(moments, kind="stable")]
        most.append(int(np.cumsum(steps).max()))
    return int(np.quantile(most, 0.9, method="lower")) if most else 1


@dataclass(frozen=True, slots=True)
class Polling:
    """How often idle workers ask.

    Attributes:
        every: the interval, in seconds; 0 where jobs are handed out at once.
        waits: from how many waits.
        low: with ``high``, the interval at 95 % of that interval (order statistics), in seconds.
        high: see there.
    """

    every: float
    waits: int
    low: float = 0.0
    high: float = 0.0


def find_polling(nights: Nights) -> Polling:
    """Learn the interval of polling from the waits of jobs that came while one worker alone was idle.

    Such a job waits for that worker's next question, uniformly between 0 and the interval. The 95th percentile of the
    waits, divided by 0.95, is the interval; a few waits that something else made longer do not move it much.
    """
    import numpy as np

    it = nights.attempts
    begun = np.isfinite(it.begun)
    idle = np.zeros(len(it), dtype=int)
    own = np.zeros(len(it), dtype=bool)
    night_ends = nights.starts[nights.night] + nights.window.lasts
    for worker in range(len(it.workers)):
        rows = np.flatnonzero((it.worker == worker) & begun)
        if not len(rows):
            continue
        rows = rows[np.argsort(it.begun[rows], kind="stable")]
        starts = it.begun[rows]
        ends = np.where(
            np.isfinite(it.ended[rows]), it.ended[rows], np.minimum(np.append(starts[1:], np.inf), night_ends[rows])
        )
        before = np.searchsorted(starts, it.submitted, "right") - 1
        place = np.maximum(before, 0)
        # Whether it is switched on is not known: one that worked in this night, before and after, counts as there.
        there = (before >= 0) & (before + 1 < len(rows))
        there &= (nights.night[rows[place]] == nights.night) & (
            nights.night[rows[np.minimum(place + 1, len(rows) - 1)]] == nights.night
        )
        free = there & (ends[place] < it.submitted - 1)
        idle += free
        own |= free & (it.worker == worker)
    waits = (it.begun - it.submitted)[own & (idle == 1) & (it.number == 1) & ~it.doubtful]
    waits = waits[waits >= 0]
    if len(waits) < _LEAST:
        return Polling(0.0, len(waits))
    every = float(np.quantile(waits, 0.95)) / 0.95
    # The share of waits below a quantile is off by a binomial law's deviation: 1.96 of it either way.
    off = 1.96 * (0.95 * 0.05 / len(waits)) ** 0.5
    low, high = (float(np.quantile(waits, min(1.0, 0.95 + way * off))) / 0.95 for way in (-1, 1))
    return Polling(0.0 if every < _AT_ONCE else every, len(waits), low, high)


@dataclass(frozen=True, slots=True)
class Losses:
    """How often workers are lost at work, and how long until they work again.

    Attributes:
        count: the losses.
        hours: hours at work, all workers together.
        back_after: after which time a lost worker is back, in seconds; not a number where none came back in its night.
        at_most: the median time from the begin of a lost attempt to its worker's next, which is longer than that.
    """

    count: int
    hours: float
    back_after: float
    at_most: float = float("nan")

    @property
    def hours_apart(self) -> float:
        """The mean hours at work between losses; infinite without a loss."""
        return self.hours / self.count if self.count else float("inf")


def find_losses(nights: Nights) -> Losses:
    """Count losses, and the hours in which they could be seen.

    Between the begin of a lost attempt and its worker's next there is more than the loss: the work until then, and the
    wait for another job. A loss comes at any moment, so that it meets long runs more often, in their middle on average:
    the work until then lasts E[T^2] / 2 E[T] (the renewal theorem). A worker that is there waits as it does otherwise.
    """
    import numpy as np

    it = nights.attempts
    lost = np.flatnonzero((it.outcome == LOST) & np.isfinite(it.begun))
    ran = np.where((it.ended > it.begun) & ~it.doubtful, it.ended - it.begun, 0.0)
    hours = float(np.nansum(ran)) / 3600
    order = np.lexsort((it.begun, it.worker))
    same = (it.worker[order][1:] == it.worker[order][:-1]) & (nights.night[order][1:] == nights.night[order][:-1])
    waits = (it.begun[order][1:] - it.ended[order][:-1])[same]
    waits = waits[np.isfinite(waits)]
    wait = float(np.median(np.maximum(waits, 0.0))) if len(waits) else 0.0
    at_most, back = [], []
    for row in lost.tolist():
        later = (it.worker == it.worker[row]) & (it.begun > it.begun[row]) & (nights.night == nights.night[row])
        if not later.any():
            continue
        at_most.append(float(it.begun[later].min() - it.begun[row]))
        alike = ran[it.routine == it.routine[row]]
        until_lost = float((alike**2).sum() / (2 * alike.sum())) if alike.any() else 0.0
        back.append(max(0.0, at_most[-1] - until_lost - wait))
    if not back:
        return Losses(len(lost), hours, float("nan"))
    return Losses(len(lost), hours, float(np.median(back)), float(np.median(at_most)))
