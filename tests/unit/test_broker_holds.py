"""What people ask: hold, release, suspend, resume, withdraw, and the reasons for which a job is held."""

from broker_driver import Driver

from emulator.broker.rules import DataRetry, QueueRules, TimeLimit
from emulator.broker.workers import HeartbeatReply
from emulator.record.reasons import Reason, Why
from emulator.show.words import in_words

NIGHT = QueueRules("night", lease=100, retry=DataRetry(attempts_in_all=9, pause="constant", first=30))


def test_release_takes_back_only_the_persons_hold():
    """A job that is not due yet stays held when the person lets go, and is queued when it is due."""
    d = Driver(NIGHT)
    job = d.submit(not_before=50)
    d.broker.hold(0, 0, job)
    d.broker.release(10, 0, job)
    assert d.state(job) == "queued_held"
    d.after(50)
    assert d.rows("submitted", "held", "hold_ended") == [
        (0, "submitted", 1, "", "queued_held", "plate-copy", "night", "plates", 1, "", 0, "not_due", 0),
        (0, "held", 1, "", "queued_held", "by_person"),
        (10, "hold_ended", 1, "", "queued_held", "by_person"),
        (50, "hold_ended", 1, "", "queued", "not_due"),
    ]


def test_a_job_due_now_is_not_held():
    d = Driver(NIGHT)
    assert d.state(d.submit(not_before=0)) == "queued"


def test_a_held_job_is_passed_over_and_keeps_its_place():
    d = Driver(NIGHT)
    d.submit(), d.submit()
    d.broker.hold(0, 0, 1)
    assert d.taken().job == 2
    d.submit()
    d.broker.release(0, 0, 1)
    assert d.taken().job == 1


def test_a_job_held_while_it_runs_becomes_requeued_held_when_its_lease_is_lost():
    """The pause ends and the person still holds it; then the person lets go."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.hold(5, 0, 1)
    assert d.state(1) == "running"
    d.after(130)
    assert d.state(1) == "requeued_held"
    d.broker.release(140, 0, 1)
    assert d.rows("held", "requeued", "hold_ended") == [
        (5, "held", 1, "", "running", "by_person"),
        (100, "requeued", 1, "", "requeued_held", 130, -1),
        (130, "hold_ended", 1, "", "requeued_held", "pausing"),
        (140, "hold_ended", 1, "", "requeued", "by_person"),
    ]


def test_a_hold_taken_back_while_the_job_runs_never_was():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.hold(5, 0, 1)
    d.broker.release(6, 0, 1)
    d.hand_in(1, "error")
    d.after(30)
    assert d.state(1) == "requeued"


def test_suspension_follows_the_workers_word():
    """Asked for, told at the heartbeat, acknowledged; resumed likewise. The lease goes on and the slot stays taken."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    assert d.broker.suspend(5, 0, 1) == ""
    assert (d.state(1), d.at(10).heartbeat(1)) == ("running", HeartbeatReply(suspend=(1,)))
    assert d.broker.suspension_acknowledged(10, 0, 1) is True
    assert (d.state(1), d.broker.running("night")) == ("suspended", 1)
    assert d.at(20).heartbeat(1) == HeartbeatReply()
    d.broker.resume(25, 0, 1)
    assert d.at(30).heartbeat(1) == HeartbeatReply(resume=(1,))
    assert d.broker.resumption_acknowledged(30, 0, 1) is True
    assert d.state(1) == "running"
    assert d.rows("suspend_requested", "suspended", "resume_requested", "resumed") == [
        (5, "suspend_requested", 1, ""),
        (10, "suspended", 1, "dome-1", 1),
        (25, "resume_requested", 1, ""),
        (30, "resumed", 1, "dome-1", 1),
    ]


def test_a_suspension_taken_back_too_late_is_followed_by_a_resumption():
    """The worker had been told already: it stands still, and is told at its next heartbeat to go on."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.suspend(5, 0, 1)
    d.heartbeat(1)
    d.broker.resume(6, 0, 1)
    assert d.broker.suspension_acknowledged(7, 0, 1) is True
    assert (d.state(1), d.heartbeat(1)) == ("suspended", HeartbeatReply(resume=(1,)))


def test_a_suspension_taken_back_in_time_never_was():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.suspend(5, 0, 1)
    d.broker.resume(6, 0, 1)
    assert (d.state(1), d.heartbeat(1)) == ("running", HeartbeatReply())


def test_a_resumption_taken_back_too_late_is_followed_by_a_suspension():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.suspend(1, 0, 1)
    d.broker.suspension_acknowledged(2, 0, 1)
    d.broker.resume(3, 0, 1)
    d.broker.suspend(4, 0, 1)
    assert d.broker.resumption_acknowledged(5, 0, 1) is True
    assert (d.state(1), d.heartbeat(1)) == ("running", HeartbeatReply(suspend=(1,)))
    assert d.broker.suspension_acknowledged(6, 0, 1) is True


def test_an_acknowledgement_that_nobody_asked_for_changes_nothing():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    before = d.broker.snapshot()
    assert d.broker.suspension_acknowledged(5, 0, 1) is False
    assert d.broker.resumption_acknowledged(5, 0, 1) is False
    assert d.broker.snapshot() == before


def test_an_acknowledgement_with_a_stale_token_is_recorded():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.at(100)
    assert d.broker.suspension_acknowledged(100, 0, 1) is False
    assert d.broker.resumption_acknowledged(100, 0, 1) is False
    assert d.rows("stale_refused") == [
        (100, "stale_refused", 1, "", 1, "suspension"),
        (100, "stale_refused", 1, "", 1, "resumption"),
    ]


def test_a_lease_lost_while_suspended_ends_the_attempt_and_the_suspension():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.suspend(5, 0, 1)
    d.broker.suspension_acknowledged(10, 0, 1)
    d.after(130)
    assert d.state(1) == "requeued"
    d.taken()
    assert (d.heartbeat(2), d.broker.snapshot()["jobs"][1]["suspension_wanted"]) == (HeartbeatReply(), False)


def test_the_clock_of_the_time_limit_stands_while_the_job_is_suspended():
    """Suspended from 40 to 100 and from 105 to 110, an attempt with a time limit of 60 ends at 125."""
    d = Driver(QueueRules("night", lease=1000, time_limit=TimeLimit(60)))
    d.submit()
    d.taken()
    for begin, end in ((40, 100), (105, 110)):
        d.at(begin).broker.suspend(begin, 0, 1)
        d.broker.suspension_acknowledged(begin, 0, 1)
        d.at(end).broker.resume(end, 0, 1)
        d.broker.resumption_acknowledged(end, 0, 1)
    d.at(500)
    assert d.rows("attempt_ended") == [(125, "attempt_ended", 1, "dome-1", 1, 1, "time_limit", "time_limit", 125)]


def test_withdrawing_ends_the_attempt_too():
    d = Driver(NIGHT)
    d.submit(), d.submit()
    d.taken()
    assert [d.broker.withdraw(5, 0, 1), d.broker.withdraw(5, 0, 2)] == ["", ""]
    assert d.rows("attempt_ended", "finished") == [
        (5, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "withdrawn", 5),
        (5, "finished", 1, "", "failed", "withdrawn", "person_withdrew", 1),
        (5, "finished", 2, "", "failed", "withdrawn", "person_withdrew", 0),
    ]
    assert d.hand_in(1) is False


def test_an_outcome_counts_while_suspended():
    """What the worker says with a good token is believed."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.suspend(5, 0, 1)
    d.broker.suspension_acknowledged(5, 0, 1)
    assert (d.hand_in(1), d.state(1)) == (True, "done")


def test_a_held_queue_hands_nothing_out_and_what_runs_goes_on():
    d = Driver(NIGHT)
    d.submit(), d.submit()
    d.taken()
    assert [d.broker.hold_queue(1, 0, "night"), d.broker.hold_queue(1, 0, "night")] == [
        "",
        "queue_held_already",
    ]
    assert (d.take("dome-2"), d.hand_in(1)) == (None, True)
    d.broker.fresh.clear()
    assert [d.broker.release_queue(2, 0, "night"), d.broker.release_queue(2, 0, "night")] == [
        "",
        "queue_not_held",
    ]
    assert d.broker.fresh == ["night"]
    assert d.taken("dome-2").job == 2
    d.broker.fresh.clear()
    d.broker.hold_queue(3, 0, "night"), d.broker.release_queue(3, 0, "night")
    assert d.broker.fresh == []


def test_what_keeps_a_job_from_running_is_explained():
    """Every reason is told at once, and each has its words."""
    rules = QueueRules("night", lease=100, running_at_most=1, retry=DataRetry(9, pause="constant", first=30))
    d = Driver(rules, remembered={"plates": False})

    def explain(now: int, job: int, equipments: list[frozenset[str]] | None = None) -> str:
        return in_words(d.broker.explain(now, job, equipments))

    one = d.submit(key="m31", requires=("tape>=2", "laser"))
    assert explain(0, one) == "it waits for a worker"
    assert explain(0, one, [frozenset(["tape 2"])]) == "no worker has all of: tape>=2, laser"
    assert explain(0, one, [frozenset(["tape 2", "laser"])]) == "it waits for a worker"
    d.taken(equipment=["laser", "tape 2"])
    two = d.submit(key="m31", not_before=60, after=("plates", 9))
    d.broker.hold(0, 0, two)
    d.broker.hold_queue(0, 0, "night")
    assert explain(10, two, [frozenset()]) == (
        "a person holds it; it is due in 50us; the job before it has not come yet; a person holds queue night; "
        "queue night runs as many jobs as it may: 1; key m31 is busy with job 1"
    )
    assert explain(10, one) == "worker dome-1 has it"
    d.broker.suspend(10, 0, one)
    d.broker.suspension_acknowledged(10, 0, 1)
    assert explain(10, one) == "worker dome-1 has it, suspended"
    d.hand_in(1, "error")
    assert explain(10, one) == "its pause ends in 20us; a person holds queue night"
    assert explain(30, one) == "a person holds queue night"  # at its end, before its alarm has come
    d.broker.withdraw(10, 0, one)
    assert explain(10, one) == "it is failed: withdrawn"
    three = d.submit(ordinal=9)
    assert "it waits for job 3" in explain(10, two)
    d.broker.release_queue(10, 0, "night")
    d.taken()
    d.hand_in(2)
    assert explain(10, three) == "it is done"


def test_a_person_who_holds_a_plain_job_is_the_only_reason():
    d = Driver(NIGHT)
    d.submit()
    d.broker.hold(0, 0, 1)
    assert d.broker.explain(0, 1) == (Reason(Why.BY_PERSON),)
