"""The same scenario and seed give the same bytes, whatever process, hash seed or Python runs them."""

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from emulator.record.events import Row
from emulator.record.export import digest
from emulator.record.recorder import Recorder
from emulator.scenario.load import load, load_text
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

ROOT = Path(__file__).parents[2]
SCENARIOS = ("worker-lost-mid-run.yaml", "queue-backlog.yaml", "brown-out.yaml")

PINS = {
    "worker-lost-mid-run.yaml": "2df7d2d9dbc571e363992c8c18ff18d9b3c8639e6c4d2959f0e1bd0233d21f6c",
    "queue-backlog.yaml": "58120042596de6eff2e414f3031f55acf88793d2ed93162cb1e29d6c3ca4d5c8",
    "brown-out.yaml": "2fd08dbc93e409c4ac68fbd5a5c2a88ac4fd99de5bfff15e2db31571db0797e8",
}
"""Pins: digests of the events' JSON Lines, copied from a run on CPython 3.11.7 with tzdata 2026.6. They say nothing of
what is right; they hold every Python and machine that runs this test to the same bytes. A change of a scenario, or a
meant change of the events, changes them."""

PROGRAM = """
import sys
from emulator.record.export import digest
sys.path.insert(0, "tests/unit")
from test_same_bytes import rows_of
for name in sys.argv[1:]:
    print(digest(rows_of(name)))
"""


def rows_of(name: str) -> list[Row]:
    """Run a scenario of the project and give its events."""
    return _rows(World, load(ROOT / "scenarios" / name))


@cache
def digest_of(name: str) -> str:
    return digest(rows_of(name))


def _rows(world_of: type[World], loaded: object, seed: int = 1) -> list[Row]:
    agenda, recorder = Agenda(), Recorder()
    world = world_of(loaded, seed, agenda, recorder)  # type: ignore[arg-type]  # what load gives
    world.start()
    world.run()
    world.close()
    return recorder.rows


@pytest.mark.slow
@pytest.mark.parametrize("hash_seed", ["0", "1", "4294967295"])
def test_another_process_with_another_hash_seed_gives_the_same_bytes(hash_seed: str) -> None:
    """PYTHONHASHSEED, which shuffles sets of texts, changes no byte of the events."""
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *SCENARIOS],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [digest_of(name) for name in SCENARIOS]


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_python_gives_the_bytes_of_the_pin(name: str) -> None:
    """The digest of a scenario's events is the pinned one, on every supported Python."""
    assert digest_of(name) == PINS[name]


NIGHT = """
title: a night
starts: 2026-06-12T21:30:00
lasts: 3h
queues: {{night: {{}}, other: {{}}}}
pools:
  dome: {{count: 2, serves: [night]}}
  annex: {{count: 2, serves: [other]}}
routines:
  plate-copy: {{queue: night, parts: [{{name: copy, takes: {{median: 4m, p95: 9m}}, error_share: 0.2}}]}}
  {routines}
arrivals:
  {first}
  - {{routine: plate-copy, name: plates, per_hour: 20}}
faults:
  - {{power_off: dome, gaps: {{mean: 1h, law: exponential}}, back_after: {{median: 5m, p95: 20m}}}}
"""


def test_an_added_unrelated_routine_changes_no_other_job() -> None:
    """A routine, its arrivals and its jobs, put before the others, leave every event about the others as it was."""
    alone = load_text(NIGHT.format(routines="", first=""), "alone")
    with_more = load_text(
        NIGHT.format(
            routines="log-export: {queue: other, parts: [{name: export, takes: {mean: 3m, law: exponential}}]}",
            first="- {routine: log-export, name: logs, per_hour: 30}",
        ),
        "with more",
    )

    def story(rows: list[Row]) -> list[tuple[object, ...]]:
        names = {row[3]: f"{row[8]}#{row[9]}" for row in rows if row[1] == "submitted"}
        kinds = ("work_began", "work_stopped", "attempt_ended", "finished")
        return [
            (row[0], row[1], names[row[3]], row[4])
            for row in rows
            if row[1] in kinds and names[row[3]].startswith("plates#")
        ]

    before, after = story(_rows(World, alone)), story(_rows(World, with_more))
    assert len(before) > 100
    assert before == after
