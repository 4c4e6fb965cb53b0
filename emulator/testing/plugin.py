"""The pytest plugin: three markers, a fixture, an option and settings; it loads nothing before one of them is used.

- the marker ``@pytest.mark.virtual_time``: an async test runs on the virtual-time loop. Its keywords are the loop's
  options: ``@pytest.mark.virtual_time(wall_limit=5)``.
- the marker ``@pytest.mark.interleave``: the same, in asyncio's order first and then in 50 other orders of the steps of
  tasks, or as many as ``interleave(seeds=200)`` says. Once one has failed, the rest is skipped, and the report says how
  to repeat it.
- the marker ``@pytest.mark.crash_points(job="copy#1", fault="power_off")``: the same, once without a fault, and then
  once for each point of that job at which its worker may fail, fresh fixtures each time. It is one test, which fails
  unless it is safe at each point. ``parts=4`` makes four tests of it, for as many processes.
- the fixture ``emulated``: ``async with emulated(handlers={"copy": copy}) as emu:`` makes an ``Emulator``, with the
  arguments of that; for annotations it is an ``Emulated``. When the test fails, the report ends with its last events,
  the stories of the jobs concerned, and what your code raised and where (once for each different failure). It also says
  how to run the test again. All is as it stood when the test failed.
- the option ``--emulation-seed N``: the seed of every emulator that a test does not give one.
- the setting ``queuedrill_wall_limit``: the seconds of real time that a marked test may take; 60 by default.
- the setting ``queuedrill_interleave_seeds``: in how many other orders ``interleave`` runs a test; 50 by default.
- the setting ``queuedrill_never``: what the emulators of the fixture watch for, one a line, such as
  ``job left unfinished``; what a test gives as ``never`` takes its place.

With pytest-asyncio 1.4 or newer a marked test is one of its tests, in strict mode too. The loop is given through its
hook for loop factories, so that async fixtures of the test, of the scope of a function, share it. A test that no async
plugin runs is run here. A marked test fails at its end when its run was not reproducible, or real I/O was refused in
it, even if its code caught that. The option ``allow_irreproducible=True`` accepts it. What is not marked is left alone,
whatever other plugins there are. That hook is there only while marked tests are collected or set up, because
pytest-asyncio makes every async test a parametrised one as soon as the hook exists. A report on what the emulator
refused, or on a loop that cannot go on, ends at the line of your code that the test had reached. ``--full-trace`` shows
the rest.
"""

import asyncio
import inspect
import shlex
from collections.abc import Coroutine, Generator, Iterator, Mapping
from contextlib import contextmanager
from functools import wraps
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from emulator.measure.invariants import Never
    from emulator.testing.crashing import CrashPoint
    from emulator.testing.telling import Emulated, ToldEmulator
    from emulator.timeline.loop import VirtualLoop

__all__ = ["emulated"]

MADE: "pytest.StashKey[list[ToldEmulator]]" = pytest.StashKey()
"""The emulators that a test has made."""
CRASH_AT: "pytest.StashKey[CrashPoint]" = pytest.StashKey()
"""At which point a fault comes in the run that is under way."""
CRASH_PART = "_crash_part"
"""The parameter that says which part of the points a test has, and of how many."""
_ITEM: "pytest.StashKey[pytest.Item]" = pytest.StashKey()
"""The test that is run now. The fixture is the session's and asks for it: hypothesis refuses one of the test's own."""
_RUN: "pytest.StashKey[asyncio.Task[Any] | None]" = pytest.StashKey()
_SEED = "--emulation-seed"
_WALL_LIMIT = "queuedrill_wall_limit"
_LOOP = "_virtual_loop"
_LOOP_OF_PYTEST_ASYNCIO = "_asyncio_loop_factory"
_SEEDS = 50
_INI_SEEDS = "queuedrill_interleave_seeds"
_INI_NEVER = "queuedrill_never"
_IMPLY_IT = ("interleave", "crash_points")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option for the seed, and the setting for the limit of real time."""
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
    parser.addini(
        _INI_SEEDS,
        f"in how many other orders the marker interleave runs a test (default: {_SEEDS})",
        default=str(_SEEDS),
    )
    parser.addini(
        _INI_NEVER,
        "what the emulators of a test watch for that says nothing else, one a line, such as: job left unfinished",
        type="linelist",
        default=[],
    )


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line(
        "markers",
        "virtual_time(**options): run an async test on the virtual-time loop; options are those of VirtualLoop",
    )
    config.addinivalue_line(
        "markers",
        f"interleave(seeds={_SEEDS}): run an async test on the virtual-time loop in asyncio's order, and then with the "
        "steps of its tasks held back by so many seeds",
    )
    config.addinivalue_line(
        "markers",
        "crash_points(job, fault='power_off', lasts='10m', limit=200, parts=1): run an async test on the virtual-time "
        "loop, and then once for each point of the job, with the fault there",
    )


class _Orders:
    """In which orders one test is run, and how that went; one for all runs of a test function."""

    def __init__(self, config: pytest.Config, options: pytest.Mark, tried: pytest.Mark | None) -> None:
        self.config = config
        self.options = options
        self.wrong = ""
        self.failed: dict[str, str] = {}
        self.passed: dict[str, int] = {}
        self.makers = {"virtual": _Maker(self, "virtual", {})}
        if tried is not None:
            asked = dict(tried.kwargs)
            usual = _seeds(config)
            seeds = asked.pop("seeds", usual)
            if usual < 1:
                self.wrong = f"{_INI_SEEDS} = {config.getini(_INI_SEEDS)}: give a number of seeds above 0"
            elif tried.args or asked or type(seeds) is not int or seeds < 1:
                self.wrong = (
                    f"the marker interleave: give a number of seeds above 0, such as interleave(seeds={_SEEDS})"
                )
            elif "interleave" in options.kwargs:
                self.wrong = "the marker virtual_time has a seed for interleave: leave out the marker interleave"
            else:
                names = {f"interleave={seed}": {"interleave": seed} for seed in range(seeds)}
                self.makers = {name: _Maker(self, name, more) for name, more in {"asyncio": {}, **names}.items()}


def _wall_limit(config: pytest.Config) -> float | None:
    text = config.getini(_WALL_LIMIT)
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds < float("inf"):
        pytest.fail(f"{_WALL_LIMIT} = {text}: give seconds of real time, such as 60, or 0 for no limit", pytrace=False)
    return seconds or None


def _seeds(config: pytest.Config) -> int:
    """Give the usual number of other orders; 0 when the setting is no number."""
    text = config.getini(_INI_SEEDS)
    return int(text) if text.isdecimal() else 0


def _never(config: pytest.Config) -> "list[Never]":
    """Give what every emulator is to watch for, as the settings say it."""
    from emulator.errors import InputError
    from emulator.measure.invariants import broken

    names: list[Never] = config.getini(_INI_NEVER)
    try:
        broken((), names)
    except InputError as error:
        pytest.fail(f"{_INI_NEVER}: {error}", pytrace=False)
    return names


class _Maker:
    """Makes the loop for one run of a marked test."""

    def __init__(self, orders: _Orders, name: str, more: dict[str, Any]) -> None:
        self.orders = orders
        self.name = name
        self.more = more

    def __call__(self) -> "VirtualLoop":
        from emulator.timeline.loop import VirtualLoop

        options = self.orders.options
        if wrong := self.orders.wrong:
            pytest.fail(wrong, pytrace=False)
        try:
            if options.args:
                raise TypeError("it takes keywords only, such as pace=10 or wall_limit=5")
            inspect.signature(VirtualLoop).bind(**options.kwargs)
            usual = {"wall_clocks": True, "wall_limit": _wall_limit(self.orders.config)}
            return VirtualLoop(**{**usual, **options.kwargs, **self.more})
        except (TypeError, ValueError) as error:
            wrong = str(error)
        known = ", ".join(inspect.signature(VirtualLoop).parameters)
        pytest.fail(f"the marker virtual_time: {wrong}; its options are those of VirtualLoop: {known}", pytrace=False)

    def run_of(self, item: pytest.Item) -> str:
        """Name the other parameters of a test: each set of them is tried in all orders."""
        names: list[str] = item.callspec.id.split("-")  # type: ignore[attr-defined]  # of a parametrised function
        if self.name in names:  # else it is the only one, and hidden
            names.remove(self.name)
        return "-".join(names)


def _maker_of(item: pytest.Item) -> _Maker | None:
    """Give what makes the loop of a marked test."""
    given = getattr(item, "callspec", None)
    params: Mapping[str, Any] = {} if given is None else given.params
    maker = params.get(_LOOP, params.get(_LOOP_OF_PYTEST_ASYNCIO))
    return maker if isinstance(maker, _Maker) else None


def _options_of(item: pytest.Function) -> pytest.Mark | None:
    """Give the marker of a test that is to run in virtual time.

    Mark it for pytest-asyncio too, as its auto mode does, so that async fixtures share the test's loop.
    """
    if item.get_closest_marker("virtual_time") is None and any(map(item.get_closest_marker, _IMPLY_IT)):
        item.add_marker("virtual_time")
    options = item.get_closest_marker("virtual_time")
    if (
        options is not None
        and _lets_a_loop_come_in(item.config)
        and item.get_closest_marker("asyncio") is None
        and "anyio_backend" not in item.fixturenames
        and _is_async(item)
    ):
        item.add_marker("asyncio")
    return options


def _lets_a_loop_come_in(config: pytest.Config) -> bool:
    """Say whether pytest-asyncio is there, in a version with a hook for loop factories."""
    return hasattr(config.hook, "pytest_asyncio_loop_factories")


def _is_async(item: pytest.Function) -> bool:
    return inspect.iscoroutinefunction(getattr(getattr(item.obj, "hypothesis", None), "inner_test", item.obj))


class _LoopFactories:
    """What pytest-asyncio asks for loops; registered only while it has to ask."""

    makers: Mapping[str, _Maker]

    @pytest.hookimpl(wrapper=True, optionalhook=True)
    def pytest_asyncio_loop_factories(self) -> Generator[None, Any, Mapping[str, _Maker]]:
        """Give the virtual loops for a marked test, whatever others it would have had."""
        yield
        return self.makers


_ASKED = pytest.StashKey[_LoopFactories]()


@contextmanager
def _asked_for_loops(config: pytest.Config, makers: Mapping[str, _Maker]) -> Iterator[None]:
    asked = config.stash.setdefault(_ASKED, _LoopFactories())
    asked.makers = makers
    config.pluginmanager.register(asked)
    try:
        yield
    finally:
        config.pluginmanager.unregister(asked)


@pytest.hookimpl(wrapper=True)
def pytest_generate_tests(metafunc: pytest.Metafunc) -> Generator[None, None, None]:
    """Give a marked test its loop, or one for each order, by pytest-asyncio, which asks here, or without it."""
    item = metafunc.definition
    if (options := _options_of(item)) is None:
        return (yield)
    _split(metafunc, item.get_closest_marker("crash_points"))
    makers = _Orders(metafunc.config, options, item.get_closest_marker("interleave")).makers
    if _lets_a_loop_come_in(metafunc.config) and item.get_closest_marker("asyncio") is not None:
        with _asked_for_loops(metafunc.config, makers):
            return (yield)
    if _is_async(item) and "anyio_backend" not in metafunc.fixturenames:
        metafunc.fixturenames.append(_LOOP)
        hidden = (pytest.HIDDEN_PARAM,) if len(makers) == 1 else makers
        metafunc.parametrize(_LOOP, list(makers.values()), ids=hidden)
    return (yield)


def _split(metafunc: pytest.Metafunc, marker: pytest.Mark | None) -> None:
    """Make several tests of one that is run at each crash point, if that is asked for."""
    parts = 1 if marker is None else marker.kwargs.get("parts", 1)
    if type(parts) is not int or parts < 1:
        pytest.fail(f"the marker crash_points: parts={parts!r}: give into how many tests to split it", pytrace=False)
    if parts > 1:
        every = [(part, parts) for part in range(1, parts + 1)]
        metafunc.fixturenames.append(CRASH_PART)
        metafunc.parametrize(CRASH_PART, every, ids=[f"part{part}of{parts}" for part, _ in every])


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """Run a test once for each crash point of a job, if that is asked for."""
    marker = item.get_closest_marker("crash_points")
    if marker is None:
        return None
    from emulator.testing.repeating import Kept, run_at_each_point

    run_at_each_point(item, marker, nextitem, Kept(MADE, CRASH_AT, CRASH_PART))
    return True


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say what came of crash points, and which were left out."""
    told = [
        f"{report.nodeid}: {said}"
        for reports in terminalreporter.stats.values()
        for report in reports
        if getattr(report, "when", "") == "call"
        for name, said in report.user_properties
        if name == "crash_points"
    ]
    if told:
        terminalreporter.section("crash points")
        for line in told:
            terminalreporter.line(line)


@pytest.hookimpl(wrapper=True, trylast=True)
def pytest_pycollect_makeitem() -> Generator[None, Any, Any]:
    """Let pytest-asyncio, which takes its tests out of what is made here, find marked ones among them."""
    made = yield
    for item in made if isinstance(made, list) else [made]:
        if isinstance(item, pytest.Function):
            _options_of(item)
    return made


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None, None, None]:
    """Leave out the other orders of a test once one has failed; refuse a loop that is not the virtual one."""
    item.session.stash[_ITEM] = item
    if (maker := _maker_of(item)) is not None and (failed := maker.orders.failed.get(maker.run_of(item))):
        pytest.skip(f"it has failed in another order ({failed})")
    if _ASKED in item.config.stash and item.get_closest_marker("asyncio") is not None:
        # Then marked tests and others may share the loop of a module: pytest-asyncio looks early whether it changes.
        with _asked_for_loops(item.config, {}):
            yield
    else:
        yield
    if item.get_closest_marker("virtual_time") is not None:
        _check_backend(item)


def _check_backend(item: pytest.Item) -> None:
    """Let a test that anyio runs have the virtual loop, which only the user's fixture can give it.

    Raises:
        Failed: when it has another.
    """
    backend = getattr(item, "funcargs", {}).get("anyio_backend")
    if backend is None:
        return
    from emulator.timeline.loop import VirtualLoop

    name, options = (backend, {}) if isinstance(backend, str) else backend
    make = options.get("loop_factory")
    if name == "asyncio" and make is not None:
        loop = make()
        loop.close()
        make = loop if isinstance(loop, VirtualLoop) else None
    marker = item.get_closest_marker("virtual_time")
    asked = {} if marker is None else dict(marker.kwargs)
    if item.get_closest_marker("interleave") is not None:
        asked["interleave"] = 7
    if make is None or asked:
        more = ", ".join(f"{name}={value!r}" for name, value in (asked or {"wall_limit": 5}).items())
        pytest.fail(
            "the markers virtual_time and anyio: anyio makes the loop of this test, so the fixture anyio_backend must "
            'return ("asyncio", {"loop_factory": VirtualLoop}), from `from emulator import VirtualLoop`; '
            f"options go there, too: functools.partial(VirtualLoop, {more}); or leave out the marker anyio",
            pytrace=False,
        )


def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run a marked async test that no async plugin has taken on."""
    options = pyfuncitem.get_closest_marker("virtual_time")
    drawn = getattr(pyfuncitem.obj, "hypothesis", None)
    inner = getattr(drawn, "inner_test", None)
    if options is not None and inspect.iscoroutinefunction(inner):  # hypothesis calls it, with what it has drawn
        setattr(drawn, "inner_test", wraps(inner)(lambda **given: _run(pyfuncitem, options, inner(**given))))  # noqa: B010
        return None
    if options is None or not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    names = inspect.signature(pyfuncitem.obj).parameters
    given = {name: pyfuncitem.funcargs[name] for name in names if name in pyfuncitem.funcargs}
    _run(pyfuncitem, options, pyfuncitem.obj(**given))
    return True


def _run(item: pytest.Function, options: pytest.Mark, test: Coroutine[Any, Any, Any]) -> None:
    """Run the body of a test on a virtual loop of its own."""
    maker = _maker_of(item) or _Orders(item.config, options, None).makers["virtual"]
    with asyncio.Runner(loop_factory=maker) as runner:
        try:
            runner.run(test)
        except BaseException as error:
            _look_at_failure(item, error)  # before the runner ends what is under way
            raise


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


@pytest.fixture(scope="session")
def emulated(request: pytest.FixtureRequest) -> "Emulated":
    """Make emulators: ``async with emulated(handlers={"copy": copy}) as emu:``, in a test marked ``virtual_time``."""
    # now, and not in the test's own time, which may have a limit
    from emulator.scenario.models import Scenario
    from emulator.testing.telling import Emulated

    Scenario.model_rebuild()  # its validator is made when it is first needed

    config, session = request.config, request.session

    def of_test() -> "tuple[list[ToldEmulator], CrashPoint | None]":
        item = session.stash[_ITEM]
        made = item.stash.setdefault(MADE, [])
        if hasattr(getattr(item, "obj", None), "hypothesis"):  # which runs it many times: the last is told of
            run = asyncio.current_task()
            if item.stash.get(_RUN, None) is not run:
                made.clear()
            item.stash[_RUN] = run
        return made, item.stash.get(CRASH_AT, None)

    return Emulated(of_test, config.getoption(_SEED), _never(config))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Show what the emulators of a failed test have to tell, and the test's own line for what they refused."""
    if call.excinfo is not None:
        _look_at_failure(item, call.excinfo.value)
    report = yield
    if (maker := _maker_of(item)) is not None and maker.name != "virtual":
        _note_order(item, maker, report)
    told = item.stash.get(MADE, None)
    if told and report.failed:
        from emulator.testing.telling import sections

        for title, text in sections(item.nodeid, _SEED, told):
            report.sections.append((title, text))
    return report


def _note_order(item: pytest.Item, maker: _Maker, report: pytest.TestReport) -> None:
    """Note how a run in one order went, and tell with a failure how to repeat it."""
    orders, run = maker.orders, maker.run_of(item)
    if report.passed and report.when == "call":
        orders.passed[run] = orders.passed.get(run, 0) + 1
    if report.failed:
        orders.failed.setdefault(run, maker.name)
        seed, passed = maker.more.get("interleave"), orders.passed.get(run, 0)
        text = "It failed in asyncio's own order of the steps; no other was tried."
        if seed is not None:
            before = f"It passed in {passed} other order{'s' if passed > 1 else ''} before. " if passed else ""
            text = (
                f"{before}The seed {seed} held steps of tasks back. To repeat it:\npytest {shlex.quote(item.nodeid)}\n"
                f"or mark the test: @pytest.mark.virtual_time(interleave={seed})"
            )
        report.sections.append(("order of the steps", text))


def _look_at_failure(item: pytest.Item, error: BaseException) -> None:
    """Keep what there is to tell at this moment, and let the report on what the package refused end at the test."""
    for each in item.stash.get(MADE, ()):
        each.keep()
    kinds = {kind.__name__ for kind in type(error).__mro__ if kind.__module__ == "emulator.errors"}
    if kinds and "DefectError" not in kinds and not item.config.getoption("fulltrace"):
        from emulator.testing.running import end_at_the_test

        name = getattr(item, "originalname", item.name)
        error.__traceback__ = end_at_the_test(error.__traceback__, str(item.path), name)
