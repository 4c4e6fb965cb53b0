"""How are the replications of a comparison kept, so that one that was stopped can go on?

A file of results is a SQLite file: what the comparison is of, and a row for each replication as it is done. It can only
be gone on with by the same comparison; another is refused with what differs. All its SQL is in this file.
"""

import json
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from time import monotonic
from typing import Any, Final

from emulator.errors import InputError

__all__ = ["ResultsFile"]

_APPLICATION: Final = 0x71645273  # "qdRs": how the file says that it is a file of results
_SCHEMA: Final = 2  # raised when a table, a figure or a word of what is kept gets another name
_EVERY: Final = 0.5  # seconds of real time after which what has come is written


class ResultsFile:
    """A file of results that is open for writing.

    Args:
        path: where it is.
        identity: what makes two comparisons the same, by name.
        resume: go on with a file that is there; else a file that is there is refused.

    Raises:
        InputError: when it is there and is not to be gone on with, is of another comparison, is not a file of results,
            is of another format, cannot be written, is a folder, or would lie in a folder that is not there.
    """

    def __init__(self, path: Path, identity: Mapping[str, str], *, resume: bool) -> None:
        self._path = path
        there = path.exists()
        if path.is_dir():
            raise InputError(f"{path} is a folder: name a file in it")
        if not path.parent.is_dir():
            raise InputError(
                f"{path} cannot be used as a file of results: there is no folder {path.parent}: make it first"
            )
        if there and not resume:
            raise InputError(
                f"{path} is there already: go on with it by --resume (in Python: resume=True), or give another name"
            )
        try:
            self._connection = sqlite3.connect(path, isolation_level=None, timeout=5)
            self._prepare(identity, there)
        except sqlite3.Error as error:
            with suppress(AttributeError):
                self._connection.close()
            raise InputError(f"{path} cannot be used as a file of results: {error}") from None
        self._waiting: list[tuple[str, int, str]] = []
        self._written = monotonic()

    def _prepare(self, identity: Mapping[str, str], there: bool) -> None:
        ask = self._connection.execute
        if there and (found := ask("PRAGMA application_id").fetchone()[0]) != _APPLICATION:
            self._connection.close()
            raise InputError(f"{self._path} is no file of results (its mark is {found:#x}): give another name")
        ask("PRAGMA journal_mode = WAL")
        ask("PRAGMA synchronous = NORMAL")
        if not there:
            ask("BEGIN")
            ask(f"PRAGMA application_id = {_APPLICATION}")
            ask(f"PRAGMA user_version = {_SCHEMA}")
            ask("CREATE TABLE identity (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID")
            ask(
                "CREATE TABLE nights (variant TEXT NOT NULL, seed INTEGER NOT NULL, body TEXT NOT NULL,"
                " PRIMARY KEY (variant, seed)) WITHOUT ROWID"
            )
            self._connection.executemany("INSERT INTO identity VALUES (?, ?)", list(identity.items()))
            ask("COMMIT")
            return
        if (version := ask("PRAGMA user_version").fetchone()[0]) != _SCHEMA:
            row = ask("SELECT value FROM identity WHERE name = 'the version of queuedrill'").fetchone()
            by = f"queuedrill {row[0]}" if row else "a version of queuedrill that it does not name"
            self._connection.close()
            raise InputError(
                f"{self._path} was written by {by} in results format {version}, and this program reads format "
                f"{_SCHEMA}: run the comparison again with another file"
            )
        said = dict(ask("SELECT name, value FROM identity"))
        differs = [name for name in identity if said.get(name) != identity[name]]
        if differs:
            self._connection.close()
            raise InputError(
                f"{self._path} holds the results of another comparison, other in {' and '.join(differs)}: "
                "give another name, or compare what it was made of"
            )

    def read(self, make: Callable[[str, int, Mapping[str, Any]], Any]) -> list[Any]:
        """Give what is kept, each row made into a replication."""
        rows = self._connection.execute("SELECT variant, seed, body FROM nights ORDER BY seed, variant")
        return [make(variant, seed, json.loads(body)) for variant, seed, body in rows]

    def add(self, variant: str, seed: int, body: Mapping[str, Any]) -> None:
        """Keep one replication; it is in the file half a second later, or when ``flush`` or ``close`` has ended."""
        self._waiting.append((variant, seed, json.dumps(body)))
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
            self._connection.executemany("INSERT OR REPLACE INTO nights VALUES (?, ?, ?)", self._waiting)
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
