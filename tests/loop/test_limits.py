"""Runs that cannot go on: nothing left, too much at one instant, the end of time, the wall; and Ctrl-C."""

import asyncio
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time

import pytest

from emulator.errors import EndOfTimeError, SpinningError, StandstillError, WallLimitError
from emulator.timeline import Agenda, VirtualLoop
from emulator.timeline.reports import name_of, place_of, tasks_waiting
from emulator.timeline.ticks import DAY, HOUR, SECOND

# -- standing still -------------------------------------------------------------------------------------------------


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


# -- spinning -------------------------------------------------------------------------------------------------------


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


def test_a_burst_of_fifty_thousand_callbacks_passes(run):
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


def test_many_timers_and_entries_at_one_instant_are_no_spinning(run):
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


# -- the end of time ------------------------------------------------------------------------------------------------


def test_virtual_time_ends_where_it_was_told_to(run):
    """What is due before the end runs, what is due at it does not; cleanup may take its time."""
    seen = []

    async def main(loop):
        loop.agenda.at(10 * SECOND - 1, lambda _: seen.append("last tick"))
        loop.agenda.at(10 * SECOND, lambda _: seen.append("at the end"))
        try:
            while True:
                await asyncio.sleep(3)
                seen.append(loop.time())
        finally:
            await asyncio.sleep(3600)
            seen.append(("cleaned up", loop.time()))

    with pytest.raises(EndOfTimeError) as caught:
        run(main, end=10 * SECOND)
    assert seen == [3.0, 6.0, 9.0, "last tick", "at the end", ("cleaned up", 9.999999 + 3600)]
    assert str(caught.value).startswith(
        "virtual time ends at 10s and it is 9s999ms999us (virtual time); next would be something at 10s, and "
        "these wait:\n  Task-1 at "
    )


def test_cleanup_cannot_take_virtual_time_without_end(run):
    """A day after the end it is over for good."""
    reached = []

    async def main(loop):
        while True:
            try:
                await asyncio.sleep(HOUR / SECOND)
            except asyncio.CancelledError:
                reached.append(loop.agenda.now)

    with pytest.raises(EndOfTimeError, match="virtual time ends at 1d1us"):
        run(main, end=1)
    assert reached == [0]


@pytest.mark.parametrize("end", [0, -5])
def test_the_end_lies_after_the_start(end):
    """Otherwise nothing could run."""
    with pytest.raises(ValueError, match=f"end={end}: virtual time starts at tick 0 and must end later"):
        VirtualLoop(end=end)


# -- the wall -------------------------------------------------------------------------------------------------------


def _endless_sleeps(loop):
    async def sleeps():
        while True:
            await asyncio.sleep(DAY)

    return sleeps()


def _endless_agenda(loop):
    def again(_):
        loop.agenda.at(loop.agenda.now + 1, again)

    again(None)
    return asyncio.Event().wait()


def _endless_thread(loop):
    gate = threading.Event()
    loop.call_later(0, lambda: None)
    return asyncio.to_thread(gate.wait, 0.5)


def _paced_wait(loop):
    return asyncio.sleep(3600)


@pytest.mark.parametrize(
    ("work", "options"),
    [
        (_endless_sleeps, {}),
        (_endless_agenda, {}),
        (_endless_thread, {}),
        (_paced_wait, {"pace": 1.0}),
    ],
    ids=["sleeps", "agenda", "thread", "paced"],
)
def test_the_limit_of_real_time_ends_any_run(run, work, options):
    """Within a fraction of a second, with an error of its own, and cleanup still runs."""
    cleaned = []

    async def main(loop):
        try:
            await work(loop)
        finally:
            cleaned.append(True)

    began = time.monotonic()
    with pytest.raises(
        WallLimitError, match=r"^the limit of 0\.1 s of real time was reached at .* these wait:\n  Task-1 "
    ):
        run(main, wall_limit=0.1, **options)
    assert cleaned == [True]
    assert time.monotonic() - began < 2


def test_the_limit_counts_the_runs_and_not_what_lies_between_them():
    """Two short runs with a pause between them stay below it; the threads of their timers end."""
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(wall_limit=0.15)) as runner:
        runner.run(asyncio.sleep(1))
        time.sleep(0.2)
        runner.run(asyncio.sleep(1))
        runner.get_loop().reach_wall_limit()  # a ring that comes late, after its run has ended, says nothing
        assert runner.get_loop().time() == 2.0
        runner.get_loop()._wall.pause()
    for thread in threading.enumerate():
        if isinstance(thread, threading.Timer):
            thread.join(1)
            assert not thread.is_alive()


def test_the_limit_is_above_nothing():
    """And a number."""
    for wall_limit in (0, -1, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="wall_limit="):
            VirtualLoop(wall_limit=wall_limit)


# -- Ctrl-C ---------------------------------------------------------------------------------------------------------

ENDLESS = {
    "sleeps": "while True: await asyncio.sleep(1)",
    "spinning": "while True: await asyncio.sleep(0)",
    "agenda": textwrap.dedent(
        """
        loop = asyncio.get_running_loop()
        def again(_): loop.agenda.at(loop.agenda.now + 1, again)
        again(None)
        await asyncio.Event().wait()
        """
    ),
    "paced": "await asyncio.sleep(100)",
    "stop": "async with asyncio.get_running_loop().clock_stop('wait'): await asyncio.Event().wait()",
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", ENDLESS)
def test_ctrl_c_stops_an_endless_run_at_once(kind):
    """Through ``asyncio.Runner``, within 0.2 real seconds of the signal, after the task's cleanup."""
    body = textwrap.indent(ENDLESS[kind], "        ")
    script = (
        "import asyncio, functools, time\n"
        "from emulator.timeline import VirtualLoop\n"
        "async def main():\n"
        "    print('ready', flush=True)\n"
        "    try:\n"
        f"{body}\n"
        "    finally:\n"
        "        print('cleaned up', flush=True)\n"
        f"options = dict(turns=10**9, pace={1.0 if kind == 'paced' else 'fast'!r})\n"
        "with asyncio.Runner(loop_factory=functools.partial(VirtualLoop, **options)) as runner:\n"
        "    runner.run(main())\n"
    )
    child = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stdout.readline() == "ready\n"
    time.sleep(0.1)
    child.send_signal(signal.SIGINT)
    began = time.monotonic()
    assert child.stdout.readline() == "cleaned up\n"
    took = time.monotonic() - began
    _, errors = child.communicate(timeout=10)
    assert errors.splitlines()[-1] == "KeyboardInterrupt"
    assert child.returncode in (-signal.SIGINT, 130)
    assert took < 0.2


@pytest.mark.parametrize("work", [_endless_agenda, _endless_sleeps, _paced_wait], ids=["agenda", "sleeps", "paced"])
def test_a_signal_handler_of_the_loop_runs_at_once(run, work):
    """Also while the agenda runs by itself, or a paced loop waits; and it can be removed."""

    async def main(loop):
        task = asyncio.ensure_future(work(loop))
        loop.add_signal_handler(signal.SIGUSR1, task.cancel)
        threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGUSR1)).start()
        with pytest.raises(asyncio.CancelledError):
            await task
        return loop.remove_signal_handler(signal.SIGUSR1)

    began = time.monotonic()
    assert run(main, pace=1.0 if work is _paced_wait else "fast") is True
    assert time.monotonic() - began < 1


# -- arguments ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"turns": 0}, "turns=0: an instant takes at least 1 turn"),
        ({"pace": 0}, "pace=0: give the virtual seconds that pass in a real one, a number above 0"),
        ({"pace": float("inf")}, "pace=inf: give"),
        ({"pace": "slow"}, 'pace=\'slow\': give "fast", "manual" or'),
        ({"agenda": Agenda(5), "start": 3}, "start=3: the given agenda has its own present, tick 5"),
    ],
)
def test_arguments_out_of_range_are_refused(options, message):
    """With what was found and what is allowed, and without a loop left open."""
    with pytest.raises(ValueError) as caught:
        VirtualLoop(**options)
    assert str(caught.value).startswith(message)
