"""How does one get from files to what they tell? Reads exports, understands their columns, sorts rows into nights."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from emulator.errors import InputError
from emulator.past.attempts import attempts_of
from emulator.past.columns import Columns, guess_columns
from emulator.past.columns_file import StatedColumns, read_columns_file
from emulator.past.laws import check_installed
from emulator.past.learning import Learnt, learn
from emulator.past.nights import Nights, nights_of, parse_night
from emulator.past.tables import Table, read_table

__all__ = ["History", "learn_files", "read_history"]

_ZONE: Final = "UTC"


@dataclass(slots=True)
class History:
    """What files of past jobs hold: each table with the meaning of its columns, and the nights of all of them."""

    tables: list[tuple[Table, Columns]]
    nights: Nights


def read_history(
    files: Sequence[Path | str],
    *,
    columns: StatedColumns | Path | str | None = None,
    night: str | None = None,
    zone: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> History:
    """Read exports of past jobs.

    Args:
        files: the exports; what stands in several of them counts once.
        columns: a file of columns, as ``sketch`` writes it; without it their meanings are guessed.
        night: when a night begins and how long it lasts, as ``18:00+14h``; by default as the file of columns says.
        zone: the zone of the times that state none; by default that of the file of columns, else UTC.
        progress: told the share of the files that were read, from 0 to 1.

    Raises:
        InputError: a file cannot be read, or no job in it came in any night; with the file, and the row if it is one.
        ScenarioError: the file of columns is wrong, with every mistake in it.
    """
    check_installed()
    if not files:
        raise InputError("no file of past jobs was given: name at least one")
    stated = read_columns_file(columns) if isinstance(columns, Path | str) else columns
    wanted = night or (stated.night if stated else "")
    if not wanted:
        raise InputError("when does a night begin, and how long does it last? give --night, such as 18:00+14h")
    window = parse_night(wanted)
    zone = zone or (stated.zone if stated else _ZONE)
    tables = []
    for at, file in enumerate(files):
        table = read_table(file)
        tables.append((table, stated.of(table) if stated else guess_columns(table, zone)))
        if progress is not None:
            progress((at + 1) / len(files))
    return History(tables, nights_of(attempts_of(tables), window, zone))


def learn_files(
    files: Sequence[Path | str],
    columns: StatedColumns | Path | str | None = None,
    night: str | None = None,
    until: date | None = None,
    *,
    zone: str | None = None,
) -> Learnt:
    """Read exports of past jobs, and learn what their nights tell.

    Args:
        files: the exports.
        columns: a file of columns; without it the meanings of columns are guessed.
        night: as ``18:00+14h``; by default as the file of columns says.
        until: learn from the nights that began before this date; by default from all.
        zone: the zone of the times that state none.

    Raises:
        InputError: a file cannot be read, or holds too few nights.
        ScenarioError: the file of columns is wrong.
    """
    nights = read_history(files, columns=columns, night=night, zone=zone).nights
    return learn(nights if until is None else nights.until(until))
