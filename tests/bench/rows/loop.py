"""The user's coroutines on the virtual loop, beside the stock loop whose select jumps."""

import asyncio
from collections.abc import Callable
from random import Random  # noqa: TID251 - a user's own code draws as it likes

from bench.clocks import peak_memory, timed
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast, same
from bench.scenes import STATION, whole
from emulator import VirtualLoop

__all__ = ["ROW", "drawn", "jobs_on"]

JOBS = 60_000


def drawn(jobs: int) -> list[tuple[float, float]]:
    """Draw for each job the gap before it and its work, in seconds."""
    draw = Random(1).expovariate
    return [(draw(STATION["per_second"]), draw(1 / STATION["mean_work"])) for _ in range(jobs)]


def jobs_on(loop: Callable[[], asyncio.AbstractEventLoop], work: list[tuple[float, float]]) -> list[float]:
    """Run a task for each job: it takes one of three places and sleeps; give how long each waited."""
    waits: list[float] = []

    async def job(takes: float, places: asyncio.Semaphore) -> None:
        now = asyncio.get_running_loop().time
        came = now()
        async with places:
            waits.append(now() - came)
            await asyncio.sleep(takes)

    async def main() -> None:
        places = asyncio.Semaphore(3)
        async with asyncio.TaskGroup() as tasks:
            for gap, takes in work:
                await asyncio.sleep(gap)
                tasks.create_task(job(takes, places))

    with asyncio.Runner(loop_factory=loop) as runner:
        runner.run(main())
    return waits


def side(loop: Callable[[], asyncio.AbstractEventLoop], jobs: int) -> Measured:
    """Run the jobs on a loop."""
    work = drawn(jobs)
    waits, seconds = timed(lambda: jobs_on(loop, work))
    return Measured(jobs, seconds, peak_memory(), {"jobs": len(waits), "mean wait": sum(waits) / jobs})


def stock(jobs: int) -> Measured:
    """Run them on the stock loop."""
    from bench.baselines.jumping_loop import JumpingLoop

    return side(JumpingLoop, jobs)


def check(measured: Round) -> None:
    """Check that on the same draws both sides made the same jobs wait as long, up to a rounding to microseconds."""
    same(measured, "jobs")
    one, other = (each.facts["mean wait"] for each in measured.values())
    if abs(one - other) > 1e-3:
        raise MismatchError(f"the mean waits per_worker: {one} s and {other} s")


ROW = Row(
    name="loop",
    asks="a task per job, a semaphore, sleeps: on the virtual loop, beside the stock loop whose select jumps",
    unit="jobs",
    sides={
        "ours": lambda scale: side(VirtualLoop, whole(JOBS * scale)),
        "stock": lambda scale: stock(whole(JOBS * scale)),
    },
    check=check,
    claims=[Claim("as fast as the stock loop", as_fast("ours", "stock"), 1.0, 1.2)],
)
