"""The order in which sets of tasks and futures are walked."""

import asyncio

import pytest


def test_a_failed_group_cancels_its_tasks_in_the_order_of_their_making(run):
    """Whatever was made before, and however many there are (up to a row of places)."""

    async def main(loop):
        orders = []
        for count in (3, 5, 8, 21, 100):
            seen = []

            async def member(number, seen=seen):
                try:
                    await asyncio.sleep(9)
                finally:
                    seen.append(number)

            async def broken():
                await asyncio.sleep(1)
                raise LookupError

            async def group(count=count, member=member):
                async with asyncio.TaskGroup() as tasks:
                    for number in range(count):
                        tasks.create_task(member(number))
                    tasks.create_task(broken())

            with pytest.raises(BaseExceptionGroup):
                await asyncio.create_task(group())
            orders.append(seen == list(range(count)))
        return orders

    assert run(main) == [True] * 5


def test_sets_of_what_was_made_in_one_step_are_walked_in_that_order(run):
    """``wait`` gives its sets so, at the 1st as at the 200th time; futures go by their landing in a set."""

    async def main(loop):
        wrong = []
        for count in (1, 2, 3, 4, 5, 8, 17, 18, 33, 65, 76, 100, 256, 4, 3, 256, 2):
            tasks = [asyncio.create_task(asyncio.sleep(1)) for n in range(count)]
            done, _ = await asyncio.wait(tasks)
            futures = [loop.create_future() for _ in range(count)][::-1]
            again = {*futures, *futures[:2]}
            if (list(done), list(set(futures)), list(again)) != (tasks, futures, futures):
                wrong.append(count)
        return wrong

    assert run(main) == []


def test_sets_of_what_was_made_in_many_steps_are_walked_alike_in_each_run(run):
    """Three runs in one process, whose memory differs, give one order."""

    async def main(loop):
        loop.slow_callback_duration = 9
        keep, ballast = set(), []
        for number in range(300):
            ballast.append(object())
            keep.add(asyncio.create_task(asyncio.sleep(99), name=str(number)))
            await asyncio.sleep(number % 2)
        order = [task.get_name() for task in keep]
        for task in keep:
            task.cancel()
        return order

    first = run(main)
    assert [run(main), run(main)] == [first, first]
    assert sorted(first, key=int) == [str(number) for number in range(300)]


def test_closing_a_runner_cancels_tasks_in_the_order_of_their_making(run):
    """Thirty tasks that nobody awaits, made by the main task, end in their order."""
    seen = []

    async def main(loop):
        async def member(number):
            try:
                await asyncio.sleep(9)
            finally:
                seen.append(number)

        for number in range(30):
            loop.create_task(member(number))
        await asyncio.sleep(1)

    run(main)
    assert seen == list(range(30))
