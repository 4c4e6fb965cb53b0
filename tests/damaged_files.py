"""Logs and files of results that are damaged or foreign, made by the thousand: each command answers with a sentence.

``python tests/damaged_files.py --count 10000 --seed 1`` damages so many by hand, asks each command that reads them, and
prints how they ended and every one that ended in a defect. The same seed makes the same files.
"""

import argparse
import io
import os
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable
from contextlib import chdir, closing, redirect_stderr, redirect_stdout, suppress
from pathlib import Path
from time import monotonic
from typing import Any

from mutated_files import Choices

from emulator.cli.main import answer

__all__ = ["NIGHT", "asked", "damage", "made"]

NIGHT = """\
title: Plate copies
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 2h
queues: {night: {lease: 3m, retry: {attempts_in_all: 3}}}
pools: {dome: {count: 2, serves: [night]}}
systems: {archive: {slots: 1, answers_in: {between: [2m, 9m]}}}
routines:
  copy:
    queue: night
    parameters: {plate: text}
    parts: [{name: copy, calls: archive, effect: copied}]
arrivals: [{routine: copy, name: plates, count: 6, at: "21:35", parameters: {plate: a}}]
faults:
  - {power_off: dome-1, at: "21:41", back_after: 5m}
  - {broker_outage: true, from: "21:50", until: "21:55"}
must_hold: [{measure: done_share, at_least: 1}, {measure: lost_leases, at_most: 2}]
"""

WAYS = (
    ("page", "--overwrite", "night.db"),
    ("story", "night.db", "1"),
    ("story", "night.db", "plates#2"),
    ("story", "night.db", "--worker", "dome-1"),
    ("story", "night.db", "--requirement", "1"),
    ("trail", "night.db"),
    ("trail", "night.db", "--job", "1", "--causes", "--as", "jsonl"),
    ("trail", "night.db", "--worker", "dome-2", "--from", "21:40", "--as", "csv"),
    *(("export", "night.db", "--as", form) for form in ("cloudevents", "openmetrics", "junit", "otlp")),
    *(("export", "night.db", "--as", form) for form in ("cloudevents-lines", "jobs-csv", "attempts-csv")),
    ("reproduce", "night.db"),
)
RESUMED = (
    *("compare", "night.yaml", "--variants", "three", "--measures", "makespan", "--nights", "4"),
    *("--processes", "1", "--quiet", "--results", "results.db", "--resume"),
)
VALUES: tuple[Any, ...] = (
    *(None, "", "x", 0, -1, 1, 2, 7, 2**31, 2**63 - 1, -(2**63), 1.5, 1e308, b"\0\xff", "\x00", "x" * 5_000),
    *("{}", "[]", "{", "null", '{"state":"done"}', '{"queue":"night"}', '{"state":[1],"sub_state":{}}'),
    *("done", "submitted", "handed_out", "finished", "no_such_kind", "dome-9", "plates", "9" * 4_400, "title: x\n"),
)
STATEMENTS = (
    *("DROP TABLE events", "DROP TABLE meta", "DROP VIEW jobs", "DELETE FROM events", "DELETE FROM meta"),
    *("DELETE FROM schema_steps", "PRAGMA application_id = 7", "PRAGMA user_version = 9", "VACUUM"),
    *("CREATE TABLE other (x)", "CREATE INDEX i ON events (kind)", "INSERT INTO meta VALUES ('other', '1')"),
    "ALTER TABLE events RENAME TO e; CREATE VIEW events AS WITH RECURSIVE r(n) AS (SELECT 1 UNION ALL SELECT n + 1"
    " FROM r) SELECT n, 0 AS at, 'queue_held' AS kind, 0 AS cause, 0 AS job, '' AS worker, '{\"queue\":\"night\"}' AS"
    " body FROM r",
    "ALTER TABLE meta RENAME TO m; CREATE VIEW meta AS WITH RECURSIVE r(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM r)"
    " SELECT n AS key, 'x' AS value FROM r",
    "INSERT INTO events VALUES ((SELECT max(n) FROM events) + 1, 1, 'queue_held', 0, 0, '', zeroblob(20000000))",
    "INSERT OR REPLACE INTO meta VALUES ('scenario_text', printf('%.*c', 20000000, 'x'))",
    "ALTER TABLE nights RENAME TO r; CREATE VIEW nights AS SELECT * FROM r, r AS b, r AS c",
    "UPDATE nights SET body = zeroblob(20000000)",
    "UPDATE nights SET body = '[]'",
    "DROP TABLE nights",
    "DELETE FROM identity",
)
COLUMNS = ("n", "at", "kind", "cause", "job", "worker", "body")


def made(folder: Path) -> None:
    """Make a log that is finished, one that breaks off, and a file of results."""
    with chdir(folder), redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        Path("night.yaml").write_text(NIGHT + "variants: {three: {pools.dome.count: 3}}\n")
        assert answer(["run", "--quiet", "--log", "finished.db", "--change", "about=a copy", "night.yaml"]) in (0, 1)
        assert answer(RESUMED[:-1]) in (0, 1)
        shutil.copy("results.db", "kept.db")
        shutil.copy("finished.db", "broken_off.db")
        with closing(sqlite3.connect("broken_off.db", isolation_level=None)) as file:
            for name in ("delete", "update"):
                file.execute(f"DROP TRIGGER events_refuse_{name}")
            file.execute("DELETE FROM events WHERE n > 60")
            file.execute("DELETE FROM meta WHERE key IN ('finished', 'events', 'digest')")


def damage(choices: Choices, source: Path, path: Path) -> str:
    """Copy a file and damage the copy; say in what way."""
    shutil.copy(source, path)
    for beside in ("-wal", "-shm", "-journal"):
        path.with_name(path.name + beside).unlink(missing_ok=True)
    ways: tuple[Callable[[Choices, Path], str], ...] = (_bytes, _bytes, _cut, _page, _sql, _row, _row, _fact)
    way = choices.of(ways)
    try:
        return f"{source.name}: {way.__name__[1:]} {way(choices, path)}"
    except sqlite3.Error as refused:  # the statement does not fit this file
        return f"{source.name}: {way.__name__[1:]} {refused}"


def _bytes(choices: Choices, path: Path) -> str:
    """Change some bytes, the first page more often than the others."""
    content = bytearray(path.read_bytes())
    places = []
    for _ in range(1 + choices.below(8)):
        places.append(choices.below(len(content) if choices.below(2) else 4096))
        content[places[-1]] = choices.below(256)
    path.write_bytes(content)
    return str(places)


def _cut(choices: Choices, path: Path) -> str:
    size = choices.below(path.stat().st_size)
    os.truncate(path, size)
    return f"to {size}"


def _page(choices: Choices, path: Path) -> str:
    """Put one page in another's place, or noise."""
    content = bytearray(path.read_bytes())
    one, other = (4096 * choices.below(len(content) // 4096) for _ in range(2))
    noise = bytes(choices.below(256) for _ in range(64)) * 64
    content[one : one + 4096] = noise if choices.below(3) == 0 else content[other : other + 4096]
    path.write_bytes(content)
    return f"{one} {other}"


def _change(path: Path, script: str, *values: Any) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        with suppress(sqlite3.OperationalError):
            file.executescript("DROP TRIGGER events_refuse_delete; DROP TRIGGER events_refuse_update")
        file.execute("PRAGMA ignore_check_constraints = ON")
        if values:
            file.execute(script, values)
        else:
            file.executescript(script)


def _sql(choices: Choices, path: Path) -> str:
    statement = choices.of(STATEMENTS)
    _change(path, statement)
    return str(statement)


def _row(choices: Choices, path: Path) -> str:
    """Change one field of an event; sometimes with a digest that fits, as a forger would."""
    name, value, number = choices.of(COLUMNS), choices.of(VALUES), 1 + choices.below(60)
    _change(path, f"UPDATE events SET {name} = ? WHERE n = ?", value, number)
    if forged := choices.below(2) == 0:
        with suppress(Exception):
            _forge(path)
    return f"event {number}, {name} = {str(value)[:40]!r}{', forged' if forged else ''}"


def _forge(path: Path) -> None:
    import hashlib

    from emulator.record.encoding import lines_of

    with closing(sqlite3.connect(path)) as file:
        records = file.execute("SELECT * FROM events ORDER BY n").fetchall()
    digest = hashlib.sha256(lines_of(records)).hexdigest()
    _change(path, "UPDATE meta SET value = ? WHERE key = 'digest'", digest)


def _fact(choices: Choices, path: Path) -> str:
    with closing(sqlite3.connect(path)) as file:
        facts = dict(file.execute("SELECT key, value FROM meta"))
    key = choices.of(sorted(facts))
    value = choices.of((*VALUES, facts[choices.of(sorted(facts))]))
    if key == "scenario_text" and choices.below(4):
        old, new = choices.of((("count: 2", "count: 1"), ("night", "day"), ("dome", "d"), ("plates", "p"), ("6", "2")))
        value = facts[key].replace(old, new)
    _change(path, "UPDATE meta SET value = ? WHERE key = ?", value, key)
    return f"{key} = {str(value)[:40]!r}"


def asked(folder: Path, arguments: tuple[str, ...]) -> tuple[int, str]:
    """Ask a command in a folder: its exit code and what it says on standard error."""
    said = io.StringIO()
    with chdir(folder), redirect_stdout(io.StringIO()), redirect_stderr(said):
        return answer(arguments), said.getvalue()


def tried(folder: Path, seed: int, number: int) -> tuple[int, str]:
    """Make the damaged file with a number and ask some command: the exit code, and how it came about."""
    choices = Choices(seed, number)
    if choices.below(6) == 0:
        how = damage(choices, folder / "kept.db", folder / "results.db")
        arguments = RESUMED
    else:
        how = damage(choices, folder / choices.of(("finished.db", "broken_off.db")), folder / "night.db")
        arguments = choices.of(WAYS)
    code, said = asked(folder, arguments)
    return code, f"{number}: {how}: {' '.join(arguments[:4])} ended with {code}: {said}"


def main() -> int:
    """Damage as many files as are asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    asked_for = parser.parse_args()
    began, ended = monotonic(), dict.fromkeys((0, 1, 2, 3), 0)
    with tempfile.TemporaryDirectory() as name:
        made(Path(name))
        for number in range(asked_for.count):
            code, said = tried(Path(name), asked_for.seed, number)
            ended[code] += 1
            if code not in (0, 1, 2):
                print(said, flush=True)
    said = f"{asked_for.count} damaged files of seed {asked_for.seed}: {ended[2]} refused, {ended[3]} defects, the"
    print(f"{said} others were read: {ended[0] + ended[1]}; {monotonic() - began:.0f} s")
    return 1 if ended[3] else 0


if __name__ == "__main__":
    sys.exit(main())
