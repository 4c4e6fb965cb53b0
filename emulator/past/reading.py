"""Reads exports, understands their columns, and sorts their rows into nights."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from emulator.errors import InputError
from emulator.past.attempts import attempts_of
from emulator.past.columns import Columns, guess_columns
from emulator.past.columns_file import StatedColumns, read_columns_file
from emulator.past.laws import check_installed
from emulator.past.learning import Learnt, learn
from emulator.past.nights import Nights, NightWindow, nights_of, parse_night
from emulator.past.tables import Table, read_table
from emulator.past.timetables import Timetable, read_timetable
from emulator.past.workloads import workload_columns, workload_zone
from emulator.scenario.files import open_regular

__all__ = ["History", "learn_files", "read_history", "taken_for"]

_ZONE: Final = "UTC"
_DIGITS: Final = 12


@dataclass(slots=True)
class History:
    """What files of past jobs hold.

    Attributes:
        tables: each table with the meaning of its columns.
        nights: the nights of all tables; None where there is no table.
        timetables: the crontabs and calendars.
        window: what a night is.
        zone: the zone of the wall clock.
        zone_guessed: whether nobody stated it.
        digest: of all files, as ``sha256:`` and twelve digits.
    """

    tables: list[tuple[Table, Columns]]
    nights: Nights | None
    timetables: list[Timetable]
    window: NightWindow
    zone: str
    zone_guessed: bool
    digest: str
    files: list[str] = field(default_factory=list)


def read_history(
    files: Sequence[Path | str],
    *,
    columns: StatedColumns | Path | str | None = None,
    night: str | None = None,
    zone: str | None = None,
    table: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> History:
    """Read exports of past jobs, crontabs and calendars.

    Args:
        files: the files; what stands in several exports counts once.
        columns: a file of columns, as ``sketch`` writes it; without it their meanings are guessed.
        night: when a night begins and how long it lasts, as ``18:00+14h``; by default as the file of columns says.
        zone: the zone of the times that state none; by default that of the file of columns, else that which a crontab,
            a calendar or a workload log states, else UTC.
        table: the table of SQLite files; by default the one with most rows.
        progress: told the share of the work that is done, from 0 to 1.

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
    if zone is not None and not _is_zone(zone):
        raise InputError(f"--zone {zone!r}: there is no such zone: write one such as America/Santiago")
    tables: list[Table] = []
    timetables: list[Timetable] = []
    for at, file in enumerate(files):
        found = read_timetable(file)
        if found is not None:
            timetables.append(found)
        else:
            tables.append(read_table(file, table, _part(progress, at, len(files))))
    if table is not None and not any(it.kind == "sqlite" for it in tables):
        raise InputError(f"--table {table}: no file is an SQLite file: leave it out")
    said = [*(it.zone for it in timetables), *(workload_zone(it) for it in tables)]
    known = zone or (stated.zone if stated else None) or next((it for it in said if it and _is_zone(it)), None)
    zone = known or _ZONE
    understood = [(it, _columns(it, stated, zone)) for it in tables]
    nights = nights_of(attempts_of(understood), window, zone) if understood else None
    if progress is not None:
        progress(1.0)
    return History(
        understood, nights, timetables, window, zone, known is None, _digest(files), [str(file) for file in files]
    )


def taken_for(history: History) -> str:
    """Say what the first file without past jobs was taken for."""
    it = history.timetables[0]
    return f"{it.name}: was taken for a {it.kind}, which tells nothing of past jobs"


def _part(progress: Callable[[float], None] | None, at: int, of: int) -> Callable[[float], None] | None:
    """Tell the progress on one file of several; what follows the reading takes about as long as it."""
    return None if progress is None else lambda share: progress((at + share) / of / 2)


def _columns(table: Table, stated: StatedColumns | None, zone: str) -> Columns:
    if stated is not None:
        return stated.of(table)
    return workload_columns(table) if table.is_workload else guess_columns(table, zone)


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _digest(files: Sequence[Path | str]) -> str:
    """Give a digest of the bytes of all files, in whichever order they were named."""
    each = []
    for file in files:
        one = sha256()
        with open_regular(file) as opened:
            while piece := opened.read(1 << 20):
                one.update(piece)
        each.append(one.hexdigest())
    whole = each[0] if len(each) == 1 else sha256("".join(sorted(each)).encode()).hexdigest()
    return f"sha256:{whole[:_DIGITS]}"


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
    history = read_history(files, columns=columns, night=night, zone=zone)
    nights = history.nights
    if nights is None:
        raise InputError(f"{taken_for(history)}: give an export of them")
    return learn(nights if until is None else nights.until(until))
