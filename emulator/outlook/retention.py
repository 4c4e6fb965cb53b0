"""What is deleted when of what the nights leave, and what is stored at most?

The law: what is counted are the results of jobs that are done, as the nights that were played left them; nothing is
stored at the start. Of an effect that keeps the newest nights, the results of a night go when so many later nights have
left some; of one that keeps for a time, when that time is over, by the beginnings of the nights.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from emulator.measure.comparison.replication import PlayedNight
from emulator.measure.words import duration
from emulator.outlook.forecast_result import Retained
from emulator.outlook.nights_ahead import Kind
from emulator.scenario.models import Scenario
from emulator.scenario.models.growth import Keeps
from emulator.timeline.ticks import DAY

__all__ = ["Kept", "kept_effects", "retained"]


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
