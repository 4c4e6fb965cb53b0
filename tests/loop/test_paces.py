"""Fast, paced and manual: one log, at the speed that was asked for."""

import asyncio
import logging
import time

import pytest
from real_time import at_best

from emulator.errors import StandstillError
from emulator.timeline import VirtualLoop
from emulator.timeline.paces import Pacer
from emulator.timeline.ticks import SECOND


def _night(loop, log):
    """Workers, deadlines, entries of the agenda and outside work that meet in time."""

    async def worker(number):
        for step in range(3):
            await asyncio.sleep(0.02 * (1 + (number + step) % 2))
            log.append((loop.agenda.now, number, step))
        try:
            async with asyncio.timeout(0.02):
                await asyncio.sleep(0.02)
        except TimeoutError:
            log.append((loop.agenda.now, number, "time_limit"))

    def beat(left):
        log.append((loop.agenda.now, "beat", left))
        if left:
            loop.agenda.at(loop.agenda.now + 20_000, beat, left - 1)

    async def outside():
        await asyncio.sleep(0.04)
        log.append((loop.agenda.now, await asyncio.to_thread(lambda: time.sleep(0.01) or "outside")))
        async with loop.clock_stop("look"):
            await asyncio.to_thread(time.sleep, 0.01)
        log.append((loop.agenda.now, "looked"))

    loop.agenda.at(20_000, beat, 5)
    return asyncio.gather(*map(worker, range(4)), outside())


def _log(pace):
    log = []

    async def main():
        loop = asyncio.get_running_loop()
        night = _night(loop, log)
        if pace == "manual":
            for ticks in (1, 19_999, 30_000, 70_000, 0, 100_000):
                await loop.advance(ticks)
        await night
        await loop.advance(100_000 if pace != "manual" else 0)
        return loop.time()

    with asyncio.Runner(loop_factory=lambda: VirtualLoop(pace=pace)) as runner:
        end = runner.run(main())
    return log, end


@pytest.mark.slow
def test_all_three_paces_write_the_same_log():
    """Of tasks, deadlines, the agenda and outside work; the manual one in uneven steps."""
    fast, paced, manual = _log("fast"), _log(2.0), _log("manual")
    assert fast[0] == paced[0] == manual[0]
    assert len(fast[0]) == 4 * 4 + 6 + 2


def test_manual_advance_stops_exactly_and_runs_what_is_due_on_the_way(run):
    """In order, and all the turns that follow at the last instant; what is due later waits."""

    async def main(loop):
        seen = []

        async def follow():
            await asyncio.sleep(0.5)
            seen.append(("task", loop.time()))
            await asyncio.sleep(0)
            seen.append(("its next turn", loop.time()))

        loop.call_later(0.5, lambda: seen.append(("timer", loop.time())))
        task = loop.create_task(follow())
        loop.agenda.at(200_000, lambda _: seen.append(("entry", loop.time())))
        loop.call_later(0.500001, lambda: seen.append(("later", loop.time())))
        await loop.advance(500_000)
        seen.append(loop.time())
        await loop.advance(1)
        await task
        await loop.advance(0)
        return seen, loop.agenda.now

    assert run(main, pace="manual") == (
        [("entry", 0.2), ("timer", 0.5), ("task", 0.5), ("its next turn", 0.5), 0.5, ("later", 0.500001)],
        500_001,
    )


def test_several_may_advance_at_once_and_one_may_give_up(run):
    """The clock goes as far as the farthest wants, and stops nowhere for one who was cancelled."""

    async def main(loop):
        seen = []

        async def advance(ticks):
            await loop.advance(ticks)
            seen.append((ticks, loop.agenda.now))

        tasks = [loop.create_task(advance(ticks)) for ticks in (30, 10, 20, 40)]
        await asyncio.sleep(0)
        tasks[0].cancel()
        await asyncio.wait(tasks)
        return seen

    assert run(main, pace="manual") == [(10, 10), (20, 20), (40, 40)]


def test_an_advance_from_outside_a_task_drives_the_loop():
    """``runner.run(loop.advance(...))`` is the way for a test that is no coroutine."""
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(pace="manual")) as runner:
        loop, seen = runner.get_loop(), []
        loop.call_later(2, seen.append, "due")
        runner.run(loop.advance(SECOND))
        before = list(seen)
        runner.run(loop.advance(SECOND))
        assert (before, seen, loop.time()) == ([], ["due"], 2.0)


def test_waiting_in_manual_pace_without_anybody_to_advance_is_an_error(run):
    """It says what would be next and what to do."""

    async def main(loop):
        await asyncio.sleep(90)

    with pytest.raises(StandstillError) as caught:
        run(main, pace="manual")
    assert str(caught.value).startswith(
        "the clock stands at 0s (virtual time) in manual pace and nobody advances it; next is something at 1m30s, and "
        "these wait:\n  Task-1 at "
    )
    assert str(caught.value).endswith("\nawait loop.advance(ticks) to move on")


@pytest.mark.parametrize("ticks", [-1, 0.5, None])
def test_advance_takes_whole_ticks(run, ticks):
    """Not seconds, and never backwards."""

    async def main(loop):
        with pytest.raises(ValueError, match="give a whole number of ticks"):
            await loop.advance(ticks)

    run(main, pace="manual")


@pytest.mark.slow
def test_a_paced_run_drifts_by_less_than_one_per_cent():
    """Ten seconds of virtual time at twenty times real time, in steps of 20 ms, take half a second.

    The drift is what all of the last steps are late by: a single one may be late because the host is busy.
    """

    async def main():
        loop, late = asyncio.get_running_loop(), []
        began = time.monotonic()
        for _ in range(500):
            await asyncio.sleep(0.02)
            late.append((time.monotonic() - began) * 20 - loop.time())
        return min(late), min(late[-100:])

    def check():
        with asyncio.Runner(loop_factory=lambda: VirtualLoop(pace=20.0)) as runner:
            earliest, drift = runner.run(main())
        assert earliest > -0.01
        assert drift < 0.1

    at_best(check)


def test_a_pacer_never_lets_anything_come_early_and_adds_no_error(monkeypatch):
    """Every wait counts from the one anchor: 10 s in steps that each come 3 ms late end 3 ms late."""
    real = [100.0]
    monkeypatch.setattr("emulator.timeline.paces.host_clock", lambda: real[0])
    pacer = Pacer(1.0)
    pacer.anchor(0)
    for step in range(1, 1_001):
        wait = pacer.wait(step * 10_000)
        real[0] += max(wait, 0) + 0.003
    assert real[0] - 100.0 == pytest.approx(10.003)
    assert pacer.lag == 0.0


def test_a_pacer_says_when_the_host_is_too_slow(monkeypatch, caplog):
    """From a quarter of a second on, and again at more than twice the lag; it catches up as soon as it can."""
    real = [100.0]
    monkeypatch.setattr("emulator.timeline.paces.host_clock", lambda: real[0])
    pacer = Pacer(4.0)
    pacer.anchor(0)
    waits = []
    for late, tick in ((0.2, 1 * SECOND), (0.3, 2 * SECOND), (0.5, 3 * SECOND), (0.7, 4 * SECOND), (0.0, 5 * SECOND)):
        real[0] = 100.0 + tick / SECOND / 4 + late
        waits.append(round(pacer.wait(tick), 6))
    assert waits == [-0.2, -0.3, -0.5, -0.7, 0.0]
    assert [record.getMessage() for record in caplog.records] == [
        "the host is too slow for 4 seconds a second: 0.30 s late at 2s (virtual time)",
        "the host is too slow for 4 seconds a second: 0.70 s late at 4s (virtual time)",
    ]
    assert pacer.lag == pytest.approx(0.7)


@pytest.mark.slow
def test_a_paced_loop_knows_its_lag(caplog):
    """It says so once it is late; a fast one is never late."""

    async def main():
        loop = asyncio.get_running_loop()
        await asyncio.sleep(0.01)
        time.sleep(0.3)
        await asyncio.sleep(0.01)
        return loop.lag

    def check():
        caplog.clear()
        with caplog.at_level(logging.WARNING, logger="emulator.timeline"):
            with asyncio.Runner(loop_factory=lambda: VirtualLoop(pace=1.0)) as runner:
                lag = runner.run(main())
            with asyncio.Runner(loop_factory=VirtualLoop) as runner:
                assert runner.run(main()) == 0.0
        assert lag > 0.28
        messages = [record.getMessage() for record in caplog.records if record.name == "emulator.timeline"]
        assert [message.endswith("late at 20ms (virtual time)") for message in messages] == [True]

    at_best(check)


def test_outside_work_does_not_count_as_lag(caplog):
    """In a paced run real time spent in a stop is no virtual time, and nothing hurries afterwards."""

    async def main():
        loop, began = asyncio.get_running_loop(), time.monotonic()
        await asyncio.sleep(0.02)
        await asyncio.to_thread(time.sleep, 0.3)
        await asyncio.sleep(0.05)
        return loop.time(), loop.lag < 0.25, time.monotonic() - began > 0.36

    def check():
        caplog.clear()
        with asyncio.Runner(loop_factory=lambda: VirtualLoop(pace=1.0)) as runner:
            assert runner.run(main()) == (0.07, True, True)
        assert [record for record in caplog.records if record.name == "emulator.timeline"] == []

    at_best(check)


def test_a_paced_run_ends_with_an_error_when_nothing_is_left():
    """As a fast one does."""
    with asyncio.Runner(loop_factory=lambda: VirtualLoop(pace=5.0)) as runner, pytest.raises(StandstillError):
        runner.run(asyncio.Event().wait())


def test_a_thread_can_wake_a_paced_loop(run):
    """It does not sleep on until the next timer."""
    import threading

    async def main(loop):
        future = loop.create_future()
        async with loop.clock_stop("a timer"):
            threading.Timer(0.03, loop.call_soon_threadsafe, (future.set_result, None)).start()
        loop.call_later(3600, print)
        await future

    def check():
        began = time.monotonic()
        run(main, pace=1.0)
        assert time.monotonic() - began < 2

    at_best(check)


@pytest.mark.parametrize("rate", [1e-300, 5e-324, 1e-6])
def test_what_is_due_in_ages_is_looked_at_again_after_a_day(rate: float) -> None:
    """The host cannot wait for longer than it can count: nobody is told to."""
    pacer = Pacer(rate)
    pacer.anchor(0)
    assert pacer.wait(10**12) == 86_400


def test_a_paced_loop_with_nothing_due_waits_for_the_end_of_an_advance(run):
    """It comes at its tick, as in the other paces."""

    async def main(loop):
        await loop.advance(3 * SECOND)
        return loop.agenda.now

    assert run(main, pace=100_000.0) == 3 * SECOND
