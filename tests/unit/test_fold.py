"""Events that do not add up are refused, by number and in words."""

import re

import pytest

from emulator.errors import LogError
from emulator.record.fold import fold, verify

SUBMITTED = (0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0)
NOT_DUE = (0, "submitted", 0, 1, "", "queued_held", "copy", "night", "plates", 1, "", 0, "not_due", 0)
REGISTERED = (0, "worker_registered", 0, 0, "dome-1", 1)
OUT = (1, "handed_out", 0, 1, "dome-1", 1, 5, 100, 1)
START = [SUBMITTED, REGISTERED, OUT]
ENDED = (9, "attempt_ended", 0, 1, "dome-1", 1, 5, "error", "", 9)
FORGOTTEN = (9, "attempt_ended", 4, 1, "dome-1", 1, 5, "lease_lost", "forgotten", 9)
PREREQUISITE = (*NOT_DUE[:12], "prerequisite", 0)


def finished(sub_state: str = "", attempts: int = 1, cause: int = 4, state: str = "") -> tuple[object, ...]:
    return (9, "finished", cause, 1, "", state or ("failed" if sub_state else "done"), sub_state, "", attempts)


def ended(outcome: str, why: str = "", nominal: int = 9) -> tuple[object, ...]:
    return (9, "attempt_ended", 0, 1, "dome-1", 1, 5, outcome, why, nominal)


def requeued(state: str = "requeued", due: int = 9, left: int = -1, cause: int = 4) -> tuple[object, ...]:
    return (9, "requeued", cause, 1, "", state, due, left)


def test_a_whole_life_folds_into_the_state():
    """One job done after a retry, one running, one held, a queue held, the broker down, a worker gone and come."""
    rows = [
        *START,
        ENDED,
        requeued("requeued_held", 20, 3),
        (20, "hold_ended", 5, 1, "", "requeued", "pausing"),
        (21, "handed_out", 0, 1, "dome-1", 2, 8, 200, 1),
        (22, "attempt_ended", 0, 1, "dome-1", 2, 8, "ok", "", 22),
        (22, "finished", 8, 1, "", "done", "", "", 2),
        (23, "submitted", 0, 2, "", "queued", "copy", "day", "plates", 2, "", 0, "", 1),
        (23, "submission_repeated", 0, 1, "", "k"),
        (24, "handed_out", 0, 2, "dome-1", 1, 9, 200, 1),
        (24, "held", 0, 2, "", "running", "by_person"),
        (25, "suspend_requested", 0, 2, ""),
        (26, "suspended", 0, 2, "dome-1", 9),
        (27, "heartbeat_received", 0, 0, "dome-1", 1, 1),
        (27, "lease_renewed", 16, 2, "dome-1", 9, 300),
        (28, "work_began", 0, 2, "dome-1", 1, 9),
        (28, "queue_held", 0, 0, "", "night"),
        (28, "stale_refused", 0, 0, "dome-1", 77, "renewal"),
        (29, "worker_signed_off", 0, 0, "dome-1", 1),
        (29, "worker_registered", 0, 0, "dome-1", 2),
        (29, "worker_signed_off", 0, 0, "dome-1", 1),
        (30, "broker_down", 0, 0, ""),
        (31, "stale_refused", 0, 2, "dome-1", 9, "effect"),
    ]
    assert verify(rows) is None
    assert fold(rows) == {
        "up": False,
        "queues_held": ["night"],
        "workers": {"dome-1": 2},
        "jobs": {
            2: {
                "state": "suspended",
                "attempts": 1,
                "held": "by_person",
                "token": 9,
                "lost_leases": 0,
                "suspension_wanted": True,
            }
        },
        "finished": {1: {"state": "done", "sub_state": "", "attempts": 2}},
    }


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([()], "event 1: () is not a row of at least five fields"),
        (["held!"], "event 1: 'held!' is not a row of at least five fields"),
        ([("0", "held", 0, 0, "")], "event 1: at is '0', not a whole number"),
        ([(0, "held", 0, 0, None)], "event 1: worker is None, not text"),
        ([(0, "breakfast", 0, 0, "")], "event 1: there is no kind of event called 'breakfast'"),
        ([(0, "held", 0, 0, "")], "event 1: held has 0 details, not 2: state, reason"),
        ([(0, "held", 0, 1, "", "queued", 3)], "event 1: reason is 3, not text"),
        ([(0, "lease_forgotten", 0, 1, "", True)], "event 1: token is True, not a whole number"),
        ([(0, "run_began", 0, 0, "", [7])], "event 1: seed is [7], not a plain value"),
        ([SUBMITTED, (-1, "broker_down", 0, 0, "")], "event 2 (broker_down, at -1): time went back from 0"),
        (
            [(0, "broker_down", 1, 0, "")],
            "event 1 (broker_down, at 0): its cause is event 1, which does not lie before it",
        ),
        ([(0, "broker_up", 0, 0, "")], "the broker was not down"),
        ([(0, "broker_down", 0, 0, ""), SUBMITTED], "event 2 (submitted, at 0): the broker was down"),
        ([(0, "submitted", 0, 0, *SUBMITTED[4:])], "job 0 does not follow job 0"),
        ([SUBMITTED, (0, "submitted", 0, 3, *SUBMITTED[4:])], "job 3 does not follow job 1"),
        ([(*SUBMITTED[:-1], 1)], "job 1 cannot stand in the place of job 1"),
        ([(*NOT_DUE[:12], "pausing", 0)], "'pausing' is no set of reasons to hold a job from the start"),
        ([(*NOT_DUE[:12], "prerequisite,not due", 0)], "'prerequisite,not due' is no set of reasons"),
        ([(*NOT_DUE[:12], "", 0)], "a job held for nothing is queued, not queued_held"),
        ([(*SUBMITTED[:12], "not_due", 0)], "a job held for not_due is queued_held, not queued"),
        ([(0, "submission_repeated", 0, 1, "", "k")], "job 1 is not known"),
        ([(0, "held", 0, 1, "", "queued_held", "by_person")], "job 1 is not known"),
        ([*START, ended("ok"), finished(), (9, "suspend_requested", 0, 1, "")], "job 1 is final"),
        ([SUBMITTED, (0, "held", 0, 1, "", "queued_held", "not_due")], "a job is held for 'not_due' only when"),
        ([SUBMITTED, (0, "held", 0, 1, "", "running", "by_person")], "hold leads from queued to queued_held, not to"),
        (
            [SUBMITTED, (0, "hold_ended", 0, 1, "", "queued", "not_due")],
            "'not_due' is no reason for which job 1 is held",
        ),
        ([SUBMITTED, OUT], "worker 'dome-1' is not there as incarnation 1"),
        ([SUBMITTED, REGISTERED, (0, "queue_held", 0, 0, "", "night"), OUT], "queue night is held"),
        ([SUBMITTED, REGISTERED, (*OUT[:5], 2, *OUT[6:])], "attempt 2 does not follow attempt 0"),
        ([SUBMITTED, REGISTERED, (*OUT[:6], 0, *OUT[7:])], "token 0 is not above 0"),
        ([SUBMITTED, REGISTERED, (*OUT[:7], 1, 1)], "the lease ends at 1, before it begins"),
        ([NOT_DUE, REGISTERED, OUT], "take is refused to a job that is queued_held: it is held"),
        ([*START, (*OUT[:5], 2, 6, 100, 1)], "take is refused to a job that is running: a worker has it"),
        ([*START, (1, "lease_renewed", 0, 1, "dome-1", 4, 9)], "token 4 is not the job's, which is 5"),
        ([SUBMITTED, (1, "lease_forgotten", 0, 1, "dome-1", 4)], "token 4 is not the job's, which is none"),
        (
            [*START, (1, "lease_renewed", 0, 1, "dome-1", 5, 9)],
            "its cause is event 0, nothing, and not a heartbeat_rec",
        ),
        ([*START, (1, "lease_renewed", 1, 1, "dome-1", 5, 9)], "its cause is event 1, submitted, and not a heartbeat_"),
        (
            [*START, (1, "heartbeat_received", 0, 0, "dome-1", 1, 1), (1, "lease_renewed", 4, 1, "dome-1", 5, 1)],
            "the lease ends at 1, before it is renewed",
        ),
        ([*START, (1, "handed_back", 0, 1, "dome-1", "queued", 2, 5)], "attempt 2 is not the present one, 1"),
        ([*START, (1, "work_began", 0, 1, "dome-1", 2, 5)], "token 5 was never granted for that attempt of job 1"),
        ([*START, (1, "stale_refused", 0, 1, "dome-1", 6, "outcome")], "token 6 was never granted for that attempt"),
        ([(0, "stale_refused", 0, 0, "dome-1", 6, "bread")], "nothing called 'bread' can be stale"),
        ([*START, ended("nonsense")], "there is no outcome 'nonsense'"),
        ([*START, ended("error", nominal=10)], "it was due at 10, which is yet to come"),
        ([*START, ENDED], "event 4 is the last, and nothing follows the end of an attempt of job 1"),
        ([*START, ENDED, (10, "run_ended", 0, 0, "")], "an attempt of job 1 ended, and nothing followed"),
        (
            [*START, ENDED, (9, "suspend_requested", 0, 1, "")],
            "an attempt of job 1 ended, and what followed is not told",
        ),
        ([*START, requeued(cause=3)], "no attempt of job 1 has ended"),
        ([*START, ENDED, requeued(cause=3)], "its cause is event 3, not 4, by which the attempt ended"),
        ([*START, ended("ok"), requeued()], "a job is not tried again after ok"),
        ([*START, ended("lease_lost", "withdrawn"), requeued()], "a job is not tried again after withdrawn"),
        ([*START, ENDED, requeued(due=8)], "the pause ended at 8, before it began"),
        ([*START, ENDED, requeued(left=-2)], "an allowance cannot have -2 tokens left"),
        ([*START, ENDED, requeued(due=12)], "outcome leads from running to requeued_held, not to requeued"),
        (
            [*START, ended("lease_lost", "lease_ran_out"), requeued("queued")],
            "lease loss leads from running to requeued",
        ),
        (
            [*START, ended("lease_lost", "worker_silent")],
            "its cause is event 0, nothing, and not a worker_declared_lost",
        ),
        ([*START, (*FORGOTTEN[:2], 0, *FORGOTTEN[3:])], "its cause is event 0, by which the lease was not forgotten"),
        (
            [*START, (9, "lease_forgotten", 0, 1, "dome-1", 5), ENDED],
            "the lease was forgotten by event 4, and the attempt",
        ),
        ([*START, (9, "lease_forgotten", 0, 1, "dome-1", 5)], "event 4 is the last, and nothing follows"),
        (
            [*START, (9, "lease_forgotten", 0, 1, "dome-1", 5), FORGOTTEN, requeued("requeued_held", cause=5)],
            "forgetting leads from running to requeued, not to requeued_held",
        ),
        (
            [*START, (9, "lease_forgotten", 0, 1, "dome-1", 5), FORGOTTEN, finished("attempts_used_up", cause=5)],
            "attempts_used_up does not follow from an attempt that ended lease_lost",
        ),
        ([*START, ENDED, finished("attempts_used_up", 2)], "job 1 had 1 attempts, not 2"),
        ([*START, ENDED, finished()], "done does not follow from an attempt that ended error"),
        ([*START, ENDED, finished("breakfast")], "breakfast does not follow from an attempt that ended error"),
        (
            [*START, ended("lease_lost", "withdrawn"), finished("out_of_time")],
            "'out_of_time' does not follow from 'withdr",
        ),
        ([*START, ended("lease_lost"), finished("withdrawn")], "'withdrawn' does not follow from 'lease_lost'"),
        ([*START, ended("ok"), finished(state="failed")], "outcome leads from running to done, not to failed"),
        ([SUBMITTED, finished("time_limit", 0, 0)], "a job is time_limit only after an attempt"),
        ([SUBMITTED, finished("", 0, 0)], "a job is done only after an attempt"),
        ([*START, finished("withdrawn", 1, 0, "failed"), ENDED], "event 4 (finished, at 9): a worker still has job 1"),
        (
            [NOT_DUE, finished("prerequisite_failed", 0, 0)],
            "prerequisite failure is refused to a job that is queued_held",
        ),
        ([*START, (1, "resumed", 0, 1, "dome-1", 5)], "resumption is refused to a job that is running"),
        ([*START, (1, "suspended", 0, 1, "dome-1", 5)], "suspension is refused to a job that is running: nobody asked"),
        ([*START, (1, "resume_requested", 0, 1, "")], "resume is refused to a job that is running"),
        ([(0, "queue_held", 0, 0, "", "x")] * 2, "queue x is held already"),
        ([(0, "queue_released", 0, 0, "", "x")], "queue x is not held"),
        ([REGISTERED, REGISTERED], "incarnation 1 of worker 'dome-1' is not above 1"),
        ([(0, "worker_declared_lost", 0, 0, "dome-1", 1, 0)], "worker 'dome-1', incarnation 1, was never registered"),
        (
            [REGISTERED, (0, "worker_declared_lost", 0, 0, "dome-1", 1, 1)],
            "the worker was last heard at 1, which is yet",
        ),
        ([(0, "worker_signed_off", 0, 0, "dome-1", 1)], "worker 'dome-1', incarnation 1, was never registered"),
        ([(0, "heartbeat_received", 0, 0, "dome-1", 1, 1)], "worker 'dome-1', incarnation 1, was never registered"),
    ],
)
def test_what_does_not_add_up_is_refused(rows, message):
    """The first event that is wrong is named by its number, with what is wrong about it."""
    with pytest.raises(LogError, match=re.escape(message)):
        verify(rows)


@pytest.mark.parametrize(
    "rows",
    [
        [*START, ended("lease_lost", "withdrawn"), finished("withdrawn")],
        [*START, ended("time_limit", "total_limit"), finished("out_of_time")],
        [*START, ended("time_limit", "time_limit"), finished("time_limit")],
        [*START, ended("permanent_error"), finished("permanent_error")],
        [*START, ended("error"), finished("allowance_used_up")],
        [*START, (9, "lease_forgotten", 0, 1, "dome-1", 5), FORGOTTEN, requeued(cause=5)],
        [*START, ended("lease_lost", "lease_ran_out"), requeued("requeued_held", -1, 0)],
        [*START, (2, "handed_back", 0, 1, "dome-1", "queued", 1, 5), finished("expired", 0, 4)],
        [NOT_DUE, finished("out_of_time", 0, 1)],
        [PREREQUISITE, finished("prerequisite_failed", 0, 1)],
        [
            SUBMITTED,
            (0, "held", 0, 1, "", "queued_held", "by_person"),
            (0, "hold_ended", 0, 1, "", "queued", "by_person"),
        ],
        [
            *START,
            (1, "suspend_requested", 0, 1, ""),
            (1, "resume_requested", 0, 1, ""),
            (1, "suspended", 0, 1, "dome-1", 5),
            (1, "resumed", 0, 1, "dome-1", 5),
        ],
        [list(SUBMITTED), (1, "run_began", 0, 0, "", 7)],
    ],
)
def test_what_adds_up_is_accepted(rows):
    assert verify(rows) is None
