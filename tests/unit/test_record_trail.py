"""Following a log while it is written, without a clock: whoever waits writes the next events."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from emulator.errors import LogError
from emulator.record.events import Row
from emulator.record.finding import Jobs
from emulator.record.log_reader import open_log
from emulator.record.log_writer import SqliteRecorder
from emulator.record.meta import RunMeta
from emulator.record.trail import Wanted, follow

ROWS: list[Row] = [(tick, "queue_held" if tick % 2 else "queue_released", 0, 0, "", "night") for tick in range(6)]


def followed(path: Path, wanted: Wanted, *, finish: bool) -> tuple[list[int], int]:
    """Follow a log into which each pause writes two rows more; give the numbers that came, and the pauses taken."""

    async def both() -> tuple[list[int], int]:
        left = list(ROWS)
        pauses = 0
        async with await SqliteRecorder.create(path, RunMeta(1, "title: Quiet", "quiet.yaml")) as log:

            async def write() -> None:
                for row in left[:2]:
                    log.emit(row)
                del left[:2]
                await log.flush()
                if finish and not left:
                    await log.finish()

            loop = asyncio.get_running_loop()

            def pause() -> None:
                nonlocal pauses
                pauses += 1
                asyncio.run_coroutine_threadsafe(write(), loop).result(10)

            found = await asyncio.to_thread(lambda: [number for number, _ in follow(path, wanted, pause)])
        return found, pauses

    return asyncio.run(both())


def test_events_come_as_they_are_written_until_the_run_is_finished(tmp_path: Path) -> None:
    """Each event that is asked for comes once, whatever was there when it was looked; the end of the run ends it."""
    assert followed(tmp_path / "a.qdlog", Wanted(), finish=True) == ([1, 2, 3, 4, 5, 6], 3)
    assert followed(tmp_path / "b.qdlog", Wanted(kinds=("queue_held",)), finish=True) == ([2, 4, 6], 3)


def test_a_moment_that_has_passed_ends_it_too(tmp_path: Path) -> None:
    """With an ``until``, the first event from then on ends it, though the run goes on."""
    assert followed(tmp_path / "a.qdlog", Wanted(until=3), finish=False) == ([1, 2, 3], 2)


def test_names_of_jobs_are_read_as_they_come(tmp_path: Path) -> None:
    """A job that was not there at first is found when it is; a resubmitted one has its number behind its name."""

    def submitted(job: int, origin: int = 0) -> Row:
        return (job, "submitted", 0, job, "", "queued", "copy", "night", "plates", 1, "", 0, "", origin)

    def refusal(ask: Callable[[], object]) -> str:
        with pytest.raises(LogError) as refused:
            ask()
        return str(refused.value).removeprefix(f"{tmp_path / 'a.qdlog'}: ")

    async def run() -> None:
        path = tmp_path / "a.qdlog"
        async with await SqliteRecorder.create(path, RunMeta(1, "title: Quiet", "quiet.yaml")) as log:
            jobs = Jobs(path)
            assert open_log(path).last() == (0, -1)
            assert refusal(lambda: jobs.find("1")) == "there is no job 1: no job has been submitted"
            log.emit(submitted(1))
            log.emit(submitted(2, origin=1))
            await log.flush()
            assert (jobs.name(1), jobs.name(2), jobs.name(0)) == ("plates#1", "plates#1 (resubmitted as job 2)", "")
            assert (jobs.find("plates#1"), jobs.find("2")) == (1, 2)
            said = "there is no job 'plates#2': the last job of plates in this night is plates#1"
            assert refusal(lambda: jobs.find("plates#2")) == said
            for wrong in ("plates#0", "plates#1,2", "plates#-1"):
                said = f"there is no job {wrong!r}: write the number of the job in its arrival entry, from plates#1 to"
                assert refusal(lambda wrong=wrong: jobs.find(wrong)).startswith(said)

    asyncio.run(run())
