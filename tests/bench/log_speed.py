"""How fast is the event log, beside SQLite's own speed with the same encoded rows?

``python tests/bench/log_speed.py`` writes the same events by turns through the recorder (encoding, digest and all) and
by bare ``executemany`` of rows that are encoded beforehand, with the same schema, pragmas and batches.
"""

import asyncio
import sys
import tempfile
from pathlib import Path
from time import perf_counter

import aiosqlite

from emulator.record.encoding import Record, encode
from emulator.record.events import Row
from emulator.record.log_reader import open_log
from emulator.record.log_writer import BATCH, SqliteRecorder
from emulator.record.meta import RunMeta
from emulator.record.sqlite_log import create

ABOUT = RunMeta(seed=1, scenario_text="", scenario_name="")


def night(jobs: int) -> list[Row]:
    """Give the events of as many jobs, six each."""
    rows: list[Row] = []
    for job in range(1, jobs + 1):
        at, worker, target = job * 1_000, f"dome-{job % 3}", f"plate-{job}"
        rows += [
            (at, "submitted", 0, job, "", "queued", "plate-copy", "night", "plates", job, target, 0, "", 0),
            (at + 5, "handed_out", job, job, worker, 1, job, at + 90_000_000, 1),
            (at + 5, "work_began", job, job, worker, 1, job),
            (at + 9, "effect_landed", job, job, worker, 1, job, "copied", target, False),
            (at + 9, "attempt_ended", job, job, worker, 1, job, "ok", "handed in", at + 9),
            (at + 9, "finished", job, job, worker, "done", "", "", 1),
        ]
    return rows


async def through_the_recorder(path: Path, rows: list[Row]) -> float:
    """Write rows as a run does, whose loop turns whenever a batch is full; give the seconds."""
    began = perf_counter()
    async with await SqliteRecorder.create(path, ABOUT) as recorder:
        for start in range(0, len(rows), BATCH):
            for row in rows[start : start + BATCH]:
                recorder.emit(row)
            await recorder.flush()
        await recorder.finish()
    return perf_counter() - began


async def bare(path: Path, records: list[Record]) -> float:
    """Write encoded rows with nothing but aiosqlite; give the seconds."""
    began = perf_counter()
    create(path, ABOUT.to_facts())
    async with aiosqlite.connect(path, isolation_level=None) as connection:
        await connection.execute("PRAGMA journal_mode = WAL")
        await connection.execute("PRAGMA synchronous = NORMAL")
        for start in range(0, len(records), BATCH):
            await connection.execute("BEGIN IMMEDIATE")
            await connection.executemany(
                "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?)", records[start : start + BATCH]
            )
            await connection.execute("COMMIT")
    return perf_counter() - began


def main(jobs: int) -> None:
    """Measure five times and print the best of each, their ratio, and the speed of reading."""
    rows = night(jobs)
    records = encode(rows, 1)[0]
    alone, ours = [], []
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(5):
            alone.append(asyncio.run(bare(Path(folder, f"bare{turn}.qdlog"), records)))
            ours.append(asyncio.run(through_the_recorder(Path(folder, f"ours{turn}.qdlog"), rows)))
        began = perf_counter()
        assert sum(1 for _ in open_log(Path(folder, "ours0.qdlog")).rows()) == len(rows)
        reading = perf_counter() - began
    print(f"{len(rows):,} events, the best of five, on Python {sys.version.split()[0]}")
    print(f"bare executemany   {len(rows) / min(alone):9,.0f} rows/s")
    print(f"the recorder       {len(rows) / min(ours):9,.0f} rows/s, {min(alone) / min(ours):.2f} of it")
    print(f"reading            {len(rows) / reading:9,.0f} rows/s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50_000)
