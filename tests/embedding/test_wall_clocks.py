"""The host's clocks follow virtual time where the code under test reads them, and are real everywhere else."""

# ruff: noqa: TID251, DTZ011  # what is banned elsewhere, because it reads a clock, is what is tested here

import asyncio
import datetime as dt
import logging
import subprocess
import sys
import threading
import time
from datetime import UTC, timedelta
from datetime import datetime as moment
from time import monotonic, monotonic_ns, perf_counter, perf_counter_ns
from time import time as seconds
from typing import Any

import pytest
import tenacity

from emulator import Emulator, IrreproducibleError, OutsideWorkError, VirtualLoop, Work, clock_stop, run_in_virtual_time
from emulator.errors import WallLimitError
from emulator.timeline import wall_clocks

pytest_plugins = ["pytester"]

MONOTONIC = (monotonic, perf_counter, lambda: monotonic_ns() / 10**9, lambda: perf_counter_ns() / 10**9)


def real() -> float:
    return time.clock_gettime(time.CLOCK_MONOTONIC)


def is_real() -> bool:
    """Say whether all clocks are near what the system tells without Python's functions."""
    return abs(monotonic() - real()) < 5 and abs(seconds() - time.clock_gettime(time.CLOCK_REALTIME)) < 5


def test_the_host_clock_is_real_without_clock_gettime_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a system lacks it, limits of real time read what ``time.monotonic`` calls, also while that is virtual."""
    with monkeypatch.context() as without:
        without.delattr(time, "clock_gettime")
        host_clock = wall_clocks._host_clock()

    async def test() -> tuple[float, float]:
        await asyncio.sleep(1_000_000)
        return monotonic(), host_clock()

    shown, host = run_in_virtual_time(test)
    assert shown == 1_000_000
    assert abs(host - real()) < 60


def test_monotonic_clocks_are_those_of_the_loop() -> None:
    """Under each name that was given to them, from 0 on, as an asyncio loop's time is ``monotonic`` elsewhere."""

    async def test() -> list[float]:
        await asyncio.sleep(90.5)
        return [clock() for clock in MONOTONIC] + [asyncio.get_running_loop().time()]

    assert run_in_virtual_time(test) == [90.5] * 5
    assert is_real()


def test_clocks_of_the_calendar_count_from_2026() -> None:
    """``time``, ``datetime`` and ``date`` alike; whichever zone they are asked for."""

    async def test() -> Any:
        await asyncio.sleep(3600)
        return seconds(), time.time_ns(), moment.now(UTC), dt.date.today(), time.gmtime()[:4]

    at = moment(2026, 1, 1, 1, tzinfo=UTC)
    expected = at.timestamp(), int(at.timestamp()) * 10**9, at, at.astimezone().date(), (2026, 1, 1, 1)
    assert run_in_virtual_time(test) == expected


def test_in_a_handler_the_calendar_is_that_of_the_workers_clock() -> None:
    """As ``work.now()`` tells it, skewed or not; neither the monotonic clock nor the test's calendar is ever skewed."""
    seen: list[Any] = []

    async def copy(work: Work) -> None:
        await work.spend("1h")
        seen.append((moment.now(UTC) - work.now(), monotonic()))

    async def test() -> None:
        await asyncio.sleep(100)
        async with Emulator(handlers={"copy": copy}, starts="2027-03-01T12:00:00", zone="America/Santiago") as emu:
            await emu.submit("copy")
            emu.skew_clock("workers-1", offset="5m", behind=True)
            await emu.submit("copy")
            seen.append(moment.now(UTC) - emu.clock_time())
            seen.append(moment.now(UTC))

    run_in_virtual_time(test)
    # 12:00 in Santiago, at UTC-3 in summer, and two jobs of an hour.
    nothing = timedelta(0)
    assert seen == [(nothing, 3700.0), (nothing, 7300.0), nothing, moment(2027, 3, 1, 17, tzinfo=UTC)]


def test_two_emulators_on_one_loop_keep_their_calendars() -> None:
    """Each worker's code sees the calendar of its own emulation."""
    seen: list[Any] = []

    async def copy(work: Work) -> None:
        await work.spend("1m")
        seen.append((moment.now(UTC).year, moment.now(UTC) == work.now()))

    async def test() -> None:
        async with (
            Emulator(handlers={"copy": copy}, starts="2027-03-01T12:00:00") as first,
            Emulator(handlers={"copy": copy}, starts="2031-03-01T12:00:00") as second,
        ):
            await first.submit("copy")
            await second.submit("copy")

    run_in_virtual_time(test)
    assert seen == [(2027, True), (2031, True)]


def test_programs_see_their_workers_clock() -> None:
    """As handlers do."""
    seen: list[Any] = []

    async def main(client: Any) -> None:
        seen.append(moment.now(UTC))
        await asyncio.sleep(10**6)

    async def test() -> None:
        routines = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}}
        async with Emulator(programs={"workers": main}, routines=routines, starts="2027-03-01T12:00:00") as emu:
            await emu.advance("1m")

    run_in_virtual_time(test)
    assert seen == [moment(2027, 3, 1, 12, tzinfo=UTC)]


def test_other_threads_and_clock_stops_have_the_real_clocks() -> None:
    """A wait with a timeout in a thread takes its time; so does a deadline inside a stop, and in its child tasks."""

    async def test() -> list[bool]:
        await asyncio.sleep(10**6)
        virtual = is_real()
        in_thread = await asyncio.to_thread(is_real)
        async with clock_stop("real work"):
            in_stop = is_real()
            in_child = await asyncio.create_task(_is_real())
        return [virtual, in_thread, in_stop, in_child, is_real()]

    assert run_in_virtual_time(test) == [False, True, True, True, False]


async def _is_real() -> bool:
    return is_real()


def test_the_clocks_of_a_plain_loop_are_real_until_an_emulator_begins() -> None:
    """And real again after the run; the option turns it off for good, or on from the beginning."""

    async def test() -> list[bool]:
        before = is_real()
        async with Emulator(handlers={"copy": _copy}):
            inside = is_real()
        return [before, inside]

    async def _copy(work: Work) -> None:
        return None

    def run(**options: Any) -> list[bool]:
        with asyncio.Runner(loop_factory=lambda: VirtualLoop(**options)) as runner:
            return runner.run(test())

    assert [run(), run(wall_clocks=False), run(wall_clocks=True)] == [[True, False], [True, True], [False, False]]
    assert is_real()
    with pytest.raises(ValueError, match="wall_clocks='no': give True, False or None"):
        VirtualLoop(wall_clocks="no")  # type: ignore[arg-type]


def test_two_loops_in_two_threads_show_each_its_own_time() -> None:
    """The clocks are put back when the last of them ends."""
    seen: dict[str, float] = {}
    both = threading.Barrier(2)

    def run(name: str, lasting: float) -> None:
        async def test() -> None:
            await asyncio.sleep(lasting)
            both.wait()
            seen[name] = monotonic()
            both.wait()

        run_in_virtual_time(test)

    other = threading.Thread(target=run, args=("other", 70.0))
    other.start()
    run("this", 50.0)
    other.join()
    assert (seen, is_real()) == ({"this": 50.0, "other": 70.0}, True)


def test_who_sets_the_time_already_keeps_it() -> None:
    """A calendar that is set by time-machine around a run stays as it is."""
    import time_machine

    async def test() -> int:
        return moment.now(UTC).year

    with time_machine.travel(moment(2040, 5, 5, tzinfo=UTC), tick=False):
        assert run_in_virtual_time(test) == 2040


def test_without_time_machine_it_is_told_once_what_to_install(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The monotonic clocks follow virtual time nevertheless."""
    monkeypatch.setitem(sys.modules, "time_machine", None)
    monkeypatch.setattr(wall_clocks, "_told", [])

    async def test() -> tuple[bool, float]:
        return moment.now(UTC).year > 2025, monotonic()

    with caplog.at_level(logging.WARNING, logger="emulator.timeline"):
        assert [run_in_virtual_time(test) for _ in range(2)] == [(True, 0.0)] * 2
    assert [record.getMessage() for record in caplog.records] == [
        "time-machine is not installed, so that time.time() and datetime.now() show real time in virtual time: "
        "python -m pip install time-machine"
    ]


def test_a_library_for_retries_stops_after_a_minute_of_virtual_time() -> None:
    """It counts by ``time.monotonic``: at 0, 5, ... 60 s it tries, and gives up."""
    calls: list[float] = []

    @tenacity.retry(wait=tenacity.wait_fixed(5), stop=tenacity.stop_after_delay(60), reraise=True)
    async def put() -> None:
        calls.append(monotonic())
        raise ConnectionError("busy")

    async def copy(work: Work) -> None:
        await put()

    async def test() -> str:
        once = {"night": {"retry": {"attempts_in_all": 1}}}
        async with Emulator(handlers={"copy": copy}, queues=once) as emu:
            return (await emu.submit("copy")).state

    assert run_in_virtual_time(test) == "failed"
    assert calls == [5.0 * number for number in range(13)]


# -- what blocks ------------------------------------------------------------------------------------------------------


def test_sleeping_for_real_in_a_handler_is_refused() -> None:
    """With the way out; in the test itself, in threads and inside a stop it is allowed."""
    seen: list[str] = []

    async def copy(work: Work) -> None:
        with pytest.raises(OutsideWorkError) as caught:
            time.sleep(0)
        seen.append(str(caught.value))
        await asyncio.to_thread(time.sleep, 0)
        async with clock_stop("a pause"):
            time.sleep(0)

    async def test() -> None:
        time.sleep(0)
        async with Emulator(handlers={"copy": copy}) as emu:
            assert (await emu.submit("copy")).state == "done"

    stock = time.sleep
    run_in_virtual_time(test, allow_irreproducible=True)
    assert time.sleep is stock
    assert seen == [
        "time.sleep() would hold up the whole emulation, and no virtual time would pass: await asyncio.sleep() or "
        "work.spend(); what has to block goes into a thread, by await work.outside(...)"
    ]


def test_a_sleep_that_somebody_else_put_in_is_left_there() -> None:
    """What a test of the user's exchanges for the time of the run stays the user's."""
    stock, own = time.sleep, print

    async def test() -> None:
        time.sleep = own  # type: ignore[assignment]

    try:
        run_in_virtual_time(test)
        assert time.sleep is own
    finally:
        time.sleep = stock


def test_a_power_off_that_cannot_hit_a_blocking_handler_fails_the_emulation() -> None:
    """A child process that is waited for takes no virtual time: the fault comes to an idle worker, and is told."""

    async def copy(work: Work) -> None:
        subprocess.run([sys.executable, "-c", ""], check=True)

    async def test(power_off: bool) -> str:
        async with Emulator(handlers={"copy": copy}) as emu:
            job = emu.submit("copy")
            await emu.advance("1m")
            if power_off:
                emu.power_off("workers-1", back_after="1m")
            return (await job).state

    assert run_in_virtual_time(test(False)) == "done"
    with pytest.raises(IrreproducibleError) as caught:
        run_in_virtual_time(test(True))
    assert "\n  power_off of workers-1 at 1m hit no handler: the one there had waited for a child process" in str(
        caught.value
    )


def test_a_fault_that_hits_an_idle_worker_is_no_matter_where_nothing_blocked() -> None:
    """A child process in a thread, or on another worker, is no reason."""

    async def copy(work: Work) -> None:
        if work.worker == "dome-1":
            subprocess.call([sys.executable, "-c", ""])
        await work.outside(subprocess.run, [sys.executable, "-c", ""], takes="1m")

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}, pools={"dome": {"count": 2}}) as emu:
            await asyncio.gather(emu.submit("copy"), emu.submit("copy"))
            emu.power_off("dome-2", back_after="1m")
            await emu.advance("10m")

    run_in_virtual_time(test)


# -- the limit of real time -------------------------------------------------------------------------------------------


async def spins_on_a_clock() -> None:
    end = monotonic() + 60
    while monotonic() < end:  # the clock
        pass


async def spins_on_nothing() -> None:
    while True:
        pass


async def gives_way() -> None:
    while True:
        for _ in range(10_000):
            pass
        await asyncio.sleep(0)


@pytest.mark.slow
@pytest.mark.parametrize("spins", [spins_on_a_clock, spins_on_nothing, gives_way])
def test_the_limit_of_real_time_names_the_line_that_spins(spins: Any) -> None:
    """It ends code that never gives way, whether it reads a clock or not."""
    with pytest.raises(WallLimitError) as caught:
        run_in_virtual_time(spins, wall_limit=0.2, turns=10**9)
    first = str(caught.value).splitlines()[0].removesuffix("; these wait:")
    assert first.startswith(f"the limit of 0.2 s of real time was reached at 0s (virtual time), at {__file__}:")
    assert first.endswith(f" in {spins.__name__}")
    assert str(caught.value).endswith("\ngive the loop a longer wall_limit, or less to do")
    assert is_real()


@pytest.mark.slow
def test_code_that_swallows_the_limit_is_told_again() -> None:
    """Each second, until it gives way: here until another error ends it."""
    told: list[float] = []

    async def test() -> None:
        began = real()
        while len(told) < 2:
            try:
                while monotonic() < 60:
                    pass
            except WallLimitError:
                told.append(real() - began)
        raise LookupError

    with pytest.raises((LookupError, WallLimitError)):
        run_in_virtual_time(test, wall_limit=0.2)
    assert len(told) == 2


@pytest.mark.slow
@pytest.mark.parametrize("options", [["-p", "no:asyncio"], []], ids=["alone", "with pytest-asyncio"])
def test_marked_tests_have_a_limit_and_virtual_clocks(pytester: pytest.Pytester, options: list[str]) -> None:
    """The setting changes the limit, a keyword of the marker goes before it, and each test has its own."""
    pytester.makepyfile("""
        import asyncio, time
        import pytest
        from time import monotonic

        def spend():
            end = time.clock_gettime(time.CLOCK_MONOTONIC) + 0.4
            while time.clock_gettime(time.CLOCK_MONOTONIC) < end:
                pass

        @pytest.mark.virtual_time
        async def test_the_clock():
            await asyncio.sleep(60)
            assert monotonic() == 60

        @pytest.mark.virtual_time(wall_clocks=False)
        async def test_no_clock():
            await asyncio.sleep(60)
            assert abs(monotonic() - time.clock_gettime(time.CLOCK_MONOTONIC)) < 5

        @pytest.mark.virtual_time
        async def test_spins():
            while monotonic() < 1:
                pass

        @pytest.mark.virtual_time(wall_limit=60)
        async def test_may():
            for _ in range(3):
                spend()
                await asyncio.sleep(0)

        @pytest.mark.virtual_time
        async def test_one():
            spend()

        @pytest.mark.virtual_time
        async def test_two():
            spend()
    """)
    result = pytester.runpytest_subprocess(
        "-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-o", "queuedrill_wall_limit=0.7", *options
    )
    result.assert_outcomes(passed=5, failed=1)
    assert "the limit of 0.7 s of real time was reached at 0s (virtual time), at " in result.stdout.str()


@pytest.mark.slow
def test_a_limit_that_is_none_is_refused(pytester: pytest.Pytester) -> None:
    """0 is no limit; what is no number of seconds fails each marked test with what to write."""
    pytester.makepyfile("""
        import pytest

        @pytest.mark.virtual_time
        async def test_it():
            pass
    """)
    options = ["-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-o"]
    pytester.runpytest_subprocess(*options, "queuedrill_wall_limit=0").assert_outcomes(passed=1)
    result = pytester.runpytest_subprocess(*options, "queuedrill_wall_limit=long", "-p", "no:asyncio")
    result.assert_outcomes(failed=1)
    assert "queuedrill_wall_limit = long: give seconds of real time, such as 60, or 0 for no limit" in str(
        result.stdout.str()
    )
