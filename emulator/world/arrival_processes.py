"""Makes the way in which an arrival entry arrives: at once, with gaps, by a trace, by a recurrence, in batches.

A rate that changes is a Poisson process in another time: each gap is drawn for a rate of one job an hour, and used up
by the rate that holds, however often that changes on the way. So a surge divides what remains of a gap, as elsewhere.

A batch is drawn by (entry, number of the arrival), a lateness by (entry, number of the occurrence). Jobs are numbered
as they come, those of a recurrence in the order in which they are due.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Final

from emulator.scenario import models
from emulator.scenario.clock import Clock
from emulator.scenario.schedules import days_of, on_days, rates_over
from emulator.timeline.agenda import Agenda
from emulator.timeline.ticks import HOUR
from emulator.world.arrivals import AtOnce, Come, Coming, FiniteSource, Gaps, OnDays, Traced, Window
from emulator.world.draws import Distribution, Draws, Purpose, entity_key
from emulator.world.numerics import LONGEST, exactly, whole
from emulator.world.sampling import Constant, Exponential, Weibull, one_of, sampling_of

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line

__all__ = [
    "Batches",
    "ByTheClock",
    "Ways",
    "poisson_gaps",
    "sizes",
]


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


_ENDLESS: Final = 2**62

Size = Callable[[int], int]
"""Gives how many jobs come at the arrival with a number, from 1."""


def sizes(batch: int | models.Batch, draws: Draws, entity: int) -> Size:
    """Say how many jobs come at each arrival of an entry."""
    if isinstance(batch, int):
        return lambda number: batch
    if batch.between is not None:
        low, high = batch.between
        return lambda number: whole(draws.uniform(Purpose.BATCH, entity, number), low, high)
    values, weights = batch.one_of or (), batch.weights
    return lambda number: one_of(values, weights, draws.uniform(Purpose.BATCH, entity, number))


class Batches:
    """Takes the arrivals of an entry, and brings their jobs: called as a ``Come`` is.

    Args:
        come: brings one job.
        size: how many come at each arrival.
        keep: says of the tick of an arrival whether it counts; None: all do.
        count: so many jobs at most; None for any number.

    Attributes:
        stop: ends the arrivals, when all jobs have come.
    """

    __slots__ = ("_came", "_come", "_count", "_keep", "_size", "stop")

    def __init__(self, come: "Come", size: Size, keep: Callable[[int], bool] | None, count: int | None) -> None:
        self._come, self._size, self._keep = come, size, keep
        self._count = _ENDLESS if count is None else count
        self._came = 0
        self.stop: Callable[[], None] = lambda: None

    def __call__(self, number: int, nominal: int, line: "Line | None", cause: int) -> None:
        if self._keep is not None and not self._keep(nominal):
            return
        more = min(self._size(number), self._count - self._came)
        if self._came + more >= self._count:
            self.stop()
        for _ in range(more):
            self._came += 1
            self._come(self._came, nominal, line, cause)


def poisson_gaps(per_hour: float) -> Distribution:
    """Give the gaps of a Poisson process with a rate above 0 in jobs an hour; their mean is at most 2**52 ticks.

    >>> poisson_gaps(6)
    Exponential(mean=600000000)
    """
    mean = HOUR / Fraction(per_hour)
    if mean.denominator == 1 and mean <= LONGEST:
        return Exponential(int(mean))
    with exactly():  # an exponential of any mean is a Weibull of the shape 1, whose scale need not be whole
        return Weibull(1.0, min(Decimal(mean.numerator) / mean.denominator, Decimal(LONGEST)))


class Ways:
    """Makes the ways in which the entries of a scenario arrive.

    Args:
        clock: the clock on its wall.
        lasts: how long the scenario lasts, in ticks.
        agenda, draws: of the world.
    """

    __slots__ = ("_agenda", "_clock", "_draws", "_lasts")

    def __init__(self, clock: Clock, lasts: int, agenda: Agenda, draws: Draws) -> None:
        self._clock, self._lasts, self._agenda, self._draws = clock, lasts, agenda, draws

    def of(self, model: models.Arrival, come: Come, trace: Path) -> Coming:
        """Make the way in which an entry arrives; ``trace`` is the file of its trace, if it has one.

        Raises:
            ValueError: when a recurrence comes more than 600,000 times.
        """
        agenda, count = self._agenda, model.count
        ends = self._lasts if model.ends is None else min(model.ends, self._lasts)
        keep = on_days(model.days, self._clock)
        if model.at is not None and model.days:
            ticks = days_of(model.at, model.days, self._clock, self._lasts, model.at_changes)
            return OnDays(agenda, come, [tick for tick in ticks for _ in range(1 if count is None else count)])
        if model.at is not None:
            return AtOnce(agenda, come, model.at, 1 if count is None else count)
        if model.trace is not None:
            from emulator.scenario.traces import read_arrivals  # most jobs come neither by a trace nor by a rule

            if keep is not None:
                come, count = Batches(come, lambda number: 1, keep, count), None
            return Traced(agenda, come, read_arrivals(trace, self._clock), ends, count)
        if model.recurs is not None:
            from emulator.scenario.recurrence import occurrences

            found = occurrences(
                model.recurs,
                self._clock,
                ends,
                from_tick=model.begins,
                excluded=model.excludes,
                at_changes=model.at_changes,
            )
            due = [one.nominal_tick for one in found if keep is None or keep(one.nominal_tick)]
            return self._recurrence(model, come, due)
        entity = entity_key("arrival", model.label)
        if model.again_after is not None:
            law = _law(model.again_after)
            return FiniteSource(agenda, self._draws, come, law, entity, Window(model.begins, ends, count))
        if keep is None and model.batch == 1:
            return self._gaps(model, come, entity, Window(model.begins, ends, count))
        batches = Batches(come, sizes(model.batch, self._draws, entity), keep, count)
        coming = self._gaps(model, batches, entity, Window(model.begins, ends))
        batches.stop = coming.stop
        return coming

    def _recurrence(self, model: models.Arrival, come: Come, due: list[int]) -> OnDays:
        """Bring the jobs of each occurrence: as many as its batch has, as late as it is."""
        entity = entity_key("arrival", model.label)
        late, draws = model.late_by, self._draws
        comes = due
        if late is not None:
            law = _law(late)
            comes = [
                tick + law.sample(draws.row(Purpose.LATENESS, entity, number)) for number, tick in enumerate(due, 1)
            ]
        if model.batch != 1:
            size = sizes(model.batch, draws, entity)
            many = [size(number) for number in range(1, len(due) + 1)]
            due = [tick for tick, times in zip(due, many, strict=True) for _ in range(times)]
            comes = [tick for tick, times in zip(comes, many, strict=True) for _ in range(times)]
        due, comes = due[: model.count], comes[: model.count]
        return OnDays(self._agenda, come, due, None if late is None else comes)

    def _gaps(self, model: models.Arrival, come: Come, entity: int, window: Window) -> Gaps:
        if isinstance(model.per_hour, models.Rates):
            rates = rates_over(model.per_hour, self._clock, self._lasts)
            return ByTheClock(self._agenda, self._draws, come, rates, entity, window)
        law: Distribution
        if model.every is not None:
            law = Constant(model.every)
        elif model.per_hour is not None:
            law = poisson_gaps(model.per_hour)
        else:
            law = _law(model.gaps)
        regular = model.every is not None
        return Gaps(self._agenda, self._draws, come, law, entity, window, regular)


def _law(model: models.Distribution | None) -> Distribution:
    law = None if model is None else sampling_of(model)
    assert law is not None, "the loader lets only what a part takes come from a trace"
    return law
