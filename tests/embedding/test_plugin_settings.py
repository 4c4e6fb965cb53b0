"""The settings of the pytest plugin: defaults for a whole suite, which a test may replace."""

import pytest

pytest_plugins = ["pytester"]
pytestmark = pytest.mark.slow
PLAIN = ("-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-p", "no:asyncio")

SUITE = """
    import asyncio
    import pytest

    async def hangs(work):
        await asyncio.sleep(3600)

    @pytest.mark.virtual_time
    async def test_usual(emulated):
        async with emulated(handlers={"copy": hangs}) as emu:
            emu.submit("copy")

    @pytest.mark.virtual_time
    async def test_own(emulated):
        async with emulated(handlers={"copy": hangs}, never=[]) as emu:
            emu.submit("copy")
"""


def test_what_must_never_happen_is_set_for_all_emulators_of_a_suite(pytester: pytest.Pytester) -> None:
    """Without the setting both tests pass; with it the one fails that says nothing else."""
    pytester.makepyfile(SUITE)
    pytester.runpytest_subprocess(*PLAIN).assert_outcomes(passed=2)
    pytester.makeini("[pytest]\nqueuedrill_never =\n    effect after lease lost\n    job left unfinished\n")
    result = pytester.runpytest_subprocess(*PLAIN)
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        ["*job left unfinished: event *: job 1 (copy#1) was submitted*", "FAILED *::test_usual*"]
    )


def test_the_number_of_orders_is_set_for_all_tests_that_try_them(pytester: pytest.Pytester) -> None:
    """Asyncio's own order and three others; a marker's own number goes before it."""
    pytester.makepyfile("""
        import pytest

        @pytest.mark.interleave
        async def test_usual():
            pass

        @pytest.mark.interleave(seeds=1)
        async def test_own():
            pass
    """)
    pytester.makeini("[pytest]\nqueuedrill_interleave_seeds = 3\n")
    pytester.runpytest_subprocess(*PLAIN).assert_outcomes(passed=4 + 2)


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("queuedrill_never = job unfinished", "queuedrill_never: 'job unfinished' cannot be watched for: "),
        ("queuedrill_interleave_seeds = many", "queuedrill_interleave_seeds = many: give a number of seeds above 0"),
    ],
)
def test_a_setting_that_is_wrong_is_told_with_its_name(pytester: pytest.Pytester, setting: str, said: str) -> None:
    """Each test that would use it does not pass, and the report says what to write."""
    pytester.makepyfile("""
        import pytest

        @pytest.mark.interleave
        async def test_it(emulated):
            pass
    """)
    pytester.makeini(f"[pytest]\n{setting}\n")
    result = pytester.runpytest_subprocess(*PLAIN, "-x")
    assert "passed" not in result.parseoutcomes()
    assert said in result.stdout.str()
