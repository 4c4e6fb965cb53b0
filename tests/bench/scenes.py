"""The scenarios that are measured: settings such as a user writes them, run through the public door."""

from collections.abc import Mapping, Sequence
from typing import Any

from bench.clocks import timed
from emulator import NightResult, run
from emulator.measure.catalogue import OF_HEARTBEATS, names
from emulator.measure.figures import Selection, Where
from emulator.measure.night import FIRST_OUT, SUBMITTED

__all__ = ["MEAN_WAIT", "STATION", "every_figure", "mean_wait", "played", "scene", "station", "waits", "whole"]

STATION: dict[str, Any] = {"servers": 3, "per_second": 0.04, "mean_work": 60.0}
"""M/M/3 at 0.8: 144 jobs an hour, a minute of work each."""

MEAN_WAIT = 64.7191011
"""Its mean wait in seconds: Erlang C for an offered load of 2.4 on 3 servers is 0.64719101, divided by 3/60 - 0.04."""


def scene(**keys: Any) -> dict[str, Any]:
    """Give settings with a title and a start."""
    return {"title": "Measured", "starts": "2026-01-01T00:00:00", **keys}


def whole(number: float) -> int:
    """Give a whole number, at least 1."""
    return max(1, round(number))


def station(jobs: int) -> dict[str, Any]:
    """M/M/3 with so many jobs, and time enough for all of them."""
    return scene(
        lasts=f"{round(jobs / 0.04 * 1.05) + 36_000}s",
        queues={"line": {}},
        pools={"dome": {"count": 3, "serves": ["line"]}},
        routines={"copy": {"queue": "line", "parts": [{"name": "do", "takes": {"mean": "60s", "law": "exponential"}}]}},
        arrivals=[{"routine": "copy", "name": "plates", "per_hour": 144, "count": jobs}],
    )


def played(settings: dict[str, Any], **options: Any) -> tuple[NightResult, float]:
    """Run a night and give it with the processor seconds that it took.

    A small night goes before it, uncounted, so that what is imported when it is first used is there.
    """
    every_figure(run(station(20), seed=1))
    return timed(lambda: run(settings, seed=1, **options))


def every_figure(night: NightResult) -> Mapping[str, Any]:
    """Read every figure that there is."""
    # A figure of heartbeats, which such a night works out, would play it a second time.
    return {name: night.figure(name).value for name in names() if name not in OF_HEARTBEATS}


def waits(night: NightResult) -> list[float]:
    """Give how long each job waited, in seconds, in the order of submission."""
    jobs = Selection(night.night, Where())
    return [(out - came) / 1e6 for came, out in zip(jobs.column(SUBMITTED), jobs.column(FIRST_OUT), strict=True)]


def mean_wait(found: Sequence[float]) -> tuple[float, float]:
    """Give the mean of waits in their order and its standard error, by the means of twenty stretches."""
    size = len(found) // 20
    means = [sum(found[start : start + size]) / size for start in range(0, size * 20, size)]
    mean = sum(means) / 20
    return mean, (sum((one - mean) ** 2 for one in means) / 19 / 20) ** 0.5
