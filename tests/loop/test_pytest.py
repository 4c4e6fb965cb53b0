"""The virtual loop under pytest: a fresh one for each test, whatever async plugins there are."""

import pytest

pytest_plugins = ["pytester"]

CONFTEST = """
    import asyncio, pytest
    from emulator.timeline import VirtualLoop

    @pytest.hookimpl(wrapper=True, optionalhook=True)
    def pytest_asyncio_loop_factories(config, item):
        stock = yield
        if item.get_closest_marker("virtual"):
            return {"virtual": VirtualLoop}
        return stock or {"stock": asyncio.new_event_loop}

    def pytest_configure(config):
        config.addinivalue_line("markers", "virtual: in virtual time")
"""


@pytest.mark.slow
def test_each_test_gets_a_fresh_loop_at_time_0_and_its_fixtures_run_on_it(pytester):
    """Through the plugin's own hook; unmarked tests stay on the stock loop."""
    pytester.makeini("[pytest]\nasyncio_default_fixture_loop_scope = function\nfilterwarnings = error\n")
    pytester.makeconftest(CONFTEST)
    pytester.makepyfile(
        """
        import asyncio, pytest, pytest_asyncio
        from emulator.timeline import VirtualLoop

        @pytest_asyncio.fixture
        async def dome():
            loop = asyncio.get_running_loop()
            await asyncio.sleep(60 if isinstance(loop, VirtualLoop) else 0)
            yield loop
            await asyncio.sleep(60 if isinstance(loop, VirtualLoop) else 0)

        @pytest.mark.virtual
        @pytest.mark.asyncio
        @pytest.mark.parametrize("number", [1, 2])
        async def test_virtual(dome, number):
            assert dome is asyncio.get_running_loop() and dome.time() == 60
            await asyncio.sleep(3600)
            assert dome.time() == 3660

        @pytest.mark.asyncio
        async def test_stock(dome):
            assert not isinstance(dome, VirtualLoop)

        def test_plain():
            pass
        """
    )
    pytester.runpytest_subprocess("-p", "no:queuedrill").assert_outcomes(passed=4)


@pytest.mark.slow
def test_it_works_as_the_loop_of_another_async_plugin(pytester):
    """Which takes a loop factory too."""
    pytest.importorskip("anyio")
    pytester.makeini("[pytest]\nasyncio_default_fixture_loop_scope = function\n")
    pytester.makepyfile(
        """
        import anyio, asyncio, pytest
        from emulator.timeline import VirtualLoop

        @pytest.fixture
        def anyio_backend():
            return "asyncio", {"loop_factory": VirtualLoop}

        @pytest.mark.anyio
        @pytest.mark.parametrize("number", [1, 2])
        async def test_virtual(number):
            loop = asyncio.get_running_loop()
            began = loop.time()
            with anyio.move_on_after(60) as scope:
                await anyio.sleep(3600)
            assert scope.cancelled_caught and loop.time() == began + 60 and began == 0

        async def unmarked():
            pass
        """
    )
    pytester.runpytest_subprocess("-p", "no:queuedrill").assert_outcomes(passed=2)
