"""The end of virtual time, the limit of real time, Ctrl-C and signals, and arguments out of range."""

import asyncio
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time

import pytest
from real_time import at_best

from emulator.errors import EndOfTimeError, WallLimitError
from emulator.timeline import Agenda, VirtualLoop
from emulator.timeline.ticks import DAY, HOUR, SECOND

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


WRONG_KINDS = {
    "agenda": ("x", "agenda='x': give an Agenda"),
    "start": ("x", "start='x': give the first tick, a whole number of microseconds"),
    "end": (1e9, "end=1000000000.0: give a tick, a whole number of microseconds"),
    "pace": (None, "pace=None: give the virtual seconds that pass in a real one, a number above 0"),
    "turns": (True, "turns=True: give a whole number above 0"),
    "shuffle_ties": ("x", "shuffle_ties='x': give a seed, a whole number"),
    "in_order": ("x", "in_order='x': give True or False"),
    "patience": ("x", "patience='x': give seconds of real time above 0, or math.inf"),
    "wall_limit": ("x", "wall_limit='x': give seconds of real time above 0"),
}


@pytest.mark.parametrize("option", WRONG_KINDS)
def test_options_are_of_their_kind(option):
    """A word where a number belongs is refused when the loop is made, with what to give."""
    given, told = WRONG_KINDS[option]
    with pytest.raises(ValueError) as caught:
        VirtualLoop(**{option: given})
    assert str(caught.value) == told


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


async def _endless_thread(loop):
    gate = threading.Event()
    loop.call_later(0, lambda: None)
    try:
        await asyncio.to_thread(gate.wait)
    finally:
        gate.set()


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

    def check():
        cleaned.clear()
        began = time.monotonic()
        with pytest.raises(
            WallLimitError, match=r"^the limit of 0\.1 s of real time was reached at .* these wait:\n  Task-1 "
        ):
            run(main, wall_limit=0.1, **options)
        assert cleaned == [True]
        assert time.monotonic() - began < 2

    at_best(check)


def test_the_limit_counts_the_runs_and_not_what_lies_between_them(monkeypatch):
    """Two runs of 20 s of real time, with a pause between them, leave 20 of 60; the threads that wait for it end."""
    before = set(threading.enumerate())
    real = [100.0]
    monkeypatch.setattr("emulator.timeline.paces.host_clock", lambda: real[0])

    async def main():
        await asyncio.sleep(1)
        real[0] += 20

    with asyncio.Runner(loop_factory=lambda: VirtualLoop(wall_limit=60)) as runner:
        runner.run(main())
        real[0] += 1000
        runner.run(main())
        runner.get_loop().reach_wall_limit()  # a ring that comes late, after its run has ended, says nothing
        assert runner.get_loop().time() == 2.0
        runner.get_loop()._wall.pause()
        assert runner.get_loop()._wall._left == 20
    for thread in set(threading.enumerate()) - before:
        thread.join(30)
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
        "import asyncio, functools, signal, time\n"
        "from emulator.timeline import VirtualLoop\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background job is told to ignore it
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

    def check():
        command = [sys.executable, "-c", script]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert child.stdout.readline() == "ready\n"
        time.sleep(0.1)
        child.send_signal(signal.SIGINT)
        began = time.monotonic()
        assert child.stdout.readline() == "cleaned up\n"
        took = time.monotonic() - began
        _, errors = child.communicate(timeout=60)
        assert errors.splitlines()[-1] == "KeyboardInterrupt"
        assert child.returncode in (-signal.SIGINT, 130)
        assert took < 0.2

    at_best(check)


@pytest.mark.parametrize("work", [_endless_agenda, _endless_sleeps, _paced_wait], ids=["agenda", "sleeps", "paced"])
def test_a_signal_handler_of_the_loop_runs_at_once(run, work):
    """Also while the agenda runs by itself, or a paced loop waits; and it can be removed."""

    async def main(loop):
        task = asyncio.ensure_future(work(loop))
        loop.add_signal_handler(signal.SIGUSR1, task.cancel)
        async with loop.clock_stop("a timer"):
            threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGUSR1)).start()
        with pytest.raises(asyncio.CancelledError):
            await task
        return loop.remove_signal_handler(signal.SIGUSR1)

    def check():
        began = time.monotonic()
        assert run(main, pace=1.0 if work is _paced_wait else "fast") is True
        assert time.monotonic() - began < 1

    at_best(check)


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
