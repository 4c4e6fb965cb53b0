"""What stands in the way of a log: taken names, full disks, locks, interruptions, a kill at any moment."""

import asyncio
import os
import random  # noqa: TID251 - moments of a kill, not draws of the emulator
import signal
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from log_rows import ABOUT, some_rows, write

from emulator.errors import DefectError, LogError, QueuedrillError
from emulator.record.encoding import encode
from emulator.record.events import Row
from emulator.record.export import digest
from emulator.record.log_reader import open_log
from emulator.record.log_writer import SqliteRecorder
from emulator.record.sqlite_log import LogFile, create

ROWS = some_rows(1_050)


def test_an_existing_log_is_not_overwritten(tmp_path: Path) -> None:
    """A path that is taken is refused unless the run may overwrite, and then only a log gives way."""
    path, other = tmp_path / "night.qdlog", tmp_path / "night.yaml"
    asyncio.run(write(path, ROWS))
    other.write_text("title: A quiet night\n")

    async def refusal(path: Path, overwrite: bool) -> str:
        with pytest.raises(LogError) as caught:
            await SqliteRecorder.create(path, ABOUT, overwrite=overwrite)
        return str(caught.value)

    assert asyncio.run(refusal(path, False)) == (
        f"{path}: is already there: name another file, or say that it may be overwritten"
    )
    assert asyncio.run(refusal(other, True)) == (
        f"{other}: the log cannot be read: not an event log of this program (`run --log` writes one) "
        "(file is not a database)"
    )
    for overwrite in (False, True):
        assert asyncio.run(refusal(tmp_path, overwrite)) == f"{tmp_path}: it is a folder: name a log in it"
    assert asyncio.run(refusal(tmp_path / "no" / "n.qdlog", False)) == (
        f"{tmp_path}/no/n.qdlog: there is no folder {tmp_path}/no: make it first"
    )
    assert (list(open_log(path).rows()), other.read_text()) == (ROWS, "title: A quiet night\n")


def test_overwriting_leaves_nothing_of_the_old_log(tmp_path: Path) -> None:
    """A log that takes the place of an unfinished one holds its own events alone."""
    path = tmp_path / "night.qdlog"
    asyncio.run(write(path, ROWS, finish=False))
    for side in ("-wal", "-shm"):
        path.with_name(path.name + side).write_bytes(b"left over")

    async def run() -> None:
        async with await SqliteRecorder.create(path, ABOUT, overwrite=True) as recorder:
            recorder.emit(ROWS[0])

    asyncio.run(run())
    assert list(open_log(path).rows()) == [ROWS[0]]


def test_a_log_of_another_format_may_be_overwritten(tmp_path: Path) -> None:
    """It is not read any more, and its run is to be run again: its name can be used for that."""
    path = tmp_path / "night.qdlog"
    asyncio.run(write(path, ROWS))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA user_version = 1")

    async def run() -> None:
        async with await SqliteRecorder.create(path, ABOUT, overwrite=True) as recorder:
            recorder.emit(ROWS[0])

    asyncio.run(run())
    assert list(open_log(path).rows()) == [ROWS[0]]


async def hindered(path: Path, *statements: str, told: list[QueuedrillError], patience: float = 5.0) -> SqliteRecorder:
    """Give a recorder that has 200 events in the file, and then whatever the statements do to its connection."""
    recorder = await SqliteRecorder.create(path, ABOUT, batch=100, patience=patience, on_failure=told.append)
    for row in ROWS[:200]:
        recorder.emit(row)
    await recorder.flush()
    for statement in statements:
        await recorder._file._connection.execute(statement)
    return recorder


@pytest.mark.parametrize(
    ("hindrance", "reason"),
    [
        ("PRAGMA max_page_count = 1", "the disk is full: make room (database or disk is full)"),
        (
            "PRAGMA query_only = ON",
            "it may not be written: copy it to a folder of yours, or change its rights"
            " (attempt to write a readonly database)",
        ),
    ],
)
def test_what_cannot_be_written_is_told(tmp_path: Path, hindrance: str, reason: str) -> None:
    """When the disk is full or the file may not be written, the error says what is kept and what is not."""
    path: Path = tmp_path / "night.qdlog"
    told: list[QueuedrillError] = []

    async def run() -> tuple[QueuedrillError | None, str]:
        recorder = await hindered(path, hindrance, told=told)
        for row in ROWS[200:450]:
            recorder.emit(row)
            await asyncio.sleep(0)
        while recorder.failure is None:
            await asyncio.sleep(0.01)
        for row in ROWS[450:600]:
            recorder.emit(row)
        failure = recorder.failure
        with pytest.raises(LogError) as caught:
            await recorder.close()
        return failure, str(caught.value)

    failure, at_the_end = asyncio.run(run())
    assert failure is not None
    words = f"{path}: events cannot be written: {reason}; events 1 to 200 are kept in the file, events 201 to"
    assert [str(error).rsplit(" to ", 1)[0] + " to" for error in [*told, failure]] == [words, words]
    assert at_the_end == f"{words} 600 are not"
    log = open_log(path)
    assert (list(log.rows()), log.finished) == (ROWS[:200], False)


def test_a_batch_that_waits_while_the_log_is_closed_meets_an_open_file(tmp_path: Path) -> None:
    """The hundredth row begins to be written in the background, behind the close; that tells why it cannot be."""
    told: list[QueuedrillError] = []

    async def run() -> None:
        recorder = await hindered(tmp_path / "night.qdlog", "PRAGMA query_only = ON", told=told)
        for row in ROWS[200:300]:
            recorder.emit(row)
        with pytest.raises(LogError, match="it may not be written"):
            await recorder.close()
        assert recorder._task is not None
        await asyncio.wait([recorder._task])

    asyncio.run(run())
    assert ["attempt to write a readonly database" in str(error) for error in told] == [True]


@pytest.mark.slow
def test_a_disk_that_refuses_is_told(tmp_path: Path) -> None:
    """When the system lets the file grow no more, the run gets an error in words and the log holds whole batches."""
    script = tmp_path / "run.py"
    script.write_text(
        f"""
import asyncio, resource, signal, sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from log_rows import ABOUT, some_rows
from emulator.errors import DefectError, LogError, QueuedrillError
from emulator.record.log_writer import SqliteRecorder
async def run():
    recorder = await SqliteRecorder.create("night.qdlog", ABOUT, batch=100)
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (65_536, 65_536))
    for row in some_rows(20_000):
        recorder.emit(row)
    try:
        await recorder.close()
    except LogError as error:
        print(error)
asyncio.run(run())
"""
    )
    done = subprocess.run([sys.executable, script], cwd=tmp_path, capture_output=True, text=True, timeout=60)
    kept = list(open_log(tmp_path / "night.qdlog").rows())
    assert done.stdout.startswith("night.qdlog: events cannot be written: the disk"), done.stderr
    assert done.stdout.endswith(
        f"events 1 to {len(kept):,} are kept in the file, events {len(kept) + 1:,} to 20,000 are not\n"
    )
    assert kept == some_rows(20_000)[: len(kept)]
    assert len(kept) % 100 == 0
    assert 0 < len(kept) < 20_000


def test_a_lock_that_is_given_up_costs_nothing(tmp_path: Path) -> None:
    """A batch that another program's lock kept out is written once the lock is gone, in its place."""
    path: Path = tmp_path / "night.qdlog"
    told: list[QueuedrillError] = []

    async def run() -> None:
        recorder = await hindered(path, told=told, patience=0.01)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            for row in ROWS[200:300]:
                recorder.emit(row)
            with pytest.raises(LogError) as caught:
                await recorder.flush()
            assert str(caught.value) == (
                f"{path}: events cannot be written: another program keeps it locked: close that first "
                "(database is locked); events 1 to 200 are kept in the file, events 201 to 300 are not"
            )
            assert recorder.failure == caught.value
        for row in ROWS[300:]:
            recorder.emit(row)
        await recorder.finish()
        assert recorder.failure is None
        await recorder.close()

    asyncio.run(run())
    log = open_log(path)
    assert (list(log.rows()), log.digest) == (ROWS, digest(ROWS))


def test_a_failing_log_does_not_hide_what_failed_first(tmp_path: Path) -> None:
    """When the run raises and its log cannot be written either, the run's error stays and the loss is noted on it."""

    async def run() -> None:
        async with await hindered(tmp_path / "night.qdlog", "PRAGMA query_only = ON", told=[]) as recorder:
            recorder.emit(ROWS[200])
            raise ZeroDivisionError("the run")

    with pytest.raises(ZeroDivisionError) as caught:
        asyncio.run(run())
    [note] = caught.value.__notes__
    assert note.endswith("events 1 to 200 are kept in the file, events 201 to 201 are not")


def test_a_loss_at_the_end_is_told(tmp_path: Path) -> None:
    """A run that comes to its end while its log cannot be written ends with the error."""

    async def run() -> None:
        async with await hindered(tmp_path / "night.qdlog", "PRAGMA query_only = ON", told=[]) as recorder:
            recorder.emit(ROWS[200])

    with pytest.raises(LogError, match=r"events 1 to 200 are kept in the file, events 201 to 201 are not$"):
        asyncio.run(run())


def test_a_row_that_is_no_event_is_told_at_once(tmp_path: Path) -> None:
    """What cannot be written because it is no event is a defect, told while the run goes on."""
    told: list[QueuedrillError] = []

    async def run() -> None:
        async with await hindered(tmp_path / "night.qdlog", told=told) as recorder:
            for row in [*ROWS[200:299], (0, "no such kind", 0, 0, "")]:
                recorder.emit(row)
            while not told:
                await asyncio.sleep(0.001)

    with pytest.raises(DefectError) as caught:
        asyncio.run(run())
    assert str(caught.value) == str(told[0])
    assert str(told[0]).startswith(
        "event 300 cannot be written: (0, 'no such kind', 0, 0, '') is no row of a known kind"
    )
    assert str(told[0]).endswith("events 1 to 200 are kept in the file, events 201 to 300 are not")


def test_a_log_that_is_locked_from_the_start_is_told(tmp_path: Path) -> None:
    """When another program locks the new file before it is opened, the error says so, and nothing stays open."""
    path = tmp_path / "night.qdlog"
    create(path, ABOUT.to_facts())

    async def run() -> str:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            with pytest.raises(LogError) as caught:
                await LogFile.open(path, patience=0.01)
            return str(caught.value)

    assert asyncio.run(run()) == (
        f"{path}: the log cannot be opened: another program keeps it locked: close that first (database is locked)"
    )


def test_a_log_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """A name that the file system refuses gives an error in words."""
    path = tmp_path / ("n" * 300)

    async def run() -> str:
        with pytest.raises(LogError) as caught:
            await SqliteRecorder.create(path, ABOUT)
        return str(caught.value)

    assert asyncio.run(run()) == f"{path}: the log cannot be made: File name too long"


@pytest.mark.parametrize("steps", range(0, 24, 2))
def test_an_interrupted_batch_is_neither_lost_nor_doubled(tmp_path: Path, steps: int) -> None:
    """However far a batch has got when its task is cancelled, the log holds each event once."""
    path = tmp_path / "night.qdlog"

    async def run() -> None:
        async with await SqliteRecorder.create(path, ABOUT, batch=300) as recorder:
            for row in ROWS[:299]:
                recorder.emit(row)
            task = asyncio.create_task(recorder.flush())
            for _ in range(steps):
                await asyncio.sleep(0 if steps < 12 else 0.0004)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            for row in ROWS[299:]:
                recorder.emit(row)
            await recorder.finish()

    asyncio.run(run())
    log = open_log(path)
    assert (list(log.rows()), log.digest) == (ROWS, digest(ROWS))


def test_no_number_is_given_twice(tmp_path: Path) -> None:
    """Events whose numbers the log has already are refused, however many they are, and those after them get in."""
    path = tmp_path / "night.qdlog"
    create(path, ABOUT.to_facts())

    async def run() -> str:
        file = await LogFile.open(path, patience=1)
        await file.append(encode(ROWS[:120], 1)[0])
        with pytest.raises(LogError) as caught:
            await file.append(encode(ROWS[60:180], 61)[0])
        assert await file.settle() == 120
        await file.append(encode(ROWS[120:], 121)[0])
        await file.close()
        return str(caught.value)

    assert asyncio.run(run()) == f"{path}: events cannot be written: UNIQUE constraint failed: events.n"
    assert list(open_log(path).numbered()) == list(enumerate(ROWS, 1))


def test_a_reader_may_look_on(tmp_path: Path) -> None:
    """A log that is being written shows what has been committed, and a reader at the end hinders nothing."""
    path = tmp_path / "night.qdlog"

    async def run() -> list[Row]:
        async with await SqliteRecorder.create(path, ABOUT, batch=100) as recorder:
            for row in ROWS[:250]:
                recorder.emit(row)
            await recorder.flush()
            recorder.emit(ROWS[250])
            looking = open_log(path).rows()
            seen = [next(looking)]
            await recorder.finish()
            return [*seen, *looking]

    assert asyncio.run(run()) == ROWS[:250]
    log = open_log(path)
    assert (log.finished, list(log.rows())) == (True, ROWS[:251])


# -- a kill -------------------------------------------------------------------------------------------------------

KILLED = f"""
import asyncio, sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from log_rows import ABOUT, some_rows
from emulator.record.log_writer import SqliteRecorder
async def run():
    print(-1, flush=True)
    recorder = await SqliteRecorder.create("night.qdlog", ABOUT, batch=50)
    for number, row in enumerate(some_rows(1_000_000), 1):
        recorder.emit(row)
        if number % 50 == 0:
            await recorder.flush()
            print(number, flush=True)
asyncio.run(run())
"""


@pytest.mark.slow
@pytest.mark.parametrize("moment", range(10))
def test_a_kill_loses_no_committed_batch(tmp_path: Path, moment: int) -> None:
    """After a kill at any moment the log opens and holds every batch that had been committed, whole, and no part."""
    (tmp_path / "run.py").write_text(KILLED)
    chance = random.Random(f"moment {moment}")
    with subprocess.Popen([sys.executable, "run.py"], cwd=tmp_path, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        wanted = 0 if moment < 3 else chance.randrange(1_500)
        committed = -1
        for line in child.stdout:
            committed = int(line)
            if committed >= wanted or moment < 3:
                break
        try:
            child.wait(chance.random() * (0.05 if moment < 3 else 0.02))
        except subprocess.TimeoutExpired:
            os.kill(child.pid, signal.SIGKILL)
        committed = max([committed, *(int(line) for line in child.stdout.read().split("\n")[:-1])])
    assert child.returncode == -signal.SIGKILL
    path = tmp_path / "night.qdlog"
    if not path.exists():
        assert committed == -1
        return
    log = open_log(path)
    rows = list(log.rows())
    assert (log.finished, log.meta) == (False, ABOUT)
    assert rows == some_rows(len(rows))
    assert len(rows) % 50 == 0
    assert committed <= len(rows) <= max(committed, 0) + 50


HALF_WRITTEN = """\
import os, signal, sqlite3
log = sqlite3.connect("night.qdlog", isolation_level=None)
log.execute("PRAGMA cache_size = 1")
log.execute("BEGIN IMMEDIATE")
log.executemany("INSERT INTO meta VALUES (?, ?)", ((f"key {n}", "x" * 1000) for n in range(500)))
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_kill_that_leaves_a_journal_leaves_a_log(tmp_path: Path) -> None:
    """What a killed writer had half written, its journal beside the log, is undone by the first who reads it."""
    path = tmp_path / "night.qdlog"
    asyncio.run(write(path, ROWS))
    child = subprocess.run([sys.executable, "-c", HALF_WRITTEN], cwd=tmp_path, check=False)
    journal = path.with_name(path.name + "-journal")
    assert (child.returncode, journal.exists()) == (-signal.SIGKILL, True)
    log = open_log(path)
    assert (list(log.rows()), log.meta, journal.exists()) == (ROWS, ABOUT, False)


def test_an_interruption_while_the_log_is_opened_leaves_no_thread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled while SQLite still opens the file, the opening ends with the connection closed and its thread gone."""
    path, really = tmp_path / "night.qdlog", sqlite3.connect
    begun, cancelled = threading.Event(), threading.Event()
    create(path, ABOUT.to_facts())

    def connect(*arguments: object, **options: object) -> sqlite3.Connection:
        begun.set()
        cancelled.wait()
        return really(*arguments, **options)  # type: ignore[call-overload]

    async def run() -> None:
        opening = asyncio.ensure_future(LogFile.open(path, patience=1))
        while not begun.is_set():
            await asyncio.sleep(0.001)
        opening.cancel()
        asyncio.get_running_loop().call_later(0.05, cancelled.set)
        with pytest.raises(asyncio.CancelledError):
            await opening

    before = threading.enumerate()
    monkeypatch.setattr(sqlite3, "connect", connect)
    asyncio.run(run())
    new = [thread for thread in threading.enumerate() if thread not in before]
    for thread in new:  # it has given its last answer, and may still be on its way out
        thread.join(5)
    assert [thread for thread in new if thread.is_alive()] == []
