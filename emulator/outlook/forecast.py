"""Forecasts the date from which a growing scenario no longer meets its requirements.

Each kind of night is played over the whole growth that is ahead, every night with a seed of its own: half of the nights
spread evenly, the other half, in two rounds, where the share of nights that meet a requirement falls below what is
asked. Nights of one seed at several places would look like many and count as one. Where a share falls below is found by
a smooth fit (``share_fit``); the nights that were played on the dates around it are counted beside it.

Growth is a place on one axis: days after the scenario's own date, at the growth that is stated. Slower or faster growth
reaches the same place on another date, so its date is computed and not played again.
"""

import json
import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Final

from emulator.errors import InputError, ScenarioError
from emulator.experiment.comparison_plan import seed_from
from emulator.experiment.executors import Task, Workers, open_workers
from emulator.experiment.night import Progress
from emulator.experiment.settings import Setting, setting_of
from emulator.measure.comparison.intervals import check_confidence, check_scipy, scipy_version
from emulator.measure.comparison.preference import EVERY_NIGHT
from emulator.measure.comparison.wanted import PlayedNight, of_requirement, wanted
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.outlook.closed_forms import figures_needed, formulas
from emulator.outlook.forecast_result import (
    Answer,
    AtOtherGrowth,
    Counted,
    EndTried,
    Forecast,
    Grows,
    Headroom,
    KindPlayed,
    MonthCell,
    MonthState,
    Outlook,
    Reached,
    kept_effects,
    retained,
)
from emulator.outlook.nights_ahead import DatedEnd, Kind, NightsAhead, Patch, growing_entries, in_months, nights_ahead
from emulator.outlook.share_fit import Crossing, Played, ShareCurve, share_curve
from emulator.record.meta import program_version
from emulator.scenario.arguments import FUNCTION, NUMBER, WHOLE, may_be, must_be
from emulator.scenario.clock import zone_data_version
from emulator.scenario.load import AnyFolders, AnyScenario, Loaded, from_settings, loaded_from
from emulator.scenario.models.routines import Growth
from emulator.scenario.models.scenario import Requirement
from emulator.scenario.schedules import factor_after, patch_after
from emulator.scenario.written import COMPARING

__all__ = ["forecast"]

_LEAST: Final = 60
"""Nights of a kind, or of an entry's headroom: with fewer no share near what is asked can be told from another."""
_OF_ENDS: Final = 0.2
_OF_HEADROOM: Final = 0.2
"""So much of all nights at most is played for dated ends, and for headroom."""
_MOST_ENTRIES: Final = 6
_FACTORS: Final = (1.0, 4.0)
_NEAR: Final = 60
"""So many nights on either side of a date are counted."""
_MIDDLE: Final = 40


def forecast(
    scenario: AnyScenario,
    *,
    months: int = 12,
    nights: int = 2000,
    holidays: Iterable[date] = (),
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
    allow_folders: AnyFolders = (),
) -> Forecast:
    """Tell from when on the requirements of a scenario are met in too few nights, as it grows.

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        months: how far ahead, from 1 to 60.
        nights: how many are played in all, from 100 to 1,000,000.
        holidays: days on which entries with `excludes` bring nothing.
        confidence: of each interval for itself.
        first_seed, processes, executor, progress, allow_folders: as for ``compare``.

    Raises:
        ScenarioError: with every mistake in the scenario.
        InputError: for arguments out of range, a scenario that requires nothing or cannot be moved to other dates, or
            too few nights for so many kinds of nights.
    """
    must_be(WHOLE, months=months, nights=nights)
    must_be(NUMBER, confidence=confidence)
    may_be(FUNCTION, progress=progress)
    check_confidence(confidence)
    check_scipy()
    loaded = loaded_from(scenario, allow_folders)
    if not any(map(has_bound, loaded.scenario.must_hold)):
        raise InputError(f"{loaded.name}: nothing is required of a night: give `must_hold` what has to be true")
    if not 100 <= nights <= 1_000_000:
        raise InputError(f"{nights} nights are out of range: give a number from 100 to 1,000,000")
    ahead = nights_ahead(loaded, months, holidays)
    work = _Work(loaded, ahead, confidence, seed_from(loaded.scenario.seed, first_seed), nights)
    with open_workers([work.base], processes, executor) as workers:
        work.play(workers, progress)
    return work.result(months)


@dataclass(slots=True)
class _Axis:
    """Nights along one axis: at which place each was played, and what is asked of all of them."""

    low: float
    high: float
    nights: list[tuple[float, PlayedNight]] = field(default_factory=list)

    def held(self, place: int) -> list[Played]:
        """Count the nights that met a requirement, by their place."""
        judged = [(at, one.held[place]) for at, one in self.nights if one.held[place] is not None]
        return [Played(at, int(bool(held)), 1) for at, held in judged]

    def near(self, at: float, count: int) -> list[PlayedNight]:
        """Give the nights that were played nearest to a place."""
        return [one for _, one in sorted(self.nights, key=lambda night: abs(night[0] - at))[:count]]


class _Work:
    """One forecast under way."""

    def __init__(self, loaded: Loaded, ahead: NightsAhead, confidence: float, seed: int, nights: int) -> None:
        self._said = loaded
        data = {key: value for key, value in loaded.data.items() if key not in COMPARING}
        # plain data travels faster than a text, which every process would read again for every setting
        allowed = tuple(map(str, loaded.folders.allowed))
        self._loaded = from_settings(data, loaded.name, folder=loaded.folder, allow_folders=allowed)
        self.base = setting_of(self._loaded, "tonight")
        self._ahead, self._confidence, self._first_seed, self._total = ahead, confidence, seed, nights
        self._growth: tuple[Growth, ...] = loaded.scenario.growth
        self._asked: tuple[Requirement, ...] = loaded.scenario.must_hold
        self._places = [place for place, one in enumerate(self._asked) if has_bound(one)]
        self._played = 0
        self._days = (ahead.last - ahead.first).days
        self._reach = self._days * max(1.0, *(self._ratio(by) for by in self._other_growth()), 1.0)
        self._check_range()
        self._kinds = [kind for kind in ahead.kinds if kind.comes]
        if not self._kinds:
            raise InputError(f"{loaded.name}: no job is due in any night ahead: nothing can be forecast")
        self._axes = {kind.name: _Axis(0.0, self._reach if self._growth else 1.0) for kind in self._kinds}
        self._room: dict[str, _Axis] = {}
        self._ends: list[EndTried] = []
        self._tonight: list[PlayedNight] = []
        self._kept = kept_effects(loaded.scenario)
        self._figures = self._needed()

    def _needed(self) -> list[str]:
        figures = [figure.text for place in self._places if (figure := of_requirement(self._asked[place]))]
        figures += ["utilisation", "offered_load", *(text for one in self._kept for text in one.figures)]
        return list(dict.fromkeys([*figures, *figures_needed(self._said.scenario)]))

    # -- growth ------------------------------------------------------------------------------------------------------

    def _other_growth(self) -> tuple[float, ...]:
        """Give the slower and the faster growth that answers can be mapped to: where one thing alone grows."""
        return self._growth[0].between or () if len(self._growth) == 1 else ()

    def _ratio(self, by: float) -> float:
        """Give how much faster a growth is than the one that is stated, on the axis; 0 where it never gets there."""
        stated = self._growth[0].by
        if not stated or (by > 0) != (stated > 0):
            return 0.0
        return math.log1p(by) / math.log1p(stated)

    def _check_range(self) -> None:
        """Make sure that all growth, each alone and all together, stays within what a scenario takes.

        Raises:
            InputError: it leaves its range: which, in which month, and how many months can be forecast.
        """
        if not self._growth:
            return
        faster = self._reach / self._days
        parts = [(f"growth.{place}: {one.path}", (one,)) for place, one in enumerate(self._growth)]
        for said, grows in [*parts, ("growth: all of it together", self._growth)]:
            if not self._wrong_after(grows, self._reach):
                continue
            days = range(1, self._days)
            many = 1 + bisect_left(days, True, key=lambda day: bool(self._wrong_after(grows, day * faster)))
            out = self._ahead.first + timedelta(days=many)
            fit = bisect_left(range(1, 61), True, key=lambda month: in_months(self._ahead.first, month) >= out)
            fewer = f"give --months {fit} at most, or a slower growth" if fit else "give a slower growth"
            at = " at the fastest growth of `between`" if faster > 1 else ""
            raise InputError(
                f"{self._said.name}: {said} leaves its range in {out:%Y-%m}{at} "
                f"({self._wrong_after(grows, many * faster)}): {fewer}"
            )

    def _wrong_after(self, grows: tuple[Growth, ...], days: float) -> str:
        """Say what is wrong with a scenario that has grown for so many days; "" where nothing is."""
        for place in (0.0, 1 - 1e-6):
            try:
                setting_of(self._loaded, "grown", patch_after(self._loaded.data, grows, days, place))
            except ScenarioError as error:
                return error.problems[0].message
        return ""

    # -- playing -----------------------------------------------------------------------------------------------------

    def play(self, workers: Workers, progress: Progress | None) -> None:
        """Play all nights: dated ends, each kind in three rounds, headroom."""
        self._workers, self._progress = workers, progress
        entries = growing_entries(self._loaded)[:_MOST_ENTRIES]
        tries = [(end, place) for end in self._ahead.ends for place in range(len(end.nights))]
        of_ends = min(60, int(self._total * _OF_ENDS) // max(1, len(tries)))
        of_room = min(300, int(self._total * _OF_HEADROOM) // max(1, len(entries))) if entries else 0
        entries = entries if of_room >= _LEAST else []
        rest = self._total - len(tries) * of_ends - len(entries) * of_room
        shares = self._shares(rest)
        for end in self._ahead.ends:
            self._ends.append(self._tried(end, of_ends))
        for kind in self._kinds:
            self._spread(kind, shares[kind.name] // 2)
        for _ in range(2):
            for kind in self._kinds:
                self._closer(kind, shares[kind.name] // 4)
        for entry, patch_at in entries:
            self._room[entry] = _Axis(*_FACTORS)
            self._widen(self._room[entry], patch_at, of_room)

    def _shares(self, nights: int) -> dict[str, int]:
        """Share nights out: two fifths to the kind with the most dates, the rest evenly."""
        if nights < _LEAST * len(self._kinds):
            least = math.ceil(_LEAST * len(self._kinds) / (1 - _OF_ENDS - _OF_HEADROOM))
            raise InputError(
                f"{self._said.name}: {self._total} nights are too few for {len(self._kinds)} kinds of nights: give at "
                f"least {least:,}"
            )
        most = max(self._kinds, key=lambda kind: len(kind.dates)).name
        even = nights // len(self._kinds)
        if len(self._kinds) == 1 or int(nights * 0.6) // (len(self._kinds) - 1) < _LEAST:
            return dict.fromkeys(self._axes, even)
        others = min(even, int(nights * 0.6) // (len(self._kinds) - 1))
        return {name: nights - others * (len(self._kinds) - 1) if name == most else others for name in self._axes}

    def _run(self, wished: Sequence[tuple[float, Mapping[str, Any]]]) -> list[tuple[float, PlayedNight]]:
        """Play nights, each with a seed of its own: the place of each, and what the scenario changes to."""
        settings: dict[str, Setting] = {}
        tasks, places = [], {}
        for at, patch in sorted(wished, key=lambda one: json.dumps([one[0], one[1]])):
            name = json.dumps(patch)
            if name not in settings:
                settings[name] = setting_of(self._loaded, name, patch)
            seed = self._first_seed + self._played
            self._played += 1
            places[seed] = at
            tasks.append(Task(settings[name], seed))
        found: dict[int, PlayedNight] = {}

        def done(night: PlayedNight) -> None:
            found[night.seed] = night
            if self._progress is not None:
                self._progress(min(1.0, (min(places) - self._first_seed + len(found)) / self._total))

        if tasks:
            self._workers.run(tasks, self._figures, done)
        failed = next((found[seed] for seed in sorted(found) if found[seed].failure), None)
        if failed is not None:
            raise InputError(f"a night failed to run ({failed.variant}, seed {failed.seed}): {failed.failure}")
        return [(places[seed], found[seed]) for seed in sorted(found)]

    def _patches(self, kind: Kind, at: float, count: int) -> list[tuple[float, Mapping[str, Any]]]:
        """Give what a kind of night changes to so many days ahead, for so many nights."""
        grown = (
            patch_after(self._loaded.data, self._growth, at, (place + 0.5) / count) if self._growth else {}
            for place in range(count)
        )
        return [(at, {**growth, **kind.patch}) for growth in grown]

    def _spread(self, kind: Kind, nights: int) -> None:
        """Play nights over all of the growth, those of today first."""
        axis = self._axes[kind.name]
        if not self._growth:
            axis.nights += self._run(self._patches(kind, 0.0, nights))
            return
        many = min(30, max(5, nights // 10))
        counts = _shared_out(nights, many + 4)  # the ends have nights on one side alone, so they get three shares
        counts = [sum(counts[:3]), *counts[3:-3], sum(counts[-3:])]
        ats = [axis.high * place / (many - 1) for place in range(many)]
        wished = [one for at, count in zip(ats, counts, strict=True) for one in self._patches(kind, at, count)]
        axis.nights += self._run(wished)

    def _closer(self, kind: Kind, nights: int) -> None:
        """Play nights where it is open whether a requirement is met often enough; without such a place, everywhere."""
        axis = self._axes[kind.name]
        if not self._growth:
            axis.nights += self._run(self._patches(kind, 0.0, nights))
            return
        windows = [window for place in self._places if (window := self._open(axis, place)) is not None]
        windows = windows or [(axis.low, axis.high)]
        wished: list[tuple[float, Mapping[str, Any]]] = []
        for (low, high), some in zip(windows, _shared_out(nights, len(windows)), strict=True):
            many = min(15, max(1, some // 8))
            for place, count in enumerate(_shared_out(some, many)):
                wished += self._patches(kind, float(round(low + (high - low) * (place + 0.5) / many)), count)
        axis.nights += self._run(wished)

    def _open(self, axis: _Axis, place: int) -> tuple[float, float] | None:
        """Give the part of an axis on which a requirement may fall below what is asked, a little widened."""
        found = self._crossing(axis, place)
        if found is None or found == Crossing(None, None, None):
            return None
        low = next(at for at in (found.low, found.first, axis.low) if at is not None)
        high = axis.high if found.high is None else found.high
        around = max(0.25 * (high - low), (axis.high - axis.low) / 50)
        return max(axis.low, low - around), min(axis.high, high + around)

    def _curve(self, axis: _Axis, place: int) -> ShareCurve | None:
        """Fit the share of nights that meet a requirement; None: nothing was judged."""
        played = axis.held(place)
        return share_curve(played, axis.low, axis.high, _share_of(self._asked[place])) if played else None

    def _crossing(self, axis: _Axis, place: int) -> Crossing | None:
        """Find where a requirement is first met too rarely, anywhere on an axis."""
        curve = self._curve(axis, place)
        step = (axis.high - axis.low) / 300
        places = [axis.low + step * number for number in range(301)]
        return None if curve is None else curve.crossing(places, self._confidence)

    def _widen(self, axis: _Axis, patch_at: Patch, nights: int) -> None:
        """Play tonight with more and more jobs of one entry."""
        tonight = next((kind for kind in self._kinds if self._ahead.first in kind.dates), self._kinds[0])

        def patches(factor: float, count: int) -> list[tuple[float, Mapping[str, Any]]]:
            return [(factor, {**patch_at(factor, (one + 0.5) / count), **tonight.patch}) for one in range(count)]

        many = 12
        for round_, some in enumerate((nights // 2, nights // 4, nights // 4)):
            windows = [window for place in self._places if round_ and (window := self._open(axis, place))]
            low, high = min(windows, default=(axis.low, axis.high))
            ats = [low * (high / low) ** (place / (many - 1)) for place in range(many)]
            counts = _shared_out(some, many)
            axis.nights += self._run([one for at, count in zip(ats, counts, strict=True) for one in patches(at, count)])

    def _tried(self, end: DatedEnd, nights: int) -> EndTried:
        """Play a dated end on its own dates."""
        missed: list[tuple[str, int, int]] = []
        for day, patch in zip(end.nights, end.patches, strict=True):
            at = float((day - self._ahead.first).days)
            kind = Kind("", (day,), patch)
            played = [one for _, one in self._run(self._patches(kind, at, nights))]
            missed = []
            for place in self._places:
                judged = [one.held[place] for one in played if one.held[place] is not None]
                if judged and sum(map(bool, judged)) / len(judged) < _share_of(self._asked[place]):
                    missed.append((words_of(self._asked[place]), sum(map(bool, judged)), len(judged)))
            if missed:
                return EndTried(end.what, end.path, end.when, end.passes, day, tuple(missed), end.nights)
        return EndTried(end.what, end.path, end.when, end.passes, None, (), end.nights)

    # -- what was found ----------------------------------------------------------------------------------------------

    def result(self, months: int) -> Forecast:
        """Put together what was found."""
        answers = [self._answer(kind, place) for place in self._places for kind in self._kinds]
        far = date.max
        order = {name: place for place, name in enumerate(self._axes)}
        answers.sort(key=lambda one: (one.first or far, one.low or far, order[one.kind]))
        tonight = next((kind for kind in self._kinds if self._ahead.first in kind.dates), self._kinds[0])
        own = self._axes[tonight.name]
        return Forecast(
            title=self._said.title,
            file=self._said.name,
            changes=tuple(map(str, self._said.changes)),
            starts=self._ahead.first,
            ends=self._ahead.last,
            months=months,
            nights=self._played,
            first_seed=self._first_seed,
            confidence=self._confidence,
            growth=tuple(self._grows(place, one) for place, one in enumerate(self._growth)),
            kinds=tuple(self._kind(kind) for kind in self._ahead.kinds),
            answers=tuple(answers),
            calendar=tuple(self._calendar(answers)),
            ends_tried=tuple(sorted(self._ends, key=lambda one: one.when)),
            once=self._ahead.once,
            shifted=self._ahead.shifted,
            headroom=tuple(self._headroom(entry, axis) for entry, axis in self._room.items()),
            retained=tuple(
                retained(one, self._ahead.kinds, {name: axis.nights for name, axis in self._axes.items()})
                for one in self._kept
            ),
            closed_forms=formulas(self._loaded, [one for at, one in own.nights if at == 0]),
            versions={
                "program": program_version(),
                "zone data": zone_data_version(),
                "scipy": scipy_version(),
            },
        )

    def _grows(self, place: int, one: Growth) -> Grows:
        told = next(
            (
                self._said.provenance[path]
                for path in (f"growth.{place}.by", f"growth.{place}")
                if path in self._said.provenance
            ),
            None,
        )
        on = f", {told.on}" if told is not None and told.on else ""
        return Grows(one.path, one.by, one.each, one.between, "" if told is None else f"{told.source}{on}")

    def _kind(self, kind: Kind) -> KindPlayed:
        played = len(self._axes[kind.name].nights) if kind.comes else 0
        return KindPlayed(kind.name, len(kind.dates), kind.dates[0], played, kind.comes)

    def _answer(self, kind: Kind, place: int) -> Answer:
        asked, axis = self._asked[place], self._axes[kind.name]
        share = _share_of(asked)
        said = (say_requirement(asked), words_of(asked), kind.name, share)
        curve = self._curve(axis, place)
        if curve is None:
            blank: tuple[MonthState, ...] = tuple("none" for _ in self._months())
            return Answer(*said, "nothing_to_judge", None, None, None, {}, None, None, None, None, (), (), blank)
        days = self._days_of(kind)
        found = curve.crossing(days, self._confidence)
        first, low, high = (self._date(kind, days, at) for at in found)
        then = days[-1] if found.first is None else found.first
        return Answer(
            *said,
            self._outlook(curve, low, first, high),
            first,
            low,
            high,
            {one.path: factor_after(one, then) for one in self._growth} if first is not None else {},
            today=curve.share(0.0),
            at_end=curve.share(days[-1]),
            before=self._counted(axis, place, then, before=True) if first is not None else None,
            after=self._counted(axis, place, then, before=False) if first is not None else None,
            breaks=self._reached(axis, place, then),
            others=tuple(self._mapped(kind, curve, by) for by in self._other_growth()),
            months=tuple(self._month(kind, month, curve) for month in self._months()),
        )

    @staticmethod
    def _outlook(curve: ShareCurve, low: date | None, first: date | None, high: date | None) -> Outlook:
        if high is not None:
            return "below_already" if curve.root(0.0) <= -_SURE else "falls_below"
        return "unclear" if low is not None or first is not None else "stays"

    def _days_of(self, kind: Kind, ratio: float = 1.0) -> list[float]:
        """Give the places of a kind's dates on the axis; ``ratio``: how much faster growth is than stated."""
        if not self._growth:
            return [0.0]
        return [(day - self._ahead.first).days * ratio for day in kind.dates]

    @staticmethod
    def _date(kind: Kind, days: Sequence[float], at: float | None) -> date | None:
        return None if at is None else kind.dates[days.index(at)]

    def _mapped(self, kind: Kind, curve: ShareCurve, by: float) -> AtOtherGrowth:
        """Give the dates under another growth: the same places, reached on other dates."""
        days = self._days_of(kind, self._ratio(by))
        first, low, high = (self._date(kind, days, at) for at in curve.crossing(days, self._confidence))
        return AtOtherGrowth(by, first, low, high)

    def _counted(self, axis: _Axis, place: int, at: float, *, before: bool) -> Counted | None:
        """Count the nights next to a place, on one side of it."""
        side = [
            (abs(where - at), where, night.held[place])
            for where, night in axis.nights
            if night.held[place] is not None and (where < at) == before
        ]
        side = sorted(side, key=lambda one: (one[0], one[1]))[:_NEAR]
        if not side:
            return None
        days = [self._ahead.first + timedelta(days=round(where)) for _, where, _ in side]
        return Counted(sum(bool(held) for _, _, held in side), len(side), min(days), max(days))

    def _reached(self, axis: _Axis, place: int, then: float) -> tuple[Reached, ...]:
        """Give the figure of a requirement, and how busy workers are: today, and where it falls below."""
        figure = of_requirement(self._asked[place])
        texts = ([] if figure is None else [figure.text]) + ["utilisation", "offered_load"]
        found = []
        for text in dict.fromkeys(texts):
            of = wanted(text)
            (today, over_today), (later, over) = self._middle(axis, text, 0.0), self._middle(axis, text, then)
            found.append(Reached(text, of.label, of.unit, today, later, over or over_today))
        return tuple(found)

    def _middle(self, axis: _Axis, text: str, at: float) -> tuple[float | None, bool]:
        """Give the median of a figure over the nights nearest to a place, and whether it is at least that."""
        readings = [one.readings[text] for one in axis.near(at, _MIDDLE)]
        read = sorted((one.value, one.more_than) for one in readings if one.value is not None)
        return (None, False) if not read else (float(read[len(read) // 2][0]), read[len(read) // 2][1])

    def _months(self) -> list[str]:
        first = self._ahead.first
        days = (first + timedelta(days=number) for number in range(self._days))
        return list(dict.fromkeys(f"{day:%Y-%m}" for day in days))

    def _month(self, kind: Kind, month: str, curve: ShareCurve) -> MonthState:
        """Say how a requirement stands in a month: as on the kind's middle date in it."""
        days = [day for day in kind.dates if f"{day:%Y-%m}" == month]
        if not days:
            return "none"
        at = float((days[len(days) // 2] - self._ahead.first).days) if self._growth else 0.0
        root = curve.root(at)
        return "met" if root >= _SURE else "below" if root <= -_SURE else "unclear"

    def _calendar(self, answers: Sequence[Answer]) -> Iterable[MonthCell]:
        order = ("below", "unclear", "met", "none")
        for place, month in enumerate(self._months()):
            for kind in self._kinds:
                many = sum(f"{day:%Y-%m}" == month for day in kind.dates)
                own = [one for one in answers if one.kind == kind.name]
                worst = min(own, key=lambda one: order.index(one.months[place]))
                state = worst.months[place]
                yield MonthCell(month, kind.name, many, state, worst.label if state in ("below", "unclear") else "")

    def _headroom(self, entry: str, axis: _Axis) -> Headroom:
        found = [(crossing, place) for place in self._places if (crossing := self._crossing(axis, place)) is not None]
        many = len(axis.nights)
        broken = [(one.first, one, place) for one, place in found if one.first is not None]
        if not broken:
            sure = min((one.low for one, _ in found if one.low is not None), default=axis.high)
            return Headroom(entry, None, sure, None, "", axis.high, many)
        first, one, place = min(broken)
        return Headroom(entry, first, one.low, one.high, words_of(self._asked[place]), axis.high, many)


_SURE: Final = 1.96
"""The signed root of the likelihood ratio from which a month is told as met, or as below."""


def _share_of(asked: Requirement) -> float:
    """Give the share of nights in which a requirement has to be met, as recommendations have it."""
    return EVERY_NIGHT if asked.in_share is None or asked.in_share >= 1 else asked.in_share


def _shared_out(count: int, among: int) -> list[int]:
    """Share a number out as evenly as whole numbers allow."""
    return [count * (place + 1) // among - count * place // among for place in range(among)]
