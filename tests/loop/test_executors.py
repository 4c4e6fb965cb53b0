"""Threads and other executors: their calls stop the clock, and their results come in the order begun."""

import asyncio
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any

import pytest

from emulator.errors import ClockStopError
from emulator.timeline import threads


@pytest.mark.slow
def test_a_thread_takes_no_virtual_time(run):
    """0.2 real seconds in a thread, under a limit of 0.1 virtual seconds: no time passes, no timeout."""

    async def main(loop):
        async with asyncio.timeout(0.1):
            await asyncio.to_thread(time.sleep, 0.2)
            await loop.run_in_executor(None, time.sleep, 0.01)
        return loop.time()

    assert run(main) == 0.0


def test_results_of_threads_come_in_the_order_in_which_they_were_begun(run):
    """The first call takes longest, and still its result comes first, and all that follows from it."""

    async def main(loop):
        seen = []

        async def call(name, seconds):
            seen.append((name, await asyncio.to_thread(lambda: time.sleep(seconds) or name.upper())))
            for step in range(3):
                await asyncio.sleep(0)
                seen.append((name, step))

        await asyncio.gather(call("a", 0.06), call("b", 0.0), call("c", 0.03))
        return seen, loop.irreproducible

    expected = [entry for name in "abc" for entry in ((name, name.upper()), (name, 0), (name, 1), (name, 2))]
    assert run(main) == (expected, [])


def test_without_that_order_results_come_as_they_are_done_and_the_loop_says_so(run):
    """Then a first call may wait for what a second one leads to."""

    async def main(loop):
        gate = threading.Event()

        async def second():
            await asyncio.to_thread(time.sleep, 0.01)
            gate.set()
            return "second"

        return await asyncio.gather(asyncio.to_thread(gate.wait), second()), loop.irreproducible

    assert run(main, in_order=False) == ([True, "second"], ["results of executor calls come as they are done"])


def test_a_thread_that_waits_for_the_result_of_a_later_one_is_an_error_that_names_both(run):
    """In order, that can never end: patience runs out and the message says what stands where."""

    async def main(loop):
        gate = threading.Event()
        loop.gate = gate
        try:
            await asyncio.gather(asyncio.to_thread(gate.wait), asyncio.to_thread(time.sleep, 0.001))
        finally:
            gate.set()

    with pytest.raises(ClockStopError, match=r"because of the executor call Event\.wait, the executor call sleep"):
        run(main, patience=0.05)


def test_errors_of_threads_arrive_as_they_are(run):
    """Also StopIteration, which no coroutine can let through and which becomes a RuntimeError."""

    def fail(error):
        raise error

    async def main(loop):
        results = []
        for error in (KeyError("plate"), StopIteration("end")):
            try:
                await asyncio.to_thread(fail, error)
            except (KeyError, RuntimeError) as caught:
                results.append((repr(caught), repr(caught.__cause__)))
        return results

    assert run(main) == [
        ("KeyError('plate')", "None"),
        ("RuntimeError('the outside call raised StopIteration')", "StopIteration('end')"),
    ]


def test_after_a_cancelled_call_the_clock_waits_for_the_real_end_of_its_thread(run):
    """The result is dropped, and no virtual time passes before the thread has ended."""

    async def main(loop):
        done, begun, gate = [], threading.Event(), threading.Event()

        def work():
            begun.set()
            gate.wait()
            time.sleep(0.05)
            done.append(True)

        task = asyncio.create_task(asyncio.to_thread(work))
        await asyncio.sleep(0)
        begun.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        before = list(done)
        gate.set()
        await asyncio.sleep(1)
        return before, done, loop.time()

    assert run(main) == ([], [True], 1.0)


def test_a_call_that_was_cancelled_before_it_began_never_begins(run):
    """It waits in line behind a busy thread, is cancelled there, and leaves no trace."""

    async def main(loop):
        ran, gate = [], threading.Event()
        with ThreadPoolExecutor(1) as one:
            busy = loop.run_in_executor(one, gate.wait)
            waiting = loop.run_in_executor(one, ran.append, 1)
            await asyncio.sleep(0)
            waiting.cancel()
            gate.set()
            await busy
            await asyncio.sleep(1)
        return ran, waiting.cancelled()

    assert run(main) == ([], True)


def test_a_call_whose_executor_drops_it_is_cancelled_for_the_one_who_waits(run):
    """An executor that is shut down with ``cancel_futures`` never runs what still stands in line."""

    async def main(loop):
        one, begun, gate = ThreadPoolExecutor(1), threading.Event(), threading.Event()
        busy = loop.run_in_executor(one, lambda: begun.set() or gate.wait())
        dropped = loop.run_in_executor(one, print)
        begun.wait()
        one.shutdown(wait=False, cancel_futures=True)
        gate.set()
        await busy
        with pytest.raises(asyncio.CancelledError):
            await dropped
        return loop.time()

    assert run(main) == 0.0


def test_a_thread_begun_by_an_entry_of_the_agenda_stops_the_clock_too(run):
    """The entry after it, later in virtual time, fires only when the thread has ended."""

    async def main(loop):
        seen = []
        loop.agenda.at(5, lambda _: loop.run_in_executor(None, lambda: time.sleep(0.03) or seen.append("thread")))
        loop.agenda.at(6, lambda _: seen.append("next entry"))
        await loop.advance(10)
        return seen

    assert run(main) == ["thread", "next entry"]


def test_a_call_that_waits_for_a_pools_thread_makes_the_thread_busy() -> None:
    """A thread of an executor is idle only when no call waits for it either: a busy machine may not have run it yet."""
    pool, over = ThreadPoolExecutor(1), threading.Event()
    interval = sys.getswitchinterval()
    try:
        pool.submit(int).result()
        [thread] = pool._threads
        origin: Any = SimpleNamespace(thread=thread, is_pooled=True)
        while threads._is_busy(origin):
            pass
        sys.setswitchinterval(10)  # seconds: the thread does not run before it is looked at
        pool.submit(over.wait)
        assert threads._is_busy(origin)
    finally:
        sys.setswitchinterval(interval)
        over.set()
        pool.shutdown()
