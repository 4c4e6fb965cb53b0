"""The broker's own outage: nothing is lost but time, and what fell due is worked off in a stated order."""

from broker_driver import Driver

from emulator.broker.rules import DataRetry, QueueRules, TimeLimit
from emulator.broker.workers import HeartbeatReply

NIGHT = QueueRules("night", lease=100, retry=DataRetry(attempts_in_all=9, pause="constant", first=30))


def outage(d: Driver, start: int, end: int) -> Driver:
    d.at(start).broker.go_down(start, 0)
    assert d.broker.is_up is False
    d.at(end).broker.come_up(end, 0)
    assert d.broker.is_up is True
    return d


def test_overdue_leases_are_lost_at_the_restart_by_nominal_end_and_token():
    """Ended at 100 and 90 on paper, both are lost at 150, the one of 90 first; both instants stand in the events."""
    d = Driver(NIGHT, QueueRules("day", lease=40, retry=DataRetry(9)))
    d.submit("night"), d.submit("day"), d.submit("night")
    d.taken()
    d.at(50).taken(queues=("day",))
    d.at(60).taken()
    outage(d, 70, 150)
    assert d.rows("broker_down", "broker_up", "attempt_ended") == [
        (70, "broker_down", 0, ""),
        (150, "broker_up", 0, ""),
        (150, "attempt_ended", 2, "dome-1", 1, 2, "lease_lost", "lease_ran_out", 90),
        (150, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 100),
    ]
    assert d.broker.lease_of(3) == (3, "dome-1", 1, 160)


def test_a_lease_that_the_restart_finds_good_can_be_renewed():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    outage(d, 20, 90)
    assert (d.heartbeat(1), d.broker.lease_of(1)) == (HeartbeatReply(), (1, "dome-1", 1, 190))


def test_a_lease_that_ends_at_the_restart_is_lost_before_any_message():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    outage(d, 20, 100)
    assert d.heartbeat(1) == HeartbeatReply(refused=(1,))


def test_leases_may_be_extended_by_the_length_of_the_outage():
    """A lease up to 100 and a silence up to 110, with an outage of 200, end at 300 and 310."""
    d = Driver(NIGHT, leases_during_outage="extend")
    d.register("dome-1", silence=110)
    d.submit()
    d.taken()
    d.register("dome-1")
    outage(d, 50, 250)
    d.at(400)
    assert d.rows("attempt_ended", "worker_declared_lost") == [
        (300, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 300),
        (310, "worker_declared_lost", 0, "dome-1", 1, 200),
    ]


def test_silent_workers_are_declared_lost_at_the_restart():
    """Nobody can be heard during an outage: their leases end by nominal end, at a tie by the lease itself."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=60), d.register("dome-2", silence=100), d.register("dome-3", silence=500)
    d.register("dome-4", silence=70)
    for worker in ("dome-1", "dome-1", "dome-2", "dome-3"):
        d.submit()
        d.taken(worker)
    outage(d, 10, 150)
    assert d.rows("attempt_ended", "worker_declared_lost") == [
        (150, "worker_declared_lost", 0, "dome-1", 1, 0),
        (150, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "worker_silent", 60),
        (150, "attempt_ended", 2, "dome-1", 1, 2, "lease_lost", "worker_silent", 60),
        (150, "attempt_ended", 3, "dome-2", 1, 3, "lease_lost", "lease_ran_out", 100),
        (150, "attempt_ended", 4, "dome-3", 1, 4, "lease_lost", "lease_ran_out", 100),
        (150, "worker_declared_lost", 0, "dome-4", 1, 0),
        (150, "worker_declared_lost", 0, "dome-2", 1, 0),
    ]
    d.at(499)
    assert len(d.rows("worker_declared_lost")) == 3


def test_a_worker_that_signed_off_or_was_lost_before_an_outage_is_not_declared_lost_again():
    d = Driver(NIGHT)
    d.register("dome-1", silence=60), d.register("dome-2", silence=20)
    d.at(30)
    d.broker.sign_off(30, 0, "dome-1", 1)
    outage(d, 40, 150)
    assert [row[0] for row in d.rows("worker_declared_lost")] == [20]


def test_everything_else_that_fell_due_follows_in_its_order():
    """A pause, a start limit and a time limit that fell due at 40, 60 and 55 come at 100, in the order 40, 55, 60."""
    day = QueueRules("day", lease=300, time_limit=TimeLimit(55), start_within=60)
    d = Driver(NIGHT, day)
    d.submit("night"), d.submit("day"), d.submit("day")
    d.taken(queues=("night",))
    d.at(0).taken(queues=("day",))
    d.at(10).hand_in(1, "error")
    outage(d, 20, 100)
    assert d.rows("hold_ended", "attempt_ended", "finished")[1:] == [
        (100, "hold_ended", 1, "", "requeued", "pausing"),
        (100, "attempt_ended", 2, "dome-1", 1, 2, "time_limit", "time_limit", 55),
        (100, "finished", 2, "", "failed", "time_limit", "time_limit_reached", 1, {"limit": 55}),
        (100, "finished", 3, "", "failed", "expired", "not_started", 0),
    ]


def test_what_an_outage_kept_is_caused_by_its_end():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    outage(d, 20, 150)
    up = next(number for number, row in enumerate(d.recorder.rows, 1) if row[1] == "broker_up")
    assert d.recorder.rows[up][:3] == (150, "attempt_ended", up)
