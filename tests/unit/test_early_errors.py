"""Many points of a law cost a draw no more than few; parts that fail early; workers on which more fails."""

from typing import Any

import pytest
from call_counts import calls_of
from night_runs import MINUTE, Ran
from quiet_night import QUIET, changed, problems

from emulator.scenario.load import from_settings
from emulator.world.sampling import Empirical, Quantiles


@pytest.mark.parametrize(
    "make",
    [
        lambda many: Quantiles(tuple(range(many))),
        lambda many: Empirical(tuple(range(many))),
        lambda many: Empirical(tuple(range(many)), tuple(1.0 + place for place in range(many))),
    ],
    ids=["quantiles", "measured times", "weighed times"],
)
def test_many_points_cost_a_draw_no_more_than_few(make: Any) -> None:
    """4,000 points cost as many calls as 40."""
    few, many = make(40), make(4000)
    assert calls_of(lambda: many.sample(lambda place: 0.7)) == calls_of(lambda: few.sample(lambda place: 0.7))


def ends(part: dict[str, Any], workers: int = 1, **pool: Any) -> list[tuple[str, float, str]]:
    """Play as many jobs of 20 min as there are workers, at once: give worker, minute and outcome."""
    settings = {
        "title": "Errors",
        "starts": "2026-06-12T22:00:00",
        "lasts": "2h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {"dome": {"count": workers, "serves": ["night"], "poll": 0, "heartbeat": "20s", **pool}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "20m", **part}]}},
        "arrivals": [{"routine": "copy", "count": workers, "at": 0}],
    }
    found = Ran(from_settings(settings), 1)
    return sorted((row[4], row[0] / MINUTE, row[7]) for row in found.of("attempt_ended"))


def test_an_error_comes_at_the_end_of_a_part_or_early() -> None:
    """All fail: after 20 min, after 3 min, and after 20 min where 30 min would be longer than the work."""
    assert ends({"error_share": 1}) == [("dome-1", 20, "error")]
    assert ends({"error_share": 1, "fails_after": "3m"}) == [("dome-1", 3, "error")]
    assert ends({"permanent_error_share": 1, "fails_after": "30m"}) == [("dome-1", 20, "permanent_error")]


def test_what_does_not_fail_takes_its_time() -> None:
    assert ends({"fails_after": "3m"}) == [("dome-1", 20, "ok")]


def test_a_slow_worker_fails_later() -> None:
    """At half speed 3 min of work are 6 min."""
    assert ends({"error_share": 1, "fails_after": "3m"}, speed=0.5) == [("dome-1", 6, "error")]


def test_on_one_worker_more_fails_than_on_the_others() -> None:
    """On dome-2 everything fails, after 3 min."""
    found = ends({"fails_after": "3m"}, workers=3, per_worker={"dome-2": {"error_share": 1.0}})
    assert found == [("dome-1", 20, "ok"), ("dome-2", 3, "error"), ("dome-3", 20, "ok")]


def test_fails_after_belongs_to_a_part_that_takes_a_time() -> None:
    routine = {**QUIET["routines"]["plate-copy"], "parts": [{"name": "x", "calls": "archive", "fails_after": "1m"}]}
    assert problems(changed(routines={"plate-copy": routine})) == [
        "routines.plate-copy.parts.0.fails_after: `fails_after` belongs to a part that `takes` a time: "
        "a call fails at its end"
    ]
