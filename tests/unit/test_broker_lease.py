"""Taking, renewing, handing in, losing: who holds the lease, to the tick."""

import pytest
from broker_driver import Driver, Grant, new_job

from emulator.broker.rules import DataRetry, QueueRules, TimeLimit
from emulator.broker.waiters import After, Before
from emulator.broker.workers import HeartbeatReply
from emulator.errors import DefectError

AGAIN = DataRetry(attempts_in_all=9)
NIGHT = QueueRules("night", lease=100, retry=AGAIN)


def test_a_lease_is_good_up_to_its_end_and_not_at_it():
    """A lease taken at 10 for 100 ticks is valid in [10, 110): an outcome at 109 counts, one at 110 is stale."""
    for when, counts in ((109, True), (110, False)):
        d = Driver(NIGHT)
        d.submit()
        assert d.at(10).taken() == Grant(job=1, attempt=1, token=1, granted=10, until=110)
        assert d.at(when).hand_in(1) is counts


def test_renewal_moves_the_end_to_the_renewal_plus_the_lease():
    """Renewed at 60, a lease of 100 ticks ends at 160, unrenewed since."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    assert d.at(60).heartbeat(1) == HeartbeatReply()
    d.at(1000)
    assert d.rows("heartbeat_received", "lease_renewed", "attempt_ended") == [
        (60, "heartbeat_received", 0, "dome-1", 1, 2),
        (60, "lease_renewed", 1, "dome-1", 1, 160),
        (160, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 160),
    ]


def test_a_heartbeat_at_the_end_of_a_lease_comes_too_late():
    """What expires at an instant expires before the messages of that instant."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    assert d.at(100).heartbeat(1) == HeartbeatReply(refused=(1,))
    assert d.rows("stale_refused") == [(100, "stale_refused", 1, "dome-1", 1, "renewal")]


def test_a_heartbeat_renews_only_what_it_names():
    """Of two leases of one worker, the one that its heartbeats do not name runs out."""
    d = Driver(NIGHT)
    d.submit(), d.submit()
    d.taken(), d.taken()
    d.at(60).heartbeat(2)
    d.at(100)
    assert (d.broker.lease_of(1), d.broker.lease_of(2)) == (None, (2, "dome-1", 1, 160))


def test_an_unknown_token_is_refused():
    """A token that was never granted is refused like a stale one, and belongs to no job."""
    d = Driver(NIGHT)
    assert d.heartbeat(7) == HeartbeatReply(refused=(7,))
    assert d.rows("stale_refused") == [(0, "stale_refused", 0, "dome-1", 7, "renewal")]


def test_a_repeated_heartbeat_is_the_same_heartbeat():
    """The same number again gets the same reply and renews nothing; an older one gets an empty reply."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.at(10).heartbeat(1, 5)
    events = len(d.recorder.rows)
    d.at(50)
    assert d.broker.heartbeat(50, 0, d.message(2), (1, 5)) == HeartbeatReply(refused=(5,))
    assert d.broker.heartbeat(50, 0, d.message(1), (1,)) == HeartbeatReply()
    assert (len(d.recorder.rows), d.broker.lease_of(1)) == (events, (1, "dome-1", 1, 110))


def test_a_repeated_request_for_a_job_is_the_same_request():
    """The same number again gets the same lease (or the same nothing); an older one gets nothing."""
    d = Driver(NIGHT)
    d.register()
    take = (("night",), frozenset(), None)
    assert d.broker.take(0, d.message(5), *take) is None
    d.submit()
    assert d.broker.take(1, d.message(5), *take) is None
    grant = d.broker.take(2, d.message(6), *take)
    events = len(d.recorder.rows)
    d.submit()
    assert [d.broker.take(3, d.message(6), *take), d.broker.take(3, d.message(4), *take)] == [grant, None]
    assert len(d.recorder.rows) == events + 1  # the second submission


def test_a_later_incarnation_neither_renews_nor_hands_in_for_an_earlier_one():
    """A worker's program that was started anew gets nothing by its old tokens, and the old lease runs out."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.at(50).register("dome-1")
    assert d.heartbeat(1) == HeartbeatReply(refused=(1,))
    assert (d.hand_in(1), d.broker.hand_back(50, 0, "dome-1", 2, 1)) == (False, False)
    d.at(100)
    assert d.state(1) == "requeued"


def test_messages_of_an_earlier_incarnation_may_still_come_in():
    """An outcome that was on its way when the program died counts; a request for a job gets none any more."""
    d = Driver(NIGHT)
    d.submit(), d.submit()
    d.taken()
    d.register("dome-1")
    assert d.broker.take(5, d.message(9), ("night",), frozenset(), None) is None
    assert d.broker.hand_in(5, 0, d.message(10), 1, "ok") is True
    assert d.state(1) == "done"


def test_the_same_token_is_good_in_another_workers_hands():
    """A lease delivered twice cannot be told apart by its token: whoever hands in first is believed."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    assert d.heartbeat(1, worker="dome-2") == HeartbeatReply()
    assert [d.hand_in(1, worker="dome-2"), d.hand_in(1)] == [True, False]


def test_a_repeated_outcome_is_answered_as_before():
    """A hand-in that counted gets True again; a refused one is recorded once for each of its numbers."""
    d = Driver(NIGHT)
    d.submit(), d.submit()
    d.taken(), d.taken()
    assert d.hand_in(1, "error") is True
    d.at(100)
    assert d.broker.hand_in(100, 0, d.message(99), 1, "error") is True
    assert [d.broker.hand_in(100, 0, d.message(number), 2, "ok") for number in (7, 7, 8)] == [False] * 3
    assert d.rows("stale_refused") == [(100, "stale_refused", 2, "dome-1", 2, "outcome")] * 2


def test_tokens_rise_over_all_queues_and_jobs():
    """Every lease has a token above any before; they may begin at any number."""
    d = Driver(NIGHT, QueueRules("day"), first=(5, 33))
    d.submit("night"), d.submit("day")
    assert [d.taken("dome-1").token, d.taken("dome-2").token] == [33, 34]
    assert (d.broker.token_of(5), d.broker.token_of(6)) == (33, 34)


def test_a_fixed_lease_is_not_renewed_and_not_refused():
    """On a queue without renewal a heartbeat shows life, names no token as stale, and the lease still runs out."""
    d = Driver(QueueRules("night", lease=100, renewed=False, retry=AGAIN))
    d.submit()
    d.taken()
    assert d.at(90).heartbeat(1) == HeartbeatReply()
    d.at(100)
    assert d.rows("lease_renewed", "attempt_ended") == [
        (100, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 100)
    ]


def test_a_silent_worker_loses_all_its_leases_at_once():
    """Silence runs from the last message of any kind; its leases end in the order of jobs."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=40)
    d.submit(), d.submit()
    d.taken()
    d.at(30).taken()
    d.at(200)
    assert d.rows("worker_declared_lost", "attempt_ended") == [
        (70, "worker_declared_lost", 0, "dome-1", 1, 30),
        (70, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "worker_silent", 70),
        (70, "attempt_ended", 2, "dome-1", 1, 2, "lease_lost", "worker_silent", 70),
    ]


def test_at_a_tie_of_lease_and_silence_the_lease_is_the_reason():
    """One event tells the end of the lease, and it names the lease."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=100)
    d.submit()
    d.taken()
    d.at(200)
    assert d.rows("worker_declared_lost", "attempt_ended") == [
        (100, "worker_declared_lost", 0, "dome-1", 1, 0),
        (100, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 100),
    ]


def test_a_worker_declared_lost_may_take_again_but_its_old_tokens_stay_dead():
    """Contact brings the worker back, and its silence counts anew."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=40)
    d.submit()
    d.taken()
    assert d.at(60).heartbeat(1) == HeartbeatReply(refused=(1,))
    assert d.taken().token == 2
    d.at(300)
    assert d.rows("worker_declared_lost") == [
        (40, "worker_declared_lost", 0, "dome-1", 1, 0),
        (100, "worker_declared_lost", 0, "dome-1", 1, 60),
    ]
    d.hand_in(2)
    assert d.taken().token == 3


def test_a_message_pushes_the_end_of_silence_out():
    """A worker that is heard at 30 is lost at 70 and not before."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=40)
    d.at(30).take()
    d.at(200)
    assert d.rows("worker_declared_lost") == [(70, "worker_declared_lost", 0, "dome-1", 1, 30)]


def test_silence_no_longer_matters_to_who_has_signed_off():
    """A worker that signed off is never declared lost; a lease that it kept runs out."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=40)
    d.submit()
    d.taken()
    d.broker.sign_off(5, 0, "dome-1", 1)
    d.at(200)
    assert d.rows("worker_signed_off", "worker_declared_lost", "attempt_ended") == [
        (5, "worker_signed_off", 0, "dome-1", 1),
        (100, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 100),
    ]


def test_an_earlier_incarnation_can_sign_off_late():
    """A late farewell of an old program leaves the new one at its post."""
    d = Driver(NIGHT)
    d.register("dome-1")
    d.register("dome-1")
    d.broker.sign_off(5, 0, "dome-1", 1)
    assert d.broker.snapshot()["workers"] == {"dome-1": 2}


def test_a_job_handed_back_unstarted_was_never_tried():
    """Its attempt does not count and its number comes again, with a higher token; a repeat is answered alike."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    back = (0, 0, "dome-1", 1)
    assert [d.broker.hand_back(*back, 1), d.broker.hand_back(*back, 1)] == [True, True]
    assert (d.state(1), d.broker.last_attempt(1)) == ("queued", 0)
    assert d.taken()[:3] == (1, 1, 2)
    d.hand_in(2, "error")
    d.taken()
    assert d.broker.hand_back(*back, 3) is True
    assert (d.state(1), d.broker.last_attempt(1)) == ("requeued", 1)
    assert d.broker.hand_back(*back, 2) is False
    assert d.rows("handed_back", "stale_refused") == [
        (0, "handed_back", 1, "dome-1", "queued", 1, 1),
        (0, "handed_back", 1, "dome-1", "requeued", 2, 3),
        (0, "stale_refused", 1, "dome-1", 2, "hand_back"),
    ]


def test_a_job_handed_back_while_a_person_holds_it_is_held():
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    d.broker.hold(0, 0, 1)
    d.broker.hand_back(0, 0, "dome-1", 1, 1)
    assert d.state(1) == "queued_held"


def test_a_job_handed_back_after_its_start_limit_expires():
    """Being taken and handed back is no start: the limit that passed meanwhile counts."""
    d = Driver(QueueRules("night", lease=100, start_within=50))
    d.submit()
    d.at(40).taken()
    d.at(60).broker.hand_back(60, 0, "dome-1", 1, 1)
    assert d.ends(1) == [("failed", "expired")]


def test_a_job_not_started_in_time_expires():
    """Not started by 50, a job fails at 50 before anybody can take it; one that was started does not."""
    d = Driver(QueueRules("night", lease=100, start_within=50, retry=AGAIN))
    d.submit(), d.submit()
    d.at(49).taken()
    assert d.at(50).take("dome-2") is None
    assert d.rows("finished") == [(50, "finished", 2, "", "failed", "expired", "not_started", 0)]


def test_the_start_limit_counts_from_when_the_job_is_due():
    d = Driver(QueueRules("night", start_within=50))
    d.submit(not_before=100)
    d.at(149)
    assert d.state(1) == "queued"
    d.at(150)
    assert d.ends(1) == [("failed", "expired")]


def test_the_time_limit_ends_the_attempt_whatever_renews_its_lease():
    """Counted from the hand-out, 120 ticks after it the attempt is too long, though its lease runs up to 190."""
    d = Driver(QueueRules("night", lease=100, time_limit=TimeLimit(120, "fail")))
    d.submit()
    d.taken()
    d.at(90).heartbeat(1)
    assert d.at(120).hand_in(1) is False
    assert d.rows("attempt_ended", "finished") == [
        (120, "attempt_ended", 1, "dome-1", 1, 1, "time_limit", "time_limit", 120),
        (120, "finished", 1, "", "failed", "time_limit", "time_limit_reached", 1, {"limit": 120}),
    ]


@pytest.mark.parametrize("then", ["start_over", "resume"])
def test_after_the_time_limit_a_job_starts_over_so_many_times(then):
    """It may start over twice; the third time it has failed, whatever outcomes are retried."""
    retry = DataRetry(attempts_in_all=9, retried=())
    d = Driver(QueueRules("night", lease=100, time_limit=TimeLimit(60, then, 2), retry=retry))
    d.submit()
    for attempt in range(3):
        d.at(attempt * 60).taken()
    d.at(180)
    assert d.rows("finished") == [
        (180, "finished", 1, "", "failed", "time_limit", "time_limits_reached", 3, {"count": 3, "most": 2})
    ]


def test_after_the_time_limit_the_limits_of_retries_still_hold():
    d = Driver(QueueRules("night", lease=100, time_limit=TimeLimit(60, "resume"), retry=DataRetry()))
    d.submit()
    d.taken()
    d.at(60)
    assert d.ends(1) == [("failed", "attempts_used_up")]


def test_the_total_limit_ends_a_running_job():
    """From first submission, running or not; the attempt is too long."""
    d = Driver(QueueRules("night", lease=100, retry=DataRetry(attempts_in_all=5, total_limit=80)))
    d.submit(), d.submit()
    d.at(30).taken()
    d.at(80)
    assert d.rows("attempt_ended", "finished") == [
        (80, "attempt_ended", 1, "dome-1", 1, 1, "time_limit", "total_limit", 80),
        (80, "finished", 1, "", "failed", "out_of_time", "total_limit_reached", 1, {"limit": 80}),
        (80, "finished", 2, "", "failed", "out_of_time", "total_limit_reached", 0, {"limit": 80}),
    ]


def test_a_forgotten_lease_leads_to_a_second_hand_out_with_a_higher_token():
    """The broker's table loses it: the job is handed out again at once, and the first worker's outcome is stale."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    assert [d.broker.forget(10, 0, 1), d.broker.forget(10, 0, 1)] == [True, False]
    assert d.taken("dome-2")[:3] == (1, 2, 2)
    assert (d.hand_in(1), d.hand_in(2, worker="dome-2")) == (False, True)
    assert d.rows("lease_forgotten", "attempt_ended", "requeued")[:3] == [
        (10, "lease_forgotten", 1, "dome-1", 1),
        (10, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "forgotten", 10),
        (10, "requeued", 1, "", "requeued", 10, -1),
    ]


def test_computed_heartbeats_are_settled_without_an_event():
    """A lease and a worker's silence may be pushed out by arithmetic; never back, and never for a dead lease."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=100)
    d.submit()
    d.taken()
    events = len(d.recorder.rows)
    for until in (250, 150):
        d.broker.settle_lease(1, until)
    for at in (150, 90):
        d.broker.settle_heard("dome-1", 1, at)
    d.at(249)
    assert len(d.recorder.rows) == events
    d.at(251)
    d.broker.settle_lease(1, 900)
    assert d.rows("attempt_ended", "worker_declared_lost") == [
        (250, "worker_declared_lost", 0, "dome-1", 1, 150),
        (250, "attempt_ended", 1, "dome-1", 1, 1, "lease_lost", "lease_ran_out", 250),
    ]


def test_settled_contact_brings_a_lost_worker_back():
    d = Driver(NIGHT)
    d.register("dome-1", silence=40)
    d.at(50)
    d.broker.settle_heard("dome-1", 1, 50)
    d.at(200)
    assert [row[0] for row in d.rows("worker_declared_lost")] == [40, 90]


def test_a_lost_worker_that_signs_off_by_its_last_message_is_not_awaited():
    """A message after the farewell brings nobody back."""
    d = Driver(NIGHT)
    d.register("dome-1", silence=40)
    d.submit()
    d.taken()
    d.at(50)
    d.broker.sign_off(50, 0, "dome-1", 1)
    assert d.hand_in(1) is False
    d.at(500)
    assert len(d.rows("worker_declared_lost")) == 1


def test_what_the_emulator_itself_should_never_ask_is_a_defect():
    """Unknown workers, queues, jobs, outcomes, alarms, origins and a second start as the same incarnation."""
    d = Driver(NIGHT)
    d.submit()
    d.taken()
    broker = d.broker
    calls = [
        lambda: broker.holder("nobody", 1),
        lambda: broker.take(0, d.message(9), ("night", "dusk"), frozenset(), None),
        lambda: broker.take(0, d.message(10), ("dusk",), frozenset(), None),
        lambda: broker.holder("dome-1", 7),
        lambda: broker.register(0, 0, "dome-1", 1, None),
        lambda: broker.hand_in(0, 0, d.message(11), 1, "lease_lost"),
        lambda: broker.state_of(2),
        lambda: broker.hold(0, 0, 0),
        lambda: broker.queued("dusk"),
        lambda: broker.due(0, 0, "breakfast", 1, 0),
        lambda: broker.submit(0, 0, new_job("dusk")),
        lambda: broker.submit(0, 0, new_job(origin=9)),
        lambda: broker.submit(0, 0, new_job(after=After((Before("e", 2),)))),
    ]
    before = broker.snapshot()
    for call in calls:
        with pytest.raises(DefectError):
            call()
    assert broker.snapshot() == before


def test_a_job_that_was_handed_out_is_told_to_who_asks():
    """Leases, tokens, attempts, states, jobs and families can be looked up, and stay true once a job is final."""
    d = Driver(NIGHT)
    first, again = d.submit(), d.submit(origin=1)
    d.taken()
    assert (job := d.broker.job(first)) is not None and (job.number, job.name) == (first, "plates#1")
    assert (d.broker.final_state(first), d.broker.sub_state(first)) == (None, "")
    d.hand_in(1, "permanent_error")
    assert (d.broker.job(first), d.broker.token_of(first), d.broker.last_attempt(first)) == (None, 0, 1)
    assert (d.broker.final_state(first).value, d.broker.sub_state(first)) == ("failed", "permanent_error")
    assert (d.broker.family(first), d.broker.family(again)) == (1, 1)
    assert list(d.broker.jobs_unfinished()) == [2]


def test_who_hands_work_out_at_once_is_told_what_became_eligible():
    """``fresh`` names a queue for each job that came, each key that came free, each place in a full queue."""
    d = Driver(QueueRules("night", running_at_most=2, retry=AGAIN))
    d.submit(key="m31"), d.submit(key="m31"), d.submit(), d.submit()
    assert d.broker.fresh == ["night"] * 4
    d.taken(), d.taken()
    d.broker.fresh.clear()
    d.hand_in(1)
    assert d.broker.fresh == ["night", "night"]
