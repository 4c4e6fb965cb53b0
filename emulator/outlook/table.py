"""One table for all signals, queues and hours: which value is an alarm, made from quiet nights alone?

The law: no night is used twice. The shape of each signal is made from the nights of one set, the limit from those of a
second; what the table finds is told of a third, which had no part in it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from emulator.measure.signals import STEP, Signal, WatchedNight
from emulator.outlook.calibration import Limit, limit_of
from emulator.outlook.shape import Hour, Shape, shape_of

__all__ = ["MOST_SIGNALS", "Sets", "Table", "choose_signals", "sets_of", "shapes_of", "table_of"]

MOST_SIGNALS: Final = 6
"""So many signals are chosen where nobody names them: each one more widens the limit for all."""


@dataclass(frozen=True, slots=True)
class Sets:
    """Nights by what they are used for; of the quiet ones two of ten are for the shape, four for the limit.

    Attributes:
        shape: quiet nights; calibration: quiet nights.
        choice: nights with a fault by which signals were chosen; none, where there was nothing to choose.
        report: all others, quiet or not.
    """

    shape: Sequence[WatchedNight]
    calibration: Sequence[WatchedNight]
    choice: Sequence[WatchedNight]
    report: Sequence[WatchedNight]


def sets_of(nights: Sequence[WatchedNight], *, choice: bool) -> Sets:
    """Deal out nights, in the order of their seeds, so that where they fall has nothing to do with how they went."""
    sets: tuple[list[WatchedNight], ...] = ([], [], [], [])
    quiet = struck = 0
    for night in nights:
        if night.is_quiet:
            place = (0, 1, 3, 1, 3)[quiet % 5]
            quiet += 1
        else:
            place = 2 if choice and struck % 5 == 0 else 3
            struck += 1
        sets[place].append(night)
    return Sets(*sets)


@dataclass(frozen=True, slots=True)
class Table:
    """The table of thresholds; a signal that reaches its threshold of the hour is an alarm.

    Attributes:
        hours: the hours of the night.
        shapes: of the signals that are watched.
        thresholds: signal -> its threshold in each hour: ticks for a time.
        share: of quiet nights that alarm at most.
        limit: which of the scores was taken.
        score: that score.
    """

    hours: Sequence[Hour]
    shapes: Sequence[Shape]
    thresholds: Mapping[Signal, Sequence[float]]
    share: Fraction
    limit: Limit
    score: float

    @property
    def signals(self) -> tuple[Signal, ...]:
        """The signals that are watched."""
        return tuple(shape.signal for shape in self.shapes)

    def alarms(self, night: WatchedNight, since: int = 0) -> dict[Signal, int]:
        """Give the tick of the first alarm of each signal at or after a tick; those without one are not there."""
        found = {}
        for shape in self.shapes:
            values, thresholds = night.samples[shape.place], self.thresholds[shape.signal]
            for hour, threshold in zip(self.hours, thresholds, strict=True):
                begin = max(hour.first, -(-since // STEP) - 1)
                at = next((at for at in range(begin, hour.end) if values[at] >= threshold), None)
                if at is not None:
                    found[shape.signal] = (at + 1) * STEP
                    break
        return found

    def first_alarm(self, night: WatchedNight, since: int = 0) -> int | None:
        """Give the tick of the first alarm of any signal at or after a tick."""
        return min(self.alarms(night, since).values(), default=None)


def table_of(shapes: Sequence[Shape], hours: Sequence[Hour], quiet: Sequence[WatchedNight], share: Fraction) -> Table:
    """Calibrate the table on quiet nights that had no part in the shapes; there are enough of them."""
    scores = sorted(max(shape.score(night, hours) for shape in shapes) for night in quiet)
    limit = limit_of(len(scores), share)
    score = scores[limit.rank - 1]
    return _at(shapes, hours, share, limit, score)


def _at(shapes: Sequence[Shape], hours: Sequence[Hour], share: Fraction, limit: Limit, score: float) -> Table:
    thresholds = {shape.signal: tuple(shape.threshold(hour, score) for hour in hours) for shape in shapes}
    return Table(hours, shapes, thresholds, share, limit, score)


def choose_signals(
    shapes: Sequence[Shape], hours: Sequence[Hour], bad: Sequence[WatchedNight], most: int = MOST_SIGNALS
) -> list[Shape]:
    """Choose signals, by what each alone would find of some bad nights with a limit of 1 (see ``Shape.score``).

    One after another, the signal is taken that finds most of what those before it have not; then the one with the
    longest leads; then the first in the list.
    """
    leads: dict[int, dict[int, int]] = {}  # by place
    for shape in shapes:
        table = _at([shape], hours, Fraction(1, 100), Limit(0, 0, False), 1.0)
        leads[shape.place] = {}
        for night in bad:
            assert night.missed_at is not None
            at = table.first_alarm(night, night.faults[0][0] if night.faults else 0)
            if at is not None and at < night.missed_at:
                leads[shape.place][night.seed] = night.missed_at - at
    found: set[int] = set()
    taken: list[int] = []
    while len(taken) < min(most, len(leads)):
        rest = [place for place in leads if place not in taken]
        best = max(rest, key=lambda place: (len(leads[place].keys() - found), sum(leads[place].values())))
        taken.append(best)
        found |= leads[best].keys()
    return [shape for shape in shapes if shape.place in taken]


def shapes_of(
    signals: Sequence[tuple[int, Signal]], nights: Sequence[WatchedNight], hours: Sequence[Hour]
) -> list[Shape]:
    """Give the shape of each signal, named with its place among the samples of a night."""
    return [shape_of(signal, place, nights, hours) for place, signal in signals]
