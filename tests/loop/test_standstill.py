"""Runs in which nothing can happen any more, or too much at one instant."""

import asyncio
import sys

import pytest

from emulator.errors import SpinningError, StandstillError
from emulator.timeline import VirtualLoop
from emulator.timeline.reports import name_of, place_of, tasks_waiting
from emulator.timeline.ticks import SECOND


def test_standing_still_names_each_task_and_where_it_waits(run, no_noise):
    """At once, with the virtual time; cleanup still runs, also where it takes time; nothing is left to complain of."""
    cleaned = []

    async def main(loop):
        queue, event = asyncio.Queue(), asyncio.Event()

        async def reader():
            try:
                await queue.get()
            finally:
                await asyncio.sleep(5)
                cleaned.append(("reader", loop.time()))

        class Dome:
            async def __aenter__(self):
                return self

            async def __aexit__(self, *error):
                cleaned.append(("dome", loop.time()))

        async def closer():
            async with Dome():
                await event.wait()

        loop.create_task(reader(), name="reader")
        loop.create_task(closer())
        await asyncio.sleep(90)
        await asyncio.Future()

    with pytest.raises(StandstillError) as caught:
        run(main)
    lines = str(caught.value).splitlines()
    place = __file__ + ":"
    assert lines[0] == (
        "nothing can ever happen again at 1m30s (virtual time): nothing is ready, nothing is due, and these wait:"
    )
    assert [line.split(place)[0] for line in lines[1:4]] == ["  Task-1 at ", "  reader at ", "  Task-3 at "]
    assert [line.split(" in ", 1)[1].split("<locals>.")[-1] for line in lines[1:4]] == [
        "main",
        "reader, waiting in Queue.get",
        "closer, waiting in Event.wait",
    ]
    assert lines[4] == (
        "give what they wait for a deadline or somebody who ends it, or, if a thread is to end it, wait inside a clock "
        "stop"
    )
    assert sorted(cleaned) == [("dome", 90.0), ("reader", 95.0)]


def test_waiting_for_ever_is_standing_still(run):
    """A sleep of infinite length never ends by itself."""

    async def main(loop):
        await asyncio.sleep(float("inf"))

    with pytest.raises(StandstillError, match="waiting in sleep"):
        run(main)


def test_a_loop_that_runs_for_ever_without_tasks_stands_still():
    """Nobody is left who could stop it."""
    loop = VirtualLoop()
    try:
        with pytest.raises(StandstillError, match="\n  no task is left\n"):
            loop.run_forever()
    finally:
        loop.close()


def test_open_sockets_are_mentioned(run):
    """They are not heard outside a clock stop, which may be why everything stands still."""
    import socket

    async def main(loop):
        one, two = socket.socketpair()
        one.setblocking(False)
        async with loop.clock_stop("look"):
            loop.add_reader(one, print)
        try:
            await asyncio.Future()
        finally:
            loop.remove_reader(one)
            one.close()
            two.close()

    with pytest.raises(
        StandstillError, match=r"1 sockets or pipes are open, which are heard only inside a clock stop$"
    ):
        run(main)


def test_a_second_standstill_while_cleaning_up_is_an_error_too(run):
    """A task that waits for ever in its ``finally`` cannot make the close of a runner hang."""

    async def main(loop):
        try:
            await asyncio.Future()
        finally:
            await asyncio.Future()

    with pytest.raises(StandstillError) as caught:
        run(main)
    assert isinstance(caught.value.__context__, StandstillError)


def test_at_most_twenty_tasks_are_listed(run):
    """In the order of their making; the rest is counted."""

    async def main(loop):
        await asyncio.wait([asyncio.create_task(asyncio.Event().wait()) for _ in range(1_030)])

    with pytest.raises(StandstillError) as caught:
        run(main)
    lines = str(caught.value).splitlines()
    assert [line.split()[0] for line in lines[1:21]] == [f"Task-{n}" for n in range(1, 21)]
    assert lines[21] == "  and 1,011 more"


def test_places_and_names_of_odd_awaitables():
    """Generators that await, callables without a name, nested partials."""
    from functools import partial
    from types import coroutine

    @coroutine
    def old_style():
        yield from asyncio.sleep(1)

    async def main():
        async def through():
            await old_style()

        tasks = [asyncio.create_task(through()), asyncio.create_task(asyncio.sleep(1), name="plain")]
        await asyncio.sleep(0)
        places = [place_of(task) for task in tasks]
        listed = tasks_waiting(reversed(tasks))
        await asyncio.wait(tasks)
        return places, listed, place_of(tasks[0])

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        places, listed, ended = runner.run(main())
    assert places[0].endswith("old_style, waiting in sleep")
    assert places[1].endswith("in sleep")
    assert [line.split()[0] for line in listed.splitlines()] == ["Task-2", "plain"]
    assert ended == "at no line of Python"
    assert name_of(partial(partial(print, 1), 2)) == "print"
    assert name_of(sys) == repr(sys)


def _sleep_zero(loop):
    async def plate_watcher():
        while True:
            await asyncio.sleep(0)

    return plate_watcher()


def _call_soon(loop):
    def plate_watcher():
        loop.call_soon(plate_watcher)

    plate_watcher()
    return asyncio.Event().wait()


def _timers_of_no_length(loop):
    def plate_watcher():
        loop.call_later(0, plate_watcher)

    plate_watcher()
    return asyncio.Event().wait()


def _beside_older_things(loop):
    """Something old that lies ahead, in the agenda and among the timers, is no progress."""
    loop.agenda.at(SECOND, print)
    loop.call_later(1, print)
    return _timers_of_no_length(loop)


def _agenda_and_loop(loop):
    def plate_watcher(_):
        loop.call_soon(lambda: loop.agenda.at(0, plate_watcher))

    loop.agenda.at(0, plate_watcher)
    return asyncio.Event().wait()


@pytest.mark.parametrize(
    "spin",
    [_sleep_zero, _call_soon, _timers_of_no_length, _beside_older_things, _agenda_and_loop],
    ids=lambda f: f.__name__,
)
def test_spinning_at_one_instant_is_an_error_that_names_the_callbacks(run, spin):
    """After as many turns as the loop was made with; cleanup still runs."""
    cleaned = []

    async def main(loop):
        await asyncio.sleep(2)
        loop.call_later(1, print)
        try:
            await spin(loop)
        finally:
            cleaned.append(loop.time())

    with pytest.raises(SpinningError) as caught:
        run(main, turns=3_000)
    message = str(caught.value)
    assert message.startswith("the loop took 3,000 turns at 2s (virtual time) and the clock never moved, because ")
    assert "plate_watcher" in message
    assert message.endswith("if so many turns are honest, make the loop with turns=30_000")
    assert cleaned == [2.0]


@pytest.fixture
def short_tracebacks(monkeypatch):
    """Let debug mode keep one frame of where a callback was made, and not ten: tests of many callbacks take so long."""
    monkeypatch.setattr("asyncio.constants.DEBUG_STACK_DEPTH", 1)


@pytest.mark.slow
def test_a_burst_of_fifty_thousand_callbacks_passes(run, short_tracebacks):
    """In one turn, and as a chain of 50,000 turns, with the stated default limit."""

    async def main(loop):
        seen = []
        loop.slow_callback_duration = 10

        def chain(left):
            seen.append(left)
            if left:
                loop.call_soon(chain, left - 1)

        for _ in range(50_000):
            loop.call_soon(seen.append, 0)
        chain(50_000)
        await asyncio.sleep(1)
        return len(seen)

    assert run(main) == 100_001


@pytest.mark.slow
def test_many_timers_and_entries_at_one_instant_are_no_spinning(run, short_tracebacks):
    """Each of 2,000 timers and 2,000 entries wakes a task that takes five turns, with a limit of 100."""

    async def main(loop):
        seen = []

        async def steps(event):
            await event.wait()
            for _ in range(5):
                await asyncio.sleep(0)
            seen.append(loop.time())

        events = [asyncio.Event() for _ in range(4_000)]
        for number, event in enumerate(events):
            if number % 2:
                loop.call_later(1, event.set)
            else:
                loop.agenda.at(SECOND, lambda event: event.set(), event)
        await asyncio.gather(*map(steps, events))
        return len(seen), set(seen)

    assert run(main, turns=100) == (4_000, {1.0})
