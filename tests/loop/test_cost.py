"""What a jump of the virtual clock costs, counted in calls: speed itself is measured by the benchmarks."""

import asyncio
import gc
import sys
from collections.abc import Awaitable, Callable

import pytest

from emulator.timeline import VirtualLoop

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.gettrace() is not None, reason="a tracer makes calls of its own"),
]


def calls_of(main: Callable[[], Awaitable[Callable[[], Awaitable[object]]]]) -> int:
    """Count the calls, of Python and of C, in what ``main`` gives back when it has made everything ready."""
    calls = 0

    def count(frame, event, argument):
        nonlocal calls
        calls += event in ("call", "c_call")

    async def counted():
        work = await main()
        gc.disable()  # what earlier tests left may be collected at any time, and then calls Python
        sys.setprofile(count)
        try:
            await work()
        finally:
            sys.setprofile(None)
            gc.enable()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(counted())
    return calls


def sleeps(idle: int) -> int:
    """Count the calls of 1,000 sleeps beside so many tasks that sleep for long."""
    kept = []

    async def main():
        kept.extend(asyncio.create_task(asyncio.sleep(10**9)) for _ in range(idle))
        await asyncio.sleep(0)

        async def work():
            for _ in range(1_000):
                await asyncio.sleep(1.5)

        return work

    return calls_of(main)


def test_a_jump_costs_as_many_calls_beside_20000_idle_workers_as_beside_ten():
    """What is not due is not looked at; only the one heap of timers is deeper."""
    few = sleeps(10)
    assert (sleeps(20_000), few > 0) == (few, True)


def tasks(count: int) -> tuple[float, int]:
    """Make so many tasks, most in a step of their own: calls for each, and how many hashes they have together."""
    made = []

    async def main():
        async def work():
            for number in range(count):
                made.append(asyncio.create_task(asyncio.sleep(10**9)))
                if not number % 2:
                    await asyncio.sleep(0)

        return work

    calls = calls_of(main)
    return calls / count, len({hash(task) for task in made})


def test_making_tasks_costs_as_many_calls_however_many_there_are():
    """20,000 tasks take as many calls each as 1,000, within a twentieth (every thousandth turn looks around), and no
    two share a hash."""
    few, many = tasks(1_000), tasks(20_000)
    assert (few[1], many[1]) == (1_000, 20_000)
    assert 0.95 * few[0] < many[0] < 1.05 * few[0]
