"""Times that grow with the work: for each element of a list, for each unit of a number."""

from typing import Any

import pytest
from night_runs import MINUTE, Ran

from emulator.scenario.load import from_settings


def ends(takes: Any, *given: dict[str, Any], **more: Any) -> list[float]:
    """Play one job for each mapping of parameters, all at once; give the minute at which each is done."""
    settings = {
        "title": "Growing",
        "starts": "2026-06-12T22:00:00",
        "lasts": "9h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {"dome": {"count": len(given), "serves": ["night"], "poll": 0, "heartbeat": "20s"}},
        "routines": {
            "copy": {
                "queue": "night",
                "parameters": {"plates": "list", "weight": "number"},
                "parts": [{"name": "copy", "takes": takes}],
                **more,
            }
        },
        "arrivals": [
            {"name": f"entry-{place}", "routine": "copy", "at": 0, "parameters": parameters}
            for place, parameters in enumerate(given)
        ],
    }
    return [row[0] / MINUTE for row in sorted(Ran(from_settings(settings), 1).of("finished"), key=lambda row: row[3])]


def test_a_time_grows_with_each_element() -> None:
    """2 min, and 40 s for each of 0, 3 and 6 plates."""
    takes = {"base": "2m", "per_element": "40s"}
    assert ends(takes, {}, {"plates": ["a", "b", "c"]}, {"plates": list("abcdef")}) == [2, 4, 6]


def test_a_time_grows_with_each_unit_of_a_number() -> None:
    """30 s for each unit, and no base; half a unit counts half, and less than nothing counts as nothing."""
    assert ends({"per_unit": "30s"}, {"weight": 4}, {"weight": 2.5}, {"weight": -3}) == [2, 1.25, 0]


def test_the_base_is_drawn_and_the_rest_is_not() -> None:
    """The same job with ten plates takes 10 min longer than without: its draw is the same."""
    takes = {"base": {"median": "4m", "p95": "9m"}, "per_element": "1m"}
    [without] = ends(takes, {})
    [more] = ends(takes, {"plates": list("abcdefghij")})
    assert more - without == pytest.approx(10)


def test_a_worker_at_double_speed_does_all_of_it_in_half_the_time() -> None:
    """2 min and 3 times 40 s, at speed 2 by a new version of the routine: 2 min."""
    settings = {"base": "2m", "per_element": "40s", "of": "plates"}
    assert ends(settings, {"plates": ["a", "b", "c"]}) == [4]


def test_what_people_expect_grows_too() -> None:
    """A worker that takes no job too long to finish before 22:10 leaves the one of 12 min, and takes that of 8 min."""
    power = {"off": "22:10", "skips_jobs_too_long_to_finish": True}
    settings: dict[str, Any] = {
        "title": "Expected",
        "starts": "2026-06-12T22:00:00",
        "lasts": "1h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {"dome": {"count": 1, "serves": ["night"], "poll": 0, "heartbeat": "20s", "power": power}},
        "routines": {
            "copy": {
                "queue": "night",
                "parameters": {"plates": "list"},
                "parts": [{"name": "copy", "takes": {"base": "4m", "per_element": "2m"}}],
            }
        },
        "arrivals": [
            {"name": "long", "routine": "copy", "at": 0, "parameters": {"plates": list("abcd")}},
            {"name": "short", "routine": "copy", "at": 0, "parameters": {"plates": list("ab")}},
        ],
    }
    assert [row[3] for row in Ran(from_settings(settings), 1).of("handed_out")] == [2]
