"""What do quiet nights look like, and how far from it is a night? The shape, and the score of a night.

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
"""

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from emulator.measure.signals import STEP, Signal, WatchedNight
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import DAY

__all__ = ["Hour", "Shape", "hours_of", "quantile", "shape_of"]

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
