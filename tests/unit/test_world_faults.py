"""Promises of faults: when they occur, in which order, what overlaps, what each kind does, and what hits nothing.

They run on a stand-in world that writes down what is done to it; all expectations are by hand.
"""

import pytest
from stand_in_world import HOUR, MINUTE, Night, at

from emulator.timeline.agenda import ENDS, REST
from emulator.world.draws import Draws, Purpose
from emulator.world.fault_effects import why_missed
from emulator.world.faults import Missed
from emulator.world.sampling import sampling_of

# -- times ------------------------------------------------------------------------------------------------------------


def test_a_fault_at_a_time_lasts_as_long_as_it_says_and_is_told_with_its_causes():
    """A freeze at minute 10 for 5 minutes is begun and undone at those instants, and each call names its event."""
    night = Night([{"freeze": "dome-2", "at": at(10), "lasts": at(5)}]).run()
    assert night.told == [
        (10, "fault_began", 0, 0, "dome-2", "freeze", "faults[0]", 1, "dome-2"),
        (15, "fault_ended", 1, 0, "dome-2", "freeze", "faults[0]", 1, "dome-2"),
    ]
    assert night.calls == [(10, "freeze", "dome-2"), (15, "thaw", "dome-2")]
    assert night.world.causes == [1, 2]
    assert night.faults.missed == []


def test_a_window_is_the_fault_itself_where_there_are_no_gaps():
    """With ``from`` and ``until`` alone a fault lasts from the one to the other; without ``until`` to the end."""
    night = Night(
        [
            {"cut_link": "dome-1", "from": at(10), "until": at(30), "direction": "back"},
            {"slow_down": "dome-2", "from": at(20), "to": 0.5},
        ]
    ).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "back"),
        (20, "set_speed_factor", "dome-2", 0.5),
        (30, "restore_link", "dome-1", "back"),
    ]


def test_a_random_process_begins_within_its_window_only():
    """Gaps of 10 minutes from minute 30 on, until 62, give onsets at 40 and 52, 10 after the end of the first, but none
    at 64; with an end at 60 and gaps from onset to onset, 40 and 50: the window is half-open."""
    night = Night([{"broker_outage": True, "from": at(30), "until": at(62), "gaps": at(10), "lasts": at(2)}]).run()
    assert night.calls == [(40, "broker_down"), (42, "broker_up"), (52, "broker_down"), (54, "broker_up")]
    window = {"from": at(30), "until": at(60), "gaps": at(10), "lasts": at(2), "gaps_from": "onset"}
    night = Night([{"broker_outage": True, **window}]).run()
    assert night.calls == [(40, "broker_down"), (42, "broker_up"), (50, "broker_down"), (52, "broker_up")]
    assert [row[5:] for row in night.told] == [
        ("broker_outage", "faults[0]", 1, "broker"),
        ("broker_outage", "faults[0]", 1, "broker"),
        ("broker_outage", "faults[0]", 2, "broker"),
        ("broker_outage", "faults[0]", 2, "broker"),
    ]


def test_the_run_covers_no_onset_at_its_end():
    """Gaps of 10 minutes and a minute frozen give two onsets in a night of 32: what is due at the end is not of it."""
    night = Night([{"freeze": "dome-1", "gaps": at(10), "lasts": at(1)}], lasts=32).run()
    assert night.onsets() == {"dome-1": [at(10), at(21)]}


@pytest.mark.parametrize("gaps_from", ["end", "onset"])
def test_gaps_and_repairs_are_drawn_by_the_same_key(gaps_from):
    """Onset k is a keyed gap after the end, or the onset, of the one before; its end is a keyed repair later: both are
    worked out from the draws by hand, and they are the same draws."""
    gaps, repair = {"mean": HOUR, "law": "exponential"}, {"median": 4 * MINUTE, "p95": 9 * MINUTE}
    night = Night([{"power_off": "dome-1", "gaps": gaps, "back_after": repair, "gaps_from": gaps_from}], seed=7)
    night.faults.start()
    (stream,) = [entry[6][0] for entry in night.agenda.entries]
    law, repairs = (sampling_of(model) for model in (stream.fault.gaps, stream.fault.back_after))
    assert law is not None and repairs is not None
    draws, before, began, ended = Draws(7), 0, [], []
    for k in range(1, 100):
        onset = before + law.sample(draws.row(Purpose.FAULT_GAP, stream.entity, 0, k))
        end = onset + repairs.sample(draws.row(Purpose.FAULT_REPAIR, stream.entity, 0, k))
        before = end if gaps_from == "end" else onset
        began += [onset] if onset < 600 * MINUTE else []
        ended += [end] if onset < 600 * MINUTE and end < 600 * MINUTE else []
    night.agenda.run(before=(night.scenario.lasts,))
    assert len(began) > 3
    assert (night.onsets(), night.onsets("fault_ended")) == ({"dome-1": began}, {"dome-1": ended})


# -- order ------------------------------------------------------------------------------------------------------------


def test_at_one_instant_ends_go_first_then_faults_and_actions_in_file_order_then_the_rest():
    """The place in the file decides, not the order of making, and all actions follow all faults."""
    night = Night(
        [
            {"freeze": "dome-3", "at": at(5), "lasts": at(5)},  # ends at 10, in the place of faults[0]
            {"cut_link": "dome-2", "at": at(10)},
            {"system_outage": "archive", "at": at(10)},
        ],
        [{"hold_queue": "night", "at": at(10)}, {"new_version": "plate-copy", "at": at(10), "speed": 2.0}],
    )
    night.agenda.at(at(10), lambda _: night.world.note("the rest"), rank=REST)
    night.agenda.at(at(10), lambda _: night.world.note("an end"), rank=ENDS)
    assert night.run().calls == [
        (5, "freeze", "dome-3"),
        (10, "an end"),
        (10, "thaw", "dome-3"),
        (10, "cut_link", "dome-2", "both"),
        (10, "systems.set_down", "archive"),
        (10, "do_to_queue", "hold_queue", "night"),
        (10, "new_version", "plate-copy", 2.0),
        (10, "the rest"),
    ]


def test_an_earlier_occurrence_ends_before_a_later_one_begins_at_the_same_instant():
    """Repairs of 10 minutes, and gaps of as much between onsets, leave a worker cut off for good, in whole spells."""
    night = Night([{"cut_link": "dome-1", "gaps": at(10), "lasts": at(10), "gaps_from": "onset"}], lasts=35).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "both"),
        (20, "restore_link", "dome-1", "both"),
        (20, "cut_link", "dome-1", "both"),
        (30, "restore_link", "dome-1", "both"),
        (30, "cut_link", "dome-1", "both"),
    ]


# -- overlaps ---------------------------------------------------------------------------------------------------------


def test_of_faults_that_overlap_the_later_end_ends_it():
    """Frozen from 10 to 30 and from 20 to 25, a worker goes on at 30; both faults are told in full."""
    faults = [
        {"freeze": "dome-1", "at": at(10), "lasts": at(20)},
        {"freeze": "dome-1", "at": at(20), "lasts": at(5)},
    ]
    night = Night(faults).run()
    assert night.calls == [(10, "freeze", "dome-1"), (20, "freeze", "dome-1"), (30, "thaw", "dome-1")]
    assert [row[:2] + row[6:7] for row in night.told] == [
        (10, "fault_began", "faults[0]"),
        (20, "fault_began", "faults[1]"),
        (25, "fault_ended", "faults[1]"),
        (30, "fault_ended", "faults[0]"),
    ]
    assert night.faults.missed == []


def test_power_that_never_comes_back_outlasts_one_that_does():
    """A worker that is off for good is not switched on by the end of an overlapping fault."""
    night = Night(
        [{"power_off": "dome-1", "at": at(10), "back_after": at(20)}, {"power_off": "dome-1", "at": at(20)}]
    ).run()
    assert night.calls == [(10, "power_off", "dome-1"), (20, "power_off", "dome-1")]


def test_of_values_that_overlap_the_one_that_began_last_holds():
    """Half speed from 10 to 50, a tenth from 20 to 30, a quarter from 40 to 60: each end brings back what lasts."""
    night = Night(
        [
            {"slow_down": "dome-1", "at": at(10), "lasts": at(40), "to": 0.5},
            {"slow_down": "dome-1", "at": at(20), "lasts": at(10), "to": 0.1},
            {"slow_down": "dome-1", "at": at(40), "lasts": at(20), "to": 0.25},
        ]
    ).run()
    assert night.calls == [
        (10, "set_speed_factor", "dome-1", 0.5),
        (20, "set_speed_factor", "dome-1", 0.1),
        (30, "set_speed_factor", "dome-1", 0.5),
        (40, "set_speed_factor", "dome-1", 0.25),
        (60, "set_speed_factor", "dome-1", 1.0),
    ]


def test_the_two_directions_of_a_link_are_cut_and_restored_each_on_its_own():
    """Both cut from 10 to 20, the way out from 15 to 30: at 20 only the way back is restored."""
    night = Night(
        [
            {"cut_link": "dome-1", "at": at(10), "lasts": at(10)},
            {"cut_link": "dome-1", "at": at(15), "lasts": at(15), "direction": "out"},
        ]
    ).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "both"),
        (15, "cut_link", "dome-1", "out"),
        (20, "restore_link", "dome-1", "back"),
        (30, "restore_link", "dome-1", "out"),
    ]


def test_a_link_cut_twice_is_restored_once():
    """Cut in both directions from 10 to 20 and from 15 to 30, the link is restored at 30 alone."""
    cut = {"cut_link": "dome-1"}
    night = Night([{**cut, "at": at(10), "lasts": at(10)}, {**cut, "at": at(15), "lasts": at(15)}]).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "both"),
        (15, "cut_link", "dome-1", "both"),
        (30, "restore_link", "dome-1", "both"),
    ]


# -- what each kind does ----------------------------------------------------------------------------------------------

KINDS = [
    (
        {"power_off": "dome-1", "back_after": 5, "program_absent": True},
        [("power_off", "dome-1"), ("power_on", "dome-1", False)],
    ),
    ({"power_off": "dome-1", "back_after": 5}, [("power_off", "dome-1"), ("power_on", "dome-1", True)]),
    ({"freeze": "dome-1", "lasts": 5}, [("freeze", "dome-1"), ("thaw", "dome-1")]),
    ({"cut_link": "dome-1", "lasts": 5}, [("cut_link", "dome-1", "both"), ("restore_link", "dome-1", "both")]),
    (
        {"slow_down": "dome-1", "lasts": 5, "to": 0.5},
        [("set_speed_factor", "dome-1", 0.5), ("set_speed_factor", "dome-1", 1.0)],
    ),
    (
        {"lose_heartbeats": "dome-1", "lasts": 5},
        [("set_heartbeat_loss", "dome-1", 1.0), ("set_heartbeat_loss", "dome-1", 0.0)],
    ),
    (
        {"lose_heartbeats": "dome-1", "lasts": 5, "share": 0.25},
        [("set_heartbeat_loss", "dome-1", 0.25), ("set_heartbeat_loss", "dome-1", 0.0)],
    ),
    (
        {"lose_results": "dome-1", "lasts": 5, "share": 0.0},
        [("set_result_loss", "dome-1", 0.0), ("set_result_loss", "dome-1", 0.0)],
    ),
    ({"hand_out_twice": "night"}, [("hand_out_twice", "night", "same_token")]),
    ({"hand_out_twice": "night", "how": "forgets"}, [("hand_out_twice", "night", "forgets")]),
    (
        {"skew_clock": "dome-1", "lasts": 5, "clock": {"offset": 7, "behind": True, "drift_ppm": 50.0}},
        [("set_clock", "dome-1", -7, 50.0), ("set_clock", "dome-1", 3, 2.0)],
    ),
    ({"broker_outage": True, "lasts": 5}, [("broker_down",), ("broker_up",)]),
    (
        {"missing_tool": "dome-1", "lasts": 5, "tool": "tape"},
        [("remove_tool", "dome-1", "tape"), ("return_tool", "dome-1", "tape")],
    ),
    (
        {"withdraw_access": "dome", "lasts": 5},
        [("access.withdraw", "dome", None), ("access.restore", "dome", None)],
    ),
    (
        {"withdraw_access": "dome-1", "lasts": 5, "access_to": "archive"},
        [("access.withdraw", "dome-1", "archive"), ("access.restore", "dome-1", "archive")],
    ),
    ({"system_outage": "archive", "lasts": 5}, [("systems.set_down", "archive"), ("systems.set_up", "archive")]),
    (
        {"brown_out": "archive", "lasts": 5, "factor": 3.0},
        [("systems.set_brown_out", "archive", 3.0), ("systems.set_brown_out", "archive", 1.0)],
    ),
    (
        {"error_burst": "archive", "lasts": 5, "share": 0.5},
        [("systems.set_error_share", "archive", 0.5), ("systems.set_error_share", "archive", None)],
    ),
    (
        {"error_burst": "plate-copy", "lasts": 5, "share": 0.5},
        [("set_routine_error_share", "plate-copy", 0.5), ("set_routine_error_share", "plate-copy", None)],
    ),
    (
        {"surge": "plates", "lasts": 5, "factor": 4.0},
        [("arrivals.set_factor", "plates", 4.0), ("arrivals.set_factor", "plates", 1.0)],
    ),
]


@pytest.mark.parametrize(("fault", "calls"), KINDS)
def test_each_kind_of_fault_does_its_own_to_the_world_and_undoes_it(fault, calls):
    """What is begun is undone by its counterpart; a clock goes back to what the pool says of it."""
    pool = {"count": 1, "serves": ["night"], "clock": {"offset": 3, "drift_ppm": 2.0}}
    night = Night([{**fault, "at": at(10)}], pools={"dome": pool}).run()
    assert [call[1:] for call in night.calls] == calls
    assert [row[1] for row in night.told] == ["fault_began", "fault_ended"][: len(calls)]


def test_a_clock_goes_back_to_what_the_worker_itself_differs_in():
    """Where a worker's own clock differs from its pool's, that one holds after the fault."""
    pool = {"count": 1, "serves": ["night"], "per_worker": {"dome-1": {"clock": {"offset": 9, "behind": True}}}}
    fault = {"skew_clock": "dome-1", "at": at(1), "lasts": at(1), "clock": {"offset": 1}}
    night = Night([fault], pools={"dome": pool}).run()
    assert night.calls == [(1, "set_clock", "dome-1", 1, 0.0), (2, "set_clock", "dome-1", -9, 0.0)]


def test_poison_is_given_at_the_start_and_never_ends():
    """A poison job needs no time: its number in its entry is marked before anything arrives."""
    night = Night([{"poison_job": "plates#3", "how": "takes_worker_down"}])
    night.world.jobs["plates", 3] = 7
    assert night.run().calls == [(0, "poison", "plates", 3, "takes_worker_down")]
    assert night.told == [(0, "fault_began", 0, 0, "", "poison_job", "faults[0]", 1, "plates#3")]


# -- what hits nothing ------------------------------------------------------------------------------------------------


def test_a_fault_that_finds_its_worker_off_is_told_and_leaves_nothing_behind():
    """A slow-down of a worker that is off is taken back at once, a freeze has no end; both are listed."""
    night = Night(
        [
            {"power_off": "dome-1", "at": at(5)},
            {"freeze": "dome-1", "at": at(10), "lasts": at(5)},
            {"slow_down": "dome-1", "at": at(20), "lasts": at(5), "to": 0.5},
        ]
    ).run()
    assert night.calls == [
        (5, "power_off", "dome-1"),
        (10, "freeze", "dome-1"),
        (20, "set_speed_factor", "dome-1", 0.5),
        (20, "set_speed_factor", "dome-1", 1.0),
    ]
    assert night.told[1:] == [
        (10, "fault_began", 0, 0, "dome-1", "freeze", "faults[1]", 1, "dome-1"),
        (10, "fault_missed", 2, 0, "dome-1", "freeze", "faults[1]", 1, "dome-1", "was_off_or_frozen"),
        (20, "fault_began", 0, 0, "dome-1", "slow_down", "faults[2]", 1, "dome-1"),
        (20, "fault_missed", 4, 0, "dome-1", "slow_down", "faults[2]", 1, "dome-1", "was_off"),
    ]
    assert night.faults.missed == [
        Missed(at(10), "freeze", "faults[1]", 1, "dome-1", "was_off_or_frozen"),
        Missed(at(20), "slow_down", "faults[2]", 1, "dome-1", "was_off"),
    ]


def test_faults_that_never_occurred_are_told_at_the_end():
    """Too late a time, no such workers, too small a share, a job that never came: each with its reason."""
    night = Night(
        [
            {"freeze": "dome-1", "at": at(600)},
            {"freeze": ["dome-1", "dome-2"], "gaps": at(601)},
            {"freeze": "tower", "at": at(1)},
            {"freeze": {"pool": "tower", "some": 2}, "at": at(2)},
            {"freeze": {"pool": "dome", "share": 0.1}, "at": at(3)},
            {"poison_job": "plates#3"},
        ],
        pools={"dome": 3, "tower": 0},
    ).run()
    assert night.faults.missed == [
        Missed(at(2), "freeze", "faults[3]", 1, "tower", "no_workers"),
        Missed(at(3), "freeze", "faults[4]", 1, "dome", "share_is_none"),
        Missed(at(600), "poison_job", "faults[5]", 1, "plates#3", "no_such_job_came"),
        Missed(at(600), "freeze", "faults[0]", 0, "dome-1", "not_before_the_end"),
        Missed(at(600), "freeze", "faults[1]", 0, "dome-1, dome-2", "not_before_the_end"),
        Missed(at(600), "freeze", "faults[2]", 0, "tower", "no_such_workers"),
    ]
    assert [row[-1] for row in night.told if row[1] == "fault_missed"] == [one.why for one in night.faults.missed]


def test_an_answer_of_the_world_is_read_as_a_miss_only_where_it_says_so():
    """False and a reason are misses; True, nothing and an empty text are none."""
    answers = [True, None, "", False, "was_off"]
    assert [why_missed(answer, "so") for answer in answers] == ["", "", "", "so", "was_off"]
