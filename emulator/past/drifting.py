"""Watches night after night whether production has drifted from the nights that a draft was learnt from.

The law: what is promised is promised for the whole screen. Each figure has a bet of its own (``betting``), which is
fair as long as nights are alike and do not lean on the night before. The mean of fair bets is fair, so the capital of
all together reaches 1000 in at most one of 1,000 undisturbed sequences, however often somebody looks. A new night is
ranked among earlier nights of the same kind of day, and of all the nights that are there, old and new, alike.

How much comes (demand) and how long and how well it runs (service) are told apart. Work for each job compares runs
with others of the same routine: the mean logarithm of run times less that of the routine over all nights so far, so
that another mix of routines alone is no change.

Where nights lean on the night before, ranks are not independent and nothing can be promised. Then what is ranked is the
difference to what the night before lets expect, and the result says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Final, Literal

from emulator.past.betting import LIMIT, lag_one, wager
from emulator.past.figures import LOG_RUN, RUNS, kind_of_day

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["LEAST_NIGHTS", "WATCHED", "Drift", "Side", "WatchedFigure", "find_drift"]

Side = Literal["demand", "service", "result"]

LEAST_NIGHTS: Final = 10
"""So many past nights are needed, or nothing can be told."""

WATCHED: Final[Mapping[str, tuple[Side, str]]] = {
    "jobs": ("demand", "jobs that came"),
    "work": ("service", "work for each job"),
    "errors": ("service", "errors for each job"),
    "losses": ("service", "losses for each hour"),
    "wait": ("result", "mean wait"),
}
"""What is watched: whether it is demand, service, or what comes of both, and its words."""

_LEANS: Final = 0.05
"""Below this chance the correlation of past nights with the night before is taken for real."""


@dataclass(frozen=True, slots=True)
class WatchedFigure:
    """How the bet on one figure went.

    Attributes:
        name: one of :data:`WATCHED`; ``side`` and ``words`` as there.
        side: see there.
        words: see there.
        capital: of its own bet after each new night; it began with 1.
        since: from which new night on it most likely differs; None where the bet has won nothing.
        higher: whether it is higher than before.
        leans: the correlation of past nights with the night before, where it is more than chance; else 0.
        before: the median of the past nights, and of the new nights since then.
        after: see there.
    """

    name: str
    side: Side
    words: str
    capital: tuple[float, ...]
    since: date | None
    higher: bool
    leans: float
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Drift:
    """What a look at new nights came to.

    Attributes:
        past: how many past nights there are.
        nights: the dates of the new nights, in order.
        capital: of all bets together, after each new night.
        alarm: the first new night after which it had reached the limit; None where it never did.
        figures: each watched figure, the one that moved most first.
        unknown: routines that came in new nights and are not in the past.
    """

    past: int
    nights: tuple[date, ...]
    capital: tuple[float, ...]
    alarm: date | None
    figures: tuple[WatchedFigure, ...] = field(default_factory=tuple)
    unknown: tuple[str, ...] = ()

    @property
    def leaning(self) -> tuple[WatchedFigure, ...]:
        """The figures whose nights lean on the night before."""
        return tuple(one for one in self.figures if one.leans)

    @property
    def outcome(self) -> Literal["drift", "nothing", "unknown"]:
        """``unknown``: too few nights, or they lean on the night before and no alarm was raised."""
        if self.alarm is not None:
            return "drift"
        told = self.past >= LEAST_NIGHTS and self.nights and self.figures
        return "nothing" if told and not self.leaning else "unknown"

    @property
    def sentence(self) -> str:
        """The answer in a sentence or two."""
        if self.past < LEAST_NIGHTS:
            return f"{self.past} past nights are too few to tell: give at least {LEAST_NIGHTS}."
        if not self.nights:
            return "No new night: nothing to compare."
        if not self.figures:
            return "The past nights hold no figure that can be compared: make their file anew with sketch."
        leans = ""
        if self.leaning:
            most = max(self.leaning, key=lambda one: abs(one.leans))
            leans = f" Nights lean on the night before ({most.words}: {most.leans:.1f}): no alarm can be promised."
        if self.alarm is None:
            return f"Nothing: {_nights(len(self.nights))} fit the past ones.{leans}"
        first = self.figures[0]
        moved = f"{first.words} ({'higher' if first.higher else 'lower'})"
        since = "" if first.since is None else f" since {first.since}"
        return f"Production has left the past nights{since}, most in {moved}.{leans}"


def find_drift(
    past_dates: Sequence[date],
    past: "Mapping[str, NDArray[np.float64]]",
    dates: Sequence[date],
    new: "Mapping[str, NDArray[np.float64]]",
    *,
    seed: int = 0,
) -> Drift:
    """Compare new nights with past ones, night by night.

    Args:
        past_dates: the dates of the past nights, in order.
        past: their figures, as :func:`emulator.past.figures.read_nights` gives them.
        dates: the dates of the new nights, in order, all after the past ones.
        new: their figures, as :func:`emulator.past.figures.figures_of` and ``runs_of`` give them.
        seed: of the draws that break ties between equal nights.
    """
    import numpy as np

    learnt, days = len(past_dates), [*past_dates, *dates]
    unknown = sorted(
        name.removeprefix(RUNS)
        for name in new
        if name.startswith(RUNS) and name not in past and float(np.nansum(new[name])) > 0
    )
    if learnt < LEAST_NIGHTS or not dates:
        return Drift(learnt, tuple(dates), (), None, (), tuple(unknown))
    both = {
        name: np.array([float(f"{it:.6g}") for it in (*past[name].tolist(), *new[name].tolist())])
        for name in past
        if name in new
    }
    kinds = np.array([kind_of_day(day) for day in days])
    rng = np.random.default_rng(seed)
    found = []
    for name, (side, words) in WATCHED.items():
        scores = _Scores(name, both, kinds)
        if not np.isfinite(scores.upto(learnt)).any():
            continue
        leans = scores.leaning(learnt)
        ranks = [scores.rank(at, leans, float(rng.random())) for at in range(learnt, len(days))]
        bet = wager(ranks, on=True)
        whole = scores.upto(len(days))
        since = None if bet.since is None else dates[bet.since]
        after = whole[learnt + (bet.since or 0) :]
        found.append(
            WatchedFigure(
                name, side, words, bet.capital, since, bet.higher, leans, _median(whole[:learnt]), _median(after)
            )
        )
    together = np.mean([one.capital for one in found], axis=0) if found else np.ones(len(dates))
    reached = np.flatnonzero(together >= LIMIT)
    alarm = dates[int(reached[0])] if len(reached) else None
    place = int(reached[0]) if len(reached) else len(dates) - 1
    found.sort(key=lambda one: -one.capital[place])
    return Drift(learnt, tuple(dates), tuple(float(it) for it in together), alarm, tuple(found), tuple(unknown))


def _median(values: "NDArray[np.float64]") -> float:
    import numpy as np

    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _nights(count: int) -> str:
    return f"{count} new night{'' if count == 1 else 's'}"


@dataclass(slots=True)
class _Scores:
    """One watched figure of all nights."""

    name: str
    both: "Mapping[str, NDArray[np.float64]]"
    kinds: "NDArray[np.str_]"

    def upto(self, end: int) -> "NDArray[np.float64]":
        """Give the figure of the first nights, from these alone; not a number where a night does not tell it."""
        import numpy as np

        def told(name: str) -> "NDArray[np.float64]":
            return self.both[name][:end] if name in self.both else np.full(end, np.nan)

        jobs = told("accepted")
        some = np.where(jobs > 0, jobs, np.nan)
        if self.name == "jobs":
            return jobs
        if self.name == "wait":
            return told("wait_mean")
        if self.name == "errors":
            return told("attempts_error") / some
        if self.name == "losses":
            hours = told("executed") / 3600
            return told("lost_leases") / np.where(hours > 0, hours, np.nan)
        return self._work(end, told("executed") / some)

    def _work(self, end: int, plain: "NDArray[np.float64]") -> "NDArray[np.float64]":
        """Compare run times by routine; without any told by routine, the time at work for each job."""
        import numpy as np

        names = [name.removeprefix(RUNS) for name in self.both if name.startswith(RUNS)]
        if not names:
            return plain
        runs = np.array([self.both[RUNS + name][:end] for name in names])
        logs = np.nan_to_num(np.array([self.both[LOG_RUN + name][:end] for name in names]))
        usual = (runs * logs).sum(axis=1) / np.maximum(runs.sum(axis=1), 1.0)
        beyond = (runs * (logs - usual[:, None])).sum(axis=0)
        count = runs.sum(axis=0)
        out: NDArray[np.float64] = np.exp(np.divide(beyond, count, out=np.full(end, np.nan), where=count > 0))
        return out

    def _level(self, values: "NDArray[np.float64]") -> "NDArray[np.float64]":
        """Take the median of its kind of day off each night."""
        import numpy as np

        out = values.copy()
        for kind in np.unique(self.kinds[: len(values)]):
            own = self.kinds[: len(values)] == kind
            out[own] -= _median(values[own])
        return out

    def leaning(self, learnt: int) -> float:
        """The correlation of past nights with the night before, if that is more than chance explains; else 0."""
        import numpy as np

        values = self._level(self.upto(learnt))
        value, chance = lag_one(values[np.isfinite(values)].tolist())
        return value if chance < _LEANS and value > 0 else 0.0

    def rank(self, at: int, leans: float, draw: float) -> float | None:
        """Rank a night among those before it of its kind of day; None where it does not tell the figure."""
        import numpy as np

        values = self.upto(at + 1)
        own = self.kinds[: at + 1] == self.kinds[at]
        if leans:
            level = self._level(values)
            values = np.concatenate([[np.nan], level[1:] - leans * level[:-1]])
            own[:] = True
        mine = values[at]
        others = values[:at][own[:at] & np.isfinite(values[:at])]
        if not np.isfinite(mine) or not len(others):
            return None
        below, equal = int((others < mine).sum()), int((others == mine).sum()) + 1
        return float((below + draw * equal) / (len(others) + 1))
