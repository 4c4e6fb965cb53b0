"""What does pytest get? One marker, one fixture, one option; nothing of the package is loaded before they are used.

- the marker ``@pytest.mark.virtual_time``: an async test runs on the virtual-time loop. Its keywords are the loop's
  options: ``@pytest.mark.virtual_time(wall_limit=5)``.
- the fixture ``emulated``: ``async with emulated(handlers={"copy": copy}) as emu:`` makes an ``Emulator``, with the
  arguments of that. When the test fails, the report ends with its last events, the stories of the jobs concerned and
  how to run the test again.
- the option ``--emulation-seed N``: the seed of every emulator that a test does not give one.

With pytest-asyncio the loop comes in by its hook for loop factories; a test that no async plugin runs is run here. What
is not marked is left alone, whatever other plugins there are. A report on what the emulator refused ends at the line of
the test; ``--full-trace`` shows the rest.
"""

import asyncio
import inspect
import os
from collections.abc import Generator, Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from emulator.testing.emulation import Emulator

__all__ = ["emulated"]

_MADE = pytest.StashKey["list[Emulator]"]()
_SEED = "--emulation-seed"
_PACKAGE = __file__.removesuffix(os.path.join("testing", "plugin.py"))


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option for the seed."""
    parser.getgroup("queuedrill").addoption(
        _SEED,
        type=int,
        default=None,
        metavar="N",
        help="the seed of every emulator that a test gives none (default: what its scenario states)",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line(
        "markers",
        "virtual_time(**options): run an async test on the virtual-time loop; options are those of VirtualLoop",
    )


def _loop_maker(marker: pytest.Mark) -> Any:
    from emulator.timeline.loop import VirtualLoop

    if marker.args:
        raise pytest.UsageError("the marker virtual_time takes keywords only, such as pace=10 or wall_limit=5")
    options = dict(marker.kwargs)
    try:
        inspect.signature(VirtualLoop.__init__).bind(None, **options)
    except TypeError as wrong:
        raise pytest.UsageError(f"the marker virtual_time: {wrong}; its options are those of VirtualLoop") from None
    return (lambda: VirtualLoop(**options)) if options else VirtualLoop


@pytest.hookimpl(wrapper=True, optionalhook=True)
def pytest_asyncio_loop_factories(config: pytest.Config, item: pytest.Item) -> Generator[None, Any, Mapping[str, Any]]:
    """Give pytest-asyncio the virtual loop for a marked test, and for others what it would have had without us."""
    found = yield
    if (marker := item.get_closest_marker("virtual_time")) is not None:
        return {"virtual": _loop_maker(marker)}
    return found or {"asyncio": asyncio.new_event_loop}


def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run a marked async test that no async plugin has taken on."""
    marker = pyfuncitem.get_closest_marker("virtual_time")
    if marker is None or not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    names = inspect.signature(pyfuncitem.obj).parameters
    with asyncio.Runner(loop_factory=_loop_maker(marker)) as runner:
        runner.run(pyfuncitem.obj(**{name: pyfuncitem.funcargs[name] for name in names if name in pyfuncitem.funcargs}))
    return True


class Emulated:
    """Makes emulators for one test: ``async with emulated(...) as emu:``, with the arguments of ``Emulator``."""

    def __init__(self, made: "list[Emulator]", seed: int | None) -> None:
        self._made = made
        self._seed = seed

    def __call__(self, scenario: Any = None, *, seed: int | None = None, **options: Any) -> "Emulator":
        """Make an emulator; a seed given here goes before that of the command line."""
        from emulator.testing.emulation import Emulator

        made = Emulator(scenario, seed=self._seed if seed is None else seed, **options)
        self._made.append(made)
        return made


@pytest.fixture
def emulated(request: pytest.FixtureRequest) -> Emulated:
    """Make emulators: ``async with emulated(handlers={"copy": copy}) as emu:``, in a test marked ``virtual_time``."""
    made = request.node.stash.setdefault(_MADE, [])
    return Emulated(made, request.config.getoption(_SEED))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Show what the emulators of a failed test have to tell, and the test's own line for what they refused."""
    if call.excinfo is not None:
        _end_at_the_test(call.excinfo, item.config)
    report = yield
    made = item.stash.get(_MADE, None)
    if made and report.failed:
        from emulator.testing.telling import sections

        for title, text in sections(item.nodeid, _SEED, made):
            report.sections.append((title, text))
    return report


def _end_at_the_test(raised: pytest.ExceptionInfo[BaseException], config: pytest.Config) -> None:
    """Leave out how the package came to raise an error that is about the test; ``--full-trace`` shows it."""
    kinds = {kind.__name__ for kind in type(raised.value).__mro__ if kind.__module__ == "emulator.errors"}
    if not kinds or "DefectError" in kinds or config.getoption("fulltrace"):
        return
    step: TracebackType | None = raised.tb
    last: TracebackType | None = None
    while step is not None:
        last = last if step.tb_frame.f_code.co_filename.startswith(_PACKAGE) else step
        step = step.tb_next
    if last is not None:
        last.tb_next = None
