"""Handlers that use threads, subprocesses, SQLite and other libraries; what is left at the interpreter's end."""

import asyncio
import subprocess
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

import aiosqlite
import pytest
import tenacity

from emulator import Emulator, RetryCase, Verdict, Work, clock_stop, run_in_virtual_time
from emulator.timeline.ticks import SECOND


@pytest.mark.slow
def test_a_thread_takes_no_virtual_time_unless_it_is_given(go: Any) -> None:
    """``to_thread`` and ``work.outside`` stop the clock; ``takes`` lets time pass afterwards, and the lease runs."""
    seen: list[Any] = []

    async def copy(work: Work) -> None:
        async with asyncio.timeout(1):
            await asyncio.to_thread(time.sleep, 0.05)
        seen.append((emu.time, work.lease_left()))
        seen.append((await work.outside(sum, [1, 2], takes="20s"), emu.time, work.lease_left()))

    async def test() -> None:
        async with emu:
            assert (await emu.submit("copy")).state == "done"

    emu = Emulator(handlers={"copy": copy})
    go(test())
    assert seen == [(0.0, 90.0), (3, 20.0, 70.0)]


@pytest.mark.slow
def test_a_handler_works_with_real_aiosqlite_under_faults(go: Any, tmp_path: Path) -> None:
    """Inside a clock stop the database is written for real; a power off between two writes leaves the first alone."""
    path = tmp_path / "plates.db"

    async def copy(work: Work) -> None:
        for plate in ("a", "b"):
            async with clock_stop("the plate archive"), aiosqlite.connect(path) as archive:
                await archive.execute("CREATE TABLE IF NOT EXISTS copied (plate TEXT, attempt INTEGER)")
                await archive.execute("INSERT INTO copied VALUES (?, ?)", (plate, work.attempt))
                await archive.commit()
            await work.spend("1m")

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}) as emu:
            job = emu.submit("copy")
            await emu.advance(30)
            emu.power_off("workers-1", back_after="1m")
            await job
            at = emu.time
            async with clock_stop("a look"), aiosqlite.connect(path) as archive:
                return at, list(await archive.execute_fetchall("SELECT plate, attempt FROM copied"))

    assert go(test()) == (240.0, [("a", 1), ("a", 2), ("b", 2)])


def test_without_a_clock_stop_the_error_names_the_way_out() -> None:
    """A handler that starts a subprocess in virtual time fails with an error that says what to write."""

    async def copy(work: Work) -> None:
        await asyncio.create_subprocess_exec(sys.executable, "-c", "pass")

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}, queues={"night": {}}) as emu:
            await emu.submit("copy")
            return str(emu.failures[0])

    assert "clock_stop(" in run_in_virtual_time(test, allow_irreproducible=True)


@pytest.mark.slow
def test_a_subprocess_runs_inside_a_clock_stop(go: Any) -> None:
    """Inside one it runs for real, and no virtual time passes."""
    seen: list[Any] = []

    async def copy(work: Work) -> None:
        async with clock_stop("a subprocess"):
            child = await asyncio.create_subprocess_exec(
                sys.executable, "-c", "print(7)", stdout=asyncio.subprocess.PIPE
            )
            out, _ = await child.communicate()
        seen.append((out.strip(), emu.time))

    async def test() -> None:
        async with emu:
            assert (await emu.submit("copy")).state == "done"

    emu = Emulator(handlers={"copy": copy})
    go(test())
    assert seen == [(b"7", 0.0)]


class Wrapped:
    """A wait strategy of a general library for retries, unchanged, as a retry policy of one's own."""

    def __init__(self, wait: Any, attempts: int) -> None:
        self.wait, self.attempts = wait, attempts

    def decide(self, case: RetryCase) -> Verdict:
        state = tenacity.RetryCallState(tenacity.Retrying(), None, (), {})
        state.attempt_number = case.attempt
        return Verdict(case.attempt < self.attempts, round(self.wait(state) * SECOND), "no more attempts")


@pytest.mark.parametrize(
    ("wait", "began"),
    [
        (tenacity.wait_fixed(7), [0, 7, 14, 21]),
        (tenacity.wait_exponential(multiplier=1, max=3), [0, 1, 3, 6]),
        (tenacity.wait_incrementing(start=2, increment=3), [0, 2, 7, 15]),
        (tenacity.wait_chain(tenacity.wait_fixed(1), tenacity.wait_fixed(60)), [0, 1, 61, 121]),
        (tenacity.wait_fixed(2) + tenacity.wait_exponential(multiplier=1), [0, 3, 7, 13]),
    ],
)
def test_wait_strategies_of_another_library_run_unchanged(go: Any, wait: Any, began: list[int]) -> None:
    """Wrapped in three lines, each gives the waits that its own documentation promises."""
    starts: list[float] = []

    async def copy(work: Work) -> None:
        starts.append(emu.time)
        raise RuntimeError("busy")

    async def test() -> None:
        async with emu:
            await emu.submit("copy")

    emu = Emulator(handlers={"copy": copy}, retry={"night": Wrapped(wait, 4)})
    go(test())
    assert starts == began


CHILD = """
import asyncio, gc
from emulator import Emulator, run_in_virtual_time

async def copy(work):
    async def rows():
        try:
            yield 1
        finally:
            print("generator cleaned up")
    try:
        async with asyncio.TaskGroup() as group:
            group.create_task(asyncio.sleep(3600))
            async for row in rows():
                await asyncio.sleep(3600)
    finally:
        print("cleaned up")

async def test():
    asyncio.get_running_loop().slow_callback_duration = 60  # debug mode tells of steps that are slow, on a busy machine
    async with Emulator(handlers={"copy": copy}, pools={"dome": {"count": 3}}) as emu:
        for _ in range(3):
            emu.submit("copy")
        await emu.advance(minutes=1)
        emu.power_off("dome-1")
        emu.freeze("dome-2")
        emu.submit("copy")          # power goes before its first step
        emu.power_off("dome-3")
        await emu.advance(minutes=1)
DROPPED

run_in_virtual_time(test)
gc.collect()
print("end")
"""

DROPPED = """
    dropped = Emulator(handlers={"copy": copy})
    await dropped.__aenter__()
    dropped.submit("copy")
    await dropped.advance(minutes=1)
    dropped.power_off("workers-1")
"""


@pytest.mark.slow
@pytest.mark.parametrize("dropped", ["", DROPPED], ids=["closed", "one dropped"])
@pytest.mark.parametrize("options", [[], ["-X", "dev"]], ids=["plain", "dev"])
def test_powered_off_and_frozen_handlers_stay_silent_to_the_interpreters_end(options: list[str], dropped: str) -> None:
    """Nothing is written by handlers that lost their power or stood still, nor by asyncio about them."""
    code = textwrap.dedent(CHILD).replace("DROPPED", dropped.strip("\n"))
    done = subprocess.run([sys.executable, *options, "-W", "always", "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, "end\n", "")


@pytest.mark.slow
def test_what_a_power_off_keeps_for_ever_is_bounded(go: Any) -> None:
    """Each powered-off handler of two tasks costs less than 40 kB until the process ends; a cancelled one nothing."""
    import gc
    import tracemalloc

    async def copy(work: Work) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(asyncio.sleep(3600))
            await asyncio.sleep(3600)

    async def test(power_off: bool) -> int:
        async with Emulator(handlers={"copy": copy}, pools={"dome": {"count": 100}}) as emu:
            for _ in range(100):
                emu.submit("copy")
            await emu.advance(1)
            if power_off:
                emu.power_off("dome")
        del emu
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    async def rounds() -> list[int]:
        tracemalloc.start()
        try:
            return [await test(power_off) for power_off in (False, False, True, True)]
        finally:
            tracemalloc.stop()

    _, cancelled, first, second = go(rounds())
    assert (second - first) / 100 < 40_000
    assert first > cancelled
