"""List scheduling and the last job of many, held against published values by running scenarios.

Each test names where its values come from; "from memory" means that the source was not at hand when they were noted
down; all of them were checked by a second computation. What is exact is compared to the tick; one unit is a minute.
"""

import pytest
from night_runs import MINUTE, Ran, exponential, holds, ran, replicated

TIMES = (3, 2, 2, 2, 4, 4, 4, 4, 9)
ORDER = (1, 2, 3, 4, 5, 6, 7, 8, 9)
PRECEDENCE = ((1, 9), (4, 5), (4, 6), (4, 7), (4, 8))


def tasks(count, times, order=None, precedence=()):
    """Write one routine and one arrival for each task, submitted in list order; who comes first is served first."""
    first = {later: f"task-{earlier}" for earlier, later in precedence}
    order = order or tuple(range(1, len(times) + 1))
    arrivals = [
        {"routine": f"takes-{times[n - 1]}", "name": f"task-{n}", "at": "+0s"}
        | ({"after": {"entry": first[n]}} if n in first else {})
        for n in order
    ]
    return {
        "lasts": "2h",
        "queues": {"list": {}},
        "pools": {"dome": {"count": count, "serves": ["list"]}},
        "routines": {
            f"takes-{time}": {"queue": "list", "parts": [{"name": "do", "takes": f"{time}m"}]}
            for time in sorted(set(times))
        },
        "arrivals": arrivals,
    }


def makespan(of: Ran) -> float:
    return of.figure("makespan") / MINUTE


@pytest.mark.parametrize(
    ("count", "times", "order", "precedence", "published"),
    [
        (3, TIMES, ORDER, PRECEDENCE, 12),
        (4, TIMES, ORDER, PRECEDENCE, 15),
        (3, tuple(time - 1 for time in TIMES), ORDER, PRECEDENCE, 13),
        (3, TIMES, ORDER, tuple(p for p in PRECEDENCE if p not in ((4, 5), (4, 6))), 16),
        (3, TIMES, (1, 2, 4, 5, 6, 3, 9, 7, 8), PRECEDENCE, 14),
    ],
    ids=["as given", "one more worker", "all work shorter", "fewer prerequisites", "another order"],
)
def test_anomalies_of_list_scheduling(count, times, order, precedence, published):
    """More workers, shorter work, fewer prerequisites or another order each make the same nine tasks end later than 12.

    Graham, SIAM J. Appl. Math. 17 (1969) 416-429, figs. 2-6 (looked up in an encyclopaedia's copy).
    """
    run = ran(tasks(count, times, order, precedence))
    assert (makespan(run), run.figure("done")) == (published, 9)


@pytest.mark.parametrize(("m", "in_list_order", "best"), [(2, 3, 2), (3, 5, 3), (4, 7, 4)])
def test_the_long_job_last_is_worst(m, in_list_order, best):
    """m(m-1) unit jobs and then one of length m take 2m-1 on m workers; the long one first takes m.

    Graham 1966/1969: the ratio 2 - 1/m is reached (from memory).
    """
    times = (1,) * (m * (m - 1)) + (m,)
    assert makespan(ran(tasks(m, times))) == in_list_order
    assert makespan(ran(tasks(m, times[::-1]))) == best


def test_equal_jobs_come_in_rounds():
    """100 jobs of 3 minutes on 8 workers take 13 rounds, 39 minutes; elementary."""
    settings = tasks(8, (3,))
    settings["arrivals"] = [{"routine": "takes-3", "at": "+0s", "count": 100}]
    assert makespan(ran(settings)) == 39


@pytest.mark.parametrize(
    ("m", "published", "assignment"),
    [(2, 18, [[4, 6, 8], [5, 7]]), (3, 13, [[4, 7], [5, 8], [6]])],
)
def test_greedy_assignment(m, published, assignment):
    """Jobs of 4 5 6 7 8 in that order go to the worker that is free first: makespan and who does what.

    Worked example in an encyclopaedia article on list scheduling (looked up).
    """
    times = (4, 5, 6, 7, 8)
    run = ran(tasks(m, times))
    done: dict[str, list[int]] = {}
    for row in run.of("handed_out"):
        done.setdefault(row[4], []).append(times[row[3] - 1])
    assert (makespan(run), [done[f"dome-{n}"] for n in range(1, m + 1)]) == (published, assignment)


def at_once(n, takes):
    return {
        "lasts": "8h",
        "queues": {"list": {}},
        "pools": {"dome": {"count": n, "serves": ["list"]}},
        "routines": {"work": {"queue": "list", "parts": [{"name": "do", "takes": takes}]}},
        "arrivals": [{"routine": "work", "at": "+0s", "count": n}],
    }


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "mean", "variance", "runs"),
    [
        (2, 1.5, 1.25, 2000),
        (10, 2.9289682539682538, 1.5497677311665408, 1000),
        (100, 5.187377517639621, 1.63498369, 300),
    ],
)
def test_the_last_of_many_exponential_jobs(n, mean, variance, runs):
    """n exponential jobs at once on n workers: the makespan has mean H_n and variance 1 + 1/4 + ... + 1/n^2.

    Renyi's representation; David & Nagaraja, Order Statistics, 3rd ed., sec. 2.5 (from memory).
    """
    (found,) = replicated(at_once(n, exponential("1m")), lambda r: (makespan(r),), runs)
    holds(found, mean, sharp=0.02)
    holds([(value - mean) ** 2 for value in found], variance, sharp=0.15)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "published", "runs"),
    [
        (2, 2.5068804906474313, 2000),
        (5, 4.069859079396436, 1500),
        (10, 5.6210805373344535, 1000),
        (100, 13.594649517169067, 300),
    ],
)
def test_the_last_of_many_lognormal_jobs(n, published, runs):
    """n lognormal(0, 1) jobs at once on n workers: the mean makespan; the 95 % point of the law is exp(1.644854).

    Order statistics by numerical integration; David & Nagaraja, appendix (from memory).
    """
    (found,) = replicated(at_once(n, {"median": "1m", "p95": "310815096us"}), lambda r: (makespan(r),), runs)
    holds(found, published, sharp=0.04)
