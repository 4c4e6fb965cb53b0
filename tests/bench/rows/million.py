"""A million jobs into the SQLite log, beside fifty thousand: their speed, and the memory at its peak."""

import tempfile
from pathlib import Path

from bench.clocks import peak_memory
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast, peak
from bench.scenes import played, station, whole

__all__ = ["ROW"]

FEW, MANY = 50_000, 1_000_000


def side(jobs: int) -> Measured:
    """Run so many jobs into a log."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "night.qdlog")
        night, seconds = played(station(jobs), log=path, keep_events=False)
        size = path.stat().st_size
    if night.figure("done").value != jobs:
        raise MismatchError(f"{night.figure('done').value} of {jobs} jobs were done")
    return Measured(jobs, seconds, peak_memory(), {"log in MB": round(size / 1e6, 2)})


def check(measured: Round) -> None:
    """Check that the longer run's log is longer in proportion."""
    few, many = measured["few"], measured["many"]
    quotient = many.facts["log in MB"] / few.facts["log in MB"] / (many.work / few.work)
    if not 0.8 < quotient < 1.25:
        raise MismatchError(f"the logs are of {few.facts} and {many.facts}")


ROW = Row(
    name="million",
    asks="1,000,000 jobs into the SQLite log, beside 50,000",
    unit="jobs",
    sides={"many": lambda scale: side(whole(MANY * scale)), "few": lambda scale: side(whole(FEW * scale))},
    check=check,
    claims=[
        Claim("as fast as with 50,000", as_fast("many", "few"), 0.85, 1.0),
        Claim("memory at its peak", peak("many"), 300, at_most=True, unit="MB"),
    ],
)
