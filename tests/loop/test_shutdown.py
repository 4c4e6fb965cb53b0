"""What happens at the end of a run, and when callbacks fail."""

import asyncio
import gc
import threading
import time
import warnings

import pytest

from emulator.errors import ClockStopError
from emulator.timeline import Agenda, VirtualLoop


@pytest.mark.slow
def test_closing_with_everything_pending_ends_cleanly(run, no_noise):
    """A pending task, generators that sleep in ``finally``, a busy executor: only the sleeps pass, nothing is left."""
    seen = []
    threads, gate = threading.active_count(), threading.Event()

    async def main(loop):
        async def plates(name):
            try:
                while True:
                    yield name
            finally:
                await asyncio.sleep(30)
                seen.append((name, loop.time()))

        async def pending():
            try:
                await asyncio.sleep(1_000)
            finally:
                seen.append(("task", loop.time()))
                gate.set()

        generators = [plates(f"plates {n}") for n in range(20)]
        for generator in generators:
            await anext(generator)
        loop.keep = generators
        loop.create_task(pending())
        loop.run_in_executor(None, lambda: gate.wait() and seen.append(("thread", loop.time())))
        await asyncio.sleep(0)
        return loop

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        loop = run(main)
    assert seen == [("task", 0.0), ("thread", 0.0), *((f"plates {n}", 30.0) for n in range(20))]
    assert (loop.time(), loop.is_closed()) == (30.0, True)
    assert threading.active_count() == threads


def test_an_executor_that_does_not_end_runs_out_of_patience(run):
    """The time limit of ``shutdown_default_executor`` counts in real seconds."""
    gate, is_told = threading.Event(), threading.Event()

    def open_later():
        is_told.wait()
        time.sleep(0.1)
        gate.set()

    async def main(loop):
        call = loop.run_in_executor(None, gate.wait)
        await asyncio.sleep(0)
        try:
            await loop.shutdown_default_executor(0.05)
        finally:
            is_told.set()  # or the runner, which waits for the executor too, would have to be patient
            call.cancel()

    opener = threading.Thread(target=open_later)
    opener.start()
    with pytest.raises(ClockStopError, match="'the end of the default executor'"):
        run(main, patience=0.05)
    opener.join()


def test_a_closed_loop_still_tells_the_time_and_refuses_the_rest():
    """``time`` can be read, nothing can be scheduled, and closing twice is harmless."""
    loop = VirtualLoop(start=5_000_000, pace=1000.0)
    loop.run_until_complete(asyncio.sleep(1))
    loop.close()
    loop.close()
    assert loop.time() == 6.0
    for schedule in (loop.call_soon, lambda call: loop.call_later(1, call), lambda call: loop.call_at(1, call)):
        with pytest.raises(RuntimeError, match="Event loop is closed"):
            schedule(print)
    with pytest.raises(RuntimeError, match="Event loop is closed"):
        loop.run_in_executor(None, print)
    nothing = asyncio.sleep(1)
    with pytest.raises(RuntimeError, match="Event loop is closed"):
        loop.create_task(nothing)
    nothing.close()


def test_a_running_loop_cannot_be_closed(run):
    """Whatever its pace."""

    async def main(loop):
        await asyncio.sleep(0.001)
        with pytest.raises(RuntimeError, match="Cannot close a running event loop"):
            loop.close()
        await asyncio.sleep(0.001)
        return loop.time()

    assert run(main, pace=10.0) == 0.002


def test_a_generator_that_is_dropped_unfinished_is_closed_by_the_loop(run, no_noise):
    """In a task of its own, as asyncio does it; the shutdown then has nothing left to close."""

    async def main(loop):
        seen = []

        async def plates():
            try:
                yield 1
                yield 2
            finally:
                await asyncio.sleep(5)
                seen.append(("closed", loop.time()))

        async for _ in plates():
            break
        gc.collect()
        await asyncio.sleep(10)
        return seen

    assert run(main) == [("closed", 5.0)]


def test_a_runner_may_run_several_times_on_one_clock():
    """Time goes on where it was."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        for _ in range(3):
            runner.run(asyncio.sleep(10))
        assert runner.get_loop().time() == 30.0


def test_an_error_in_a_callback_reaches_the_handler_with_the_virtual_time(run):
    """Of a callback, a timer and a task that nobody awaited; the run goes on."""

    async def main(loop):
        seen = []
        loop.set_exception_handler(
            lambda loop, context: seen.append((context["message"].split(" ")[0], context["virtual_time"]))
        )
        loop.call_soon(lambda: 1 / 0)
        loop.call_later(90, lambda: 1 / 0)

        async def broken():
            raise LookupError

        task = loop.create_task(broken())
        await asyncio.sleep(100)
        del task
        return seen

    assert run(main) == [("Exception", "0s"), ("Exception", "1m30s"), ("Task", "1m40s")]


def test_the_default_handler_logs_the_virtual_time(run, caplog):
    """Beside what asyncio logs."""

    async def main(loop):
        loop.call_later(0.25, lambda: 1 / 0)
        await asyncio.sleep(1)

    run(main)
    (message,) = [record.getMessage() for record in caplog.records if "Exception in callback" in record.getMessage()]
    assert "virtual_time: '250ms'" in message


@pytest.mark.parametrize("kind", [KeyboardInterrupt, SystemExit])
@pytest.mark.parametrize("where", ["callback", "task", "entry"])
def test_interrupts_pass_through_and_the_next_loop_is_unaffected(run, kind, where):
    """From a callback, a task or an entry of the agenda."""

    async def main(loop):
        def stop(_=None):
            raise kind

        if where == "callback":
            loop.call_later(1, stop)
        elif where == "entry":
            loop.agenda.at(1, stop)
        else:
            stop()
        await asyncio.sleep(2)

    with pytest.raises(kind):
        run(main)

    async def again(loop):
        await asyncio.sleep(2)
        return loop.time(), loop.agenda.rank

    assert run(again) == (2.0, 4)


@pytest.mark.parametrize("kind", [KeyboardInterrupt, SystemExit])
def test_an_interrupt_that_a_task_raises_is_told_once(run, caplog, kind):
    """It leaves the run, and nothing is logged later of a task whose exception nobody retrieved."""

    async def stop():
        await asyncio.sleep(1)
        raise kind(3)

    async def main(loop):
        stops = loop.create_task(stop())
        await asyncio.sleep(2)
        return stops

    with pytest.raises(kind) as caught:
        run(main)
    assert caught.value.args == (3,)
    del caught
    gc.collect()
    assert [record.getMessage() for record in caplog.records] == []


def test_an_error_in_an_entry_of_the_agenda_ends_the_run(run):
    """Failures of the modelled world are never swallowed."""
    agenda = Agenda()

    async def main(loop):
        agenda.at(5, lambda _: {}["plate"])
        await asyncio.sleep(1)

    with pytest.raises(KeyError):
        run(main, agenda=agenda)
    assert agenda.now == 5


def test_a_runner_waits_for_an_executor_no_longer_than_the_loop_has_patience(run, monkeypatch):
    """Although asyncio would wait for five minutes: the call is named, and the process can end."""
    monkeypatch.setattr("emulator.timeline.threads._LAST_WAIT", 0.01)
    gate = threading.Event()

    async def main(loop):
        loop.run_in_executor(None, gate.wait)

    try:
        with pytest.raises(ClockStopError, match=r"the executor call Event\.wait") as caught:
            run(main, patience=0.05)
    finally:
        gate.set()
    assert caught.value.__notes__[0].startswith("the thread 'asyncio' still lives")
