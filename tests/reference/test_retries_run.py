"""Retries, held against published values by running scenarios whose jobs fail.

Each test names where its values come from; "from memory" means that the source was not at hand when they were noted
down; all of them were checked by a second computation. Work takes no time here, so that instants of hand-out are the
published schedules themselves. The same laws are held against the broker alone in ``test_retry.py``.
"""

import itertools
import math

import pytest
from night_runs import Ran, holds, holds_share, mean_and_error, ran

SECOND = 1_000_000


def failing(retry, *, jobs=1, share=1.0, lasts="2h", **more):
    return {
        "lasts": lasts,
        "queues": {"line": {"retry": retry}},
        "pools": {"dome": {"count": 1, "serves": ["line"]}},
        "routines": {
            "work": {"queue": "line", "parts": [{"name": "do", "takes": "0s", "error_share": share}]},
        },
        "arrivals": [{"routine": "work", "name": "jobs", "at": "+0s", "count": jobs}],
        **more,
    }


def tries(of: Ran) -> list[list[float]]:
    """Give the instants in seconds at which each job was handed out."""
    found: dict[int, list[float]] = {}
    for row in of.of("handed_out"):
        found.setdefault(row[3], []).append(row[0] / SECOND)
    return [found[job] for job in sorted(found)]


def gaps(times: list[float]) -> list[float]:
    return [later - earlier for earlier, later in itertools.pairwise(times)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("p", "n", "success", "attempts"), [(0.3, 5, 0.99757, 1.4251), (0.5, 3, 0.875, 1.75), (0.9, 4, 0.3439, 3.439)]
)
def test_attempts_limited_to_n(p, n, success, attempts):
    """A job that fails with probability p, tried n times at most: P(done) = 1 - p^n, and the mean number of attempts.

    Truncated geometric distribution, e.g. Johnson, Kemp & Kotz, Univariate Discrete Distributions, ch. 5 (from memory);
    4 binomial standard errors, 1 % of the mean.
    """
    run = ran(failing({"attempts_in_all": n}, jobs=10_000, share=p), seed=3)
    holds_share(int(run.figure("done")), 10_000, success)
    assert run.figure("attempts_per_job") == pytest.approx(attempts, rel=0.01)
    holds([float(len(times)) for times in tries(run)], attempts, sharp=0.01)


def test_capped_exponential_pauses():
    """Base 1 s, cap 60 s, ten pauses: 1 2 4 8 16 32 60 60 60 60, in all 303 s; without the cap 1023 s.

    Geometric series (elementary).
    """
    capped = {"attempts_in_all": 11, "pause": "exponential", "first": "1s", "longest": "60s"}
    [times] = tries(ran(failing(capped)))
    assert gaps(times) == [1, 2, 4, 8, 16, 32, 60, 60, 60, 60]
    assert times[-1] == 303
    [times] = tries(ran(failing({"attempts_in_all": 11, "pause": "exponential", "first": "1s"})))
    assert times[-1] == 1023


@pytest.mark.slow
def test_full_jitter():
    """Pauses uniform on 0 to those: their sum has mean 151.5 s and variance 1313.75 s^2.

    Moments of the uniform law (from memory); 1 % and 5 % over 100,000 draws.
    """
    retry = {"attempts_in_all": 11, "pause": "exponential", "first": "1s", "longest": "60s", "jitter": "full"}
    sums = [times[-1] for times in tries(ran(failing(retry, jobs=10_000), seed=2))]
    mean, _ = mean_and_error(sums)
    assert mean == pytest.approx(151.5, rel=0.01)
    assert math.fsum((x - 151.5) ** 2 for x in sums) / len(sums) == pytest.approx(1313.75, rel=0.05)
    holds(sums, 151.5, sharp=0.01)


@pytest.mark.slow
def test_decorrelated_jitter():
    """Each pause uniform from 1 s to 3 times the one before: means 2 3.5 5.75 9.125 14.1875, and second moments.

    Moment recursion for a uniform law on [a, 3s] (from memory); 1 % and 5 % as stated, and 4 standard errors.
    """
    retry = {"attempts_in_all": 6, "pause": "exponential", "first": "1s", "jitter": "decorrelated"}
    pauses = [gaps(times) for times in tries(ran(failing(retry, jobs=20_000), seed=2))]
    means = (2.0, 3.5, 5.75, 9.125, 14.1875)
    squares = (4.333333333333333, 15.333333333333334, 49.833333333333336, 155.58333333333334, 476.2083333333333)
    for step, (mean, square) in enumerate(zip(means, squares, strict=True)):
        found = [row[step] for row in pauses]
        holds(found, mean, sharp=0.01)
        assert math.fsum(found) / len(found) == pytest.approx(mean, rel=0.01 if step < 3 else 0.02)
        holds([x * x for x in found], square, sharp=0.03)
        assert math.fsum(x * x for x in found) / len(found) == pytest.approx(square, rel=0.05)


def test_message_timers_of_a_signalling_protocol():
    """500 ms doubling to 4 s gives 11 sends within 32 s; doubling without a cap gives 7, at 0 .5 1.5 3.5 7.5 15.5 31.5.

    RFC 3261, sec. 17.1.1.2 (timer A) and 17.1.2.2 (timer E), giving up at 64 T1 = 32 s (looked up).
    """
    retry = {"attempts_in_all": 100, "pause": "exponential", "first": "500ms", "total_limit": "32s"}
    [times] = tries(ran(failing({**retry, "longest": "4s"})))
    assert gaps(times) == [0.5, 1, 2, 4, 4, 4, 4, 4, 4, 4]
    assert len(times) == 11
    [times] = tries(ran(failing(retry)))
    assert times == [0, 0.5, 1.5, 3.5, 7.5, 15.5, 31.5]


@pytest.mark.slow
@pytest.mark.parametrize(("p", "published"), [(0.5, 2.0), (0.25, 0.46875)])
def test_time_spent_in_pauses(p, published):
    """Pauses 1 2 4 8 between five attempts, each failing with probability p: the mean time spent, never above 15 s.

    Expectation of a stopped sum (from memory).
    """
    retry = {"attempts_in_all": 5, "pause": "exponential", "first": "1s"}
    spent = [times[-1] for times in tries(ran(failing(retry, jobs=20_000, share=p), seed=4))]
    holds(spent, published, sharp=0.03)
    assert max(spent) == 15


@pytest.mark.parametrize(
    ("lasts", "recovers", "overshoot"),
    [("500ms", 1, 0.5), ("1s", 1, 0), ("10s", 15, 5), ("15s", 15, 0), ("16s", 31, 15)],
)
def test_recovery_after_an_outage(lasts, recovers, overshoot):
    """Tried at 0 1 3 7 15 31 s while a system is down from 0: done at the first attempt that is not before its end.

    Arithmetic of the schedule of capped exponential pauses (elementary).
    """
    settings = failing({"attempts_in_all": 11, "pause": "exponential", "first": "1s", "longest": "60s"})
    settings["systems"] = {"archive": {"outages": [{"from": "+0s", "until": f"+{lasts}"}]}}
    settings["routines"]["work"]["parts"] = [{"name": "store", "calls": "archive"}]
    run = ran(settings)
    [done] = run.of("finished")
    seconds = 0.5 if lasts == "500ms" else float(lasts[:-1])
    assert (done[0] / SECOND, done[0] / SECOND - seconds, done[5]) == (recovers, overshoot, "done")


FLOW_B = (0, 100, 130, 160, 190, 220, 250, 280, 310, 1000, 1030)
FLOW_C = (
    *(0, 10, 20, 300, 310, 320, 600, 610, 620, 800, 810, 820, 1000, 1010, 1020),
    *(1200, 1210, 1220, 1400, 1410, 1420, 1600, 1610, 1620),
)


@pytest.mark.parametrize(("flow", "refused"), [(FLOW_B, []), (FLOW_C, [20, 23])], ids=["b", "c"])
def test_rate_limit_of_a_system(tmp_path, flow, refused):
    """A system that allows one call each 100 s, 6 at once, accepts and refuses the calls of two published flows.

    ITU-T I.371 annex A, GCRA(T = 100, tau = 500), of which the bucket of 1 + tau/T tokens is the other form; flows: Le
    Boudec & Thiran, Network Calculus, exercise (flows looked up, verdicts computed).
    """
    (tmp_path / "flow.csv").write_text("\n".join(["at_seconds", *map(str, flow), ""]))
    settings = failing({"attempts_in_all": 1})
    settings["systems"] = {"archive": {"limit": {"allows": 1, "each": "100s", "burst": 6}}}
    settings["routines"]["work"]["parts"] = [{"name": "store", "calls": "archive"}]
    settings["arrivals"] = [{"routine": "work", "trace": "flow.csv"}]
    run = ran(settings, folder=tmp_path)
    outcomes = [row[-2] for row in run.of("call_ended")]
    assert outcomes == ["refused" if place in refused else "ok" for place in range(len(flow))]
