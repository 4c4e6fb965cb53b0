"""Which past nights does a file tell, from which a night may borrow its factors?

The first line names the columns; each further line is a night. A factor is read from the column of its name; what it is
for one routine alone from the column ``FACTOR:ROUTINE``, where there is one. What ``sketch`` writes beside a draft is
read here too, whatever it is read for.
"""

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from emulator.errors import InputError
from emulator.records import record
from emulator.scenario.files import open_regular, read_once

__all__ = ["OF_ROUTINE", "PastNights", "factor_in", "past_nights"]

OF_ROUTINE: Final = ":"
"""Between a factor and a routine, in the name of a column: ``pace:copy``."""

_MOST_BYTES: Final = 64_000_000
_AGAIN: Final = "make it anew with sketch"


@record
class PastNights:
    """A file of past nights.

    Attributes:
        names: its columns.
        lines: the line on which each night stands.
        rows: each night, by column.
    """

    names: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[Mapping[str, str], ...]


@read_once
def past_nights(path: Path) -> PastNights:
    """Read a file of past nights.

    Raises:
        InputError: it is no such file, with the line and what is wrong there.
    """
    try:
        with open_regular(path) as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}: name a file that sketch wrote") from error
    if len(raw) > _MOST_BYTES:
        raise InputError(f"{path}: is longer than {_MOST_BYTES:,} bytes: give a file of nights, as sketch writes it")
    try:
        reader = csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""))
        told = [(reader.line_num, row) for row in reader if row]
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}:{line}: is not UTF-8: {_AGAIN}") from error
    except csv.Error as error:
        raise InputError(f"{path}:{reader.line_num}: cannot be read as rows: {error}; {_AGAIN}") from error
    names = tuple(told[0][1]) if told else ()
    if twice := [name for name in names if names.count(name) > 1]:
        raise InputError(f"{path}:1: column {twice[0]} stands twice: {_AGAIN}")
    for line, row in told[1:]:
        if len(row) != len(names):
            raise InputError(
                f"{path}:{line}: cannot be read as a night: it has {len(row)} cells, not {len(names)}, "
                "as many as the first line names"
            )
    return PastNights(
        names,
        tuple(line for line, _ in told[1:]),
        tuple(dict(zip(names, row, strict=True)) for _, row in told[1:]),
    )


def factor_in(found: PastNights, night: int, name: str, file: str) -> float:
    """Give a factor of one past night.

    Args:
        found: the file.
        night: the place of the night in it.
        name: of the factor, which is that of its column.
        file: what a message calls the file.

    Raises:
        InputError: the file has no such column, or no number above 0 stands in it.
    """
    if name not in found.names:
        raise InputError(f"{file}: has no column {name!r}, but {', '.join(found.names)}")
    cell = found.rows[night][name]
    try:
        value = float(cell)
    except ValueError:
        value = -1.0
    if not 0 < value < 1e6:
        raise InputError(f"{file}:{found.lines[night]}: {name} is {cell!r} in a night: a factor is a number above 0")
    return value
