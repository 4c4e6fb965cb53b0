"""The same small models in two general-purpose simulation libraries and here: do the means agree?

Each side has its own draws, so the means over replications must lie within 4 standard errors of their difference.
Neither side is run longer than that needs; the published values of these models are held in ``test_queueing.py``.
"""

import math
from random import Random  # noqa: TID251 - the other library draws by itself

import ciw
import pytest
import simpy
from night_runs import COUNTED, MINUTE, exponential, mean_and_error, replicated, station

from emulator.measure.figures import Where

pytestmark = pytest.mark.slow

JOBS, RUNS = 1000, 15


def agree(ours, theirs, sharp=0.1):
    """Assert that two means differ by at most 4 standard errors, and that this says something."""
    (one, error), (other, another) = mean_and_error(ours), mean_and_error(theirs)
    together = math.hypot(error, another)
    assert together <= sharp * abs(one), f"too blunt: {one} +- {error}, {other} +- {another}"
    assert abs(one - other) <= 4 * together, f"{one} +- {error}, {other} +- {another}"


def simpy_waits(seed, servers, rate, classes=(0,)):
    """Run M/M/c with classes of one rate each in simpy; give the mean wait of each class, lower first."""
    random, env = Random(seed), simpy.Environment()
    counter = simpy.PriorityResource(env, servers)
    waits = {one: [] for one in classes}

    def job(one):
        came = env.now
        with counter.request(priority=one) as turn:
            yield turn
            waits[one].append(env.now - came)
            yield env.timeout(random.expovariate(1.0))

    def arrivals(one):
        while env.now < len(classes) * JOBS / (rate * len(classes)):
            yield env.timeout(random.expovariate(rate))
            env.process(job(one))

    for one in classes:
        env.process(arrivals(one))
    env.run()
    return [math.fsum(waits[one]) / len(waits[one]) for one in classes]


def ciw_run(seed, servers, rate, capacity=math.inf, classes=1):
    """Run M/M/c/K in Ciw; give the mean wait of each class and the share that was refused."""
    names = [f"class-{n}" for n in range(classes)]
    ciw.seed(seed)
    network = ciw.create_network(
        arrival_distributions={name: [ciw.dists.Exponential(rate=rate)] for name in names},
        service_distributions={name: [ciw.dists.Exponential(rate=1.0)] for name in names},
        number_of_servers=[servers],
        queue_capacities=[capacity],
        priority_classes={name: n for n, name in enumerate(names)},
    )
    simulation = ciw.Simulation(network)
    simulation.simulate_until_max_time(JOBS / rate)
    records = simulation.get_all_records(only=["service", "rejection"])
    served = [one for one in records if one.record_type == "service"]
    waits = []
    for name in names:
        mine = [one.waiting_time for one in served if one.customer_class == name]
        waits.append(math.fsum(mine) / len(mine))
    return [*waits, 1 - len(served) / len(records)]


def columns(rows):
    return [list(column) for column in zip(*rows, strict=True)]


def two_classes():
    settings = station(exponential("1m"))
    hours = math.ceil(JOBS / 0.4 / 60)
    arrivals = [
        {"routine": "work", "name": name, "per_hour": 24, "priority": priority, "until": f"+{hours}h"}
        for name, priority in (("urgent", 1), ("other", 0))
    ]
    return settings | {"lasts": f"{hours + 3}h", "arrivals": arrivals}


def our_class_waits(run):
    return [run.figure("wait_mean", Where(entry=name)) / MINUTE for name in ("urgent", "other")]


def test_three_servers_as_in_simpy():
    """M/M/3 at 0.8, from empty: the mean wait agrees with simpy's."""
    settings = station(exponential("1m"), per_hour=144, jobs=JOBS, count=3)
    (ours,) = replicated(settings, lambda r: (r.figure("wait_mean", COUNTED) / MINUTE,), RUNS)
    (theirs,) = columns(simpy_waits(seed, 3, 2.4) for seed in range(RUNS))
    agree(ours, theirs, sharp=0.15)


def test_two_classes_as_in_simpy():
    """Two classes that do not pre-empt, one server at 0.8: the mean wait of each agrees with simpy's."""
    ours = replicated(two_classes(), our_class_waits, RUNS)
    theirs = columns(simpy_waits(seed, 1, 0.4, (0, 1)) for seed in range(RUNS))
    for one, other in zip(ours, theirs, strict=True):
        agree(one, other, sharp=0.15)


def test_two_classes_as_in_ciw():
    """Two classes that do not pre-empt, one server at 0.8: the mean wait of each agrees with Ciw's."""
    ours = replicated(two_classes(), our_class_waits, RUNS)
    theirs = columns(ciw_run(seed, 1, 0.4, classes=2)[:2] for seed in range(RUNS))
    for one, other in zip(ours, theirs, strict=True):
        agree(one, other, sharp=0.15)


def test_refusals_as_in_ciw():
    """Two servers and three places to wait at 1.25: the share refused and the mean wait agree with Ciw's."""
    settings = station(exponential("1m"), per_hour=150, jobs=JOBS, count=2, queue={"capacity": 5})
    refused, waits = replicated(
        settings, lambda r: (r.figure("refused_share"), r.figure("wait_mean", COUNTED) / MINUTE), RUNS
    )
    their_waits, their_refused = columns(ciw_run(seed, 2, 2.5, capacity=3) for seed in range(RUNS))
    agree(refused, their_refused, sharp=0.05)
    agree(waits, their_waits, sharp=0.05)
