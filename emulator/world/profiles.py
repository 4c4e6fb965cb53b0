"""Arrivals whose rate goes by the hour of the day and the day of the week.

A rate that changes is a Poisson process in another time: each gap is drawn for a rate of one job an hour, and used up
by the rate that holds, however often that changes on the way. So a surge divides what remains of a gap, as elsewhere.
"""

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from emulator.timeline.agenda import Agenda
from emulator.timeline.ticks import HOUR
from emulator.world.arrivals import Come, Gaps, Window
from emulator.world.draws import Draws, Purpose
from emulator.world.sampling import Exponential

__all__ = ["ByTheClock"]

_NEVER: Final = 2**62


class ByTheClock(Gaps):
    """Jobs that come by a rate which changes at known ticks.

    Args:
        rates: (tick from which it holds, jobs an hour), in order; the last holds to the end.
    """

    __slots__ = ("_at", "_rates")

    def __init__(
        self,
        agenda: Agenda,
        draws: Draws,
        come: Come,
        rates: Sequence[tuple[int, float]],
        entity: int,
        window: Window,
    ) -> None:
        super().__init__(agenda, draws, come, Exponential(HOUR), entity, window)
        self._law_at = None  # a gap is more than its draw
        self._at = [tick for tick, _ in rates]
        self._rates = [Fraction(rate) for _, rate in rates]

    def set_factor(self, factor: float) -> None:
        old, new = self._factor or Fraction(1), Fraction(factor)
        since = max(self._agenda.now, self._begins)
        if self._due > since:
            self._due = self._walk(since, self._work(since, self._due) * old / new)
        self._factor = None if new == 1 else new
        self._plan += 1
        self._schedule()

    def _add_gap(self) -> None:
        drawn = self._law.sample(self._draws.row(Purpose.ARRIVAL_GAP, self._entity, self._ordinal), self._ordinal)
        self._due = self._walk(self._due, Fraction(drawn) / (self._factor or 1))

    def _walk(self, tick: int, work: Fraction) -> int:
        """Give the tick at which so much is used up from a tick on; far beyond the end if it never is."""
        place = max(bisect_right(self._at, tick) - 1, 0)
        while True:
            rate, last = self._rates[place], place + 1 == len(self._at)
            until = _NEVER if last else self._at[place + 1]
            if rate and (last or rate * (until - tick) >= work):
                return min(tick + round(work / rate), _NEVER)
            if last:
                return _NEVER
            work -= rate * (until - tick)
            tick, place = until, place + 1

    def _work(self, since: int, until: int) -> Fraction:
        """Give how much is used up between two ticks."""
        used, place = Fraction(0), max(bisect_right(self._at, since) - 1, 0)
        while since < until:
            end = until if place + 1 == len(self._at) else min(until, self._at[place + 1])
            used += self._rates[place] * (end - since)
            since, place = end, place + 1
        return used
