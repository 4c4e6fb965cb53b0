"""M/M/3: the full life of each job as events in memory and every figure, beside a model by hand that records waits."""

from bench.clocks import peak_memory, timed
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast, same
from bench.scenes import MEAN_WAIT, STATION, every_figure, mean_wait, played, station, waits, whole

__all__ = ["JOBS", "ROW", "check_waits", "ours"]

JOBS = 200_000


def ours(jobs: int) -> Measured:
    """Run so many jobs with all events kept, and read all figures."""
    night, seconds = played(station(jobs))
    figures, more = timed(lambda: every_figure(night))
    seconds += more
    if figures["done"] != jobs:
        raise MismatchError(f"{figures['done']} of {jobs} jobs were done")
    mean, error = mean_wait(waits(night))
    assert night.rows is not None
    facts = {"jobs": jobs, "mean wait": mean, "standard error": error, "events": len(night.rows)}
    return Measured(jobs, seconds, peak_memory(), facts)


def by_hand(jobs: int) -> Measured:
    """Let the model by hand do as many."""
    from bench.baselines.simpy_station import waits_of_station

    found, seconds = timed(lambda: waits_of_station(jobs, seed=1, **STATION))
    mean, error = mean_wait(found)
    return Measured(jobs, seconds, peak_memory(), {"jobs": len(found), "mean wait": mean, "standard error": error})


def check_waits(measured: Round) -> None:
    """Check that as many jobs were done on both sides, each with the mean wait that theory gives."""
    same(measured, "jobs")
    for side, one in measured.items():
        mean, error = one.facts["mean wait"], one.facts["standard error"]
        if abs(mean - MEAN_WAIT) > 4 * error or error > 0.4 * MEAN_WAIT:
            raise MismatchError(f"{side}: a mean wait of {mean:.2f} +- {error:.2f} s, theory says {MEAN_WAIT:.2f} s")


ROW = Row(
    name="mm3",
    asks="M/M/3, all events in memory and every figure, beside simpy recording waits only",
    unit="jobs",
    sides={"ours": lambda scale: ours(whole(JOBS * scale)), "simpy": lambda scale: by_hand(whole(JOBS * scale))},
    check=check_waits,
    claims=[Claim("as fast as simpy", as_fast("ours", "simpy"), 1.2, 1.6)],
)
