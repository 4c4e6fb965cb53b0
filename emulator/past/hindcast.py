"""Judges a draft by its predictions of nights that it has not seen.

For each figure, two questions (``scoring``). Do the intervals keep their promise? The hits in ``n`` nights are binomial
if they do; the range that does not contradict the promise is the middle 95 %. An exit code needs more: with eight
figures and two intervals one range would be left by chance alone, so a table contradicts only outside the range that
holds for all its intervals together (Bonferroni). Are they sharper than what everybody has anyway? The score is divided
by that of past nights of the same kind of day, and by that of the same day a week before. A figure is worse than the
baseline where its score is above by more than a tenth, and by more than chance (paired t, one-sided, 95 %).

Intervals are corrected by past misses as nights go by (``correction``). Corrected ones keep almost any promise in the
long run, whatever the draft is worth; so what is contradicted, and the exit code, are about the draft's own intervals.

A night that lies at an end of an interval with others of the sample counts in part: of whole numbers several are equal.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final, Literal

from emulator.past.correction import Correction, promise_corrected
from emulator.past.draft import CLOSED
from emulator.past.figures import figures_of, kind_of_day
from emulator.past.foretelling import FORETOLD, Adapt, Foretold, Played, foretell
from emulator.past.laws import stats
from emulator.past.nights import Nights
from emulator.past.retelling import retold
from emulator.past.scoring import Promise, crps, part_inside, promise_kept

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
        promises: for the intervals of 80 % and of 95 %, hits and the range of them that does not contradict; corrected
            by past misses, or as they were drafted.
        drafted: the same of the draft's own intervals.
        broken: whether one of the draft's own lies outside the range that holds for the whole table.
        became: of which share of the draft an interval of 80 % is after the last night; above 1, of more than all.
        score: the mean score (CRPS), in seconds or as a number.
        same_kind: the score divided by that of past nights of the same kind; None where that is 0 or unknown.
        last_week: likewise by that of the same day a week before.
        worse: whether it is worse than past nights of the same kind by more than a tenth, and than chance.
        bands: night by night.
    """

    name: str
    promises: tuple[Promise, Promise]
    drafted: tuple[Promise, Promise]
    broken: bool
    became: float
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
        """Whether an interval of the draft has not kept its promise."""
        return any(one.broken for one in self.figures)

    @property
    def worse(self) -> bool:
        """Whether a figure is predicted worse than by past nights of the same kind."""
        return any(one.worse for one in self.figures)


@dataclass(frozen=True, slots=True)
class WorstNight:
    """A night that was predicted badly.

    Attributes:
        day: its date.
        figure: what was furthest out; with what ``happened``, and ``low`` and ``high``, the ends of its interval.
        happened, low, high: see there.
        seen: what the export says of the night, in a line.
        story: the first line of a story of the emulated night that came closest; "" where none has a job.
    """

    day: date
    figure: str
    happened: float
    low: float
    high: float
    seen: str
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
        corrected: whether intervals were corrected by past misses.
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
    corrected: bool

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
                said.append(f"{way}: the draft's intervals of {', '.join(broken)} have not kept their promise.")
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
    corrected: bool = True,
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
        corrected: correct each interval by the misses of the nights before it.
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
    return judged(nights, until, played, files=files, plays=plays, refit=refit, corrected=corrected)


def judged(
    nights: Nights,
    until: date,
    played: Played,
    *,
    files: Sequence[str] = (),
    plays: int = 100,
    refit: int = 0,
    corrected: bool = True,
) -> Hindcast:
    """Judge predictions that were made; the arguments are those of :func:`hindcast`."""
    judge = _Judge(nights, until, refit, corrected, {one.night: one.lasts for one in played.blind})
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
        judge.worst(tables[0], played.given or played.blind),
        played.refits,
        played.unknown,
        corrected,
    )


@dataclass(slots=True)
class _Judge:
    """Compares predictions with what happened."""

    nights: Nights
    until: date
    refit: int
    corrected: bool
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
        corrections = [Correction(share) for share in _SHARES]
        hits, drafted = [0.0, 0.0], [0.0, 0.0]
        for one in foretold:
            value = float(self.happened(name, one.night)[one.night])
            sample = one.sample[name][np.isfinite(one.sample[name])]
            if not np.isfinite(value) or not len(sample):
                continue
            ends = []
            for place, share in enumerate(_SHARES):
                ends.append(corrections[place].interval(sample))
                inside = corrections[place].inside(sample, value)
                hits[place] += inside
                drafted[place] += part_inside(sample, value, share)
                if self.corrected:
                    corrections[place].learn(inside)
            bands.append(Band(self.nights.dates[one.night], value, float(np.median(sample)), (ends[0], ends[1])))
            mine.append(crps(sample, value))
            theirs.append(self._same_kind(name, one.night, value))
            weeks.append(self._last_week(name, one.night, value))
        if not bands:
            return None
        count = len(bands)
        promised = promise_corrected if self.corrected else promise_kept
        promises = [promised(share, round(hit), count) for share, hit in zip(_SHARES, hits, strict=True)]
        own = [promise_kept(share, round(hit), count) for share, hit in zip(_SHARES, drafted, strict=True)]
        together = len(FORETOLD) * len(_SHARES)
        broken = any(promise_kept(it.share, it.hits, count, together=together).contradicted for it in own)
        ratio, _ = _ratio(mine, theirs)
        return FigureScore(
            name,
            (promises[0], promises[1]),
            (own[0], own[1]),
            broken,
            1 - corrections[0].level,
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

    def worst(self, table: Table, foretold: Sequence[Foretold]) -> tuple[WorstNight, ...]:
        """Give the nights whose figures lie furthest beyond their intervals of 80 %, in widths of these."""
        furthest: dict[date, tuple[float, FigureScore, Band]] = {}
        for figure in table.figures:
            for band in figure.bands:
                (low, high), _ = band.ends
                beyond = max(low - band.happened, band.happened - high) / max(high - low, 1e-9)
                if beyond > 0 and beyond > furthest.get(band.day, (0.0,))[0]:
                    furthest[band.day] = (beyond, figure, band)
        worst = sorted(furthest.items(), key=lambda it: (-it[1][0], it[0]))[:_WORST]
        played = {self.nights.dates[one.night]: one for one in foretold}
        return tuple(
            WorstNight(
                day,
                figure.name,
                band.happened,
                *band.ends[0],
                self._seen(day),
                retold(played[day], figure.name, band.happened),
            )
            for day, (_, figure, band) in worst
        )

    def _seen(self, day: date) -> str:
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
