"""Looking for faults that break a team's own handlers: settings filled in, moments near events, the command line."""

import json
import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import find

from emulator import (
    CrashPoint,
    Emulator,
    InputError,
    IrreproducibleError,
    Work,
    fault_schedules,
    hunt,
    run_in_virtual_time,
)
from emulator.cli.main import answer
from emulator.testing import hunting
from emulator.testing.hunting import night_with_handlers
from emulator.testing.settings import loaded_for, watched
from emulator.timeline.ticks import SECOND

pytest_plugins = ["pytester"]

SETTINGS: dict[str, Any] = {"lasts": "1h", "arrivals": [{"routine": "copy", "at": "00:00"}]}


async def copy(work: Work) -> None:
    """Leave an effect that must not be repeated, and be done a second later."""
    await work.spend("10m30s")
    work.effect("copied", work.name, repeatable=False)
    await work.spend("1s")


@pytest.mark.slow
def test_it_finds_the_second_in_which_a_power_off_makes_an_effect_come_twice() -> None:
    """From 10 min 30 s to 10 min 31 s, in a night of an hour; no whole minute is among them."""
    found = hunt(SETTINGS, handlers={"copy": copy}, never=["unrepeatable effect twice"], kinds=["power_off"], tries=200)
    assert found.faults is not None
    assert found.faults[0]["power_off"] == "workers-1"
    assert found.faults[0]["at"] in ("+10m30s", "+10m30s1us", "+10m31s")
    assert "back_after" in found.faults[0], "or nobody could do it twice"
    assert found.missed[0].startswith("It has happened: unrepeatable effect twice: event ")
    assert found.already_missed == ()


NEVER: Any = ["unrepeatable effect twice"]
NAMED: dict[str, Any] = {**SETTINGS, "arrivals": [{"name": "copy", "routine": "copy", "at": "00:00"}]}
REQUIRED = {**NAMED, "must_hold": [{"measure": "effects_landed", "at_least": 1}]}


def test_a_crash_point_is_found_before_any_schedule_is_drawn() -> None:
    """Seven points: two waits of two each, and three instants with events. The effect stands from the fourth on.

    So it takes the night without a fault, one that counts the points, and four with a fault.
    """
    found = hunt(NAMED, handlers={"copy": copy}, never=NEVER, crash_points=["copy#1"])
    assert (found.faults, found.point) == ((), CrashPoint("copy#1", "power_off", 4))
    line = copy.__code__.co_firstlineno + 4
    assert found.where == (
        f"power_off at `await work.spend(...)` (line {line}), as it begins to wait, 10m30s after the start"
    )
    assert found.sentence == "One fault breaks the night: one at a crash point of a job. 6 nights were tried."
    assert found.missed[0].startswith("It has happened: unrepeatable effect twice")
    assert (found.fragment(), found.points, found.points_in_all) == ("", 4, 21)
    frozen = hunt(NAMED, handlers={"copy": copy}, never=NEVER, crash_points=["copy#1"], kinds=["freeze"])
    assert frozen.point is not None
    assert (frozen.point.fault, frozen.points_in_all) == ("freeze", 7)


@pytest.mark.slow
def test_a_crash_point_comes_to_other_faults_where_it_breaks_nothing_alone() -> None:
    """Only a third attempt does harm, so that two have to be lost before."""

    async def finds_two(work: Work) -> None:
        await work.spend("10m")
        if work.attempt > 2:
            work.effect("copied", work.name, repeatable=False)
            work.effect("copied", work.name, repeatable=False)
        await work.spend("1m")

    more: Any = {"kinds": ["power_off"], "crash_points": ["copy#1"], "never": NEVER}
    found = hunt(NAMED, handlers={"copy": finds_two}, tries=60, **more)
    assert found.faults is not None
    assert len(found.faults) + (found.point is not None) == 2
    if found.point is not None:  # the time is that of the night with both faults
        assert found.where.endswith(" after the start")
        assert "11m after the start" not in found.where
    assert found.sentence.startswith("2 faults together break the night: ")
    assert (found.points, found.points_in_all) == (6, 6), "each alone breaks nothing: the second attempt is the last"
    alone = hunt(NAMED, handlers={"copy": finds_two}, tries=12, at_most=1, **more)
    assert (alone.faults, alone.point) == (None, None)
    assert alone.sentence.endswith(" nights, and 6 of 6 crash points were tried.")


def test_a_point_to_which_a_job_does_not_come_is_left_out_of_what_was_found() -> None:
    """The other fault ends its first attempt after a second, and nobody is there for another."""
    loaded, handlers = loaded_for(NAMED, {}, ["copy"]), {"copy": copy}
    nights = hunting._Nights(loaded, 1, partial(night_with_handlers, handlers=handlers), watched(NEVER, {}), 10)
    (*_, last) = nights.points_of(["copy#1"], ["power_off"])
    assert last == CrashPoint("copy#1", "power_off", 7)
    found = nights.found([{"power_off": "workers-1", "at": "+1s"}], last, 0, 7)
    assert (found.point, found.where, found.faults) == (None, "", ({"power_off": "workers-1", "at": "+1s"},))


def test_points_beyond_the_tries_are_left_out_evenly_and_told() -> None:
    """Four of five tries are left after the night without a fault, one counts the points: three for seven of them."""

    more: Any = {"kinds": ["freeze"], "tries": 5, "crash_points": ["copy#1"]}
    found = hunt(REQUIRED, handlers={"copy": copy}, **more)
    assert (found.points, found.points_in_all, found.tried) == (3, 7, 5)
    assert found.sentence == (
        "No schedule of faults was found that breaks a requirement: 5 nights, and 3 of 7 crash points were tried."
    )


def test_handlers_that_keep_something_from_night_to_night_are_told() -> None:
    """Or the number of a point would mean another one in each night."""
    nights: list[int] = []

    async def slower(work: Work) -> None:
        nights.append(work.attempt)
        await work.spend(len(nights))
        work.effect("copied", work.name)

    with pytest.raises(IrreproducibleError, match=r"up to at `await work.*begin with nothing left"):
        hunt(REQUIRED, handlers={"copy": slower}, crash_points=["copy#1"])


@pytest.mark.slow
def test_what_is_safe_is_not_found_to_break() -> None:
    """The repair: it is looked up before it is done."""
    copied: set[str] = set()

    async def looks(work: Work) -> None:
        await work.spend("10m")
        if work.name not in copied:
            copied.add(work.name)
            work.effect("copied", work.name, repeatable=False)

    async def fresh(work: Work) -> None:
        if work.attempt == 1:
            copied.clear()
        await looks(work)

    found = hunt(SETTINGS, handlers={"copy": fresh}, never=["unrepeatable effect twice"], kinds=["power_off"], tries=40)
    assert found.faults is None
    assert found.tried > 20


def test_what_has_happened_without_any_fault_counts_for_nothing() -> None:
    """Then a requirement of the scenario is all that can be broken."""

    async def twice(work: Work) -> None:
        work.effect("copied", work.name, repeatable=False)
        work.effect("copied", work.name, repeatable=False)

    required = {**SETTINGS, "must_hold": [{"measure": "lost_leases", "at_most": 0}]}
    found = hunt(required, handlers={"copy": twice}, never=["unrepeatable effect twice"], kinds=["skew_clock"], tries=3)
    assert [said.partition(": event")[0] for said in found.already_missed] == [
        "It has happened: unrepeatable effect twice"
    ]
    with pytest.raises(InputError, match="no requirement holds"):
        hunt(SETTINGS, handlers={"copy": twice}, never=["unrepeatable effect twice"])


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"never": ["unrepeatable effect twice"]}, "outside, never and crash_points: they are about handlers"),
        ({"outside": ["aiosqlite"]}, "outside, never and crash_points: they are about handlers"),
        ({"crash_points": ["copy#1"]}, "outside, never and crash_points: they are about handlers"),
        ({"handlers": {"copy": copy}, "night": lambda loaded, seed: None}, "night and handlers are both given"),
        ({"handlers": {"copy": copy}, "never": ["sleep"]}, "sleep"),
        ({"crash_points": ["copy#2"], "must_hold": 1}, "the night has no job 'copy#2': did you mean 'copy#1'"),
        ({"crash_points": ["copy#1"], "kinds": ["skew_clock"], "must_hold": 1}, "kinds names no fault for them"),
    ],
)
def test_what_does_not_go_together_is_refused(more: dict[str, Any], message: str) -> None:
    """Before any night with a fault is played."""
    settings = SETTINGS
    if more.pop("must_hold", None):
        settings, more["handlers"] = REQUIRED, {"copy": copy}
    with pytest.raises(InputError, match=message):
        hunt(settings, **more)


@pytest.mark.slow
def test_schedules_are_drawn_near_the_moments_given() -> None:
    """At one of them, a tick after it, or a second; settings are filled in for handlers."""
    near = 1234.5

    def is_near(faults: list[dict[str, Any]]) -> bool:
        return any(fault["at"] == "+20m34s500ms1us" for fault in faults)

    schedules = fault_schedules(SETTINGS, kinds=["power_off"], near=[near], handlers=["copy"])
    assert find(schedules, is_near) == [{"power_off": "workers-1", "at": "+20m34s500ms1us"}]
    plain = find(schedules, lambda faults: len(faults) > 0)
    assert plain == [{"power_off": "workers-1", "at": "+0s"}], "the simplest is as without"
    assert near * SECOND == 1_234_500_000


COPIES = """
async def copy(work):
    await work.spend("10m30s")
    work.effect("copied", work.name, repeatable=False)
    await work.spend("1s")

HANDLERS = {"copy": copy}
"""

NIGHT = """
title: Copies
starts: 2026-01-01T00:00:00
lasts: 1h
queues: {night: {retry: {attempts_in_all: 4}}}
pools: {dome: {count: 1, serves: [night], poll: 0s, heartbeat: 30s}}
routines: {copy: {queue: night, parts: [{name: handler, takes: 0s}]}}
arrivals: [{name: copy, routine: copy, at: "00:00"}]
must_hold: [{measure: unsafe_repeats, at_most: 0}]
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a folder, the present one, with a scenario and a module."""
    (tmp_path / "night.yaml").write_text(NIGHT, "utf-8")
    (tmp_path / "hunted_copies.py").write_text(COPIES, "utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    return tmp_path


@pytest.mark.slow
def test_the_command_hunts_with_handlers_of_a_module(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The module lies in the present folder; what is found is to be played with them, too."""
    arguments = ["hunt", "night.yaml", "--handlers", "hunted_copies:HANDLERS", "--kinds", "power_off", "--quiet"]
    assert answer([*arguments, "--tries", "150"]) == 1
    told = capsys.readouterr().out
    assert "{power_off: dome-1, at: +10m3" in told
    assert "and play it in a test of yours: Emulator('night.yaml', handlers=..., seed=1)" in told


def test_the_command_tries_the_crash_points_of_a_job(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is found has no place in the scenario file: the test that repeats it is told."""
    arguments = ["hunt", "night.yaml", "--handlers", "hunted_copies:HANDLERS", "--crash-points", "copy#1"]
    assert answer([*arguments, "--quiet"]) == 1
    point = "CrashPoint(job='copy#1', fault='power_off', number=4, lasts='10m')"
    where = "at `await work.spend(...)` (line 5), as it begins to wait, 10m30s after the start"
    wrapped = where.replace(", as ", ", as\n    ")
    assert capsys.readouterr().out == (
        "One fault breaks the night: one at a crash point of a job. 6 nights were tried.\n"
        "  Missed: effects repeated that are not safe to repeat: 1 (asked: at most 0).\n"
        f"  The fault at a crash point: power_off {wrapped}.\n\n"
        f"To see that night, play it in a test of yours: Emulator('night.yaml', handlers=..., seed=1, "
        f"crash_at={point})\n"
    )
    assert answer([*arguments, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert (said["faults"], said["crash_point"]) == (
        [],
        {"job": "copy#1", "fault": "power_off", "number": 4, "lasts": "10m", "where": f"power_off {where}"},
    )
    assert answer(["hunt", "night.yaml", "--crash-points", "copy#1"]) == 2
    assert "give --handlers too" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("handlers", "message"),
    [
        ("hunted_copies", "'hunted_copies' names no handlers: give module:NAME"),
        ("hunted_copies:OTHERS", "has no attribute 'OTHERS'"),
        ("no_such_copies:HANDLERS", "No module named 'no_such_copies'"),
        ("hunted_copies:copy", "found function: make it a mapping"),
    ],
)
def test_wrong_names_of_handlers_are_refused(
    place: Path, capsys: pytest.CaptureFixture[str], handlers: str, message: str
) -> None:
    """With a sentence, and the exit code of bad input."""
    assert answer(["hunt", "night.yaml", "--handlers", handlers]) == 2
    assert message in capsys.readouterr().err


def test_scripts_and_handlers_exclude_each_other(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One of them does the work."""
    assert answer(["hunt", "night.yaml", "--handlers", "a:B", "--scripts", "s.yaml"]) == 2
    assert "give one of them" in capsys.readouterr().err


GIVEN = """
    import pytest
    from hypothesis import given, settings, strategies as st
    from emulator import fault_schedules

    SETTINGS = {"lasts": "2h"}

    async def copy(work):
        await work.spend("1m")
        assert work.parameters["plates"] < 5

    @settings(max_examples=30, deadline=None, derandomize=True, database=None)
    @given(plates=st.integers(0, 9))
    @pytest.mark.virtual_time
    async def test_plates(emulated, plates):
        async with emulated(handlers={"copy": copy}) as emu:
            assert (await emu.submit("copy", plates=plates)).state == "done"

    @settings(max_examples=10, deadline=None, derandomize=True, database=None)
    @given(faults=fault_schedules(SETTINGS, handlers=["copy"], kinds=["freeze"], at_most=1, near=["1m"]))
    @pytest.mark.virtual_time
    async def test_faults(emulated, faults):
        async with emulated(SETTINGS, handlers={"copy": copy}) as emu:
            emu.schedule(faults)
            await emu.submit("copy", plates=1)
"""


@pytest.mark.slow
@pytest.mark.parametrize("options", [[], ["-p", "no:asyncio"]], ids=["asyncio", "no plugin"])
def test_the_fixture_works_under_given_and_tells_of_the_smallest_failure_alone(
    pytester: pytest.Pytester, options: list[str]
) -> None:
    """Not of the thirty runs before it; the last run is the one that hypothesis shows."""
    pytester.makepyfile(test_given=GIVEN)
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", *options)
    result.assert_outcomes(passed=1, failed=1)
    text = result.stdout.str()
    assert "plates=5" in text
    assert text.count("- last events -") == 1
    assert text.count("- jobs concerned -") == 1
    assert text.count("- raised by your code -") == 1
    assert "of emulator" not in text
    assert "pytest test_given.py::test_plates --emulation-seed 1" in text


@pytest.mark.parametrize("fault", ["power_off", "freeze", "cut_link", "lose_heartbeats", "lose_results"])
def test_a_fault_is_named_by_a_text(fault: Any) -> None:
    """It ends a minute later; a worker whose power is off is on again then."""

    async def test() -> list[tuple[str, float]]:
        async with Emulator(handlers={"copy": copy}) as emu:
            await emu.advance("1m")
            emu.strike(fault, "workers-1", lasts="1m")
            await emu.advance("5m")
            with pytest.raises(InputError, match="no fault 'power_of' of workers here: did you mean 'power_off'"):
                emu.strike("power_of", "workers-1")  # type: ignore[arg-type]
            return [(event.details["fault"], event.seconds) for event in emu.recorded("fault_began", "fault_ended")]

    assert run_in_virtual_time(test) == [(fault, 60), (fault, 120)]
