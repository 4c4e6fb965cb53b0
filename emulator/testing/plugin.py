"""What does pytest get? One marker, one fixture, one option, one setting; nothing is loaded before they are used.

- the marker ``@pytest.mark.virtual_time``: an async test runs on the virtual-time loop. Its keywords are the loop's
  options: ``@pytest.mark.virtual_time(wall_limit=5)``.
- the fixture ``emulated``: ``async with emulated(handlers={"copy": copy}) as emu:`` makes an ``Emulator``, with the
  arguments of that. When the test fails, the report ends with its last events, the stories of the jobs concerned, what
  your code raised and where (once for each different failure), and how to run the test again; all as it stood when the
  test failed.
- the option ``--emulation-seed N``: the seed of every emulator that a test does not give one.
- the setting ``queuedrill_wall_limit``: the seconds of real time that a marked test may take; 60 by default.

With pytest-asyncio 1.4 or newer a marked test is one of its tests, in strict mode too, and the loop comes in by its
hook for loop factories, so that the async fixtures of the test, of the scope of a function, share it; a test that no
async plugin runs is run here. A marked test fails at its end when its run was not reproducible, or real I/O was refused
in it, whatever its code made of that; the option ``allow_irreproducible=True`` accepts it. What is not marked is left
alone, whatever other plugins there are. A report on what the emulator refused, or on a loop that cannot go on, ends at
the line of your code at which the test was; ``--full-trace`` shows the rest.
"""

import asyncio
import inspect
from collections.abc import Generator, Mapping
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from emulator.testing.emulation import Emulator
    from emulator.testing.telling import ToldEmulator

__all__ = ["emulated"]

_MADE = pytest.StashKey["list[ToldEmulator]"]()
_SEED = "--emulation-seed"
_WALL_LIMIT = "queuedrill_wall_limit"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option for the seed."""
    parser.getgroup("queuedrill").addoption(
        _SEED,
        type=int,
        default=None,
        metavar="N",
        help="the seed of every emulator that a test gives none (default: what its scenario states)",
    )

    parser.addini(
        _WALL_LIMIT,
        "seconds of real time that a test marked virtual_time may take; 0 for no limit (default: 60)",
        default="60",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line(
        "markers",
        "virtual_time(**options): run an async test on the virtual-time loop; options are those of VirtualLoop",
    )


def _hand_to_asyncio(item: pytest.Function) -> None:
    """Mark a test for pytest-asyncio too, as its auto mode does, so that async fixtures share the test's loop."""
    if (
        item.config.hook.pytest_asyncio_loop_factories.spec is not None  # it is there, and lets a loop come in
        and item.get_closest_marker("virtual_time") is not None
        and item.get_closest_marker("asyncio") is None
        and "anyio_backend" not in item.fixturenames
        and inspect.iscoroutinefunction(getattr(getattr(item.obj, "hypothesis", None), "inner_test", item.obj))
    ):
        item.add_marker("asyncio")


@pytest.hookimpl(wrapper=True)
def pytest_generate_tests(metafunc: pytest.Metafunc) -> Generator[None, None, None]:
    """Let pytest-asyncio, which asks here which loop a test gets, see that a marked one is its own."""
    _hand_to_asyncio(metafunc.definition)
    yield


@pytest.hookimpl(wrapper=True, trylast=True)
def pytest_pycollect_makeitem() -> Generator[None, Any, Any]:
    """Let pytest-asyncio, which takes its tests out of what is made here, find marked ones among them."""
    made = yield
    for item in made if isinstance(made, list) else [made]:
        if isinstance(item, pytest.Function):
            _hand_to_asyncio(item)
    return made


def _wall_limit(config: pytest.Config) -> float | None:
    text = config.getini(_WALL_LIMIT)
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds < float("inf"):
        pytest.fail(f"{_WALL_LIMIT} = {text}: give seconds of real time, such as 60, or 0 for no limit", pytrace=False)
    return seconds or None


def _loop_maker(marker: pytest.Mark, config: pytest.Config) -> Any:
    from emulator.timeline.loop import VirtualLoop

    def make() -> VirtualLoop:
        try:
            if marker.args:
                raise TypeError("it takes keywords only, such as pace=10 or wall_limit=5")
            inspect.signature(VirtualLoop).bind(**marker.kwargs)
            return VirtualLoop(**{"wall_clocks": True, "wall_limit": _wall_limit(config), **marker.kwargs})
        except (TypeError, ValueError) as error:
            wrong = str(error)
        known = ", ".join(inspect.signature(VirtualLoop).parameters)
        pytest.fail(f"the marker virtual_time: {wrong}; its options are those of VirtualLoop: {known}", pytrace=False)

    return make


@pytest.hookimpl(wrapper=True, optionalhook=True)
def pytest_asyncio_loop_factories(config: pytest.Config, item: pytest.Item) -> Generator[None, Any, Mapping[str, Any]]:
    """Give pytest-asyncio the virtual loop for a marked test, and for others what it would have had without us."""
    found = yield
    if (marker := item.get_closest_marker("virtual_time")) is not None:
        return {"virtual": _loop_maker(marker, config)}
    return found or {"asyncio": asyncio.new_event_loop}


def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run a marked async test that no async plugin has taken on."""
    marker = pyfuncitem.get_closest_marker("virtual_time")
    if marker is None or not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    names = inspect.signature(pyfuncitem.obj).parameters
    given = {name: pyfuncitem.funcargs[name] for name in names if name in pyfuncitem.funcargs}
    with asyncio.Runner(loop_factory=_loop_maker(marker, pyfuncitem.config)) as runner:
        try:
            runner.run(pyfuncitem.obj(**given))
        except BaseException as error:
            _look_at_failure(pyfuncitem, error)  # before the runner ends what is under way
            raise
    return True


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, Any, Any]:
    """Let a marked test fail when its run proves nothing, although it went well."""
    return (yield from _reproducible(item))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None, Any, Any]:
    """Look at the end of its fixtures as at the test itself."""
    return (yield from _reproducible(item))


def _reproducible(item: pytest.Item) -> Generator[None, Any, Any]:
    __tracebackhide__ = True
    if item.get_closest_marker("virtual_time") is None:
        return (yield)
    from emulator.timeline.surface import RAN

    ran: dict[Any, None] = {}
    before = RAN.set(ran)
    try:
        result = yield
    except BaseException:
        for loop in ran:
            loop.findings.clear()  # the test has failed already
        raise
    finally:
        RAN.reset(before)
    from emulator.errors import IrreproducibleError

    found = ""
    for loop in ran:
        try:
            loop.check_reproducible()
        except IrreproducibleError as error:
            found = found or str(error)
    if found:
        pytest.fail(found, pytrace=False)
    return result


class Emulated:
    """Makes emulators for one test: ``async with emulated(...) as emu:``, with the arguments of ``Emulator``."""

    def __init__(self, made: "list[ToldEmulator]", seed: int | None) -> None:
        self._made = made
        self._seed = seed

    def __call__(self, scenario: Any = None, *, seed: int | None = None, **options: Any) -> "Emulator":
        """Make an emulator; a seed given here goes before that of the command line."""
        from emulator.testing.telling import ToldEmulator

        made = ToldEmulator(scenario, seed=self._seed if seed is None else seed, **options)
        self._made.append(made)
        return made


@pytest.fixture
def emulated(request: pytest.FixtureRequest) -> Emulated:
    """Make emulators: ``async with emulated(handlers={"copy": copy}) as emu:``, in a test marked ``virtual_time``."""
    import emulator.testing.telling  # noqa: F401  # now, and not in the test's own time, which may have a limit

    made = request.node.stash.setdefault(_MADE, [])
    return Emulated(made, request.config.getoption(_SEED))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Show what the emulators of a failed test have to tell, and the test's own line for what they refused."""
    if call.excinfo is not None:
        _look_at_failure(item, call.excinfo.value)
    report = yield
    told = item.stash.get(_MADE, None)
    if told and report.failed:
        from emulator.testing.telling import sections

        for title, text in sections(item.nodeid, _SEED, told):
            report.sections.append((title, text))
    return report


def _look_at_failure(item: pytest.Item, error: BaseException) -> None:
    """Keep what there is to tell at this moment, and let the report on what the package refused end at the test."""
    for each in item.stash.get(_MADE, ()):
        each.keep()
    kinds = {kind.__name__ for kind in type(error).__mro__ if kind.__module__ == "emulator.errors"}
    if kinds and "DefectError" not in kinds and not item.config.getoption("fulltrace"):
        from emulator.testing.tracebacks import end_at_the_test

        name = getattr(item, "originalname", item.name)
        error.__traceback__ = end_at_the_test(error.__traceback__, str(item.path), name)
