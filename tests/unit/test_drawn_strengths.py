"""Faults and actions whose time, strength or number of workers is drawn: by keys that variants leave as they are."""

from typing import Any

import pytest
from stand_in_world import HOUR, MINUTE, Night, at

from emulator.scenario.models.distribution import DrawnNumber
from emulator.world.actions import action_keys
from emulator.world.draws import Draws, Purpose
from emulator.world.faults import fault_keys
from emulator.world.sampling import Uniform, drawn_number, drawn_whole

SLOW: dict[str, Any] = {"slow_down": "dome", "at": at(10), "to": {"between": [0.2, 0.8]}}


def speeds(night: Night) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for _, method, worker, value in night.run().calls:
        if method == "set_speed_factor":
            found.setdefault(worker, []).append(value)
    return found


def test_a_number_is_drawn_between_two_or_as_one_of_several() -> None:
    between = DrawnNumber(between=(2, 4))
    assert [drawn_number(between, uniform) for uniform in (0, 0.25, 0.5)] == [2, 2.5, 3]
    weighted = DrawnNumber(one_of=(1, 5), weights=(3, 1))
    assert [drawn_number(weighted, uniform) for uniform in (0, 0.74, 0.75, 0.99)] == [1, 1, 5, 5]
    assert [drawn_whole(DrawnNumber(between=(1, 4)), uniform) for uniform in (0, 0.25, 0.5, 0.99)] == [1, 2, 3, 4]
    assert drawn_whole(DrawnNumber(one_of=(2, 7)), 0.5) == 7


def test_each_worker_is_slowed_down_by_a_speed_of_its_own_which_the_seed_fixes() -> None:
    found = speeds(Night([SLOW]))
    drawn = [value for values in found.values() for value in values]
    assert set(found) == {"dome-1", "dome-2", "dome-3"}
    assert len(set(drawn)) == 3
    assert all(0.2 <= value <= 0.8 for value in drawn)
    assert speeds(Night([SLOW])) == found != speeds(Night([SLOW], seed=2))


def test_a_worker_that_is_added_and_what_else_a_fault_says_leave_the_draws_of_others_as_they_are() -> None:
    found = speeds(Night([SLOW]))
    more = speeds(Night([SLOW], pools={"dome": 5}))
    assert {name: more[name] for name in found} == found
    first = {name: values[:1] for name, values in found.items()}
    assert {name: values[:1] for name, values in speeds(Night([{**SLOW, "lasts": at(5)}])).items()} == first
    wider = speeds(Night([{**SLOW, "to": {"between": [0.4, 1.6]}}]))
    assert {name: [pytest.approx(2 * value) for value in values] for name, values in found.items()} == wider


def test_each_occurrence_draws_its_strength_and_the_one_that_still_lasts_holds_again() -> None:
    """From minute 10 a brown-out every 10 minutes, for 15 each: whatever ends, one that was drawn before comes back."""
    law = {"between": [2, 9]}
    fault = {"brown_out": "archive", "gaps": at(10), "gaps_from": "onset", "lasts": at(15), "factor": law}
    calls = [call for call in Night([fault], lasts=36).run().calls if call[1] == "systems.set_brown_out"]
    assert [call[0] for call in calls] == [10, 20, 30]  # at 25 and 35 one ends that another has taken the place of
    assert len({call[3] for call in calls}) == 3
    alone = {**fault, "lasts": at(5)}
    ends = [call for call in Night([alone], lasts=26).run().calls if call[1] == "systems.set_brown_out"]
    assert [(call[0], call[3]) for call in ends] == [(10, calls[0][3]), (15, 1.0), (20, calls[1][3]), (25, 1.0)]


def test_a_share_and_a_number_of_workers_are_drawn_and_more_contain_fewer() -> None:
    def hit(some: Any, seed: int) -> set[str]:
        fault = {"power_off": {"pool": "dome", **some}, "at": at(5)}
        return {call[2] for call in Night([fault], seed=seed, pools={"dome": 8}).run().calls if call[1] == "power_off"}

    counts = {len(hit({"some": {"between": [2, 4]}}, seed)) for seed in range(40)}
    assert counts == {2, 3, 4}
    assert {len(hit({"share": {"one_of": [0, 0.5]}}, seed)) for seed in range(20)} == {0, 4}
    for seed in range(10):
        drawn = hit({"some": {"between": [2, 4]}}, seed)
        assert drawn <= hit({"some": 4}, seed)
        assert drawn >= hit({"some": 2}, seed)


def test_a_fault_that_is_late_hits_all_its_workers_at_one_drawn_time() -> None:
    """The time is a keyed draw of the fault, worked out here from the draw itself."""
    fault = {"power_off": "dome", "at": at(10), "late_by": {"between": [0, HOUR]}, "back_after": at(5)}
    night = Night([fault], seed=7)
    key = fault_keys(night.scenario.faults)[0]
    late = Uniform(0, HOUR).sample(Draws(7).row(Purpose.LATENESS, key))
    expected = (10 * MINUTE + late) / MINUTE
    calls = night.run().calls
    assert [call for call in calls if call[1] == "power_off"] == [
        (expected, "power_off", f"dome-{number}") for number in (1, 2, 3)
    ]
    assert {call[0] for call in calls if call[1] == "power_on"} == {expected + 5}
    assert len({Night([fault], seed=seed).run().calls[0][0] for seed in range(5)}) == 5


def test_a_fault_that_is_too_late_for_the_night_has_missed() -> None:
    night = Night([{"freeze": "dome-1", "at": at(10), "late_by": at(60)}], lasts=70).run()
    assert [(one.fault, one.number, one.why) for one in night.faults.missed] == [("freeze", 0, "not_before_the_end")]
    assert night.calls == []


def test_an_action_is_done_so_much_later_and_undone_after_its_time() -> None:
    action = {"hold_queue": "night", "at": at(10), "late_by": {"between": [0, HOUR]}, "lasts": at(5)}
    night = Night([], [action], seed=3)
    late = Uniform(0, HOUR).sample(Draws(3).row(Purpose.LATENESS, action_keys(night.scenario.actions)[0]))
    done = (10 * MINUTE + late) / MINUTE
    assert night.run().calls == [
        (done, "do_to_queue", "hold_queue", "night"),
        (done + 5, "do_to_queue", "release_queue", "night"),
    ]
    assert Night([], [{**action, "late_by": at(5)}], lasts=15).run().calls == []


def test_a_new_version_has_a_speed_that_is_drawn_once() -> None:
    action = {"new_version": "plate-copy", "at": at(10), "speed": {"one_of": [1.5, 3]}}
    drawn = [Night([], [action], seed=seed).run().calls[0][3] for seed in range(20)]
    assert set(drawn) == {1.5, 3}
    named = [Night([], [{**action, "name": "new", "at": at(12)}], seed=seed).run().calls[0][3] for seed in range(20)]
    again = [Night([], [{**action, "name": "new"}], seed=seed).run().calls[0][3] for seed in range(20)]
    assert named == again
