"""What the scenarios that compare say in their `about` is what comes out.

How often something holds is told from ten nights and more with fixed seeds, so each test gives the same result each
time; the confidence with which that could be otherwise for other seeds stands beside it.
"""

from collections import Counter
from pathlib import Path

import pytest

from emulator.experiment.night import run_night
from emulator.scenario.load import Loaded, load, varied

pytestmark = pytest.mark.slow

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HOUR = 3600 * 1_000_000
MIDNIGHT = 2 * HOUR + HOUR // 6


def storm() -> Loaded:
    return load(SCENARIOS / "retry-storm.yaml")


def in_the_last_hour(scenario: Loaded, variant: str = "") -> dict[str, int]:
    """Count jobs that are done, answers in time and answers for nobody from midnight to one o'clock, with seed 1."""
    night = run_night(scenario, variant=variant, keep_events=True)
    found: Counter[str] = Counter()
    for event in night.events():
        if MIDNIGHT <= event.at < MIDNIGHT + HOUR:
            if event.kind == "call_served_late":
                found["for nobody"] += 1
            elif event.kind == "call_ended" and event.details["outcome"] == "ok":
                found["in time"] += 1
            elif event.kind == "finished" and event.details["state"] == "done":
                found["done"] += 1
    return {name: found[name] for name in ("done", "in time", "for nobody")}


def test_the_storm_keeps_the_archive_busy_for_nobody() -> None:
    """Ninety minutes after the brown-out the archive gives as many answers as it can, and not one is in time."""
    found = in_the_last_hour(storm())
    assert (found["done"], found["in time"]) == (0, 0)
    assert found["for nobody"] == pytest.approx(360, rel=0.05)  # four slots, 40 seconds each in the mean


@pytest.mark.parametrize("variant", ["an allowance", "an allowance that waits", "five minutes"])
def test_after_the_storm_every_answer_is_in_time(variant: str) -> None:
    """Where the storm has ended, the archive answers as many calls as jobs come, and none for nobody."""
    found = in_the_last_hour(storm(), variant)
    assert found == {"done": 178, "in time": 178, "for nobody": 0}  # 180 an hour come; 178 with this seed: a pin


def test_both_states_last_under_one_load() -> None:
    """Without the brown-out the same jobs are all done at their first attempt: the load alone makes no storm."""
    quiet = varied(storm(), {"faults": []}, "no brown-out")
    night = run_night(quiet)
    assert (night.figure("done_share").value, night.figure("attempts_per_job").value) == (1, 1)
    assert in_the_last_hour(quiet)["for nobody"] == 0
