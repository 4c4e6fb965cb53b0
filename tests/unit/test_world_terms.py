"""On which terms do jobs run (lease, time limit, retries by arrivals, routine, queue), and how does a part ask again?

One worker with heartbeats every 20 s, or several, ask without a pause. Times are in minutes from the start.
"""

from typing import Any

import pytest
from night_runs import MINUTE, Ran

from emulator.scenario.load import from_settings
from emulator.scenario.models import AskAgain
from emulator.world.plan import Again, Asking

SYSTEMS = {"archive": {"answers_in": "1m", "outages": [{"from": "+0s", "until": "+10m"}]}}


def ran(
    queue: dict[str, Any], routine: dict[str, Any], *arrivals: dict[str, Any], workers: int = 1, **more: Any
) -> Ran:
    """Play jobs of the routine ``own``, which says what it does itself, and ``plain``, which does not."""
    parts = routine.pop("parts", [{"name": "work", "takes": "20m"}])
    settings = {
        "title": "Terms",
        "starts": "2026-06-12T22:00:00",
        "lasts": "4h",
        "queues": {"night": queue},
        "pools": {"dome": {"count": workers, "serves": ["night"], "poll": 0, "heartbeat": "20s"}},
        "routines": {
            "own": {"queue": "night", "parts": parts, **routine},
            "plain": {"queue": "night", "parts": parts},
        },
        "arrivals": [{"name": f"entry-{place}", "at": 0, **arrival} for place, arrival in enumerate(arrivals)],
        **more,
    }
    return Ran(from_settings(settings), 1)


def ends(found: Ran) -> list[tuple[int, float, str]]:
    """Give (job, minute, outcome) of each attempt that ended."""
    return [(row[3], row[0] / MINUTE, row[7]) for row in found.of("attempt_ended")]


PLAIN, OWN = {"routine": "plain"}, {"routine": "own"}


def test_a_time_limit_is_that_of_the_arrivals_then_of_the_routine_then_of_the_queue() -> None:
    """Work of 20 min is stopped after 5 min by the queue's limit, 10 min by the routine's, 15 min by the arrivals'."""
    found = ran(
        {"time_limit": {"after": "5m"}},
        {"time_limit": {"after": "10m"}},
        PLAIN,
        OWN,
        {**OWN, "time_limit": {"after": "15m"}},
        workers=3,
    )
    assert ends(found) == [(1, 5, "time_limit"), (2, 10, "time_limit"), (3, 15, "time_limit")]


def test_retries_are_those_of_the_arrivals_then_of_the_routine_then_of_the_queue() -> None:
    """Work of 10 min that always fails: twice with a pause of 1 min, once, three times without a pause."""
    found = ran(
        {"retry": {"attempts_in_all": 2, "pause": "constant", "first": "1m"}},
        {"retry": {}, "parts": [{"name": "work", "takes": "10m", "error_share": 1}]},
        PLAIN,
        OWN,
        {**OWN, "retry": {"attempts_in_all": 3}},
        workers=3,
    )
    assert sorted(ends(found)) == [
        (1, 10, "error"),
        (1, 21, "error"),
        (2, 10, "error"),
        (3, 10, "error"),
        (3, 20, "error"),
        (3, 30, "error"),
    ]


@pytest.mark.parametrize("heartbeats", ["computed", "simulated"])
def test_a_lease_is_that_of_the_arrivals_then_of_the_routine_then_of_the_queue(heartbeats: str) -> None:
    """The links are cut at 10 min, the last heartbeat came at 9 min 40 s: leases of 1, 2 and 3 min end from there."""
    found = ran(
        {"lease": "1m"},
        {"lease": "2m"},
        PLAIN,
        OWN,
        {**OWN, "lease": "3m"},
        workers=3,
        faults=[{"cut_link": "dome", "at": "+10m"}],
        heartbeats=heartbeats,
    )
    last = 9 + 40 / 60
    assert ends(found) == [(1, last + 1, "lease_lost"), (2, last + 2, "lease_lost"), (3, last + 3, "lease_lost")]
    assert [(row[7] - row[0]) // MINUTE for row in found.of("handed_out")] == [1, 2, 3]


def test_the_allowance_of_retries_stays_the_queues() -> None:
    """One token is there: of five attempts of its own the job has two."""
    found = ran(
        {"retry": {"allowance": {"holds": 1}}},
        {"retry": {"attempts_in_all": 5}, "parts": [{"name": "work", "takes": "10m", "error_share": 1}]},
        OWN,
    )
    assert [(row[0] / MINUTE, row[6]) for row in found.of("finished")] == [(20, "allowance_used_up")]


@pytest.mark.parametrize(("limit", "end"), [({"after": "5m", "then": "resume"}, 9), ({"after": "9m"}, 8)])
def test_a_time_limit_of_the_arrivals_lets_a_job_go_on_where_it_was(limit: dict[str, Any], end: int) -> None:
    """Two parts of 4 min: the first is kept, the second begins anew at 5 min. A longer limit lets both end at 8 min.

    The queue's own limit would let it start over for ever.
    """
    parts = [{"name": "one", "takes": "4m"}, {"name": "two", "takes": "4m"}]
    queue = {"time_limit": {"after": "5m", "then": "start_over"}, "retry": {"attempts_in_all": 3}}
    found = ran(queue, {"parts": parts}, {**PLAIN, "time_limit": limit})
    assert [(row[0] / MINUTE, row[5]) for row in found.of("finished")] == [(end, "done")]


def test_a_total_limit_of_the_routine_counts_from_submission() -> None:
    """The work of 20 min is ended at 7 min."""
    found = ran({}, {"retry": {"total_limit": "7m"}}, OWN)
    assert [(row[0] / MINUTE, row[6]) for row in found.of("finished")] == [(7, "out_of_time")]


# -- asking again -----------------------------------------------------------------------------------------------------


def asked(asks: dict[str, Any], system: dict[str, Any] | None = None, **more: Any) -> list[tuple[float, str]]:
    """Play a job that calls the archive, which is down until 10 min: give the minute and outcome of each call."""
    part = {"name": "store", "calls": "archive", "asks_again": asks}
    systems = {"archive": {**SYSTEMS["archive"], **(system or {})}}
    found = ran({"lease": "30m"}, {"parts": [part]}, PLAIN, systems=systems, **more)
    return [(row[0] / MINUTE, row[8]) for row in found.of("call_ended")]


@pytest.mark.parametrize(
    ("pauses", "asks"),
    [
        ({"pause": "constant", "first": "4m"}, [0, 4, 8, 12]),
        ({"pause": "linear", "first": "1m"}, [0, 1, 3, 6, 10]),
        ({"pause": "exponential", "first": "1m"}, [0, 1, 3, 7, 15]),
        ({"pause": "exponential", "first": "1m", "grows_by": 3, "longest": "5m"}, [0, 1, 4, 9, 14]),
    ],
)
def test_a_part_asks_again_after_growing_pauses(pauses: dict[str, Any], asks: list[int]) -> None:
    """Each ask is one more call; the first at or after 10 min is answered 1 min later, in the first attempt."""
    assert asked({"times": 9, **pauses}) == [*((at, "refused") for at in asks[:-1]), (asks[-1] + 1, "ok")]


def test_a_part_asks_so_often_and_no_more() -> None:
    """Asked at 0, 4 and 8 min, the archive is down: the attempt ends, and the queue retries nothing."""
    assert asked({"times": 2, "pause": "constant", "first": "4m"}) == [(0, "refused"), (4, "refused"), (8, "refused")]


def test_a_hint_of_the_system_is_waited_for() -> None:
    """The archive wants to be asked again after 5 min."""
    pauses = {"times": 2, "pause": "constant", "first": "1m"}
    assert asked(pauses, {"retry_after": "5m"}) == [(0, "refused"), (5, "refused"), (11, "ok")]


def test_a_refused_access_is_asked_for_again() -> None:
    """The archive is up; access is given at 6 min."""
    access = [{"who": "dome", "to": "archive", "given": "+6m"}]
    pauses = {"times": 2, "pause": "constant", "first": "4m"}
    assert asked(pauses, {"outages": []}, access=access) == [(0, "no_access"), (4, "no_access"), (9, "ok")]


ON_TIME = [(0, "refused"), (4, "refused"), (8, "refused"), (13, "ok")]


@pytest.mark.parametrize(
    ("fault", "calls"),
    [
        ({"freeze": "dome-1", "from": "+3m", "until": "+9m"}, [(0, "refused"), (9, "refused"), (14, "ok")]),
        (
            {"freeze": "dome-1", "from": "+1m", "until": "+3m"},
            [(0, "refused"), (4, "refused"), (8, "refused"), (13, "ok")],
        ),
        ({"slow_down": "dome-1", "at": "+1m", "to": 0.5}, [(0, "refused"), (4, "refused"), (8, "refused"), (13, "ok")]),
        ({"power_off": "dome-1", "at": "+1m"}, [(0, "refused")]),
    ],
)
def test_a_pause_is_a_timer_of_the_workers_program(fault: dict[str, Any], calls: list[tuple[float, str]]) -> None:
    """Due at 4, 8 and 12 min, it keeps its time through a freeze and at any speed; an overdue one asks at the thaw."""
    assert asked({"times": 3, "pause": "constant", "first": "4m"}, faults=[fault]) == calls


def test_a_thaw_at_the_instant_of_an_ask_asks_once() -> None:
    """Due at 4 min, when the freeze ends too: one call is made, answered at 5 min, and its effect lands once."""
    part = {"name": "store", "calls": "archive", "effect": "stored", "lands": "at_request"}
    found = ran(
        {"lease": "30m"},
        {"parts": [{**part, "asks_again": {"times": 3, "pause": "constant", "first": "4m"}}]},
        PLAIN,
        systems={"archive": {"answers_in": "1m", "outages": [{"from": "+0s", "until": "+2m"}]}},
        faults=[{"freeze": "dome-1", "from": "+1m", "until": "+4m"}],
    )
    assert [(row[0] / MINUTE, row[8]) for row in found.of("call_ended")] == [(0, "refused"), (5, "ok")]
    assert [row[0] / MINUTE for row in found.of("effect_landed")] == [4]


def test_a_thaw_at_the_instant_of_the_last_ask_ends_the_attempt_once() -> None:
    """The last ask, at 4 min, is refused for want of access; its outcome takes 1 min to the broker."""
    found = ran(
        {"lease": "30m"},
        {"parts": [{"name": "s", "calls": "archive", "asks_again": {"times": 1, "pause": "constant", "first": "3m"}}]},
        PLAIN,
        systems={"archive": {"answers_in": "1m"}},
        access=[{"who": "dome", "to": "archive", "given": "+30m"}],
        faults=[{"freeze": "dome-1", "from": "+2m", "until": "+4m"}],
        pools={"dome": {"count": 1, "serves": ["night"], "heartbeat": "20s", "link": {"delay_out": "1m"}}},
    )
    assert [(row[0] / MINUTE, row[8]) for row in found.of("call_ended")] == [(1, "no_access"), (4, "no_access")]
    assert [row[0] / MINUTE for row in found.of("work_stopped")] == [4]


def test_the_jitters_of_asks_are_those_of_retries() -> None:
    """Of a pause of 100 ticks full jitter takes 0 to 100, equal 50 to 100, decorrelated 100 to 3 times the one before.

    With the uniform 0.5: int(0.5 * 101) = 50; 100 - 50 + int(0.5 * 51) = 75; 100 + int(0.5 * 201) = 200, then, after
    200, 100 + int(0.5 * 501) = 350.
    """

    def pause(jitter: str, before: Again | None = None) -> int:
        model = AskAgain.model_validate({"times": 2, "pause": "constant", "first": 100, "jitter": jitter})
        again = Asking(model).after(before, 1000, None, lambda ask: 0.5)
        assert again is not None
        return again.due - 1000

    assert [pause(jitter) for jitter in ("none", "full", "equal", "decorrelated")] == [100, 50, 75, 200]
    assert pause("decorrelated", Again(1, 200, 900)) == 350
