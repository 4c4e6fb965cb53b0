"""Who is handed which job: the longest idle of those who ask, by what there is at the end of the instant."""

from collections.abc import Mapping
from typing import Any

import pytest

from emulator.errors import SpinningError
from emulator.record.events import HEARTBEAT_KINDS
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.timeline import agenda as agenda_module
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

SECOND = 1_000_000
MODES = ("computed", "simulated")


def _run(mode: str = "computed", **keys: Any) -> tuple[World, list[tuple[Any, ...]]]:
    """Run an hour of a queue "night" and a routine "copy", in which nothing takes time unless it is said to."""
    given: dict[str, Any] = {
        "title": "Plates",
        "starts": "2026-06-12T21:30:00",
        "lasts": "1h",
        "queues": {"night": {}},
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "1m"}]}},
        **keys,
    }
    recorder = Recorder()
    world = World(from_settings(given), 1, Agenda(), recorder, heartbeats=mode)
    world.start()
    world.run()
    world.close()
    return world, recorder.rows


def _handed(rows: list[tuple[Any, ...]]) -> list[tuple[float, int, str]]:
    """Give (seconds, job, worker) of each hand-out."""
    return [(row[0] / SECOND, row[3], row[4]) for row in rows if row[1] == "handed_out"]


def _at(at: str, **more: Any) -> dict[str, Any]:
    return {"routine": "copy", "name": f"at {at}", "at": at, **more}


def _takes(time: str, **more: Any) -> dict[str, Any]:
    return {"queue": "night", "parts": [{"name": "copy", "takes": time}], **more}


# -- who ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", MODES)
def test_the_longest_idle_gets_the_job_and_among_equals_the_first_in_the_file(mode: str) -> None:
    """Job 1 goes to dome-1 (all idle since 0), 2 to dome-2, 3 to dome-3, which never had one.

    dome-1 is free again at 130, dome-2 at 131: job 4 goes to the annex, idle since 0 and after the dome in the file;
    5 to dome-1, 6 to dome-2.
    """
    _, rows = _run(
        mode,
        pools={"dome": {"count": 3, "serves": ["night"]}, "annex": {"count": 1, "serves": ["night"]}},
        arrivals=[_at(f"+{at}s") for at in (70, 71, 72, 200, 201, 202)],
    )
    assert _handed(rows) == [
        (70, 1, "dome-1"),
        (71, 2, "dome-2"),
        (72, 3, "dome-3"),
        (200, 4, "annex-1"),
        (201, 5, "dome-1"),
        (202, 6, "dome-2"),
    ]


def test_workers_of_different_equipment_and_pools_stand_in_one_line() -> None:
    """The job may be done by all three; the one that was busy goes last, whatever group it belongs to."""
    _, rows = _run(
        pools={
            "dome": {"count": 1, "serves": ["night"], "equipped_with": ["tape"]},
            "annex": {"count": 1, "serves": ["night", "day"], "equipped_with": ["tape", "disk"]},
            "tower": {"count": 1, "serves": ["night"], "equipped_with": ["tape"]},
        },
        queues={"night": {}, "day": {}},
        routines={"copy": _takes("1m", requires=["tape"]), "scan": _takes("1m", requires=["disk"])},
        arrivals=[{"routine": "scan", "at": "+1s"}, *(_at(f"+{at}s") for at in (100, 101, 102))],
    )
    assert _handed(rows) == [(1, 1, "annex-1"), (100, 2, "dome-1"), (101, 3, "tower-1"), (102, 4, "annex-1")]


def test_a_worker_with_several_slots_is_idle_since_the_last_change_of_what_it_works_on() -> None:
    """Jobs of one instant go round: each worker that gets one stands behind those that have none yet."""
    _, rows = _run(pools={"dome": {"count": 2, "serves": ["night"], "slots": 2}}, arrivals=[_at("+10s", count=5)])
    assert _handed(rows) == [
        (10, 1, "dome-1"),
        (10, 2, "dome-2"),
        (10, 3, "dome-1"),
        (10, 4, "dome-2"),
        (70, 5, "dome-1"),
    ]


def test_a_worker_that_stood_still_has_been_idle_all_the_while() -> None:
    """dome-1 has been idle since 0, though it was frozen; dome-2 since 62."""
    _, rows = _run(
        pools={"dome": {"count": 2, "serves": ["night"]}},
        faults=[{"freeze": "dome-1", "at": "+1s", "lasts": "90s"}],
        arrivals=[_at("+2s"), _at("+100s")],
    )
    assert _handed(rows) == [(2, 1, "dome-2"), (100, 2, "dome-1")]


def test_a_job_that_fails_at_once_goes_to_another_worker_next() -> None:
    """dome-1 has been idle since the instant at which it failed, dome-2 since 0; then the two are equal."""
    _, rows = _run(
        queues={"night": {"retry": {"attempts_in_all": 3}, "matches_equipment": False}},
        pools={"dome": {"count": 2, "serves": ["night"]}},
        routines={"copy": _takes("1m", requires=["tape"])},
        arrivals=[_at("+5s")],
    )
    assert _handed(rows) == [(5, 1, "dome-1"), (5, 1, "dome-2"), (5, 1, "dome-1")]


# -- when -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(
    "pool",
    [{}, {"poll": "10s"}, {"link": {"loss_out": 1e-9}}, {"link": {"delay_out": "2s"}, "joins": "+8s"}],
    ids=["handed over", "polling", "over a link", "over a slow link"],
)
def test_all_arrivals_of_an_instant_come_before_its_first_hand_out(mode: str, pool: Mapping[str, Any]) -> None:
    """Of three jobs that come at 10 s by three entries, the worker gets the one of the highest priority first.

    One that joins at 8 s over a link of 2 s has its request there at 10 s, before them.
    """
    _, rows = _run(
        mode,
        pools={"dome": {"count": 1, "serves": ["night"], **pool}},
        routines={"copy": _takes("0s")},
        arrivals=[
            {"routine": "copy", "name": "low", "at": "+10s"},
            {"routine": "copy", "name": "middle", "every": "10s", "from": "+10s", "count": 1, "priority": 1},
            {"routine": "copy", "name": "high", "at": "+10s", "priority": 2},
        ],
    )
    assert [job for _, job, _ in _handed(rows)] == [3, 2, 1]


@pytest.mark.parametrize("mode", MODES)
def test_what_else_is_due_at_the_instant_changes_no_hand_out(mode: str) -> None:
    """A silence that nobody reaches, a change of equipment elsewhere, an empty hold: the same hand-outs.

    Three workers come at 10 min and find four jobs with one key; each fails at once, without access.
    """
    night: dict[str, Any] = {
        "queues": {"night": {}, "day": {}},
        "systems": {"archive": {}},
        "access": [{"who": "dome-3", "to": "archive"}],
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive"}], "key": "k"}},
        "arrivals": [_at("+1m", count=4)],
    }
    pool = {"count": 3, "serves": ["night"], "joins": "+10m", "heartbeat": "20s"}
    other = {"count": 1, "serves": ["day"]}
    changes = [{"at": "+10m", "installs": ["tape"]}]
    expected = [(600.0, job, "dome-1") for job in (1, 2, 3, 4)]
    for more in (
        {"pools": {"dome": pool, "annex": other}},
        {"pools": {"dome": pool | {"silence": "61s"}, "annex": other}},
        {"pools": {"dome": pool, "annex": other | {"equipment_changes": changes}}},
        {"pools": {"dome": pool, "annex": other}, "actions": [{"at": "+10m", "hold_queue": "day"}]},
    ):
        assert _handed(_run(mode, **night, **more)[1]) == expected


@pytest.mark.parametrize("mode", MODES)
def test_an_action_gives_its_job_to_the_same_worker_whatever_else_is_due(mode: str) -> None:
    """At 26 min, when heartbeats are due too, and a second later, when nothing is: dome-1, idle for longer."""
    for seconds in (1560, 1561):
        _, rows = _run(
            mode,
            pools={"dome": {"count": 1, "serves": ["night"]}, "annex": {"count": 1, "serves": ["night"]}},
            arrivals=[_at("+10m"), _at("+602s")],
            actions=[{"at": f"+{seconds}s", "run_again": "at +10m#1"}],
        )
        assert _handed(rows) == [(600, 1, "dome-1"), (602, 2, "annex-1"), (seconds, 3, "dome-1")]


# -- answers under way ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", MODES)
def test_a_worker_whose_answer_takes_time_works_off_what_waits(mode: str) -> None:
    """Handed out at 0, told at 50 ms, done at 10.05; the answer to that comes at 10.1, and so does the next job."""
    _, rows = _run(
        mode,
        pools={"dome": {"count": 1, "serves": ["night"], "link": {"delay_back": "50ms"}}},
        routines={"copy": _takes("10s")},
        arrivals=[_at("+0s", count=5)],
    )
    assert _handed(rows) == [
        (0, 1, "dome-1"),
        (10.1, 2, "dome-1"),
        (20.2, 3, "dome-1"),
        (30.3, 4, "dome-1"),
        (40.4, 5, "dome-1"),
    ]
    assert [row[3] for row in rows if row[1] == "finished"] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("mode", MODES)
def test_a_job_that_comes_while_an_empty_answer_is_under_way_is_given_when_that_arrives(mode: str) -> None:
    """Asked at 0 with nothing there, told so at 50 ms; the job of 20 ms is sent for then, and begun at 100 ms."""
    _, rows = _run(
        mode,
        pools={"dome": {"count": 1, "serves": ["night"], "link": {"delay_back": "50ms"}}},
        arrivals=[_at("+20ms")],
    )
    assert _handed(rows) == [(0.05, 1, "dome-1")]
    assert [row[0] for row in rows if row[1] == "work_began"] == [100_000]


def test_of_requests_that_arrive_at_one_instant_that_of_the_longest_idle_is_first() -> None:
    """Both send for the job of 100 s as they hear of it; dome-1 has been idle since 70 s, dome-2 since 0."""
    _, rows = _run(
        pools={"dome": {"count": 2, "serves": ["night"], "link": {"delay_out": "1s"}}},
        arrivals=[_at("+10s"), _at("+100s")],
    )
    assert _handed(rows) == [(11, 1, "dome-1"), (101, 2, "dome-2")]


def test_a_job_that_is_handed_out_twice_goes_to_the_next_who_asks_over_a_link_too() -> None:
    """dome-1 has it at 10 s; annex-1 hears of work, sends for it, and is given the same token at 11 s."""
    _, rows = _run(
        pools={
            "dome": {"count": 1, "serves": ["night"]},
            "annex": {"count": 1, "serves": ["night"], "link": {"delay_out": "1s"}},
        },
        arrivals=[_at("+10s")],
        faults=[{"hand_out_twice": "night", "at": "+5s"}],
    )
    began = [(row[0] // SECOND, row[4], row[6]) for row in rows if row[1] == "work_began"]
    assert began == [(10, "dome-1", 1), (11, "annex-1", 1)]


# -- polls ----------------------------------------------------------------------------------------------------------


def test_a_poll_finds_the_job_that_comes_at_its_instant() -> None:
    """dome-1 joins at 0 with a place of its own in the period; the job comes at exactly one of its polls."""
    world, _ = _run(pools={"dome": {"count": 1, "serves": ["night"], "poll": "10s"}}, arrivals=[])
    place = world.workers["dome-1"].poll_anchor
    assert 0 < place < 10 * SECOND
    poll = place + 30 * SECOND
    _, rows = _run(pools={"dome": {"count": 1, "serves": ["night"], "poll": "10s"}}, arrivals=[_at(f"+{poll}us")])
    assert _handed(rows) == [(poll / SECOND, 1, "dome-1")]


def test_a_worker_that_polls_asks_at_once_after_each_attempt_whatever_its_other_slots_do() -> None:
    """One slot has had nothing since the first poll; when the other is free at 40 s, the second job is handed over.

    Only one job of the queue may run at a time, so that the free slot stays free.
    """
    world, _ = _run(pools={"dome": {"count": 1, "serves": ["night"], "poll": "1m", "slots": 2}}, arrivals=[])
    poll = world.workers["dome-1"].poll_anchor / SECOND
    assert 0 < poll < 60
    _, rows = _run(
        queues={"night": {"running_at_most": 1}},
        pools={"dome": {"count": 1, "serves": ["night"], "poll": "1m", "slots": 2}},
        routines={"copy": _takes("40s")},
        arrivals=[_at("+0s", count=2)],
    )
    assert _handed(rows) == [(poll, 1, "dome-1"), (poll + 40, 2, "dome-1")]


# -- machines that sleep ----------------------------------------------------------------------------------------------


def test_work_in_one_queue_wakes_no_machine_that_serves_another() -> None:
    """The machine of the day queue went to sleep with a job that it cannot do; work of the night is no news to it."""
    _, rows = _run(
        queues={"night": {}, "day": {}},
        pools={
            "dome": {"count": 1, "serves": ["night"]},
            "annex": {"count": 1, "serves": ["day"], "woken_on_demand": True, "boots_in": "1m", "idle_off_after": "5m"},
        },
        routines={"copy": _takes("1m"), "scan": {**_takes("1m", requires=["tape"]), "queue": "day"}},
        arrivals=[{"routine": "scan", "at": "+10s"}, _at("+30m")],
    )
    assert [(row[0] // SECOND, row[5]) for row in rows if row[1] == "worker_changed" and row[4] == "annex-1"] == [
        (10, "booting"),
        (70, "idle"),
        (370, "off"),
    ]


# -- work -----------------------------------------------------------------------------------------------------------


def _steps(minutes: int) -> tuple[int, int]:
    """Count (entries of the agenda, hand-outs) of a night in which all attempts fail at once."""
    world, rows = _run(
        lasts=f"{minutes}m",
        queues={"night": {"retry": {"attempts_in_all": 2}}},
        pools={"dome": {"count": 3, "serves": ["night"]}},
        systems={"archive": {}},
        access=[{"who": "dome", "to": "archive", "given": "+2h"}],
        routines={"copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive"}]}},
        arrivals=[{"routine": "copy", "every": "1m"}],
    )
    return world.agenda.take_number(), len(_handed(rows))


def test_workers_that_fail_at_once_cost_steps_in_proportion_to_the_jobs() -> None:
    """Twice the night is twice the hand-outs (two for each job), and at most twice the steps."""
    steps, handed = _steps(30)
    steps_of_twice, handed_of_twice = _steps(60)
    assert (handed, handed_of_twice) == (60, 120)
    assert steps < steps_of_twice <= 2 * steps


def test_an_instant_that_never_ends_is_an_error_that_names_the_job_and_the_worker(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A job that fails at once is tried again without a pause, 100,000 times."""
    monkeypatch.setattr(agenda_module, "_STEPS_AT_ONE_INSTANT", 1_000)
    with pytest.raises(SpinningError) as caught:
        _run(
            queues={"night": {"retry": {"attempts_in_all": 100_000}, "matches_equipment": False}},
            pools={"dome": {"count": 1, "serves": ["night"]}},
            routines={"copy": _takes("1m", requires=["tape"])},
            arrivals=[_at("+5m")],
        )
    assert str(caught.value) == (
        "the modelled world took 1,001 steps at 5m and the clock never moved, because each made the next one for the "
        "same instant; the last was Dispatcher.hand_over (job 1, dome-1): give what begins again and again a time or a "
        "pause, or a limit"
    )


@pytest.mark.slow
def test_a_hundred_thousand_jobs_at_one_instant_are_no_spinning() -> None:
    """Each takes no time at all: the end of its work is a step, and so may the handing over after it be."""
    world, rows = _run(
        pools={"dome": {"count": 1, "serves": ["night"]}},
        routines={"copy": _takes("0s")},
        arrivals=[_at("+5m", count=100_000)],
    )
    assert sum(row[1] == "finished" for row in rows) == 100_000
    assert 100_000 <= world.agenda.take_number() <= 300_000
    assert [row for row in rows if row[1] in HEARTBEAT_KINDS] == []
