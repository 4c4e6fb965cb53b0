"""Declared stops are served one at a time: in which order, behind whom, and what is told when nobody can go on."""

import asyncio
from typing import Any

import pytest

from emulator.errors import ClockStopError
from emulator.timeline import VirtualLoop
from emulator.timeline.bearers import BEARER, Bearer


async def _turns(number: int) -> None:
    for _ in range(number):
        await asyncio.sleep(0)


def test_stops_are_served_one_at_a_time_in_the_order_opened(run):
    """Whoever takes how many turns inside; the clock stands from the first to the last."""

    async def main(loop):
        seen = []

        async def store(name, turns):
            async with loop.clock_stop(name):
                seen.append(f"{name} in")
                await _turns(turns)
                seen.append(f"{name} out")

        async with asyncio.TaskGroup() as group:
            for name, turns in (("a", 5), ("b", 0), ("c", 2)):
                group.create_task(store(name, turns))
            await _turns(2)
            seen.append([stop.name for stop in loop._outside.stops])
        return seen, loop.time(), loop.is_open_to_outside()

    seen, time, is_open = run(main)
    seen.remove(["a", "b", "c"])
    assert (seen, time, is_open) == (["a in", "a out", "b in", "b out", "c in", "c out"], 0.0, False)


def test_a_stop_within_a_stop_waits_for_its_siblings_alone(run):
    """Child tasks of the stop that is served have a line of their own, which nobody outside stands in."""

    async def main(loop):
        seen = []

        async def inner(name):
            async with loop.clock_stop(name):
                seen.append(f"{name} in")
                await _turns(3)
                seen.append(f"{name} out")

        async def outer():
            async with loop.clock_stop("outer"):
                async with asyncio.TaskGroup() as group:
                    group.create_task(inner("first"))
                    group.create_task(inner("second"))
                async with loop.clock_stop("third"):
                    seen.append("third")

        async def other():
            async with loop.clock_stop("other"):
                seen.append("other")

        async with asyncio.TaskGroup() as group:
            group.create_task(outer())
            group.create_task(other())
        return seen

    assert run(main) == ["first in", "first out", "second in", "second out", "third", "other"]


def test_stops_left_inside_take_the_place_of_the_one_around_them(run):
    """The next in line waits for them as it would have for that."""

    async def main(loop):
        seen, gate = [], asyncio.Event()

        async def inner():
            async with loop.clock_stop("inner"):
                await gate.wait()
                seen.append("inner")

        async def other():
            async with loop.clock_stop("other"):
                seen.append("other")

        async with loop.clock_stop("outer"):
            first = asyncio.create_task(inner())
            await _turns(2)
        async with asyncio.TaskGroup() as group:
            group.create_task(other())
            await _turns(5)
            gate.set()
        await first
        return seen

    assert run(main) == ["inner", "other"]


def test_one_that_waits_may_be_cancelled(run):
    """It leaves the line, and the clock goes on when the others are done."""

    async def main(loop):
        async def wait():
            async with loop.clock_stop("waits"):
                raise AssertionError

        async with loop.clock_stop("served"):
            task = asyncio.create_task(wait(), context=outside)
            await _turns(2)
            assert [stop.name for stop in loop._outside.stops] == ["served", "waits"]
            task.cancel()
            await asyncio.wait([task])
        await asyncio.sleep(1)
        return loop.time(), task.cancelled()

    import contextvars

    outside = contextvars.copy_context()
    assert run(main) == (1.0, True)


def test_out_of_patience_names_whom_a_stop_waits_behind(run):
    """Patience comes to its end for both; the error says who waits behind whom."""

    async def main(loop):
        async def second():
            async with loop.clock_stop("second"):
                raise AssertionError

        async with asyncio.TaskGroup() as group:
            stop = loop.clock_stop("first", patience=0.01)
            group.create_task(second())
            async with stop:
                await asyncio.Event().wait()

    with pytest.raises(ClockStopError) as caught:
        run(main, patience=0.02)
    assert (
        "because of the clock stop 'first' (opened by Task-1), the clock stop 'second' (opened by Task-2), "
        "which waits behind 'first' of Task-1; these wait:"
    ) in str(caught.value)


@pytest.mark.parametrize("kind", ["lock", "task"])
def test_two_that_wait_for_each_other_are_told_at_once(run, kind):
    """Long before the patience, naming both: one waits in line and has what the one ahead of it waits for."""

    async def main(loop):
        lock = asyncio.Lock()

        async def holds():
            async with lock:
                await _turns(2)
                async with loop.clock_stop("holds the lock"):
                    raise AssertionError

        async def wants():
            async with loop.clock_stop("wants the lock"):
                await _turns(4)
                if kind == "lock":
                    async with lock:
                        raise AssertionError
                else:
                    await tasks[0]

        tasks = [asyncio.create_task(holds()), asyncio.create_task(wants())]
        await asyncio.gather(*tasks)

    what = {"lock": "the Lock that it entered by `async with`", "task": "its end"}[kind]
    with pytest.raises(ClockStopError) as caught:
        run(main, patience=3600.0)
    assert str(caught.value).startswith(
        "the clock stop 'holds the lock' of Task-2 waits behind 'wants the lock' of Task-3, and that waits for "
        f"{what}, which Task-2 has: neither can go on; these wait:\n"
    )


def test_one_behind_another_that_waits_for_something_else_is_no_deadlock(run):
    """A lock that is held by a third, who gives it back, or a thread that is not done."""

    async def main(loop):
        lock, seen = asyncio.Lock(), []

        async def wants():
            async with loop.clock_stop("wants the lock"):
                await asyncio.to_thread(seen.append, "a thread")
                async with lock:
                    seen.append("wants")

        async def waits():
            async with loop.clock_stop("waits"):
                seen.append("waits")

        async with asyncio.TaskGroup() as group, lock:
            group.create_task(wants())
            group.create_task(waits())
            while not seen:
                await asyncio.sleep(0)
        return seen

    assert run(main) == ["a thread", "wants", "waits"]


@pytest.mark.parametrize("fate", ["gone", "frozen"])
def test_the_stops_of_one_who_cannot_leave_them_hold_up_nobody(run, fate):
    """The next in line is served at once; a thawed one is in force again before those that wait."""

    async def main(loop: VirtualLoop) -> Any:
        bearer, seen = Bearer("dome-1"), []

        async def borne(name: str, turns: int) -> None:
            async with loop.clock_stop(name):
                await _turns(turns)
                seen.append(name)

        import contextvars

        context = contextvars.copy_context()
        context.run(BEARER.set, bearer)
        for name in ("served", "waits"):
            loop.create_task(borne(name, 50), context=context.copy())
        await _turns(3)
        other = loop.create_task(borne("other", 4))
        await _turns(3)
        if fate == "gone":
            loop.abandon(bearer, "power lost")
        else:
            loop.stand_still(bearer, "frozen")
        await other
        last = loop.create_task(borne("last", 100))
        await _turns(3)
        behind = loop.create_task(borne("behind", 0))
        await _turns(3)
        loop.go_on(bearer)
        await asyncio.wait([last, behind])
        await asyncio.sleep(1)
        return seen

    assert (
        run(main)
        == {
            "gone": ["other", "last", "behind"],
            "frozen": ["other", "served", "last", "waits", "behind"],
        }[fate]
    )
