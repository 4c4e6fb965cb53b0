"""The plugin, installed and unused, changes nothing: beside pytest-asyncio, whose every async test it could touch."""

import pytest

pytest_plugins = ["pytester"]

SUITE = """
    import asyncio, pytest, pytest_asyncio

    @pytest.fixture(scope="session", params=["disk", "tape"])
    def archive(request):
        return request.param

    @pytest_asyncio.fixture(scope="session", loop_scope="session")
    async def catalogue():
        yield asyncio.get_running_loop()

    @pytest_asyncio.fixture(scope="module", loop_scope="module")
    async def dome(archive):
        yield asyncio.get_running_loop()

    @pytest_asyncio.fixture
    async def plate():
        return "plate"

    @pytest.mark.asyncio
    async def test_a(archive, plate):
        pass

    @pytest.mark.asyncio(loop_scope="session")
    async def test_b(archive, catalogue):
        assert catalogue is asyncio.get_running_loop()

    def test_c(archive):
        pass

    @pytest.mark.asyncio(loop_scope="module")
    @pytest.mark.parametrize("night", [1, 2])
    async def test_d(dome, night):
        assert dome is asyncio.get_running_loop()

    class TestOfAClass:
        @pytest.mark.asyncio(loop_scope="class")
        async def test_e(self, archive):
            pass

        @pytest.mark.asyncio(loop_scope="class")
        async def test_f(self, plate):
            pass

        @pytest.mark.asyncio
        @pytest.mark.parametrize("night", [1, 2])
        async def test_g(self, catalogue, night):
            pass
"""
MARKED = """
    @pytest.mark.virtual_time
    async def test_h(archive, plate):
        assert type(asyncio.get_running_loop()).__name__ == "VirtualLoop"

    @pytest.mark.interleave(seeds=2)
    async def test_i(plate):
        assert type(asyncio.get_running_loop()).__name__ == "VirtualLoop"
"""
CONFTEST = """
    def pytest_collection_finish(session):
        for item in session.items:
            spec = getattr(item, "callspec", None)
            kept = spec and (spec.id, spec.params, {name: str(scope) for name, scope in spec._arg2scope.items()})
            print("ITEM", item.nodeid, kept, item.fixturenames, [mark.name for mark in item.iter_markers()])
"""


def _told(pytester: pytest.Pytester, *options: str) -> list[str]:
    """Give what a run says of collection and setups: the items with all that is known of them, and each setup."""
    result = pytester.runpytest_subprocess(
        "-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-p", "no:randomly", "-v", "--setup-show", *options
    )
    assert result.ret == 0, result.stdout.str()
    lines = result.outlines
    start = next(number for number, line in enumerate(lines) if line.startswith("ITEM"))
    return [line for line in lines[start:] if " passed" not in line]


@pytest.mark.slow
@pytest.mark.parametrize("mode", ["strict", "auto"])
def test_unused_it_leaves_collection_order_ids_and_setups_as_they_are(pytester: pytest.Pytester, mode: str) -> None:
    """Byte for byte, in a suite whose tests run on loops of all scopes."""
    pytester.makeconftest(CONFTEST)
    pytester.makepyfile(SUITE)
    options = ["-o", f"asyncio_mode={mode}", "-o", "asyncio_default_fixture_loop_scope=function"]
    without = _told(pytester, *options, "-p", "no:queuedrill")
    assert sum(line.startswith("ITEM") for line in without) == 15
    assert _told(pytester, *options) == without


@pytest.mark.slow
def test_used_it_leaves_the_other_tests_as_they_are(pytester: pytest.Pytester) -> None:
    """Beside marked tests, the same items come in the same order, with the same ids, parameters and fixtures."""
    pytester.makeconftest(CONFTEST)
    pytester.makepyfile(SUITE + MARKED)
    options = ["-o", "asyncio_default_fixture_loop_scope=function"]
    told = _told(pytester, *options)
    pytester.makepyfile(SUITE)
    without = _told(pytester, *options, "-p", "no:queuedrill")
    items = [line for line in told if line.startswith("ITEM") and "test_h" not in line and "test_i" not in line]
    assert items == [line for line in without if line.startswith("ITEM")]


@pytest.mark.slow
def test_a_loop_of_a_module_is_made_anew_where_marked_and_other_tests_take_turns(pytester: pytest.Pytester) -> None:
    """A fixture of the module is on the loop of the test that asks for it, whichever comes first."""
    pytester.makepyfile(
        """
        import asyncio, pytest, pytest_asyncio

        @pytest_asyncio.fixture(scope="module", loop_scope="module")
        async def dome():
            yield asyncio.get_running_loop()

        virtual = pytest.mark.virtual_time
        of_module = pytest.mark.asyncio(loop_scope="module")

        def check(dome, name):
            assert dome is asyncio.get_running_loop()
            assert (type(dome).__name__ == "VirtualLoop") == (name == "virtual")

        @of_module
        async def test_1(dome):
            check(dome, "stock")

        @virtual
        @of_module
        async def test_2(dome):
            check(dome, "virtual")

        @virtual
        @of_module
        async def test_3(dome):
            check(dome, "virtual")

        @of_module
        async def test_4(dome):
            check(dome, "stock")
        """
    )
    options = ["-o", "asyncio_default_fixture_loop_scope=function", "-p", "no:cacheprovider"]
    pytester.runpytest_subprocess(*options).assert_outcomes(passed=4)
