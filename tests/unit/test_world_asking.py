"""Workers that each ask at an interval of their own."""

from typing import Any

import pytest
from scipy import stats

import emulator
from emulator.errors import ScenarioError
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World


def night(part: dict[str, Any] | None = None, pool: dict[str, Any] | None = None, jobs: int = 200) -> dict[str, Any]:
    return {
        "title": "Parts that fail",
        "starts": "2026-06-12T20:00:00",
        "lasts": "7d",
        "queues": {"night": {"lease": "60s", "retry": {"attempts_in_all": 1}}},
        "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s", **(pool or {})}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "read", "takes": "10m", **(part or {})}]}},
        "arrivals": [{"routine": "copy", "at": "+0s", "count": jobs}],
    }


def test_each_worker_asks_at_an_interval_of_its_own() -> None:
    """Drawn once for each: uniform between the two, the same whatever else is changed."""
    settings = night(pool={"count": 200, "poll": {"between": ["20s", "40s"]}}, jobs=1)
    drawn = [worker.poll for worker in world(settings).workers.values()]
    assert stats.kstest(drawn, stats.uniform(20_000_000, 20_000_000).cdf).pvalue > 0.001
    settings["queues"]["night"]["lease"] = "2m"
    assert [worker.poll for worker in world(settings).workers.values()] == drawn
    settings["pools"]["dome"]["poll"] = "30s"
    assert {worker.poll for worker in world(settings).workers.values()} == {30_000_000}


def test_a_job_waits_no_longer_than_the_longest_interval() -> None:
    settings = night({"takes": "1s"}, {"count": 1, "poll": {"between": ["20s", "40s"]}}, 1)
    settings["arrivals"] = [{"routine": "copy", "every": "5m", "from": "+1m", "until": "+5h"}]
    waits = emulator.run(settings).figure("wait_longest").value
    interval = world(settings).workers["dome-1"].poll
    assert waits is not None
    assert interval / 2 < waits <= interval


def world(settings: dict[str, Any]) -> World:
    return World(from_settings(settings), 1, Agenda(), Recorder())


@pytest.mark.parametrize("poll", [{"mean": "30s", "law": "exponential"}, {"constant": "30s", "varies_with": "pace"}])
def test_an_interval_without_a_longest_time_is_told(poll: dict[str, Any]) -> None:
    with pytest.raises(ScenarioError, match="how often a worker asks has a longest time"):
        from_settings({**night(pool={"poll": poll}), "varies": {"pace": {"cv": 0.2}}})
