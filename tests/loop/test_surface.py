"""What of asyncio works on the virtual loop as on the stock one."""

import asyncio
import contextvars
import logging
import threading
import time

import pytest
from real_time import at_best

from emulator.timeline import VirtualLoop

NAME = contextvars.ContextVar("name", default="nobody")


def test_contexts_are_captured_at_scheduling_and_an_explicit_one_is_honoured(run):
    """For ``call_soon``, ``call_later``, ``call_at``, tasks, threads, and calls from threads."""

    async def main(loop):
        seen = []

        def say(how):
            seen.append((how, NAME.get()))

        other = contextvars.copy_context()
        other.run(NAME.set, "other")
        NAME.set("dome")
        loop.call_soon(say, "soon")
        loop.call_later(1, say, "later")
        loop.call_at(2, say, "at")
        loop.call_soon(say, "soon in other", context=other)
        loop.call_later(3, say, "later in other", context=other)
        loop.call_at(4, say, "at in other", context=other)

        async def task():
            say("task")

        tasks = [loop.create_task(task()), loop.create_task(task(), context=other)]
        NAME.set("archive")
        await asyncio.sleep(5)
        await asyncio.gather(*tasks)
        await asyncio.to_thread(say, "thread")
        async with loop.clock_stop("listen"):
            arrived = loop.create_future()
            thread = threading.Thread(
                target=lambda: [
                    loop.call_soon_threadsafe(say, "call from a thread", context=other),
                    loop.call_soon_threadsafe(arrived.set_result, None),
                ]
            )
            thread.start()
            await arrived
            thread.join()
        return seen

    assert run(main) == [
        ("soon", "dome"),
        ("soon in other", "other"),
        ("task", "dome"),
        ("task", "other"),
        ("later", "dome"),
        ("at", "dome"),
        ("later in other", "other"),
        ("at in other", "other"),
        ("thread", "archive"),
        ("call from a thread", "other"),
    ]


def test_debug_mode_warns_of_callbacks_that_are_slow_in_real_time(caplog):
    """Not of those that let virtual time pass; a task is named by what it runs."""

    async def main():
        loop = asyncio.get_running_loop()
        loop.slow_callback_duration = 0.05

        def slow_shutter():
            time.sleep(0.06)

        loop.call_later(3600, slow_shutter)
        await asyncio.sleep(7200)
        time.sleep(0.06)
        await asyncio.sleep(0)

    def check():
        caplog.clear()
        with (
            caplog.at_level(logging.WARNING, logger="asyncio"),
            asyncio.Runner(loop_factory=VirtualLoop, debug=True) as runner,
        ):
            runner.run(main())
        messages = [record.getMessage() for record in caplog.records if record.name == "asyncio"]
        assert [message.startswith("Executing <") for message in messages] == [True, True]
        assert "slow_shutter" in messages[0]
        assert "main()" in messages[1]

    at_best(check)


def test_debug_mode_refuses_calls_from_the_wrong_thread_and_coroutines_as_callbacks():
    """As on the stock loop, for timers too; the trace of a handle ends where the caller made it."""

    async def main():
        loop, errors = asyncio.get_running_loop(), []

        def thread():
            for call in (lambda: loop.call_soon(print), lambda: loop.call_later(1, print)):
                try:
                    call()
                except RuntimeError as error:
                    errors.append(str(error))

        await asyncio.to_thread(thread)
        for call in (loop.call_later, loop.call_at):
            with pytest.raises(TypeError, match="coroutines cannot be used"):
                call(1, main)
        handle = loop.call_later(1, print)
        task = loop.create_task(asyncio.sleep(0))
        await task
        return errors, handle._source_traceback[-1].name, task._source_traceback[-1].name

    with asyncio.Runner(loop_factory=VirtualLoop, debug=True) as runner:
        errors, made_by, task_made_by = runner.run(main())
    assert len(errors) == 2
    assert all(error.startswith("Non-thread-safe operation") for error in errors)
    assert (made_by, task_made_by) == ("main", "main")


def test_a_coroutine_that_is_never_awaited_is_still_warned_of(run):
    """By Python, as always."""

    async def main(loop):
        async def forgotten():
            pass

        forgotten()

    with pytest.warns(RuntimeWarning, match="forgotten.* was never awaited"):
        run(main)


async def _queue(say):
    queue = asyncio.Queue(2)

    async def put():
        for number in range(5):
            await queue.put(number)
            say(("put", number))

    async def get():
        for _ in range(5):
            await asyncio.sleep(0.02)
            say(("got", await queue.get()))

    await asyncio.gather(put(), get())


async def _event(say):
    event = asyncio.Event()

    async def wait(name):
        await event.wait()
        say(name)

    tasks = [asyncio.create_task(wait(name)) for name in "abc"]
    await asyncio.sleep(0.01)
    event.set()
    say("set")
    await asyncio.gather(*tasks)


async def _condition(say):
    condition, ready = asyncio.Condition(), []

    async def wait(name):
        async with condition:
            await condition.wait_for(lambda: ready)
            say((name, ready.pop()))

    tasks = [asyncio.create_task(wait(name)) for name in "ab"]
    for number in (1, 2):
        await asyncio.sleep(0.02)
        async with condition:
            ready.append(number)
            condition.notify_all()
    await asyncio.gather(*tasks)


async def _semaphore(say):
    semaphore = asyncio.BoundedSemaphore(2)

    async def work(number):
        async with semaphore:
            say(("in", number))
            await asyncio.sleep(0.03 + number * 0.01)
        say(("out", number))

    await asyncio.gather(*map(work, range(5)))


async def _barrier(say):
    barrier = asyncio.Barrier(3)

    async def work(number):
        await asyncio.sleep(0.02 * number)
        say((number, await barrier.wait()))

    await asyncio.gather(*map(work, range(3)))


async def _task_group(say):
    async def work(number):
        try:
            await asyncio.sleep(0.02 * (number + 1))
            say(("worked", number))
            if number == 1:
                raise LookupError
        except asyncio.CancelledError:
            say(("cancelled", number))
            raise

    try:
        async with asyncio.TaskGroup() as group:
            for number in range(3):
                group.create_task(work(number))
    except* LookupError as errors:
        say(len(errors.exceptions))


async def _as_completed(say):
    async def work(number):
        await asyncio.sleep(0.02 * (4 - number))
        return number

    for task in asyncio.as_completed([asyncio.create_task(work(number)) for number in range(4)]):
        say(await task)


async def _gather_and_shield(say):
    async def work(number):
        await asyncio.sleep(0.04)
        say(("worked", number))
        return number

    shielded = asyncio.create_task(work(1))
    try:
        async with asyncio.timeout(0.01):
            await asyncio.shield(shielded)
    except TimeoutError:
        say("gave up")
    say(await asyncio.gather(shielded, work(2), asyncio.sleep(0, 3)))


SCENARIOS = [_queue, _event, _condition, _semaphore, _barrier, _task_group, _as_completed, _gather_and_shield]


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.__name__[1:])
@pytest.mark.parametrize("debug", [False, True], ids=["plain", "debug"])
def test_the_tools_of_asyncio_leave_the_trace_that_they_leave_on_the_stock_loop(scenario, debug, stock_loop):
    """A small scenario for each of them, without ties."""
    traces = []
    for factory in (stock_loop, VirtualLoop):
        trace = []
        with asyncio.Runner(loop_factory=factory, debug=debug) as runner:
            runner.run(scenario(trace.append))
        traces.append(trace)
    assert traces[0] == traces[1] != []


def test_streams_in_memory_work(run):
    """A reader that is fed by a task, with a deadline that falls in virtual time."""

    async def main(loop):
        reader = asyncio.StreamReader()

        async def feed():
            for part in (b"pla", b"te\nta", b"pe\n"):
                await asyncio.sleep(10)
                reader.feed_data(part)

        task = asyncio.create_task(feed())
        lines = [(await reader.readline(), loop.time()) for _ in range(2)]
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(60):
                await reader.readline()
        await task
        return lines, loop.time()

    assert run(main) == ([(b"plate\n", 20.0), (b"tape\n", 30.0)], 90.0)


def test_stop_lets_the_present_turn_end(run):
    """``run_forever`` goes on where it was left; what was due by then has run, as on the stock loop."""
    for factory in (asyncio.SelectorEventLoop, VirtualLoop):
        loop, seen = factory(), []
        loop.call_soon(seen.append, "soon")
        loop.call_soon(loop.call_soon, seen.append, "second turn")
        loop.stop()
        loop.run_forever()
        first = list(seen)
        loop.call_later(0, seen.append, "due")
        loop.stop()
        loop.run_forever()
        loop.stop()
        loop.call_at(0, seen.append, "past")
        loop.run_forever()
        loop.close()
        assert (first, seen) == (["soon"], ["soon", "second turn", "due", "past"])
