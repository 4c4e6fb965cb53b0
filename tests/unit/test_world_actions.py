"""Promises of what people do in the night, on a stand-in world that writes down what is done to it."""

from typing import Any

from stand_in_world import Night, at

# -- actions ----------------------------------------------------------------------------------------------------------


def test_a_hold_that_lasts_is_released_after_it():
    """A job held at 10 for 5 minutes is released at 15, and a suspended one resumed, each with its cause."""
    night = Night(
        actions=[
            {"hold": "plates#1", "at": at(10), "lasts": at(5)},
            {"suspend": "plates#2", "at": at(11), "lasts": at(1)},
            {"hold_queue": "night", "at": at(20), "lasts": at(30)},
            {"hold_queue": "night", "at": at(60)},
        ]
    )
    night.world.jobs = {("plates", 1): 4, ("plates", 2): 5}
    assert night.run().calls == [
        (10, "do_to_job", "hold", 4),
        (11, "do_to_job", "suspend", 5),
        (12, "do_to_job", "resume", 5),
        (15, "do_to_job", "release", 4),
        (20, "do_to_queue", "hold_queue", "night"),
        (50, "do_to_queue", "release_queue", "night"),
        (60, "do_to_queue", "hold_queue", "night"),
    ]
    assert night.world.causes == [1, 2, 3, 4, 5, 6, 7]
    assert night.told[:4] == [
        (10, "action_taken", 0, 4, "", "hold", "actions[0]", "plates#1"),
        (11, "action_taken", 0, 5, "", "suspend", "actions[1]", "plates#2"),
        (12, "action_taken", 2, 5, "", "resume", "actions[1]", "plates#2"),
        (15, "action_taken", 1, 4, "", "release", "actions[0]", "plates#1"),
    ]


def test_what_is_refused_is_told_with_the_reason_and_not_undone():
    """A refusal of the broker follows the act; a job that has not come is not even tried."""
    night = Night(
        actions=[
            {"hold": "plates#1", "at": at(10), "lasts": at(5)},
            {"withdraw": "plates#9", "at": at(11)},
            {"run_again": "plates#1", "at": at(12)},
        ]
    )
    night.world.jobs = {("plates", 1): 4}
    night.world.refusals = {"do_to_job": "it_is_done"}
    assert night.run().told == [
        (10, "action_taken", 0, 4, "", "hold", "actions[0]", "plates#1"),
        (10, "action_refused", 1, 4, "", "hold", "actions[0]", "plates#1", "it_is_done"),
        (11, "action_refused", 0, 0, "", "withdraw", "actions[1]", "plates#9", "no_such_job_yet"),
        (12, "action_taken", 0, 4, "", "run_again", "actions[2]", "plates#1"),
    ]
    assert night.calls == [(10, "do_to_job", "hold", 4), (12, "run_again", 4)]


def test_workers_are_told_to_leave_by_name_by_pool_or_some_of_them():
    """Each worker that is told has its event; fewer of a pool are among more of it; an empty pool is a refusal."""
    pools = {"dome": 10, "tower": 2, "cellar": 0}

    def leaving(aim: Any) -> list[Any]:
        return [call[2] for call in Night(actions=[{"drain": aim, "at": at(9)}], pools=pools).run().calls]

    assert leaving(["tower", "dome-3"]) == ["tower-1", "tower-2", "dome-3"]
    three, six = (set(leaving({"pool": "dome", "some": many})) for many in (3, 6))
    assert (len(three), len(six), three < six) == (3, 6, True)
    night = Night(actions=[{"drain": "cellar", "at": at(9)}], pools=pools).run()
    refused = (9, "action_refused", 0, 0, "", "drain", "actions[0]", "cellar", "no_such_workers")
    assert night.told == [refused]


def test_a_worker_that_has_left_refuses_to_leave_again():
    """The stand-in's worker is off, so the act is told and then refused, under that worker's name."""
    night = Night([{"power_off": "dome-1", "at": 0}], [{"drain": "dome-1", "at": at(9)}]).run()
    assert night.told[1:] == [
        (9, "action_taken", 0, 0, "dome-1", "drain", "actions[0]", "dome-1"),
        (9, "action_refused", 2, 0, "dome-1", "drain", "actions[0]", "dome-1", "told_already"),
    ]


def test_a_named_action_chooses_the_same_workers_at_another_time():
    """Some of a pool leave: who they are goes by the action's name; without one by its time, so that others leave."""

    def leaving(start: int, **name: str) -> list[str]:
        aim = {"pool": "dome", "some": 4}
        return [
            call[2] for call in Night(actions=[{**name, "drain": aim, "at": start}], pools={"dome": 40}).run().calls
        ]

    assert leaving(at(9), name="shift's end") == leaving(at(10), name="shift's end")
    assert leaving(at(9)) != leaving(at(10))
