"""Twelve small scenarios whose best variant is known beforehand, and what the rule of recommendation says of each.

Each has its reason beside it, worked out by hand, so that the rule is held against an answer and not against itself.
"""

from typing import Any

import emulator
from emulator.measure.comparison.result import Recommendation


def scenario(**parts: Any) -> dict[str, Any]:
    """Give a night from 21:30 on, with one pool, one queue and one routine, some parts replaced."""
    return {
        "title": "A night with a known best",
        "starts": "2026-06-12T21:30:00",
        "lasts": "8h",
        "queues": {"night": {"lease": "2m"}},
        "pools": {"dome": {"count": 1, "serves": ["night"], "heartbeat": "20s"}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
        "arrivals": [{"routine": "copy", "name": "plates", "count": 12, "at": "21:30"}],
        **parts,
    }


def advice(night: dict[str, Any], nights: int | None = None, **keys: Any) -> Recommendation:
    found = emulator.compare(night, nights=nights, processes=1, **keys).recommendation
    assert found is not None
    return found


def test_the_fewest_workers_that_are_enough() -> None:
    """12 jobs of 10 minutes: 120 min on one worker, 60 on two, 40 on three; an hour is asked, so two are enough."""
    night = scenario(
        must_hold=[{"measure": "makespan", "at_most": "1h"}],
        variants={"three": {"pools.dome.count": 3}, "two": {"pools.dome.count": 2}},
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended, found.random) == ("take", ("two",), False)
    assert [one.verdict for one in found.standings] == ["fails", "qualifies", "take"]


def test_the_lease_between_too_short_and_too_long() -> None:
    """30 s with a heartbeat each 20 s is lost with each lost heartbeat; 30 min notices a dead worker too late.

    A tenth of the messages is lost. A lease of 5 min is lost after 14 lost heartbeats in a row: once in 10 ** 14.
    """
    night = scenario(
        queues={"night": {"lease": "30s", "retry": {"attempts_in_all": 9}}},
        pools={"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s", "link": {"loss_out": 0.1}}},
        arrivals=[{"routine": "copy", "name": "plates", "count": 6, "at": "21:30"}],
        faults=[{"power_off": "dome-1", "at": "21:45", "back_after": "20m"}],
        must_hold=[
            {"measure": "lost_while_healthy", "at_most": 0},
            {"measure": "detection_delay_longest", "at_most": "10m"},
        ],
        variants={"5 min": {"queues.night.lease": "5m"}, "30 min": {"queues.night.lease": "30m"}},
    )
    found = advice(night)
    assert (found.answer, found.recommended, found.nights) == ("take", ("5 min",), 46)


def test_the_retries_that_outlast_an_outage() -> None:
    """The archive is down from 21:40 to 22:10: three attempts a minute apart fail, three 20 minutes apart do not."""
    night = scenario(
        systems={"archive": {"answers_in": "1s", "outages": [{"from": "21:40", "until": "22:10"}]}},
        routines={
            "copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}, {"name": "put", "calls": "archive"}]}
        },
        arrivals=[{"routine": "copy", "name": "plates", "count": 1, "at": "21:35"}],
        must_hold=[{"measure": "done_share", "at_least": 1}],
        variants={
            "a minute": {"queues.night.retry": {"attempts_in_all": 3, "pause": "constant", "first": "1m"}},
            "20 minutes": {"queues.night.retry": {"attempts_in_all": 3, "pause": "constant", "first": "20m"}},
        },
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended) == ("take", ("20 minutes",))


def test_two_settings_that_do_equally_well_are_a_tie() -> None:
    """Asking each 10 s or each minute: twelve jobs of 10 minutes end at most a minute apart, which is under 2 %."""
    night = scenario(
        pools={"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s", "poll": "10s"}},
        must_hold=[{"measure": "makespan", "at_most": "70m"}],
        variants={"a minute": {"pools.dome.poll": "1m"}, "an hour": {"pools.dome.poll": "1h"}},
    )
    found = advice(night, 60)
    assert found.standing_of("an hour").verdict == "fails"
    assert (found.answer, found.recommended) == ("tie", ("as written", "a minute"))


def test_the_start_that_leaves_time_enough() -> None:
    """Two hours of work from 04:00 on do not fit before the pool is off at 05:00; from 22:00 on they do."""
    night = scenario(
        pools={"dome": {"count": 1, "serves": ["night"], "heartbeat": "20s", "power": {"off": "05:00"}}},
        arrivals=[{"routine": "copy", "name": "plates", "count": 12, "at": "04:00"}],
        must_hold=[{"measure": "done_share", "at_least": 1}],
        variants={"earlier": {"arrivals.plates.at": "22:00"}},
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended) == ("take", ("earlier",))


def test_what_is_quick_because_it_gives_up_is_not_taken() -> None:
    """Three attempts in ten fail: without retries jobs are given up, and the night is short.

    Both keep what is asked. By the makespan alone neither is better: it is not compared.
    """
    night = scenario(
        queues={"night": {"lease": "2m", "retry": {"attempts_in_all": 20}}},
        routines={"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "5m", "error_share": 0.3}]}},
        must_hold=[{"measure": "makespan", "at_most": "7h"}],
        variants={"one attempt": {"queues.night.retry.attempts_in_all": 1}},
    )
    found = advice(night, 60)
    assert (found.answer, found.recommended) == ("take", ("as written",))
    assert found.steps[-1].measure == "done_share"
    by_time = advice(night, 60, prefer=["makespan"])
    assert (by_time.answer, by_time.recommended) == ("tie", ("as written", "one attempt"))


def test_a_night_without_faults_cannot_be_chosen() -> None:
    """Without the loss of power the night is shorter; nobody can choose that."""
    night = scenario(
        faults=[{"power_off": "dome-1", "at": "21:45", "back_after": "20m"}],
        queues={"night": {"lease": "2m", "retry": {"attempts_in_all": 3}}},
        must_hold=[{"measure": "done_share", "at_least": 1}],
        variants={"no faults": {"faults": []}},
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended, found.standings[1].verdict) == ("take", ("as written",), "what_if")


def test_where_nothing_is_enough_the_nearest_is_named() -> None:
    """12 jobs of 10 minutes never fit into 15: two workers miss that alone, one misses the hour for the wait too."""
    night = scenario(
        must_hold=[{"measure": "makespan", "at_most": "15m"}, {"measure": "wait_longest", "at_most": "1h"}],
        variants={"two": {"pools.dome.count": 2}},
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended, found.leads) == ("none", (), "two")


def test_ten_nights_show_nothing_that_is_asked_of_every_night() -> None:
    """Two workers take at most 66 minutes, whatever is drawn; ten nights cannot know that."""
    night = scenario(
        routines={"copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"between": ["9m", "11m"]}}]}},
        must_hold=[{"measure": "makespan", "at_most": "70m"}],
        variants={"two": {"pools.dome.count": 2}},
    )
    few = advice(night, 10)
    assert (few.answer, few.recommended, few.leads, few.enough and few.enough.nights) == (
        "too_few_nights",
        (),
        "two",
        42,
    )
    assert advice(night).recommended == ("two",)


def test_the_faster_of_two_that_are_fast_enough() -> None:
    """One job of 0 to 100 minutes; 60 are asked in 9 nights of 10: at speed 1 it is kept in 60 % of nights.

    At speed 1.6 in 96 %, at speed 2 in all; both cost the same, so the quicker is taken.
    """
    night = scenario(
        routines={"copy": {"queue": "night", "parts": [{"name": "copy", "takes": {"between": ["0s", "100m"]}}]}},
        arrivals=[{"routine": "copy", "name": "plates", "count": 1, "at": "21:30"}],
        must_hold=[{"measure": "makespan", "at_most": "1h", "in_share": 0.9}],
        variants={"quicker": {"pools.dome.speed": 1.6}, "twice as quick": {"pools.dome.speed": 2.0}},
    )
    found = advice(night, 300)
    assert (found.answer, found.recommended) == ("take", ("twice as quick",))
    assert [one.verdict for one in found.standings] == ["fails", "qualifies", "take"]


def test_the_urgent_job_goes_first() -> None:
    """An urgent job comes behind twelve of 10 minutes: it waits two hours in turn, and none when it goes first."""
    night = scenario(
        arrivals=[
            {"routine": "copy", "name": "plates", "count": 12, "at": "21:30"},
            {"routine": "copy", "name": "alert", "count": 1, "at": "21:30"},
        ],
        must_hold=[{"measure": "wait_longest", "entry": "alert", "at_most": "15m"}],
        variants={"first": {"arrivals.alert.priority": 5}},
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended) == ("take", ("first",))


def test_what_matters_may_be_said() -> None:
    """A worker loses power in the second of three parts: to resume saves the first part, and nothing else is asked."""
    night = scenario(
        queues={"night": {"lease": "2m", "retry": {"attempts_in_all": 3}}},
        routines={
            "copy": {
                "queue": "night",
                "parts": [{"name": "read", "takes": "30m"}, {"name": "write", "takes": "30m"}],
            }
        },
        arrivals=[{"routine": "copy", "name": "plates", "count": 1, "at": "21:30"}],
        faults=[{"power_off": "dome-1", "at": "22:15", "back_after": "5m"}],
        must_hold=[{"measure": "done_share", "at_least": 1}],
        variants={"resumes": {"routines.copy.after_failure": "resume"}},
        prefer=["wasted_work"],
    )
    found = advice(night, 1)
    assert (found.answer, found.recommended) == ("take", ("resumes",))
