"""Leased work that nothing disturbs: heartbeats computed, beside a model by hand that simulates each of them."""

from typing import Any

import emulator
from bench.clocks import peak_memory, timed
from bench.judging import Claim, Measured, MismatchError, Round, Row, as_fast, same
from bench.scenes import played, scene, whole

__all__ = ["HOURS", "ROW", "leased", "ours"]

HOURS = 600
WORKERS = 20
PER_HOUR = 18  # of the 20 that the workers can do


def leased(hours: int, **more: Any) -> dict[str, Any]:
    """20 workers, jobs of an hour on average, a heartbeat every 30 s, leases of 90 s."""
    return scene(
        lasts=f"{hours}h",
        queues={"night": {"lease": "90s", "retry": {"attempts_in_all": 100}}},
        pools={"dome": {"count": WORKERS, "serves": ["night"], "heartbeat": "30s"}},
        routines={
            "export": {"queue": "night", "parts": [{"name": "do", "takes": {"mean": "1h", "law": "exponential"}}]}
        },
        arrivals=[{"routine": "export", "name": "exposures", "per_hour": PER_HOUR}],
        **more,
    )


def ours(settings: dict[str, Any], heartbeats: Any) -> tuple[emulator.NightResult, Measured]:
    """Run with heartbeats of one kind or the other, and count what happened."""
    night, seconds = played(settings, heartbeats=heartbeats)
    done = int(night.figure("done").value or 0)
    facts = {
        "done of ours": done,
        "attempts": night.figure("attempts").value,
        "leases lost": night.figure("lost_leases").value,
        "hours of work": float(night.figure("executed").value or 0) / 3.6e9,
    }
    if heartbeats == "simulated":
        facts["heartbeats"] = sum(row[1] == "heartbeat_received" for row in night.rows or ())
    return night, Measured(done, seconds, peak_memory(), facts)


def by_hand(hours: int) -> Measured:
    """Let the model by hand run for as long."""
    from bench.baselines.simpy_leases import leased_work

    found, seconds = timed(
        lambda: leased_work(
            lasts=hours * 3600.0, workers=WORKERS, per_second=PER_HOUR / 3600, mean_work=3600.0,
            heartbeat=30.0, lease=90.0, seed=1,
        )
    )  # fmt: skip
    worked = sum(ended - out for _, out, ended in found.jobs) / 3600
    facts = {
        "done by hand": len(found.jobs),
        "leases lost": found.lost,
        "hours of work": worked,
        "heartbeats": found.heartbeats,
    }
    return Measured(len(found.jobs), seconds, peak_memory(), facts)


def check(measured: Round) -> None:
    """Check that no lease was lost, that each hour had its heartbeats, and that as much was done as could be expected.

    By hand a worker sends heartbeats while it has a job, ours send them all the time.
    """
    same(measured, "leases lost", "done of ours", "attempts")
    for side, one in measured.items():
        hours, heartbeats, done = one.facts["hours of work"], one.facts.get("heartbeats"), one.work
        if one.facts["leases lost"] or abs(hours - done) > 6 * done**0.5 + WORKERS * 2:
            raise MismatchError(f"{side}: {hours:.0f} hours of work for {done:.0f} jobs, {one.facts}")
        if side == "simpy" and abs(heartbeats - 120 * hours) > 120 * (0.02 * hours + 3 * WORKERS):
            raise MismatchError(f"{side}: {heartbeats} heartbeats in {hours:.0f} hours of work")
        if side == "simulated" and heartbeats < 120 * hours:
            raise MismatchError(f"{side}: {heartbeats} heartbeats in {hours:.0f} hours of work")
    jobs = [one.work for one in measured.values()]
    if max(jobs) - min(jobs) > 8 * max(jobs) ** 0.5 + 2 * WORKERS:  # two Poisson processes, each with its own draws
        raise MismatchError(f"the numbers of jobs differ by more than chance: {jobs}")


ROW = Row(
    name="leased",
    asks="20 workers, hour-long jobs, 30 s heartbeats, 90 s leases, beside simpy simulating each heartbeat",
    unit="jobs",
    sides={
        "ours": lambda scale: ours(leased(whole(HOURS * scale)), "computed")[1],
        "simpy": lambda scale: by_hand(whole(HOURS * scale)),
        "simulated": lambda scale: ours(leased(whole(HOURS * scale)), "simulated")[1],
    },
    check=check,
    claims=[
        Claim("as fast as simpy", as_fast("ours", "simpy"), 25, 40),
        Claim("simpy's model against our simulating mode (is it lean?)", as_fast("simpy", "simulated"), 1),
    ],
)
