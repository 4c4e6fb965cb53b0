"""Jobs that take several slots: who gets them and when, what passes them, what is told of them."""

from pathlib import Path
from typing import Any

import pytest

from emulator.errors import ScenarioError
from emulator.experiment.night import run_night
from emulator.experiment.run import run
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.job import job_story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.reasons import Reason, Why
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings, load
from emulator.show.story.writing import lines
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

SECOND = 1_000_000
MINUTE = 60
MODES = ("computed", "simulated")


def settings(**keys: Any) -> dict[str, Any]:
    return {
        "title": "Plates",
        "starts": "2026-06-12T18:00:00",
        "lasts": "2h",
        "queues": {"night": {"lease": "90s"}},
        "routines": {"small": takes("10m"), "wide": takes("20m", takes_slots=3, priority=5)},
        **keys,
    }


def takes(time: str, **more: Any) -> dict[str, Any]:
    return {"queue": "night", "parts": [{"name": "copy", "takes": time}], **more}


def dome(**more: Any) -> dict[str, Any]:
    return {"count": 1, "serves": ["night"], "heartbeat": "15s", **more}


def coming(routine: str, at: str, count: int = 1) -> dict[str, Any]:
    return {"routine": routine, "name": f"{routine} at {at}", "at": at, "count": count}


def played(mode: str = "computed", **keys: Any) -> tuple[World, list[tuple[float, int, str]]]:
    """Play a night; give (seconds, job, worker) of each hand-out."""
    recorder = Recorder()
    world = World(from_settings(settings(**keys)), 1, Agenda(), recorder, heartbeats=mode)
    world.start()
    world.run()
    handed = [(row[0] / SECOND, row[3], row[4]) for row in recorder.rows if row[1] == "handed_out"]
    world.close()
    return world, handed


TWO_DOMES: dict[str, Any] = {
    "pools": {"dome": dome(count=2, slots=3)},
    "arrivals": [coming("small", "18:00", 4), coming("wide", "18:01", 2), coming("small", "18:05", 2)],
}


@pytest.mark.parametrize("mode", MODES)
def test_a_wide_job_waits_until_one_worker_has_as_many_free_slots(mode: str) -> None:
    """dome-1 has three jobs and dome-2 one until 18:10: five free slots are of no use to a job that takes three.

    Those that come at 18:05 fit dome-2 and pass it, though it goes before them by priority; they end at 18:15. So the
    first goes to dome-1 at 18:10, the second to dome-2 at 18:15.
    """
    _, handed = played(mode, **TWO_DOMES)
    assert handed == [
        (0, 1, "dome-1"),
        (0, 2, "dome-1"),
        (0, 3, "dome-1"),
        (0, 4, "dome-2"),
        (5 * MINUTE, 7, "dome-2"),
        (5 * MINUTE, 8, "dome-2"),
        (10 * MINUTE, 5, "dome-1"),
        (15 * MINUTE, 6, "dome-2"),
    ]


def test_slots_taken_count_in_what_is_executed_and_in_utilisation() -> None:
    """Six jobs of 10 min in one slot and two of 20 min in three are 180 min, of 2 workers, 3 slots and 120 min."""
    result = run(settings(**TWO_DOMES))
    figures = {name: result.figure(name).value for name in ("executed", "utilisation")}
    assert figures == {"executed": 180 * MINUTE * SECOND, "utilisation": 0.25}


@pytest.mark.parametrize("mode", MODES)
def test_a_wide_job_goes_first_by_its_priority_where_it_fits(mode: str) -> None:
    """At 18:00 the wide job of priority 5 goes first, and leaves one of four slots; at 18:20 there is room for all."""
    arrivals = [coming("small", "18:00", 3), coming("wide", "18:00")]
    _, handed = played(mode, pools={"dome": dome(slots=4)}, arrivals=arrivals)
    expected = [(0, 4), (0, 1), (10 * MINUTE, 2), (20 * MINUTE, 3)]
    assert handed == [(at, job, "dome-1") for at, job in expected]


@pytest.mark.parametrize("mode", MODES)
def test_workers_that_poll_take_a_wide_job_when_they_ask_with_as_many_free_slots(mode: str) -> None:
    """Both small jobs go at one poll in the minute from 18:05 on. Polls that find one slot free find nothing; the
    worker asks at once as each attempt ends, and after the second it has the three slots."""
    arrivals = [coming("small", "18:05", 2), coming("wide", "18:07")]
    _, handed = played(mode, pools={"dome": dome(slots=3, poll="1m")}, arrivals=arrivals)
    first = handed[0][0]
    handed = [(round(at - first, 6), job, worker) for at, job, worker in handed]
    assert 5 * MINUTE <= first <= 6 * MINUTE
    assert handed == [(0, 1, "dome-1"), (0, 2, "dome-1"), (10 * MINUTE, 3, "dome-1")]


@pytest.mark.parametrize("mode", MODES)
def test_over_a_slow_link_a_worker_is_given_what_fits_the_slots_that_it_told_of(mode: str) -> None:
    """Job 1 comes at 60 s; the worker sends for it, and its request arrives at 61. It works from 62 to 122, and knows
    at 124 that its outcome was taken: only then it asks for a job of two slots, and that request arrives at 125."""
    link = {"delay_out": "1s", "delay_back": "1s"}
    routines = {"small": takes("1m"), "wide": takes("1m", takes_slots=2)}
    arrivals = [coming("small", "18:01"), coming("wide", "18:01:30")]
    _, handed = played(mode, pools={"dome": dome(slots=2, link=link)}, routines=routines, arrivals=arrivals)
    assert handed == [(61, 1, "dome-1"), (125, 2, "dome-1")]


@pytest.mark.parametrize("mode", MODES)
def test_a_job_that_is_handed_out_twice_goes_to_a_worker_with_as_many_free_slots(mode: str) -> None:
    """Job 1 takes two slots of dome-1, and job 2 one of dome-2 until 18:12. The second hand-out of job 1 finds two
    slots free only then, and is begun without a hand-out of its own."""
    routines = {"small": takes("12m"), "wide": takes("20m", takes_slots=2)}
    faults = [{"hand_out_twice": "night", "how": "same_token", "at": "18:00"}]
    arrivals = [coming("wide", "18:01"), coming("small", "18:00:30")]
    pools = {"dome": dome(count=2, slots=2)}
    recorder = Recorder()
    given = settings(routines=routines, faults=faults, arrivals=arrivals, pools=pools)
    given["faults"][0]["at"] = "18:00:45"
    world = World(from_settings(given), 1, Agenda(), recorder, heartbeats=mode)
    world.start()
    world.run()
    began = [(row[0] / SECOND, row[3], row[4]) for row in recorder.rows if row[1] == "work_began"]
    world.close()
    assert began == [(30, 1, "dome-1"), (60, 2, "dome-2"), (30 + 12 * MINUTE, 2, "dome-1")]


@pytest.mark.parametrize("mode", MODES)
def test_a_machine_that_sleeps_is_woken_for_a_job_that_fits_no_worker_that_is_awake(mode: str) -> None:
    """dome-1, woken for job 1, has two slots free until 18:11; job 2 takes three, and wakes dome-2 at 18:02."""
    arrivals = [coming("small", "18:01"), coming("wide", "18:02")]
    _, handed = played(mode, pools={"dome": dome(count=2, slots=3, woken_on_demand=True)}, arrivals=arrivals)
    assert handed == [(MINUTE, 1, "dome-1"), (2 * MINUTE, 2, "dome-2")]


# -- what can never be held -------------------------------------------------------------------------------------------


def test_a_job_that_no_worker_that_may_come_can_hold_is_stuck_and_the_reason_is_told() -> None:
    """dome-1 has the slots and no tape, annex-1 the tape and one slot; a worker of another queue has both."""
    world, handed = played(
        queues={"night": {}, "day": {}},
        pools={
            "dome": dome(slots=3),
            "annex": dome(equipped_with=["tape"]),
            "other": dome(serves=["day"], slots=3, equipped_with=["tape"]),
        },
        routines={"wide": takes("1m", takes_slots=3, requires=["tape"]), "plain": takes("1m", takes_slots=3)},
        arrivals=[coming("wide", "18:01"), coming("plain", "18:02")],
    )
    assert handed == [(2 * MINUTE, 2, "dome-1")]
    assert world.stuck() == [1]
    assert world.explanations() == {1: (Reason(Why.TOO_FEW_SLOTS, (3,)),)}


def test_a_summary_says_why_a_job_is_stuck() -> None:
    """A pool whose workers have the slots has none of them: the job is stuck, and told with its reason."""
    pools = {"dome": dome(), "annex": dome(count=0, slots=3)}
    text = run(settings(pools=pools, arrivals=[coming("wide", "18:01")])).summary(everything=True, width=200).as_text()
    assert "it takes 3 slots, and no worker that may take it has so many" in text


CHECKED = """\
title: Plates
starts: 2026-06-12T18:00:00
lasts: 2h
queues: {night: {}}
routines:
  wide: {queue: night, takes_slots: 3, parts: [{name: copy, takes: 1m}]}
pools:
  dome: {count: 2, serves: [night], slots: 2}
arrivals:
  - {routine: wide, at: "18:01"}
"""


def mistakes(tmp_path: Path, text: str) -> list[tuple[int, int, str, str]]:
    file = tmp_path / "night.yaml"
    file.write_text(text, encoding="utf-8")
    try:
        load(file)
    except ScenarioError as error:
        return [(one.line, one.column, one.path, one.message) for one in error.problems]
    return []


def test_more_slots_than_any_worker_has_are_a_mistake_with_its_place(tmp_path: Path) -> None:
    """Whether the pool says so or each of its workers; one worker with as many is enough, if it comes or not."""
    wrong = (
        *(6, 37, "routines.wide.takes_slots"),
        "its jobs take 3 slots, and no worker that serves 'night' has more than 2: "
        "give a worker more `slots`, or let the jobs take fewer",
    )
    assert mistakes(tmp_path, CHECKED) == [wrong]
    for slots, found in [
        ("slots: 2, per_worker: {dome-1: {slots: 3}}", []),
        ("slots: 3, per_worker: {dome-1: {slots: 2}, dome-2: {slots: 1}}", [wrong]),
        ("slots: 3, per_worker: {dome-1: {slots: 2}}", []),
    ]:
        assert mistakes(tmp_path, CHECKED.replace("slots: 2}", slots + "}")) == found
    assert (
        mistakes(tmp_path, CHECKED.replace("  dome:", "  annex: {count: 0, serves: [night], slots: 3}\n  dome:")) == []
    )


@pytest.mark.parametrize(
    ("key", "message"),
    [
        (
            "workers",
            "a job has one worker: for several slots of it write `takes_slots`; for several workers let as many jobs "
            "come (`count` or `batch` of the arrival), and what follows wait for `after: {entry: ..., jobs: all}`",
        ),
        ("slots", "a worker has `slots`; how many of them a job takes is `takes_slots`"),
    ],
)
def test_keys_that_somebody_would_try_are_answered_by_what_to_write(tmp_path: Path, key: str, message: str) -> None:
    """Several workers for one job are not modelled; the answer says what is."""
    text = CHECKED.replace("takes_slots", key)
    assert mistakes(tmp_path, text) == [(6, 24, f"routines.wide.{key}", message)]


# -- the story --------------------------------------------------------------------------------------------------------


def told(keys: dict[str, Any], job: int) -> str:
    loaded = from_settings(settings(**keys))
    rows = run_night(loaded, seed=1, keep_events=True).rows or ()
    around = Surroundings(Rows(rows), settings_of(loaded.scenario), loaded.scenario.lasts)
    return "\n".join(text for _, _, text, _ in lines(job_story(around, job), loaded.clock))


def test_a_story_says_that_too_few_slots_were_free_at_once_and_what_passed() -> None:
    """Job 6 waits from 18:01 to 18:15; meanwhile jobs 7, 8 and 5 were handed out."""
    assert (
        "It waited 14 min for a worker, until 18:15:00: no worker that could take it had 3 free slots at once. "
        "Meanwhile these workers took 3 other jobs."
    ) in told(TWO_DOMES, 6)


def test_a_story_says_that_no_worker_has_the_slots() -> None:
    """No worker of the queue is as large."""
    pools = {"dome": dome(), "annex": dome(count=0, slots=3)}
    keys = {"pools": pools, "arrivals": [coming("wide", "18:01")]}
    assert "It waited 1 h 59 min for a worker, to the end: no worker of the queue night has 3 slots." in told(keys, 1)


def test_a_story_of_a_poll_names_the_worker_that_had_the_slots_free() -> None:
    """dome-1 is too small and idle throughout; dome-2 has three slots free from the start, and polls."""
    pools = {"dome": dome(count=2, slots=1, poll="1m", per_worker={"dome-2": {"slots": 3}})}
    keys = {"pools": pools, "arrivals": [coming("wide", "18:01:30")]}
    assert "an idle worker had not polled yet; each polls every 1 min" in told(keys, 1)
