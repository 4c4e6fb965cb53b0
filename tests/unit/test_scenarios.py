"""Every scenario that comes with the project: it loads, runs, teaches what it says, and its log holds together."""

from functools import lru_cache
from pathlib import Path

import pytest

from emulator.experiment.night import Heartbeats, NightResult, run_night
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.record.fold import fold, verify
from emulator.record.recorder import Recorder
from emulator.scenario.load import Loaded, load
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FILES = sorted(file.name for file in SCENARIOS.glob("*.yaml"))

every_scenario = pytest.mark.parametrize("name", FILES)

STATED_OF_VARIANTS = {
    ("access-not-yet-in-force.yaml", "three quick attempts"): False,
    ("after-a-failed-copy.yaml", "goes on"): False,
    ("brown-out.yaml", "patient"): True,
    ("brown-out.yaml", "eight at once"): True,
    ("brown-out.yaml", "longer pauses"): False,
    ("clean-up-after-all.yaml", "by its number"): False,
    ("clock-change-spring.yaml", "an hour earlier"): True,
    ("credential-ends-mid-copy.yaml", "starts over"): False,
    ("cut-off-with-a-drifting-clock.yaml", "a true clock"): True,
    ("end-of-shift-start-over.yaml", "finish first"): True,
    ("handed-out-twice.yaml", "forgets"): True,
    ("handed-out-twice.yaml", "safe to repeat"): True,
    ("how-long-a-lease.yaml", "30 s"): False,
    ("how-long-a-lease.yaml", "70 s"): False,  # some three losses a night; at most 2 are asked for
    ("how-long-a-lease.yaml", "90 s"): True,
    ("how-long-a-lease.yaml", "110 s"): True,
    ("how-long-a-lease.yaml", "5 min"): False,
    ("how-many-workers.yaml", "seven"): True,
    ("how-many-workers.yaml", "eight"): True,
    ("how-often-to-ask.yaml", "poll 0s"): True,
    ("how-often-to-ask.yaml", "poll 10s"): True,
    ("how-often-to-ask.yaml", "poll 1m"): True,
    ("how-often-to-ask.yaml", "poll 5m"): False,
    ("lease-too-short-for-jitter.yaml", "a lease of two minutes"): True,
    ("lost-results.yaml", "checks first"): True,
    ("missed-run.yaml", "missed runs are skipped"): False,
    ("poison-job.yaml", "no limit of its own"): False,
    ("pool-too-small.yaml", "four workers"): True,
    ("pool-too-small.yaml", "five workers"): True,
    ("queue-backlog.yaml", "leases expire"): False,
    ("queue-backlog.yaml", "six workers"): True,
    ("queue-held-and-forgotten.yaml", "ends by itself"): True,
    ("recurrence-overlaps-itself.yaml", "both"): True,
    ("recurrence-overlaps-itself.yaml", "wait"): False,
    ("rerun-while-zombie-returns.yaml", "the archive looks at the token"): True,
    ("retry-storm.yaml", "a minute"): False,
    ("retry-storm.yaml", "five minutes"): True,
    ("retry-storm.yaml", "growing"): True,
    ("retry-storm.yaml", "growing, full jitter"): False,
    ("retry-storm.yaml", "an allowance"): True,
    ("retry-storm.yaml", "an allowance that waits"): True,
    ("retry-storm.yaml", "abandoned calls dropped"): True,
    ("start-over-or-resume.yaml", "resume"): True,
    ("start-over-or-resume.yaml", "no loss of power"): True,
    ("surge-refused.yaml", "no limits"): False,
    ("cap-too-short.yaml", "goes on where it was"): True,
    ("tool-missing-on-one-worker.yaml", "matched"): True,
    ("zombie-writes-first.yaml", "checks first"): True,
    ("zombie-writes-first.yaml", "the archive asks the broker"): True,
    ("zombie-writes-twice.yaml", "the archive looks at the token"): True,
}
"""For each variant, whether the scenario's `about` says that its requirements are met with it."""


@lru_cache
def loaded(name: str) -> Loaded:
    return load(SCENARIOS / name)


@lru_cache
def night(name: str) -> NightResult:
    return run_night(loaded(name), keep_events=True)


def world_run(name: str, heartbeats: Heartbeats) -> tuple[World, list[Row]]:
    said, recorder = loaded(name), Recorder()
    world = World(said, said.scenario.seed, Agenda(), recorder, heartbeats=heartbeats)
    world.start()
    world.run()
    world.close()
    return world, recorder.rows


def job_events(rows: list[Row]) -> list[Row]:
    """Give the rows but those of heartbeats, without their causes: the numbers of events differ by mode."""
    return [(row[0], row[1], *row[3:]) for row in rows if row[1] not in HEARTBEAT_KINDS]


@every_scenario
def test_its_lesson_is_told_and_required(name: str) -> None:
    """It says what it shows, and states at least two requirements to show it by."""
    scenario = loaded(name).scenario
    assert (len(scenario.about) > 200, len(scenario.must_hold) >= 2) == (True, True)


@every_scenario
def test_its_requirements_are_met_or_missed_as_it_says(name: str) -> None:
    """Each requirement on one night can be judged; all are met, or at least one is missed where it is meant to be."""
    result, meant_to_miss = night(name), loaded(name).scenario.meant_to_miss
    asked = zip(loaded(name).scenario.must_hold, result.judged, strict=True)
    undecided = [judged.sentence for said, judged in asked if judged.met is None and said.in_share is None]
    missed = [judged.sentence for judged in result.judged if judged.met is False]
    assert undecided == []
    assert bool(missed) == meant_to_miss, missed
    assert result.fits is not meant_to_miss


@every_scenario
def test_one_that_misses_on_purpose_says_so(name: str) -> None:
    """The word is in its `about` exactly if it is meant to miss."""
    scenario = loaded(name).scenario
    said = "missed on purpose" in " ".join(scenario.about.split()).lower()
    assert said == scenario.meant_to_miss


@every_scenario
def test_its_log_verifies_and_no_fault_hits_nothing(name: str) -> None:
    """The log passes every check of consistency, and each fault and action found what it was aimed at."""
    rows = night(name).rows
    assert rows is not None
    verify(rows)
    assert [row for row in rows if row[1] in ("fault_missed", "action_refused")] == []


@every_scenario
def test_both_modes_of_heartbeats_agree_and_fold_to_the_broker(name: str) -> None:
    """Computed and simulated heartbeats give the same job events, and each log folds to the broker's own state."""
    computed, computed_rows = world_run(name, "computed")
    simulated, simulated_rows = world_run(name, "simulated")
    assert job_events(computed_rows) == job_events(simulated_rows)
    assert fold(computed_rows) == computed.broker.snapshot()
    assert fold(simulated_rows) == simulated.broker.snapshot()


@every_scenario
def test_a_second_run_gives_the_same_bytes(name: str) -> None:
    """The same scenario and seed give the same digest of the log."""
    assert run_night(load(SCENARIOS / name), keep_events=True).digest() == night(name).digest()


@pytest.mark.parametrize(("name", "variant"), STATED_OF_VARIANTS)
def test_a_variant_fits_or_not_as_its_scenario_says(name: str, variant: str) -> None:
    """What the `about` of a scenario claims of a variant is what comes out."""
    assert run_night(loaded(name), variant=variant).fits is STATED_OF_VARIANTS[name, variant]


def test_every_variant_is_claimed() -> None:
    """No variant stands in a scenario of which nothing is claimed here."""
    there = {(name, variant) for name in FILES for variant in loaded(name).variants}
    assert there == set(STATED_OF_VARIANTS)


def test_there_are_enough_scenarios() -> None:
    """At least sixteen, and at least six that are meant to miss."""
    missing = [name for name in FILES if loaded(name).scenario.meant_to_miss]
    assert (len(FILES) >= 16, len(missing) >= 6) == (True, True)
