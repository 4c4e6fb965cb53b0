"""How far can a draft be believed? Judges its predictions of nights that it has not seen.

For each figure, two questions (``scoring``). Do the intervals keep their promise? The hits in ``n`` nights are binomial
if they do; the range that does not contradict the promise is the middle 95 %. An exit code needs more: with eight
figures and two intervals one range would be left by chance alone, so a table contradicts only outside the range that
holds for all its intervals together (Bonferroni). Are they sharper than what everybody has anyway? The score is divided
by that of past nights of the same kind of day, and by that of the same day a week before. A figure is worse than the
baseline where its score is above by more than a tenth, and by more than chance (paired t, one-sided, 95 %).

A night that lies at an end of an interval with others of the sample counts in part: of whole numbers several are equal.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final, Literal

from emulator.past.draft import CLOSED
from emulator.past.figures import figures_of, kind_of_day
from emulator.past.foretelling import FORETOLD, Adapt, Foretold, Played, foretell
from emulator.past.laws import stats
from emulator.past.nights import Nights
from emulator.past.scoring import Promise, crps, interval_of, promise_kept

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "LEAST_NIGHTS",
    "Band",
    "FigureScore",
    "Hindcast",
    "Table",
    "WorstNight",
    "hindcast",
    "judged",
    "part_inside",
]

LEAST_NIGHTS: Final = 10
"""With fewer later nights neither a promise nor a score can be told from chance."""

_SHARES: Final = (0.8, 0.95)
_WORSE: Final = 1.1
_SURE: Final = 0.05
_WORST: Final = 3
_GIVEN: Final = ("accepted",)
"""What is no prediction where the arrivals are given."""


@dataclass(frozen=True, slots=True)
class Band:
    """What was predicted of a figure for one night, and what happened: the ends of both intervals and the median."""

    day: date
    happened: float
    median: float
    ends: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class FigureScore:
    """How one figure was predicted.

    Attributes:
        name: of the figure.
        promises: for the intervals of 80 % and of 95 %, hits and the range of them that does not contradict.
        broken: whether one of them lies outside the range that holds for the whole table.
        score: the mean score (CRPS), in seconds or as a number.
        same_kind: the score divided by that of past nights of the same kind; None where that is 0 or unknown.
        last_week: likewise by that of the same day a week before.
        worse: whether it is worse than past nights of the same kind by more than a tenth, and than chance.
        bands: night by night.
    """

    name: str
    promises: tuple[Promise, Promise]
    broken: bool
    score: float
    same_kind: float | None
    last_week: float | None
    worse: bool
    bands: tuple[Band, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """One way of predicting: ``blind``, or ``given`` the arrivals."""

    way: Literal["blind", "given"]
    figures: tuple[FigureScore, ...]

    @property
    def contradicted(self) -> bool:
        """Whether an interval has not kept its promise."""
        return any(one.broken for one in self.figures)

    @property
    def worse(self) -> bool:
        """Whether a figure is predicted worse than by past nights of the same kind."""
        return any(one.worse for one in self.figures)


@dataclass(frozen=True, slots=True)
class WorstNight:
    """A night that was predicted badly: its date, what was furthest out, and the first line of its story."""

    day: date
    figure: str
    happened: float
    low: float
    high: float
    story: str


@dataclass(frozen=True, slots=True)
class Hindcast:
    """What a hindcast came to.

    Attributes:
        files: the exports.
        learnt_from: the first and the last date of the nights that were learnt from at first, and how many.
        nights: the dates of the later nights that were predicted.
        plays: how many emulated nights make a prediction.
        tables: blind, then given the arrivals if that was possible.
        follows: the share of submissions that follow ends; from 0.3 on arrivals are not given.
        worst: the nights that were predicted worst, blind.
        refits: on how many dates it was learnt anew.
        unknown: how many later jobs belong to routines that are not in the draft.
        widened: whether intervals were widened by past misses.
    """

    files: tuple[str, ...]
    learnt_from: tuple[date, date, int]
    nights: tuple[date, ...]
    plays: int
    tables: tuple[Table, ...]
    follows: float
    worst: tuple[WorstNight, ...]
    refits: int
    unknown: int
    widened: bool

    @property
    def outcome(self) -> Literal["good", "bad", "open"]:
        """bad: a promise is contradicted, or a figure worse than the baseline. open: too few nights to tell."""
        if len(self.nights) < LEAST_NIGHTS:
            return "open"
        return "bad" if any(one.contradicted or one.worse for one in self.tables) else "good"

    @property
    def sentence(self) -> str:
        """The answer in a sentence or two."""
        count = len(self.nights)
        if self.outcome == "open":
            return (
                f"Too few nights to tell: {count} later night{'' if count == 1 else 's'}; give {LEAST_NIGHTS} or more."
            )
        said = []
        for one in self.tables:
            way = "Blind" if one.way == "blind" else "Given the arrivals"
            if broken := [it.name for it in one.figures if it.broken]:
                said.append(f"{way}: the intervals of {', '.join(broken)} have not kept their promise.")
            if worse := [it.name for it in one.figures if it.worse]:
                said.append(f"{way}: past nights of the same kind predict {', '.join(worse)} better.")
        return " ".join(said) or f"{count} nights that the draft has not seen do not contradict its intervals."


def hindcast(
    nights: Nights,
    until: date,
    *,
    files: Sequence[str] = (),
    plays: int = 100,
    refit: int = 0,
    widen: bool = False,
    seed: int = 1,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
    adapt: Adapt | None = None,
) -> Hindcast:
    """Predict the nights from a date on, and judge the predictions.

    Args:
        nights: all nights, earlier and later ones.
        until: only nights that began before this date are learnt from.
        files: the names of the exports.
        plays: how many emulated nights make a prediction.
        refit: learn anew after so many days; 0: never.
        widen: widen each interval by the misses of the nights before it.
        seed, processes, executor, progress, adapt: as for :func:`emulator.past.foretelling.foretell`.

    Raises:
        InputError: too few nights before that date, or none after it.
    """
    played = foretell(
        nights,
        until,
        plays=plays,
        refit=refit,
        closed=CLOSED,
        seed=seed,
        processes=processes,
        executor=executor,
        progress=progress,
        adapt=adapt,
    )
    return judged(nights, until, played, files=files, plays=plays, refit=refit, widen=widen)


def judged(
    nights: Nights,
    until: date,
    played: Played,
    *,
    files: Sequence[str] = (),
    plays: int = 100,
    refit: int = 0,
    widen: bool = False,
) -> Hindcast:
    """Judge predictions that were made; the arguments are those of :func:`hindcast`."""
    judge = _Judge(nights, until, refit, widen, {one.night: one.lasts for one in played.blind})
    tables = [judge.table("blind", played.blind)]
    if played.given is not None:
        tables.append(judge.table("given", played.given))
    before = played.learnt.nights
    return Hindcast(
        tuple(files),
        (before.dates[0], before.dates[-1], len(before)),
        tuple(nights.dates[one.night] for one in played.blind),
        plays,
        tuple(tables),
        played.learnt.closed_loop,
        judge.worst(tables[0]),
        played.refits,
        played.unknown,
        widen,
    )


def part_inside(sample: "Sequence[float] | NDArray[np.float64]", value: float, share: float) -> float:
    """Tell which part of a value lies within the middle share of a sample: 1 inside, 0 outside.

    A value has a rank among the sample; equal values share their ranks, so that of these a part may lie inside.

    >>> part_inside(range(1, 10), 5, 0.8), part_inside(range(1, 10), 99, 0.8), part_inside([0] * 9, 0, 0.8)
    (1.0, 0.0, 0.8)
    """
    import numpy as np

    values = np.asarray(sample, dtype=float)
    below, equal = int((values < value).sum()), int((values == value).sum())
    low, high = below / (len(values) + 1), (below + equal + 1) / (len(values) + 1)
    out = (1 - share) / 2
    inside = max(0.0, min(high, 1 - out) - max(low, out))
    return round(inside / (high - low), 9)


@dataclass(slots=True)
class _Judge:
    """Compares predictions with what happened."""

    nights: Nights
    until: date
    refit: int
    widen: bool
    lasts: dict[int, float]
    _known: "dict[float, dict[str, NDArray[np.float64]]]" = field(default_factory=dict)

    def happened(self, name: str, night: int) -> "NDArray[np.float64]":
        """Give a figure of all nights, each told as far as the prediction of that night reaches."""
        import numpy as np

        lasts = self.lasts[night]
        if lasts not in self._known:
            self._known[lasts] = figures_of(self.nights, np.full(len(self.nights), np.nan), lasts)
        return self._known[lasts][name]

    def table(self, way: Literal["blind", "given"], foretold: Sequence[Foretold]) -> Table:
        """Judge one way of predicting."""
        found = [self._figure(name, foretold) for name in FORETOLD if way == "blind" or name not in _GIVEN]
        return Table(way, tuple(one for one in found if one is not None))

    def _figure(self, name: str, foretold: Sequence[Foretold]) -> FigureScore | None:
        import numpy as np

        mine, theirs, weeks, bands = [], [], [], []
        hits = [0.0, 0.0]
        wideners = [_Widener(share) for share in _SHARES]
        for one in foretold:
            value = float(self.happened(name, one.night)[one.night])
            sample = one.sample[name][np.isfinite(one.sample[name])]
            if not np.isfinite(value) or not len(sample):
                continue
            ends = []
            for place, share in enumerate(_SHARES):
                low, high = interval_of(sample, share)
                if self.widen:
                    wider = wideners[place].wider(low, high)
                    wideners[place].add(value, low, high)
                    hits[place] += (
                        float(wider[0] <= value <= wider[1])
                        if wider != (low, high)
                        else part_inside(sample, value, share)
                    )
                    low, high = wider
                else:
                    hits[place] += part_inside(sample, value, share)
                ends.append((low, high))
            bands.append(Band(self.nights.dates[one.night], value, float(np.median(sample)), (ends[0], ends[1])))
            mine.append(crps(sample, value))
            theirs.append(self._same_kind(name, one.night, value))
            weeks.append(self._last_week(name, one.night, value))
        if not bands:
            return None
        count = len(bands)
        intervals = len(FORETOLD) * len(_SHARES)
        promises = [promise_kept(share, round(hit), count) for share, hit in zip(_SHARES, hits, strict=True)]
        broken = any(
            promise_kept(share, round(hit), count, together=intervals).contradicted
            for share, hit in zip(_SHARES, hits, strict=True)
        )
        ratio, _ = _ratio(mine, theirs)
        return FigureScore(
            name,
            (promises[0], promises[1]),
            broken,
            float(np.mean(mine)),
            ratio,
            _ratio(mine, weeks)[0],
            ratio is not None and ratio > _WORSE and _worse(mine, theirs),
            tuple(bands),
        )

    def _same_kind(self, name: str, night: int, value: float) -> float:
        """The score of past nights of the same kind of day: those that the prediction was learnt from."""
        import numpy as np

        day, happened = self.nights.dates[night], self.happened(name, night)
        begins = self.until
        if self.refit:
            begins += timedelta(days=(day - self.until).days // self.refit * self.refit)
        past = [
            float(happened[at])
            for at, each in enumerate(self.nights.dates)
            if each < begins and kind_of_day(each) == kind_of_day(day) and np.isfinite(happened[at])
        ]
        return crps(past, value) if past else float("nan")

    def _last_week(self, name: str, night: int, value: float) -> float:
        """The score of the same day a week before."""
        before = night - 7
        return abs(float(self.happened(name, night)[before]) - value) if before >= 0 else float("nan")

    def worst(self, table: Table) -> tuple[WorstNight, ...]:
        """Give the nights whose figures lie furthest beyond their intervals of 80 %, in widths of these."""
        furthest: dict[date, tuple[float, FigureScore, Band]] = {}
        for figure in table.figures:
            for band in figure.bands:
                (low, high), _ = band.ends
                beyond = max(low - band.happened, band.happened - high) / max(high - low, 1e-9)
                if beyond > 0 and beyond > furthest.get(band.day, (0.0,))[0]:
                    furthest[band.day] = (beyond, figure, band)
        worst = sorted(furthest.items(), key=lambda it: (-it[1][0], it[0]))[:_WORST]
        return tuple(
            WorstNight(day, figure.name, band.happened, *band.ends[0], self._story(day))
            for day, (_, figure, band) in worst
        )

    def _story(self, day: date) -> str:
        """Tell the past night in a line: how much came, how long it took, what was lost, and the longest wait."""
        import numpy as np

        at = self.nights.dates.index(day)
        it = self.nights.attempts
        kind = [
            other
            for other, each in enumerate(self.nights.dates)
            if each < self.until and kind_of_day(each) == kind_of_day(day)
        ]
        said = []
        for name, words in (("accepted", "jobs came"), ("executed", "hours of work were done")):
            usual = float(np.nanmedian(self.happened(name, at)[kind])) if kind else float("nan")
            amount = float(self.happened(name, at)[at])
            shown = f"{amount:.0f}" if name == "accepted" else f"{amount / 3600:.1f}"
            beside = f" ({amount / usual - 1:+.0%} of usual)" if usual > 0 else ""
            said.append(f"{shown} {words}{beside}")
        for name, words in (("attempts_error", "failed"), ("lost_leases", "lost")):
            if (amount := float(self.happened(name, at)[at])) > 0:
                said.append(f"{amount:.0f} attempts {words}")
        rows = self.nights.first[(self.nights.night[self.nights.first] == at)]
        waits = np.where(np.isfinite(it.begun[rows]), it.begun[rows] - it.submitted[rows], -1.0)
        if len(rows) and it.knows_submission and waits.max() > 0:
            row = int(rows[int(np.argmax(waits))])
            said.append(
                f"{it.routines[it.routine[row]]} in line {int(it.line[row])} of {it.files[int(it.file[row])]} "
                f"waited longest, {waits.max() / 60:.0f} min"
            )
        return "; ".join(said) + "."


class _Widener:
    """Widens intervals by the misses of earlier nights, in widths of the interval.

    By the rank of the next miss among them (split conformal; Papadopoulos and others, 2002): with fewer than ten
    earlier nights nothing is widened.
    """

    def __init__(self, share: float) -> None:
        self._share = share
        self._missed: list[float] = []

    def wider(self, low: float, high: float) -> tuple[float, float]:
        """Give the interval as wide as earlier misses ask; never narrower than it is."""
        import math

        count = len(self._missed)
        rank = math.ceil(self._share * (count + 1))
        if count < LEAST_NIGHTS or rank > count:
            return low, high
        more = max(0.0, sorted(self._missed)[rank - 1]) * (high - low)
        return low - more, high + more

    def add(self, value: float, low: float, high: float) -> None:
        """Keep by how much a night lay beyond its interval; below 0 where it lay inside."""
        self._missed.append(max(low - value, value - high) / max(high - low, 1e-9))


def _ratio(mine: Sequence[float], theirs: Sequence[float]) -> tuple[float | None, int]:
    """Divide mean scores over the nights that have both."""
    import numpy as np

    both = [(one, other) for one, other in zip(mine, theirs, strict=True) if np.isfinite(other)]
    base = float(np.mean([other for _, other in both])) if both else 0.0
    return (float(np.mean([one for one, _ in both])) / base if base > 0 else None), len(both)


def _worse(mine: Sequence[float], theirs: Sequence[float]) -> bool:
    """Whether scores are above those of a baseline and a tenth by more than chance."""
    import numpy as np

    apart = np.array([one - _WORSE * other for one, other in zip(mine, theirs, strict=True) if np.isfinite(other)])
    if len(apart) < 2 or apart.std() == 0:
        return False
    standard = float(apart.mean() / (apart.std(ddof=1) / len(apart) ** 0.5))
    return bool(stats().t.sf(standard, len(apart) - 1) < _SURE)
