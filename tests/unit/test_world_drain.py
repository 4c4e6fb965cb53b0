"""Workers that are taken out of service for a time; and faults and actions that end by `until` as by `lasts`.

One or two workers ask without a pause; a job takes 20 min. Times are in minutes from the start.
"""

from typing import Any

import pytest
from night_runs import MINUTE, Ran

from emulator.scenario.load import from_settings

SECOND = 1_000_000


def ran(
    *actions: dict[str, Any], count: int = 4, workers: int = 1, pool: dict[str, Any] | None = None, **more: Any
) -> Ran:
    settings = {
        "title": "Drained",
        "starts": "2026-06-12T22:00:00",
        "lasts": "4h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {"dome": {"count": workers, "serves": ["night"], "poll": 0, "heartbeat": "20s", **(pool or {})}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "20m"}]}},
        "arrivals": [{"name": "copies", "routine": "copy", "count": count, "at": 0}],
        "actions": list(actions),
        **more,
    }
    return Ran(from_settings(settings), 1)


def outs(found: Ran) -> list[tuple[str, float]]:
    return [(row[4], row[0] / MINUTE) for row in found.of("handed_out")]


def states(found: Ran, worker: str = "dome-1") -> list[tuple[float, str]]:
    return [(row[0] / MINUTE, row[5]) for row in found.of("worker_changed") if row[4] == worker]


@pytest.mark.parametrize("heartbeats", ["computed", "simulated"])
def test_a_drained_worker_ends_its_work_is_off_and_comes_back(heartbeats: str) -> None:
    """Told at 10 min, it ends its job at 20 min, is off for 15 min, boots for 5, and takes the next job at 40 min."""
    drain = {"drain": "dome-1", "at": "+10m", "back_after": "15m"}
    found = ran(drain, count=2, pool={"boots_in": "5m"}, heartbeats=heartbeats)
    assert outs(found) == [("dome-1", 5), ("dome-1", 45)]
    assert states(found) == [(0, "booting"), (5, "idle"), (10, "draining"), (25, "off"), (40, "booting"), (45, "idle")]


def test_an_idle_worker_is_off_at_once() -> None:
    """The second worker has nothing to do: off from 10 to 25 min, it takes the job that comes at 30 min."""
    more = {"name": "more", "routine": "copy", "at": "+30m"}
    drain = {"drain": "dome-2", "at": "+10m", "back_after": "15m"}
    found = ran(drain, count=1, workers=2, actions=[drain], arrivals=[{"routine": "copy", "at": 0}, more])
    assert states(found, "dome-2") == [
        (0, "booting"),
        (0, "idle"),
        (10, "draining"),
        (10, "off"),
        (25, "booting"),
        (25, "idle"),
    ]


@pytest.mark.parametrize("end", [{"lasts": "5m"}, {"until": "22:15"}])
def test_a_worker_is_back_in_service_at_a_time_even_while_it_works(end: dict[str, Any]) -> None:
    """Told at 10 min and back at 15 min, it goes on with its job, is never off, and takes the next one at 20 min."""
    found = ran({"drain": "dome-1", "at": "+10m", **end}, count=2)
    assert outs(found) == [("dome-1", 0), ("dome-1", 20)]
    assert states(found) == [(0, "booting"), (0, "idle"), (10, "draining"), (15, "busy")]


def test_a_worker_that_has_finished_is_switched_on_at_that_time() -> None:
    """Off from 20 to 50 min."""
    found = ran({"drain": "dome-1", "at": "+10m", "until": "+50m"}, count=2)
    assert outs(found) == [("dome-1", 0), ("dome-1", 50)]


def test_without_an_end_it_leaves_for_good() -> None:
    found = ran({"drain": "dome-1", "at": "+10m"}, count=2)
    assert outs(found) == [("dome-1", 0)]
    assert states(found)[-1] == (20, "off")


def test_power_that_is_lost_meanwhile_changes_nothing_of_its_return() -> None:
    """Power is lost at 12 min and would be back at 13 min; out of service, it comes back 15 min after it was off."""
    lost = [{"power_off": "dome-1", "at": "+12m", "back_after": "1m"}]
    found = ran({"drain": "dome-1", "at": "+10m", "back_after": "15m"}, count=1, faults=lost)
    assert states(found)[2:] == [(10, "draining"), (12, "off"), (27, "booting"), (27, "idle")]


def test_who_is_out_of_service_is_not_drained_again() -> None:
    twice = ({"drain": "dome-1", "at": at, "back_after": "1h"} for at in ("+10m", "+15m"))
    found = ran(*twice)
    assert [(row[0] / MINUTE, row[8]) for row in found.of("action_refused")] == [(15, "told_already")]


def test_a_worker_that_is_off_stays_off_until_then() -> None:
    """Off by a fault from 5 to 20 min, told at 10 min: it is back 15 min later, at 25 min."""
    lost = [{"power_off": "dome-1", "at": "+5m", "back_after": "15m"}]
    found = ran({"drain": "dome-1", "at": "+10m", "back_after": "15m"}, faults=lost)
    assert states(found)[2:4] == [(5, "off"), (25, "booting")]


def test_a_schedule_that_is_over_is_not_undone() -> None:
    """Shut down at 22:30 by its schedule, the worker does not come back at 22:50."""
    power = {"off": "22:30", "at_shutdown": "kill"}
    found = ran({"drain": "dome-1", "at": "+35m", "back_after": "15m"}, pool={"power": power})
    assert states(found)[-1] == (30, "off")


def test_a_job_is_not_stuck_while_its_worker_comes_back() -> None:
    """The night ends at 30 min, and the worker comes back at 35 min."""
    found = ran({"drain": "dome-1", "at": "+10m", "back_after": "15m"}, count=2, lasts="30m")
    assert found.world.stuck() == []
    assert ran({"drain": "dome-1", "at": "+10m"}, count=2, lasts="30m").world.stuck() == [2]


@pytest.mark.parametrize("end", [{"lasts": "10m"}, {"until": "22:15"}])
@pytest.mark.parametrize("begin", ["at", "from"])
def test_a_fault_ends_by_until_as_by_lasts(begin: str, end: dict[str, Any]) -> None:
    """Frozen from 5 to 15 min, with a lease of 30 min: the job of 20 min ends at 30 min."""
    fault = {"freeze": "dome-1", begin: "22:05", **end}
    found = ran(count=1, faults=[fault], queues={"night": {"lease": "30m"}})
    assert [row[0] / MINUTE for row in found.of("finished")] == [30]


@pytest.mark.parametrize("end", [{"lasts": "35m"}, {"until": "22:40"}])
def test_an_action_is_undone_by_until_as_by_lasts(end: dict[str, Any]) -> None:
    """The queue is held from 5 to 40 min: the second job is handed out then."""
    found = ran({"hold_queue": "night", "at": "+5m", **end}, count=2)
    assert outs(found) == [("dome-1", 0), ("dome-1", 40)]


def test_a_worker_that_is_not_registered_yet_leaves_without_a_word() -> None:
    """It boots at 10 s, while the broker is down, and would register at 20 s. Drained at 17 s, it is off."""
    fault = {"broker_outage": True, "from": "+5s", "until": "+15s"}
    found = ran({"drain": "dome-1", "at": "+17s"}, pool={"boots_in": "10s"}, faults=[fault])
    assert [(row[0] / SECOND, row[5]) for row in found.of("worker_changed")][-2:] == [(17, "draining"), (17, "off")]
    assert found.of("worker_registered") == found.of("worker_signed_off") == []


SLOW = {"slots": 2, "link": {"delay_out": "1s"}}  # a request on its way for 1 s, repeated after 10 s without an answer
LATE = [{"name": "first", "routine": "copy", "at": "+0m"}, {"name": "second", "routine": "copy", "at": "+1m"}]


@pytest.mark.parametrize("heartbeats", ["computed", "simulated"])
def test_the_repeat_of_a_drained_worker_takes_nothing_new(heartbeats: str) -> None:
    """It sends for the second job at 1 min, and its request comes while the broker is down.

    Drained at 65 s, it repeats the request at 70 s: the second job stays, and the worker leaves after the first.
    """
    fault = {"broker_outage": True, "from": "+60500ms", "until": "+62s"}
    found = ran({"drain": "dome-1", "at": "+65s"}, pool=SLOW, arrivals=LATE, faults=[fault], heartbeats=heartbeats)
    assert [(row[3], row[0] / SECOND) for row in found.of("handed_out")] == [(1, 1)]
    assert [state for _, state in states(found)][-2:] == ["draining", "off"]


@pytest.mark.parametrize("heartbeats", ["computed", "simulated"])
def test_the_repeat_of_a_drained_worker_gets_what_it_was_given(heartbeats: str) -> None:
    """The second job is given to it at 61 s, and the answer is lost. Drained at 65 s, it repeats it at 70 s."""
    fault = {"cut_link": "dome-1", "direction": "back", "from": "+60500ms", "until": "+62s"}
    found = ran({"drain": "dome-1", "at": "+65s"}, pool=SLOW, arrivals=LATE, faults=[fault], heartbeats=heartbeats)
    assert [(row[3], row[0] / SECOND) for row in found.of("handed_out")] == [(1, 1), (2, 61)]
    assert [(row[3], row[0] / SECOND) for row in found.of("work_began")] == [(1, 1), (2, 71)]
    assert [(row[3], row[5]) for row in found.of("finished")] == [(1, "done"), (2, "done")]
