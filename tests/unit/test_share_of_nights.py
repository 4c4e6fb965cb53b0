"""A fault or an action that is there in a share of nights only: the same nights under each variant."""

from typing import Any

import pytest

import emulator
from emulator.errors import ScenarioError
from emulator.measure.fold import NightFold
from emulator.measure.signals import any_fault_struck
from emulator.record.events import Row
from emulator.record.recorder import Recorder
from emulator.scenario.load import Loaded, from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

FREEZE: dict[str, Any] = {"freeze": "dome-1", "at": "+10m", "lasts": "5m", "share_of_nights": 0.3}
HOLD: dict[str, Any] = {"hold_queue": "night", "at": "+20m", "lasts": "1m", "share_of_nights": 0.5}
NIGHT: dict[str, Any] = {
    "title": "Faults in some nights",
    "starts": "2026-06-12T20:00:00",
    "lasts": "1h",
    "queues": {"night": {"lease": "60s"}},
    "pools": {"dome": {"count": 2, "serves": ["night"], "heartbeat": "20s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "read", "takes": "4m"}]}},
    "arrivals": [{"routine": "copy", "at": "+5m", "count": 4}],
    "faults": [FREEZE],
    "actions": [HOLD],
}


def played(said: Loaded | dict[str, Any], seed: int, heartbeats: str | None = None) -> list[Row]:
    loaded = said if isinstance(said, Loaded) else from_settings(said)
    recorder, agenda = Recorder(), Agenda()
    world = World(loaded, seed, agenda, recorder, heartbeats=heartbeats)
    world.start()
    world.run()
    world.close()
    return recorder.rows


def nights_with(kind: str, said: Loaded | dict[str, Any], nights: int = 40) -> set[int]:
    """Name the seeds in whose nights there is an event of this kind."""
    return {seed for seed in range(nights) if any(row[1] == kind for row in played(said, seed))}


@pytest.mark.slow
def test_a_fault_and_an_action_are_there_in_their_share_of_nights() -> None:
    """Of 400 nights, a share of 0.3 has 120 and one of 0.5 has 200, to four standard deviations (9.2 and 10)."""
    loaded = from_settings({**NIGHT, "arrivals": [{"routine": "copy", "at": "+5m"}]})
    rows = [played(loaded, seed) for seed in range(400)]
    struck = sum(any(row[1] == "fault_began" for row in night) for night in rows)
    held = sum(any(row[1] == "queue_held" for row in night) for night in rows)
    assert 120 - 37 < struck < 120 + 37
    assert 200 - 40 < held < 200 + 40


def test_a_larger_share_keeps_the_nights_of_a_smaller_and_0_and_1_are_never_and_always() -> None:
    by_share = [
        nights_with("fault_began", {**NIGHT, "faults": [{**FREEZE, "share_of_nights": share}]}, 20)
        for share in (0, 0.3, 0.7, 1)
    ]
    assert by_share[0] == set()
    assert by_share[3] == set(range(20))
    assert by_share[0] < by_share[1] < by_share[2] < by_share[3]


def test_a_fault_that_is_not_there_tonight_leaves_the_night_that_has_none() -> None:
    """Nothing is told of it, not even that it missed; and one that is there leaves the night that it would make."""
    without = played({**NIGHT, "faults": [], "actions": []}, 3)
    never = {"faults": [{**FREEZE, "share_of_nights": 0}], "actions": [{**HOLD, "share_of_nights": 0}]}
    assert played({**NIGHT, **never}, 3) == without
    always = {"faults": [{**FREEZE, "share_of_nights": 1}], "actions": [{**HOLD, "share_of_nights": 1}]}
    plain = {key: [{k: v for k, v in item.items() if k != "share_of_nights"} for item in NIGHT[key]] for key in always}
    assert played({**NIGHT, **always}, 3) == played({**NIGHT, **plain}, 3) != without


def test_a_fault_is_there_in_the_same_nights_whatever_else_a_variant_changes_of_it() -> None:
    """How long it lasts, whom it hits how hard, a fault beside it, and the mode of heartbeats decide nothing of it."""
    own = nights_with("fault_began", NIGHT, 20)
    other = {**FREEZE, "lasts": "9m"}
    beside = {"slow_down": "dome-2", "at": "+30m", "to": 0.5, "share_of_nights": 0}
    assert 0 < len(own) < 20
    assert nights_with("fault_began", {**NIGHT, "faults": [beside, other]}, 20) == own
    for seed in range(8):
        modes = [
            [row[:5] for row in played(NIGHT, seed, mode) if row[1] in ("fault_began", "queue_held", "finished")]
            for mode in ("computed", "simulated")
        ]
        assert [row[:2] for row in modes[0]] == [row[:2] for row in modes[1]]


def test_two_faults_draw_their_nights_apart_and_one_with_a_name_by_it() -> None:
    two = {**NIGHT, "faults": [FREEZE, dict(FREEZE)]}
    places = [{row[6] for row in played(two, seed) if row[1] == "fault_began"} for seed in range(40)]
    assert {frozenset(each) for each in places} >= {frozenset(["faults[0]"]), frozenset(["faults[1]"])}
    named = {**NIGHT, "faults": [{**FREEZE, "name": "dark"}]}
    moved = {**NIGHT, "faults": [{**FREEZE, "name": "dark", "at": "+11m"}]}
    assert nights_with("fault_began", named, 20) == nights_with("fault_began", moved, 20)


def test_a_variant_changes_the_share() -> None:
    loaded = from_settings({**NIGHT, "variants": {"always": {"faults.0.share_of_nights": 1}}})
    assert [one.faults[0].share_of_nights for one in loaded.variants.values()] == [1]


def test_a_night_whose_faults_alone_are_drawn_is_not_the_same_for_every_seed() -> None:
    """What is drawn for a night as a whole is a draw: a comparison may not take one night for all."""
    plain = {**NIGHT, "faults": [], "actions": []}
    varied = emulator.compare({**NIGHT, "variants": {"one": {"pools.dome.count": 1}}}, nights=2)
    same = emulator.compare({**plain, "variants": {"one": {"pools.dome.count": 1}}}, nights=2)
    assert any(night.drawn for night in varied.played)
    assert not any(night.drawn for night in same.played)


def test_a_night_is_quiet_when_no_fault_hit_anything() -> None:
    """A fault that begins and hits strikes; one that finds its worker off, is not there or comes too late does not."""
    always = {**FREEZE, "share_of_nights": 1}
    off = {"power_off": "dome-1", "at": "+1m", "share_of_nights": 0}
    for faults, strikes in (
        ([], False),
        ([{**FREEZE, "share_of_nights": 0}], False),
        ([always], True),
        ([{**always, "at": "+2h"}], False),
        ([off, always], True),
        ([{**off, "share_of_nights": 1}, always], True),
    ):
        assert any_fault_struck(played({**NIGHT, "faults": faults}, 1)) is strikes, faults
    rows = played({**NIGHT, "faults": [{**off, "share_of_nights": 1}, always]}, 1)
    began = [row for row in rows if row[1] != "fault_began" or row[5] == "freeze"]
    assert [row[9] for row in began if row[1] == "fault_missed"] == ["was_off_or_frozen"]
    assert not any_fault_struck([row for row in rows if not (row[1] == "fault_began" and row[5] == "power_off")])
    fold = NightFold(3_600_000_000)
    fold.feed_all(rows)
    night = fold.close()
    assert [one.fault for one in night.faults] == ["power_off"]


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (1.5, "faults.0.share_of_nights"),
        ("10 %", "faults.0.share_of_nights"),
        (-0.1, "faults.0.share_of_nights"),
    ],
)
def test_a_wrong_share_is_told_where_it_stands(share: Any, said: str) -> None:
    with pytest.raises(ScenarioError, match=said):
        from_settings({**NIGHT, "faults": [{**FREEZE, "share_of_nights": share}]})
