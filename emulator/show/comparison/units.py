"""In which unit does a column of figures stand? One for all of its rows, named in its heading."""

from collections.abc import Sequence
from typing import NamedTuple

from emulator.measure.words import number
from emulator.timeline.ticks import HOUR, MILLISECOND, MINUTE, SECOND

__all__ = ["Column", "column_of"]


class Column(NamedTuple):
    """A unit: its name for the heading ("" for none), and how much of the figure's own unit it is."""

    name: str
    size: float

    def cell(self, amount: float | None, *, more_than: bool = False) -> str:
        """Write a value in this unit.

        >>> Column("min", MINUTE).cell(90 * SECOND), Column("%", 0.01).cell(0.995, more_than=True)
        ('1.5', '> 99.5')
        """
        if amount is None:
            return "none"
        return ("> " if more_than else "") + number(float(f"{amount / self.size:.9g}"))


def column_of(unit: str, amounts: Sequence[float | None]) -> Column:
    """Choose the unit in which the largest of some values is easy to read.

    >>> column_of("time", [90 * SECOND]).name, column_of("time", [3 * HOUR, 0]).name, column_of("share", [0.5]).name
    ('s', 'h', '%')
    """
    if unit == "share":
        return Column("%", 0.01)
    if unit != "time":
        return Column("", 1)
    most = max((abs(amount) for amount in amounts if amount is not None), default=0)
    for name, size, least in (("h", HOUR, 2 * HOUR), ("min", MINUTE, 5 * MINUTE), ("s", SECOND, SECOND)):
        if most >= least:
            return Column(name, size)
    return Column("ms", MILLISECOND)
