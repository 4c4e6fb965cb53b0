"""Logs and files of results that were changed, are damaged, or were made to do harm: a sentence, and exit code 2."""

import asyncio
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from textwrap import dedent

import pytest
from damaged_files import RESUMED, WAYS, asked, made, tried

from emulator.errors import LogError
from emulator.record.events import Row
from emulator.record.log_reader import open_log
from emulator.record.log_writer import SqliteRecorder
from emulator.record.meta import RunMeta

SEED = 20261130
MANY = 200
ABOUT = RunMeta(seed=1, scenario_text="title: Quiet", scenario_name="quiet.yaml")
HELD: Row = (0, "queue_held", 0, 0, "", "night")
Damaged = Callable[..., Path]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a finished log, one that breaks off, and a file of results."""
    folder = tmp_path_factory.mktemp("whole")
    made(folder)
    return folder


@pytest.fixture
def damaged(whole: Path) -> Damaged:
    """Give what copies a file of that folder and changes the copy by SQL."""

    def damage(source: str, sql: str, name: str = "night.db") -> Path:
        path = whole / name
        path.write_bytes((whole / source).read_bytes())
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            for change in ("delete", "update"):
                with suppress(sqlite3.OperationalError):
                    file.execute(f"DROP TRIGGER events_refuse_{change}")
            file.executescript(sql)
        return path

    return damage


@pytest.mark.slow
def test_no_damaged_file_makes_a_command_end_with_a_defect(whole: Path) -> None:
    """Of 200 files with wrong bytes, pages, rows or facts each is read or refused: python tests/damaged_files.py."""
    codes = []
    for number in range(MANY):
        code, said = tried(whole, SEED, number)
        assert code in (0, 1, 2), said
        codes.append(code)
    assert codes.count(2) > MANY / 3  # most of what was done does harm


def test_events_that_a_run_did_not_write_are_neither_judged_nor_told(whole: Path, damaged: Damaged) -> None:
    """A finished log in which one word was changed is refused by each command, though every event makes sense."""
    damaged("finished.db", "UPDATE events SET worker = 'dome-2' WHERE worker = 'dome-1'")
    said = "night.db: the events are not those that the run wrote: the file was changed since\n"
    for arguments in (*WAYS, ("trail", "night.db", "--follow")):
        assert asked(whole, arguments) == (2, said), arguments


def test_a_forged_log_is_refused_where_its_events_do_not_fit(whole: Path, damaged: Damaged) -> None:
    """Events that no run writes in this order are told as such, not as a defect, even where no digest shows it."""
    damaged("broken_off.db", "UPDATE events SET job = 0 WHERE kind = 'submitted'")
    code, said = asked(whole, ("page", "--overwrite", "night.db"))
    assert (code, said.startswith("night.db: its events do not fit one another or its scenario (")) == (2, True)
    damaged("broken_off.db", "UPDATE events SET job = 2147483648 WHERE n = 20")  # a table of so many jobs fills memory
    code, said = asked(whole, ("export", "night.db", "--as", "cloudevents"))
    assert (code, said.startswith("night.db: event 20 is damaged: it is of job 2147483648 at ")) == (2, True)
    damaged("broken_off.db", "UPDATE events SET at = 5000 * n * (n < 30)")
    code, said = asked(whole, ("trail", "night.db"))
    assert (code, said) == (
        2,
        "night.db: event 30 is damaged: it is of job 2 at 0 us, after one at 145000 us: the file was changed or "
        "damaged since: take a copy that was made before\n",
    )


ENDLESS = "WITH RECURSIVE r(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM r)"


@pytest.mark.parametrize(
    ("sql", "complaint"),
    [
        (
            f"ALTER TABLE events RENAME TO e; CREATE VIEW events AS {ENDLESS} SELECT n, 0 AS at, 'queue_held' AS kind,"
            " 0 AS cause, 0 AS job, '' AS worker, '{\"queue\":\"night\"}' AS body FROM r",
            "its events is a view, which may have no end, and no table: not an event log",
        ),
        (
            f"ALTER TABLE meta RENAME TO m; CREATE VIEW meta AS {ENDLESS} SELECT n AS key, '' AS value FROM r",
            "its meta is a view, which may have no end, and no table: not an event log",
        ),
        (
            f"INSERT INTO meta {ENDLESS} SELECT 'more ' || n, '' FROM r LIMIT 100",
            "it says more than 100 things about its run: no log of this program does",
        ),
        (
            "INSERT OR REPLACE INTO meta VALUES ('seed', zeroblob(16000001))",
            "the log cannot be read: one of its values is longer than 16 MB, and no log may have such a one (string or "
            "blob too big)",
        ),
        (
            "UPDATE events SET body = zeroblob(16000001) WHERE n = 3",
            "the log cannot be read: one of its values is longer than 16 MB, and no log may have such a one (string or "
            "blob too big)",
        ),
        (
            "ALTER TABLE events ADD COLUMN more TEXT",
            "its schema (events_and_meta, append_only, state_of_jobs) is not one that this program has written",
        ),
    ],
    ids=["endless events", "endless facts", "many facts", "a long fact", "a long event", "one more column"],
)
def test_a_log_that_was_made_to_do_harm_is_refused(sql: str, complaint: str, whole: Path, damaged: Damaged) -> None:
    """Neither a view without an end nor a row of many megabytes is read: a log is what this program makes."""
    damaged("finished.db", sql)
    for arguments in (("trail", "night.db"), ("page", "night.db", "--overwrite"), ("reproduce", "night.db")):
        assert asked(whole, arguments) == (2, f"night.db: {complaint}\n")


def test_trail_says_that_a_log_breaks_off(whole: Path) -> None:
    """Behind the last event of a run that was not finished stands on standard error that more may have come."""
    code, said = asked(whole, ("trail", "broken_off.db"))
    assert (code, said) == (
        0,
        "broken_off.db: the run was not finished: what it did after the last event in the log is not known\n",
    )
    assert asked(whole, ("trail", "finished.db")) == (0, "")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sql", "complaint"),
    [
        (
            "UPDATE nights SET body = replace(body, '\"held\"', '\"hold\"') WHERE seed = 2",
            "results.db: the night with the seed 2 is damaged (its text was changed): {}",
        ),
        (
            "UPDATE nights SET body = zeroblob(16000001)",
            "results.db cannot be read: one of its values is longer than 16 MB: {}: string or blob too big",
        ),
        (
            "ALTER TABLE nights RENAME TO r; CREATE VIEW nights AS SELECT * FROM r, r AS s",
            "results.db has other tables than a file of results: {}",
        ),
        (
            "PRAGMA user_version = 1",
            "results.db was written by queuedrill 0.1.0 in results format 1, and this program reads format 3: run the "
            "comparison again with another file",
        ),
    ],
)
def test_a_damaged_file_of_results_is_refused(sql: str, complaint: str, whole: Path, damaged: Damaged) -> None:
    """A comparison does not go on with nights that were changed, nor with tables that are not its own."""
    damaged("kept.db", sql, "results.db")
    advice = "take a copy that was made before, or begin again under another name"
    assert asked(whole, RESUMED) == (2, f"{complaint.format(advice)}\n")


# -- files beside a log -----------------------------------------------------------------------------------------------


def test_a_log_that_is_being_written_is_locked(tmp_path: Path) -> None:
    """No other run takes the place of a log as long as a run writes it; then it may, and no file is left beside it."""
    path = tmp_path / "night.qdlog"

    async def write() -> str:
        async with await SqliteRecorder.create(path, ABOUT) as recorder:
            recorder.emit(HELD)
            with pytest.raises(LogError) as caught:
                await SqliteRecorder.create(path, ABOUT, overwrite=True)
            await recorder.finish()
        return str(caught.value)

    said = f"{path}: another run is writing this log: wait for its end, or name another file"
    assert asyncio.run(write()) == said
    assert list(open_log(path).rows()) == [HELD]
    assert os.listdir(tmp_path) == ["night.qdlog"]

    async def again() -> None:
        async with await SqliteRecorder.create(path, ABOUT, overwrite=True):
            pass

    asyncio.run(again())
    assert list(open_log(path).rows()) == []


def test_a_lock_is_given_back_where_it_was_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that changes its folder removes its own lock, and not the file of that name in the other folder."""
    (tmp_path / "other").mkdir()
    monkeypatch.chdir(tmp_path)

    async def write() -> None:
        async with await SqliteRecorder.create("night.qdlog", ABOUT) as recorder:
            monkeypatch.chdir("other")
            Path("night.qdlog.lock").write_bytes((tmp_path / "night.qdlog.lock").read_bytes())
            await recorder.finish()

    asyncio.run(write())
    assert sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*.lock")) == ["other/night.qdlog.lock"]


@pytest.mark.slow
def test_a_run_that_was_killed_leaves_no_lock(tmp_path: Path) -> None:
    """The system gives a lock back when its run is killed: another run may write the log, and removes its file."""
    code = """
        import asyncio, sys
        sys.path[:0] = {path}
        from test_damaged_files import ABOUT, SqliteRecorder
        async def write():
            async with await SqliteRecorder.create("night.qdlog", ABOUT):
                print("writes", flush=True)
                await asyncio.sleep(60)
        asyncio.run(write())
    """
    command = [sys.executable, "-c", dedent(code).format(path=repr(sys.path))]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE) as child:
        assert child.stdout is not None and child.stdout.readline() == b"writes\n"
        with pytest.raises(LogError, match="another run is writing this log"):
            asyncio.run(SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT, overwrite=True))
        child.send_signal(signal.SIGKILL)
    assert (tmp_path / "night.qdlog.lock").exists()

    async def again() -> None:
        async with await SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT, overwrite=True):
            pass

    asyncio.run(again())
    assert os.listdir(tmp_path) == ["night.qdlog"]


def test_files_of_the_users_own_beside_a_log_are_left_alone(tmp_path: Path) -> None:
    """What lies beside a log under a name that the program might use is neither removed nor written to."""
    own = {name: tmp_path / f"night.qdlog.{name}" for name in ("unborn", "lock")}
    for name, path in own.items():
        path.write_text(f"my own {name}")

    async def write() -> None:
        async with await SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT) as recorder:
            await recorder.finish()

    asyncio.run(write())
    assert {name: path.read_text() for name, path in own.items()} == {"unborn": "my own unborn", "lock": "my own lock"}
    (tmp_path / "night.qdlog").unlink()
    for side in ("wal", "journal"):
        left = tmp_path / f"night.qdlog-{side}"
        left.write_text("of a log that was moved away")
        said = f"night.qdlog-{side} is left of an earlier log: move it to that log, or remove it"
        with pytest.raises(LogError, match=said):
            asyncio.run(SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT))
        left.unlink()
    own["lock"].unlink()
    own["lock"].mkdir()
    with pytest.raises(LogError, match="the log cannot be made: Is a directory"):
        asyncio.run(SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT, overwrite=True))
    own["lock"].rmdir()
    os.mkfifo(own["lock"])
    with pytest.raises(LogError, match=r"night.qdlog.lock is no regular file: a run locks it"):
        asyncio.run(SqliteRecorder.create(tmp_path / "night.qdlog", ABOUT, overwrite=True))
