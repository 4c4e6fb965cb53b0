"""The clock of the virtual loop: where it starts, when it moves, how seconds become ticks."""

import asyncio
import math
import random  # noqa: TID251  # a seeded row of delays for one test; nothing of the emulator draws from it
import threading
import time

import pytest

from emulator.timeline import VirtualLoop
from emulator.timeline.course import whole_ticks
from emulator.timeline.ticks import DAY, HOUR, SECOND, from_seconds, say, to_seconds

STARTS = [0, 1_700_000_000 * SECOND, 1]


@pytest.mark.parametrize("start", STARTS)
def test_the_clock_starts_at_the_chosen_tick_and_never_goes_back(run, start):
    async def main(loop):
        seen = [loop.agenda.now]
        for delay in (1, 0, 0.5, -3, 1e-6):
            await asyncio.sleep(delay)
            seen.append(loop.agenda.now - start)
        return seen

    assert run(main, start=start) == [start, 1_000_000, 1_000_000, 1_500_000, 1_500_000, 1_500_001]


def test_the_clock_does_not_move_while_something_is_ready(run):
    """A timer due later waits for every turn that callbacks of the present instant still take."""

    async def main(loop):
        seen = []
        loop.call_later(1e-6, seen.append, "later")

        def again(left):
            seen.append((left, loop.agenda.now))
            if left:
                loop.call_soon(again, left - 1)

        loop.call_soon(again, 3)
        await asyncio.sleep(1)
        return seen

    assert run(main) == [(3, 0), (2, 0), (1, 0), (0, 0), "later"]


def test_the_clock_does_not_move_while_a_stop_is_open(run):
    """A timer fires only after the stop during which it fell due."""

    async def main(loop):
        seen = []
        loop.call_later(1, seen.append, "timer")
        async with loop.clock_stop("look"):
            await asyncio.to_thread(time.sleep, 0.02)
            seen.append(("in the stop", loop.time()))
        await asyncio.sleep(2)
        return seen

    assert run(main) == [("in the stop", 0.0), "timer"]


@pytest.mark.parametrize("start", STARTS)
def test_in_every_timer_the_time_is_what_its_handle_says(run, start):
    """Of 2,000 random delays none runs early, and the clock shows exactly ``handle.when()``."""
    delays = [random.Random(7).expovariate(1) * 10 ** (n % 6 - 2) for n in range(2_000)]

    async def main(loop):
        wrong, handles = [], []

        def fired(number):
            if loop.time() != handles[number].when() or handles[number].when() < asked[number] - 0.5e-6:
                wrong.append(number)

        asked = [loop.time() + delay for delay in delays]
        for number, delay in enumerate(delays):
            make = loop.call_later if number % 2 else lambda delay, *call: loop.call_at(loop.time() + delay, *call)
            handles.append(make(delay, fired, number))
        await asyncio.sleep(max(delays) + 1)
        return wrong

    assert run(main, start=start) == []


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("ticks", [1, 25 * HOUR, 30 * DAY, 3_650 * DAY])
def test_any_wait_takes_one_jump_and_is_exact(run, start, ticks):
    """From a microsecond to ten years, whatever the start."""

    async def main(loop):
        turns = []
        loop.call_soon = lambda *a, **k: turns.append(1) or type(loop).call_soon(loop, *a, **k)
        await asyncio.sleep(ticks / SECOND)
        return loop.agenda.now - start, len(turns) < 5

    assert run(main, start=start) == (ticks, True)


def test_three_times_a_tenth_meets_three_tenths(run):
    """0.1 + 0.1 + 0.1 is not 0.3 as a float, but it is the same instant."""

    async def main(loop):
        async def steps():
            for _ in range(3):
                await asyncio.sleep(0.1)
            return loop.agenda.now

        async def one():
            await asyncio.sleep(0.3)
            return loop.agenda.now

        return await asyncio.gather(steps(), one())

    assert run(main) == [300_000, 300_000]


def test_a_deadline_and_a_sleep_of_the_same_length_meet_at_a_large_start(run):
    """``timeout(0.1)`` adds floats, ``sleep(0.1)`` does not; at 1.7e9 seconds they still meet."""

    async def main(loop):
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.1):
                await asyncio.sleep(0.1)
        return loop.agenda.now - 1_700_000_000 * SECOND

    assert run(main, start=1_700_000_000 * SECOND) == 100_000


def test_a_delay_below_a_tick_is_one_tick(run):
    """So that waiting again and again for next to nothing still moves the clock."""

    async def main(loop):
        for _ in range(3):
            await asyncio.sleep(1e-12)
        await asyncio.sleep(1.4e-6)
        return loop.agenda.now

    assert run(main) == 4


@pytest.mark.parametrize(
    ("seconds", "ticks"),
    [(0, 0), (3, 3_000_000), (0.1, 100_000), (2**-7, 7_812), (3 * 2**-7, 23_438), (-0.25, -250_000), (1e12, 10**18)],
)
def test_seconds_round_to_the_nearest_tick(seconds, ticks):
    """Halves go to the even tick: 1/128 s is exactly 7,812.5 ticks."""
    assert from_seconds(seconds) == ticks


def test_seconds_round_as_exact_fractions_do():
    """The quick way gives what exact arithmetic gives, for 20,000 floats of all sizes and for halves."""
    from fractions import Fraction

    draw = random.Random(3)
    floats = [draw.uniform(-1, 1) * 10 ** draw.uniform(-7, 15) for _ in range(20_000)]
    floats += [(n + 0.5) / SECOND for n in range(-200, 200)] + [n / 128 for n in range(-200, 200)]
    assert [from_seconds(x) for x in floats] == [round(Fraction(x) * SECOND) for x in floats]


def test_ticks_become_the_nearest_seconds_and_come_back():
    """For ten thousand ticks of all sizes up to some 70 years."""
    draw = random.Random(5)
    ticks = [draw.randrange(2 ** draw.randrange(1, 51)) for _ in range(10_000)]
    assert [from_seconds(to_seconds(tick)) for tick in ticks] == ticks


def test_durations_for_people_are_exact():
    """Each unit that is not nought, from days to microseconds."""
    said = [say(ticks) for ticks in (0, 1, -90 * SECOND, DAY + 2 * HOUR + 3 * 60 * SECOND + 4 * SECOND + 5_006)]
    assert said == ["0s", "1us", "-1m30s", "1d2h3m4s5ms6us"]


def test_infinite_seconds_never_come():
    """They lie after every tick, or before every one."""
    assert whole_ticks(math.inf) > whole_ticks(1.7e300) > 0 > whole_ticks(-1.7e300) > whole_ticks(-math.inf)


def test_zero_negative_and_past_delays_mean_the_next_turn(run):
    """They keep the order of the time that was asked for, and the clock stays."""

    async def main(loop):
        seen = []
        await asyncio.sleep(10)
        for when in (10.0, 4.0, 7.0, -math.inf, 10.0):
            loop.call_at(when, lambda when=when: seen.append((when, loop.time())))
        loop.call_later(-20, lambda: seen.append((-10, loop.time())))
        loop.call_later(0, lambda: seen.append((10, loop.time())))
        await asyncio.sleep(0)
        before = list(seen)
        await asyncio.sleep(0)
        return before, seen

    before, seen = run(main)
    assert before == []
    expected = [(-math.inf, 10.0), (-10, 10.0), (4.0, 10.0), (7.0, 10.0), (10.0, 10.0), (10.0, 10.0), (10, 10.0)]
    assert seen == expected


def test_an_infinite_delay_never_fires_and_can_be_cancelled(run):
    """It attracts no jump, and its handle says infinity."""

    async def main(loop):
        seen = []
        later, at = loop.call_later(math.inf, seen.append, 1), loop.call_at(math.inf, seen.append, 2)
        whens = (later.when(), at.when())
        await asyncio.sleep(10 * 365 * 86_400)
        later.cancel()
        at.cancel()
        return seen, whens, later.cancelled(), at.cancelled()

    assert run(main) == ([], (math.inf, math.inf), True, True)


@pytest.mark.parametrize("call", ["call_later", "call_at"])
def test_nan_and_none_are_refused(run, call):
    """As times they make no sense: ValueError and TypeError, at once."""

    async def main(loop):
        with pytest.raises(ValueError, match="nan is no time: give seconds as a number"):
            getattr(loop, call)(math.nan, print)
        with pytest.raises(TypeError, match="None"):
            getattr(loop, call)(None, print)
        with pytest.raises(ValueError, match=r"NaN|nan is no time"):
            await asyncio.sleep(math.nan)
        return loop.time()

    assert run(main) == 0.0


def test_the_clock_outside_stays_real(run):
    """No module is patched: a year of virtual time leaves the host's clocks alone."""

    async def main(loop):
        await asyncio.sleep(365 * 86_400)

    functions, began = (time.perf_counter, time.monotonic, time.sleep), time.monotonic()
    run(main)
    assert (time.perf_counter, time.monotonic, time.sleep) == functions
    assert time.monotonic() - began < 5


def test_two_loops_in_two_threads_keep_separate_clocks():
    """Each of them ends at the sum of its own sleeps."""
    ends = {}

    def work(name, step):
        async def main():
            for _ in range(200):
                await asyncio.sleep(step)
            return asyncio.get_running_loop().time()

        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            ends[name] = runner.run(main())

    threads = [threading.Thread(target=work, args=args) for args in (("a", 1), ("b", 3600))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert ends == {"a": 200.0, "b": 720_000.0}
