"""Planned worker-hours, worked out by hand: workers by the time that they are meant to be on."""

from typing import Any

import pytest

import emulator
from emulator.scenario.load import from_settings
from emulator.scenario.schedules import planned_on
from emulator.timeline.ticks import HOUR


def settings(**pool: Any) -> dict[str, Any]:
    """Give a night of eight hours, from Friday 21:30 to 05:30, with one pool of two workers."""
    return {
        "title": "Plates",
        "starts": "2026-06-12T21:30:00",
        "lasts": "8h",
        "queues": {"night": {}},
        "pools": {"dome": {"count": 2, "serves": ["night"], **pool}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
        "arrivals": [{"routine": "copy", "count": 3, "at": "21:35"}],
    }


@pytest.mark.parametrize(
    ("pool", "hours"),
    [
        ({}, 16),
        ({"count": 0}, 0),
        ({"joins": "23:30"}, 12),
        ({"per_worker": {"dome-2": {"joins": "01:30"}}}, 12),
        ({"power": {"on": "22:00", "off": "02:00"}}, 8),
        ({"power": {"off": "02:00"}}, 9),
        ({"power": {"on": "02:00"}}, 16),
        ({"power": {"on": "02:00", "days": ["sat"]}}, 16),
        ({"power": {"on": "02:00", "off": "21:00"}}, 7),
        ({"power": {"on": "06:00", "off": "20:00"}}, 0),
        ({"power": {"on": "20:00", "off": "23:30"}, "joins": "22:30"}, 2),
        ({"power": {"off": "02:00", "at_shutdown": "finish"}}, 9),
        ({"power": [{"on": "22:00", "off": "02:00"}]}, 8),
        ({"power": [{"on": "22:00", "off": "23:00"}, {"on": "01:00", "off": "04:30"}]}, 9),
        ({"power": [{"on": "22:00", "off": "00:00"}, {"on": "23:00", "off": "02:00"}]}, 8),
        ({"power": [{"on": "22:00", "off": "02:00"}, {"on": "23:00", "off": "00:00"}]}, 8),
        ({"power": [{"on": "22:00", "off": "00:00"}, {"on": "00:00", "off": "01:00"}]}, 6),
        ({"power": [{"on": "22:00", "off": "00:00"}, {"on": "23:00", "off": "00:00"}]}, 4),
        ({"power": [{"on": "20:00", "off": "22:00"}, {"on": "05:00", "off": "06:00"}], "joins": "21:45"}, 1.5),
        ({"power": [{"on": "22:00", "off": "23:00"}, {"on": "01:00", "off": "02:00", "days": ["fri"]}]}, 2),
        ({"power": [{"on": "22:00", "off": "23:00"}, {"on": "23:00", "off": "00:00", "zone": "Africa/Lagos"}]}, 2),
        ({"woken_on_demand": True, "joins": "23:30"}, 16),
        ({"woken_on_demand": True, "power": {"off": "02:00"}}, 9),
    ],
)
def test_planned_hours_are_workers_by_the_time_they_are_meant_to_be_on(pool: dict[str, Any], hours: float) -> None:
    loaded = from_settings(settings(**pool))
    assert planned_on(loaded.scenario, loaded.clock) == {"dome": hours * HOUR}


def test_a_fault_makes_no_variant_cheap_and_one_pool_can_be_asked_for_alone() -> None:
    both = settings()
    both["pools"]["tower"] = {"count": 1, "serves": ["night"], "joins": "01:30"}
    both["faults"] = [{"power_off": "dome", "at": "22:00"}]
    night = emulator.run(both)
    assert (night.figure("worker_hours").value, night.figure("worker_hours").unit) == (20.0, "ratio")
    assert night.figure("worker_hours", pool="tower").value == 4.0
