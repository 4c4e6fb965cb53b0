"""Retries: which limit ends a job, how long it pauses, what the allowance grants, and the token bucket behind it."""

import pytest
from broker_driver import Driver
from hypothesis import given
from hypothesis import strategies as st

from emulator.broker.retry import base_pause, decide
from emulator.broker.rules import Allowance, DataRetry, QueueRules, RetryCase, Verdict, jittered
from emulator.errors import DefectError, InputError
from emulator.record.reasons import Reason, Why
from emulator.timeline.bucket import TokenBucket


def case(**more: object) -> RetryCase:
    plain = {"job": 1, "attempt": 1, "lost": 0, "outcome": "error", "now": 100, "first_submitted": 0, "last_pause": 0}
    return RetryCase(**{**plain, "u": 0.5, **more})


def no(why: str) -> Verdict:
    return Verdict(False, 0, why)


@pytest.mark.parametrize(
    ("retry", "more", "verdict"),
    [
        (DataRetry(), {}, no("attempts_in_all")),
        (DataRetry(3), {"attempt": 2}, Verdict(True)),
        (DataRetry(3), {"attempt": 3}, no("attempts_in_all")),
        (DataRetry(3), {"outcome": "permanent_error"}, no("not_retried")),
        (DataRetry(3, retried=("lease_lost",)), {}, no("not_retried")),
        (DataRetry(9, lost_leases_at_most=1), {"lost": 1, "outcome": "lease_lost"}, Verdict(True)),
        (DataRetry(9, lost_leases_at_most=1), {"lost": 2, "outcome": "lease_lost"}, no("lost_leases")),
        (DataRetry(9, pause="constant", first=7, total_limit=108), {}, Verdict(True, 7)),
        (
            DataRetry(9, pause="constant", first=7, total_limit=107),
            {},
            no("no_retry_in_time"),
        ),
        (DataRetry(9), {"retry_after": 60, "refused_at": 90}, Verdict(True, 50)),
        (DataRetry(9), {"retry_after": 60, "refused_at": 20}, Verdict(True, 0)),
        (
            DataRetry(9, pause="constant", first=70, longest=30),
            {"retry_after": 60, "refused_at": 90},
            Verdict(True, 50),
        ),
        (DataRetry(9, pause="constant", first=70), {"retry_after": 60, "refused_at": 90}, Verdict(True, 70)),
        (DataRetry(9, respects_retry_after=False), {"retry_after": 60, "refused_at": 90}, Verdict(True)),
    ],
)
def test_the_limit_that_is_reached_first_is_named(retry, more, verdict):
    """A verdict says whether, after which pause, or why not, in plain words."""
    assert decide(retry, case(**more)) == verdict


@pytest.mark.parametrize(
    ("retry", "pauses"),
    [
        (DataRetry(), [0, 0, 0, 0]),
        (DataRetry(pause="constant", first=10), [10, 10, 10, 10]),
        (DataRetry(pause="linear", first=10), [10, 20, 30, 40]),
        (DataRetry(pause="linear", first=10, longest=25), [10, 20, 25, 25]),
        (DataRetry(pause="exponential", first=10, grows_by=3), [10, 30, 90, 270]),
        (DataRetry(pause="exponential", first=10, grows_by=1.5, longest=30), [10, 15, 22, 30]),
        (DataRetry(pause="exponential", first=0), [0, 0, 0, 0]),
    ],
)
def test_pauses_grow_as_their_formula_says(retry, pauses):
    assert [base_pause(retry, attempt) for attempt in (1, 2, 3, 4)] == pauses


def test_an_exponential_pause_without_a_longest_stays_a_number():
    """After a hundred thousand attempts the pause is still a whole number of ticks, some 30,000 years."""
    assert base_pause(DataRetry(pause="exponential", first=1), 100_000) == 10**18


@given(
    st.sampled_from(["none", "full", "equal", "decorrelated"]),
    st.floats(0, 1, exclude_max=True),
    st.integers(0, 10**12),
)
def test_jitter_stays_in_its_range(jitter, u, pause):
    """Full jitter lies in [0, p], equal in [p/2, p], decorrelated in [first, 3 * before], all cut by the longest."""
    retry = DataRetry(pause="constant", first=pause, jitter=jitter, longest=10**12)
    low, high = {
        "none": (pause, pause),
        "full": (0, pause),
        "equal": (pause - pause // 2, pause),
        "decorrelated": (pause, min(10**12, 6 * pause)),
    }[jitter]
    assert low <= jittered(retry, pause, 2 * pause, u) <= high


def test_the_ends_of_a_jitter_are_reached():
    """With u = 0 and u as near to 1 as it comes, the first and the last whole tick of the range."""
    nearly_one = 1 - 2**-53
    for jitter, ends in (("full", (0, 11)), ("equal", (6, 11)), ("decorrelated", (11, 33))):
        retry = DataRetry(pause="constant", first=11, jitter=jitter)
        assert tuple(jittered(retry, 11, 0, u) for u in (0.0, nearly_one)) == ends


def test_jitter_on_no_pause_is_no_pause():
    assert jittered(DataRetry(jitter="full"), 0, 0, 0.5) == 0


def test_a_uniform_number_is_drawn_only_for_jitter():
    """It is that of the job and the attempt that ended."""
    plain = QueueRules("plain", retry=DataRetry(9, pause="constant", first=10))
    shaken = QueueRules("shaken", retry=DataRetry(9, pause="constant", first=10, jitter="full"))
    at_once = QueueRules("at once", retry=DataRetry(9, jitter="full"))
    d = Driver(plain, shaken, at_once)
    for queue in ("plain", "shaken", "at once"):
        d.submit(queue)
    for token in (1, 2, 3):
        d.taken()
        d.hand_in(token, "error")
    assert d.drawn == [(2, 1)]


def test_a_job_pauses_as_requeued_held():
    """Requeued at 5, it may start at 15, and the events say so."""
    d = Driver(QueueRules("night", retry=DataRetry(9, pause="constant", first=10)))
    d.submit()
    d.at(5).taken()
    d.hand_in(1, "error")
    assert (d.state(1), d.at(14).take()) == ("requeued_held", None)
    assert d.after(15).taken().attempt == 2
    assert d.rows("requeued", "hold_ended") == [
        (5, "requeued", 1, "", "requeued_held", 15, -1),
        (15, "hold_ended", 1, "", "requeued", "pausing"),
    ]


def test_the_decorrelated_pause_grows_from_the_policys_own_pause():
    """A hint of the other system lengthens one pause and does not feed the next; u is 0.5 here."""
    retry = DataRetry(9, pause="constant", first=10, jitter="decorrelated")
    d = Driver(QueueRules("night", retry=retry, lease=10_000))
    d.submit()
    pauses = []
    for attempt in range(3):
        token = d.taken().token
        d.hand_in(token, "error", **({"hint": (500, d.now)} if attempt == 0 else {}))
        pauses.append(d.rows("requeued")[-1][5] - d.now)
        d.after(d.now + pauses[-1])
    own = [10 + 21 // 2]  # the middle of [10, 30]
    own.append(10 + (3 * own[0] - 10 + 1) // 2)
    own.append(10 + (3 * own[1] - 10 + 1) // 2)
    assert pauses == [500, *own[1:]]


def test_lost_leases_count_as_attempts_and_have_a_limit_of_their_own():
    """At most one may be lost: the second ends the job, though seven attempts are left."""
    d = Driver(QueueRules("night", lease=10, retry=DataRetry(9, lost_leases_at_most=1)))
    d.submit()
    d.taken()
    d.at(10).taken()
    d.at(20)
    end = ("failed", "attempts_used_up", "lost_leases", 2, {"lost": 2, "most": 1})
    assert d.rows("finished") == [(20, "finished", 1, "", *end)]


def failing(d: Driver, *jobs: int) -> None:
    """Let each job, as it comes, end in an error."""
    for _ in jobs:
        d.hand_in(d.taken().token, "error")


def test_a_retry_takes_a_token_of_the_allowance():
    """Two are there and none comes: the third retry is not granted."""
    d = Driver(QueueRules("night", retry=DataRetry(9), allowance=Allowance(2)))
    d.submit()
    failing(d, 1, 1, 1)
    assert [row[-1] for row in d.rows("requeued")] == [1, 0]
    assert d.rows("finished") == [(0, "finished", 1, "", "failed", "allowance_used_up", "allowance_used_up", 3)]


def test_a_retry_that_is_refused_anyway_takes_no_token():
    d = Driver(QueueRules("night", retry=DataRetry(2), allowance=Allowance(2)))
    d.submit(), d.submit()
    failing(d, 1, 1, 2)
    assert [row[-1] for row in d.rows("requeued")] == [1, 0]


def test_jobs_wait_for_the_allowance_first_come_first():
    """A token comes every 100 ticks; the pause of 30 runs meanwhile; who comes later waits longer."""
    rules = QueueRules("night", retry=DataRetry(9, pause="constant", first=30), allowance=Allowance(1, 1, 100, "wait"))
    d = Driver(rules)
    d.submit(), d.submit(), d.submit(), d.submit()
    failing(d, 1, 2, 3)
    assert d.broker.explain(0, 2) == (Reason(Why.NO_ALLOWANCE, ("night",)), Reason(Why.PAUSING, (30,)))
    d.at(90)
    failing(d, 4)
    d.broker.withdraw(95, 0, 3)
    d.after(500)
    assert d.rows("requeued", "hold_ended") == [
        (0, "requeued", 1, "", "requeued_held", 30, 0),
        (0, "requeued", 2, "", "requeued_held", 100, 0),
        (0, "requeued", 3, "", "requeued_held", 100, 0),
        (30, "hold_ended", 1, "", "requeued", "pausing"),
        (90, "requeued", 1, "", "requeued_held", 120, 0),
        (100, "hold_ended", 2, "", "requeued", "pausing"),
        (200, "hold_ended", 1, "", "requeued", "pausing"),
    ]


def test_a_pause_that_outlasts_the_wait_for_the_allowance_goes_on():
    rules = QueueRules("night", retry=DataRetry(9, pause="constant", first=300), allowance=Allowance(1, 1, 100, "wait"))
    d = Driver(rules)
    d.submit(), d.submit()
    failing(d, 1, 2)
    d.after(500)
    assert [row[0] for row in d.rows("hold_ended")] == [300, 300]


def test_a_held_job_gets_its_token_and_stays_held():
    d = Driver(QueueRules("night", retry=DataRetry(9), allowance=Allowance(1, 1, 100, "wait")))
    d.submit(), d.submit()
    d.hand_in(d.taken().token, "error")
    d.broker.hold(0, 0, 1)
    failing(d, 2)
    d.broker.hold(0, 0, 2)
    d.after(100)
    d.broker.release(100, 0, 2)
    assert d.state(2) == "requeued"


def test_a_wait_for_the_allowance_that_no_token_will_end_goes_on_or_is_refused():
    """Without a total limit the job waits; with one, it is told at once that no retry could start within it."""
    d = Driver(
        QueueRules("night", retry=DataRetry(9), allowance=Allowance(0, 0, 100, "wait")),
        QueueRules("day", retry=DataRetry(9, total_limit=1000), allowance=Allowance(0, 0, 100, "wait")),
        QueueRules("dusk", retry=DataRetry(9, total_limit=90), allowance=Allowance(1, 1, 100, "wait")),
        QueueRules("dawn", retry=DataRetry(9, total_limit=150), allowance=Allowance(1, 1, 100, "wait")),
    )
    for queue in ("night", "day", "dusk", "dusk", "dawn", "dawn"):
        d.submit(queue)
    for queue in ("night", "day", "dusk", "dawn"):
        for _ in range(1 if queue in ("night", "day") else 2):
            d.hand_in(d.taken(queues=(queue,)).token, "error")
            d.broker.hold(0, 0, 3), d.broker.hold(0, 0, 5)
    assert d.rows("requeued")[0] == (0, "requeued", 1, "", "requeued_held", -1, 0)
    assert [d.state(job) for job in (1, 2, 4, 6)] == ["requeued_held", "failed", "failed", "requeued_held"]
    assert d.broker.sub_state(2) == d.broker.sub_state(4) == "out_of_time"
    d.after(10_000)
    assert d.state(1) == "requeued_held"


def test_a_forgotten_lease_asks_nothing_of_the_allowance():
    d = Driver(QueueRules("night", retry=DataRetry(9), allowance=Allowance(2)))
    d.submit()
    d.taken()
    d.broker.forget(0, 0, 1)
    assert d.rows("requeued") == [(0, "requeued", 1, "", "requeued", 0, 2)]


class Stubborn:
    """A policy that always wants the same."""

    def __init__(self, verdict: Verdict) -> None:
        self.verdict = verdict
        self.cases: list[RetryCase] = []

    def decide(self, case: RetryCase) -> Verdict:
        self.cases.append(case)
        return self.verdict


def test_a_users_own_policy_decides_within_the_limits_of_the_file():
    """It sees the case and nothing that was sampled; attempts in all and the total limit stand beside it."""
    policy = Stubborn(Verdict(True, 40))
    d = Driver(QueueRules("night", retry=DataRetry(2, retried=()), policy=policy))
    d.at(5).submit()
    d.at(7).taken()
    d.hand_in(1, "permanent_error", hint=(9, 6))
    d.after(47).taken()
    d.hand_in(2, "error")
    assert policy.cases == [RetryCase(1, 1, 0, "permanent_error", 7, 5, 0, 0.5, 9, 6)]
    assert d.ends(1) == [("failed", "attempts_used_up")]
    assert d.rows("requeued") == [(7, "requeued", 1, "", "requeued_held", 47, -1)]


@pytest.mark.parametrize(
    ("outcome", "why", "end"),
    [
        ("error", "enough", ("failed", "attempts_used_up", "said", 1, {"said": "enough"})),
        ("permanent_error", "", ("failed", "permanent_error", "policy_said_no", 1)),
    ],
)
def test_a_users_own_policy_may_say_no(outcome, why, end):
    d = Driver(QueueRules("night", retry=DataRetry(5), policy=Stubborn(Verdict(False, 0, why))))
    d.submit()
    d.hand_in(d.taken().token, outcome)
    assert d.rows("finished")[0][4:] == end


def test_a_users_own_policy_cannot_go_beyond_the_total_limit():
    d = Driver(QueueRules("night", retry=DataRetry(5, total_limit=50), policy=Stubborn(Verdict(True, 50))))
    d.submit()
    d.hand_in(d.taken().token, "error")
    assert d.ends(1) == [("failed", "out_of_time")]


@pytest.mark.parametrize("pause", [-1, 2.5])
def test_a_pause_that_is_no_number_of_ticks_is_refused_by_name(pause):
    d = Driver(QueueRules("night", retry=DataRetry(5), policy=Stubborn(Verdict(True, pause))))
    d.submit()
    d.taken()
    with pytest.raises(InputError, match=f"queue night answered a pause of {pause} to job 1 after attempt 1"):
        d.hand_in(1, "error")


def test_alarms_are_asked_for_only_where_a_limit_is():
    """A plain job on a plain queue rings for nothing."""
    d = Driver(QueueRules("night", retry=DataRetry(5)))
    d.submit()
    failing(d, 1)
    d.hand_in(d.taken().token)
    assert d.rung == []


# -- the bucket


def test_a_bucket_gives_a_token_at_the_tick_at_which_it_is_whole():
    """3 tokens in each 10 ticks, full with 2: the third taking in a row must wait for tick 4 (10/3 rounded up)."""
    bucket = TokenBucket(2, 3, 10)
    assert [bucket.take(0), bucket.take(0), bucket.take(0), bucket.when(0), bucket.when(0, 2)] == [
        True,
        True,
        False,
        4,
        7,
    ]
    assert [bucket.take(3), bucket.whole(3), bucket.take(4), bucket.whole(7), bucket.whole(1000)] == [
        False,
        0,
        True,
        1,
        2,
    ]


def test_a_bucket_knows_what_it_will_never_hold():
    assert [TokenBucket(2, 1, 10).when(0, 3), TokenBucket(1).when(0, 2), TokenBucket(0, 5, 1).when(9)] == [None] * 3
    assert TokenBucket(1).when(5) == 5


@given(st.integers(1, 5), st.integers(0, 7), st.integers(1, 20), st.lists(st.integers(0, 30), max_size=60))
def test_a_bucket_is_exact(holds, refills, each, gaps):
    """It gives what whole-number arithmetic in 1/each of a token gives, tick by tick."""
    bucket, level, now = TokenBucket(holds, refills, each), holds * each, 0
    for gap in gaps:
        for _ in range(gap):
            level = min(holds * each, level + refills)
        now += gap
        assert bucket.whole(now) == level // each
        assert bucket.take(now) is (level >= each)
        level -= each if level >= each else 0
        wait = bucket.when(now)
        if wait is not None:
            assert (wait - now) * refills + level >= each
            assert wait == now or (wait - now - 1) * refills + level < each


@pytest.mark.parametrize("numbers", [(-1, 0, 1), (1, -1, 1), (1, 1, 0)])
def test_a_bucket_refuses_numbers_that_mean_nothing(numbers):
    with pytest.raises(DefectError, match="a bucket cannot hold"):
        TokenBucket(*numbers)


def test_a_bucket_cannot_be_asked_about_the_past():
    bucket = TokenBucket(1, start=10)
    with pytest.raises(DefectError, match="asked about 9us after it had been asked about 10us"):
        bucket.take(9)
