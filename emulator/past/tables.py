"""Reads the rows of a file, whatever program wrote it.

A file is delimited text (any of ``, ; | ^ ~``, tab, and two control characters), lines of JSON, a table of an SQLite
file, or a workload log in the standard format (``;`` before a comment, 18 numbers a line). The law: nothing is repaired
in silence. A row of another width than most rows is left out and counted with its line; a character set that had to be
guessed is said; a file that is none of these is refused with what it looks like.

Cells stay text here, in columns, because a column says more of its cells than a cell does of itself.
"""

import csv
import io
import itertools
import json
import os
import sqlite3
from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from emulator.errors import InputError
from emulator.scenario.files import open_regular

__all__ = ["LeftOut", "Table", "read_table"]

_SAMPLE: Final = 200
_CHUNK: Final = 20_000
_LONGEST_CELL: Final = 1_000_000
_MOST_DISTINCT: Final = 100_000
_MOST_COLUMNS: Final = 500
_MOST_LINES: Final = 20
"""A row of another width than most that reaches over more lines has a quote which nobody closed."""
_DELIMITERS: Final = {
    ";": "semicolon",
    "\t": "tab",
    ",": "comma",
    "|": "vertical bar",
    "^": "circumflex",
    "~": "tilde",
    "\x1f": "unit separator",
    "\x01": "byte 01",
}
_SQLITE: Final = b"SQLite format 3\x00"
_WORKLOAD: Final = (
    *("job", "submitted", "waited", "ran", "processors", "cpu", "memory", "processors asked", "time asked"),
    *("memory asked", "status", "user", "group", "application", "queue", "partition", "preceding", "think time"),
)
_STATUS: Final = _WORKLOAD.index("status")

_WORKLOAD_LOG: Final = "workload log"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Rows that were not used, or not as they are.

    Attributes:
        why: the reason, in words.
        count: how many.
        lines: the lines of the first few.
        file: where they stand.
        used: whether the rest of them is used all the same.
    """

    why: str
    count: int
    lines: tuple[int, ...]
    file: str = ""
    used: bool = False


@dataclass(slots=True)
class Table:
    """The rows of one file, as columns of text.

    Attributes:
        name: the file as given.
        kind: ``delimited``, ``json lines``, ``sqlite`` or ``workload log``.
        how: what else was recognised, such as the delimiter and the character set.
        names: the names of the columns; of nameless ones, ``column 1`` and so on.
        named: whether the file names its columns.
        columns: the cells, column by column.
        lines: the line of each row in the file, counted from 1.
        left_out: why rows were left out, how many, and where.
    """

    name: str
    kind: str
    how: dict[str, str]
    names: list[str]
    named: bool
    columns: list[list[str]]
    lines: "array[int]"
    left_out: list[LeftOut] = field(default_factory=list)

    @property
    def is_workload(self) -> bool:
        """Whether the format says what each column means."""
        return self.kind == _WORKLOAD_LOG

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.lines)

    @property
    def described(self) -> str:
        """Say what was recognised, in words."""
        return ", ".join(
            (self.kind, *(self.how[key] for key in ("table", "delimiter", "character set") if key in self.how))
        )


def read_table(path: str | Path, table: str | None = None, progress: Callable[[float], None] | None = None) -> Table:
    """Read a file of past jobs.

    Args:
        path: the file.
        table: the table of an SQLite file; without it the only one, or the one with most rows.
        progress: told the share of the file that was read, from 0 to 1.

    Raises:
        InputError: the file cannot be read, is empty, or is of no kind that is known here.
    """
    name = str(path)
    try:
        with open_regular(path) as file:
            head = file.read(65_536)
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {error.strerror}") from error
    if not head.strip():
        raise InputError(f"{name}: is empty: give an export with a row for each job")
    if head.startswith(_SQLITE):
        return _from_sqlite(name, table, progress)
    charset, said = _charset(head)
    try:
        return _from_text(name, charset, said, progress)
    except UnicodeDecodeError as error:
        if charset != "utf-8-sig":
            raise InputError(f"{name}: is not {said}, as it claims to be: save it as UTF-8") from error
    try:
        return _from_text(name, "cp1252", "Windows-1252, a guess: it is not UTF-8", progress)
    except UnicodeDecodeError as error:
        byte = error.object[error.start]
        said = f"the byte {byte:02x} is neither UTF-8 nor Windows-1252: save it as UTF-8"
        raise InputError(f"{name}:{_line_with(name, byte)}: {said}") from error


def _line_with(name: str, byte: int) -> int:
    """Find the first line with a byte; a decoder tells its place in a piece of the file only."""
    with open_regular(name) as file:
        return next((number for number, line in enumerate(file, 1) if byte in line), 1)


def _charset(head: bytes) -> tuple[str, str]:
    """Tell the character set by the mark at the file's start, or by zeros at every second place."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", "UTF-16"
    for codec, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[::2])):
        if len(head) > 3 and zeros.count(0) > 0.6 * len(zeros):
            return codec, "UTF-16, a guess: every second byte is zero"
    return "utf-8-sig", "UTF-8"


def _from_text(name: str, charset: str, said: str, progress: Callable[[float], None] | None) -> Table:
    with open_regular(name) as file, io.TextIOWrapper(file, charset, errors="strict", newline="") as text:
        sample = [line for line, _ in zip(text, range(_SAMPLE), strict=False)]
    filled = [line for line in sample if line.strip()]
    if not filled:
        raise InputError(f"{name}: holds nothing but blank lines: give an export with a row for each job")
    lines = _Lines(name, charset, progress)
    first = filled[0].strip()
    if first == "[" or first.startswith("[{"):
        raise InputError(
            f"{name}: is one list of JSON: write each of its mappings on a line of its own, without commas"
        )
    if first.startswith("{"):
        table = _from_json(name, lines)
    elif _is_workload(filled):
        table = _from_workload(name, lines)
    else:
        table = _from_delimited(name, lines, sample)
    table.how["character set"] = said
    return table


class _Lines:
    """The lines of a text, read anew each time that they are asked for; ``zeros`` are those with a zero byte."""

    def __init__(self, name: str, charset: str, progress: Callable[[float], None] | None) -> None:
        self._name = name
        self._charset = charset
        self._progress = progress
        self.zeros: set[int] = set()

    def __iter__(self) -> Iterator[str]:
        with (
            open_regular(self._name) as file,
            io.TextIOWrapper(file, self._charset, errors="strict", newline="") as text,
        ):
            size, line = max(1, os.fstat(file.fileno()).st_size), 0
            while chunk := list(itertools.islice(text, _CHUNK)):
                if self._progress is not None:
                    self._progress(file.tell() / size)
                self.zeros.update(at for at, each in enumerate(chunk, line + 1) if "\0" in each)
                line += len(chunk)
                yield from chunk


class _Columns:
    """Collects rows of one width as columns; cells that come again share one text."""

    def __init__(self, width: int) -> None:
        self.columns: list[list[str]] = [[] for _ in range(width)]
        self.lines = array("q")
        self._seen: list[dict[str, str] | None] = [{} for _ in range(width)]
        self._rows: list[Iterable[str]] = []

    def add(self, row: Iterable[str], line: int) -> None:
        self.lines.append(line)
        self._rows.append(row)
        if len(self._rows) == _CHUNK:
            self.settle()

    def settle(self) -> None:
        if not self._rows:
            return
        for at, cells in enumerate(zip(*self._rows, strict=True)):
            seen = self._seen[at]
            if seen is None:
                self.columns[at].extend(cells)
                continue
            setdefault = seen.setdefault
            self.columns[at].extend([setdefault(cell, cell) for cell in cells])
            if len(seen) > _MOST_DISTINCT:
                self._seen[at] = None
        self._rows.clear()


class _Skipped:
    """Counts what is left out, with the first lines of it."""

    def __init__(self) -> None:
        self._counts: Counter[str] = Counter()
        self._lines: dict[str, list[int]] = {}

    def add(self, why: str, line: int) -> None:
        self._counts[why] += 1
        lines = self._lines.setdefault(why, [])
        if len(lines) < 5:
            lines.append(line)

    def told(self) -> list[LeftOut]:
        return [LeftOut(why, count, tuple(self._lines[why])) for why, count in self._counts.items()]


def _from_delimited(name: str, lines: _Lines, sample: list[str]) -> Table:
    old = csv.field_size_limit(_LONGEST_CELL)
    try:
        return _delimited(name, lines, *_delimiter(name, sample))
    finally:
        csv.field_size_limit(old)


def _delimited(name: str, lines: _Lines, delimiter: str, width: int) -> Table:
    found, skipped, header = _Columns(width), _Skipped(), None
    rows = csv.reader(lines, delimiter=delimiter, strict=False)
    before = 0
    try:
        for row in rows:
            line, before = before + 1, rows.line_num
            if len(row) != width:
                if before - line >= _MOST_LINES:
                    raise InputError(
                        f"{name}:{line}: a quote opens here, and {before - line} more lines belong to it: close "
                        "it, or write it twice where it belongs to the text"
                    )
                skipped.add("blank" if not any(cell.strip() for cell in row) else "another width", line)
            elif lines.zeros and not lines.zeros.isdisjoint(range(line, before + 1)):
                skipped.add("a zero byte in it", line)
            elif header is None and not found.lines and _names_columns(row):
                header = [cell.strip() for cell in row]
            elif header is not None and [cell.strip() for cell in row] == header:
                skipped.add("header again", line)
            else:
                found.add(row, line)
    except csv.Error as error:
        raise InputError(f"{name}:{rows.line_num}: cannot be read as rows: {error}") from error
    found.settle()
    if not found.lines:
        raise InputError(f"{name}: holds a header and no rows: give an export with a row for each job")
    names = _distinct(header) if header else [f"column {at + 1}" for at in range(width)]
    return Table(
        name,
        "delimited",
        {"delimiter": _DELIMITERS[delimiter]},
        names,
        header is not None,
        found.columns,
        found.lines,
        skipped.told(),
    )


def _delimiter(name: str, sample: list[str]) -> tuple[str, int]:
    """Find the delimiter by which most lines have one width above 1; of equals, that with the most columns."""
    best: tuple[float, int, str] | None = None
    for delimiter in _DELIMITERS:
        try:
            widths = Counter(len(row) for row in csv.reader(sample, delimiter=delimiter) if row)
        except csv.Error:
            continue
        widths.pop(1, None)
        if not widths:
            continue
        width, count = max(widths.items(), key=lambda pair: (pair[1], pair[0]))
        held = count / len(sample)
        if best is None or (round(held, 1), width) > (round(best[0], 1), best[1]):
            best = (held, width, delimiter)
    if best is None or best[1] > _MOST_COLUMNS:
        raise InputError(
            f"{name}: no rows were recognised: give delimited text (`;`, `,`, `|` or tab), lines of JSON, an SQLite "
            "file, or a workload log in the standard format"
        )
    return best[2], best[1]


def _names_columns(row: list[str]) -> bool:
    """Whether a row names columns: no digit begins any cell, and few say the same."""
    cells = [cell.strip() for cell in row]
    return 2 * len(set(cells)) > len(cells) and all(cell and not cell[0].isdigit() and cell[0] != "-" for cell in cells)


def _distinct(names: list[str]) -> list[str]:
    seen: Counter[str] = Counter()
    out = []
    for at, name in enumerate(names):
        seen[name] += 1
        out.append(name if seen[name] == 1 and name else f"{name or 'column'} {at + 1}")
    return out


def _from_json(name: str, lines: Iterable[str]) -> Table:
    names: dict[str, int] = {}
    columns: list[list[str]] = []
    numbers, skipped = array("q"), _Skipped()
    for line, text in enumerate(lines, 1):
        if not text.strip():
            skipped.add("blank", line)
            continue
        try:
            record = json.loads(text)
        except (ValueError, RecursionError):
            skipped.add("no JSON", line)
            continue
        if not isinstance(record, dict):
            skipped.add("no mapping", line)
            continue
        for key, value in _flat(record):
            at = names.get(key)
            if at is None:
                if len(names) == _MOST_COLUMNS:
                    raise InputError(
                        f"{name}:{line}: more than {_MOST_COLUMNS} keys: export the jobs' own fields alone"
                    )
                at = names[key] = len(columns)
                columns.append([""] * len(numbers))
            columns[at].append(value)
        numbers.append(line)
        for column in columns:
            if len(column) < len(numbers):
                column.append("")
    if not numbers:
        raise InputError(f"{name}: no line of it is a JSON mapping: give one mapping a line, a job each")
    return Table(name, "json lines", {}, list(names), True, columns, numbers, skipped.told())


def _flat(record: dict[str, object], before: str = "") -> Iterator[tuple[str, str]]:
    """Give a mapping's values as texts, those of a mapping inside it under ``outer.inner``."""
    for key, value in record.items():
        if isinstance(value, dict) and not before:
            yield from _flat(value, f"{key}.")
        elif value is None:
            continue
        else:
            yield before + str(key), value if isinstance(value, str) else json.dumps(value)


def _from_sqlite(name: str, table: str | None, progress: Callable[[float], None] | None) -> Table:
    try:
        connection = sqlite3.connect(f"{Path(name).absolute().as_uri()}?mode=ro", uri=True)
        try:
            tables = [
                row[0] for row in connection.execute("select name from sqlite_master where type = 'table' order by 1")
            ]
            if table is not None and table not in tables:
                raise InputError(f"{name}: has no table `{table}`, but {', '.join(tables) or 'none'}")
            counts = {
                each: connection.execute(f"select count(*) from {_quoted(each)}").fetchone()[0] for each in tables
            }
            if not any(counts.values()):
                raise InputError(f"{name}: no table of it holds a row")
            chosen = table if table is not None else max(counts, key=lambda each: counts[each])
            cursor = connection.execute(f"select * from {_quoted(chosen)}")
            names = [each[0] for each in cursor.description]
            found = _Columns(len(names))
            for line, row in enumerate(cursor, 1):
                found.add(["" if cell is None else str(cell) for cell in row], line)
                if progress is not None and not line % _CHUNK:
                    progress(min(1.0, line / counts[chosen]))
            found.settle()
        finally:
            connection.close()
    except sqlite3.Error as error:
        said = f"cannot be read as an SQLite file: {error}: give a whole copy that no program writes to"
        raise InputError(f"{name}: {said}") from error
    return Table(name, "sqlite", {"table": chosen}, _distinct(names), True, found.columns, found.lines)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _is_workload(lines: list[str]) -> bool:
    rows = [line.split() for line in lines if not line.startswith(";")]
    return bool(rows) and all(len(row) == len(_WORKLOAD) and _all_numbers(row) for row in rows[:20])


def _all_numbers(cells: list[str]) -> bool:
    return all(cell.lstrip("-").replace(".", "", 1).isdigit() for cell in cells)


def _from_workload(name: str, lines: Iterable[str]) -> Table:
    found, skipped, how = _Columns(len(_WORKLOAD)), _Skipped(), {}
    for line, text in enumerate(lines, 1):
        if text.startswith(";"):
            key, colon, value = text[1:].partition(":")
            if colon and key.strip() in ("UnixStartTime", "TimeZoneString"):
                how[key.strip()] = value.strip()
            continue
        row = text.split()
        if len(row) == len(_WORKLOAD) and _all_numbers(row):
            # By definition, lines of these codes tell pieces of a job that has a line of its own besides.
            if row[_STATUS] in ("2", "3", "4"):
                skipped.add("a piece of a job", line)
            else:
                found.add(row, line)
        else:
            skipped.add("blank" if not row else "another width", line)
    found.settle()
    return Table(name, _WORKLOAD_LOG, how, list(_WORKLOAD), True, found.columns, found.lines, skipped.told())
