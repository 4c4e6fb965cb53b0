"""Plays later nights from a draft that has not seen them.

Two ways. Blind: the draft's own arrivals. Given the arrivals: the real submissions of that night, with drawn run times;
what is wrong then is service and not demand. A night's law depends on its day of the week and on changes of the clock
alone, so blind samples are shared by the nights that are alike in both.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from emulator.errors import InputError, ScenarioError
from emulator.experiment.executors import Task, open_workers
from emulator.experiment.settings import Setting, setting_of
from emulator.measure.catalogue import find
from emulator.measure.comparison.wanted import PlayedNight
from emulator.past.commented import names_of
from emulator.past.draft import draft_of
from emulator.past.figures import horizon_of
from emulator.past.learning import Learnt, learn
from emulator.past.nights import Nights
from emulator.scenario.load import from_settings
from emulator.timeline.ticks import SECOND

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["FORETOLD", "TRACE", "Foretold", "Played", "foretell"]

FORETOLD: Final = (
    *("accepted", "done", "attempts_error", "lost_leases", "wait_mean", "wait_p90", "executed", "makespan"),
)
"""The figures that are predicted: those of past nights that the program has too; times in seconds."""

TRACE: Final = "night-{}.csv"
"""The name of the file with the submissions that are given for a night."""

_APART: Final = 100_000
"""Seeds of one sample and of the next lie so far apart."""

Adapt = Callable[[dict[str, Any]], dict[str, Any]]
"""What changes the settings of each draft before its nights are played, such as a number of workers that is known."""


@dataclass(frozen=True, slots=True)
class Foretold:
    """What was predicted for one night, and how to play it again.

    Attributes:
        night: its place among the nights.
        lasts: how many seconds such a night lasts.
        sample: of each figure, its values in order of the seeds.
        settings: the scenario that was played, as plain data.
        seed: the first seed; the others follow it.
        came: the submissions that were given, as the text of a trace; "" where none were.
    """

    night: int
    lasts: float
    sample: "Mapping[str, NDArray[np.float64]]"
    settings: Mapping[str, Any]
    seed: int
    came: str


@dataclass(frozen=True, slots=True)
class Played:
    """All predictions.

    Attributes:
        blind: by the draft's own arrivals, for each later night that has a job.
        given: by the real submissions; None where arrivals follow ends, so that they cannot be given.
        learnt: what was learnt for the first of these nights.
        unknown: how many later jobs belong to routines that no draft has; they are not among those given.
        refits: on how many dates it was learnt anew.
    """

    blind: tuple[Foretold, ...]
    given: tuple[Foretold, ...] | None
    learnt: Learnt
    unknown: int
    refits: int


def foretell(
    nights: Nights,
    until: date,
    *,
    plays: int = 100,
    refit: int = 0,
    closed: float = 1.0,
    seed: int = 1,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[float], None] | None = None,
    adapt: Adapt | None = None,
) -> Played:
    """Predict the nights from a date on.

    Args:
        nights: all nights, earlier and later ones.
        until: only nights that began before this date are learnt from.
        plays: how many nights make a sample.
        refit: learn anew after so many days, from all nights before; 0: never.
        closed: from this share of submissions that follow ends on, the real ones are not given.
        seed: of the first night that is played.
        processes, executor: as for ``compare``.
        progress: told the share of the nights that were played.
        adapt: changes the settings of a draft.

    Raises:
        InputError: too few nights before that date, none after it, or a night that fails to run.
    """
    later = [at for at, day in enumerate(nights.dates) if day >= until and bool((nights.night == at).any())]
    if not later:
        raise InputError(f"no night with a job began on {until} or later: give an earlier --learn-until")
    with TemporaryDirectory(prefix="queuedrill-hindcast-") as folder:
        work = _Work(nights, Path(folder), plays, seed, adapt or (lambda settings: settings))
        blocks: dict[date, list[int]] = {}
        for at in later:
            passed = (nights.dates[at] - until).days
            blocks.setdefault(until + timedelta(days=passed // refit * refit) if refit else until, []).append(at)
        learnt = {begins: learn(nights.until(begins)) for begins in blocks}
        first = learnt[min(learnt)]
        for begins, block in blocks.items():
            work.blind(learnt[begins], begins, block)
        if follows := any(one.closed_loop >= closed for one in learnt.values()):
            given = None
        else:
            for begins, block in blocks.items():
                work.given(learnt[begins], block)
        samples = work.play(processes, executor, progress)
        lasts = {at: horizon_of(learnt[begins].nights) for begins, block in blocks.items() for at in block}
        blind = tuple(work.foretold(at, lasts[at], samples, work.of_blind[at]) for at in later)
        if not follows:
            given = tuple(work.foretold(at, lasts[at], samples, work.of_given[at]) for at in later)
        return Played(blind, given, first, work.unknown, len(blocks))


class _Work:
    """The settings that are to be played, each by a name of its own."""

    def __init__(self, nights: Nights, folder: Path, plays: int, seed: int, adapt: Adapt) -> None:
        self._nights = nights
        self._folder = folder
        self._plays = plays
        self._seed = seed
        self._adapt = adapt
        self._settings: dict[str, Setting] = {}
        self._stated: dict[str, Mapping[str, Any]] = {}
        self._came: dict[str, str] = {}
        self.of_blind: dict[int, str] = {}
        self.of_given: dict[int, str] = {}
        self.unknown = 0

    def blind(self, learnt: Learnt, begins: date, block: Iterable[int]) -> None:
        """Prepare the nights by the draft's own arrivals."""
        for at in block:
            day = self._nights.dates[at]
            name = f"{begins} {day.weekday()} {self._shifts(at)}"
            if name not in self._settings:
                self._add(name, draft_of(learnt, starts=day).settings)
            self.of_blind[at] = name

    def given(self, learnt: Learnt, block: Iterable[int]) -> None:
        """Prepare the nights by their real submissions."""
        nights = self._nights
        it = nights.attempts
        names = names_of(it.routines)
        for at in block:
            settings = draft_of(learnt, starts=nights.dates[at]).settings
            rows = nights.first[nights.night[nights.first] == at]
            rows = rows[it.submitted[rows] < nights.starts[at] + horizon_of(learnt.nights)]
            known = [row for row in rows.tolist() if names[it.routine[row]] in settings["routines"]]
            self.unknown += len(rows) - len(known)
            name = f"given {at}"
            came = sorted((float(it.submitted[row] - nights.starts[at]), names[it.routine[row]]) for row in known)
            self._came[name] = "\n".join(["at_seconds,routine", *(f'{when:.6f},"{routine}"' for when, routine in came)])
            (self._folder / TRACE.format(at)).write_text(self._came[name], "utf-8")
            routine = next(iter(settings["routines"]))
            settings["arrivals"] = [{"routine": routine, "name": "given", "trace": TRACE.format(at)}]
            settings.get("varies", {}).pop("demand", None)
            if not settings.get("varies", True):
                del settings["varies"]
            self._add(name, settings)
            self.of_given[at] = name

    def _add(self, name: str, settings: dict[str, Any]) -> None:
        adapted = self._adapt(settings)
        try:
            loaded = from_settings(adapted, f"the draft for {name}", folder=self._folder)
        except ScenarioError as error:  # the program wrote it: nobody else can mend it
            starts, what = adapted["starts"], error.problems[0]
            raise RuntimeError(
                f"the program's own draft of the night {starts} was refused: {what.path}: {what.message}"
            ) from error
        self._settings[name], self._stated[name] = setting_of(loaded, name), adapted

    def foretold(
        self, at: int, lasts: float, samples: "Mapping[str, Mapping[str, NDArray[np.float64]]]", name: str
    ) -> Foretold:
        """Give the prediction of a night that was played under a name."""
        seed = self._seed + list(self._settings).index(name) * _APART
        return Foretold(at, lasts, samples[name], self._stated[name], seed, self._came.get(name, ""))

    def _shifts(self, at: int) -> str:
        """Tell by how much the clocks are ahead of UTC at the night's begin and at its end."""
        zone, begins = ZoneInfo(self._nights.zone), float(self._nights.starts[at])
        moments = (begins, begins + self._nights.window.lasts)
        return " ".join(str(datetime.fromtimestamp(each, UTC).astimezone(zone).utcoffset()) for each in moments)

    def play(
        self, processes: int | None, executor: Executor | None, progress: Callable[[float], None] | None
    ) -> "dict[str, dict[str, NDArray[np.float64]]]":
        """Play all of them, and give for each its samples."""
        played: dict[str, dict[int, PlayedNight]] = {name: {} for name in self._settings}
        every = self._plays * len(self._settings)
        count = 0

        def done(one: PlayedNight) -> None:
            nonlocal count
            if one.failure:
                raise InputError(f"the draft for {one.variant} and seed {one.seed} failed to run: {one.failure}")
            played[one.variant][one.seed] = one
            count += 1
            if progress is not None:
                progress(count / every)

        tasks = [
            Task(setting, self._seed + place * _APART + number)
            for place, setting in enumerate(self._settings.values())
            for number in range(self._plays)
        ]
        with open_workers([*self._settings.values()], processes, executor) as workers:
            workers.run(tasks, FORETOLD, done)
        return {name: _sample([found[seed] for seed in sorted(found)]) for name, found in played.items()}


def _sample(nights: Sequence[PlayedNight]) -> "dict[str, NDArray[np.float64]]":
    import numpy as np

    out = {}
    for name in FORETOLD:
        size = SECOND if find(name).unit == "time" else 1
        values = [one.readings[name].value for one in nights]
        out[name] = np.array([np.nan if it is None else it / size for it in values], dtype=float)
    return out
