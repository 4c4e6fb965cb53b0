"""Several jobs at each arrival, days of the week, and occurrences that come late.

Nights begin on Friday, 12 June 2026, at 22:00. Times are in minutes from the start.
"""

from typing import Any

import pytest
from call_counts import calls_of
from night_runs import MINUTE, Ran
from quiet_night import QUIET, changed, problems

from emulator.scenario.load import from_settings
from emulator.scenario.models import Batch
from emulator.world.arrival_processes import sizes
from emulator.world.draws import Draws

HOURS, DAY = 60, 24 * 60


def ran(entry: dict[str, Any], lasts: str = "6h", seed: int = 1, **more: Any) -> Ran:
    settings = {
        "title": "Batches",
        "starts": "2026-06-12T22:00:00",
        "lasts": lasts,
        "queues": {"night": {}},
        "pools": {"dome": {"count": 9, "serves": ["night"], "poll": 0, "heartbeat": "20s"}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}},
        "arrivals": [{"name": "copies", "routine": "copy", **entry}],
        **more,
    }
    return Ran(from_settings(settings), seed)


def comes(found: Ran) -> list[tuple[int, float]]:
    """Give the number and the minute of each job as it comes."""
    return [(row[9], row[0] / MINUTE) for row in found.of("submitted")]


def test_several_jobs_come_at_each_arrival() -> None:
    """Two every 30 min until 01:00 of the run; `count: 3` bounds all of them."""
    entry = {"every": "30m", "until": "+1h", "batch": 2}
    assert comes(ran(entry)) == [(1, 0), (2, 0), (3, 30), (4, 30)]
    assert comes(ran({**entry, "count": 3})) == [(1, 0), (2, 0), (3, 30)]


def test_the_jobs_of_one_occurrence_draw_for_themselves() -> None:
    """Twenty jobs of one occurrence take twenty times; an excluded day changes none of those of another day."""
    takes = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"mean": "10m", "law": "exponential"}}]}}
    rule = {"recurs": "0 23 * * *", "batch": 20}

    def times(entry: dict[str, Any]) -> list[list[int]]:
        found = ran(entry, "2d", routines=takes, pools={"dome": {"count": 20, "serves": ["night"], "poll": 0}})
        ended = sorted((row[3], row[0]) for row in found.of("attempt_ended"))
        begins = {row[3]: row[0] for row in found.of("submitted")}
        spent = [at - begins[job] for job, at in ended]
        return [spent[place : place + 20] for place in range(0, len(spent), 20)]

    both = times(rule)
    assert [len(set(some)) for some in both] == [20, 20]
    assert times({**rule, "excludes": ["2026-06-12"]}) == both[1:]


def test_a_job_of_a_batch_that_is_put_in_anew_draws_for_itself() -> None:
    """The third and the fourth of a batch, put in anew when the next occurrence has come, take other times."""
    takes = {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"mean": "10m", "law": "exponential"}}]}}
    again = [{"run_again": f"copies#{number}", "at": "+26h"} for number in (3, 4)]
    found = ran({"recurs": "0 23 * * *", "batch": 4}, "2d", routines=takes, actions=again)
    begins = {row[3]: row[0] for row in found.of("submitted")}
    spent = {row[3]: row[0] - begins[row[3]] for row in found.of("attempt_ended")}
    assert len(set(spent.values())) == len(spent) == 10


def test_several_jobs_come_at_each_occurrence() -> None:
    """Three at 23:00 and at 00:00; `count: 4` bounds the total."""
    entry = {"recurs": "0 23,0 * * *", "batch": 3}
    assert comes(ran(entry)) == [(1, 60), (2, 60), (3, 60), (4, 120), (5, 120), (6, 120)]
    found = ran({**entry, "count": 4})
    assert comes(found) == [(1, 60), (2, 60), (3, 60), (4, 120)]
    assert [due // MINUTE for due in found.world.occurrences["copies"]] == [60, 60, 60, 120]


@pytest.mark.parametrize(
    ("batch", "mean", "shares"),
    [
        ({"between": (2, 5)}, 3.5, {2: 0.25, 3: 0.25, 4: 0.25, 5: 0.25}),
        ({"one_of": (1, 10), "weights": (9.0, 1.0)}, 1.9, {1: 0.9, 10: 0.1}),
        ({"one_of": (0, 2), "weights": (1.0, 3.0)}, 1.5, {0: 0.25, 2: 0.75}),
        ({"one_of": (1, 2, 4)}, 7 / 3, {1: 1 / 3, 2: 1 / 3, 4: 1 / 3}),
    ],
)
def test_a_batch_is_drawn_by_its_law(batch: dict[str, Any], mean: float, shares: dict[int, float]) -> None:
    """Of 4,000 batches each size comes as often as it should, to within 4 standard deviations of its share."""
    model = Batch.model_validate(batch)
    assert model.mean == pytest.approx(mean)
    size = sizes(model, Draws(1), 7)
    drawn = [size(number) for number in range(1, 4001)]
    assert set(drawn) == set(shares)
    for value, share in shares.items():
        assert abs(drawn.count(value) / 4000 - share) < 4 * (share * (1 - share) / 4000) ** 0.5


def test_a_batch_of_many_sizes_costs_no_more_than_one_of_few() -> None:
    few, many = (Batch(one_of=tuple(range(1, count + 1))) for count in (10, 1000))
    costs = []
    for batch in (few, many):
        size = sizes(batch, Draws(1), 7)
        size(1)  # the block of eight draws is made once
        costs.append(calls_of(lambda size=size: size(2)))
    assert costs[0] == costs[1]


def test_a_batch_may_be_of_nothing_but_not_always() -> None:
    """An occurrence whose batch is 0 brings no job; jobs are numbered as they come."""
    found = ran({"recurs": "*/10 * * * *", "batch": {"one_of": [0, 1]}}, "20h")
    came = comes(found)
    assert [number for number, _ in came] == list(range(1, len(came) + 1))
    assert 40 < len(came) < 80  # of 120 occurrences half bring one, to within 3.6 standard deviations
    assert len(found.world.occurrences["copies"]) == len(came)
    for nothing in ({"one_of": [0]}, {"one_of": [0, 3], "weights": [1, 0]}):
        entry = {"routine": "copy", "name": "none", "recurs": "0 23 * * *", "batch": nothing}
        said = problems(changed(arrivals=[*QUIET["arrivals"], entry]))
        assert any(text.endswith("no job ever comes: give a number above 0 some weight") for text in said)


def test_the_gaps_of_batches_are_those_of_single_jobs() -> None:
    """With the same draws a batch of three comes at each time at which one job came."""
    entry = {"per_hour": 4.0, "until": "+3h"}
    one, three = comes(ran(entry)), comes(ran({**entry, "batch": 3}))
    assert [at for _, at in three] == [at for _, at in one for _ in range(3)]


def test_a_time_comes_on_each_of_its_days() -> None:
    """At 23:00 on Saturday, Sunday and Tuesday, twice each time; Friday's is left out."""
    entry = {"at": "23:00", "days": ["sat", "sun", "tue"], "count": 2}
    days = [1, 1, 2, 2, 4, 4]
    assert comes(ran(entry, lasts="5d")) == [(number, 60 + day * DAY) for number, day in enumerate(days, 1)]


def test_a_time_of_several_days_keeps_its_clock_time_when_the_clocks_change() -> None:
    """In Santiago the clocks go forward in the night to Sunday, 6 September 2026: 23 hours from 22:00 to 22:00."""
    night = {"starts": "2026-09-04T22:00:00", "zone": "America/Santiago"}
    entry = {"at": "22:30", "days": ["fri", "sat", "sun"]}
    assert comes(ran(entry, lasts="3d", **night)) == [(1, 30), (2, 30 + DAY), (3, 30 + 2 * DAY - 60)]


def test_other_ways_bring_jobs_on_their_days_alone() -> None:
    """Every 12 h from Friday 22:00: on Saturday those of 10:00 and 22:00; of a recurrence at 08:00 that of Saturday."""
    assert comes(ran({"every": "12h", "days": ["sat"]}, lasts="3d")) == [(1, 12 * HOURS), (2, 24 * HOURS)]
    assert comes(ran({"recurs": "0 8 * * *", "days": ["sat"]}, lasts="3d")) == [(1, 10 * HOURS)]


def test_an_occurrence_comes_late_and_stays_due_when_it_was() -> None:
    """Due at 23:00 and 00:00, 10 min late; the second is due, and would come after the end of the night at 00:05."""
    found = ran({"recurs": "0 23,0 * * *", "late_by": "10m"}, lasts="125m")
    assert comes(found) == [(1, 70)]
    assert [due // MINUTE for due in found.world.occurrences["copies"]] == [60, 120]


def test_late_occurrences_may_overtake_each_other() -> None:
    """Due every minute and up to 30 min late: each has its own number, and they come by their own times."""
    found = comes(ran({"recurs": "0-9 23 * * *", "late_by": {"between": ["0s", "30m"]}}))
    assert sorted(number for number, _ in found) == list(range(1, 11))
    assert [at for _, at in found] == sorted(at for _, at in found)
    assert [number for number, _ in found] != list(range(1, 11))
    assert all(59 + number <= at <= 89 + number for number, at in found)


def test_a_job_waits_for_the_whole_batch() -> None:
    """Two occurrences of 23:00 and 00:00 bring two jobs each, 10 min late: the last ends at 131 min."""
    batch = {"name": "copies", "routine": "copy", "recurs": "0 23,0 * * *", "batch": 2, "late_by": "10m"}
    last = {"name": "last", "routine": "copy", "at": 0, "after": {"entry": "copies", "jobs": "all"}}
    found = ran({}, arrivals=[batch, last])
    assert [row[0] / MINUTE for row in found.of("hold_ended")] == [131]


MISTAKES = [
    ({"at": "22:00", "batch": 2}, ["batch: `batch` does not belong to arrivals by `at`"]),
    ({"recurs": "0 23 * * *", "batch": {}}, ["batch: how many? give one of `between` and `one_of`, or a number alone"]),
    (
        {"recurs": "0 23 * * *", "batch": {"between": [5, 2]}},
        ["batch.between: the smaller number comes first: write [2, 5]"],
    ),
    (
        {"recurs": "0 23 * * *", "batch": {"one_of": [1, 2], "weights": [1.0]}},
        ["batch.weights: each of the 2 needs one weight, and there are 1"],
    ),
    (
        {"recurs": "0 23 * * *", "batch": {"one_of": [1, 2], "weights": [1.0, -1.0]}},
        ["batch.weights: weights are 0 or more, and at least one is more"],
    ),
    (
        {"recurs": "0 23 * * *", "batch": {"between": [1, 2], "weights": [1.0]}},
        ["batch.weights: `weights` belongs to `one_of`"],
    ),
    (
        {"recurs": "0 23 * * *", "batch": 2, "if_still_running": "skip"},
        ["batch: the jobs of a batch run beside each other: give if_still_running: both"],
    ),
    ({"recurs": "0 23 * * *", "days": ["fri", "fri"]}, ["days: a day stands here twice"]),
    (
        {"again_after": "5m", "count": 1, "days": ["fri"]},
        ["days: `days` does not belong to arrivals by `again_after`"],
    ),
    ({"every": "5m", "late_by": "1m"}, ["late_by: `late_by` does not belong to arrivals by `every`"]),
]


@pytest.mark.parametrize(("how", "said"), MISTAKES)
def test_what_does_not_fit_is_told(how: dict[str, Any], said: list[str]) -> None:
    entry = {"name": "more", "routine": "plate-copy", "parameters": {"plates": ["a"]}, **how}
    assert problems(changed(arrivals=[*QUIET["arrivals"], entry])) == [f"arrivals.2.{text}" for text in said]
