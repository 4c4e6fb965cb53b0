"""The pytest plugin: what it gives, and that it leaves everything else alone."""

import sys
from typing import Any

import pytest

pytest_plugins = ["pytester"]

SUITE = """
    import asyncio, pytest

    async def copy(work):
        await work.spend("10m")

    @pytest.mark.virtual_time
    async def test_a_copy_takes_ten_minutes(emulated):
        async with emulated(handlers={"copy": copy}) as emu:
            await emu.submit("copy")
            assert emu.time == 600

    @pytest.mark.virtual_time(start=7_000_000)
    async def test_options_reach_the_loop():
        assert asyncio.get_running_loop().time() == 7

    async def untouched():
        await asyncio.sleep(0.01)
        return type(asyncio.get_running_loop()).__name__

    {marked}
    async def test_others_stay_on_the_real_loop():
        assert await untouched() != "VirtualLoop"

    def test_plain_tests_too():
        assert "VirtualLoop" != asyncio.run(untouched())
"""


def run(pytester: pytest.Pytester, suite: str, *options: str) -> Any:
    pytester.makepyfile(suite)
    return run_all(pytester, *options)


def run_all(pytester: pytest.Pytester, *options: str) -> Any:
    """Run what has been made, without plugins that it does not use."""
    return pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:hypothesispytest", *options)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("marked", "options"),
    [
        ("@pytest.mark.asyncio", []),
        ("@pytest.mark.asyncio", ["-o", "asyncio_mode=auto"]),
        ("@pytest.mark.anyio", []),
    ],
    ids=["asyncio strict", "asyncio auto", "anyio"],
)
def test_marked_tests_run_in_virtual_time_and_others_as_ever(
    pytester: pytest.Pytester, marked: str, options: list[str]
) -> None:
    """Beside pytest-asyncio, in both of its modes, and beside anyio."""
    run(pytester, SUITE.replace("{marked}", marked), *options, "-k", "not trio").assert_outcomes(passed=4)


@pytest.mark.slow
def test_it_needs_no_other_plugin(pytester: pytest.Pytester) -> None:
    """Marked async tests run where no async plugin is loaded."""
    suite = SUITE.replace("{marked}\n    async def test_others", "async def others")
    run(pytester, suite, "-p", "no:asyncio", "-p", "no:anyio").assert_outcomes(passed=3)


@pytest.mark.slow
@pytest.mark.parametrize("mode", ["strict", "auto"])
def test_async_fixtures_of_a_marked_test_share_its_loop(pytester: pytest.Pytester, mode: str) -> None:
    """With pytest-asyncio, a fixture and the test that needs it are on one virtual clock; the one marker is enough."""
    suite = """
        import asyncio, pytest, pytest_asyncio

        @pytest_asyncio.fixture
        async def archive():
            await asyncio.sleep(3600)
            yield asyncio.get_running_loop()

        async def copy(work):
            await work.spend("10m")

        @pytest_asyncio.fixture
        async def emu(emulated):
            async with emulated(handlers={"copy": copy}) as made:
                yield made

        @pytest.mark.asyncio
        @pytest.mark.virtual_time
        async def test_one_loop(archive):
            assert asyncio.get_running_loop() is archive
            assert archive.time() == 3600

        @pytest.mark.virtual_time
        class TestMarkedByTheClass:
            @pytest.mark.parametrize("jobs", [1, 2])
            async def test_one_loop(self, archive, emu, jobs):
                assert asyncio.get_running_loop() is archive is emu.loop
                for _ in range(jobs):
                    await emu.submit("copy")
                assert emu.time == 600 * jobs

        @pytest_asyncio.fixture(scope="module", loop_scope="module")
        async def opened():
            return asyncio.get_running_loop()

        @pytest.mark.asyncio(loop_scope="module")
        @pytest.mark.virtual_time
        async def test_a_loop_of_the_module(opened):
            assert asyncio.get_running_loop() is opened
            assert type(opened).__name__ == "VirtualLoop"
    """
    run(pytester, suite, "-o", f"asyncio_mode={mode}").assert_outcomes(passed=4)


FAILING = """
    import pytest

    async def copy(work):
        raise ValueError("tape busy")

    @pytest.mark.virtual_time
    async def test_it_is_done(emulated):
        async with emulated(handlers={"copy": copy}) as emu:
            assert (await emu.submit("copy")).state == "done"
"""


@pytest.mark.slow
def test_a_failure_shows_the_last_events_the_jobs_and_how_to_run_it_again(pytester: pytest.Pytester) -> None:
    """Three sections are attached; the line that they end with runs that very test with that very seed."""
    result = run(pytester, FAILING, "--emulation-seed", "7")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*- last events -*",
            "*attempt_ended*job 1 workers-1*attempt 4, token 4, outcome error, why ValueError: tape busy*",
            "*- jobs concerned -*",
            "*copy#1*failed*",
            "*  workers-1 took it: attempt 4, token 4, a lease of *",
            "*With `attempts_in_all` above 4 in the queue *, it would have been tried again.",
            "*- run it again -*",
            "pytest test_a_failure_shows_the_last_events_the_jobs_and_how_to_run_it_again.py::test_it_is_done "
            "--emulation-seed 7",
        ]
    )


REPORTS = """
    import asyncio, pytest

    async def copy(work):
        await store(work.parameters)

    async def store(plates):
        return plates["missing"]

    async def look(work):
        await asyncio.sleep(3600)

    async def spin(work):
        while True:
            await asyncio.sleep(0)

    async def tick(work):
        while True:
            await asyncio.sleep(0.1)

    HANDLERS = {"copy": copy, "look": look, "spin": spin, "tick": tick}

    @pytest.mark.virtual_time
    async def test_key(emulated):
        async with emulated(handlers=HANDLERS) as emu:
            assert (await emu.submit("copy")).state == "done"  # KEY

    @pytest.mark.virtual_time(turns=2000)
    async def test_spinning(emulated):
        async with emulated(handlers=HANDLERS) as emu:
            await emu.submit("spin")  # SPINNING

    @pytest.mark.virtual_time(end=60_000_000)
    async def test_standstill(emulated):
        async with emulated(handlers=HANDLERS) as emu:
            await ended(emu.submit("look"))

    async def ended(job):
        await job  # STANDSTILL

    @pytest.mark.virtual_time(wall_limit=2)
    async def test_wall(emulated):
        async with emulated(handlers=HANDLERS) as emu:
            emu.submit("tick")
            await asyncio.Event().wait()  # WALL

    @pytest.mark.virtual_time(paces=5)
    async def test_marker():
        pass
"""


@pytest.mark.slow
@pytest.mark.parametrize("options", [[], ["-p", "no:asyncio"]], ids=["asyncio", "no plugin"])
def test_a_report_is_about_the_users_code_and_the_moment_of_the_failure(
    pytester: pytest.Pytester, options: list[str]
) -> None:
    """It ends at the user's line, shows where a handler failed once, and tells nothing of the cleanup."""
    result = run(pytester, REPORTS, *options)
    outcomes = result.parseoutcomes()
    assert outcomes.pop("failed") + outcomes.pop("errors", 0) == 5
    assert outcomes == {}
    text = result.stdout.str()
    assert [
        word
        for word in ("plugin.py", "running.py", "runners.py", "surface.py", "cancelled", "run_ended")
        if word in text
    ] == []
    source = next(pytester.path.glob("test_*.py"))
    at = {line.rpartition("# ")[2]: number for number, line in enumerate(source.read_text().splitlines(), 1)}
    ends = ["KEY: AssertionError", "SPINNING: SpinningError", "STANDSTILL: EndOfTimeError", "WALL: WallLimitError"]
    for end in ends:
        word, _, kind = end.partition(": ")
        assert f"{source.name}:{at[word]}: {kind}" in text
    assert text.count("- raised by your code -") == 1
    shown = text[text.index("copy#1, attempt 1 on workers-1, and 3 more times:") :].splitlines()[1:10]
    assert [line.strip() for line in shown if "~" not in line and "^" not in line][:6] == [
        "Traceback (most recent call last):",
        f'File "{source}", line 4, in copy',
        "await store(work.parameters)",
        f'File "{source}", line 7, in store',
        'return plates["missing"]',
        "KeyError: 'missing'",
    ]
    assert "attempt 1 waits at" in text
    assert "the marker virtual_time: got an unexpected keyword argument 'paces'; its options are those of" in text


@pytest.mark.slow
def test_the_full_trace_shows_how_the_package_came_to_an_error(pytester: pytest.Pytester) -> None:
    """``--full-trace`` leaves nothing out."""
    result = run(pytester, REPORTS, "--full-trace", "-k", "spinning")
    result.stdout.fnmatch_lines(["*surface.py:*", "*loop.py:*", "*course.py:*: SpinningError"])


@pytest.mark.slow
def test_the_limit_of_real_time_does_not_count_the_loading_of_the_package(pytester: pytest.Pytester) -> None:
    """All that an emulator needs is there before the test begins, which is when the limit begins to count."""
    suite = """
        import sys, pytest

        async def copy(work):
            await work.spend("10m")

        def loaded():
            return {name for name in sys.modules if name.partition(".")[0] in ("emulator", "pydantic", "yaml")}

        @pytest.mark.virtual_time(wall_limit=5)
        async def test_modules(emulated):
            before = loaded()
            async with emulated(handlers={"copy": copy}) as emu:
                await emu.submit("copy")
            assert loaded() - before == set()
    """
    run(pytester, suite).assert_outcomes(passed=1)


@pytest.mark.slow
def test_the_seed_of_the_command_line_is_every_emulators_that_has_none(pytester: pytest.Pytester) -> None:
    """A seed in the test goes before that of the command line, which goes before the scenario's."""
    suite = """
        import pytest

        @pytest.mark.virtual_time
        async def test_seeds(emulated):
            async def copy(work):
                pass
            made = [emulated(handlers={"copy": copy}, seed=seed) for seed in (None, 5, 0)]
            assert [emu.seed for emu in made] == [9, 5, 0]
    """
    run(pytester, suite, "--emulation-seed", "9").assert_outcomes(passed=1)


WRONG = {
    "virtual_time(5)": "the marker virtual_time: it takes keywords only, such as pace=10 or wall_limit=5",
    "virtual_time(paces=5)": "the marker virtual_time: got an unexpected keyword argument 'paces'",
    "virtual_time(pace='slow')": 'pace=\'slow\': give "fast", "manual" or the virtual seconds',
}


@pytest.mark.slow
@pytest.mark.parametrize("plugin", ["asyncio", "none"])
def test_a_wrong_marker_says_what_is_wrong(pytester: pytest.Pytester, plugin: str) -> None:
    """Each such test fails with a sentence, whoever runs it."""
    more = "@pytest.mark.asyncio\n" if plugin == "asyncio" else ""
    for number, marker in enumerate(WRONG):
        suite = f"import pytest\n\n{more}@pytest.mark.{marker}\nasync def test_it():\n    pass\n"
        pytester.makepyfile(**{f"test_{number}": suite})
    result = run_all(pytester, "--continue-on-collection-errors")
    assert result.ret != 0
    assert "passed" not in result.parseoutcomes()
    text = result.stdout.str() + result.stderr.str()
    assert [message for message in WRONG.values() if message not in text] == []


@pytest.mark.slow
def test_loading_it_loads_nothing_heavy(pytester: pytest.Pytester) -> None:
    """In a run that uses nothing of it, only the plugin's own module and the two packages around it are loaded."""
    suite = """
        import sys

        def test_modules():
            ours = sorted(name for name in sys.modules if name.split(".")[0] == "emulator")
            assert ours == ["emulator", "emulator.testing", "emulator.testing.plugin"]
            assert not {"pydantic", "yaml", "hypothesis", "scipy", "structlog", "rich"} & set(sys.modules)
    """
    run(pytester, suite).assert_outcomes(passed=1)


@pytest.mark.slow
def test_it_works_with_tests_spread_over_processes(pytester: pytest.Pytester) -> None:
    """With pytest-xdist, marked and other tests pass, and a failure still shows its sections."""
    pytest.importorskip("xdist")
    pytester.makepyfile(test_copies=SUITE.replace("{marked}", "@pytest.mark.asyncio"), test_failing=FAILING)
    result = run_all(pytester, "-n", "2")
    result.assert_outcomes(passed=4, failed=1)
    result.stdout.fnmatch_lines(["*- run it again -*", "pytest *::test_it_is_done --emulation-seed 1"])


@pytest.mark.slow
def test_without_pytest_at_all_a_plain_function_runs_a_test_in_virtual_time() -> None:
    """``unittest`` runs async tests by a decorator, and nothing of pytest is loaded."""
    import subprocess

    code = """
import asyncio, sys, unittest
from emulator import Emulator, in_virtual_time

async def copy(work):
    await asyncio.sleep(3600)

class Copies(unittest.TestCase):
    @in_virtual_time
    async def test_an_hour(self):
        async with Emulator(handlers={"copy": copy}) as emu:
            self.assertEqual((await emu.submit("copy")).state, "done")
            self.assertEqual(emu.time, 3600)
            self.assertNotIn("pytest", sys.modules)

unittest.main(argv=["copies"])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, "Ran 1 test" in done.stderr) == (0, True), done.stderr
