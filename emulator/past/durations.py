"""Learns for each routine how long attempts run, how often and when they fail, and how they are retried.

The logarithm of a run time is taken as routine + worker + night + the rest; the parts are medians and means in turn
until they stand still, so that one long run does not move a worker's speed. What is cut off (it did not end) tells
only that a run lasted longer than until the next start of its worker or its job, and never longer than the night: the
curve of Kaplan and Meier (1958) takes that in. Where an outcome is stated and its end is missing, the run did end, and
its time is not known: counted as longer than it can have been, such runs would draw the law upwards. A law is stated
only where it fits (lognormal, by the Anderson-Darling statistic with estimated parameters); elsewhere the run times are
given as quantiles.

A night may be slow for one routine and not for others: what its runs took beyond the night's pace, where that differs
between nights by more than chance, drawn towards 0 by what chance does to a mean of so few runs. Attempts that fail
before they would have ended well are told by the test of Kolmogorov and Smirnov. Both an error and the end of the work
end such an attempt, whichever comes first, so that the share that fails later than t is the quotient of two curves.

The share of errors is that of the attempts that ended, with the exact interval of Clopper and Pearson (1934). The pause
before a retry is the time from the end of an attempt that failed to the begin of the next; queueing only adds to it, so
its low end is the pause: the second percentile of those gaps.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from emulator.past.attempts import ERROR, LOST, OK
from emulator.past.laws import stats
from emulator.past.nights import Nights

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "Duration",
    "Retries",
    "RunTimes",
    "Share",
    "error_shares",
    "exact_interval",
    "find_retries",
    "run_times",
]


_SHARES: Final = (*(place / 20 for place in range(20)), 0.96, 0.97, 0.98, 0.99, 0.9925, 0.995, 0.9975, 1.0)
_FITS: Final = 1.035
"""The value that the Anderson-Darling statistic exceeds in 1 % of normal samples with estimated mean and variance
(Stephens, 1974, case 3, for the statistic corrected by 1 + 0.75/n + 2.25/n**2)."""
_ENOUGH: Final = 8
_SLOW: Final = 0.08
_ROUNDS: Final = 8
_MOST_ROUTINES: Final = 40
_CHANCE: Final = 1e-4
"""How likely chance alone may be to show what is told of a single routine."""


@dataclass(frozen=True, slots=True)
class Duration:
    """The run times of one routine, at the usual speed and in a usual night.

    Attributes:
        routine: its place among the routines.
        ended: how many runs these are that came to an end, and ``cut`` how many did not.
        cut: see there.
        median: in seconds; with ``low`` and ``high``, its interval at 95 % (order statistics).
        low: see there.
        high: see there.
        p95: the run time that 19 of 20 stay below, in seconds.
        lognormal: whether a lognormal law fits.
        quantiles: shares and run times in seconds.
        early: the tenths of when attempts fail, in seconds after their begin, where they fail before the work would
            have ended; else empty.
        failed: how many attempts failed at a known time.
        fails_late: whether they failed later than others ended well.
    """

    routine: int
    ended: int
    cut: int
    median: float
    low: float
    high: float
    p95: float
    lognormal: bool
    quantiles: tuple[tuple[float, float], ...]
    early: tuple[float, ...] = ()
    failed: int = 0
    fails_late: bool = False


@dataclass(slots=True)
class RunTimes:
    """Run times by routine, and what was divided out of them.

    Attributes:
        durations: one for each routine with a run that ended.
        speed: each worker's speed, 1 for the usual one.
        slow: the workers whose speed differs from the usual one by more than chance, with the interval of their
            speeds at 95 % (1.96 standard errors of a median).
        pace: the factor of each night on run times, not a number for a night without runs.
        pace_cv: by how much that factor varies between nights, beyond chance.
        pace_of: the factor of each night on the run times of one routine, by its place, where that differs from the
            factor of the night by more than chance; not a number for a night without a run of it.
    """

    durations: list[Duration]
    speed: "NDArray[np.float64]"
    slow: dict[int, tuple[float, float]]
    pace: "NDArray[np.float64]"
    pace_cv: float
    pace_of: "dict[int, NDArray[np.float64]]"


def run_times(nights: Nights) -> RunTimes:
    """Learn run times from past nights."""
    import numpy as np

    it = nights.attempts
    ran = it.ended - it.begun
    ended = (it.outcome == OK) & (ran > 0) & ~it.doubtful
    worker = np.where(it.worker < 0, len(it.workers), it.worker)
    rows = np.flatnonzero(ended)
    logs = np.log(np.maximum(ran[rows], 0.5))
    by_routine, by_worker, by_night = it.routine[rows], worker[rows], nights.night[rows]
    effect = {
        "routine": np.zeros(len(it.routines)),
        "worker": np.zeros(len(it.workers) + 1),
        "night": np.zeros(len(nights)),
    }
    groups = {"routine": by_routine, "worker": by_worker, "night": by_night}
    for _ in range(_ROUNDS):
        for name, group in groups.items():
            rest = logs - sum(effect[other][groups[other]] for other in groups if other != name)
            effect[name] = _means(rest, group, len(effect[name]), median=name != "night")
        if len(rows):
            effect["worker"] -= _usual(effect["worker"], by_worker)
            effect["night"] -= _middle(effect["night"], by_night)
    rest = logs - effect["routine"][by_routine] - effect["worker"][by_worker] - effect["night"][by_night]
    speed = np.exp(-effect["worker"])
    slow = {
        at: (float(speed[at] * np.exp(-1.96 * error)), float(speed[at] * np.exp(1.96 * error)))
        for at in range(len(it.workers))
        if (error := _off_by(rest, by_worker == at)) and _differs(effect["worker"][at], error)
    }
    cv = _spread(rest, by_night, effect["night"], len(nights))
    pace = np.full(len(nights), np.nan)
    present = np.unique(by_night)
    pace[present] = np.exp(effect["night"][present])
    at_speed = np.where(np.isin(worker, [*slow]), speed[worker], 1.0)
    in_pace = pace[nights.night] if cv > 0 else np.ones(len(it))
    cut = _cut_off(nights) * at_speed / in_pace
    ran = ran * at_speed / in_pace
    failed = (it.outcome == ERROR) & (ran > 0) & ~it.doubtful
    durations = []
    for at in range(len(it.routines)):
        own = it.routine == at
        if found := _duration(at, ran[ended & own], cut[own]):
            durations.append(_with_errors(found, np.sort(ran[failed & own]), np.sort(ran[ended & own])))
    own_pace = {}
    for at in np.argsort(-np.bincount(by_routine, minlength=len(it.routines)), kind="stable")[:_MOST_ROUTINES].tolist():
        own = by_routine == at
        if (beyond := _beyond_the_pace(rest[own], by_night[own], len(nights))) is not None:
            own_pace[at] = np.exp(effect["night"] + beyond)
    return RunTimes(durations, speed[: len(it.workers)], slow, pace, cv, own_pace)


def _beyond_the_pace(
    rest: "NDArray[np.float64]", night: "NDArray[np.int64]", nights: int
) -> "NDArray[np.float64] | None":
    """By how much the logarithm of one routine's run times differs from the pace of each night; None within chance.

    The variance between nights is that of DerSimonian and Laird (1986). A night's mean is drawn towards 0 by the share
    of its variance that is chance.
    """
    import numpy as np

    runs = np.bincount(night, minlength=nights).astype(float)
    told = runs > 0
    between, within = int(told.sum()) - 1, len(rest) - int(told.sum())
    if between < _ENOUGH or within < _ENOUGH:
        return None
    means = np.divide(np.bincount(night, rest, nights), runs, out=np.full(nights, np.nan), where=told)
    variance = float(np.sum((rest - means[night]) ** 2)) / within
    if not variance:
        return None
    means = means - np.average(means[told], weights=runs[told])
    spread = float(np.sum(runs[told] * means[told] ** 2)) / variance
    if stats().f.sf(spread / between, between, within) > _CHANCE:
        return None
    weight = runs[told] / variance
    own = (spread - between) / (weight.sum() - (weight**2).sum() / weight.sum())
    kept: NDArray[np.float64] = means * np.divide(own, own + variance / np.maximum(runs, 1))
    return kept


def _with_errors(found: Duration, failed: "NDArray[np.float64]", ended: "NDArray[np.float64]") -> Duration:
    """Add when attempts fail, where that is not when others end well."""
    import numpy as np

    if len(failed) < _ENOUGH or len(ended) < _ENOUGH:
        return replace(found, failed=len(failed))

    def chance(way: str) -> float:
        return float(stats().ks_2samp(failed, ended, alternative=way, method="asymp").pvalue)

    if chance("greater") > _CHANCE:
        return replace(found, failed=len(failed), fails_late=chance("less") <= _CHANCE)
    values = np.unique(failed)
    later = 1 - np.searchsorted(failed, values, "right") / len(failed)
    at_work = 1 - np.searchsorted(ended, values, "right") / len(ended)
    quotient = np.divide(later, at_work, out=np.ones(len(values)), where=at_work > 0)
    alone = np.minimum.accumulate(np.minimum(quotient, 1.0))
    longest = found.quantiles[-1][1]
    early = [
        float(values[at])
        if (at := int(np.searchsorted(-alone, tenth / 10 - 1 - 1e-12, "left"))) < len(values)
        else longest
        for tenth in range(11)
    ]
    return replace(found, early=tuple(early), failed=len(failed))


def _usual(effect: "NDArray[np.float64]", group: "NDArray[np.int64]") -> float:
    """Give the effect of the group that the middle run belongs to: of two workers, of the one that runs more."""
    import numpy as np

    runs = np.bincount(group, minlength=len(effect))
    order = np.argsort(effect, kind="stable")
    return float(effect[order[np.searchsorted(np.cumsum(runs[order]), runs.sum() / 2, "left")]])


def _middle(effect: "NDArray[np.float64]", night: "NDArray[np.int64]") -> float:
    """Give the mean effect of nights, each once and the furthest drawn in: from few nights that is a better guess of
    what comes than the one in the middle is. Nights of few runs do not count where there are others."""
    import numpy as np

    runs = np.bincount(night, minlength=len(effect))
    enough = runs >= min(_ENOUGH, int(runs.max()))
    return float(np.mean(np.clip(effect[enough], *np.quantile(effect[enough], (0.02, 0.98)))))


def _means(
    values: "NDArray[np.float64]", group: "NDArray[np.int64]", groups: int, *, median: bool
) -> "NDArray[np.float64]":
    """Give the median, or the mean with its tails cut, of each group; 0 where a group is empty."""
    import numpy as np

    out = np.zeros(groups)
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(groups + 1))
    for at in range(groups):
        own = values[order[bounds[at] : bounds[at + 1]]]
        if len(own):
            out[at] = np.median(own) if median else np.mean(np.clip(own, *np.quantile(own, (0.02, 0.98))))
    return out


def _off_by(rest: "NDArray[np.float64]", own: "NDArray[np.bool_]") -> float:
    """Give the standard error of a worker's effect, which is a median; 0 where it has too few runs."""
    import numpy as np

    count = int(own.sum())
    return 1.2533 * float(np.std(rest[own])) / count**0.5 if count >= _ENOUGH else 0.0


def _differs(effect: float, error: float) -> bool:
    """Whether a worker's effect is above chance and above a twelfth: 4 standard errors."""
    return abs(effect) > max(_SLOW, 4 * error)


def _spread(
    rest: "NDArray[np.float64]", night: "NDArray[np.int64]", effect: "NDArray[np.float64]", nights: int
) -> float:
    """The coefficient of variation of the nights' factor, less what chance adds to a mean of a night's runs."""
    import numpy as np

    count = np.bincount(night, minlength=nights)
    used = count >= _ENOUGH
    if used.sum() < 3:
        return 0.0
    within = np.bincount(night, rest**2, nights)[used] / np.maximum(count[used] - 1, 1) / count[used]
    variance = float(np.var(effect[used], ddof=1) - within.mean())
    chance = float(within.mean() * (2 / (used.sum() - 1)) ** 0.5)
    return float(np.sqrt(np.expm1(variance))) if variance > 2 * chance else 0.0


def _cut_off(nights: Nights) -> "NDArray[np.float64]":
    """How long each run that did not end lasted at least: until the next start of its worker or of its job, or the
    night's end.

    One that is said to have gone well or failed did end, before that: its time was lost and tells nothing.
    """
    import numpy as np

    it = nights.attempts
    out = np.full(len(it), np.nan)
    missing = np.isnan(it.ended) & np.isfinite(it.begun) & ~it.doubtful & (it.outcome != OK) & (it.outcome != ERROR)
    ends = nights.starts[nights.night] + nights.window.lasts
    order = np.lexsort((it.begun, it.job))
    again = (it.job[order[1:]] == it.job[order[:-1]]) & np.isfinite(it.begun[order[1:]])
    ends[order[:-1][again]] = np.minimum(ends[order[:-1][again]], it.begun[order[1:][again]])
    for worker in np.unique(it.worker[missing]):
        own = np.sort(it.begun[(it.worker == worker) & np.isfinite(it.begun)])
        rows = np.flatnonzero(missing & (it.worker == worker))
        after = np.searchsorted(own, it.begun[rows], "right")
        next_start = np.where(after < len(own), own[np.minimum(after, len(own) - 1)], np.inf)
        out[rows] = np.minimum(next_start, ends[rows]) - it.begun[rows]
    return np.where(out > 0, out, np.nan)


def _duration(routine: int, ran: "NDArray[np.float64]", cut: "NDArray[np.float64]") -> Duration | None:
    import numpy as np

    if not len(ran):
        return None
    ran, cut = np.sort(ran), cut[np.isfinite(cut)]
    values, survival = _kaplan_meier(ran, cut)
    quantiles = tuple((share, _quantile(values, survival, share)) for share in _SHARES)
    low, high = _order_interval(ran)
    return Duration(
        routine,
        len(ran),
        len(cut),
        _quantile(values, survival, 0.5),
        low,
        high,
        _quantile(values, survival, 0.95),
        _is_lognormal(ran),
        quantiles,
    )


def _kaplan_meier(
    ran: "NDArray[np.float64]", cut: "NDArray[np.float64]"
) -> "tuple[NDArray[np.float64], NDArray[np.float64]]":
    """Give the run times that occurred, and the share that lasts longer than each."""
    import numpy as np

    values, deaths = np.unique(ran, return_counts=True)
    at_risk = len(ran) - np.searchsorted(ran, values, "left") + len(cut) - np.searchsorted(np.sort(cut), values, "left")
    return values, np.cumprod(1 - deaths / at_risk)


def _quantile(values: "NDArray[np.float64]", survival: "NDArray[np.float64]", share: float) -> float:
    """The smallest run time that at most ``1 - share`` outlast; the longest seen where the curve ends above that."""
    import numpy as np

    at = int(np.searchsorted(-survival, -(1 - share) - 1e-12, "left"))
    return float(values[min(at, len(values) - 1)])


def _order_interval(ran: "NDArray[np.float64]") -> tuple[float, float]:
    """The interval of a median at 95 %, by order statistics: the binomial of one half."""

    low = int(stats().binom.ppf(0.025, len(ran), 0.5))
    return float(ran[max(low - 1, 0)]), float(ran[min(len(ran) - low, len(ran) - 1)])


def _is_lognormal(ran: "NDArray[np.float64]") -> bool:
    """Whether the Anderson-Darling statistic of the logarithms does not refuse a normal law at 1 %."""
    import numpy as np

    count = len(ran)
    logs = np.log(ran)
    if count < _ENOUGH or logs.std() == 0:
        return False
    at = np.clip(stats().norm.cdf((logs - logs.mean()) / logs.std(ddof=1)), 1e-12, 1 - 1e-12)
    place = np.arange(1, count + 1)
    statistic = -count - np.sum((2 * place - 1) * (np.log(at) + np.log1p(-at[::-1]))) / count
    return bool(statistic * (1 + 0.75 / count + 2.25 / count**2) < _FITS)


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
