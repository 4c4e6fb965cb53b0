"""Whole nights in which jobs really run a script: faults reach it, and the night is the same every time."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import emulator
from emulator.errors import InputError
from emulator.experiment.night import NightResult
from emulator.scenario.load import from_settings
from emulator.scripts.load import load_scripts
from emulator.scripts.night import run_night_with_scripts
from emulator.scripts.processes import Process
from emulator.scripts.starter import Starter

SCENARIOS = Path(__file__).parents[2] / "scenarios" / "scripts"

NIGHT = {
    "title": "Plates by a script",
    "starts": "2026-06-12T22:00:00",
    "lasts": "4h",
    "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 4}}},
    "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s", "poll": "0s"}},
    "systems": {"archive": {"slots": 1}},
    "routines": {
        "copy-plates": {
            "queue": "night",
            "parts": [{"name": "script", "takes": "0s"}],
            "parameters": {"plates": "list"},
        }
    },
    "arrivals": [
        {
            "routine": "copy-plates",
            "name": "plates",
            "count": 1,
            "at": "+0s",
            "parameters": {"plates": ["a", "b", "c"]},
        },
    ],
}

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def starter() -> Iterator[Starter]:
    with Starter() as one:
        yield one


def play(starter: Starter, folder: Path = SCENARIOS, **settings: object) -> NightResult:
    return run_night_with_scripts(
        from_settings({**NIGHT, **settings}), load_scripts(folder / "scripts.yaml"), starter=starter
    )[0]


def landed(night: NightResult) -> list[tuple[int, str, str, int]]:
    """Give (seconds, target, worker, attempt) of each effect."""
    return [
        (event.at // 1_000_000, event.details["target"], event.worker, event.details["attempt"])
        for event in night.events()
        if event.kind == "effect_landed"
    ]


def test_calls_take_the_virtual_time_that_they_say(starter: Starter) -> None:
    """Three plates at 40 s each land after 40, 80 and 120 s; the job is done then."""
    night = play(starter)
    assert landed(night) == [(40, "a", "dome-1", 1), (80, "b", "dome-1", 1), (120, "c", "dome-1", 1)]
    assert night.figure("makespan").value == 120_000_000


def test_a_power_off_ends_a_script_in_the_middle_of_a_call(starter: Starter) -> None:
    """Off at 60 s, plate b is half put: it never lands from dome-1. The last heartbeat came at 40 to 60 s, the lease of
    90 s ends between 130 and 150 s, and dome-2 does all three once more."""
    night = play(starter, faults=[{"power_off": "dome-1", "at": "+60s"}])
    first, *second = landed(night)
    assert first == (40, "a", "dome-1", 1)
    assert [it[1:] for it in second] == [("a", "dome-2", 2), ("b", "dome-2", 2), ("c", "dome-2", 2)]
    assert 130 <= second[0][0] - 40 <= 150
    assert night.figure("unsafe_repeats").value == 1


def test_a_power_off_takes_the_processes_away_at_once(starter: Starter, monkeypatch: pytest.MonkeyPatch) -> None:
    """They are gone when the second attempt begins, and do not wait for the end of the night."""
    living: list[int] = []
    begin = Process.__init__

    def counted(self: Process, *arguments: object, **named: object) -> None:
        living.append(sum(not it._is_killed for it in begun))
        begun.append(self)
        begin(self, *arguments, **named)  # type: ignore[arg-type]

    begun: list[Process] = []
    monkeypatch.setattr(Process, "__init__", counted)
    play(starter, faults=[{"power_off": "dome-1", "at": "+60s"}])
    assert living == [0, 0]


def test_a_frozen_script_goes_on_as_a_zombie(starter: Starter) -> None:
    """Frozen from 50 s for half an hour it has lost its lease; when it wakes it finishes the call under way, and its
    effect lands late beside those of dome-2."""
    night = play(starter, faults=[{"freeze": "dome-1", "at": "+50s", "lasts": "30m"}])
    late = [it for it in landed(night) if it[0] >= 50 + 1800]
    assert [it[1:] for it in late][:1] == [("b", "dome-1", 1)]
    assert [it[1:] for it in landed(night) if it[2] == "dome-2"] == [
        ("a", "dome-2", 2),
        ("b", "dome-2", 2),
        ("c", "dome-2", 2),
    ]


def test_a_night_with_helpers_side_by_side_is_the_same_every_time(starter: Starter, tmp_path: Path) -> None:
    """With calls in the background, sleeps and a power off in the middle of a call there is one digest."""
    shutil.copytree(SCENARIOS, tmp_path / "scripts")
    (tmp_path / "scripts" / "copy-plates.sh").write_text(
        'for plate in "$@"; do (sleep 7; store put "$plate") & done\nwait\nstore has a && sleep 5 && store put done\n'
    )
    faults = [{"power_off": "dome-1", "at": "+61s", "back_after": "5m"}]
    arrivals = [{**NIGHT["arrivals"][0], "count": 3}]  # type: ignore[index]
    nights = [play(starter, tmp_path / "scripts", faults=faults, arrivals=arrivals) for _ in range(5)]
    assert len({night.digest() for night in nights}) == 1
    assert nights[0].figure("done").value == 3


def test_a_refusal_of_the_system_reaches_the_script(starter: Starter) -> None:
    """During an outage the stand-in says what its `refused` says; the attempt fails, and the job is retried."""
    outage = {"archive": {"slots": 1, "outages": [{"from": "+0s", "until": "+60s"}]}}
    queue = {"night": {"lease": "90s", "retry": {"attempts_in_all": 4, "pause": "constant", "first": "2m"}}}
    night = play(starter, systems=outage, queues=queue)
    [ended, *_] = [event for event in night.events() if event.kind == "attempt_ended"]
    assert ended.details["outcome"] == "error"
    assert ended.details["why"] == "said"
    assert "the script ended with 1: the archive refused a: " in ended.details["values"]["said"]
    assert [it[1] for it in landed(night)] == ["a", "b", "c"]


def test_a_missing_tool_takes_a_stand_in_off_one_workers_path(starter: Starter) -> None:
    """While dome-1 lacks `store` its script finds no such command (127, POSIX); dome-2 does the work."""
    pools = {"dome": {**NIGHT["pools"]["dome"], "equipped_with": ["store"]}}  # type: ignore[index]
    night, notes = run_night_with_scripts(
        from_settings(
            {
                **NIGHT,
                "pools": pools,
                "arrivals": [{**NIGHT["arrivals"][0], "at": "+10s"}],  # type: ignore[index]
                "faults": [{"missing_tool": "dome-1", "tool": "store", "at": "+0s", "lasts": "1h"}],
            }
        ),
        load_scripts(SCENARIOS / "scripts.yaml"),
        starter=starter,
    )
    assert notes == ["store: command not found"]
    assert {it[2] for it in landed(night)} == {"dome-2"}


def test_a_hunt_finds_the_fault_that_makes_a_script_repeat(starter: Starter) -> None:
    """The smallest fault that repeats a put is one power off or one freeze."""
    scripts = load_scripts(SCENARIOS / "scripts.yaml")
    found = emulator.hunt(
        {**NIGHT, "lasts": "10m", "must_hold": [{"measure": "unsafe_repeats", "at_most": 0}]},
        tries=40,
        at_most=1,
        kinds=["power_off"],
        night=lambda loaded, seed: run_night_with_scripts(loaded, scripts, seed=seed, starter=starter)[0],
    )
    assert found.faults is not None
    assert [next(iter(fault)) for fault in found.faults] == ["power_off"]


def test_a_night_without_a_script_for_any_routine_is_refused(starter: Starter) -> None:
    """What is missing is named, with the nearest name."""
    routine = {"copy-plate": NIGHT["routines"]["copy-plates"]}  # type: ignore[index]
    with pytest.raises(InputError, match="no script is called as a routine"):
        play(starter, routines=routine, arrivals=[])


def test_a_night_without_the_system_that_a_command_calls_is_refused(starter: Starter) -> None:
    """The command and the system are named."""
    with pytest.raises(InputError, match="the command store calls 'archive', which settings does not have"):
        play(starter, systems={"archives": {}})
