"""A fault at each point of a job: which points there are, what is safe there, and how it is told."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from hypothesis import given, settings

from emulator import CrashPoint, Emulator, InputError, Work, crash_points, run_in_virtual_time, sweep

pytest_plugins = ["pytester"]

Handler = Callable[[Work], Awaitable[None]]


def around(handler: Handler, **options: Any) -> Callable[[], Any]:
    """Give a test of one job with this handler."""

    async def test() -> None:
        async with Emulator(handlers={"copy": handler}, **options) as emu:
            assert (await emu.submit("copy")).state == "done"

    return test


async def once(work: Work) -> None:
    """Leave an effect that must not be repeated between two waits."""
    await work.spend("10m")
    work.effect("copied", "plate-7", repeatable=False)
    await work.spend("1m")


NEVER = {"never": ["unrepeatable effect twice"]}


# -- settling ---------------------------------------------------------------------------------------------------------


def test_settling_waits_for_a_worker_that_gets_its_power_back() -> None:
    """The lease runs out at 90 s, the only worker is back 10 min later, and works for 11: nothing is stuck before."""

    async def test(**back: str) -> tuple[float, str]:
        async with Emulator(handlers={"copy": once}) as emu:
            job = emu.submit("copy")
            await emu.advance(1)
            emu.power_off("workers-1", **back)
            await emu.settle()
            return emu.time, job.state

    assert run_in_virtual_time(test(back_after="10m")) == (1 + 10 * 60 + 11 * 60, "done")
    assert run_in_virtual_time(test()) == (90, "requeued"), "nothing can ever move it"


# -- points -----------------------------------------------------------------------------------------------------------


def test_each_wait_has_two_points_and_each_instant_with_events_one() -> None:
    """Two waits make four; events come at 0 s, at 10 min (the effect) and at 11 min: three more.

    The effect of the first attempt stands from the step that begins the second wait until the outcome is taken.
    """
    found = sweep(around(once, **NEVER), job="copy#1")
    assert (found.points, found.tried) == (7, 7)
    line = once.__code__.co_firstlineno + 4
    assert [each.where for each in found.unsafe] == [
        f"at `await work.spend(...)` (line {line}), as it begins to wait, 10m after the start",
        "after effect landed, 10m after the start",
        f"at `await work.spend(...)` (line {line}), after its effect, 11m after the start",
    ]
    assert [each.point.number for each in found.unsafe] == [4, 5, 6]
    assert all(each.why.startswith("unrepeatable effect twice: event") for each in found.unsafe)
    with pytest.raises(AssertionError, match=r"^Safe at 4 of 7 points\.\nnot at `await work") as told:
        found.assert_safe()
    assert str(told.value).endswith(f"to repeat the first: crash_at={found.unsafe[0].point!r}")


def test_what_looks_before_it_copies_is_safe_everywhere() -> None:
    """The repair: the second attempt finds what the first has left."""
    archive: set[str] = set()

    async def looks(work: Work) -> None:
        await work.spend("10m")
        if work.name not in archive:
            archive.add(work.name)
            work.effect("copied", "plate-7", repeatable=False)
        await work.spend("1m")

    async def test() -> None:
        archive.clear()
        await around(looks, **NEVER)()

    found = sweep(test, job="copy#1", fault=["power_off", "freeze"])
    assert found.sentence == "Safe at 14 of 14 points."
    found.assert_safe()


def test_one_unsafe_point_is_in_the_sentence() -> None:
    """An effect that lands within a call: after it, nobody has been told."""

    async def copy(work: Work) -> None:
        await work.call("archive", effect="copied", repeatable=False)

    found = sweep(around(copy, systems={"archive": {"answers_in": "5s"}}, **NEVER), job="copy#1", limit=3)
    assert found.sentence.startswith("Safe at 2 of 3 points; not at `await work.call(...)` (line ")
    assert found.sentence.endswith(
        ", after its effect, 5s after the start. There are 5: 2 were left out, spread evenly (limit=3)."
    )


def test_waits_of_tasks_and_of_deeper_code_are_points_too() -> None:
    """Each is named by the innermost line of the user's own, and by the line through which it came."""

    async def put() -> None:
        await asyncio.sleep(1)

    async def copy(work: Work) -> None:
        await put()
        async with asyncio.TaskGroup() as group:
            group.create_task(put())
        future = asyncio.get_running_loop().create_future()
        asyncio.get_running_loop().call_later(1, future.set_result, None)
        await future

    async def fails(work: Work) -> None:
        try:
            await copy(work)
        finally:
            work.effect("copied", "plate-7", repeatable=False)

    found = sweep(around(fails, **NEVER), job="copy#1")
    assert found.is_safe
    assert found.points == 10, "four waits, and two instants with events"
    texts = [moment.text for moment in found.moments]
    inner, first = put.__code__.co_firstlineno + 1, copy.__code__.co_firstlineno
    outer = fails.__code__.co_firstlineno + 2
    assert texts[1] == f"at `await asyncio.sleep(...)` (line {inner}), within `await copy(...)` (line {outer}), " + (
        "as it begins to wait"
    )
    assert f"at `await asyncio.sleep(...)` (line {inner}), after its effect" in texts
    assert (
        f"at `await future` (line {first + 6}), within `await copy(...)` (line {outer}), as it begins to wait" in texts
    )
    assert any(f"`async with asyncio.TaskGroup() as group:` (line {first + 2})" in text for text in texts)


def test_a_frozen_worker_wakes_up_when_the_second_run_has_ended() -> None:
    """At the point after the wait the first attempt is about to leave its effect; then it does so, as the second."""
    left: list[tuple[int, float]] = []

    async def copy(work: Work) -> None:
        await work.spend("10m")
        left.append((work.attempt, asyncio.get_running_loop().time()))

    async def test(point: CrashPoint) -> list[str]:
        async with Emulator(handlers={"copy": copy}, pools={"dome": {"count": 2}}, crash_at=point) as emu:
            await emu.submit("copy")
        return [event.kind for event in emu.recorded("fault_began", "fault_ended")]

    point = CrashPoint("copy#1", "freeze", 3, "2h")
    assert run_in_virtual_time(test(point)) == ["fault_began", "fault_ended"]
    # Heartbeats come every 30 s: the last one renewed the lease of 90 s at 10 min at the latest, then the freeze came.
    (second, ended), (first, woke) = left
    assert (second, first) == (2, 1)
    assert ended == woke
    assert 20 * 60 < ended <= 10 * 60 + 90 + 10 * 60


def test_a_fault_that_nobody_ends_lasts_as_long_as_it_says() -> None:
    """With one worker there is no second run before the freeze is over; a cut link lets the first one finish."""

    async def test(point: CrashPoint) -> tuple[float, int]:
        async with Emulator(handlers={"copy": once}, crash_at=point) as emu:
            return emu.time, (await emu.submit("copy")).attempts

    async def ended(point: CrashPoint) -> list[float]:
        async with Emulator(handlers={"copy": once}, crash_at=point) as emu:
            await emu.submit("copy")
        return [event.at / 1e6 for event in emu.recorded("fault_began", "fault_ended")]

    assert run_in_virtual_time(ended(CrashPoint("copy#1", "freeze", 3, "7m"))) == [600, 1020]
    assert run_in_virtual_time(ended(CrashPoint("copy#1", "cut_link", 1, "30s"))) == [0, 30]
    assert run_in_virtual_time(ended(CrashPoint("copy#1", "power_off", 8))) == [], "there are seven"


def test_it_is_not_safe_where_a_job_ends_otherwise_or_a_requirement_is_missed() -> None:
    """The test itself asserts nothing: how the jobs ended and what the scenario requires decides."""

    async def fragile(work: Work) -> None:
        if work.attempt > 1:
            raise PermissionError("the plate is locked")
        await work.spend("10m")

    def test(handler: Handler, **more: Any) -> Callable[[], Any]:
        async def body() -> None:
            async with Emulator(handlers={"copy": handler}, **more) as emu:
                emu.submit("copy")

        return body

    found = sweep(test(fragile), job="copy#1")
    assert found.sentence == "Safe at 1 of 4 points.", "only when its outcome has been taken"
    assert {each.why for each in found.unsafe} == {"copy#1 is failed (attempts_used_up), and done without the fault"}
    required = {"must_hold": [{"measure": "lost_leases", "at_most": 0}]}
    found = sweep(test(once, **required), job="copy#1")
    assert {each.why for each in found.unsafe} == {"Missed: leases lost: 1 (asked: at most 0)."}
    assert found.sentence == "Safe at 1 of 7 points."
    missed_anyway = {"must_hold": [{"measure": "attempts", "at_most": 0}]}
    assert sweep(test(once, **missed_anyway), job="copy#1").is_safe, "whatever the figure then is"


def test_a_job_that_never_ends_because_of_a_fault_is_told_by_its_state() -> None:
    """Whoever comes after a power off waits for a word of the first, which is not to come any more."""

    async def waits(work: Work) -> None:
        await work.spend("10m")
        if work.attempt > 1:
            await asyncio.Event().wait()

    async def test() -> None:
        async with Emulator(handlers={"copy": waits}) as emu:
            emu.submit("copy")

    found = sweep(test, job="copy#1")
    assert found.sentence == "Safe at 1 of 4 points.", "only when its outcome has been taken"
    assert {each.why for each in found.unsafe} == {"copy#1 is running, and done without the fault"}


def test_what_code_waits_for_after_an_error_in_a_wait_is_a_point_too() -> None:
    """A timeout ends one wait, and what comes after it is another: two of each, and three instants with events."""

    async def tries(work: Work) -> None:
        try:
            async with asyncio.timeout(60):
                await asyncio.sleep(600)
        except TimeoutError:
            await work.spend("5m")
        work.effect("copied", "plate-7")
        await work.spend("5m")

    texts = [moment.text for moment in sweep(around(tries), job="copy#1").moments]
    first = tries.__code__.co_firstlineno
    assert texts == [
        "after handed out, work began",
        f"at `await asyncio.sleep(...)` (line {first + 3}), as it begins to wait",
        f"at `await asyncio.sleep(...)` (line {first + 3}), after its effect",
        f"at `await work.spend(...)` (line {first + 5}), as it begins to wait",
        f"at `await work.spend(...)` (line {first + 5}), after its effect",
        f"at `await work.spend(...)` (line {first + 7}), as it begins to wait",
        "after effect landed",
        f"at `await work.spend(...)` (line {first + 7}), after its effect",
        "after work stopped, attempt ended, finished",
    ]


def test_a_wait_without_a_line_of_the_users_own_is_named_so() -> None:
    """Such as a sleep that is a task itself."""

    async def copy(work: Work) -> None:
        await asyncio.wait([asyncio.create_task(asyncio.sleep(60))])

    texts = [moment.text for moment in sweep(around(copy), job="copy#1").moments]
    assert "at a line of a library, as it begins to wait" in texts


def test_a_test_that_runs_otherwise_each_time_is_told() -> None:
    """Whatever a run keeps from the one before makes the number of a point mean something else."""
    runs: list[int] = []

    async def copy(work: Work) -> None:
        runs.append(work.attempt)
        await asyncio.sleep(len(runs))

    found = sweep(around(copy), job="copy#1")
    why = {each.why for each in found.unsafe}
    assert why == {"the run up to it was another one than without the fault, so that the test is not reproducible"}


def test_a_failure_of_the_test_at_a_point_is_told_with_its_kind() -> None:
    """And one without any fault is raised as it is."""

    async def test() -> None:
        async with Emulator(handlers={"copy": once}) as emu:
            assert (await emu.submit("copy")).attempts == 1, "one is enough"

    found = sweep(test, job="copy#1")
    assert {each.why.splitlines()[0] for each in found.unsafe} == {"AssertionError: one is enough"}

    async def broken() -> None:
        raise KeyError("plate")

    with pytest.raises(KeyError, match="plate"):
        sweep(broken, job="copy#1")


def test_more_than_ten_unsafe_points_are_counted() -> None:
    """Ten are told, and how many more there are."""

    async def copy(work: Work) -> None:
        for _ in range(8):
            await work.spend("1m")

    async def test() -> None:
        async with Emulator(handlers={"copy": copy}) as emu:
            assert (await emu.submit("copy")).attempts == 1

    found = sweep(test, job="copy#1")
    assert len(found.unsafe) == 17, "all but the last"
    assert "\nand not at 7 more points\n" in found.text()


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "no job": ({"job": "copy#2"}, "no emulator of the test had a job of that name"),
    "fault": ({"job": "copy#1", "fault": "power_of"}, "there is no fault 'power_of' at a point: did you mean"),
    "no fault": ({"job": "copy#1", "fault": []}, "fault: none is named"),
    "limit": ({"job": "copy#1", "limit": 0}, "limit=0: give how many points"),
    "lasts": ({"job": "copy#1", "lasts": "soon"}, "soon"),
    "kind of job": ({"job": 1}, "job"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_arguments_are_refused(wrong: str) -> None:
    """Before anything is run, save for the name of the job."""
    arguments, message = WRONG[wrong]
    with pytest.raises(InputError, match=message):
        sweep(around(once), **arguments)


def test_a_job_that_no_worker_took_has_no_point() -> None:
    """There is nobody whom a fault could hit."""

    async def test() -> None:
        async with Emulator(handlers={"copy": once}, queues={"night": {}}) as emu:
            emu.withdraw(emu.submit("copy"))

    with pytest.raises(InputError, match="no worker took it"):
        sweep(test, job="copy#1")


def test_a_wrong_point_is_refused() -> None:
    """By the point itself, and by the emulator."""
    with pytest.raises(InputError, match="number=-1: give a point from 1"):
        CrashPoint("copy#1", number=-1)
    wrong: Any = 7
    with pytest.raises(InputError, match="crash_at=7: give a point"):
        Emulator(handlers={"copy": once}, crash_at=wrong)


@settings(max_examples=20, deadline=None, derandomize=True, database=None)
@given(point=crash_points("copy#1", fault=["power_off", "freeze"], limit=9))
def test_the_strategy_draws_points(point: CrashPoint) -> None:
    """Whatever is drawn can be tried, beyond the last point too."""

    async def test() -> None:
        async with Emulator(handlers={"copy": once}, crash_at=point) as emu:
            assert (await emu.submit("copy")).state == "done"

    run_in_virtual_time(test)


def test_wrong_arguments_of_the_strategy_are_refused() -> None:
    """As those of a point."""
    with pytest.raises(InputError, match="limit=0"):
        crash_points("copy#1", limit=0)
    with pytest.raises(InputError, match="none is named"):
        crash_points("copy#1", fault=[])
    with pytest.raises(InputError, match="there is no fault 'freezes'"):
        crash_points("copy#1", fault="freezes")


# -- the marker -------------------------------------------------------------------------------------------------------

INSIDE = ["-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-o", "asyncio_default_fixture_loop_scope=function"]
"""How pytest is run in this very process, so that it counts for the coverage."""

SUITE = """
    import pytest

    OPENED = []

    @pytest.fixture
    def archive():
        OPENED.append([])
        return OPENED[-1]

    async def once(work):
        await work.spend("10m")
        work.effect("copied", "plate-7", repeatable=False)
        await work.spend("1m")

    async def idle(work):
        await work.spend("1m")

    @pytest.mark.crash_points(job="copy#1")
    async def test_unsafe(emulated, archive):
        async with emulated(handlers={"copy": once}, never=["unrepeatable effect twice"]) as emu:
            await emu.submit("copy")
        assert archive == []
        archive.append("copied")

    def test_fixtures():
        # the run without a fault and seven points, of which the fourth to the sixth are not safe
        assert OPENED == [["copied"]] * 4 + [[]] * 3 + [["copied"]]

    @pytest.mark.crash_points(job="copy#1", fault=["power_off", "cut_link"], limit=5)
    async def test_limit(emulated):
        async with emulated(handlers={"copy": idle}) as emu:
            await emu.submit("copy")

    @pytest.mark.crash_points(job="copy#1", parts=3)
    async def test_parts(emulated):
        async with emulated(handlers={"copy": idle}) as emu:
            await emu.submit("copy")

    @pytest.mark.crash_points(job="copy#2")
    async def test_no_such_job(emulated):
        async with emulated(handlers={"copy": idle}) as emu:
            await emu.submit("copy")

    @pytest.mark.crash_points(job="copy#1")
    async def test_none_made():
        pass

    @pytest.mark.crash_points(job="copy#1", faults="power_off")
    async def test_wrong(emulated):
        pass

    @pytest.mark.crash_points
    async def test_nothing_said(emulated):
        pass

    @pytest.mark.skip(reason="not tonight")
    @pytest.mark.crash_points(job="copy#1")
    async def test_skipped(emulated):
        pass

    @pytest.mark.crash_points(job="copy#1")
    async def test_fails_by_itself(emulated):
        async with emulated(handlers={"copy": idle}) as emu:
            assert (await emu.submit("copy")).state == "failed"
"""


@pytest.mark.slow
@pytest.mark.parametrize("options", [[], ["-p", "no:asyncio"]], ids=["asyncio", "no plugin"])
def test_the_marker_runs_a_test_at_each_point_with_fixtures_of_its_own(
    pytester: pytest.Pytester, options: list[str]
) -> None:
    """It is one test, whose report names the points; what was left out is told at the end of the run."""
    pytester.makepyfile(test_copies=SUITE)
    if options:
        result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:hypothesispytest", *options)
    else:
        result = pytester.runpytest_inprocess(*INSIDE)
    result.assert_outcomes(passed=5, failed=6, skipped=1)
    result.stdout.fnmatch_lines(
        [
            "Safe at 4 of 7 points.",
            "not at `await work.spend(...)` (line 13), as it begins to wait, 10m after the start (point 4):",
            "*- the first failure -*",
            "*- last events -*",
            "crash points of 'copy#2': no emulator of the test had a job of that name",
            "crash points of 'copy#1': no emulator * of that name: it made none by the fixture `emulated`",
            "the marker crash_points: there is no keyword 'faults': did you mean 'fault'?*",
            "the marker crash_points: it takes keywords only, and a job: *",
            "*AssertionError*",
            "*= crash points =*",
            "test_copies.py::test_unsafe: Safe at 4 of 7 points.",
            "test_copies.py::test_limit: Safe at 5 of 5 points. There are 8: 3 were left out, spread evenly (limit=5).",
            "test_copies.py::test_parts?part1of3?: Safe at 2 of 2 points (part 1 of 3).",
            "test_copies.py::test_parts?part2of3?: Safe at 1 of 1 points (part 2 of 3).",
        ]
    )


EXPECTED = """
    import pytest

    async def once(work):
        await work.spend("10m")
        work.effect("copied", "plate-7", repeatable=False)
        await work.spend("1m")

    async def idle(work):
        await work.spend("1m")

    async def body(emulated, handler):
        async with emulated(handlers={"copy": handler}, never=["unrepeatable effect twice"]) as emu:
            await emu.submit("copy")

    @pytest.mark.xfail(strict=True, raises=AssertionError)
    @pytest.mark.crash_points(job="copy#1")
    async def test_is_not_safe(emulated):
        await body(emulated, once)

    @pytest.mark.xfail(strict=True, reason="it was so once")
    @pytest.mark.crash_points(job="copy#1")
    async def test_is_safe_after_all(emulated):
        await body(emulated, idle)

    @pytest.mark.xfail(strict=True, raises=OSError)
    @pytest.mark.crash_points(job="copy#1")
    async def test_fails_otherwise(emulated):
        await body(emulated, once)

    @pytest.mark.xfail
    @pytest.mark.crash_points(job="copy#1")
    async def test_fails_without_a_fault(emulated):
        await body(emulated, idle)
        raise OSError("the archive is not there")
"""


@pytest.mark.slow
def test_what_is_expected_to_fail_is_all_runs_together(pytester: pytest.Pytester) -> None:
    """The run without a fault passes, and some of the points do, whatever is expected of the test."""
    pytester.makepyfile(test_expected=EXPECTED)
    result = pytester.runpytest_inprocess(*INSIDE)
    result.assert_outcomes(xfailed=2, failed=2)
    result.stdout.fnmatch_lines(["*XPASS(strict)* it was so once", "Safe at 4 of 7 points."])


@pytest.mark.slow
def test_parts_of_the_points_run_in_several_processes(pytester: pytest.Pytester) -> None:
    """Each process tells of its own, and the summary of all."""
    pytest.importorskip("xdist")
    pytester.makepyfile(test_copies=SUITE)
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-n", "2", "-k", "parts")
    result.assert_outcomes(passed=3)
    for part in (1, 2, 3):  # in whichever order they ended
        result.stdout.fnmatch_lines([f"*part{part}of3?: Safe at * (part {part} of 3)."])


@pytest.mark.slow
def test_a_fixture_of_a_module_is_shared_and_ends_once(pytester: pytest.Pytester) -> None:
    """Its end belongs to the last test that needs it, and its failure is that test's error."""
    suite = """
        import pytest

        made = []

        @pytest.fixture(scope="module")
        def shared():
            made.append(1)
            yield made
            assert not made

        async def idle(work):
            await work.spend("1m")

        @pytest.mark.crash_points(job="copy#1")
        async def test_it(emulated, shared):
            assert shared == [1]
            async with emulated(handlers={"copy": idle}) as emu:
                await emu.submit("copy")
    """
    pytester.makepyfile(suite)
    result = pytester.runpytest_inprocess(*INSIDE)
    result.assert_outcomes(passed=1, errors=1)


@pytest.mark.slow
def test_a_wrong_number_of_parts_is_refused(pytester: pytest.Pytester) -> None:
    """When the tests are collected."""
    suite = """
        import pytest

        @pytest.mark.crash_points(job="copy#1", parts=0)
        async def test_it(emulated):
            pass
    """
    pytester.makepyfile(suite)
    result = pytester.runpytest_inprocess(*INSIDE)
    assert result.ret != 0
    result.stdout.fnmatch_lines(["*the marker crash_points: parts=0: give into how many tests to split it*"])
