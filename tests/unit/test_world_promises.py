"""What the world promises: every fault does something, and nobody foresees what was drawn."""

import re
from pathlib import Path
from typing import Any, Literal, get_type_hints

import pytest

import emulator
from emulator.record.events import Row
from emulator.record.recorder import Recorder
from emulator.scenario.fault_kinds import FAULT_KINDS, FAULT_TABLE
from emulator.scenario.load import from_settings
from emulator.scenario.models import faults
from emulator.scenario.values import Name
from emulator.timeline.agenda import Agenda
from emulator.world.fault_effects import EFFECTS
from emulator.world.world import World

NIGHT: dict[str, Any] = {
    "title": "a night",
    "starts": "2026-06-12T21:30:00",
    "lasts": "2h",
    "queues": {"night": {"retry": {"attempts_in_all": 5, "pause": "constant", "first": "30s"}}},
    "pools": {
        "dome": {
            "count": 2,
            "serves": ["night"],
            "poll": "10s",
            "heartbeat": "20s",
            "equipped_with": ["tape"],
            "stops_at_lease_end": True,
        }
    },
    "systems": {"archive": {"slots": 2, "answers_in": "2m"}},
    "access": [{"who": "dome", "to": "archive"}],
    "routines": {
        "plate-copy": {
            "queue": "night",
            "requires": ["tape"],
            "parts": [{"name": "read", "takes": "5m"}, {"name": "copy", "calls": "archive", "effect": "copied"}],
        }
    },
    "arrivals": [{"routine": "plate-copy", "name": "plates", "every": "6m", "count": 10}],
}

FAULTS: dict[str, dict[str, Any]] = {
    "power_off": {"power_off": "dome-1", "at": "+8m", "back_after": "10m"},
    "freeze": {"freeze": "dome-1", "at": "+8m", "lasts": "5m"},
    "cut_link": {"cut_link": "dome-1", "at": "+8m", "lasts": "5m"},
    "slow_down": {"slow_down": "dome-1", "at": "+1m", "lasts": "9m", "to": 0.5},
    "lose_heartbeats": {"lose_heartbeats": "dome-1", "at": "+1m", "lasts": "9m"},
    "lose_results": {"lose_results": "dome-1", "at": "+1m", "lasts": "20m"},
    "hand_out_twice": {"hand_out_twice": "night", "at": "+1m"},
    "skew_clock": {"skew_clock": "dome-1", "at": "+1m", "lasts": "1h", "clock": {"drift_ppm": -900_000.0}},
    "broker_outage": {"broker_outage": True, "at": "+6m", "lasts": "5m"},
    "missing_tool": {"missing_tool": "dome", "at": "+5m", "lasts": "20m", "tool": "tape"},
    "withdraw_access": {"withdraw_access": "dome", "at": "+3m", "lasts": "20m", "access_to": "archive"},
    "system_outage": {"system_outage": "archive", "at": "+5m", "lasts": "20m"},
    "brown_out": {"brown_out": "archive", "at": "+5m", "lasts": "20m", "factor": 3.0},
    "error_burst": {"error_burst": "archive", "at": "+4m", "lasts": "20m", "share": 1.0},
    "poison_job": {"poison_job": "plates#2"},
    "surge": {"surge": "plates", "at": "+5m", "lasts": "20m", "factor": 3.0},
}


def _rows(settings: dict[str, Any], seed: int = 1) -> tuple[World, list[Row]]:
    agenda, recorder = Agenda(), Recorder()
    world = World(from_settings(settings), seed, agenda, recorder)
    world.start()
    world.run()
    world.close()
    return world, recorder.rows


def _story(rows: list[Row]) -> list[tuple[Any, ...]]:
    """Leave out what only says that a fault began or ended, and the numbers of the causes."""
    said = ("fault_began", "fault_ended", "worker_changed", "system_changed", "access_changed", "equipment_changed")
    return [(row[0], row[1], *row[3:]) for row in rows if row[1] not in (*said, "worker_speed_changed")]


def test_every_kind_of_fault_is_here() -> None:
    """The table above has each kind of fault that a scenario may name."""
    assert set(FAULTS) == set(FAULT_KINDS)


@pytest.mark.parametrize("kind", sorted(FAULTS))
def test_a_fault_changes_what_happens_to_jobs(kind: str) -> None:
    """With the fault, the same seed gives another story of the jobs, and the fault is told as begun, not as missed."""
    _, without = _rows(NIGHT)
    world, struck = _rows({**NIGHT, "faults": [FAULTS[kind]]})
    assert _story(struck) != _story(without)
    assert {row[5] for row in struck if row[1] == "fault_began"} == {kind}
    assert world.missed_faults == []


def test_a_fault_that_hits_nothing_is_told() -> None:
    """A freeze of a worker that is off already is told as missed, and names its target."""
    late = {"freeze": "dome-1", "at": "+20m", "lasts": "1m"}
    world, rows = _rows({**NIGHT, "faults": [{"power_off": "dome-1", "at": "+8m"}, late]})
    assert [(row[0], row[4], row[5]) for row in rows if row[1] == "fault_missed"] == [
        (1_200_000_000, "dome-1", "freeze")
    ]
    assert len(world.missed_faults) == 1
    assert "dome-1" in world.missed_faults[0]


SHUTDOWN: dict[str, Any] = {
    "title": "an evening shutdown",
    "starts": "2026-06-12T21:30:00",
    "lasts": "90m",
    "queues": {"night": {}},
    "pools": {
        "dome": {
            "count": 1,
            "serves": ["night"],
            "power": {"off": "22:00", "skips_jobs_too_long_to_finish": True},
        }
    },
    "routines": {
        "plate-copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"median": "4m", "p95": "9m"}}]},
        "log-export": {"queue": "night", "parts": [{"name": "export", "takes": {"median": "1m", "p95": "2m"}}]},
    },
    "arrivals": [
        {"routine": "plate-copy", "name": "plates", "at": "+25m"},
        {"routine": "log-export", "name": "logs", "at": "+25m"},
    ],
}


def test_a_worker_declines_by_what_is_expected_and_not_by_what_was_drawn() -> None:
    """With 5 minutes left it passes over work expected to take 9 and takes what should take 2, whatever is drawn."""
    for seed in range(20):
        _, rows = _rows(SHUTDOWN, seed)
        names = {row[3]: row[8] for row in rows if row[1] == "submitted"}
        assert [(row[0], names[row[3]]) for row in rows if row[1] == "handed_out"] == [(1_500_000_000, "logs")]
    took = {
        row[0] - 1_500_000_000 for seed in range(20) for row in _rows(SHUTDOWN, seed)[1] if row[1] == "work_stopped"
    }
    assert len(took) == 20  # the draws did differ


def test_every_kind_of_fault_has_its_rows() -> None:
    """Each kind has a field of the model, of the type that its target asks for, and says what it does."""
    types = {
        "workers": faults.WorkerTarget,
        "broker": Literal[True],
        **dict.fromkeys(("queue", "system", "system_or_routine", "worker_or_pool", "job", "entry"), Name),
    }
    fields = faults.Fault.model_fields
    hints = get_type_hints(faults.Fault, include_extras=True)
    assert {kind: hints[kind] for kind in FAULT_KINDS} == {
        kind: types[row.of] | None for kind, row in FAULT_TABLE.items()
    }
    assert {kind: fields[kind].description for kind in FAULT_KINDS} == {
        kind: row.about for kind, row in FAULT_TABLE.items()
    }
    assert set(EFFECTS) == set(FAULT_KINDS)


def test_a_kind_of_fault_lives_in_four_files() -> None:
    """Nothing else of the package names a kind that needs no treatment of its own: a new one is written in these."""
    package = Path(emulator.__file__).parent
    holding = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if re.search(r"\bslow_down\b", path.read_text("utf-8"))
    }
    assert holding == {
        "scenario/fault_kinds.py",
        "scenario/models/faults.py",
        "testing/faults.py",
        "world/fault_effects.py",
    }
