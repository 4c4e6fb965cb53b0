"""Writing a log: what is in the file, and what it costs the run."""

import asyncio
from collections.abc import Coroutine
from pathlib import Path
from time import sleep
from typing import Any, TypeVar

import pytest
from log_rows import ABOUT, some_rows, write

from emulator.errors import DefectError, LogError
from emulator.record.encoding import Columns
from emulator.record.events import Sink
from emulator.record.export import digest, json_lines
from emulator.record.log_reader import open_log
from emulator.record.log_writer import SqliteRecorder
from emulator.record.recorder import Both, Recorder
from emulator.record.sqlite_log import LogFile
from emulator.timeline import VirtualLoop
from emulator.timeline.ticks import MINUTE, SECOND

T = TypeVar("T")
ROWS = some_rows(1_050)


def in_virtual_time(work: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(work)


# -- what is written ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 99, 100, 101, 1_050])
def test_all_that_was_emitted_is_in_the_log(tmp_path: Path, count: int) -> None:
    """Whatever the number of events is against the size of a batch, the log holds them, their number and digest."""
    asyncio.run(write(tmp_path / "night.qdlog", ROWS[:count]))
    log = open_log(tmp_path / "night.qdlog")
    assert list(log.rows()) == ROWS[:count]
    assert (log.event_count, log.digest) == (count, digest(ROWS[:count]))


def test_numbers_count_from_one(tmp_path: Path) -> None:
    """``emit`` gives each event the number under which it stands in the log."""

    async def run() -> list[int]:
        async with await SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT, batch=3) as recorder:
            return [recorder.emit(row) for row in ROWS[:10]]

    assert asyncio.run(run()) == list(range(1, 11))
    assert [number for number, _ in open_log(tmp_path / "night.qdlog").numbered()] == list(range(1, 11))


def test_a_finished_log_is_one_file(tmp_path: Path) -> None:
    """Once a run is finished its log is a single file, which can be copied and read where nothing may be written."""
    asyncio.run(write(tmp_path / "night.qdlog", ROWS))
    assert [path.name for path in tmp_path.iterdir()] == ["night.qdlog"]


def test_a_run_that_fails_leaves_an_unfinished_log(tmp_path: Path) -> None:
    """When the run raises, everything emitted until then is in the log, which says that it is unfinished."""
    path = tmp_path / "night.qdlog"

    async def run() -> None:
        async with await SqliteRecorder.create(path, ABOUT, batch=100) as recorder:
            for row in ROWS[:250]:
                recorder.emit(row)
            raise ZeroDivisionError("the run")

    with pytest.raises(ZeroDivisionError):
        asyncio.run(run())
    log = open_log(path)
    assert list(log.rows()) == ROWS[:250]
    assert (log.finished, log.event_count, log.digest) == (False, None, None)
    words = f"{path}: the run was not finished: what it did after the last event in the log is not known"
    assert log.in_words() == words
    with pytest.raises(LogError) as caught:
        log.verify()
    assert str(caught.value) == words


def test_exact_statements(tmp_path: Path) -> None:
    """A log of three events in batches of two is made and written with exactly these statements."""
    statements: list[str] = []

    async def run() -> None:
        recorder = await SqliteRecorder.create(
            tmp_path / "night.qdlog", ABOUT, batch=2, trace=lambda statement: statements.append(statement[:72])
        )
        async with recorder:
            for at in range(3):
                recorder.emit((at, "queue_held", 0, 0, "", "it's night"))
            await recorder.finish()

    asyncio.run(run())
    assert statements == [
        "PRAGMA application_id = 1902398567",
        "PRAGMA user_version = 3",
        "BEGIN",
        "CREATE TABLE IF NOT EXISTS schema_steps (number INTEGER PRIMARY KEY, nam",
        "SELECT count(*) FROM schema_steps",
        "CREATE TABLE events (n INTEGER PRIMARY KEY, at INTEGER NOT NULL, kind TE",
        "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT RO",
        "INSERT INTO schema_steps VALUES (1, 'events_and_meta')",
        "CREATE TRIGGER events_refuse_update BEFORE UPDATE ON events BEGIN SELECT",
        "CREATE TRIGGER events_refuse_delete BEFORE DELETE ON events BEGIN SELECT",
        "INSERT INTO schema_steps VALUES (2, 'append_only')",
        "CREATE VIEW jobs AS SELECT job, CASE kind WHEN 'handed_out' THEN 'runnin",
        "INSERT INTO schema_steps VALUES (3, 'state_of_jobs')",
        "INSERT INTO meta VALUES ('files', '{\"arrivals.csv\": \"ab12\"}')",
        "INSERT INTO meta VALUES ('heartbeats', 'computed')",
        "INSERT INTO meta VALUES ('program_version', '0.1.0')",
        "INSERT INTO meta VALUES ('python_version', '3.11.7')",
        "INSERT INTO meta VALUES ('scenario_name', 'quiet.yaml')",
        "INSERT INTO meta VALUES ('scenario_text', 'title: A quiet night\r\n# señal",
        "INSERT INTO meta VALUES ('seed', '20260612')",
        "INSERT INTO meta VALUES ('variant', 'patient')",
        "INSERT INTO meta VALUES ('zone_data_version', '2026a')",
        "COMMIT",
        "PRAGMA journal_mode = WAL",
        "PRAGMA synchronous = NORMAL",
        "BEGIN IMMEDIATE",
        "INSERT INTO events VALUES (1, 0, 'queue_held', 0, 0, '', '{\"queue\":\"it''",
        "INSERT INTO events VALUES (2, 1, 'queue_held', 0, 0, '', '{\"queue\":\"it''",
        "COMMIT",
        "BEGIN IMMEDIATE",
        "INSERT INTO events VALUES (3, 2, 'queue_held', 0, 0, '', '{\"queue\":\"it''",
        "COMMIT",
        "BEGIN IMMEDIATE",
        "INSERT INTO meta VALUES ('digest', '"
        + digest([(at, "queue_held", 0, 0, "", "it's night") for at in range(3)])[:36],
        "INSERT INTO meta VALUES ('events', '3')",
        "INSERT INTO meta VALUES ('finished', 'yes')",
        "COMMIT",
        "PRAGMA busy_timeout = 0",
        "PRAGMA journal_mode = DELETE",
    ]


def test_memory_and_log_together(tmp_path: Path) -> None:
    """A run that wants both its events in memory and a log gets the same rows under the same numbers in both."""
    memory = Recorder()

    async def run() -> list[int]:
        async with await SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT, batch=100) as recorder:
            both = Both(memory, recorder)
            return [both.emit(row) for row in ROWS]

    assert asyncio.run(run()) == list(range(1, len(ROWS) + 1))
    assert memory.rows == ROWS == list(open_log(tmp_path / "night.qdlog").rows())


def test_a_log_beside_another_sink_holds_the_same(tmp_path: Path) -> None:
    """What a log is kept beside gets each event and numbers it, and the log refuses what comes too late."""
    memory, path = Recorder(), tmp_path / "night.qdlog"

    async def run() -> list[int]:
        async with await SqliteRecorder.create(path, ABOUT, batch=100) as recorder:
            beside = recorder.beside(memory)
            numbers = [beside.emit(row) for row in ROWS]
            await recorder.finish()
            with pytest.raises(DefectError, match="an event came after the log was finished"):
                beside.emit(ROWS[0])
            return numbers

    assert asyncio.run(run()) == list(range(1, len(ROWS) + 1))
    assert memory.rows[:-1] == ROWS == list(open_log(path).rows())


def test_an_event_after_the_end_is_a_defect(tmp_path: Path) -> None:
    """An event that comes after ``finish`` or ``close`` cannot be kept, and is not lost in silence."""
    path = tmp_path / "night.qdlog"

    async def run() -> list[str]:
        said = []
        async with await SqliteRecorder.create(path, ABOUT, batch=100) as recorder:
            recorder.emit(ROWS[0])
            await recorder.finish()
            with pytest.raises(DefectError) as caught:
                recorder.emit(ROWS[1])
            said.append(str(caught.value))
        other = await SqliteRecorder.create(path, ABOUT, overwrite=True)
        await other.close()
        await other.close()
        with pytest.raises(DefectError) as caught:
            other.emit(ROWS[1])
        return [*said, str(caught.value)]

    row = "(1, 'handed_out', 0, 1, 'dome-1', 1, 1, 91, 1)"
    assert asyncio.run(run()) == [
        f"{path}: an event came after the log was finished: {row}",
        f"{path}: an event came after the log was closed: {row}",
    ]


# -- what it costs the run ----------------------------------------------------------------------------------------


def test_no_virtual_time_passes(tmp_path: Path) -> None:
    """A night that is logged runs through the same instants as one that is not, and under no false time limit."""

    async def night(path: Path | None) -> list[float]:
        loop = asyncio.get_running_loop()
        seen = []
        recorder = Recorder() if path is None else await SqliteRecorder.create(path, ABOUT, batch=10)
        for row in ROWS[:100]:
            async with asyncio.timeout(1):
                recorder.emit(row)
                await asyncio.sleep(0.5)
            seen.append(loop.time())
        if isinstance(recorder, SqliteRecorder):
            await recorder.finish()
            await recorder.close()
        seen.append(loop.time())
        return seen

    logged = in_virtual_time(night(tmp_path / "night.qdlog"))
    assert logged == in_virtual_time(night(None)) == [*(0.5 * k for k in range(1, 101)), 50.0]
    assert list(open_log(tmp_path / "night.qdlog").rows()) == ROWS[:100]


@pytest.mark.slow
def test_the_same_events_whatever_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy night gives the same export in memory, in batches of any size, and on a disk that is slow each time."""

    async def work(sink: Sink, name: str, pause: float) -> None:
        loop = asyncio.get_running_loop()
        for step in range(60):
            sink.emit((round(loop.time() * SECOND), "queue_held", step, 0, name, f"night {step}"))
            try:
                async with asyncio.timeout(0.3):
                    await asyncio.sleep(pause * (step % 5))
            except TimeoutError:
                sink.emit((round(loop.time() * SECOND), "queue_released", step, 0, name, f"night {step}"))

    async def night(path: Path | None, batch: int) -> bytes:
        memory = Recorder()
        recorder = None if path is None else await SqliteRecorder.create(path, ABOUT, batch=batch)
        async with asyncio.TaskGroup() as group:
            for name, pause in (("dome-1", 0.1), ("dome-2", 0.1), ("dome-3", 0.07)):
                group.create_task(work(memory if recorder is None else recorder, name, pause))
        if path is None or recorder is None:
            return b"".join(json_lines(memory.rows))
        await recorder.finish()
        await recorder.close()
        return b"".join(json_lines(open_log(path).rows()))

    expected = in_virtual_time(night(None, 0))
    assert expected.count(b"queue_released") > 30
    assert in_virtual_time(night(tmp_path / "small.qdlog", 7)) == expected
    assert in_virtual_time(night(tmp_path / "large.qdlog", 1_000)) == expected
    append = LogFile.append

    async def append_slowly(file: LogFile, columns: Columns) -> None:
        await asyncio.to_thread(sleep, 0.05)
        await append(file, columns)

    monkeypatch.setattr(LogFile, "append", append_slowly)
    assert in_virtual_time(night(tmp_path / "slow.qdlog", 20)) == expected


@pytest.mark.slow
def test_memory_stays_bounded(tmp_path: Path) -> None:
    """A modelled world that emits on and on never has more than one batch of events in memory."""
    path, most = tmp_path / "night.qdlog", 0

    async def night() -> None:
        nonlocal most
        agenda = asyncio.get_running_loop().agenda  # type: ignore[attr-defined]
        async with await SqliteRecorder.create(path, ABOUT, batch=500) as recorder:

            def step(number: int) -> None:
                nonlocal most
                recorder.emit((agenda.now, "queue_held", 0, 0, "", "night"))
                most = max(most, recorder.pending)
                if number < 20_000:
                    agenda.at(agenda.now + 1, step, number + 1)

            agenda.at(0, step, 1)
            await asyncio.sleep(MINUTE / SECOND)
            await recorder.finish()

    in_virtual_time(night())
    assert most == 500
    assert open_log(path).event_count == 20_000


def test_events_of_one_instant_are_written_in_batches(tmp_path: Path) -> None:
    """Events that come in one go, more than a batch holds, are written as several transactions."""
    statements: list[str] = []

    async def run() -> None:
        async with await SqliteRecorder.create(
            tmp_path / "night.qdlog", ABOUT, batch=100, trace=statements.append
        ) as recorder:
            for row in ROWS[:250]:
                recorder.emit(row)
            await recorder.flush()
            assert recorder.pending == 0

    asyncio.run(run())
    rows = [0]
    for statement in statements:
        if statement == "COMMIT":
            rows.append(0)
        elif "INTO events" in statement:
            rows[-1] += statement.count("), (") + 1
    assert rows == [0, 100, 100, 50, 0]  # the first is what makes the file
