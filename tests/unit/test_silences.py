"""The longest silence of each worker, worked out by hand; heartbeats are simulated where somebody asks for it."""

from typing import Any

import pytest
from night_runs import MINUTE

from emulator.experiment.compare import nights
from emulator.experiment.night import run_night
from emulator.measure.figures import Selection
from emulator.report.storytelling import story_of_night
from emulator.scenario.load import Loaded, from_settings

SECOND = MINUTE // 60
ASKED = {"measure": "silence_longest", "at_most": "5m"}


def scenario(*faults: dict[str, Any], asked: bool = True, **more: Any) -> Loaded:
    """Two workers that send a heartbeat every 20 s from 22:00 on, and do nothing else for an hour."""
    return from_settings(
        {
            "title": "Silences",
            "starts": "2026-06-12T22:00:00",
            "lasts": "1h",
            "queues": {"night": {"lease": "90s"}},
            "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s"}},
            "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}},
            "arrivals": [{"routine": "copy", "at": "22:30"}],
            "faults": list(faults),
            "must_hold": [ASKED] if asked else [],
            **more,
        }
    )


def longest(loaded: Loaded) -> dict[str, tuple[float, float]]:
    """Give, by worker, its longest silence in seconds, and the second at which it ended."""
    night = run_night(loaded, seed=1).night
    return {worker: (one.longest / SECOND, one.at / SECOND) for worker, one in Selection(night).silences().items()}


def test_without_a_fault_it_is_the_interval_of_heartbeats() -> None:
    found = longest(scenario())
    assert {worker: time for worker, (time, _) in found.items()} == {"dome-1": 20, "dome-2": 20}


def test_a_frozen_worker_is_not_heard() -> None:
    """dome-1 stands still from 22:10:05 to 22:20:05; its last heartbeat before it was a whole number of 20 s before."""
    time, until = longest(scenario({"freeze": "dome-1", "at": "+10m5s", "lasts": "10m"}))["dome-1"]
    assert (until - time) % 20 == 0
    assert 600 <= time <= 620
    assert longest(scenario({"freeze": "dome-1", "at": "+10m5s", "lasts": "10m"}))["dome-2"][0] == 20


def test_silence_lasts_to_the_end_of_the_night() -> None:
    """Cut off for good at 22:50:05: last heard at 22:50:00, silent for the ten minutes that are left."""
    assert longest(scenario({"cut_link": "dome-2", "at": "+50m5s", "lasts": "2h"}))["dome-2"] == (600, 3600)


def test_nothing_is_expected_of_a_worker_that_was_shut_down() -> None:
    """Switched off by plan at 22:40, it is silent for no longer than before; a power cut is another matter."""
    plan = {"count": 1, "serves": ["night"], "heartbeat": "20s", "power": {"off": "22:40"}}
    assert longest(scenario(pools={"dome": plan}))["dome-1"][0] == 20
    cut = scenario({"power_off": "dome-1", "at": "+40m5s"})
    assert longest(cut)["dome-1"] == (20 * 60, 3600)


def test_the_mode_of_heartbeats_is_chosen_where_it_is_asked_for() -> None:
    """The scenario states computed heartbeats; asked for, the figure is the same wherever it is asked."""
    fault = {"cut_link": "dome-2", "at": "+50m5s", "lasts": "2h"}
    asked, unasked = scenario(fault), scenario(fault, asked=False)
    one = run_night(asked, seed=1)
    assert (one.about.heartbeats, one.judged[0].met) == ("simulated", False)
    assert one.figure("silence_longest").value == 10 * MINUTE
    other = run_night(unasked, seed=1)
    assert other.about.heartbeats == "computed"
    assert other.figure("silence_longest", pool="dome").value == 10 * MINUTE
    many = nights(unasked, 2, measures=["silence_longest"], processes=1)
    assert {night.readings["silence_longest"].value for night in many.played} == {10 * MINUTE}


def test_without_heartbeats_there_is_nothing_to_judge() -> None:
    night = run_night(scenario(), seed=1, heartbeats="computed")
    assert night.judged[0].met is None


@pytest.mark.parametrize(("at_most", "told"), [("5m", ", beyond what was asked"), ("15m", "")])
def test_its_story_names_the_workers(at_most: str, told: str) -> None:
    asked = [{**ASKED, "at_most": at_most}]
    loaded = scenario({"cut_link": "dome-2", "at": "+50m5s", "lasts": "2h"}, must_hold=asked)
    story = story_of_night(run_night(loaded, seed=1, keep_events=True), requirement="1")
    said = f"Up to here no heartbeat of dome-2 had been heard for 10 min{told}."
    assert said in [sentence.text for sentence in story.sentences]
