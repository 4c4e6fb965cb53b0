"""What a jump of the virtual clock costs, compared on the spot with the stock loop and with itself."""

import asyncio
import sys
import time

import pytest

from emulator.timeline import VirtualLoop

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.gettrace() is not None, reason="a tracer multiplies every cost"),
]


def _best(factory, main, rounds=4):
    """Give the least CPU time, in seconds, of some rounds."""
    costs = []
    for _ in range(rounds):
        with asyncio.Runner(loop_factory=factory) as runner:
            costs.append(runner.run(main()))
    return min(costs)


def _sleeps(count, delay, idle=0):
    async def main():
        tasks = [asyncio.create_task(asyncio.sleep(10**9)) for _ in range(idle)]
        await asyncio.sleep(0)
        began = time.process_time()
        for _ in range(count):
            await asyncio.sleep(delay)
        cost = time.process_time() - began
        for task in tasks:
            task.cancel()
        return cost

    return main


async def _timers_of_no_length():
    loop, began = asyncio.get_running_loop(), time.process_time()
    for _ in range(20_000):
        future = loop.create_future()
        loop.call_later(0, future.set_result, None)
        await future
    return time.process_time() - began


def test_a_jump_costs_at_most_twice_what_a_timer_of_no_length_costs_the_stock_loop():
    """Both make a future and a timer, fire it and wake the task: the jump itself is next to nothing.

    On a laptop-class core that is 80,000 to 100,000 sleeps a second; an absolute figure here would test the machine.
    """
    stock = _best(asyncio.SelectorEventLoop, _timers_of_no_length)
    virtual = _best(VirtualLoop, _sleeps(20_000, 1.5))
    assert virtual < 2 * stock


def test_the_cost_of_a_jump_hardly_depends_on_the_number_of_idle_workers():
    """With 20,000 sleeping tasks beside it, a sleep costs less than twice as much as with ten."""
    few = _best(VirtualLoop, _sleeps(10_000, 1.5, idle=10))
    many = _best(VirtualLoop, _sleeps(10_000, 1.5, idle=20_000))
    assert many < 2 * few


def test_making_tasks_does_not_slow_down_with_their_number():
    """Places in sets stay apart: 20,000 tasks cost less than three times as much each as 1,000."""

    def tasks(count):
        async def main():
            began = time.process_time()
            made = []
            for number in range(count):
                made.append(asyncio.create_task(asyncio.sleep(10**9)))
                if not number % 2:
                    await asyncio.sleep(0)  # so that most begin a row of their own
            cost = time.process_time() - began
            for task in made:
                task.cancel()
            return cost / count

        return main

    assert _best(VirtualLoop, tasks(20_000)) < 3 * _best(VirtualLoop, tasks(1_000))
