"""Runs one pytest test once for each crash point of a job, with fresh fixtures, and reports one result."""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import pytest
from _pytest.runner import runtestprotocol

from emulator.errors import InputError
from emulator.scenario.spelling import advise
from emulator.testing.crashing import CrashPoint, Probe, Sweeper

__all__ = ["PROPERTY", "Kept", "run_at_each_point"]

PROPERTY: Final = "crash_points"
"""Under this name a report carries what came of it."""
_KEYWORDS: Final = ("job", "fault", "lasts", "limit", "parts")


class Kept(NamedTuple):
    """Where the plugin keeps what belongs to a test.

    Attributes:
        made: the emulators that it has made; crash_at: at which point a fault comes in the run that is under way.
        crash_part: the parameter that says which part of the points it has, and of how many.
    """

    made: "pytest.StashKey[list[Any]]"
    crash_at: "pytest.StashKey[CrashPoint]"
    crash_part: str


def run_at_each_point(item: pytest.Item, marker: pytest.Mark, nextitem: pytest.Item | None, kept: Kept) -> None:
    """Run a test without a fault and then at each point, and report on all of it as on one test."""
    hooks = item.ihook
    hooks.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for report in _reports(item, marker, kept):
        hooks.pytest_runtest_logreport(report=report)
    # Each run has left what is shared with other tests as it is; the last word on that is here.
    end = pytest.CallInfo.from_call(lambda: item.session._setupstate.teardown_exact(nextitem), "teardown")
    hooks.pytest_runtest_logreport(report=hooks.pytest_runtest_makereport(item=item, call=end))
    hooks.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)


def _reports(item: pytest.Item, marker: pytest.Mark, kept: Kept) -> Iterator[pytest.TestReport]:
    given = getattr(item, "callspec", None)
    part = (1, 1) if given is None else given.params.get(kept.crash_part, (1, 1))
    try:
        sweep = _sweep_of(marker, part)
    except InputError as wrong:
        yield _failed(item, f"the marker crash_points: {wrong}")
        return
    setup, *others = _run(item, kept, sweep.first)
    if not setup.passed or not all(report.passed for report in others):
        if item.get_closest_marker("xfail") is not None:  # once more, as it is expected to end
            setup, *others = _run(item, kept, sweep.first, may_fail=True)
        yield setup
        yield from (report for report in others if report.when == "call" or not report.passed)
        return
    try:
        points = sweep.plan(_probes(item, kept))
    except InputError as wrong:
        yield _failed(item, str(wrong))
        return
    first: pytest.TestReport | None = None
    took = 0.0
    for point in points:
        reports = _run(item, kept, point)
        took += sum(report.duration for report in reports)
        bad = next((report for report in reports if not report.passed), None)
        if sweep.judge(point, _probes(item, kept), "" if bad is None else _why(bad)) is not None and first is None:
            first = bad
    yield setup
    item.stash[kept.made] = []
    how = pytest.CallInfo.from_call(sweep.assert_safe, "call")
    report = item.ihook.pytest_runtest_makereport(item=item, call=how)
    report.duration = others[0].duration + took
    report.user_properties.append((PROPERTY, sweep.sentence))
    if report.failed and not sweep.is_safe:
        report.longrepr = sweep.text()
        if first is not None:
            report.sections = [("the first failure", first.longreprtext), *first.sections]
    yield report


def _sweep_of(marker: pytest.Mark, part: tuple[int, int]) -> Sweeper:
    if marker.args or "job" not in marker.kwargs:
        raise InputError('it takes keywords only, and a job: crash_points(job="copy#1", fault="power_off")')
    for name in marker.kwargs:
        if name not in _KEYWORDS:
            raise InputError(f"there is no keyword {name!r}: {advise(name, _KEYWORDS)}")
    return Sweeper(**{**marker.kwargs, "part": part})


def _run(item: pytest.Item, kept: Kept, point: CrashPoint, *, may_fail: bool = False) -> list[pytest.TestReport]:
    """Run the test once; it is all runs together that a marker ``xfail`` expects to fail, unless this one may."""
    item.stash[kept.crash_at] = point
    item.stash[kept.made] = []
    option = item.config.option
    before, option.runxfail = option.runxfail, option.runxfail or not may_fail
    try:
        return runtestprotocol(item, log=False, nextitem=item.parent)  # type: ignore[arg-type]  # all that is asked of it
    finally:
        option.runxfail = before


def _probes(item: pytest.Item, kept: Kept) -> list[Probe]:
    begun = [each.keeper.probe for each in item.stash[kept.made] if each.has_begun]
    return [probe for probe in begun if probe is not None]


def _why(report: pytest.TestReport) -> str:
    if report.skipped:
        return "the test was skipped"
    crash = getattr(report.longrepr, "reprcrash", None)
    return report.longreprtext if crash is None else crash.message


def _failed(item: pytest.Item, text: str) -> pytest.TestReport:
    return pytest.TestReport(item.nodeid, item.location, {}, "failed", text, "call")
