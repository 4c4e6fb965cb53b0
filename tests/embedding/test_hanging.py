"""A wait that nothing can end is told at once, with its cause, and not after thirty days of heartbeats."""

import asyncio
from typing import Any

import pytest

from emulator import ClockStopError, Emulator, NeverError, Work, clock_stop, run_in_virtual_time


async def hangs(work: Work) -> None:
    """Wait for what nobody sets."""
    await asyncio.Event().wait()


def test_a_handler_that_waits_for_what_nobody_brings_is_told_at_once() -> None:
    """Four heartbeats after its lease would have run out; the error names the job, and where its handler waits."""

    async def test() -> Any:
        async with Emulator(handlers={"copy": hangs}) as emu:
            with pytest.raises(NeverError) as caught:
                await emu.submit("copy")
            return str(caught.value), emu.time, len(emu.recorded())

    said, time, events = run_in_virtual_time(test)
    assert said.startswith(
        "nothing but heartbeats is to come any more at 2m: copy#1 is running: worker workers-1 has it; attempt 1 waits "
    )
    assert "in hangs, waiting in Event.wait" in said
    assert time == 120.0  # heartbeats every 30 s: the first after the 90 s of the lease
    assert events < 20


def test_settling_is_told_too_and_a_condition_that_heartbeats_may_bring_is_left_alone() -> None:
    """``settle`` names the job; ``until`` goes on, because each heartbeat may make its condition true."""

    async def test() -> Any:
        async with Emulator(handlers={"copy": hangs}) as emu:
            emu.submit("copy")
            with pytest.raises(NeverError, match="these jobs are unfinished:\n  copy#1: worker workers-1 has it"):
                await emu.settle()
            await emu.until(lambda: len(emu.recorded("heartbeat_received")) == 100)
            return emu.time

    assert run_in_virtual_time(test) == 3000.0


def test_a_job_that_waits_for_its_own_child_on_the_only_worker_is_told_why() -> None:
    """The error names both jobs and the worker; with a second worker both are done."""

    async def parent(work: Work) -> None:
        await emulator[0].submit("child")

    async def child(work: Work) -> None:
        await work.spend("1m")

    emulator: list[Emulator] = []

    async def test(workers: int) -> Any:
        handlers = {"parent": parent, "child": child}
        async with Emulator(handlers=handlers, pools={"dome": {"count": workers}}) as emu:
            emulator[:] = [emu]
            job = emu.submit("parent")
            if workers == 2:
                return (await job).state, emu.time
            with pytest.raises(NeverError) as caught:
                await job
            return str(caught.value)

    assert run_in_virtual_time(lambda: test(2)) == ("done", 60.0)
    assert run_in_virtual_time(lambda: test(1)).startswith(
        "nothing but heartbeats is to come any more at 2m; parent#1 waits for job 2, and that waits for a worker while "
        "parent#1 has dome-1: give the pool one more worker, or one that takes several jobs (`slots`), or let the "
        "handler end before: parent#1 is running"
    )


def test_when_the_test_itself_waits_for_something_else_the_handler_is_told() -> None:
    """Its wait for the child raises, and what it does then is its own matter."""
    told: list[str] = []

    async def parent(work: Work) -> None:
        try:
            await emulator[0].submit("child")
        except NeverError as error:
            told.append(str(error).partition(" at ")[0])
            over.set()

    emulator: list[Emulator] = []
    over = asyncio.Event()

    async def test() -> Any:
        async with Emulator(handlers={"parent": parent, "child": hangs}) as emu:
            emulator[:] = [emu]
            emu.submit("parent")
            await over.wait()
            return told

    assert run_in_virtual_time(test) == ["nothing but heartbeats is to come any more"]


def test_who_lets_time_pass_is_left_alone_and_whoever_waits_beside_it_is_told_afterwards() -> None:
    """As long as the test is in ``advance`` it may still bring what the handler waits for; at ten minutes it does."""

    async def copy(work: Work) -> None:
        await brought.wait()

    brought = asyncio.Event()

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}) as emu:
            job = asyncio.ensure_future(_end_of(emu))
            await emu.advance(minutes=10)
            assert not job.done()
            brought.set()
            return await job, emu.time

    assert run_in_virtual_time(test) == ("done", 600.0)


async def _end_of(emu: Emulator) -> str:
    return (await emu.submit("copy")).state


COMING: dict[str, tuple[Any, str]] = {
    "fault": (lambda emu, done: emu.schedule([{"power_off": "workers-1", "at": "+1d", "back_after": "1m"}]), "done"),
    "job": (lambda emu, done: emu.submit("free", not_before="1d"), "done"),
    "timer": (lambda emu, done: asyncio.get_running_loop().call_later(86400, done.set), "done"),
    "end of a fault": (lambda emu, done: emu.withdraw_access("workers-1", lasts="1d"), "told"),
}


@pytest.mark.slow
@pytest.mark.parametrize("what", COMING)
def test_what_is_still_to_come_is_waited_for(what: str) -> None:
    """A fault, a job that is due tomorrow, a timer: nobody is told anything before they have come."""
    comes, outcome = COMING[what]

    async def test() -> Any:
        done = asyncio.Event()

        async def copy(work: Work) -> None:
            if work.attempt == 1:
                await done.wait()

        async def free(work: Work) -> None:
            done.set()

        handlers = {"copy": copy, "free": free}
        async with Emulator(handlers=handlers, pools={"workers": {"count": 2}}) as emu:
            job = emu.submit("copy")
            await job.reaches("running")
            comes(emu, done)
            try:
                return (await job).state, emu.time >= 86400
            except NeverError:
                return "told", emu.time >= 86400

    assert run_in_virtual_time(test) == (outcome, True)


def test_a_sleep_inside_a_clock_stop_is_told_at_once() -> None:
    """Long before the patience of an hour: the error names the stop, the task, and the line that sleeps."""

    async def test() -> None:
        async with clock_stop("ask again"):
            await asyncio.sleep(1)

    with pytest.raises(ClockStopError) as caught:
        run_in_virtual_time(test, patience=3600.0)
    said = str(caught.value)
    assert said.startswith("asyncio.sleep never ends inside the clock stop 'ask again' of ")
    assert said.endswith("; leave the clock stop before, and open it anew for the next try")
    assert f"sleeps at {__file__}:" in said


def test_a_sleep_of_a_task_that_is_awaited_inside_a_clock_stop_is_told_too() -> None:
    """And a task beside it that sleeps hinders nobody: the stop is left, and the clock goes on."""

    async def sleeps() -> None:
        await asyncio.sleep(1)

    async def waits() -> None:
        async with clock_stop("ask again"):
            await asyncio.create_task(sleeps())

    async def goes_on() -> float:
        async with clock_stop("ask once"):
            beside = asyncio.create_task(sleeps())
            await asyncio.to_thread(sum, [1, 2])
        await beside
        return asyncio.get_running_loop().time()

    with pytest.raises(ClockStopError, match=r"asyncio\.sleep never ends inside the clock stop 'ask again'"):
        run_in_virtual_time(waits, patience=3600.0)
    assert run_in_virtual_time(goes_on) == 1.0


def test_work_and_time_of_the_emulator_inside_a_clock_stop_are_refused_where_they_stand() -> None:
    """``work.spend`` fails the attempt, ``emu.advance`` the test; neither waits for the patience."""

    async def copy(work: Work) -> None:
        async with clock_stop("ask again"):
            await work.spend("1s")

    async def test() -> Any:
        async with Emulator(handlers={"copy": copy}) as emu:
            ending = await emu.submit("copy")
            with pytest.raises(ClockStopError, match="advance lets virtual time pass, and inside the clock stop 'a'"):
                async with clock_stop("a"):
                    await emu.advance(minutes=1)
            return ending.state, ending.said

    assert run_in_virtual_time(test, patience=3600.0) == (
        "failed",
        "ClockStopError: work.spend lets virtual time pass, and inside the clock stop 'ask again' none does: leave "
        "that first",
    )
