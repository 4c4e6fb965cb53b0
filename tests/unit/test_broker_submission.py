"""Submission: numbers, capacity, idempotency keys, prerequisites, resubmitted jobs."""

import pytest
from broker_driver import Driver

from emulator.broker.rules import QueueRules

PLATES = {"plates": False}


def test_a_submission_is_recorded_whole():
    """Numbers are given in order, and the event tells all that a reader needs."""
    d = Driver(QueueRules("night"), first=(7, 1))
    d.at(5)
    job = d.submit(key="m31", priority=3, not_before=9, routine="export", entry="exports", ordinal=4)
    assert job == 7
    assert d.rows() == [
        (5, "submitted", 7, "", "queued_held", "export", "night", "exports", 4, "m31", 3, "not_due", 0),
    ]


def test_a_full_queue_refuses():
    """Two unfinished jobs fill it, running ones included; a finished one makes room."""
    d = Driver(QueueRules("night", capacity=2))
    assert [d.submit(), d.submit(), d.submit()] == [1, 2, 0]
    d.taken()
    assert d.submit() == 0
    d.hand_in(1)
    assert d.submit() == 3
    why = ("queue_full", {"most": 2})
    assert d.rows("submission_refused") == [
        (0, "submission_refused", 0, "", "plate-copy", "night", "plates", ordinal, *why) for ordinal in (3, 4)
    ]


def test_a_repeated_submission_gives_the_first_jobs_number():
    """Whatever else it says is ignored, even another queue, and even a full one."""
    d = Driver(QueueRules("night", capacity=1), QueueRules("day"))
    assert [d.submit(idempotency_key="k"), d.submit("day", idempotency_key="k", priority=9)] == [1, 1]
    assert d.submit(idempotency_key="k") == 1
    assert d.rows("submission_repeated") == [(0, "submission_repeated", 1, "", "k")] * 2


@pytest.mark.parametrize(("kept", "when", "number"), [(0, 10, 2), (50, 59, 1), (50, 60, 2)])
def test_an_idempotency_key_is_kept_for_a_stated_time_after_the_end(kept, when, number):
    """It is valid in [end, end + kept): of a job that ended at 10 and is kept for 50, at 59 and not at 60."""
    d = Driver(QueueRules("night", idempotency_keys_kept=kept))
    d.submit(idempotency_key="k")
    d.at(10).taken()
    d.hand_in(1)
    assert d.at(when).submit(idempotency_key="k") == number
    d.after(500)
    assert d.submit(idempotency_key="k") == 2


def test_a_key_used_again_at_the_instant_of_its_end_belongs_to_the_new_job():
    """The alarm that clears the old key leaves the new one alone."""
    d = Driver(QueueRules("night", idempotency_keys_kept=50))
    d.submit(idempotency_key="k")
    d.taken()
    d.hand_in(1)
    d.at(50)
    assert d.submit(idempotency_key="k") == 2
    d.after(50)
    assert d.submit(idempotency_key="k") == 2


def waiting(**more: object) -> Driver:
    """Give a driver with job 1, and job 2 that waits for it."""
    d = Driver(QueueRules("night"), remembered=PLATES)
    d.submit(ordinal=1)
    d.submit(entry="exports", ordinal=1, after=("plates", 1), **more)
    return d


def test_a_job_waits_for_the_one_before_it():
    d = waiting()
    assert d.state(2) == "queued_held"
    d.taken()
    d.hand_in(1)
    assert d.state(2) == "queued"
    assert d.rows("hold_ended") == [(0, "hold_ended", 2, "", "queued", "prerequisite")]


@pytest.mark.parametrize("if_failed", ["fail", "go_on"])
def test_the_failure_of_the_one_before_it_fails_it_or_lets_it_go_on(if_failed):
    """Every way to fail counts, here a withdrawal; what caused it is named."""
    d = waiting(if_failed=if_failed)
    d.broker.withdraw(3, 0, 1)
    if if_failed == "go_on":
        assert d.state(2) == "queued"
    else:
        end = ("failed", "prerequisite_failed", "prerequisite_failed", 0, {"job": 1, "sub_state": "withdrawn"})
        assert d.rows("finished")[1:] == [(3, "finished", 2, "", *end)]
        assert d.recorder.rows[-1][2] == len(d.recorder.rows) - 1


@pytest.mark.parametrize(
    ("outcome", "if_failed", "end"),
    [("ok", "fail", "queued"), ("error", "go_on", "queued"), ("error", "fail", "failed")],
)
def test_one_that_is_final_already_is_judged_at_once(outcome, if_failed, end):
    d = Driver(QueueRules("night"), remembered=PLATES)
    d.submit(ordinal=1)
    d.taken()
    d.hand_in(1, outcome)
    job = d.submit(entry="exports", after=("plates", 1), if_failed=if_failed)
    assert (job, d.state(job)) == (2, end)


def test_a_job_may_be_submitted_before_the_one_that_it_waits_for():
    d = Driver(QueueRules("night"), remembered=PLATES)
    early = d.submit(entry="exports", after=("plates", 7))
    d.submit(ordinal=7)
    d.taken()
    d.hand_in(1)
    assert d.state(early) == "queued"


def test_a_long_chain_fails_from_its_head_in_order():
    """A thousand jobs, each after the one before it, fail one after another, each caused by the one before it."""
    d = Driver(QueueRules("night"), remembered=PLATES)
    d.submit(ordinal=1)
    for ordinal in range(2, 1001):
        d.submit(ordinal=ordinal, after=("plates", ordinal - 1))
    d.broker.withdraw(0, 0, 1)
    ends = [row for row in d.recorder.rows if row[1] == "finished"]
    assert [row[3] for row in ends] == list(range(1, 1001))
    assert [row[2] for row in ends[1:]] == list(range(1001, 2000))


def test_a_job_that_ended_by_itself_is_judged_no_more():
    """Withdrawn before the one before it ends, or held for another reason too."""
    d = waiting(not_before=50)
    d.submit(entry="exports", ordinal=2, after=("plates", 1))
    d.broker.withdraw(0, 0, 3)
    d.taken()
    d.hand_in(1)
    assert [d.state(job) for job in (2, 3)] == ["queued_held", "failed"]
    d.after(50)
    assert d.state(2) == "queued"


@pytest.mark.parametrize(("if_failed", "end"), [("fail", "failed"), ("go_on", "queued")])
def test_the_refusal_of_the_one_before_it_counts_as_its_failure(if_failed, end):
    """A submission that a full queue refused will never end: who waits, before or after, need not wait for ever."""
    d = Driver(QueueRules("night", capacity=1), QueueRules("day"), remembered=PLATES)
    early = d.submit("day", entry="exports", after=("plates", 2), if_failed=if_failed)
    d.submit(ordinal=1)
    assert d.submit(ordinal=2) == 0
    late = d.submit("day", entry="exports", after=("plates", 2), if_failed=if_failed)
    assert [d.state(early), d.state(late)] == [end, end]


@pytest.mark.parametrize(("follows", "end"), [(True, "queued_held"), (False, "failed")])
def test_a_successor_is_waited_for_if_so_stated(follows, end):
    """Job 1 failed and was resubmitted as job 2: a job after it waits for job 2, or fails with job 1."""
    d = Driver(QueueRules("night"), remembered=PLATES)
    d.submit(ordinal=1)
    d.broker.withdraw(0, 0, 1)
    assert d.submit(ordinal=1, origin=1) == 2
    job = d.submit(entry="exports", after=("plates", 1), follows_resubmitted=follows)
    assert d.state(job) == end
    d.taken()
    d.hand_in(1)
    assert d.state(job) == ("queued" if follows else "failed")


def test_who_waits_already_follows_the_successor():
    """Job 1 is resubmitted while it still runs: who follows resubmitted jobs waits for job 2, others for job 1."""
    d = Driver(QueueRules("night"), remembered=PLATES)
    d.submit(ordinal=1)
    follower = d.submit(entry="exports", after=("plates", 1), follows_resubmitted=True)
    other = d.submit(entry="exports", after=("plates", 1))
    d.taken()
    again = d.submit(ordinal=1, origin=1)
    d.hand_in(1)
    assert (d.state(follower), d.state(other)) == ("queued_held", "queued")
    d.broker.withdraw(0, 0, again)
    assert d.state(follower) == "failed"


def test_a_resubmitted_job_names_its_family():
    """A job resubmitted twice stays in the family of the first."""
    d = Driver(QueueRules("night"))
    d.submit(), d.submit(origin=1), d.submit(origin=2)
    assert [d.broker.family(job) for job in (1, 2, 3)] == [1, 1, 1]
    assert [row[-1] for row in d.rows("submitted")] == [0, 1, 2]


def test_a_repeated_submission_can_be_waited_for_by_its_own_name():
    """Entry plates 2 was the same request as plates 1, which has failed: who waits for plates 2 fails."""
    d = Driver(QueueRules("night", idempotency_keys_kept=100), remembered=PLATES)
    d.submit(ordinal=1, idempotency_key="k")
    job = d.submit(entry="exports", after=("plates", 2))
    d.broker.withdraw(0, 0, 1)
    assert d.submit(ordinal=2, idempotency_key="k") == 1
    assert d.ends(job) == [("failed", "prerequisite_failed")]


def test_a_waiter_that_ended_before_the_other_came_is_left_alone():
    d = Driver(QueueRules("night"), remembered=PLATES)
    d.submit(entry="exports", after=("plates", 7))
    d.broker.withdraw(0, 0, 1)
    d.submit(ordinal=7)
    d.taken()
    assert d.hand_in(1) is True
