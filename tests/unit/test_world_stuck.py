"""Which jobs can nothing pending ever move? Whatever things are called, and whatever sentences say of them."""

from typing import Any

import pytest

from emulator import run
from emulator.record.reasons import Reason, Why
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.show.words import in_words
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

COPY: dict[str, Any] = {"queue": "night", "parts": [{"name": "copy", "takes": "15m"}]}


def night(**more: Any) -> dict[str, Any]:
    return {
        "title": "a night",
        "starts": "2026-06-12T21:30:00",
        "lasts": "20m",
        "queues": {"night": {"lease": "90s"}},
        "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s"}},
        "routines": {"copy": COPY, "tapes": {**COPY, "requires": ["tape"]}},
        "arrivals": [{"routine": "copy", "name": "plates", "count": 2, "at": "21:35"}],
        **more,
    }


def played(**more: Any) -> World:
    world = World(from_settings(night(**more)), 1, Agenda(), Recorder())
    world.start()
    world.run()
    world.close()
    return world


@pytest.mark.parametrize("key", ["volume-1", "no worker", "by_person", "prerequisite", "a person holds it", "stuck"])
def test_no_name_decides_whether_a_job_is_stuck(key: str) -> None:
    """The second of two jobs with one key waits for the first, which would be over 10 minutes after the night's end."""
    settings = night(routines={"copy": {**COPY, "key": key}})
    world = World(from_settings(settings), 1, Agenda(), Recorder())
    world.start()
    world.run()
    assert world.stuck() == []
    assert world.explanations() == {1: (Reason(Why.AT_WORK, ("dome-1",)),), 2: (Reason(Why.KEY_BUSY, (key, 1)),)}
    text = run(settings).summary(everything=True).as_text()
    assert "stuck" not in text.replace(key, "") and f"key {key} is busy with job 1" in text


@pytest.mark.parametrize(
    ("actions", "stuck"),
    [
        ([{"hold": "plates#3", "at": "21:36"}], [3]),
        ([{"hold": "plates#3", "at": "21:36", "lasts": "3h"}], []),  # a person will release it, after the night
        ([{"hold": "plates#3", "at": "21:36"}, {"release": "plates#3", "at": "21:37"}], []),
        ([{"hold_queue": "night", "at": "21:34"}], [1, 2, 3]),
        ([{"hold_queue": "night", "at": "21:34", "lasts": "3h"}], []),
        ([{"hold": "plates#1", "at": "21:36"}], []),  # a worker has it
    ],
)
def test_what_a_person_holds_is_stuck_unless_one_will_release_it(actions: list[Any], stuck: list[int]) -> None:
    """Three jobs come at 21:35 for two workers, who take the first two."""
    plates = {"routine": "copy", "name": "plates", "count": 3, "at": "21:35"}
    assert played(arrivals=[plates], actions=actions).stuck() == stuck


@pytest.mark.parametrize(
    ("pool", "stuck"),
    [
        ({"power": {"off": "21:32", "on": "23:00"}}, []),  # it comes back after the night
        ({"power": {"off": "21:32"}}, [1, 2]),
        ({"power": [{"on": "20:00", "off": "21:32"}, {"on": "04:00", "off": "05:00"}]}, []),
        ({"woken_on_demand": True, "boots_in": "2h"}, []),
    ],
)
def test_what_a_worker_to_come_can_take_is_not_stuck(pool: dict[str, Any], stuck: list[int]) -> None:
    """Two jobs come at 21:35, when no worker is on: whether one will be is all that counts."""
    pools = {"dome": {"count": 1, "serves": ["night"], "heartbeat": "20s", **pool}}
    assert played(pools=pools).stuck() == stuck


def test_what_waits_for_a_stuck_job_is_stuck() -> None:
    """Nobody has a tape; a job waits for the one that needs it, and another for that one; the others wait for none."""
    arrivals = [
        {"routine": "tapes", "name": "films", "at": "21:35"},
        {"routine": "copy", "name": "checks", "at": "21:35", "after": {"entry": "films"}},
        {"routine": "copy", "name": "wipes", "at": "21:35", "after": {"entry": "checks"}},
        {"routine": "copy", "name": "plates", "at": "21:36"},
        {"routine": "copy", "name": "logs", "at": "21:36", "after": {"entry": "plates"}},
    ]
    world = played(arrivals=arrivals)
    assert world.stuck() == [1, 2, 3]
    assert [in_words(world.explanations()[job]) for job in (1, 2, 5)] == [
        "no worker has all of: tape",
        "it waits for job 1",
        "it waits for job 4",
    ]


def test_what_waits_for_a_job_that_never_comes_is_stuck() -> None:
    """The job before it would come an hour later, which is still to come; or it never comes, for there is none."""
    plates = {"routine": "copy", "name": "plates", "at": "21:35", "after": {"entry": "films"}}
    later = {"routine": "copy", "name": "films", "at": "22:35"}
    never = {"routine": "copy", "name": "films", "count": 0, "per_hour": 1}
    assert [played(arrivals=[plates, films]).stuck() for films in (later, never)] == [[], [1]]
