"""What a power off gives back of what a handler had opened: nothing hangs, nothing stays locked, nothing goes on."""

import asyncio
import contextvars
import functools
import os
import socket
import sqlite3
import subprocess
import sys
import textwrap
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import aiosqlite
import pytest

from emulator import Emulator, InputError, OutsideWorkError, Work, clock_stop, run_in_virtual_time

Handler = Callable[[Work], Awaitable[None]]


def powered_off(handler: Handler, at: str = "1m", **options: Any) -> Emulator:
    """Run a job through a power off ``at`` this time, to its end; give the emulator as it was left."""
    made: list[Emulator] = []

    async def test() -> None:
        async with Emulator(handlers={"copy": handler}, **options) as emu:
            made.append(emu)
            job = emu.submit("copy")
            await emu.advance(at)
            emu.power_off("workers-1", back_after="1m")
            ending = await job
            assert (ending.state, ending.attempts) == ("done", 2)
            await emu.advance("10m")

    run_in_virtual_time(test, patience=10)
    return made[0]


def rows(path: Path, timeout: float = 0.2) -> list[Any]:
    """Read what is in the table, and write to it, which needs every lock."""
    archive = sqlite3.connect(path, timeout=timeout)
    try:
        found = archive.execute("SELECT plate FROM plates").fetchall()
        archive.execute("DELETE FROM plates")
        archive.commit()
        return [plate for (plate,) in found]
    finally:
        archive.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give a database with an empty table of plates."""
    archive = sqlite3.connect(tmp_path / "plates.db")
    archive.execute("CREATE TABLE plates (plate)")
    archive.commit()
    archive.close()
    return tmp_path / "plates.db"


# -- connections ------------------------------------------------------------------------------------------------------


def test_an_open_aiosqlite_connection_ends_with_its_worker(path: Path) -> None:
    """Its thread ends, its lock goes, what was not committed is gone, and no ``finally`` of the handler runs."""
    cleaned, threads = [], threading.active_count()

    async def copy(work: Work) -> None:
        if work.attempt == 2:
            assert rows(path) == []
            return
        async with clock_stop("open"):
            archive = await aiosqlite.connect(path, timeout=0.2)
            await archive.execute("BEGIN IMMEDIATE")
            await archive.execute("INSERT INTO plates VALUES ('a')")
        try:
            await work.spend("2m")
        finally:
            cleaned.append("finally")

    powered_off(copy)
    assert (cleaned, threading.active_count()) == ([], threads)


def test_what_was_handed_to_a_database_thread_completes_and_the_rest_is_not_committed(path: Path) -> None:
    """An insert and its commit are in the queue when the power goes, and an insert behind them: the first is kept."""
    found: list[Any] = []

    async def copy(work: Work) -> None:
        if work.attempt == 2:
            found.extend(rows(path))
            return
        async with clock_stop("write"):
            archive = await aiosqlite.connect(path)
            orders = ("INSERT INTO plates VALUES ('kept')", "COMMIT", "INSERT INTO plates VALUES ('lost')")
            for order in orders:
                asyncio.get_running_loop().create_task(_of(archive.execute(order)))
            await asyncio.sleep(0)
            emu.power_off("workers-1", back_after="1m")
            await asyncio.sleep(0)
        raise AssertionError("no line of a dead worker's code runs")

    async def test() -> None:
        async with emu:
            assert (await emu.submit("copy")).attempts == 2

    async def _of(order: Any) -> None:
        await order

    emu = Emulator(handlers={"copy": copy})
    run_in_virtual_time(test, patience=10)
    assert found == ["kept"]


def _in_the_loop(path: Path) -> Callable[[], Awaitable[Any]]:
    async def opened() -> Any:
        return _write_and_read_half(path)

    return opened


def _in_an_executor(path: Path) -> Callable[[], Awaitable[Any]]:
    async def opened() -> Any:
        return await asyncio.to_thread(_write_and_read_half, path)

    return opened


def _in_a_thread(path: Path) -> Callable[[], Awaitable[Any]]:
    async def opened() -> Any:
        kept: list[Any] = []
        async with clock_stop("a thread"):
            thread = threading.Thread(target=lambda: kept.append(_write_and_read_half(path)))
            thread.start()
            thread.join()
        return kept

    return opened


def _write_and_read_half(path: Path) -> Any:
    """Hold the lock for writing, and a statement of which rows are still to be read."""
    archive = sqlite3.connect(path, timeout=0.2)
    archive.execute("INSERT INTO plates VALUES ('a')")
    cursor = archive.execute("SELECT plate FROM plates UNION SELECT 'b' UNION SELECT 'c'")
    next(cursor)
    return archive, cursor


@pytest.mark.parametrize("where", [_in_the_loop, _in_an_executor, _in_a_thread])
def test_connections_of_sqlite_close_whatever_thread_they_are_of(path: Path, where: Any) -> None:
    """Without a commit, although a statement is half read, which keeps SQLite's locks beyond a close."""
    found: list[Any] = []

    async def copy(work: Work) -> None:
        if work.attempt == 2:
            found.append(rows(path))
            return
        kept = await where(path)()
        await work.spend("2m")
        del kept

    powered_off(copy)
    assert found == [[]]


def test_a_connection_that_a_thread_uses_closes_at_the_end_of_the_call(path: Path) -> None:
    """What the thread writes and commits after the power has gone is kept: it was under way; the rest is lost."""
    found: list[Any] = []
    power_is_off = threading.Event()

    def write() -> Any:
        archive = sqlite3.connect(path, timeout=0.2)
        power_is_off.wait()
        archive.execute("INSERT INTO plates VALUES ('kept')")
        archive.commit()
        archive.execute("INSERT INTO plates VALUES ('lost')")
        kept.append(archive)

    kept: list[Any] = []

    async def copy(work: Work) -> None:
        if work.attempt == 2:
            found.append(rows(path))
            return
        emu.loop.call_soon(cut, context=contextvars.Context())
        await asyncio.to_thread(write)

    def cut() -> None:
        emu.power_off("workers-1", back_after="1m")
        power_is_off.set()

    async def test() -> None:
        async with emu:
            assert (await emu.submit("copy")).state == "done"

    emu = Emulator(handlers={"copy": copy})
    run_in_virtual_time(test, patience=10)
    assert found == [["kept"]]
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        kept[0].execute("SELECT 1")


def test_what_an_earlier_handler_left_open_goes_with_its_worker(path: Path) -> None:
    """A handler that has returned leaves its connection on the worker, until the power goes or the emulation ends."""
    kept: list[Any] = []

    async def copy(work: Work) -> None:
        sqlite3.connect(":memory:").close()
        archive = sqlite3.connect(path, timeout=0.2)
        if work.job == 1:
            kept.append(archive)
            archive.execute("INSERT INTO plates VALUES ('a')")
        else:
            archive.close()

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}) as emu:
            for _ in range(3):
                await emu.submit("copy")
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                rows(path, timeout=0.01)
            emu.power_off("workers-1", back_after="1m")
            assert rows(path) == []
            await emu.submit("copy")

    run_in_virtual_time(test)


# -- sockets and child processes --------------------------------------------------------------------------------------


def test_sockets_of_a_dead_worker_are_closed() -> None:
    """Who is connected to its server sees the end, the port is free again, and no transport complains."""
    ports: list[int] = []
    kept: list[Any] = []

    async def copy(work: Work) -> None:
        if work.attempt == 2:
            async with clock_stop("connect"):
                with pytest.raises(ConnectionRefusedError):
                    await asyncio.open_connection("127.0.0.1", ports[0])
            return
        async with clock_stop("serve"):
            server = await asyncio.start_server(lambda *streams: kept.append(streams), "127.0.0.1", 0)
            ports.append(server.sockets[0].getsockname()[1])
            reader, writer = await asyncio.open_connection("127.0.0.1", ports[0])
            writer.write(b"plate")
        await work.spend("2m")
        del reader

    async def look() -> None:
        async with Emulator(handlers={"copy": copy}) as emu:
            job = emu.submit("copy")
            await emu.advance("30s")
            visitor = socket.create_connection(("127.0.0.1", ports[0]), timeout=5)
            emu.power_off("workers-1", back_after="1m")
            assert await asyncio.to_thread(_ends, visitor)
            visitor.close()
            await job

    run_in_virtual_time(look, patience=10)


def _ends(visitor: socket.socket) -> bool:
    try:
        return visitor.recv(10) == b""
    except ConnectionResetError:
        return True


def test_a_thread_that_listens_for_a_dead_worker_goes_on_to_its_end() -> None:
    """Its socket is shut, so that a call to an executor ends that would have waited for ever."""
    ends: list[bytes] = []
    kept: list[socket.socket] = []

    def listen(listener: socket.socket, other: socket.socket) -> None:
        ends.append(listener.recv(10))
        kept.extend((listener, other))

    async def copy(work: Work) -> None:
        if work.attempt == 1:
            mine = socket.socket()
            emu.loop.call_soon(cut, context=contextvars.Context())
            await asyncio.to_thread(lambda: listen(*socket.socketpair()))
            mine.close()

    def cut() -> None:
        held = emu.keeper._attempts[0].bearer.held
        while held is None or len(held.sockets) < 3:
            held = emu.keeper._attempts[0].bearer.held
        emu.power_off("workers-1", back_after="1m")

    async def test() -> None:
        async with emu:
            await emu.submit("copy")

    emu = Emulator(handlers={"copy": copy})
    run_in_virtual_time(test, patience=10)
    assert ends == [b""]
    assert [each.fileno() for each in kept] == [-1, -1]


def _by_asyncio() -> Callable[[], Awaitable[Any]]:
    async def start() -> Any:
        return await asyncio.create_subprocess_exec(
            sys.executable, "-c", "import time; time.sleep(60)", stdout=asyncio.subprocess.PIPE
        )

    return start


def _by_subprocess() -> Callable[[], Awaitable[Any]]:
    async def start() -> Any:
        return subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])

    return start


@pytest.mark.parametrize("how", [_by_asyncio, _by_subprocess])
def test_child_processes_of_a_dead_worker_are_killed(how: Any) -> None:
    """And taken away, so that none is left as a zombie; the pipe to it is closed."""
    children: list[int] = []

    async def copy(work: Work) -> None:
        if work.attempt == 1:
            async with clock_stop("a child"):
                child = await how()()
            children.append(child.pid)
            await work.spend("2m")

    powered_off(copy)
    with pytest.raises((ProcessLookupError, ChildProcessError)):
        os.kill(children[0], 0)
        os.waitpid(children[0], os.WNOHANG)


# -- contexts, waiters ------------------------------------------------------------------------------------------------


def _timer(later: Callable[[], Any]) -> Any:
    asyncio.get_running_loop().call_later(100, later, context=contextvars.Context())


async def _from_an_executor(later: Callable[[], Any]) -> None:
    loop = asyncio.get_running_loop()
    await loop.run_in_executor(None, _run_threadsafe, loop, later)


async def _from_a_thread(later: Callable[[], Any]) -> None:
    loop = asyncio.get_running_loop()
    async with clock_stop("a thread"):
        done = loop.create_future()

        def work() -> None:
            _run_threadsafe(loop, later)
            loop.call_soon_threadsafe(done.set_result, None)

        threading.Thread(target=work).start()
        await done


async def _from_a_thread_of_a_thread(later: Callable[[], Any]) -> None:
    loop = asyncio.get_running_loop()
    async with clock_stop("a thread"):
        done = loop.create_future()

        def work() -> None:
            _run_threadsafe(loop, later)
            loop.call_soon_threadsafe(done.set_result, None)

        threading.Thread(target=lambda: threading.Thread(target=work).start()).start()
        await done


def _run_threadsafe(loop: asyncio.AbstractEventLoop, later: Callable[[], Any]) -> None:
    async def wait() -> None:
        await asyncio.sleep(100)
        later()

    asyncio.run_coroutine_threadsafe(wait(), loop)


@pytest.mark.parametrize("how", [_timer, _from_an_executor, _from_a_thread, _from_a_thread_of_a_thread])
def test_what_a_dead_worker_began_in_another_context_or_thread_goes_with_it(how: Any) -> None:
    """A timer with an empty context, and coroutines handed over by its threads, never run."""
    seen: list[str] = []

    async def copy(work: Work) -> None:
        if work.attempt == 1:
            if (waits := how(functools.partial(seen.append, "later"))) is not None:
                await waits
            await work.spend("10m")

    powered_off(copy)
    assert seen == []


@pytest.mark.parametrize("woken", [False, True], ids=["waiting", "woken at that instant"])
@pytest.mark.parametrize("kind", ["lock", "semaphore", "queue", "condition"])
def test_a_waiter_that_died_swallows_no_wake_up(kind: str, woken: bool) -> None:
    """The next who waits gets what the dead one was first in line for, or was given just before it died."""
    seen: list[str] = []

    async def test() -> None:
        shared: Any = {"lock": asyncio.Lock, "queue": asyncio.Queue, "condition": asyncio.Condition}.get(
            kind, lambda: asyncio.Semaphore(1)
        )()
        give: Callable[[], None] = shared.release if kind in ("lock", "semaphore") else lambda: None

        async def take(who: str) -> None:
            if kind == "queue":
                await shared.get()
            elif kind == "condition":
                async with shared:
                    await shared.wait()
            else:
                await shared.acquire()
            seen.append(who)

        async def copy(work: Work) -> None:
            if work.attempt == 1:
                await take("the dead")

        async def hand_over() -> None:
            if kind == "queue":
                shared.put_nowait("plate")
            elif kind == "condition":
                async with shared:
                    shared.notify()
            else:
                give()

        async with Emulator(handlers={"copy": copy}) as emu:
            if kind in ("lock", "semaphore"):
                await shared.acquire()
            job = emu.submit("copy")
            await emu.advance("1s")
            living = asyncio.create_task(take("the living"))
            await emu.advance("1s")
            if woken:
                await hand_over()
            emu.power_off("workers-1", back_after="1m")
            if not woken:
                await hand_over()
            async with asyncio.timeout(1):
                await living
            await job
        if kind == "semaphore":
            assert shared.locked()
            shared.release()
            assert not shared.locked()

    run_in_virtual_time(test)
    assert seen == ["the living"]


def test_a_place_of_a_semaphore_that_a_dead_waiter_was_given_comes_back() -> None:
    """Also when nobody else waits for it."""

    async def test() -> bool:
        places = asyncio.Semaphore(1)

        async def copy(work: Work) -> None:
            if work.attempt == 1:
                await places.acquire()

        async with Emulator(handlers={"copy": copy}) as emu:
            await places.acquire()
            job = emu.submit("copy")
            await emu.advance("1s")
            places.release()
            emu.power_off("workers-1", back_after="1m")
            await job
        return places.locked()

    assert run_in_virtual_time(test) is False


# -- at_power_off -----------------------------------------------------------------------------------------------------


def test_at_power_off_is_called_in_order_when_the_power_goes(tmp_path: Path) -> None:
    """After nothing of the handler runs any more; not when it ends, is frozen or told to stop."""
    file = tmp_path / "plate"
    seen: list[str] = []

    async def copy(work: Work) -> None:
        file.write_text("on the disk; in memory only")
        work.at_power_off(lambda: seen.append(f"attempt {work.attempt}"))
        work.at_power_off(lambda: file.write_text(file.read_text().split(";")[0]))
        if work.attempt == 1:
            await work.spend("2m")
            seen.append("went on")
        else:
            seen.append(file.read_text())

    powered_off(copy)
    assert (seen, file.read_text()) == (["attempt 1", "on the disk; in memory only"], "on the disk; in memory only")


def test_what_at_power_off_raises_is_raised_where_the_emulation_is_left() -> None:
    """It is the test's own mistake, which nobody may miss."""

    async def copy(work: Work) -> None:
        work.at_power_off(functools.partial(int, "x"))
        await work.spend("2m" if work.attempt == 1 else 0)

    with pytest.raises(ValueError, match="invalid literal"):
        powered_off(copy)


def test_at_power_off_takes_a_plain_function_and_a_worker_whose_code_runs() -> None:
    """A coroutine function would never run, and a worker that the test speaks for runs no code."""

    async def copy(work: Work) -> None:
        with pytest.raises(InputError, match="give a plain function that takes no arguments"):
            work.at_power_off(copy)  # type: ignore[arg-type]

    async def test() -> None:
        routines = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}}
        async with Emulator(by_hand=["dome"], pools={"dome": {"count": 1}}, routines=routines) as emu:
            emu.submit("copy")
            lease = await emu.client("dome-1").take()
            assert lease is not None
            with pytest.raises(InputError, match="the test itself speaks for dome-1"):
                lease.work.at_power_off(print)
        async with Emulator(handlers={"copy": copy}) as emu:
            assert (await emu.submit("copy")).state == "done"

    run_in_virtual_time(test)


def test_at_power_off_is_served_for_a_program_too() -> None:
    """A program of one's own asks for it through the work of its lease."""
    seen: list[str] = []
    routines = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}}

    async def main(client: Any) -> None:
        while (lease := await client.take()) is None:
            await asyncio.sleep(1)
        lease.work.at_power_off(lambda: seen.append("power off"))
        await asyncio.sleep(10**6)

    async def test() -> None:
        async with Emulator(programs={"workers": main}, routines=routines) as emu:
            emu.submit("copy")
            await emu.advance("1m")
            emu.power_off("workers-1")
            await emu.advance("1m")

    run_in_virtual_time(test)
    assert seen == ["power off"]


# -- the end of the process -------------------------------------------------------------------------------------------

LEFT_OPEN = """
import asyncio, sys, threading
import aiosqlite
from emulator import Emulator, clock_stop, run_in_virtual_time

async def copy(work):
    async with clock_stop("open"):
        archive = await aiosqlite.connect(":memory:")
    await work.spend("2m")

async def test():
    async with Emulator(handlers={"copy": copy}, pools={"workers": {"count": 2}}) as emu:
        jobs = [emu.submit("copy") for _ in range(2)]
        await emu.advance("1m")
        emu.power_off("workers-1")
        emu.freeze("workers-2")

run_in_virtual_time(test)
print("end")
"""

LIVES_ON = """
import asyncio, threading, warnings
from emulator import clock_stop, run_in_virtual_time

async def test():
    async with clock_stop("a thread"):
        threading.Thread(target=threading.Event().wait, name="shutter").start()

run_in_virtual_time(test)
"""

POOL_LIVES_ON = """
import asyncio, threading
from concurrent.futures import ThreadPoolExecutor
from emulator import clock_stop, run_in_virtual_time

pool = ThreadPoolExecutor(1)

async def test():
    await asyncio.get_running_loop().run_in_executor(pool, print, "idle")
    async with clock_stop("a pool"):
        pool.submit(threading.Event().wait)

run_in_virtual_time(test)
"""


def ended(script: str) -> "subprocess.CompletedProcess[str]":
    """Run a script in a process of its own, which must end by itself."""
    command = [sys.executable, "-W", "always", "-c", textwrap.dedent(script)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


@pytest.mark.slow
def test_the_process_ends_after_workers_with_open_connections_died() -> None:
    """Also one that was frozen to the end of the emulation; nothing is said about them."""
    done = ended(LEFT_OPEN)
    assert (done.returncode, done.stdout, done.stderr) == (0, "end\n", "")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("script", "begins"),
    [
        (LIVES_ON, "the thread 'shutter', started at <string>:"),
        (POOL_LIVES_ON, "the thread 'ThreadPoolExecutor' still"),
    ],
)
def test_a_thread_that_lives_on_is_named_and_the_process_ends(script: str, begins: str) -> None:
    """Two seconds after the end of its loop, with the line that started it; idle threads of an executor may stay."""
    done = ended(script)
    assert done.returncode == 1
    last = done.stderr.splitlines()[-1]
    assert last.startswith(f"emulator.errors.OutsideWorkError: {begins}")
    assert "still lives 2 s after its event loop was closed" in last


@pytest.mark.slow
def test_a_thread_that_lives_on_does_not_hide_why_the_test_failed() -> None:
    """The error of the test gets it as a note."""

    async def test() -> None:
        async with clock_stop("a thread"):
            threading.Thread(target=over.wait, name="shutter").start()
        raise LookupError("the test's own")

    over = threading.Event()
    try:
        with pytest.raises(LookupError) as caught:
            run_in_virtual_time(test)
    finally:
        over.set()
    assert caught.value.__notes__[0].startswith("the thread 'shutter', started at ")


@pytest.mark.slow
def test_daemons_and_threads_that_end_in_time_are_no_matter() -> None:
    """A thread that its maker lets end with the process may live on; another has two seconds."""

    async def test() -> str:
        async with clock_stop("threads"):
            threading.Thread(target=over.wait, daemon=True).start()
            threading.Timer(0.2, over.set).start()
        return "well"

    over = threading.Event()
    assert run_in_virtual_time(test) == "well"
    assert over.is_set()


def test_threads_are_started_as_ever_where_no_virtual_loop_runs() -> None:
    """The guard is gone when no virtual loop runs, and a start that fails leaves the thread as it was."""
    stock = threading.Thread.start

    async def test() -> bool:
        async with clock_stop("threads"):
            thread = threading.Thread(target=print)
            thread.start()
            with pytest.raises(RuntimeError, match="threads can only be started once"):
                thread.start()
            thread.join()
        return threading.Thread.start is stock

    assert run_in_virtual_time(test) is False
    assert threading.Thread.start is stock


def test_a_thread_outside_a_stop_is_refused(go: Any) -> None:
    """In a handler as in the test; the error says what to do instead."""

    async def test() -> None:
        with pytest.raises(OutsideWorkError, match="wait for the thread 'shutter': start it inside"):
            threading.Thread(target=print, name="shutter").start()

    go(test())
