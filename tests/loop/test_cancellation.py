"""What a cancelled timer or task does to the virtual clock."""

import asyncio
import sys
import tracemalloc

import pytest

from emulator.errors import StandstillError


def test_a_cancelled_timer_never_fires_and_attracts_no_jump(run):
    """Of ten timers, the nine cancelled ones leave no instant behind at which the clock stops."""

    async def main(loop):
        seen = []
        handles = [loop.call_later(n, lambda n=n: seen.append((n, loop.time()))) for n in range(1, 11)]
        for handle in handles[:-1]:
            handle.cancel()
            handle.cancel()  # twice does no harm
        await asyncio.sleep(10)
        return seen, loop.time()

    assert run(main) == ([(10, 10.0)], 10.0)


def test_a_cancelled_timer_is_not_where_the_clock_stands_after_the_last_one(run):
    """A deadline of an hour that was not needed does not make the next sleep start an hour later."""

    async def main(loop):
        for _ in range(3):
            async with asyncio.timeout(3600):
                await asyncio.sleep(1)
        return loop.time()

    assert run(main) == 3.0


def test_cancelling_within_the_same_instant_works(run):
    """A timer that is due at this instant, but has not fired yet, is stopped by the one before it."""

    async def main(loop):
        seen = []
        later = []
        loop.call_later(1, lambda: [seen.append("first"), later[0].cancel(), later[1].cancel()])
        later.append(loop.call_later(1, seen.append, "cancelled at its own instant"))
        later.append(loop.call_later(2, seen.append, "cancelled before"))
        later.append(loop.call_later(1, seen.append, "last"))
        await asyncio.sleep(3)
        return seen

    assert run(main) == ["first", "last"]


def test_cancelling_after_it_has_fired_is_harmless(run):
    """The handle says that it is cancelled, and nothing else happens."""

    async def main(loop):
        seen = []
        handle = loop.call_later(1, seen.append, 1)
        await asyncio.sleep(2)
        handle.cancel()
        await asyncio.sleep(2)
        return seen, handle.cancelled()

    assert run(main) == ([1], True)


def test_what_is_ready_can_be_cancelled_before_its_turn(run, debug):
    """The handle forgets its callback and says so; twice does no harm."""

    async def main(loop):
        seen = []
        handle = loop.call_soon(seen.append, "cancelled")
        loop.call_soon(seen.append, "not cancelled")
        handle.cancel()
        handle.cancel()
        await asyncio.sleep(0)
        return seen, handle.cancelled(), repr(handle).split()[:2]

    seen, cancelled, told = run(main)
    assert (seen, cancelled) == (["not cancelled"], True)
    assert told == ["<Handle", "cancelled" if debug else "cancelled>"]


def test_cancelled_sleeps_are_thrown_out(run):
    """The heap stays small when sleeping tasks are cancelled, and the clock stays."""

    async def main(loop):
        tasks = [asyncio.create_task(asyncio.sleep(1_000)) for _ in range(300)]
        await asyncio.sleep(0)
        full = len(loop._course.timers)
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
        return full, len(loop._course.timers) < 150, loop.agenda.now

    assert run(main) == (300, True, 0)


def test_a_sleep_that_is_closed_by_hand_attracts_no_jump(run):
    """Nobody waits for it any more, so what is left stands still where it is."""

    async def main(loop):
        sleep = asyncio.sleep(1_000)
        sleep.send(None)
        sleep.close()
        await loop.create_future()

    with pytest.raises(StandstillError, match="nothing can ever happen again at 0s"):
        run(main)


@pytest.mark.slow
def test_ten_thousand_cancelled_timers_are_thrown_out(run):
    """The heap stays small however many are made and cancelled, in one step or over time."""

    async def main(loop):
        sizes = []
        for handle in [loop.call_later(1000 + n, print) for n in range(10_000)]:
            handle.cancel()
        sizes.append(len(loop._course.timers))
        for _ in range(2_000):
            async with asyncio.timeout(1_000_000):
                await asyncio.sleep(0.001)
        sizes.append(len(loop._course.timers))
        return max(sizes) < 200, loop.agenda.now

    assert run(main) == (True, 2_000_000)


def test_cancelled_timers_of_one_instant_are_popped_one_by_one(run):
    """Few cancelled ones are left in the heap until their time comes, and then pass without a turn."""

    async def main(loop):
        seen = []
        handles = [loop.call_later(1, seen.append, n) for n in range(20)]
        for handle in handles[::2]:
            handle.cancel()
        await asyncio.sleep(1)
        return seen

    assert run(main) == list(range(1, 20, 2))


@pytest.mark.slow
def test_memory_is_flat_while_timers_come_and_go(run, debug):
    """After 20,000 sleeps beside cancelled deadlines, less than 100 kB more is held than after 1,000."""
    if debug or sys.gettrace() is not None:
        pytest.skip("debug mode and coverage keep traces of their own")

    async def main(loop):
        async def many(count):
            for _ in range(count):
                async with asyncio.timeout(60):
                    await asyncio.sleep(0.5)

        await many(1_000)
        tracemalloc.start()
        before = tracemalloc.get_traced_memory()[0]
        await many(20_000)
        after = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        return after - before

    assert run(main) < 100_000


def test_a_task_cancelled_while_it_sleeps_goes_on_at_the_present_tick(run):
    """Not at the tick until which it wanted to sleep."""

    async def main(loop):
        async def sleeper():
            try:
                await asyncio.sleep(100)
            except asyncio.CancelledError:
                return loop.time()

        task = asyncio.create_task(sleeper())
        await asyncio.sleep(7)
        task.cancel()
        woken = await task
        await asyncio.sleep(1)
        return woken, loop.time()

    assert run(main) == (7.0, 8.0)


def test_a_cancellation_that_is_taken_back_and_nested_deadlines_nest_as_in_asyncio(run):
    """The inner deadline fires inside the outer one, which goes on; a cancelled task can uncancel and go on."""

    async def main(loop):
        seen = []
        async with asyncio.timeout(10):
            try:
                async with asyncio.timeout(3):
                    await asyncio.sleep(5)
            except TimeoutError:
                seen.append(("inner", loop.time()))
            await asyncio.sleep(4)
            seen.append(("outer goes on", loop.time()))

        async def stubborn():
            try:
                await asyncio.sleep(5)
            except asyncio.CancelledError:
                asyncio.current_task().uncancel()
            await asyncio.sleep(5)
            return asyncio.current_task().cancelling(), loop.time()

        task = asyncio.create_task(stubborn())
        await asyncio.sleep(1)
        task.cancel()
        seen.append(await task)
        return seen

    assert run(main) == [("inner", 3.0), ("outer goes on", 7.0), (0, 13.0)]
