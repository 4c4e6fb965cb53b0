"""The marker ``interleave``: which orders of steps a test is run in, and what a failure says; and a loop of anyio's."""

import shlex

import pytest

pytest_plugins = ["pytester"]

SUITE = """
    import asyncio, pytest

    SEEN = []

    @pytest.fixture
    def box():
        return {"plates": 0}

    @pytest.mark.interleave
    @pytest.mark.parametrize("apart", [4, 900])
    async def test_counting(box, apart):
        async def count(late):
            for _ in range(late):
                await asyncio.sleep(0)
            seen = box["plates"]
            await asyncio.sleep(0)
            box["plates"] = seen + 1

        await asyncio.gather(count(0), count(apart))
        assert box["plates"] == 2

    @pytest.mark.interleave(seeds=3)
    async def test_seeds():
        SEEN.append(asyncio.get_running_loop().interleave)

    def test_seen():
        assert SEEN == [None, 0, 1, 2]
"""


def _run(pytester: pytest.Pytester, suite: str, *options: str) -> pytest.RunResult:
    pytester.makepyfile(test_night=suite)
    scope = "asyncio_default_fixture_loop_scope=function"
    return pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-o", scope, *options)


@pytest.mark.slow
@pytest.mark.parametrize("options", [[], ["-p", "no:asyncio"]], ids=["asyncio", "no plugin"])
def test_it_runs_asyncios_order_first_and_names_the_first_seed_that_fails(
    pytester: pytest.Pytester, options: list[str]
) -> None:
    """What is four turns apart fails once, the rest of its orders is skipped; what is far apart passes 51 times."""
    result = _run(pytester, SUITE, *options)
    outcomes = result.parseoutcomes()
    outcomes.pop("warnings", None)  # of an option that nobody reads where pytest-asyncio is not loaded
    assert outcomes.pop("failed") == 1
    text = result.stdout.str()
    failed = next(line for line in result.outlines if line.startswith("FAILED")).split()[1]
    seed = int(failed.partition("interleave=")[2].partition("-")[0])
    # 51 runs that pass, 4 of test_seeds, test_seen; asyncio's order and the seeds before the one that failed.
    assert outcomes == {"passed": 51 + 4 + 1 + 1 + seed, "skipped": 50 - seed - 1}
    orders = f"{1 + seed} other orders" if seed else "1 other order"
    assert f"It passed in {orders} before. The seed {seed} held steps of tasks back. To repeat it:" in text
    repeat = f"pytest {shlex.quote(failed)}"
    assert f"{repeat}\nor mark the test: @pytest.mark.virtual_time(interleave={seed})" in text
    _run(pytester, SUITE, *options, failed).assert_outcomes(failed=1)
    again = SUITE.replace("@pytest.mark.interleave\n", f"@pytest.mark.virtual_time(interleave={seed})\n")
    _run(pytester, again, *options, "-k", "counting").assert_outcomes(failed=1, passed=1)


@pytest.mark.slow
def test_what_fails_in_asyncios_order_is_tried_in_no_other(pytester: pytest.Pytester) -> None:
    """The report says so."""
    result = _run(pytester, SUITE.replace("[4, 900]", "[0]"), "-k", "counting")
    result.assert_outcomes(failed=1, skipped=50)
    result.stdout.fnmatch_lines(
        ["*- order of the steps -*", "It failed in asyncio's own order of the steps; no other*"]
    )


WRONG = {
    "interleave(5)": "the marker interleave: give a number of seeds above 0, such as interleave(seeds=50)",
    "interleave(seeds=0)": "the marker interleave: give a number of seeds above 0",
    "interleave(count=5)": "the marker interleave: give a number of seeds above 0",
    "virtual_time(interleave='x')": "the marker virtual_time: interleave='x': give a seed, a whole number",
    "interleave(seeds=2)\n@pytest.mark.virtual_time(interleave=5)": "leave out the marker interleave",
}


@pytest.mark.slow
def test_a_wrong_marker_says_what_is_wrong(pytester: pytest.Pytester) -> None:
    """Each such test fails with a sentence."""
    for number, marker in enumerate(WRONG):
        pytester.makepyfile(
            **{f"test_{number}": f"import pytest\n\n@pytest.mark.{marker}\nasync def test_it(): pass\n"}
        )
    result = _run(pytester, "")
    assert result.parseoutcomes() == {"errors": len(WRONG)}
    text = result.stdout.str()
    assert [message for message in WRONG.values() if message not in text] == []


ANYIO = """
    import asyncio, functools, pytest
    from emulator import VirtualLoop

    @pytest.fixture
    def anyio_backend():
        return {backend}

    @pytest.mark.anyio
    {marker}
    async def test_copies(emulated):
        async def copy(work):
            await work.spend(50)
        async with emulated(handlers={{"copy": copy}}) as emu:
            assert (await emu.submit("copy")).state == "done"
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("backend", "marker", "passes"),
    [
        ('"asyncio"', "@pytest.mark.virtual_time", False),
        ('("asyncio", {"loop_factory": asyncio.new_event_loop})', "@pytest.mark.virtual_time", False),
        ('("asyncio", {"loop_factory": VirtualLoop})', "@pytest.mark.virtual_time", True),
        ('("asyncio", {"loop_factory": functools.partial(VirtualLoop, start=3)})', "@pytest.mark.virtual_time", True),
        ('("asyncio", {"loop_factory": VirtualLoop})', "@pytest.mark.virtual_time(wall_limit=5)", False),
        ('("asyncio", {"loop_factory": VirtualLoop})', "@pytest.mark.interleave", False),
    ],
)  # fmt: skip
def test_a_test_that_anyio_runs_is_told_what_its_backend_must_be(
    pytester: pytest.Pytester, backend: str, marker: str, passes: bool
) -> None:
    """Without the virtual loop from the fixture, or with options that would not reach it, the test fails at once."""
    result = _run(pytester, ANYIO.format(backend=backend, marker=marker))
    if passes:
        result.assert_outcomes(passed=1)
        return
    assert result.parseoutcomes() == {"errors": 1}
    options = "wall_limit=5" if "interleave" not in marker else "interleave=7"
    assert (
        "the markers virtual_time and anyio: anyio makes the loop of this test, so the fixture anyio_backend must "
        'return ("asyncio", {"loop_factory": VirtualLoop}), from `from emulator import VirtualLoop`; options go '
        f"there, too: functools.partial(VirtualLoop, {options}); or leave out the marker anyio"
    ) in result.stdout.str()
