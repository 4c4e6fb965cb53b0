"""Code that knows nothing of virtual time: each call of a named library gets a clock stop of its own."""

import asyncio
import sqlite3
import threading
from collections.abc import Awaitable, Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import aiosqlite
import pytest

from emulator import (
    CrashPoint,
    Emulator,
    EmulatorOptions,
    InputError,
    OutsideWorkError,
    VirtualLoop,
    Work,
    clock_stop,
    run_in_virtual_time,
    sweep,
)

Handler = Callable[[Work], Awaitable[None]]


def service(path: Path) -> Handler:
    """Give a handler as production has it: a connection for its whole life, a transaction around a wait."""

    async def copy(work: Work) -> None:
        async with aiosqlite.connect(path, timeout=0.2) as archive:
            await archive.execute("CREATE TABLE IF NOT EXISTS plates (plate, attempt)")
            await archive.execute("INSERT INTO plates VALUES (?, ?)", ("a", work.attempt))
            await work.spend("1m")
            await archive.commit()
            cursor = await archive.execute("SELECT count(*) FROM plates")
            assert await cursor.fetchone() == (1,)
            await work.spend("1m")

    return copy


def rows(path: Path) -> list[Any]:
    """Read what is in the table."""
    archive = sqlite3.connect(path)
    try:
        return archive.execute("SELECT plate, attempt FROM plates").fetchall()
    finally:
        archive.close()


def test_an_unmodified_service_runs_through_a_power_off(tmp_path: Path) -> None:
    """What was not committed is gone with the power, and its lock too; the second attempt commits."""
    path = tmp_path / "plates.db"

    async def test() -> tuple[int, float]:
        async with Emulator(handlers={"copy": service(path)}, outside=["sqlite3", "aiosqlite"]) as emu:
            job = emu.submit("copy")
            await emu.advance(30)
            emu.power_off("workers-1", back_after="5m")
            return (await job).attempts, emu.time

    assert run_in_virtual_time(test, patience=10) == (2, 30 + 5 * 60 + 2 * 60)
    assert rows(path) == [("a", 2)]


@pytest.mark.slow
def test_the_calls_of_several_tasks_come_in_the_order_in_which_they_began(tmp_path: Path) -> None:
    """Every run writes the same rows in the same order; a stop of the user's own around all is no hindrance."""

    async def store(path: Path, plate: int) -> None:
        async with aiosqlite.connect(path) as archive:
            await archive.execute("INSERT INTO plates VALUES (?, 0)", (plate,))
            await archive.commit()

    async def test(path: Path) -> list[Any]:
        async with VirtualLoop.of().clock_stop("the table"), aiosqlite.connect(path) as archive:
            await archive.execute("CREATE TABLE plates (plate, attempt)")
        async with asyncio.TaskGroup() as group:
            for plate in range(4):
                group.create_task(store(path, plate))
        async with aiosqlite.connect(path) as archive:
            return list(await archive.execute_fetchall("SELECT plate FROM plates ORDER BY rowid"))

    found = [run_in_virtual_time(test(tmp_path / f"{run}.db"), outside=["aiosqlite"]) for run in range(5)]
    assert [sorted(each) for each in found] == [[(0,), (1,), (2,), (3,)]] * 5
    assert found == [found[0]] * 5


def test_a_lock_is_waited_for_in_virtual_time(tmp_path: Path) -> None:
    """Its holder commits after 2 s; a connection with a patience of 1 s gives up after that, one with 5 s gets it.

    SQLite looks again 0.001, 0.002, 0.005, 0.01, 0.015, 0.02, 0.025 (three times), 0.05 (twice) s after the last
    time, 0.228 s in all, and every 0.1 s from then on: at 2.028 s.
    """
    path = tmp_path / "plates.db"

    async def write(timeout: float) -> float:
        async with aiosqlite.connect(path, timeout=timeout) as archive:
            await archive.execute("INSERT INTO plates VALUES ('a', 0)")
            waited = asyncio.get_running_loop().time()
            await archive.commit()
        return waited

    async def test() -> tuple[float, float]:
        loop = asyncio.get_running_loop()
        async with aiosqlite.connect(path) as archive:
            await archive.execute("CREATE TABLE plates (plate, attempt)")
            await archive.execute("BEGIN IMMEDIATE")
            async with asyncio.TaskGroup() as group:
                patient = group.create_task(write(5))
                with pytest.raises(sqlite3.OperationalError, match="locked"):
                    await write(1)
                gave_up = loop.time()
                with pytest.raises(sqlite3.OperationalError, match="locked"):
                    async with aiosqlite.connect(path, timeout=0.01) as other:
                        await other.executemany("INSERT INTO plates VALUES (?, 0)", ["b"])
                assert loop.time() == gave_up
                await asyncio.sleep(1)
                await archive.commit()
        return gave_up, patient.result()

    assert run_in_virtual_time(test, outside=["aiosqlite"]) == (1, 2.028)


def test_a_loop_that_did_not_ask_for_it_is_left_alone(tmp_path: Path) -> None:
    """So is an ordinary loop meanwhile, and the library itself afterwards."""
    stock = (aiosqlite.Connection.__await__, aiosqlite.Connection.close, aiosqlite.Connection._execute)

    async def count() -> int:
        async with aiosqlite.connect(":memory:") as archive:
            return len(list(await archive.execute_fetchall("SELECT 1")))

    async def meanwhile() -> int:
        assert aiosqlite.Connection.__await__ is not stock[0]
        async with VirtualLoop.of().clock_stop("another loop"):
            return await asyncio.to_thread(asyncio.run, count())

    assert run_in_virtual_time(meanwhile, outside=["aiosqlite"]) == 1
    assert (aiosqlite.Connection.__await__, aiosqlite.Connection.close, aiosqlite.Connection._execute) == stock
    with pytest.raises(OutsideWorkError, match="clock_stop"):
        run_in_virtual_time(count)


def test_a_connection_that_is_opened_otherwise_waits_by_itself() -> None:
    """The library takes any function that opens one; then SQLite has the patience, in real time."""

    async def test() -> list[Any]:
        async with aiosqlite.Connection(lambda: sqlite3.connect(":memory:", timeout=0.1), 64) as archive:
            return list(await archive.execute_fetchall("SELECT 1"))

    assert run_in_virtual_time(test, outside=["aiosqlite"]) == [(1,)]


def test_an_error_of_the_library_comes_through(tmp_path: Path) -> None:
    """And the clock goes on after it."""

    async def test() -> float:
        async with aiosqlite.connect(":memory:") as archive:
            with pytest.raises(sqlite3.OperationalError, match="no such table"):
                await archive.execute("SELECT * FROM plates")
        await asyncio.sleep(60)
        return asyncio.get_running_loop().time()

    assert run_in_virtual_time(test, outside=["aiosqlite"]) == 60


@pytest.mark.virtual_time(outside=["aiosqlite"])
async def test_the_marker_takes_it() -> None:
    """As an option of the loop."""
    async with aiosqlite.connect(":memory:") as archive:
        assert list(await archive.execute_fetchall("SELECT 1")) == [(1,)]


WRONG: dict[str, tuple[Any, str]] = {
    "unknown": (
        ["aiosqlit"],
        "'aiosqlit' is not known here: give sqlite3 or aiosqlite; open a clock stop around others",
    ),
    "a text": ("aiosqlite", "outside='aiosqlite': give a list of libraries"),
    "no list": (7, "outside=7: give a list of libraries"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_not_known_is_refused(wrong: str) -> None:
    """By the loop, and by the emulator."""
    outside, message = WRONG[wrong]
    with pytest.raises(ValueError, match=message.replace("(", r"\(")):
        VirtualLoop(outside=outside)
    with pytest.raises(InputError, match=message):
        Emulator(handlers={"copy": service(Path())}, outside=outside)


def test_a_library_that_is_not_installed_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Python takes None among its modules for one that is not there."""
    monkeypatch.setitem(__import__("sys").modules, "aiosqlite", None)
    with pytest.raises(ValueError, match="outside: aiosqlite is not installed"):
        VirtualLoop(outside=["aiosqlite"])


@pytest.mark.slow
def test_a_call_that_is_cancelled_is_answered_inside_its_stop(tmp_path: Path) -> None:
    """A frozen attempt that wakes up and is told to stop leaves nothing behind that might come at any time."""

    async def test(point: CrashPoint) -> str:
        handlers = {"copy": service(tmp_path / f"{point.number}.db")}
        pools = {"dome": {"count": 2}}
        async with Emulator(handlers=handlers, outside=["aiosqlite"], pools=pools, crash_at=point) as emu:
            return (await emu.submit("copy")).state

    for number in range(1, 9):
        point = CrashPoint("copy#1", "freeze", number)
        assert run_in_virtual_time(test(point), patience=10) in ("done", "failed")


@pytest.mark.parametrize("is_cut_off", [False, True], ids=["outside", "a stop of its own"])
def test_what_was_handed_to_a_database_lands_before_its_worker_stands_still(tmp_path: Path, is_cut_off: bool) -> None:
    """However slow the thread is: frozen after 1 min, for 10 min, the row is there from the first minute on."""

    async def test() -> tuple[list[float], float]:
        loop, landed = asyncio.get_running_loop(), list[float]()

        def slow(plate: str) -> str:
            threading.Event().wait(0.05)
            landed.append(loop.time())
            return plate

        async def copy(work: Work) -> None:
            async with clock_stop("open"):
                archive = await aiosqlite.connect(tmp_path / "plates.db")
                await archive.create_function("slow", 1, slow)
            await work.spend("1m")
            loop.call_soon(lambda: emu.freeze("workers-1", lasts="10m"))
            async with clock_stop("write") if is_cut_off else nullcontext():
                await archive.execute("SELECT slow('a')")
            learnt.append(loop.time())
            async with clock_stop("close"):
                await archive.close()

        learnt = list[float]()
        options: EmulatorOptions = {"queues": {"night": {"lease": "1h"}}}
        async with Emulator(handlers={"copy": copy}, outside=["aiosqlite"], **options) as emu:
            await emu.submit("copy")
        return landed, learnt[0]

    assert run_in_virtual_time(test, patience=10) == ([60], 60 + 10 * 60)


def test_a_handler_that_freezes_its_own_worker_opens_its_next_stop_when_it_goes_on(tmp_path: Path) -> None:
    """Opened at once, a stop with outside work in it would hold up the clock on which the end of the freeze waits."""

    async def test() -> list[float]:
        loop, landed = asyncio.get_running_loop(), list[float]()

        async def copy(work: Work) -> None:
            emu.freeze("workers-1", lasts="10m")
            async with clock_stop("write"):
                landed.append(loop.time())
                async with clock_stop("within"):
                    landed.append(loop.time())

        options: EmulatorOptions = {"queues": {"night": {"lease": "1h"}}}
        async with Emulator(handlers={"copy": copy}, outside=["aiosqlite"], **options) as emu:
            assert (await emu.submit("copy")).state == "done"
        return landed

    assert run_in_virtual_time(test, patience=1) == [10 * 60, 10 * 60]


@pytest.mark.slow
@pytest.mark.parametrize("looks_first", [False, True], ids=["bug", "repair"])
def test_a_service_with_a_store_is_swept(tmp_path: Path, looks_first: bool) -> None:
    """The bug: what the store knows is not asked before the effect. A power off after it shows that."""
    runs = iter(range(1_000))

    async def test() -> None:
        path = tmp_path / f"{next(runs)}.db"

        async def copy(work: Work) -> None:
            async with aiosqlite.connect(path) as archive:
                await archive.execute("CREATE TABLE IF NOT EXISTS plates (plate)")
                await work.spend("1m")
                found = list(await archive.execute_fetchall("SELECT 1 FROM plates WHERE plate = 'a'"))
                if not found:
                    await archive.execute("INSERT INTO plates VALUES ('a')")
                    await archive.commit()
                if not (looks_first and found):
                    work.effect("copied", "a", repeatable=False)
                await work.spend("1m")

        options: EmulatorOptions = {"outside": ["aiosqlite"], "pools": {"dome": {"count": 2}}}
        async with Emulator(handlers={"copy": copy}, never=["unrepeatable effect twice"], **options) as emu:
            assert (await emu.submit("copy")).state == "done"

    found = sweep(test, job="copy#1", fault=["power_off", "freeze"], patience=10)
    assert found.is_safe is looks_first, found.text()
    assert all("unrepeatable effect twice" in each.why for each in found.unsafe)
