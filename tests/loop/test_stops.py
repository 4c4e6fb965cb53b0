"""Declared clock stops: what stands still meanwhile, what is let in, and how they are misused."""

import asyncio
import math
import threading
import time

import aiosqlite
import pytest
from real_time import at_best

from emulator.errors import ClockStopError
from emulator.timeline import VirtualLoop, clock_stop


def _store(directory, slow, hash_of_run):
    """Three tasks write to a database beside a heartbeat; give the log of what happened when."""
    log = []

    async def main():
        loop = asyncio.get_running_loop()

        async def beat():
            while True:
                await asyncio.sleep(0.5)
                log.append(f"{loop.time()} beat")

        beats = asyncio.create_task(beat())
        async with clock_stop("open the plate archive"):
            database = await aiosqlite.connect(directory / f"{hash_of_run}.db")
            if slow:
                execute = database._execute

                async def slowly(function, *args, **options):
                    return await execute(lambda: time.sleep(0.05) or function(*args, **options))

                database._execute = slowly
            await database.execute("create table plates (number integer)")

        async def write(number):
            await asyncio.sleep(number)
            async with asyncio.timeout(0.01), clock_stop("store a plate"):
                await database.execute("insert into plates values (?)", (number,))
                await database.commit()
            log.append(f"{loop.time()} stored {number}")

        await asyncio.gather(*(write(number // 2) for number in range(4)))
        async with clock_stop("count the plates"):
            rows = await database.execute_fetchall("select count(*) from plates")
            await database.close()
        log.append(f"{loop.time()} {rows[0][0]} plates")
        beats.cancel()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(main())
    return log


@pytest.mark.slow
def test_a_database_in_a_thread_takes_no_time_inside_a_stop(tmp_path):
    """Other timers stand still meanwhile, and with a disk slowed by 50 ms a call the log is the same."""
    quick, slow = _store(tmp_path, False, "quick"), _store(tmp_path, True, "slow")
    assert quick == [
        "0.0 stored 0",
        "0.0 stored 0",
        "0.5 beat",
        "1.0 beat",  # due at this instant, so it comes before what the database answers
        "1.0 stored 1",
        "1.0 stored 1",
        "1.0 4 plates",
    ]
    assert slow == quick


def test_waiting_inside_a_stop_for_what_never_comes_is_an_error_that_names_it(run):
    """Patience, in real seconds, runs out; the error says the stop, who opened it, and where everybody waits."""
    closed = []

    async def main(loop):
        try:
            async with loop.clock_stop("store a plate", patience=0.05):
                await asyncio.Event().wait()
        finally:
            closed.append(loop.is_open_to_outside())

    with pytest.raises(ClockStopError) as caught:
        run(main)
    assert str(caught.value).startswith(
        "the clock has stood still at 0s (virtual time) for 0.05 s of real time without a sign from outside, because "
        "of the clock stop 'store a plate' (opened by Task-1); these wait:\n  Task-1 at "
    )
    assert str(caught.value).endswith(
        "\nleave the clock stop before waiting for virtual time, or give it more patience"
    )
    assert "waiting in Event.wait\n" in str(caught.value)
    assert closed == [False]

    def check():
        began = time.monotonic()
        with pytest.raises(ClockStopError):
            run(main)
        assert time.monotonic() - began < 2

    at_best(check)


def test_the_longest_patience_of_all_open_stops_counts(run):
    """An impatient stop beside a patient one does not end the wait, and math.inf has no end."""

    async def main(loop):
        async with loop.clock_stop("impatient", patience=0.01), loop.clock_stop("patient", patience=math.inf):
            await asyncio.to_thread(time.sleep, 0.06)
        return loop.time()

    assert run(main, patience=0.02) == 0.0


def test_a_call_from_a_thread_waits_inside_a_stop_until_the_loop_is_quiet(run):
    """However early it comes, all that is ready runs before it; two calls come one after the other."""

    async def main(loop):
        seen, arrived = [], loop.create_future()

        def thread():
            loop.call_soon_threadsafe(lambda: [seen.append("first call"), loop.call_soon(seen.append, "from it")])
            loop.call_soon_threadsafe(lambda: [seen.append("second call"), arrived.set_result(None)])

        async with loop.clock_stop("listen"):
            other = threading.Thread(target=thread)
            other.start()
            other.join()
            for step in range(3):
                seen.append(step)
                await asyncio.sleep(0)
            await arrived
        return seen, loop.irreproducible

    assert run(main) == ([0, 1, 2, "first call", "from it", "second call"], [])


def test_a_call_that_comes_as_its_stop_closes_is_not_lost(run):
    """It is let in before the clock moves on."""

    async def main(loop):
        seen = []
        async with loop.clock_stop("listen"):
            other = threading.Thread(target=loop.call_soon_threadsafe, args=(lambda: seen.append(loop.time()),))
            other.start()
            other.join()
        await asyncio.sleep(1)
        return seen

    assert run(main) == [0.0]


def test_a_task_may_poll_inside_a_stop(run):
    """As on the stock loop: asking again and again lets the outside in, and is no spinning there."""

    async def main(loop):
        async with loop.clock_stop("poll"):
            asked_enough = threading.Event()
            task, turns = asyncio.ensure_future(asyncio.to_thread(asked_enough.wait)), 0
            while not task.done():
                await asyncio.sleep(0)
                turns += 1
                if turns == 1_000:
                    asked_enough.set()
        return turns >= 1_000, loop.time()

    assert run(main, turns=100) == (True, 0.0)


def test_a_task_may_poll_for_a_call_that_came_as_its_stop_closed(run):
    """Also without a stop the outside is let in after a while, so that it is not spinning that is reported."""

    async def main(loop):
        seen, turns = [], 0
        async with loop.clock_stop("listen"):
            other = threading.Thread(target=loop.call_soon_threadsafe, args=(seen.append, 1))
            other.start()
            other.join()
        while not seen:
            await asyncio.sleep(0)
            turns += 1
        return turns

    assert 500 < run(main, turns=5_000) < 2_000


def test_after_its_stop_a_call_from_a_thread_wakes_the_loop_and_is_reported(run, caplog):
    """Through the exception handler, once, with the name of the thread; it runs all the same."""

    async def main(loop):
        seen, opened = [], threading.Event()

        def call():
            opened.wait()
            loop.call_soon_threadsafe(seen.append, 1)

        async with loop.clock_stop("open the shutter"):
            others = [threading.Thread(target=call, name="shutter") for _ in range(2)]
            for other in others:
                other.start()
        opened.set()
        for other in others:
            other.join()
        await asyncio.sleep(1)
        return seen, len(loop.irreproducible)

    assert run(main) == ([1, 1], 1)
    reports = [record.getMessage() for record in caplog.records if "shutter" in record.getMessage()]
    assert len(reports) == 1
    assert reports[0].startswith(
        "list.append was called from the thread 'shutter' while the virtual clock was running:"
    )
    assert "async with emulator.clock_stop('what for'):" in reports[0]


def test_after_close_a_call_from_a_thread_is_refused():
    """With asyncio's own error, in the thread."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        loop = runner.get_loop()
    errors = []

    def thread():
        try:
            loop.call_soon_threadsafe(print)
        except RuntimeError as error:
            errors.append(str(error))

    other = threading.Thread(target=thread)
    other.start()
    other.join()
    assert errors == ["Event loop is closed"]


def test_a_call_from_a_thread_to_a_loop_that_does_not_run_is_kept_for_the_next_run():
    """As in asyncio."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        seen = []
        other = threading.Thread(target=runner.get_loop().call_soon_threadsafe, args=(seen.append, 1))
        other.start()
        other.join()
        runner.run(asyncio.sleep(1))
        assert seen == [1]


def test_debug_mode_checks_callbacks_from_threads_and_for_executors():
    """A coroutine function is no callback."""

    async def main():
        loop, errors = asyncio.get_running_loop(), []
        with pytest.raises(TypeError, match="run_in_executor"):
            loop.run_in_executor(None, main)

        def thread():
            try:
                loop.call_soon_threadsafe(main)
            except TypeError as error:
                errors.append(str(error))

        async with loop.clock_stop("listen"):
            other = threading.Thread(target=thread)
            other.start()
            other.join()
        return errors

    with asyncio.Runner(loop_factory=VirtualLoop, debug=True) as runner:
        assert runner.run(main()) == ["coroutines cannot be used with call_soon_threadsafe()"]


def test_stops_nest_and_close_in_any_order_and_the_clock_moves_after_the_last(run):
    """Also when one is left by an exception and another by cancellation."""

    async def main(loop):
        seen = []
        loop.call_later(1, seen.append, "timer")
        first, second = loop.clock_stop("first"), loop.clock_stop("second")
        await first.__aenter__()
        await second.__aenter__()

        async def hold(name, gate):
            async with loop.clock_stop(name):
                await gate.wait()

        gate = asyncio.Event()
        tasks = [asyncio.create_task(hold(name, gate)) for name in ("third", "fourth")]
        await asyncio.sleep(0)
        await first.__aexit__(None, None, None)
        tasks[1].cancel()
        await asyncio.wait(tasks[1:])
        seen.append([stop.name for stop in loop._outside.stops])
        await second.__aexit__(None, None, None)
        gate.set()
        await tasks[0]
        with pytest.raises(LookupError):
            async with loop.clock_stop("fifth"), loop.clock_stop("sixth"):
                raise LookupError
        seen.append(loop.is_open_to_outside())
        await asyncio.sleep(2)
        return seen

    assert run(main) == [["second", "third"], False, "timer"]


def test_a_stop_is_entered_once_at_a_time(run):
    """Entering it twice, or leaving it twice, is refused by name."""

    async def main(loop):
        stop = loop.clock_stop("store a plate")
        async with stop:
            with pytest.raises(ClockStopError, match="'store a plate' is open already"):
                await stop.__aenter__()
        with pytest.raises(ClockStopError, match="'store a plate' is not open"):
            await stop.__aexit__(None, None, None)
        async with stop:
            return loop.is_open_to_outside()

    assert run(main) is True


def test_a_stop_opened_outside_a_task_says_so(run):
    """Its error has nobody to name."""

    async def main(loop):
        stop = loop.clock_stop("store a plate", patience=0.01)
        opening = stop.__aenter__()

        def enter():
            with pytest.raises(StopIteration):
                opening.send(None)

        loop.call_soon(enter)
        await asyncio.sleep(1)

    with pytest.raises(ClockStopError, match=r"'store a plate' \(opened by nobody\)"):
        run(main)


@pytest.mark.parametrize("patience", [0, -1, math.nan, "x"])
def test_patience_is_above_nothing(run, patience):
    """For a stop as for a loop."""

    async def main(loop):
        with pytest.raises(ValueError, match="patience of the clock stop 'look' is"):
            loop.clock_stop("look", patience)

    run(main)
    with pytest.raises(ValueError, match="patience="):
        VirtualLoop(patience=patience)


def test_on_another_loop_a_stop_of_the_module_does_nothing():
    """So that a handler keeps it in production."""

    async def main():
        async with clock_stop("store a plate"):
            return await asyncio.to_thread(lambda: "stored")

    assert asyncio.run(main()) == "stored"
