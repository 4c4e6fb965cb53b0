"""M/M/c by hand in simpy: a Resource, one process for each job; only the waits are recorded.

FROZEN (see the package). There are no leases, no heartbeats, no events of a life cycle: what somebody would write who
wants the mean wait and nothing else. Draws come from the standard library's generator, which is faster than keyed ones.
"""

from collections.abc import Generator
from random import Random  # noqa: TID251 - the model by hand draws as its author would
from typing import Any

import simpy

__all__ = ["waits_of_station"]


def waits_of_station(jobs: int, servers: int, per_second: float, mean_work: float, seed: int) -> list[float]:
    """Run until every job is done; give how long each waited, in seconds, in the order in which they began."""
    draw = Random(seed).expovariate
    env = simpy.Environment()
    desk = simpy.Resource(env, servers)
    waits: list[float] = []

    def job() -> Generator[Any, Any, None]:
        came = env.now
        with desk.request() as turn:
            yield turn
            waits.append(env.now - came)
            yield env.timeout(draw(1 / mean_work))

    def arrivals() -> Generator[Any, Any, None]:
        for _ in range(jobs):
            yield env.timeout(draw(per_second))
            env.process(job())

    env.process(arrivals())
    env.run()
    return waits
