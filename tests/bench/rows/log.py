"""Events into the SQLite log, the whole run included, beside bare executemany of the same encoded rows."""

import tempfile
from pathlib import Path

from bench.clocks import peak_memory, timed
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast, same
from bench.scenes import played, station, whole
from emulator.record.log_writer import BATCH

__all__ = ["JOBS", "ROW", "into_log"]

JOBS = 50_000


def into_log(jobs: int, path: Path) -> Measured:
    """Run M/M/3 into a log; the work is the events written."""
    from bench.baselines.bare_log import read_log

    night, seconds = played(station(jobs), log=path, keep_events=False)
    peak = peak_memory()
    if night.figure("done").value != jobs:
        raise MismatchError(f"{night.figure('done').value} of {jobs} jobs were done")
    rows = len(read_log(path)[1])
    return Measured(rows, seconds, peak, {"rows": rows, "size in MB": round(path.stat().st_size / 1e6)})


def ours(jobs: int) -> Measured:
    """Run into a log, counted in events."""
    with tempfile.TemporaryDirectory() as folder:
        return into_log(jobs, Path(folder, "ours.qdlog"))


def bare(jobs: int) -> Measured:
    """Write the rows of the same run with nothing but sqlite3."""
    from bench.baselines.bare_log import read_log, write_log

    with tempfile.TemporaryDirectory() as folder:
        path, copy = Path(folder, "ours.qdlog"), Path(folder, "bare.sqlite")
        into_log(jobs, path)
        schema, rows = read_log(path)
        _, seconds = timed(lambda: write_log(copy, schema, rows, BATCH))
        if read_log(copy) != (schema, rows):
            raise MismatchError("the copy does not hold what the log holds")
        facts = {"rows": len(rows), "size in MB": round(copy.stat().st_size / 1e6)}
        return Measured(len(rows), seconds, peak_memory(), facts)


def check(measured: Round) -> None:
    """Check that as many rows were written on both sides."""
    same(measured, "rows")
    sizes = [one.facts["size in MB"] for one in measured.values()]
    if max(sizes) > 1.05 * min(sizes) + 1:
        raise MismatchError(f"one file is larger than the other: {sizes} MB")


ROW = Row(
    name="log",
    asks="M/M/3 into the SQLite log, the whole run, beside bare executemany of the same rows",
    unit="rows",
    sides={"ours": lambda scale: ours(whole(JOBS * scale)), "bare": lambda scale: bare(whole(JOBS * scale))},
    check=check,
    claims=[Claim("as fast as bare executemany", as_fast("ours", "bare"), 0.25, 0.35)],
)
