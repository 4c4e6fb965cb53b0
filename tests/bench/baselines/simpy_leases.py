"""Leased work by hand in simpy: each heartbeat is simulated, each lease is watched.

FROZEN (see the package). How it is kept lean: a worker is one process, which sends the heartbeats of its job itself
instead of having a second process do so; a lease is one small object; its watch is a bare callback that looks when the
lease is due to end, sees that it was renewed meanwhile, and comes again at the new end (a renewal touches no event, and
nothing is ever cancelled or waited for in company). Idle workers send nothing. One record is kept for each job.
"""

from collections.abc import Generator
from random import Random  # noqa: TID251 - the model by hand draws as its author would
from typing import Any, NamedTuple

import simpy

__all__ = ["Leased", "leased_work"]


class Leased(NamedTuple):
    """What was done: (came, handed out, ended) of each finished job, the heartbeats, the leases that were lost."""

    jobs: list[tuple[float, float, float]]
    heartbeats: int
    lost: int


class _Lease:
    __slots__ = ("ends", "over")

    def __init__(self, ends: float) -> None:
        self.ends = ends
        self.over = False


def leased_work(
    *, lasts: float, workers: int, per_second: float, mean_work: float, heartbeat: float, lease: float, seed: int
) -> Leased:
    """Run for so long; times are in seconds."""
    draw = Random(seed).expovariate
    env = simpy.Environment()
    queue: simpy.Store = simpy.Store(env)
    done: list[tuple[float, float, float]] = []
    heartbeats = lost = 0

    def watch(event: simpy.Event) -> None:
        nonlocal lost
        held: Any = event.value  # a _Lease
        if held.over:
            return
        left = held.ends - env.now
        if left > 0:
            env.timeout(left, held).callbacks.append(watch)
        else:
            lost += 1

    def worker() -> Generator[Any, Any, None]:
        nonlocal heartbeats
        timeout, get = env.timeout, queue.get
        while True:
            came = yield get()
            began = env.now
            ends = began + draw(1 / mean_work)
            held = _Lease(began + lease)
            timeout(lease, held).callbacks.append(watch)
            due = began + heartbeat
            while due < ends:
                yield timeout(heartbeat)
                held.ends = due + lease
                heartbeats += 1
                due += heartbeat
            yield timeout(max(0.0, ends - env.now))
            held.over = True
            done.append((came, began, env.now))

    def arrivals() -> Generator[Any, Any, None]:
        while True:
            yield env.timeout(draw(per_second))
            queue.put(env.now)

    for _ in range(workers):
        env.process(worker())
    env.process(arrivals())
    env.run(until=lasts)
    return Leased(done, heartbeats, lost)
