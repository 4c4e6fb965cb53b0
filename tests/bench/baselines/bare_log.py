"""A log written with nothing but sqlite3: the same encoded rows, schema, pragmas and batches; no run, no encoding.

FROZEN (see the package). The rows and the schema are read from a log that the emulator wrote, so that they are the same
whatever becomes of its format. Writing is one ``executemany`` for each batch, in the calling thread.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

__all__ = ["read_log", "write_log"]


def read_log(path: Path) -> tuple[list[str], list[tuple[Any, ...]]]:
    """Give the statements that make the schema of a log, and the rows of its events."""
    with closing(sqlite3.connect(path)) as connection:
        schema = [sql for (sql,) in connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")]
        return schema, connection.execute("SELECT * FROM events ORDER BY n").fetchall()


def write_log(path: Path, schema: list[str], rows: list[tuple[Any, ...]], batch: int) -> None:
    """Write all rows, one transaction for each batch."""
    insert = f"INSERT INTO events VALUES ({', '.join('?' * len(rows[0]))})"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in schema:
            connection.execute(statement)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        for start in range(0, len(rows), batch):
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(insert, rows[start : start + batch])
            connection.execute("COMMIT")
