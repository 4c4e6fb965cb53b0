"""Time in which work stands still is told as such everywhere: in stories, in exported rows, in the figure.

The night, by hand. dome-1 loses its power 5 min 7 s into plates#1. dome-2 does plates#2 until 22:10, then takes
plates#1. It learns with its heartbeat of 22:11 that this is suspended, with that of 22:11:40 that it is resumed, and
freezes at 22:12: it has worked 1 min 20 s on it. Its lease ends at 22:13:10, and at 22:14 it goes on, is told so at
once, and stops: it has not worked for a moment without a lease. The three other attempts take 10 min each.
"""

import csv
import io
from pathlib import Path

import pytest

from emulator.experiment.run import run
from emulator.report.exporting import export
from emulator.report.storytelling import story_of_job, story_of_worker
from emulator.timeline.ticks import SECOND

NIGHT = """\
title: Plate copies with power cuts
starts: 2026-06-12T21:30:00
zone: America/Santiago
lasts: 6h
queues: {night: {lease: 90s, retry: {attempts_in_all: 3, pause: constant, first: 1m}}}
pools: {dome: {count: 2, serves: [night], heartbeat: 20s}}
routines: {copy: {queue: night, parts: [{name: checksum, takes: 4m}, {name: copy, takes: 6m}]}}
arrivals: [{routine: copy, name: plates, count: 4, at: "22:00"}]
faults: [{power_off: dome-1, at: "22:05:07", back_after: 10m}, {freeze: dome-2, at: "22:12:00", lasts: 2m}]
actions: [{suspend: "plates#1", at: "22:11", lasts: 30s}]
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """The log, and the figure ``executed`` in seconds."""
    folder = tmp_path_factory.mktemp("night")
    (folder / "plates.yaml").write_text(NIGHT)
    executed = run(folder / "plates.yaml", log=folder / "night.qdlog").figure("executed").value
    assert executed is not None
    return folder / "night.qdlog", executed / SECOND


def work_seconds(log: Path) -> list[str]:
    """Give the last cell of each row of the exported attempts."""
    return [row["work_seconds"] for row in csv.DictReader(io.StringIO(export(log, "attempts-csv")))]


def test_exported_work_is_what_was_executed(night: tuple[Path, float]) -> None:
    """A row's work leaves out what stood still, frozen or suspended, and the rows add up to the figure ``executed``."""
    log, executed = night
    worked = work_seconds(log)
    assert worked == ["307.000000", "600.000000", "80.000000", "600.000000", "600.000000", "600.000000"]
    assert (sum(map(float, worked)), executed) == (2787, 2787)


def test_stories_tell_no_frozen_time_as_work(night: tuple[Path, float]) -> None:
    """A worker that was frozen as its lease ended, and stopped when it heard of it, did not work without a lease."""
    log, _ = night
    of_job = [one.text for one in story_of_job(log, "plates#1").sentences]
    assert "dome-2 was told that its lease (token 3) was lost, and stopped." in of_job
    of_worker = [one.text for one in story_of_worker(log, "dome-2").sentences]
    assert (
        "It took plates#1, attempt 2, token 3, and worked on it for 1 min 20 s (told that its lease is lost): lease "
        "lost (lease ran out). Its lease was over by then."
    ) in of_worker
    assert of_worker[-1] == "In all it took 4 attempts: 3 ended ok, 1 lost its lease."


def test_work_in_progress_at_the_end_counts_as_far_as_it_was_executed(tmp_path: Path) -> None:
    """A night that ends while a worker is frozen: the row has the work until then, the stories say that it stands."""
    (tmp_path / "ends.yaml").write_text(
        NIGHT.replace("lasts: 6h", "lasts: 43m20s").replace(", lasts: 2m}", ", lasts: 2h}")
    )
    executed = run(tmp_path / "ends.yaml", log=tmp_path / "ends.qdlog").figure("executed").value
    worked = work_seconds(tmp_path / "ends.qdlog")
    assert (worked, executed) == (["307.000000", "600.000000", "80.000000"], 987 * SECOND)
    of_job = [one.text for one in story_of_job(tmp_path / "ends.qdlog", "plates#1").sentences]
    assert "The work of dome-2 on it stood still from then on, to the end of what the log tells." in of_job
    of_worker = [one.text for one in story_of_worker(tmp_path / "ends.qdlog", "dome-2").sentences]
    assert (
        "It took plates#1, attempt 2, token 3, and stood still with it at the end: lease lost (lease ran out). Its "
        "lease was over by then."
    ) in of_worker
