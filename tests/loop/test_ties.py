"""Code that meets itself at one instant: nothing that a stock loop shows is hidden."""

import asyncio

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.timeline import VirtualLoop

STEPS = st.one_of(
    st.tuples(st.just("sleep"), st.sampled_from([0, 0.25, 0.5, 1])),
    st.tuples(st.just("later"), st.sampled_from([0, 0.25, 0.5])),
    st.tuples(st.just("at"), st.sampled_from([0.25, 0.5, 1])),
    st.tuples(st.just("soon"), st.just(0)),
    st.tuples(st.just("timeout"), st.sampled_from([0.25, 0.5, 1])),
    st.tuples(st.just("wait_for"), st.sampled_from([0, 0.25, 0.5])),
    st.tuples(st.just("set"), st.integers(0, 2)),
    st.tuples(st.just("wait"), st.integers(0, 2)),
    st.tuples(st.just("child"), st.sampled_from([0.25, 0.5])),
    st.tuples(st.just("stop"), st.integers(0, 3)),
)
PROGRAMS = st.lists(st.lists(STEPS, max_size=6), min_size=1, max_size=4)


async def _play(programs):
    """Run each program as a task, and tell what came in which order, and when."""
    loop, seen, tasks = asyncio.get_running_loop(), [], []
    events = [asyncio.Event() for _ in range(3)]

    def say(*what):
        seen.append((loop.time(), *what))

    async def task(number, steps):
        for place, (what, value) in enumerate(steps):
            try:
                if what == "sleep":
                    await asyncio.sleep(value)
                elif what == "later":
                    loop.call_later(value, say, "timer", number, place)
                elif what == "at":
                    loop.call_at(value, say, "timer", number, place)
                elif what == "soon":
                    loop.call_soon(say, "soon", number, place)
                elif what == "timeout":
                    async with asyncio.timeout(value):
                        await asyncio.sleep(0.5)
                elif what == "wait_for":
                    await asyncio.wait_for(asyncio.sleep(0.25), value)
                elif what == "set":
                    events[value].set()
                elif what == "wait":
                    _, pending = await asyncio.wait([asyncio.ensure_future(events[value].wait())], timeout=0.5)
                    [one.cancel() for one in pending]
                elif what == "child":
                    await asyncio.gather(asyncio.sleep(value), asyncio.sleep(0.25), asyncio.sleep(0))
                else:
                    tasks[value % len(tasks)].cancel()
                say("done", number, place)
            except TimeoutError:
                say("timeout", number, place)

    for number, steps in enumerate(programs):
        tasks.append(asyncio.ensure_future(task(number, steps)))
    await asyncio.wait(tasks)
    await asyncio.sleep(2)
    say(*(one.cancelled() for one in tasks))
    return seen


async def _four_that_read_and_write(count):
    async def add():
        await asyncio.sleep(0.01)
        seen = count["box"]
        await asyncio.sleep(0)  # a cache that answers at once
        count["box"] = seen + 1

    async with asyncio.TaskGroup() as group:
        for _ in range(4):
            group.create_task(add())


def test_tasks_that_wake_at_one_instant_lose_updates_as_on_the_stock_loop(run, stock_loop):
    """Four read 0 and then give way once; each writes 1."""
    here, there = {"box": 0}, {"box": 0}
    run(lambda _: _four_that_read_and_write(here))
    with asyncio.Runner(loop_factory=stock_loop) as runner:
        runner.run(_four_that_read_and_write(there))
    assert here == there == {"box": 1}


def test_children_that_fail_at_one_instant_are_all_in_the_group(run):
    """Each has failed before the group comes to cancel the others."""

    async def main(loop):
        async def bad(number):
            await asyncio.sleep(0.01)
            raise ValueError(number)

        try:
            async with asyncio.TaskGroup() as group:
                for number in range(4):
                    group.create_task(bad(number))
        except ExceptionGroup as failed:
            return [str(error) for error in failed.exceptions]

    assert run(main) == ["0", "1", "2", "3"]


def test_a_sleep_that_ends_with_a_callback_is_no_turn_ahead_of_it(run):
    """A callback that cancels the sleeper at its own instant comes too late for the sleep, and in time for the task."""

    async def main(loop):
        task = asyncio.ensure_future(asyncio.sleep(1, "slept"))
        await asyncio.sleep(0)
        seen = []
        loop.call_later(1, lambda: seen.append(task.cancel()))
        await asyncio.wait([task])
        return seen, task.cancelled()

    assert run(main) == ([True], True)


@pytest.mark.slow
@settings(max_examples=300)
@given(PROGRAMS)
def test_whatever_meets_at_one_instant_runs_as_on_the_stock_loop(stock_loop, programs):
    """Sleeps, timers, deadlines, events and cancellations that meet leave the same trace."""
    traces = []
    for factory in (stock_loop, VirtualLoop):
        with asyncio.Runner(loop_factory=factory) as runner:
            traces.append(runner.run(_play(programs)))
    assert traces[0] == traces[1]
