"""Keeps the replications of a comparison in a file, so that one that was stopped can go on.

A file of results is a SQLite file: what the comparison is of, and a row for each replication as it is done. It can only
be gone on with by the same comparison; another is refused with what differs. All its SQL is in this file.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import Any, Final

from emulator.errors import InputError

__all__ = ["ResultsFile"]

_APPLICATION: Final = 0x71645273  # "qdRs": how the file says that it is a file of results
_SCHEMA: Final = 3  # raised when a table, a figure or a word of what is kept gets another name
_EVERY: Final = 0.5  # seconds of real time after which what has come is written


_LONGEST: Final = 16_000_000  # bytes of a row; that of a night has some thousand
_MOST_FACTS: Final = 100
_TABLES: Final = {
    "identity": "CREATE TABLE identity (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "nights": "CREATE TABLE nights (variant TEXT NOT NULL, seed INTEGER NOT NULL, body TEXT NOT NULL,"
    " sum TEXT NOT NULL, PRIMARY KEY (variant, seed)) WITHOUT ROWID",
}
_TAKE_ANOTHER: Final = "take a copy that was made before, or begin again under another name"


class ResultsFile:
    """A file of results that is open for writing.

    Args:
        path: where it is.
        identity: what makes two comparisons the same, by name.
        resume: go on with a file that is there; else a file that is there is refused.

    Raises:
        InputError: when it is there and is not to be gone on with, is of another comparison, is not a file of results,
            is damaged, is of another format, cannot be written, is a folder or a device, or would lie in a folder that
            is not there.
    """

    def __init__(self, path: Path, identity: Mapping[str, str], *, resume: bool) -> None:
        self._path = path
        there = path.exists()
        if path.is_dir():
            raise InputError(f"{path} is a folder: name a file in it")
        if there and not path.is_file():
            raise InputError(f"{path} is a device or a pipe: name a file")
        if not path.parent.is_dir():
            raise InputError(
                f"{path} cannot be used as a file of results: there is no folder {path.parent}: make it first"
            )
        if there and not resume:
            raise InputError(
                f"{path} is there already: go on with it by --resume (in Python: resume=True), or give another name"
            )
        with self._in_words("cannot be used as a file of results"):
            self._connection = sqlite3.connect(path, isolation_level=None, timeout=5)
            try:
                self._prepare(identity, there)
            except BaseException:
                self._connection.close()
                raise
        self._waiting: list[tuple[str, int, str, str]] = []
        self._written = monotonic()

    @contextmanager
    def _in_words(self, what: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            hint = {
                "SQLITE_CORRUPT": f"it is damaged: {_TAKE_ANOTHER}: ",
                "SQLITE_INTERRUPT": f"its tables have no end, so it is damaged: {_TAKE_ANOTHER}: ",
                "SQLITE_TOOBIG": f"one of its values is longer than {_LONGEST // 1_000_000} MB: {_TAKE_ANOTHER}: ",
            }.get(getattr(error, "sqlite_errorname", ""), "")
            raise InputError(f"{self._path} {what}: {hint}{error}") from None
        except UnicodeDecodeError as error:  # in what SQLite itself says of a damaged file
            raise InputError(f"{self._path} {what}: it is damaged: {_TAKE_ANOTHER}: {error}") from None

    def _prepare(self, identity: Mapping[str, str], there: bool) -> None:
        ask = self._connection.execute
        self._connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST)
        if there:
            beside = self._path.with_name(self._path.name + "-wal")
            size = self._path.stat().st_size + (beside.stat().st_size if beside.exists() else 0)
            steps = 1_000_000 + 50 * size  # a row takes far fewer for each of its bytes
            self._connection.set_progress_handler(lambda: True, min(steps, 2**31 - 1))
        if there and (found := ask("PRAGMA application_id").fetchone()[0]) != _APPLICATION:
            raise InputError(f"{self._path} is no file of results (its mark is {found:#x}): give another name")
        if there:
            self._check(identity)
        ask("PRAGMA journal_mode = WAL")
        ask("PRAGMA synchronous = NORMAL")
        if not there:
            ask("BEGIN")
            ask(f"PRAGMA application_id = {_APPLICATION}")
            ask(f"PRAGMA user_version = {_SCHEMA}")
            for table in _TABLES.values():
                ask(table)
            self._connection.executemany("INSERT INTO identity VALUES (?, ?)", list(identity.items()))
            ask("COMMIT")

    def _check(self, identity: Mapping[str, str]) -> None:
        """Refuse a file that is not of this comparison; asked are tables that were made here: a view may be endless."""
        ask = self._connection.execute
        made = ask("SELECT name, type, sql FROM sqlite_master WHERE type <> 'index' LIMIT ?", [_MOST_FACTS]).fetchall()
        if any(kind != "table" for _, kind, _ in made):
            raise InputError(f"{self._path} has other tables than a file of results: {_TAKE_ANOTHER}")
        if (version := ask("PRAGMA user_version").fetchone()[0]) != _SCHEMA:
            row = ask("SELECT value FROM identity WHERE name = 'the version of queuedrill'").fetchone()
            by = f"queuedrill {row[0]}" if row else "a version of queuedrill that it does not name"
            raise InputError(
                f"{self._path} was written by {by} in results format {version}, and this program reads format "
                f"{_SCHEMA}: run the comparison again with another file"
            )
        if {name: sql for name, _, sql in made} != _TABLES:
            raise InputError(f"{self._path} has other tables than a file of results: {_TAKE_ANOTHER}")
        said = dict(ask("SELECT name, value FROM identity LIMIT ?", [_MOST_FACTS]))
        differs = [name for name in identity if said.get(name) != identity[name]]
        if differs:
            raise InputError(
                f"{self._path} holds the results of another comparison, other in {' and '.join(differs)}: "
                "give another name, or compare what it was made of"
            )

    def read(self, make: Callable[[str, int, Mapping[str, Any]], Any]) -> list[Any]:
        """Give what is kept, each row made into a replication.

        Raises:
            InputError: when a row is damaged.
        """
        found = []
        with self._in_words("cannot be read"):
            rows = self._connection.execute("SELECT variant, seed, body, sum FROM nights ORDER BY seed, variant")
            for variant, seed, body, checksum in rows:
                try:
                    if checksum != _sum(variant, seed, body):
                        raise ValueError("its text was changed")
                    found.append(make(variant, seed, json.loads(body)))
                except (AttributeError, LookupError, RecursionError, TypeError, ValueError) as error:
                    raise InputError(
                        f"{self._path}: the night with the seed {seed!r} is damaged ({error}): {_TAKE_ANOTHER}"
                    ) from None
        self._connection.set_progress_handler(None, 0)
        return found

    def add(self, variant: str, seed: int, body: Mapping[str, Any]) -> None:
        """Keep one replication; it is in the file half a second later, or when ``flush`` or ``close`` has ended."""
        text = json.dumps(body)
        self._waiting.append((variant, seed, text, _sum(variant, seed, text)))
        if monotonic() - self._written >= _EVERY:
            self.flush()

    def flush(self) -> None:
        """Write what waits.

        Raises:
            InputError: when it cannot be written, such as on a full disk.
        """
        if not self._waiting:
            return
        try:
            self._connection.execute("BEGIN")
            self._connection.executemany("INSERT OR REPLACE INTO nights VALUES (?, ?, ?, ?)", self._waiting)
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            raise InputError(f"{self._path} cannot be written: {error}") from None
        self._waiting.clear()
        self._written = monotonic()

    def close(self) -> None:
        """Write what waits, and close the file."""
        try:
            self.flush()
        finally:
            self._connection.close()


def _sum(variant: str, seed: int, body: str) -> str:
    """Give what tells a night that was changed from the one that was written."""
    from hashlib import blake2b  # few comparisons keep their nights

    return blake2b(f"{variant}\0{seed}\0{body}".encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()
