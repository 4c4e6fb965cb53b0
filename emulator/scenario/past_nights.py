"""Which past nights does a file tell, from which a night may borrow its factors?

The first line names the columns; each further line is a night. A factor is read from the column of its name.
"""

import csv
from collections.abc import Mapping
from pathlib import Path

from emulator.errors import InputError
from emulator.scenario.files import open_regular, read_once

__all__ = ["factor_in", "past_nights"]


@read_once
def past_nights(path: Path) -> tuple[Mapping[str, str], ...]:
    """Read the rows of a file of past nights.

    Raises:
        InputError: it cannot be read, or holds no night.
    """
    try:
        with open_regular(path) as raw:
            rows = tuple(csv.DictReader(raw.read().decode("utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as a file of past nights: {error}") from error
    if not rows:
        raise InputError(f"{path}: holds no night: its first line names factors, each further line is a night")
    return rows


def factor_in(row: Mapping[str, str], name: str, file: str) -> float:
    """Give a factor of one past night.

    Raises:
        InputError: the file has no such column, or no number above 0 stands in it.
    """
    if name not in row:
        raise InputError(f"{file}: has no column {name!r}, but {', '.join(str(key) for key in row)}")
    try:
        value = float(row[name])
    except (TypeError, ValueError):
        value = -1.0
    if not 0 < value < 1e6:
        raise InputError(f"{file}: {name} is {row[name]!r} in a night: a factor is a number above 0")
    return value
