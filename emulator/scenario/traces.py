"""The files of what was measured: a trace of arrivals, line by line, and times that a distribution draws from.

Two formats of a trace: CSV with a header line (columns below), and the Standard Workload Format (18 fields a line,
``;`` before a comment, -1 for unknown). The law: a trace is a stream. One line is in memory at a time, a line has a
longest length, and arrivals come in order of time, because whatever plays them cannot look ahead; a file that is out of
order is refused at the line, never sorted in memory.

CSV columns: ``at`` (a moment as in a scenario) or ``at_seconds`` (seconds from the start), one of the two; and, if
wanted, ``routine``, ``priority``, ``key``, ``takes`` (a duration), ``job``, ``outcome``, ``worker`` and
``parameter.NAME``. An empty cell says nothing. Columns are separated by commas, semicolons or tabs, as in the header.
What can be read in two ways is refused: a decimal comma would be a thousands separator elsewhere.

``{from_file: times.csv}`` stands for ``{one_of: [...]}`` with the times of the file. A line is a duration such as
``90s``, or a number of seconds; what follows a comma, a semicolon or a tab is not read; a first line that is no time is
a heading; blank lines are passed over.
"""

import csv
import re
from collections.abc import Generator, Iterator, Mapping
from contextlib import closing
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any, Final, TypeVar

from emulator.errors import InputError, Problem, ScenarioError
from emulator.records import record
from emulator.scenario.clock import Clock
from emulator.scenario.files import Folders, open_regular, read_once
from emulator.scenario.messages import Found, Loc
from emulator.scenario.spelling import LONGEST, advise, nearest, parse_duration
from emulator.timeline.ticks import SECOND

__all__ = [
    "Arrival",
    "WorkloadJob",
    "read_arrivals",
    "read_csv",
    "read_workload",
    "times_files",
    "with_times",
    "workload_header",
]


_T = TypeVar("_T")
Lines = Generator[_T, None, None]
"""What comes line by line out of a file, which is closed with it."""


_LONGEST_LINE: Final = 100_000
_COLUMNS: Final = ("at", "at_seconds", "routine", "priority", "key", "takes", "job", "outcome", "worker")
_OUTCOMES: Final = ("ok", "error", "permanent_error", "time_limit", "lease_lost")
_UTF_16: Final = (b"\xff\xfe", b"\xfe\xff")
_SAVE_AS: Final = "save the file as UTF-8 (spreadsheets call it CSV UTF-8)"
_NEAR: Final = 0.7
_LONGEST_NAME: Final = 200
_SEPARATORS: Final = (";", "\t")
_PARAMETER: Final = "parameter."
_ALLOWED_COLUMNS: Final = (*_COLUMNS, _PARAMETER + "NAME")
_NUMBER = re.compile(r"-?\d{1,15}(?:\.\d{1,15})?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"-?\d{1,15},\d{1,15}[a-z]*", re.ASCII)
_WHOLE = re.compile(r"-?\d{1,15}(?:\.0{1,15})?", re.ASCII)
_HEADER = re.compile(r";\s*(?P<name>[A-Za-z][A-Za-z ]*?)\s*:\s*(?P<value>.*?)\s*")
_FIELDS: Final = (
    *("job number", "submit time", "wait time", "run time", "allocated processors", "average CPU time", "used memory"),
    *("requested processors", "requested time", "requested memory", "status", "user", "group", "application", "queue"),
    *("partition", "preceding job", "think time"),
)
_PARTIAL: Final = (2, 3, 4)


@record
class Arrival:
    """One job that a trace submits: at a tick, with whatever else its line tells (None where it tells nothing).

    ``job`` is the number or name that it had where it comes from; ``outcome`` and ``worker`` tell what happened then,
    which a run finds anew.
    """

    tick: int
    line: int
    routine: str | None = None
    priority: int | None = None
    key: str | None = None
    takes: int | None = None
    parameters: tuple[tuple[str, str], ...] = ()
    job: str | None = None
    outcome: str | None = None
    worker: str | None = None


@record
class WorkloadJob:
    """One line of a workload log in the standard format: times in ticks, None where the log says -1 (unknown).

    ``status`` is 1 for completed, 0 for failed, 5 for cancelled; 2, 3 and 4 mark a line that tells only a part of a
    job's execution.
    """

    line: int
    number: int
    submitted: int | None
    waited: int | None
    ran: int | None
    processors: int | None
    requested_processors: int | None
    requested_time: int | None
    status: int | None
    user: int | None
    group: int | None
    application: int | None
    queue: int | None


def read_arrivals(path: Path | str, clock: Clock) -> Lines[Arrival]:
    """Yield the arrivals of a trace in order of time; the ending of the name tells the format (.csv or .swf).

    From a workload log come the job number, the submit time, the run time, and the processors (requested ones, else
    allocated ones) as the parameter ``processors``. Lines that tell only a part of a job's execution are no arrivals.

    Raises:
        ScenarioError: for the first line that is wrong, with its number.
    """
    ending = Path(path).suffix.lower()
    if ending not in (".csv", ".swf"):
        raise _wrong(path, 0, f"a trace of the kind {ending!r} is not known: name it .csv or .swf")
    return _in_order(path, read_csv(path, clock) if ending == ".csv" else _submitted(path))


def _in_order(path: Path | str, arrivals: Lines[Arrival]) -> Lines[Arrival]:
    before = 0
    with closing(arrivals):
        for arrival in arrivals:
            if arrival.tick < before:
                raise _wrong(path, arrival.line, "this arrival is earlier than the one before: sort the file by time")
            before = arrival.tick
            yield arrival


def _submitted(path: Path | str) -> Lines[Arrival]:
    with closing(read_workload(path)) as jobs:
        for job in jobs:
            if job.status in _PARTIAL:
                continue
            if job.submitted is None:
                raise _wrong(path, job.line, "the submit time (field 2) is unknown: a job needs one")
            processors = job.requested_processors if job.requested_processors is not None else job.processors
            parameters = () if processors is None else (("processors", str(processors)),)
            yield Arrival(job.submitted, job.line, takes=job.ran, parameters=parameters, job=str(job.number))


def read_csv(path: Path | str, clock: Clock) -> Lines[Arrival]:
    """Yield the arrivals of a CSV trace in the order of the file.

    Raises:
        ScenarioError: for the first line that is wrong, with its number.
    """
    lines = _lines(path)
    columns: list[str] = []
    before: list[str] = []
    rows = csv.reader(before)
    try:
        for line in lines:
            before.append(line)
            if line.strip():
                break
        rows = csv.reader(chain(before, lines), delimiter=_separator(before), strict=True)
        for cells in rows:
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns = [cell.strip() for cell in cells]
                _check_columns(path, rows.line_num, columns, cells)
                continue
            if len(cells) != len(columns):
                raise _wrong(path, rows.line_num, f"{len(cells)} cells, but the header names {len(columns)} columns")
            row = {name: cell.strip() for name, cell in zip(columns, cells, strict=True)}
            yield _arrival(path, rows.line_num, row, clock, cells)
    except csv.Error as error:
        raise _wrong(path, rows.line_num, f"this is not valid CSV: {error}") from None
    finally:
        lines.close()  # now: an error that is kept would keep the file open
    if not columns:
        raise _wrong(path, 0, "the file is empty: its first line names columns such as at,routine")


def _separator(before: list[str]) -> str:
    """Tell by the header, the last of the first lines, what stands between columns."""
    header = before[-1] if before else ""
    return next((mark for mark in _SEPARATORS if mark in header and "," not in header), ",")


def _place(cells: list[str], number: int) -> int:
    """Give the column at which a cell begins, from 1; where a cell is quoted, as if none were."""
    ahead = cells[number]
    return 1 + sum(len(cell) + 1 for cell in cells[:number]) + len(ahead) - len(ahead.lstrip())


def _check_columns(path: Path | str, line: int, columns: list[str], cells: list[str]) -> None:
    for number, name in enumerate(columns):
        if name not in _COLUMNS and not (name.startswith(_PARAMETER) and name != _PARAMETER):
            near = nearest(name, _ALLOWED_COLUMNS, cutoff=_NEAR)
            hint = f"did you mean {near!r}?" if near else f"allowed are: {', '.join(sorted(_ALLOWED_COLUMNS))}"
            if any(mark in name for mark in _SEPARATORS):
                hint = "separate columns by commas, or all by semicolons, or all by tabs"
            elif name.startswith("sep="):
                hint = "take this line away, the separator is told by the header"
            raise _wrong(path, line, f"the column {name[:40]!r} is not known: {hint}", _place(cells, number))
        if name in columns[:number]:
            raise _wrong(path, line, f"the column {name!r} stands there twice: keep one", _place(cells, number))
    if ("at" in columns) == ("at_seconds" in columns):
        raise _wrong(path, line, "one of the columns at and at_seconds is needed, and not both")


def _arrival(path: Path | str, line: int, row: dict[str, str], clock: Clock, cells: list[str]) -> Arrival:
    name = "at" if "at" in row else "at_seconds"
    try:
        tick = clock.moment(row["at"]) if name == "at" else _ticks(row["at_seconds"])
        if not 0 <= tick <= LONGEST:
            raise ValueError(f"{row[name]!r} lies before the start of the scenario, or more than 100 years after it")
        name = "takes"
        takes = parse_duration(row["takes"]) if row.get("takes") else None
        name = "priority"
        priority = _whole(row["priority"]) if row.get("priority") else None
        name = "outcome"
        if (outcome := row.get("outcome") or None) is not None and outcome not in _OUTCOMES:
            raise ValueError(f"{outcome[:40]!r} is not known: {advise(outcome, _OUTCOMES)}")
        for name in ("job", "worker"):
            if len(row.get(name, "")) > _LONGEST_NAME:
                raise ValueError(f"more than {_LONGEST_NAME} characters")
    except ValueError as error:
        what = str(error)
        if _DECIMAL_COMMA.fullmatch(row[name]):
            what = f"{row[name]!r} is no number here, it has a decimal comma: write 12.5 for 12,5"
        raise _wrong(path, line, f"column {name}: {what}", _place(cells, list(row).index(name))) from None
    named = ((column.removeprefix(_PARAMETER), cell) for column, cell in row.items() if column.startswith(_PARAMETER))
    return Arrival(
        tick=tick,
        line=line,
        routine=row.get("routine") or None,
        priority=priority,
        key=row.get("key") or None,
        takes=takes,
        parameters=tuple((name, cell) for name, cell in named if cell),
        job=row.get("job") or None,
        outcome=outcome,
        worker=row.get("worker") or None,
    )


def workload_header(path: Path | str) -> dict[str, str]:
    """Give the labelled comments at the head of a workload log, such as UnixStartTime and MaxProcs.

    Of a label that comes more than once (Note, Queue), the values are joined by line breaks.

    Raises:
        ScenarioError: when the file cannot be read.
    """
    header: dict[str, str] = {}
    for line in _lines(path):
        if line.strip() and not line.lstrip().startswith(";"):
            break
        if found := _HEADER.fullmatch(line.strip()):
            name, value = found["name"], found["value"]
            header[name] = f"{header[name]}\n{value}" if name in header else value
    return header


def read_workload(path: Path | str) -> Lines[WorkloadJob]:
    """Yield every record of a log in the Standard Workload Format, in the order of the file.

    Blank lines and comments may stand anywhere; decimals are accepted in times.

    Raises:
        ScenarioError: for the first line that is wrong, with its number.
    """
    with closing(_lines(path)) as lines:  # at once: an error that is kept would keep the file open
        for number, line in enumerate(lines, start=1):
            words = line.split()
            if not words or words[0].startswith(";"):
                continue
            places = [found.start() + 1 for found in re.finditer(r"\S+", line)]
            if len(words) != len(_FIELDS):
                raise _wrong(path, number, f"{len(words)} fields: a record of this format has {len(_FIELDS)}")
            for field, word in enumerate(words):
                if not _NUMBER.fullmatch(word):
                    what = (
                        f"field {field + 1} ({_FIELDS[field]}): {word[:40]!r} is not a number (-1 stands for unknown)"
                    )
                    raise _wrong(path, number, what, places[field])
            yield _job(path, number, words, places)


def _job(path: Path | str, line: int, words: list[str], places: list[int]) -> WorkloadJob:
    def whole(field: int) -> int | None:
        try:
            value = _whole(words[field - 1])
        except ValueError as error:
            raise _wrong(path, line, f"field {field} ({_FIELDS[field - 1]}): {error}", places[field - 1]) from None
        return value if value >= 0 else None

    def ticks(field: int) -> int | None:
        value = _ticks(words[field - 1])
        if value > LONGEST:
            raise _wrong(path, line, f"field {field} ({_FIELDS[field - 1]}): more than 100 years", places[field - 1])
        return value if value >= 0 else None

    number = whole(1)
    if number is None:
        raise _wrong(path, line, "field 1 (job number): a job needs one", places[0])
    return WorkloadJob(
        line=line,
        number=number,
        submitted=ticks(2),
        waited=ticks(3),
        ran=ticks(4),
        processors=whole(5),
        requested_processors=whole(8),
        requested_time=ticks(9),
        status=whole(11),
        user=whole(12),
        group=whole(13),
        application=whole(14),
        queue=whole(15),
    )


def _whole(text: str) -> int:
    if _WHOLE.fullmatch(text):
        return int(text.partition(".")[0])
    raise ValueError(f"{text[:40]!r} is not a whole number")


def _ticks(seconds: str) -> int:
    """Read seconds as ticks, rounded to the nearest one."""
    if not _NUMBER.fullmatch(seconds):
        raise ValueError(f"{seconds[:40]!r} is not a number of seconds, such as 90 or 12.5")
    return round(Fraction(seconds) * SECOND) if "." in seconds else int(seconds) * SECOND


def _lines(path: Path | str) -> Lines[str]:
    """Yield the lines of a file, which is UTF-8, with or without a byte order mark.

    UTF-16 is refused by name: it is recognised by its byte order mark, or by a NUL beside each of the first letters.
    """
    number = 0
    try:
        with open_regular(path) as file:
            while raw := file.readline(_LONGEST_LINE + 1):
                number += 1
                if len(raw) > _LONGEST_LINE:
                    raise _wrong(path, number, f"this line is longer than {_LONGEST_LINE:,} bytes")
                if number == 1 and (raw.startswith(_UTF_16) or raw[:4:2] == b"\0\0" or raw[1:4:2] == b"\0\0"):
                    raise _wrong(path, number, f"this file is in UTF-16: {_SAVE_AS}")
                if b"\0" in raw:
                    raise _wrong(path, number, "NUL byte: this is a binary file")
                yield raw.decode("utf-8-sig" if number == 1 else "utf-8")
    except UnicodeDecodeError:
        raise _wrong(path, number, f"this line is not UTF-8: {_SAVE_AS}") from None
    except OSError as error:
        raise _wrong(path, 0, f"cannot be read: {error.strerror}") from None


def _wrong(path: Path | str, line: int, message: str, column: int = 1) -> ScenarioError:
    return ScenarioError([Problem(str(path), line, column if line else 0, "", message, "wrong-trace")])


_HOLDERS: Final = (dict, list)
_MOST: Final = 100_000
_LARGEST: Final = 10_000_000
_SECONDS: Final = re.compile(r"\d{1,9}(?:\.\d{1,9})?")


def with_times(data: Any, folders: Folders) -> tuple[Any, list[Found]]:
    """Put the times of every file that is named in the place of its name; what cannot be read is told, and stays."""
    found: list[Found] = []
    return _walked(data, folders, (), found), found


def times_files(data: Any) -> Iterator[str]:
    """List the files of times that plain data names."""
    if isinstance(data, Mapping):
        if isinstance(name := data.get("from_file"), str):
            yield name
        for value in data.values():
            if isinstance(value, _HOLDERS):
                yield from times_files(value)
    elif isinstance(data, list):
        for item in data:
            if isinstance(item, _HOLDERS):
                yield from times_files(item)


def _walked(data: Any, folders: Folders, loc: Loc, found: list[Found]) -> Any:
    if isinstance(data, list):
        return [_walked(item, folders, (*loc, place), found) for place, item in enumerate(data)]
    if not isinstance(data, dict) or (not loc and not any(times_files(data))):
        return data
    name = data.get("from_file")
    if isinstance(name, str) and name and loc[:1] != ("variants",):
        if wrong := folders.check(name):
            found.append(Found((*loc, "from_file"), wrong))
            return data
        try:
            times = _times(folders.own / name)
        except InputError as error:
            found.append(Found((*loc, "from_file"), str(error)))
            return data
        return {**{key: value for key, value in data.items() if key != "from_file"}, "one_of": list(times)}
    return {key: _walked(value, folders, (*loc, key), found) for key, value in data.items()}


@read_once
def _times(path: Path) -> tuple[str, ...]:
    """Read the times of a file.

    Raises:
        InputError: it cannot be read, holds no time or too many, or a line is none.
    """
    try:
        with open_regular(path) as file:
            raw = file.read(_LARGEST + 1)
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name}: cannot be read as a file of times: {error}") from error
    times = []
    for line, whole in enumerate(text.splitlines(), 1):
        cell = re.split("[,;\t]", whole, maxsplit=1)[0].strip()
        if not cell:
            continue
        said = f"{cell}s" if _SECONDS.fullmatch(cell) else cell
        try:
            parse_duration(said)
        except ValueError as error:
            if line == 1:
                continue
            raise InputError(f"{path.name}:{line}: {cell[:40]!r} is no time: {error}") from error
        times.append(said)
    if not times or len(times) > _MOST or len(raw) > _LARGEST:
        raise InputError(f"{path.name}: holds {len(times)} times: give from 1 to {_MOST}, a line each")
    return tuple(times)
