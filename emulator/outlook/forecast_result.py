"""What a forecast found, as plain data; and what is stored at most of what the nights leave.

The law: what is counted are the results of jobs that are done, as the nights that were played left them; nothing is
stored at the start. Of an effect that keeps the newest nights, the results of a night go when so many later nights have
left some; of one that keeps for a time, when that time is over, by the beginnings of the nights.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal

from emulator.measure.comparison.wanted import PlayedNight
from emulator.measure.words import duration
from emulator.outlook.closed_forms import ClosedForm
from emulator.outlook.nights_ahead import Kind
from emulator.scenario.models import Scenario
from emulator.scenario.models.routines import Keeps
from emulator.timeline.ticks import DAY

__all__ = [
    "Answer",
    "AtOtherGrowth",
    "Counted",
    "EndTried",
    "Forecast",
    "Grows",
    "Headroom",
    "Kept",
    "KindPlayed",
    "MonthCell",
    "MonthState",
    "Outlook",
    "Reached",
    "Retained",
    "kept_effects",
    "retained",
]


Outlook = Literal["below_already", "falls_below", "unclear", "stays", "nothing_to_judge"]
"""What becomes of a requirement: it is below what is asked already; it falls below within the time ahead, for sure; it
may; it stays above; there was nothing to judge."""

MonthState = Literal["met", "unclear", "below", "none"]
"""How a requirement stands in a month: met often enough, open, not met often enough; or there is no such night."""


@dataclass(frozen=True, slots=True)
class Grows:
    """What grows: the path, the growth as a share for each period, and where it comes from ("" if that is not said)."""

    path: str
    by: float
    each: str
    between: tuple[float, float] | None
    source: str


@dataclass(frozen=True, slots=True)
class KindPlayed:
    """A kind of night: its name, how many dates and which is first, and how many nights of it were played."""

    name: str
    dates: int
    first: date
    nights: int
    comes: bool


@dataclass(frozen=True, slots=True)
class Counted:
    """Nights that were played just before a date, or from it on: how many met the requirement, and on which dates."""

    held: int
    judged: int
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Reached:
    """A figure in the middle night: today, and where the requirement falls below (or at the end)."""

    measure: str
    label: str
    unit: str
    today: float | None
    then: float | None
    more_than: bool


@dataclass(frozen=True, slots=True)
class AtOtherGrowth:
    """The same answer if growth is slower or faster; mapped, not played: dates None if not in the time ahead."""

    by: float
    first: date | None
    low: date | None
    high: date | None


@dataclass(frozen=True, slots=True)
class Answer:
    """What becomes of one requirement on one kind of night.

    Attributes:
        requirement, label: by the name of its measure, and in words.
        kind: of night.
        share: of nights in which it has to be met.
        outlook: see ``Outlook``.
        first: the first date on which it is met in less than that share; None: not in the time ahead.
        low, high: the ends of the interval of that date; None: later than the time ahead.
        factors: how many times as much each growing value is by ``first``, by path.
        today, at_end: the fitted share of nights that meet it.
        before, after: nights played near ``first``, counted.
        breaks: the figures behind it, the requirement's own first.
        others: the dates under slower and faster growth.
        months: one for each month, in order: met, unclear, below or none (no such night).
    """

    requirement: str
    label: str
    kind: str
    share: float
    outlook: Outlook
    first: date | None
    low: date | None
    high: date | None
    factors: Mapping[str, float]
    today: float | None
    at_end: float | None
    before: Counted | None
    after: Counted | None
    breaks: tuple[Reached, ...]
    others: tuple[AtOtherGrowth, ...]
    months: tuple[MonthState, ...]


@dataclass(frozen=True, slots=True)
class MonthCell:
    """One kind of night in one month: the worst of all requirements, and how many such nights there are."""

    month: str
    kind: str
    nights: int
    state: MonthState
    worst: str


@dataclass(frozen=True, slots=True)
class EndTried:
    """A dated end, tried on its own dates.

    Attributes:
        what, path, when, passes: see ``DatedEnd``.
        breaks_on: the first night on which a requirement is met too rarely because of it; None: it breaks nothing.
        missed: the requirements, in words, each with the nights that met it and that were judged, on that night, or on
            the last that was played.
        nights: on which nights it was tried.
    """

    what: str
    path: str
    when: datetime
    passes: bool
    breaks_on: date | None
    missed: tuple[tuple[str, int, int], ...]
    nights: tuple[date, ...]


@dataclass(frozen=True, slots=True)
class Headroom:
    """How many times as many jobs of one entry could come tonight before a requirement is met too rarely.

    ``first`` is None where none is, up to ``tried_up_to`` times; ``low`` and ``high`` bound it. Without ``first`` all
    are surely met up to ``low`` times.
    """

    entry: str
    first: float | None
    low: float | None
    high: float | None
    breaks: str
    tried_up_to: float
    nights: int


@dataclass(frozen=True, slots=True)
class Retained:
    """What is kept of an effect.

    Attributes:
        effect, routine: which.
        keeps: in words: those of the newest 14 nights.
        example: what is deleted when, in a sentence.
        most, most_on: what is stored at most in the time ahead, and on which date first.
        months: at the end of each month (month, stored, deleted in the month).
    """

    effect: str
    routine: str
    keeps: str
    example: str
    most: float
    most_on: date
    months: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Forecast:
    """A forecast; made by ``forecast``.

    Attributes:
        title, file, changes: of the scenario.
        starts, ends: the first night, and the first that is no longer in the time ahead.
        months: how far ahead.
        nights: how many were played in all.
        first_seed: of them; each has a seed of its own.
        confidence: of each interval.
        growth: what grows.
        kinds: of nights.
        answers: for each requirement and kind, by date.
        calendar: for each month and kind.
        ends_tried: dated ends, by date.
        once: what happens on its own date alone.
        shifted: nights in which the clocks change and that are, to the tick, as others of their kind.
        headroom: by entry.
        retained: by effect.
        closed_forms: formulas beside the simulated figures of the scenario's own night.
        versions: of the program and what it used.
    """

    title: str
    file: str
    changes: tuple[str, ...]
    starts: date
    ends: date
    months: int
    nights: int
    first_seed: int
    confidence: float
    growth: tuple[Grows, ...]
    kinds: tuple[KindPlayed, ...]
    answers: tuple[Answer, ...]
    calendar: tuple[MonthCell, ...]
    ends_tried: tuple[EndTried, ...]
    once: tuple[str, ...]
    shifted: tuple[date, ...]
    headroom: tuple[Headroom, ...]
    retained: tuple[Retained, ...]
    closed_forms: tuple[ClosedForm, ...]
    versions: Mapping[str, str]

    @property
    def outlook(self) -> Literal["good", "bad", "open"]:
        """Say how it looks as a whole: bad where a requirement is or falls below, or a dated end breaks one."""
        states = {one.outlook for one in self.answers}
        if states & {"below_already", "falls_below"} or any(one.breaks_on for one in self.ends_tried):
            return "bad"
        return "open" if "unclear" in states or states == {"nothing_to_judge"} else "good"


@dataclass(frozen=True, slots=True)
class Kept:
    """An effect with `keeps`: of which routine, and which figures count its results, with how many of a job each."""

    effect: str
    routine: str
    keeps: Keeps
    each: tuple[tuple[str, int], ...]

    @property
    def figures(self) -> tuple[str, ...]:
        """The figures that have to be read of each night."""
        return tuple(text for text, _ in self.each)


def kept_effects(scenario: Scenario) -> list[Kept]:
    """List the effects that say how long their results are kept."""
    found = []
    for name, routine in scenario.routines.items():
        for part in routine.parts:
            if part.effect is None or part.keeps is None:
                continue
            each = []
            for entry in scenario.arrivals:
                if entry.routine == name:
                    elements = entry.parameters.get(part.for_each, ()) if part.for_each else (None,)
                    many = len(elements) if isinstance(elements, list | tuple) else 1
                    each.append((f"done for routine {name} and entry {entry.label}", many))
            found.append(Kept(part.effect, name, part.keeps, tuple(each)))
    return found


def retained(kept: Kept, kinds: Sequence[Kind], nights: Mapping[str, Sequence[tuple[float, PlayedNight]]]) -> Retained:
    """Work out what is stored on each date.

    Args:
        kept: the effect.
        kinds: of the nights ahead.
        nights: those that were played of each kind, with the days ahead of each.
    """
    first = min(kind.dates[0] for kind in kinds)
    left: dict[date, float] = {}
    for kind in kinds:
        per_night = _Course(kept, nights.get(kind.name, ()))
        left |= {day: per_night.at(float((day - first).days)) for day in kind.dates}
    stored = 0.0
    held: deque[tuple[date, float]] = deque()
    most, most_on = 0.0, first
    months: dict[str, list[float]] = {}
    example = ""
    for day in sorted(left):
        month = months.setdefault(f"{day:%Y-%m}", [0.0, 0.0])
        if left[day] > 0.005:  # a night that leaves nothing keeps nothing older from being kept
            held.append((day, left[day]))
            stored += left[day]
        while held and _goes(kept.keeps, held, day):
            since, many = held.popleft()
            stored -= many
            month[1] += many
            example = example or f"the results of the night of {since} are deleted in the night of {day}"
        if stored > most + 1e-9:
            most, most_on = stored, day
        month[0] = stored
    return Retained(
        kept.effect,
        kept.routine,
        _words(kept.keeps),
        example or "nothing is deleted in the time ahead",
        most,
        most_on,
        tuple((month, stored, gone) for month, (stored, gone) in months.items()),
    )


def _goes(keeps: Keeps, held: Sequence[tuple[date, float]], day: date) -> bool:
    if keeps.newest is not None:
        return len(held) > keeps.newest
    assert keeps.duration is not None
    return day - held[0][0] >= timedelta(days=keeps.duration / DAY)


def _words(keeps: Keeps) -> str:
    if keeps.newest is not None:
        return "those of the newest night" if keeps.newest == 1 else f"those of the newest {keeps.newest} nights"
    assert keeps.duration is not None
    return f"each for {duration(keeps.duration)}"


class _Course:
    """How many results one night leaves, as time passes: means of neighbouring nights, straight between them."""

    def __init__(self, kept: Kept, nights: Sequence[tuple[float, PlayedNight]]) -> None:
        counted = sorted(
            (at, sum((one.readings[text].value or 0) * many for text, many in kept.each)) for at, one in nights
        )
        size = max(1, len(counted) // 12)
        groups = [counted[place : place + size] for place in range(0, len(counted), size)]
        self._points = [(sum(at for at, _ in some) / len(some), sum(n for _, n in some) / len(some)) for some in groups]

    def at(self, days: float) -> float:
        """Give the mean of a night so many days ahead; 0 for a kind of which none was played: nothing is due."""
        points = self._points
        if not points:
            return 0.0
        if days <= points[0][0]:
            return points[0][1]
        for (before, low), (after, high) in pairwise(points):
            if days <= after:
                return low + (high - low) * (days - before) / (after - before) if after > before else high
        return points[-1][1]
