"""Retries, leases and tokens, held against published values.

Each test names where its values come from; "from memory" means that the source was not at hand when they were noted
down, and that they were checked by a second computation. Probabilities are checked by running the broker itself many
times, with keyed uniforms, and held to the stated distance.

What the broker alone cannot express: two-coloured metering with one bucket spilling into another (RFC 2697), the form
of a retry-after hint on the wire (the scenario's systems give ticks), and station contention (two senders that draw
against each other); of the last, the law of the draws is held here, the contention is worked out from it.
"""

import math
import operator
from itertools import accumulate

import pytest
from broker_driver import Driver

from emulator.broker.retry import base_pause
from emulator.broker.rules import DataRetry, QueueRules, jittered
from emulator.broker.workers import HeartbeatReply
from emulator.timeline.bucket import TokenBucket
from emulator.timeline.ticks import MILLISECOND, SECOND

CAPPED = DataRetry(attempts_in_all=11, pause="exponential", first=SECOND, longest=60 * SECOND)


def draws(seed: int, count: int) -> list[float]:
    """Give uniform numbers by the mixing function of splitmix64 (Steele, Lea & Flood 2014, constants from memory)."""
    found, x = [], seed
    for _ in range(count):
        x = (x + 0x9E3779B97F4A7C15) % 2**64
        z = (x ^ x >> 30) * 0xBF58476D1CE4E5B9 % 2**64
        z = (z ^ z >> 27) * 0x94D049BB133111EB % 2**64
        found.append(((z ^ z >> 31) >> 11) * 2**-53)
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("p", "n", "success", "attempts"), [(0.3, 5, 0.99757, 1.4251), (0.5, 3, 0.875, 1.75), (0.9, 4, 0.3439, 3.439)]
)
def test_attempts_limited_to_n(p, n, success, attempts):
    """A job that fails with probability p each time, tried n times: P(done) = 1 - p^n, E[attempts] = (1-p^n)/(1-p).

    Truncated geometric distribution, e.g. Johnson, Kemp & Kotz, Univariate Discrete Distributions, ch. 5 (from
    memory). Within 4 binomial standard errors, and 1 % of the mean.
    """
    jobs = 20_000
    d = Driver(QueueRules("night", retry=DataRetry(attempts_in_all=n)))
    uniform = iter(draws(int(p * 100), jobs * n))
    for _ in range(jobs):
        d.submit()
        while (grant := d.take()) is not None:
            d.hand_in(grant.token, "error" if next(uniform) < p else "ok")
    done = sum(d.state(job) == "done" for job in range(1, jobs + 1))
    mean = sum(d.broker.last_attempt(job) for job in range(1, jobs + 1)) / jobs
    assert abs(done / jobs - success) < 4 * math.sqrt(success * (1 - success) / jobs)
    assert mean == pytest.approx(attempts, rel=0.01)


def test_capped_exponential_schedule():
    """Base 1 s doubling, longest 60 s, 10 pauses: 1 2 4 8 16 32 60 60 60 60, sum 303 (1023 uncapped).

    Geometric series (from memory); here as the pauses of a job that fails all eleven times.
    """
    d = Driver(QueueRules("night", retry=CAPPED))
    d.submit()
    for _ in range(11):
        d.hand_in(d.taken().token, "error")
        d.after(max(d.now, d.rows("requeued")[-1][5]))
    pauses = [(row[5] - row[0]) // SECOND for row in d.rows("requeued")]
    assert pauses == [1, 2, 4, 8, 16, 32, 60, 60, 60, 60]
    uncapped = DataRetry(pause="exponential", first=SECOND)
    assert (sum(pauses), sum(base_pause(uncapped, n) for n in range(1, 11))) == (303, 1023 * SECOND)
    assert d.ends(1) == [("failed", "attempts_used_up")]


def test_full_jitter():
    """Each pause d of the capped schedule uniform on [0, d]: mean of the sum 151.5 s, variance 1313.75 s^2.

    Uniform distribution's moments (from memory); mean within 1 %, variance within 5 % over 1e5 draws of a pause.
    """
    retry = DataRetry(11, pause="exponential", first=SECOND, longest=60 * SECOND, jitter="full")
    uniform = iter(draws(4, 100_000))
    sums = [
        sum(jittered(retry, base_pause(retry, n), 0, next(uniform)) for n in range(1, 11)) / SECOND
        for _ in range(10_000)
    ]
    mean = math.fsum(sums) / len(sums)
    variance = math.fsum((value - mean) ** 2 for value in sums) / (len(sums) - 1)
    assert mean == pytest.approx(151.5, rel=0.01)
    assert variance == pytest.approx(1313.75, rel=0.05)


def test_decorrelated_jitter():
    """s' uniform on [1, 3 s], s = 1 at the start: means 2, 3.5, 5.75, 9.125, 14.1875 and their second moments.

    Moment recursion (from memory); mean within 1 %, second moment within 5 %. Uncapped.
    """
    retry = DataRetry(9, pause="constant", first=SECOND, jitter="decorrelated")
    means = [2.0, 3.5, 5.75, 9.125, 14.1875]
    seconds = [4.333333333333333, 15.333333333333334, 49.833333333333336, 155.58333333333334, 476.2083333333333]
    uniform = iter(draws(6, 5 * 100_000))
    steps: list[list[float]] = [[] for _ in range(5)]
    for _ in range(100_000):
        pause = 0
        for step in steps:
            pause = jittered(retry, SECOND, pause, next(uniform))
            step.append(pause / SECOND)
    assert [math.fsum(step) / len(step) for step in steps] == pytest.approx(means, rel=0.01)
    assert [math.fsum(s * s for s in step) / len(step) for step in steps] == pytest.approx(seconds, rel=0.05)


def test_standard_schedule_of_rfc_3261():
    """T1 = 500 ms doubling to T2 = 4 s, given up at 64 * T1: 11 sends; without T2, sends at 0 .. 31500 ms, 7 of them.

    RFC 3261, sections 17.1.1.2 (seven requests) and 17.1.2.2 (looked up). The give-up is the total limit.
    """
    half, limit = 500 * MILLISECOND, 32 * SECOND
    for longest, times in (
        (4 * SECOND, list(accumulate([0, 500, 1000, 2000, *[4000] * 7]))),
        (None, [0, 500, 1500, 3500, 7500, 15500, 31500]),
    ):
        retry = DataRetry(99, pause="exponential", first=half, longest=longest, total_limit=limit)
        d = Driver(QueueRules("night", lease=limit, retry=retry))
        d.submit()
        while (grant := d.take()) is not None:
            d.hand_in(grant.token, "error")
            if d.state(1) != "failed":
                d.after(d.rows("requeued")[-1][5])
        assert [row[0] // MILLISECOND for row in d.rows("handed_out")] == times
        assert d.ends(1) == [("failed", "out_of_time")]
    assert len(times) == 7
    assert len(list(accumulate([0, 500, 1000, 2000, *[4000] * 7]))) == 11


def test_truncated_binary_exponential_backoff():
    """Before retry n a whole number of slots in [0, 2^k - 1], k = min(n, 10): means, at most 1023 slots, 15 retries.

    IEEE Std 802.3, clause 4.2.3.2.5 and table 4-2 (looked up on lecture pages; clause number from memory). A slot is a
    tick here: full jitter on 2^k - 1 ticks picks each of the 2^k whole numbers equally often.
    """
    means = []
    for n in range(1, 16):
        slots = 2 ** min(n, 10)
        retry = DataRetry(16, pause="constant", first=slots - 1, jitter="full")
        picked = [jittered(retry, base_pause(retry, n), 0, (i + 0.5) / slots) for i in range(slots)]
        assert picked == list(range(slots))
        means.append(sum(picked) / slots)
    assert means == [0.5, 1.5, 3.5, 7.5, 15.5, 31.5, 63.5, 127.5, 255.5, *[511.5] * 6]
    assert sum(means) == 3575.5
    assert pytest.approx(52.3776) == 1023 * 51.2 / 1000
    d = Driver(QueueRules("night", retry=DataRetry(16)))
    d.submit()
    while (grant := d.take()) is not None:
        d.hand_in(grant.token, "error")
    assert (len(d.rows("requeued")), d.state(1)) == (15, "failed")


def test_generic_cell_rate_algorithm():
    """GCRA(T = 100, tau = 500) is a bucket of (T + tau) / T = 6 tokens with one in each 100 ticks.

    ITU-T I.371, annex A; flows from Le Boudec & Thiran, Network Calculus, exercise on GCRA(100, 500) (flows looked up,
    conformance computed).
    """
    flow_b = [0, 100, 130, 160, 190, 220, 250, 280, 310, 1000, 1030]
    flow_c = [base + more for base in (0, 300, 600, 800, 1000, 1200, 1400, 1600) for more in (0, 10, 20)]
    for flow, refused in ((flow_b, []), (flow_c, [1420, 1620])):
        bucket = TokenBucket(6, 1, 100)
        assert [at for at in flow if not bucket.take(at)] == refused


def test_retry_after_is_heeded():
    """A hint of 120 holds the job for 120 s from the refusal: RFC 9110, section 10.2.3 (looked up)."""
    d = Driver(QueueRules("night", lease=10**9, retry=DataRetry(2, pause="constant", first=5 * SECOND)))
    d.submit()
    d.at(7 * SECOND).hand_in(d.taken().token, "error", hint=(120 * SECOND, 4 * SECOND))
    assert d.rows("requeued")[0][5] == 124 * SECOND


@pytest.mark.parametrize(("p", "expected"), [(0.5, 2.0), (0.25, 0.46875)])
def test_expected_pause_spent(p, expected):
    """Pauses 1, 2, 4, 8 s between 5 attempts that fail with probability p each: the mean of their sum, at most 15 s.

    Expectation of a stopped sum (from memory). Every outcome there is, is run through the broker and weighted.
    """
    spent = []
    for failures in range(6):
        d = Driver(QueueRules("night", lease=10**9, retry=DataRetry(5, pause="exponential", first=SECOND)))
        d.submit()
        while (grant := d.take()) is not None:
            d.hand_in(grant.token, "error" if grant.attempt <= failures else "ok")
            d.after(max(d.now, *(row[5] for row in d.rows("requeued")), 0))
        spent.append(sum(row[5] - row[0] for row in d.rows("requeued")) / SECOND)
    weights = [p**k * (1 - p) for k in range(5)] + [p**5]
    assert math.fsum(map(operator.mul, spent, weights)) == pytest.approx(expected, rel=1e-12)
    assert max(spent) == 15


@pytest.mark.parametrize(("outage", "back"), [(0.5, 1), (1, 1), (10, 15), (15, 15), (16, 31)])
def test_an_outage_that_ends_between_two_attempts(outage, back):
    """Attempts at 0, 1, 3, 7, 15, 31 s: the first at or after the end of the outage succeeds.

    Arithmetic of the capped schedule (from memory).
    """
    d = Driver(QueueRules("night", lease=10**9, retry=CAPPED))
    d.submit()
    while d.state(1) != "done":
        d.hand_in(d.taken().token, "error" if d.now < outage * SECOND else "ok")
        if d.state(1) != "done":
            d.after(d.rows("requeued")[-1][5])
    assert d.now / SECOND == back


def test_two_stations_under_binary_backoff():
    """After collision n both draw from [0, 2^n - 1]: they collide again with probability 2^-n; 1, 1/2, 1/8, 1/64 left.

    IEEE Std 802.3; e.g. Peterson & Davie, Computer Networks, ch. 2 (from memory). Every pair of draws is tried.
    """
    again, left = [], [1.0]
    for n in (1, 2, 3, 4):
        retry = DataRetry(16, pause="constant", first=2**n - 1, jitter="full")
        pauses = [jittered(retry, 2**n - 1, 0, (i + 0.5) / 2**n) for i in range(2**n)]
        again.append(sum(one == other for one in pauses for other in pauses) / len(pauses) ** 2)
        left.append(left[-1] * again[-1])
    assert again == [0.5, 0.25, 0.125, 0.0625]
    assert left[:4] == [1.0, 0.5, 0.125, 0.015625]


def renewals_until_loss(uniform: list[float], p: float, start: int) -> int:
    """Let a worker beat once a tick (each heartbeat lost with probability p) until its lease of 4 ticks, less a
    hundredth for the beats to fall strictly inside, is lost; give how many beats that took."""
    d = Driver(QueueRules("night", lease=399))
    d.submit()
    token = d.taken().token
    beats = 0
    while True:
        d.at((beats + 1) * 100)
        if not d.broker.token_of(1):
            return beats
        if uniform[start + beats] >= p:
            assert d.heartbeat(token) == HeartbeatReply()
        beats += 1


@pytest.mark.slow
def test_a_lease_is_lost_after_three_losses_in_a_row():
    """Heartbeats lost with p = 0.5, three in a row lose the lease: after 14 of them on average, variance 142.

    Feller, An Introduction to Probability Theory and Its Applications, vol. 1, 3rd ed., section XIII.7, eq. (7.7)
    (from memory). Mean within 3 %, variance within 4 standard errors. The rarer losses (p = 0.1 and below) take too
    many heartbeats to be simulated one by one.
    """
    uniform = draws(6, 250_000)
    counts, start = [], 0
    for _ in range(14_000):
        counts.append(renewals_until_loss(uniform, 0.5, start))
        start += counts[-1]
    mean = sum(counts) / len(counts)
    variance = math.fsum((count - mean) ** 2 for count in counts) / (len(counts) - 1)
    fourth = math.fsum((count - mean) ** 4 for count in counts) / len(counts)
    assert mean == pytest.approx(14.0, rel=0.03)
    assert abs(variance - 142.0) < 4 * math.sqrt((fourth - variance**2) / len(counts))


def test_no_run_of_two_losses_in_ten_renewals():
    """Of the 1024 ways in which 10 heartbeats are lost or not, a lease that two in a row lose survives 144: 0.140625.

    Feller, vol. 1, section XIII.7 (value and constants looked up): asymptotically 1.44721360 * 1.23606798^-11.
    """
    survived = 0
    for pattern in range(1024):
        d = Driver(QueueRules("night", lease=299))  # two beats of 100 ticks fall strictly inside
        d.submit()
        token = d.taken().token
        for beat in range(10):
            d.at((beat + 1) * 100)
            if not pattern >> beat & 1:
                d.heartbeat(token)
        survived += d.at(1099).broker.token_of(1) == token
    assert survived / 1024 == 0.140625
    assert pytest.approx(survived / 1024, abs=2e-6) == 1.44721360 * 1.23606798**-11


def test_fencing_order():
    """Tokens 33, 34, 33, 34, 35 are presented while 33, then 34, then 35 is the newest: only the late 33 is refused.

    Kleppmann, Designing Data-Intensive Applications, 2017, ch. 8, figure on fencing tokens (from memory). Here it is
    the broker that is presented with them, as renewals; a fenced system beside it has a test of its own.
    """
    d = Driver(QueueRules("night", lease=100, retry=DataRetry(9)), first=(1, 33))
    d.submit()
    d.taken()
    accepted = [d.heartbeat(33)]
    d.at(100).taken()
    accepted += [d.heartbeat(34), d.heartbeat(33), d.heartbeat(34)]
    d.at(200).taken()
    accepted.append(d.heartbeat(35))
    assert [not reply.refused for reply in accepted] == [True, True, False, True, True]
