"""The SQLite event log: its tables, its rules, and the SQL that writes and reads it.

All SQL of the project is in this file, and nothing else: who writes is ``log_writer``, who reads is ``log_reader``.

The law of the log:

- **Append only.** A row of ``events`` is never changed: triggers refuse it. (They cannot see a row replaced under its
  own number; a guard against that halves the writing speed, so the digest of a finished run finds it instead.)
- **A batch is a transaction.** After a kill at any moment the file holds every batch that was committed and nothing
  of the next: write-ahead logging with ``synchronous = NORMAL`` survives the end of the process. (After a power cut
  the file is sound too, but the last batches may be missing.)
- **A name appears when its log is whole.** Tables and meta data are made in a file beside it, which is then renamed.
- **A log has one writer.** As long as a run writes, it holds a lock on a file beside the log (``Turn``).
- **A reader trusts no file.** It asks tables with the very SQL that is written here, never views; rows have a longest
  length, tables other than ``events`` a largest number of rows, and no index of anybody's is used.
- **No index.** Each would add more than half to the cost of a row; to scan a million events for one job takes some
  0.15 s (measured with rows of six kinds on one core).
"""

import asyncio
import os
import sqlite3
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

import aiosqlite

from emulator.errors import LogError
from emulator.record.encoding import Columns, Record, interleaved

__all__ = [
    "STEPS",
    "LogFile",
    "Trace",
    "Turn",
    "create",
    "read_facts",
    "select",
    "select_extent",
    "select_jobs",
    "select_last",
    "select_workers",
]

Trace = Callable[[str], object] | None
"""Told every statement that SQLite executes, values included."""

_APPLICATION: Final = 0x71644C67  # "qdLg": how the file says that it is an event log
_LONGEST: Final = 16_000_000
"""Bytes that a row of a log may have. A scenario file has at most 2 MB, and an event far less."""
_MOST_FACTS: Final = 100
_STEPS_FOR_A_BYTE: Final = 50
"""So many steps of SQLite's machine may a question take for each byte of a log.

A row takes far fewer for each of its bytes, unless the tree of pages of a damaged file leads round in circles.
"""
_TABLES: Final = ("events", "meta", "schema_steps")
_FORMAT: Final = 3
"""The format of what the rows hold: raised when a kind of event, a detail or a word of it gets another name. A file of
another format is not read; those of before said nothing (0)."""


def events_and_meta() -> Sequence[str]:
    """Make the tables: what happened, and what the run was made of."""
    return (
        "CREATE TABLE events (n INTEGER PRIMARY KEY, at INTEGER NOT NULL, kind TEXT NOT NULL, cause INTEGER NOT NULL,"
        " job INTEGER NOT NULL, worker TEXT NOT NULL, body TEXT NOT NULL)",
        "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    )


def append_only() -> Sequence[str]:
    """Refuse every change of an event."""
    return tuple(
        f"CREATE TRIGGER events_refuse_{change.lower()} BEFORE {change} ON events"
        " BEGIN SELECT RAISE(ABORT, 'events are only ever appended'); END"
        for change in ("UPDATE", "DELETE")
    )


def state_of_jobs() -> Sequence[str]:
    """Show the state of each job after its last event that tells one."""
    return (
        "CREATE VIEW jobs AS SELECT job,"
        " CASE kind WHEN 'handed_out' THEN 'running' WHEN 'resumed' THEN 'running' WHEN 'suspended' THEN 'suspended'"
        " ELSE json_extract(body, '$.state') END AS state,"
        " coalesce(json_extract(body, '$.sub_state'), '') AS sub_state, at AS since, max(n) AS event FROM events"
        " WHERE kind IN ('submitted', 'held', 'hold_ended', 'handed_out', 'handed_back', 'requeued', 'finished',"
        " 'suspended', 'resumed') GROUP BY job",
    )


STEPS: Final = (events_and_meta, append_only, state_of_jobs)
"""The steps from an empty file to the present schema; the schema's version is their number. Only ever appended to."""


def _apply_steps(connection: sqlite3.Connection) -> None:
    """Take the steps that the file has not seen, and note each in ``schema_steps``."""
    connection.execute("CREATE TABLE IF NOT EXISTS schema_steps (number INTEGER PRIMARY KEY, name TEXT NOT NULL)")
    (done,) = connection.execute("SELECT count(*) FROM schema_steps").fetchone()
    for number, step in enumerate(STEPS[done:], done + 1):
        for statement in step():
            connection.execute(statement)
        connection.execute("INSERT INTO schema_steps VALUES (?, ?)", (number, step.__name__))


# -- writing ------------------------------------------------------------------------------------------------------


def create(path: Path, facts: Mapping[str, str], *, overwrite: bool = False, trace: Trace = None) -> None:
    """Make an empty log with its meta data; ``overwrite`` takes the place of an earlier log, but of nothing else.

    Raises:
        LogError: when the path is taken, or the file cannot be made.
    """
    with _in_words(path, "the log cannot be made"):
        if path.exists() or path.is_symlink():
            if path.is_dir():
                raise LogError(f"{path}: {_no_file(path)}")
            if not overwrite:
                raise LogError(f"{path}: is already there: name another file, or say that it may be overwritten")
            with _reading(path, None, any_format=True):
                pass  # refuses whatever is no log
        if not path.parent.is_dir():
            raise LogError(f"{path}: there is no folder {path.parent}: make it first")
        if not path.exists():
            _check_nothing_left(path)
        unborn = path.with_name(f"{path.name}.{os.urandom(8).hex()}.unborn")  # nobody else has a file of that name
        try:
            _fill(unborn, facts, trace)
            for side in ("-wal", "-shm"):  # of the log that is overwritten: they would be taken for the new one's
                path.with_name(path.name + side).unlink(missing_ok=True)
            os.replace(unborn, path)
        finally:
            unborn.unlink(missing_ok=True)


def _check_nothing_left(path: Path) -> None:
    """Refuse a new log beside events of one that was moved away: SQLite would take them for the new one's."""
    for side in ("-wal", "-journal"):
        left = path.with_name(path.name + side)
        if left.exists():
            raise LogError(f"{path}: {left.name} is left of an earlier log: move it to that log, or remove it")


class Turn:
    """The right to write the log of a name, which one run has at a time; made by ``take``.

    It is a lock on the file ``NAME.lock`` beside the log, so the system gives it back when a run is killed. Not the log
    itself is locked: SQLite's own locks on it would go when this one's file is closed.
    """

    __slots__ = ("_file", "_path")

    _MARK: Final = b"A run of queuedrill is writing the log beside this file, unless it was killed.\n"

    def __init__(self, path: Path, file: int) -> None:
        self._path, self._file = path, file

    @classmethod
    def take(cls, log: Path) -> "Turn":
        """Take the turn at a log that is there or is to be made.

        Raises:
            LogError: when another run has it, or no file can be made beside the log.
        """
        try:
            import fcntl
        except ImportError:  # a system without it can still read logs
            what = "this system lacks the locks (fcntl) that keep two runs from writing one log"
            raise LogError(f"{log}: {what}: run without a log, or on Linux") from None
        path = log.absolute().with_name(log.name + ".lock")  # the run may change its folder meanwhile
        with _in_words(log, "the log cannot be made"):
            if not path.parent.is_dir():
                raise LogError(f"{log}: there is no folder {path.parent}: make it first")
            while True:
                file = cls._open(path)
                try:
                    if not stat.S_ISREG(os.fstat(file).st_mode):
                        raise LogError(f"{log}: {path} is no regular file: a run locks it as long as it writes the log")
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    if os.path.samestat(os.fstat(file), os.lstat(path)):
                        return cls(path, file)
                except FileNotFoundError:  # it was given back between the two looks
                    pass
                except BlockingIOError:
                    os.close(file)
                    raise LogError(
                        f"{log}: another run is writing this log: wait for its end, or name another file"
                    ) from None
                except BaseException:
                    os.close(file)
                    raise
                os.close(file)

    @classmethod
    def _open(cls, path: Path) -> int:
        """Open the lock's file; only one that is made here gets the mark by which it may be removed."""
        options = os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        try:
            file = os.open(path, options | os.O_CREAT | os.O_EXCL, 0o644)
        except FileExistsError:
            return os.open(path, options)
        os.write(file, cls._MARK)
        return file

    def give_back(self) -> None:
        """Let another run write; the lock's file goes, unless it holds anything of somebody else's."""
        if os.pread(self._file, len(self._MARK) + 1, 0) == self._MARK:
            with suppress(OSError):
                self._path.unlink()
        os.close(self._file)


def _fill(path: Path, facts: Mapping[str, str], trace: Trace) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.set_trace_callback(trace)
        connection.execute(f"PRAGMA application_id = {_APPLICATION}")
        connection.execute(f"PRAGMA user_version = {_FORMAT}")
        connection.execute("BEGIN")
        _apply_steps(connection)
        connection.executemany("INSERT INTO meta VALUES (?, ?)", sorted(facts.items()))
        connection.execute("COMMIT")


_ROWS_AT_ONCE: Final = 50
"""So many rows are inserted by one statement: some 30 % less work than with one for each; more of them gain nothing."""


def _insert(rows: int) -> str:
    """Give the first row the number that is given, which must be new, and each other one the number that comes next.

    The numbers are the same as if each were given, but SQLite need not look for where each belongs.
    """
    others = ["(NULL, ?, ?, ?, ?, ?, ?)"] * (rows - 1)
    return f"INSERT INTO events VALUES {', '.join(['(?, ?, ?, ?, ?, ?, ?)', *others])}"


def _pieces(numbers: Sequence[int], values: list[Any], places: range) -> Iterator[tuple[Any, ...]]:
    """Give what fills in each statement; ``values`` are the six other fields of each row, one row after the other."""
    return ((numbers[place], *values[6 * place : 6 * (place + places.step)]) for place in places)


class _Limited(sqlite3.Connection):
    """A connection that neither writes nor reads rows longer than a log may hold."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST)


class LogFile:
    """The writing end of a log: one connection, one transaction for each batch."""

    __slots__ = ("_connection", "_path")

    def __init__(self, path: Path, connection: aiosqlite.Connection) -> None:
        self._path, self._connection = path, connection

    @classmethod
    async def open(cls, path: Path, *, patience: float, trace: Trace = None) -> "LogFile":
        """Open a log to write on; ``patience`` is how many real seconds to wait for a file that somebody locks."""
        with _in_words(path, "the log cannot be opened"):
            connecting = asyncio.ensure_future(
                aiosqlite.connect(path, timeout=patience, isolation_level=None, factory=_Limited)
            )
            try:
                connection = await asyncio.shield(connecting)
            except asyncio.CancelledError:  # its thread answers all the same: who takes the answer must still be there
                await (await connecting).close()
                raise
            try:
                await connection.set_trace_callback(trace)  # type: ignore[arg-type]  # typed too narrowly there
                await connection.execute("PRAGMA journal_mode = WAL")
                await connection.execute("PRAGMA synchronous = NORMAL")
            except BaseException:
                await connection.close()
                raise
        return cls(path, connection)

    async def append(self, columns: Columns) -> None:
        """Write one batch: all of it or nothing, unless it is interrupted; then ask ``settle``."""
        numbers, *others = columns
        count = len(numbers)
        values = interleaved(others, count)
        rest = count - count % _ROWS_AT_ONCE
        with _in_words(self._path, "events cannot be written"):
            await self._connection.execute("BEGIN IMMEDIATE")
            many = _pieces(numbers, values, range(0, rest, _ROWS_AT_ONCE))
            await self._connection.executemany(_insert(_ROWS_AT_ONCE), many)
            if rest < count:
                await self._connection.executemany(_insert(1), _pieces(numbers, values, range(rest, count)))
            await self._connection.execute("COMMIT")

    async def settle(self) -> int:
        """Drop a batch that was not committed and give the number of the last event that was (0: none)."""
        with _in_words(self._path, "events cannot be written"):
            await self._connection.execute("SELECT 1")  # once it is answered, what was under way before it is over
            if self._connection.in_transaction:
                await self._connection.execute("ROLLBACK")
            cursor = await self._connection.execute("SELECT coalesce(max(n), 0) FROM events")
            row = await cursor.fetchone()
            assert row is not None
            return int(row[0])

    async def finish(self, facts: Mapping[str, str]) -> None:
        """Note how the run ended, and make one self-contained file of the log unless somebody is reading it."""
        with _in_words(self._path, "the end of the run cannot be noted"):
            await self._connection.execute("BEGIN IMMEDIATE")
            await self._connection.executemany("INSERT INTO meta VALUES (?, ?)", sorted(facts.items()))
            await self._connection.execute("COMMIT")
        await self._connection.execute("PRAGMA busy_timeout = 0")
        with suppress(sqlite3.OperationalError):  # a reader holds it: then the log is in the file and the two beside it
            await self._connection.execute_fetchall("PRAGMA journal_mode = DELETE")  # unread, it would keep its lock

    async def close(self) -> None:
        """Close the connection; what was committed stays."""
        await self._connection.close()


# -- reading ------------------------------------------------------------------------------------------------------


def read_facts(path: Path, trace: Trace = None) -> dict[str, str]:
    """Give the meta data of a log.

    Raises:
        LogError: when there is no such file, it is no log, or it is of another format.
    """
    with _reading(path, trace) as connection:
        return _facts(path, connection)


def select(
    path: Path,
    *,
    job: int | None = None,
    worker: str | None = None,
    kinds: Iterable[str] | None = None,
    from_: int | None = None,
    until: int | None = None,
    after: int | None = None,
    up_to: int | None = None,
    trace: Trace = None,
) -> Iterator[Record]:
    """Give the records that satisfy every condition that is given, in order.

    Times are in [from_, until), numbers in (after, up_to].
    """
    asked = (
        ("job = ?", job),
        ("worker = ?", worker),
        ("at >= ?", from_),
        ("at < ?", until),
        ("n > ?", after),
        ("n <= ?", up_to),
    )
    conditions = [condition for condition, value in asked if value is not None]
    values: list[Any] = [value for _, value in asked if value is not None]
    if kinds is not None:
        wanted = sorted(set(kinds))
        conditions.append(f"kind IN ({', '.join('?' * len(wanted))})")
        values += wanted
    where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
    with _reading(path, trace) as connection:
        yield from connection.execute(
            f"SELECT n, at, kind, cause, job, worker, body FROM events NOT INDEXED{where} ORDER BY n", values
        )


def select_last(path: Path, trace: Trace = None) -> tuple[int, int]:
    """Give (number, tick) of the last event; (0, -1) when there is none yet."""
    with _reading(path, trace) as connection:
        found = connection.execute("SELECT n, at FROM events ORDER BY n DESC LIMIT 1").fetchone()
        return (0, -1) if found is None else (found[0], found[1])


def select_extent(path: Path, trace: Trace = None) -> tuple[int, int]:
    """Give up to which number the events follow one another from 1 on, and the last number: unequal if one is missing.

    It takes about half of the time that a search for events takes.
    """
    with _reading(path, trace) as connection:
        (last,) = connection.execute("SELECT max(n) FROM events NOT INDEXED").fetchone()
        place = 0
        for place, (number,) in enumerate(connection.execute("SELECT n FROM events NOT INDEXED ORDER BY n"), 1):
            if number != place:  # it is not counted first: a damaged tree of pages may have no end
                return place - 1, last
        return place, place


def select_workers(path: Path, trace: Trace = None) -> list[str]:
    """Give the name of each worker that an event names, in alphabetical order."""
    with _reading(path, trace) as connection:
        names = connection.execute("SELECT DISTINCT worker FROM events WHERE worker <> '' ORDER BY worker")
        return [name for (name,) in names]


def select_jobs(path: Path, trace: Trace = None) -> list[tuple[int, str, str, int, int]]:
    """Give (job, state, sub-state, since when, event) of each job, as the view ``jobs`` shows them."""
    with _reading(path, trace) as connection:
        return connection.execute("SELECT job, state, sub_state, since, event FROM jobs ORDER BY job").fetchall()


@contextmanager
def _reading(path: Path, trace: Trace, *, any_format: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a log for one question: read only, its format and schema checked, closed whatever happens."""
    with _in_words(path, "the log cannot be read"):
        if not path.is_file():
            raise LogError(f"{path}: {_no_file(path)}")
        if path.stat().st_size == 0:
            raise LogError(f"{path}: it is empty, not an event log of this program (`run --log` writes one)")
        _undo_half_a_batch(path)
        connection = sqlite3.connect(
            path.resolve().as_uri() + "?mode=ro",
            uri=True,
            check_same_thread=False,  # a generator left unfinished is closed by whoever collects it
            factory=_Limited,
        )
        try:
            connection.set_trace_callback(trace)
            if (steps := _most_steps(path)) < 2**31:  # SQLite counts no further
                connection.set_progress_handler(lambda: True, steps)
            _check_application(path, connection)
            if not any_format:
                made = _tables_in(path, connection)
                _check_format(path, connection)
                _check_schema(path, connection, made)
            yield connection
        finally:
            connection.close()


def _most_steps(path: Path) -> int:
    beside = path.with_name(path.name + "-wal")
    size = path.stat().st_size + (beside.stat().st_size if beside.exists() else 0)
    return 1_000_000 + _STEPS_FOR_A_BYTE * size


def _no_file(path: Path) -> str:
    if path.is_dir():
        return "it is a folder: name a log in it"
    return "it is a device or a pipe: name a file" if path.exists() else "there is no such file"


def _undo_half_a_batch(path: Path) -> None:
    """Let SQLite undo what a killed writer left half written beside the log; a reader alone may not."""
    if path.with_name(path.name + "-journal").exists():
        connection = sqlite3.connect(path.resolve().as_uri() + "?mode=rw", uri=True)
        try:
            connection.execute("PRAGMA schema_version").fetchone()
        finally:
            connection.close()


def _check_application(path: Path, connection: sqlite3.Connection) -> None:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    if application != _APPLICATION:
        raise LogError(f"{path}: is a SQLite file, but no event log")


def _tables_in(path: Path, connection: sqlite3.Connection) -> Mapping[str, tuple[str, str]]:
    """Give what the file says of the tables of a log that it has; none may be a view."""
    found = connection.execute("SELECT name, type, sql FROM sqlite_master WHERE name IN (?, ?, ?) LIMIT 4", _TABLES)
    made = {name: (kind, sql) for name, kind, sql in found}
    for name, (kind, _) in made.items():
        if kind != "table":
            raise LogError(f"{path}: its {name} is a {kind}, which may have no end, and no table: not an event log")
    return made


def _check_format(path: Path, connection: sqlite3.Connection) -> None:
    (found,) = connection.execute("PRAGMA user_version").fetchone()
    if found == _FORMAT:
        return
    row = connection.execute("SELECT value FROM meta WHERE key = 'program_version'").fetchone()
    by = f"queuedrill {row[0]}" if row else "a version of queuedrill that it does not name"
    raise LogError(
        f"{path}: was written by {by} in log format {found or 1}, and this program reads format {_FORMAT}: "
        "run the scenario again"
    )


def _check_schema(path: Path, connection: sqlite3.Connection, made: Mapping[str, tuple[str, str]]) -> None:
    rows = connection.execute("SELECT name FROM schema_steps ORDER BY number LIMIT ?", [_MOST_FACTS])
    steps = [name for (name,) in rows]
    known = [step.__name__ for step in STEPS]
    if steps[: len(known)] == known and len(steps) > len(known):
        raise LogError(
            f"{path}: was written by a newer version of the program (schema {len(steps)}; this one knows up to "
            f"{len(known)}): read it with that version"
        )
    if steps != known or any(_tables()[name] != it for name, it in made.items()):
        said = ", ".join(map(str, steps)) or "none"
        raise LogError(f"{path}: its schema ({said}) is not one that this program has written")


@cache
def _tables() -> Mapping[str, tuple[str, str]]:
    """Give what SQLite says of each table of a log that was just made."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        _apply_steps(connection)
        found = connection.execute("SELECT name, type, sql FROM sqlite_master WHERE name IN (?, ?, ?)", _TABLES)
        return {name: (kind, sql) for name, kind, sql in found}


def _facts(path: Path, connection: sqlite3.Connection) -> dict[str, str]:
    rows = connection.execute("SELECT key, value FROM meta LIMIT ?", [_MOST_FACTS + 1]).fetchall()
    if len(rows) > _MOST_FACTS:
        raise LogError(f"{path}: it says more than {_MOST_FACTS} things about its run: no log of this program does")
    return dict(rows)


_HINTS: Final = {
    "SQLITE_FULL": "the disk is full: make room",
    "SQLITE_BUSY": "another program keeps it locked: close that first",
    "SQLITE_LOCKED": "another program keeps it locked: close that first",
    "SQLITE_READONLY": "it may not be written: copy it to a folder of yours, or change its rights",
    "SQLITE_CANTOPEN": "it cannot be opened: check that the folder is there and that you may write in it",
    "SQLITE_NOTADB": "not an event log of this program (`run --log` writes one)",
    "SQLITE_CORRUPT": "it is damaged: take a copy that was made before",
    "SQLITE_TOOBIG": f"one of its values is longer than {_LONGEST // 1_000_000} MB, and no log may have such a one",
    "SQLITE_INTERRUPT": "it is no log that this program has written: its tables have no end",
    "SQLITE_IOERR": "the disk refuses: check its room and its health",
}


@contextmanager
def _in_words(path: Path, what: str) -> Iterator[None]:
    """Turn what SQLite and the file system complain about into a LogError that says what to do."""
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "")
        hint = next((hint for code, hint in _HINTS.items() if name.startswith(code)), "")
        raise LogError(f"{path}: {what}: {hint} ({error})" if hint else f"{path}: {what}: {error}") from error
    except UnicodeDecodeError as error:  # in what SQLite itself says of a damaged file
        raise LogError(f"{path}: {what}: {_HINTS['SQLITE_CORRUPT']} ({error})") from error
    except OSError as error:
        raise LogError(f"{path}: {what}: {error.strerror or error}") from error
