"""The table of quiet nights: their shape, the score of a night, and one limit for all signals, queues and hours.

Each signal is standardised by its mean and its deviation at that time of the night, both smoothed: the mean over the
samples five minutes before and after, the deviation as the largest within two hours before and after, so that a backlog
that is gone a little later than usual is nothing unheard of, and that over a quarter of an hour before and after. It
counts as one step of the signal (one job, a minute) at least.

A threshold stands for an hour, so a night's excess in an hour is that of its highest sample there, against the sample
of the shape that it exceeds least. The highest excess of a night is put on the scale of the highest excesses of quiet
nights: 0 is their median, and 1 the mean of the largest, one for every thirty nights. The score of a night is the
highest of its signals.

Tried and dropped: deviations of each time alone (a signal that falls from hours to nothing has hardly any deviation
just behind that, and one quiet night in a hundred took the limit to eight times what other signals needed), and a scale
up to the largest alone (an outlier among the nights of the shape made its signal useless) or by the deviation of the
highest excesses (too small where hardly a night has any).

The method is split conformal prediction: Vovk, Gammerman and Shafer, "Algorithmic Learning in a Random World" (2005);
the distribution of its coverage is that of tolerance limits by order statistics: Wilks, Annals of Mathematical
Statistics 12 (1941). Both are cited from memory. Of each quiet night one score is taken, the highest excess of any
signal at any time. Scores of n nights that were not used for anything else, and of the next quiet night, come in any
order with the same probability. So the next one exceeds the k-th smallest of n with a probability of at most
1 - k / (n + 1), whatever their law is; scores that are equal make it less.

On average (over all calibrations) the promise of at most a share a holds if 1 - k / (n + 1) <= a, so with
k = ceil((n + 1) (1 - a)). Such a rank exists (k <= n) from n = 1 / a - 1 on: 99 nights for 1 %.

One calibration may have luck or not. Given the k-th smallest score, the share of quiet nights that exceed it follows a
beta distribution with n + 1 - k and k. It is more than a with the probability that at least k of n nights lie below the
quantile 1 - a, which is binomial. With 95 % confidence the promise holds if that is at most 5 %. With k = n it is
(1 - a)^n, so the fewest nights are ln(0.05) / ln(1 - a), rounded up: 299 for 1 % (298.07).

The law: no night is used twice. The shape of each signal is made from the nights of one set, the limit from those of a
second; what the table finds is told of a third, which had no part in it.
"""

import math
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from emulator.measure.comparison.intervals import rank_coverage
from emulator.measure.signals import STEP, Signal, WatchedNight
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import DAY

__all__ = [
    "CONFIDENCE",
    "MOST_SIGNALS",
    "Hour",
    "Limit",
    "Sets",
    "Shape",
    "Table",
    "choose_signals",
    "fewest",
    "fewest_sure",
    "hours_of",
    "limit_of",
    "quantile",
    "sets_of",
    "shape_of",
    "shapes_of",
    "table_of",
]


_LEAST_SPREAD: Final = 0.5
"""Of the highest excesses: where hardly a quiet night has any, half a step is something."""
_FOR_EACH: Final = 30
"""For each so many nights, one of the highest excesses makes the scale."""
_MEAN: Final = 1
_DEVIATION: Final = 3
"""Over how many samples before and after a value is smoothed."""
_WITHIN: Final = 24
"""Within how many samples before and after the largest deviation counts."""
_ROUNDING: Final = 1e-6
"""Of a step: the night whose score is the limit must stay below the threshold, whatever floats make of it."""


@dataclass(frozen=True, slots=True)
class Hour:
    """An hour of the clock, or the part of it that lies in the night.

    Attributes:
        begins, ends: in ticks.
        first, end: the places of its samples, from ``first`` on and before ``end``.
        clock: when it begins, as the clock shows it; with the day where the night is longer than one.
    """

    begins: int
    ends: int
    first: int
    end: int
    clock: str


@dataclass(frozen=True, slots=True)
class Shape:
    """What quiet nights look like in one signal.

    Attributes:
        signal: which it is.
        place: its place among the samples of a night.
        mean, deviation: by sample, smoothed.
        centre, spread: of the highest excesses over quiet nights: their median, and from there to 1.
    """

    signal: Signal
    place: int
    mean: Sequence[float]
    deviation: Sequence[float]
    centre: float = 0.0
    spread: float = 1.0

    def score(self, night: WatchedNight, hours: Sequence[Hour]) -> float:
        """Give how far a night goes beyond quiet ones in this signal: 0 as their median, 1 as their furthest."""
        return (self._excess(night, hours) - self.centre) / self.spread

    def _excess(self, night: WatchedNight, hours: Sequence[Hour]) -> float:
        values, found = night.samples[self.place], -math.inf
        for hour in hours:
            most = max(values[hour.first : hour.end])
            its = (
                (most - mean) / deviation
                for mean, deviation in zip(
                    self.mean[hour.first : hour.end], self.deviation[hour.first : hour.end], strict=True
                )
            )
            found = max(found, min(its))
        return found

    def threshold(self, hour: Hour, limit: float) -> float:
        """Give the least whole number of steps that no night with a score of up to ``limit`` reaches in an hour."""
        excess = self.centre + self.spread * limit
        most = max(
            mean + deviation * excess
            for mean, deviation in zip(
                self.mean[hour.first : hour.end], self.deviation[hour.first : hour.end], strict=True
            )
        )
        step = self.signal.step
        steps = max(1, math.floor(most / step + _ROUNDING) + 1)
        return steps * step if step >= 1 else steps / round(1 / step)  # tenths as the numbers nearest to them


def shape_of(signal: Signal, place: int, nights: Sequence[WatchedNight], hours: Sequence[Hour]) -> Shape:
    """Give the shape of one signal over some quiet nights, two or more."""
    columns = [night.samples[place] for night in nights]
    count = len(columns[0])
    sums = [math.fsum(values[at] for values in columns) / len(columns) for at in range(count)]
    mean = array("d", (_around(sums, at, _MEAN) for at in range(count)))
    squares = [math.fsum((values[at] - mean[at]) ** 2 for values in columns) / len(columns) for at in range(count)]
    largest = [max(squares[max(0, at - _WITHIN) : at + _WITHIN + 1]) for at in range(count)]
    deviation = array("d", (max(signal.step, math.sqrt(_around(largest, at, _DEVIATION))) for at in range(count)))
    raw = Shape(signal, place, mean, deviation)
    highest = sorted(raw.score(night, hours) for night in nights)
    centre = quantile(highest, 0.5)
    largest_of_all = highest[-max(1, len(highest) // _FOR_EACH) :]
    spread = max(_LEAST_SPREAD, math.fsum(largest_of_all) / len(largest_of_all) - centre)
    return Shape(signal, place, mean, deviation, centre, spread)


def _around(values: Sequence[float], at: int, reach: int) -> float:
    """Give the mean of a value and its neighbours on both sides, as far as there are any."""
    near = values[max(0, at - reach) : at + reach + 1]
    return math.fsum(near) / len(near)


def quantile(ordered: Sequence[float], share: float) -> float:
    """Give the smallest of some sorted values that at least this share of them does not exceed.

    >>> quantile([1, 2, 3, 4], 0.5), quantile([1, 2, 3, 4], 0.51), quantile([5], 0.1)
    (2, 3, 5)
    """
    return ordered[max(1, math.ceil(share * len(ordered) - 1e-9)) - 1]


def hours_of(clock: Clock, lasts: int) -> tuple[Hour, ...]:
    """Give the hours of the clock that a night covers, each with its samples.

    A sample at the full hour belongs to the hour that begins; one at the very end of the night to the hour before.
    """
    count = lasts // STEP
    found: list[Hour] = []
    known: tuple[object, ...] | None = None
    for place in range(count):
        at = (place + 1) * STEP
        local = clock.local(at)
        own = (local.date(), local.hour, local.utcoffset())
        if known is None or (own != known and at < lasts):
            full = local.replace(minute=0, second=0, microsecond=0)
            begins = max(0, clock.tick_of(full)) if found else 0
            if found:
                found[-1] = _ended(found[-1], begins, place)
            words = f"{clock.local(begins):{'%a %H:%M' if lasts > DAY else '%H:%M'}}"
            again = " again" if any(hour.clock == words for hour in found) else ""  # clocks were set back
            found.append(Hour(begins, lasts, place, count, words + again))
            known = own
    return tuple(found)


def _ended(hour: Hour, at: int, place: int) -> Hour:
    return Hour(hour.begins, at, hour.first, place, hour.clock)


CONFIDENCE: Final = Fraction(95, 100)
"""With which the promise holds of this one calibration, where there are nights enough."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Which score is the limit.

    Attributes:
        nights: how many quiet nights gave a score.
        rank: the limit is the score of this rank, counted from 1, the smallest first.
        sure: whether the promise holds with 95 % confidence; else only on average over calibrations.
    """

    nights: int
    rank: int
    sure: bool


def fewest(share: Fraction) -> int:
    """Give the fewest nights with which a share of false alarms can be promised on average.

    >>> fewest(Fraction(1, 100)), fewest(Fraction(1, 20))
    (99, 19)
    """
    return math.ceil(1 / share) - 1


def fewest_sure(share: Fraction) -> int:
    """Give the fewest nights with which a share of false alarms can be promised with 95 % confidence.

    >>> fewest_sure(Fraction(1, 100)), fewest_sure(Fraction(1, 20))
    (299, 59)
    """
    return math.ceil(math.log(1 - CONFIDENCE) / math.log(1 - share))


def limit_of(nights: int, share: Fraction) -> Limit:
    """Give the rank of the limit; ``nights`` is at least ``fewest(share)``.

    >>> limit_of(99, Fraction(1, 100)), limit_of(299, Fraction(1, 100))
    (Limit(nights=99, rank=99, sure=False), Limit(nights=299, rank=299, sure=True))
    """
    if nights < fewest_sure(share):
        return Limit(nights, math.ceil((nights + 1) * (1 - share)), False)
    rank = nights
    while rank_coverage(nights, 1 - share, rank - 1, nights + 1) <= 1 - CONFIDENCE:
        rank -= 1
    return Limit(nights, rank, True)


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
