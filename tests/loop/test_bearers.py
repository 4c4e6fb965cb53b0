"""Code that stands still, is gone, or runs slowly: what becomes of tasks, timers, generators and outside work."""

import asyncio
import contextvars
import gc
import subprocess
import sys
import textwrap
from collections.abc import Callable
from typing import Any

import pytest

from emulator.errors import StandstillError
from emulator.timeline import VirtualLoop
from emulator.timeline.bearers import BEARER, NOBODY, Bearer

Run = Callable[..., Any]


def bear(loop: VirtualLoop, bearer: Bearer, work: Any) -> "asyncio.Task[Any]":
    """Start work on a bearer."""
    context = contextvars.copy_context()
    context.run(BEARER.set, bearer)
    return loop.create_task(work, context=context)


# -- gone -----------------------------------------------------------------------------------------------------------


def test_nothing_of_a_bearer_that_is_gone_runs_again(run: Run) -> None:
    """After a power off neither the rest, nor ``finally``, nor an ``except`` runs; a plain cancel runs all."""
    seen: list[str] = []

    async def work(name: str) -> None:
        try:
            seen.append(f"{name} began")
            await asyncio.sleep(10)
            seen.append(f"{name} went on")
        except asyncio.CancelledError:
            seen.append(f"{name} was cancelled")
            raise
        finally:
            seen.append(f"{name} cleaned up")

    async def main(loop: VirtualLoop) -> float:
        bearer = Bearer("dome-1")
        bear(loop, bearer, work("dead"))
        cancelled = loop.create_task(work("cancelled"))
        await asyncio.sleep(1)
        loop.abandon(bearer, "power lost")
        cancelled.cancel()
        await asyncio.wait([cancelled])
        await asyncio.sleep(100)
        return loop.time()

    assert run(main) == 101.0
    assert seen == ["dead began", "cancelled began", "cancelled was cancelled", "cancelled cleaned up"]


class _CollectedOnce(dict[Any, None]):
    """The sleeps of a bearer; the collector of garbage comes when they are forgotten."""

    def clear(self) -> None:
        super().clear()
        gc.collect()


def test_the_collector_does_not_come_between_a_power_off_and_the_keeping(run: Run) -> None:
    """A task that nothing but its timer holds is kept before the timer goes."""
    seen: list[str] = []

    async def work() -> None:
        try:
            await asyncio.sleep(10)
        finally:
            seen.append("cleaned up")

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")
        bearer.sleeps = _CollectedOnce()
        bear(loop, bearer, work())
        await asyncio.sleep(1)
        loop.abandon(bearer, "power lost")

    run(main)
    assert seen == []


def test_child_tasks_groups_timeouts_and_timers_go_with_their_bearer(run: Run) -> None:
    """What the code started, in a task group, under a timeout, by a timer or with a context of its own, is gone too."""
    seen: list[str] = []

    async def child(name: str) -> None:
        try:
            await asyncio.sleep(5)
            seen.append(name)
        finally:
            seen.append(f"{name}'s finally")

    async def work(loop: VirtualLoop) -> None:
        loop.call_later(4, seen.append, "timer")
        loop.create_task(child("task with an empty context"), context=contextvars.Context())
        async with asyncio.timeout(3), asyncio.TaskGroup() as group:
            group.create_task(child("task of the group"))
            await child("own")

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")
        bear(loop, bearer, work(loop))
        await asyncio.sleep(1)
        assert len(bearer.tasks) == 3
        loop.abandon(bearer, "power lost")
        assert [task.get_name() for task in asyncio.all_tasks()] == [asyncio.current_task().get_name()]
        await asyncio.sleep(100)

    run(main)
    assert seen == []


def test_the_timers_of_the_dead_attract_no_jump(run: Run) -> None:
    """With a dead sleeper alone nothing can ever happen again, and the error names what is gone."""

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")
        lock = asyncio.Lock()

        async def work() -> None:
            async with lock:
                await asyncio.sleep(3600)

        bear(loop, bearer, work())
        await asyncio.sleep(1)
        loop.abandon(bearer, "its power is off")
        async with lock:
            raise AssertionError("the lock is held for ever")

    with pytest.raises(
        StandstillError, match=r"(?s)at 1s \(virtual time\).*dome-1 \(its power is off\) cannot run"
    ) as told:
        run(main)
    assert "such as a lock" in str(told.value)


def test_an_async_generator_of_the_dead_is_not_closed_with_the_loop(run: Run) -> None:
    """The shutdown of asynchronous generators passes by those of a bearer that is gone, and closes all others."""
    seen: list[str] = []

    async def rows(name: str) -> Any:
        try:
            yield 1
            yield 2
        finally:
            seen.append(name)

    async def work(name: str) -> None:
        async for _ in rows(name):
            await asyncio.sleep(3600)

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")
        bear(loop, bearer, work("dead"))
        loop.create_task(work("alive"))
        await asyncio.sleep(1)
        loop.abandon(bearer, "power lost")

    run(main)
    assert seen == ["alive"]


CHILD = """
import asyncio, contextvars, gc, sys
from emulator.timeline import VirtualLoop
from emulator.timeline.bearers import BEARER, Bearer

async def rows():
    try:
        yield 1
    finally:
        print("generator cleaned up")

async def inner():
    try:
        async for row in rows():
            await asyncio.sleep(3600)
    finally:
        print("cleaned up")

async def work():
    async with asyncio.TaskGroup() as group:
        group.create_task(inner())
        await asyncio.Event().wait()

async def main():
    loop = asyncio.get_running_loop()
    loop.slow_callback_duration = 60  # debug mode tells of steps that are slow, on a busy machine
    bearer = Bearer("dome-1")
    def start(what):
        context = contextvars.copy_context()
        context.run(BEARER.set, bearer)
        loop.create_task(what, context=context)
    start(work())
    await asyncio.sleep(1)
    start(inner())  # which never takes its first step
    loop.abandon(bearer, "power lost")
    await asyncio.sleep(1)
    gc.collect()

with asyncio.Runner(loop_factory=VirtualLoop) as runner:
    runner.run(main())
gc.collect()
print("end")
"""


@pytest.mark.slow
@pytest.mark.parametrize("options", [[], ["-X", "dev"]], ids=["plain", "dev"])
def test_the_dead_stay_silent_to_the_end_of_the_interpreter(options: list[str]) -> None:
    """A child interpreter that abandoned tasks, one without a first step, says nothing, not even at its exit."""
    done = subprocess.run(
        [sys.executable, *options, "-W", "always", "-c", textwrap.dedent(CHILD)], capture_output=True, text=True
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "end\n", "")


def test_each_abandoned_task_costs_a_bounded_number_of_references(run: Run) -> None:
    """What is kept for ever is the task, its coroutine and its generators: three references, not more."""
    kept: list[object] = []

    async def rows() -> Any:
        yield 1

    async def work() -> None:
        async for _ in rows():
            await asyncio.sleep(3600)

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")
        task = bear(loop, bearer, work())
        await asyncio.sleep(1)
        before = sys.getrefcount(task), sys.getrefcount(task.get_coro())
        loop.abandon(bearer, "power lost")
        kept.extend((sys.getrefcount(task) - before[0], sys.getrefcount(task.get_coro()) - before[1]))

    run(main)
    assert kept[1] == 1
    assert -2 <= int(str(kept[0])) <= 1  # its timer let go of it, and one is kept


# -- standing still ------------------------------------------------------------------------------------------------


def test_what_stands_still_goes_on_late_and_in_order(run: Run) -> None:
    """At the thaw what had become ready goes first, then overdue timers by when they were due."""
    seen: list[tuple[float, str]] = []

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")
        event = asyncio.Event()

        def note(what: str) -> None:
            seen.append((loop.time(), what))

        async def child() -> None:
            await event.wait()
            note("the event came")

        async def work() -> None:
            loop.call_later(7, note, "timer of 7 s")
            loop.call_later(6, note, "timer of 6 s")
            loop.create_task(child())
            await asyncio.sleep(2)
            note("slept 2 s")
            await asyncio.sleep(1)
            note("slept 3 s")

        bear(loop, bearer, work())
        await asyncio.sleep(1)
        loop.stand_still(bearer, "frozen")
        await asyncio.sleep(8)
        event.set()
        await asyncio.sleep(1)
        note("thaw")
        loop.go_on(bearer)
        await asyncio.sleep(5)

    run(main)
    assert seen == [
        (10.0, "thaw"),
        (10.0, "the event came"),
        (10.0, "timer of 6 s"),
        (10.0, "timer of 7 s"),
        (10.0, "slept 2 s"),  # the sleep's timer wakes its task one turn later
        (11.0, "slept 3 s"),
    ]


def test_a_timeout_that_falls_due_during_a_freeze_strikes_at_the_thaw(run: Run) -> None:
    """A deadline keeps its time: the work under it is cancelled late, at the thaw, and not before."""

    async def main(loop: VirtualLoop) -> list[float]:
        bearer, seen = Bearer("dome-1"), []

        async def work() -> None:
            try:
                async with asyncio.timeout(5):
                    await asyncio.sleep(60)
            except TimeoutError:
                seen.append(loop.time())

        bear(loop, bearer, work())
        await asyncio.sleep(1)
        loop.stand_still(bearer, "frozen")
        await asyncio.sleep(29)
        loop.go_on(bearer)
        await asyncio.sleep(100)
        return seen

    assert run(main) == [30.0]


def test_cancelling_what_stands_still_takes_effect_at_the_thaw(run: Run) -> None:
    """The one who cancels waits until the frozen task goes on."""

    async def main(loop: VirtualLoop) -> float:
        bearer = Bearer("dome-1")
        task = bear(loop, bearer, asyncio.sleep(60))
        await asyncio.sleep(1)
        loop.stand_still(bearer, "frozen")
        task.cancel()
        loop.call_later(9, loop.go_on, bearer)
        await asyncio.wait([task])
        assert task.cancelled()
        return loop.time()

    assert run(main) == 10.0


def test_a_frozen_bearer_can_be_abandoned(run: Run) -> None:
    """A worker that froze and then lost its power never goes on."""
    seen: list[str] = []

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")

        async def work() -> None:
            await asyncio.sleep(1)
            seen.append("went on")

        bear(loop, bearer, work())
        await asyncio.sleep(0)
        loop.stand_still(bearer, "frozen")
        await asyncio.sleep(5)
        loop.abandon(bearer, "power lost")
        loop.go_on(bearer)
        loop.stand_still(bearer, "frozen")
        loop.abandon(bearer, "again")
        await asyncio.sleep(5)
        assert (bearer.state, bearer.why) == ("gone", "power lost")

    run(main)
    assert seen == []


# -- slow ------------------------------------------------------------------------------------------------------------


def test_sleeps_stretch_and_deadlines_do_not(run: Run) -> None:
    """At half speed a sleep of 50 s ends after 100 s, and one under a timeout of 60 s is cut off after 60 s."""

    async def main(loop: VirtualLoop) -> list[tuple[str, float]]:
        bearer, seen = Bearer("dome-1"), []
        loop.set_speed(bearer, 0.5)

        async def slept() -> None:
            await asyncio.sleep(50)
            seen.append(("slept", loop.time()))

        async def timed_out() -> None:
            try:
                async with asyncio.timeout(60):
                    await asyncio.sleep(50)
            except TimeoutError:
                seen.append(("timed out", loop.time()))

        async def waited() -> None:
            try:
                await asyncio.wait_for(asyncio.sleep(50), 70)
            except TimeoutError:
                seen.append(("waited", loop.time()))

        tasks = [bear(loop, bearer, work()) for work in (slept, timed_out, waited)]
        await asyncio.wait(tasks)
        assert not bearer.sleeps
        return seen

    assert run(main) == [("timed out", 60.0), ("waited", 70.0), ("slept", 100.0)]


def test_a_change_of_speed_rescales_what_is_left(run: Run) -> None:
    """Half of a sleep of 10 s at full speed, then the rest at a quarter of it, then the last second at full speed."""

    async def main(loop: VirtualLoop) -> float:
        bearer = Bearer("dome-1")
        task = bear(loop, bearer, asyncio.sleep(10))
        await asyncio.sleep(5)
        loop.set_speed(bearer, 0.25)
        await asyncio.sleep(16)  # 4 of the 5 s that were left
        loop.set_speed(bearer, 1)
        await task
        return loop.time()

    assert run(main) == 22.0


def test_a_change_of_speed_at_the_very_end_of_a_sleep_changes_nothing(run: Run) -> None:
    """A sleep whose time has come ends, whatever the speed becomes at that instant."""

    async def main(loop: VirtualLoop) -> float:
        bearer = Bearer("dome-1")
        loop.call_later(5, loop.set_speed, bearer, 0.5)
        await bear(loop, bearer, asyncio.sleep(5))
        return loop.time()

    assert run(main) == 5.0


def test_what_has_ended_before_is_left_alone_when_its_bearer_goes(run: Run) -> None:
    """A task and a generator that are done keep their result; nothing of them is kept for ever."""

    async def rows() -> Any:
        yield 1

    async def work() -> int:
        return len([row async for row in rows()])

    async def main(loop: VirtualLoop) -> int:
        bearer = Bearer("dome-1")
        task = bear(loop, bearer, work())
        await task
        loop.abandon(bearer, "power lost")
        return int(task.result())

    assert run(main) == 1


@pytest.mark.parametrize("speed", [0, -1, float("inf"), float("nan")])
def test_a_speed_out_of_range_is_refused(run: Run, speed: float) -> None:
    """A speed is a finite number above 0."""

    async def main(loop: VirtualLoop) -> None:
        loop.set_speed(Bearer("dome-1"), speed)

    with pytest.raises(ValueError, match="out of range: give a number above 0"):
        run(main)


# -- outside work ------------------------------------------------------------------------------------------------------


def test_a_power_off_waits_for_the_real_end_of_a_thread_and_drops_its_result(run: Run) -> None:
    """The clock stands until the thread has ended, although nobody is left to take its result."""
    ended: list[str] = []

    async def main(loop: VirtualLoop) -> None:
        bearer = Bearer("dome-1")

        def work() -> None:
            ended.append("thread")

        async def handler() -> None:
            await asyncio.to_thread(work)
            ended.append("handler")

        bear(loop, bearer, handler())
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        loop.abandon(bearer, "power lost")
        await asyncio.sleep(1)
        assert ended == ["thread"]

    run(main)
    assert ended == ["thread"]


@pytest.mark.parametrize("fate", ["gone", "frozen"])
def test_a_clock_stop_of_one_who_cannot_leave_it_hinders_nobody(run: Run, fate: str) -> None:
    """The clock goes on when who stopped it is gone or frozen; a thawed one's stop is in force again."""

    async def main(loop: VirtualLoop) -> list[Any]:
        bearer, inside, seen = Bearer("dome-1"), asyncio.Event(), []

        async def work() -> None:
            async with loop.clock_stop("a save"):
                inside.set()
                for _ in range(10):
                    await asyncio.sleep(0)
                seen.append(loop.time())

        bear(loop, bearer, work())
        await inside.wait()
        if fate == "gone":
            loop.abandon(bearer, "power lost")
        else:
            loop.stand_still(bearer, "frozen")
        assert not loop.is_open_to_outside()
        await asyncio.sleep(10)
        loop.go_on(bearer)
        assert loop.is_open_to_outside() is (fate == "frozen")
        await asyncio.sleep(10)
        return seen

    assert run(main) == ([] if fate == "gone" else [10.0])


# -- whose ------------------------------------------------------------------------------------------------------------


def test_what_is_made_for_nobody_inside_a_handler_outlives_it(run: Run) -> None:
    """A task and a timer that carry the emulator's own context run although their maker is gone."""
    seen: list[str] = []

    async def main(loop: VirtualLoop) -> None:
        own = contextvars.copy_context()
        own.run(BEARER.set, NOBODY)
        bearer = Bearer("dome-1")

        async def later() -> None:
            seen.append("task")

        async def work() -> None:
            loop.call_later(5, seen.append, "timer", context=own)
            loop.create_task(later(), context=own)
            await asyncio.sleep(100)

        bear(loop, bearer, work())
        await asyncio.sleep(0)
        loop.abandon(bearer, "power lost")
        await asyncio.sleep(10)

    run(main)
    assert seen == ["task", "timer"]
