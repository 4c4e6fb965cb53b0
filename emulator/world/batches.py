"""How many jobs come at each arrival, on which days, and how late: what stands between a way of arriving and its jobs.

A batch is drawn by (entry, number of the arrival), a lateness by (entry, number of the occurrence). Jobs are numbered
as they come, those of a recurrence in the order in which they are due.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from emulator.scenario import models
from emulator.world.drawn_numbers import one_of
from emulator.world.draws import Draws, Purpose
from emulator.world.numerics import whole

if TYPE_CHECKING:
    from emulator.scenario.traces import Arrival as Line
    from emulator.world.arrivals import Come

__all__ = ["Batches", "sizes"]

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
