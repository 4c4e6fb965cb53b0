"""How are the jobs of a night kept in few bytes? One row of whole numbers each, packed, in the order of their numbers.

The law: what can be told from a row's place, or is the same for nearly every job, is not stored: the number of a job
is its place, and only a job that was resubmitted has an entry that tells where it goes back to. A row comes to be when
its job does, blank; how many effects the job left is counted there from then on, the rest is written when it is final.
"""

from array import array
from collections.abc import Sequence
from struct import Struct
from typing import Any, Final

__all__ = [
    "ATTEMPTS",
    "AT_A_TIME",
    "DUE",
    "EFFECTS",
    "FAMILY",
    "FINAL",
    "FINISHED",
    "FIRST_OUT",
    "KIND",
    "NUMBER",
    "ORDINAL",
    "PACK",
    "PLAIN",
    "ROW",
    "RUN",
    "STORED",
    "SUBMITTED",
    "WORKER",
    "JobTable",
]

# The columns. Ticks are -1 where the thing has not happened.
SUBMITTED: Final = 0
DUE: Final = 1  # from when it waits: submitted, or the end of the hold until it is due
FIRST_OUT: Final = 2  # first handed out (hand-outs that were given back unstarted left aside)
FINISHED: Final = 3
RUN: Final = 4  # run time of the ok attempt; of an unfinished job: of the attempt in progress, up to the horizon
KIND: Final = 5  # place in Night.kinds
ORDINAL: Final = 6
ATTEMPTS: Final = 7
WORKER: Final = 8  # place in Night.workers of the last one it was handed to
FINAL: Final = 9  # place in Night.finals
PLAIN: Final = 10  # 1: it waited from when it was submitted until it was first handed out, and at no other time
STORED: Final = 11
"""So many columns are written when a job is final."""
EFFECTS: Final = 11  # how many effects it left
# What no row holds.
NUMBER: Final = 12
FAMILY: Final = 13  # the job that it goes back to; itself if it was not resubmitted

_FORMATS: Final = "qqqqqiiiiHHi"
_STORED: Final = Struct(f"={_FORMATS[:STORED]}")
_FIELDS: Final = tuple((Struct(code), Struct(f"={_FORMATS[:column]}").size) for column, code in enumerate(_FORMATS))
PACK: Final = _STORED.pack_into
"""Writes all that is stored but the effects: ``PACK(table.rows, (job - table.first) * ROW, *values)``."""
ROW: Final = Struct(f"={_FORMATS}").size
AT_A_TIME: Final = 1024
"""Room is made for so many rows at a time, up to a number that divides by it: a power of two."""


class JobTable:
    """The rows of a night's jobs, the first of which is usually job 1.

    >>> table = JobTable(); table.begin(7); table.count_effect(7)
    >>> table.write(7, [10, 10, 15, 40, 25, 0, 4, 1, 0, 1, 1]); table.cut(8)
    >>> len(table), table.value(7, FINISHED), table.value(7, EFFECTS), table.value(7, NUMBER), table.column(RUN)
    (1, 40, 1, 7, array('q', [25]))
    """

    __slots__ = ("families", "first", "rows")

    def __init__(self) -> None:
        self.rows = bytearray()
        self.families: dict[int, int] = {}
        self.begin(1)

    def begin(self, first: int) -> None:
        """Let the table, of which no row is written yet, begin with a job."""
        self.first = first
        self.rows.clear()
        self.make_room(first)

    def __len__(self) -> int:
        return len(self.rows) // ROW

    def __eq__(self, other: object) -> bool:
        return isinstance(other, JobTable) and (self.first, self.rows, self.families) == (
            other.first,
            other.rows,
            other.families,
        )

    __hash__ = None  # type: ignore[assignment]  # its rows change

    def make_room(self, number: int) -> None:
        """Add blank rows for this job and all after it, up to the next number that divides by 1024."""
        end = (number | (AT_A_TIME - 1)) + 1
        self.rows.extend(bytes(max(0, (end - self.first) * ROW - len(self.rows))))

    def cut(self, end: int) -> None:
        """Take away the rows from this job on: it, and those after it, never came."""
        del self.rows[(end - self.first) * ROW :]

    def write(self, number: int, values: Sequence[Any]) -> None:
        """Write all that is stored of a job but its effects."""
        PACK(self.rows, (number - self.first) * ROW, *values)

    def count_effect(self, number: int) -> None:
        """Count one effect more."""
        field, offset = _FIELDS[EFFECTS]
        place = (number - self.first) * ROW + offset
        field.pack_into(self.rows, place, field.unpack_from(self.rows, place)[0] + 1)

    def restored(self, number: int) -> list[Any]:
        """Give what was written of a job."""
        return [*_STORED.unpack_from(self.rows, (number - self.first) * ROW)]

    def value(self, number: int, column: int) -> int:
        """Give one number of one job."""
        if column == NUMBER:
            return number
        if column == FAMILY:
            return self.families.get(number, number)
        field, offset = _FIELDS[column]
        return field.unpack_from(self.rows, (number - self.first) * ROW + offset)[0]  # type: ignore[no-any-return]  # struct gives Any

    def column(self, column: int) -> "array[int]":
        """Give one number of every job, in the order of their numbers; the array is the caller's own."""
        if column >= NUMBER:
            found = array("q", range(self.first, self.first + len(self)))
            for number, family in self.families.items() if column == FAMILY else ():
                found[number - self.first] = family
            return found
        field, offset = _FIELDS[column]
        if not self.rows:
            return array(field.format)
        every: array[int] = array(field.format)
        every.frombytes(self.rows)
        return every[offset // field.size :: ROW // field.size]
