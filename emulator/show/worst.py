"""Which jobs fared worst, and why?

First what must not happen twice and did, then what failed, what is unfinished, what was executed twice at once, and
last what took longest. A job is named once, with all that speaks against it.
"""

from collections.abc import Callable, Iterable
from heapq import nsmallest
from typing import NamedTuple

from emulator.measure.night import (
    ATTEMPTS,
    DONE,
    FINAL,
    FINISHED,
    NUMBER,
    SUBMITTED,
    UNFINISHED,
    Night,
)
from emulator.measure.reasons import why_in_words
from emulator.measure.words import duration
from emulator.show.phrases import spoken

__all__ = ["WorstJob", "worst_jobs"]


class WorstJob(NamedTuple):
    """A job's number, its name (``entry#number``), and why it is among the worst."""

    job: int
    name: str
    why: str


def worst_jobs(night: Night, most: int = 5) -> tuple[WorstJob, ...]:
    """Name the worst jobs of a night, ``most`` at most; equally bad ones in the order of their numbers."""
    found: dict[int, list[str]] = {}
    for chosen in (_repeated, _failed, _unfinished, _overlapping, _slowest):
        for job, why in chosen(night, most):
            if job in found or len(found) < most:
                found.setdefault(job, []).append(why)
    for job, whys in found.items():
        attempts = night.value(job, ATTEMPTS)
        if attempts > 1:
            whys.append(f"{attempts} attempts")
    return tuple(WorstJob(job, night.name_of(job), "; ".join(whys)) for job, whys in found.items())


def _repeated(night: Night, most: int) -> Iterable[tuple[int, str]]:
    for repeat in sorted(night.repeats, key=lambda repeat: -repeat.times)[:most]:
        yield repeat.job, f"{repeat.effect} landed {repeat.times} times on {repeat.target}"


def _failed(night: Night, most: int) -> Iterable[tuple[int, str]]:
    bad = {
        code: final
        for code, final in enumerate(night.finals)
        if code not in (UNFINISHED, DONE) and final.sub_state != "withdrawn"
    }
    rows = _rows(night, lambda final: final in bad)
    for _, job in nsmallest(most, ((-night.value(job, ATTEMPTS), job) for job in rows)):
        final = bad[night.value(job, FINAL)]
        yield (
            job,
            f"failed: {spoken(final.sub_state) or why_in_words(final.why, dict(final.values)) or 'no reason given'}",
        )


def _unfinished(night: Night, most: int) -> Iterable[tuple[int, str]]:
    rows = _rows(night, lambda final: final == UNFINISHED)
    for since, job in nsmallest(most, ((night.value(job, SUBMITTED), job) for job in rows)):
        yield job, f"unfinished after {duration(night.horizon - since)}"


def _overlapping(night: Night, most: int) -> Iterable[tuple[int, str]]:
    for ticks, job in nsmallest(most, ((-ticks, job) for job, ticks in night.overlap.items())):
        yield job, f"executed twice at once for {duration(-ticks)}"


def _slowest(night: Night, most: int) -> Iterable[tuple[int, str]]:
    rows = _rows(night, lambda final: final == DONE)
    times = ((night.value(job, SUBMITTED) - night.value(job, FINISHED), job) for job in rows)
    for ticks, job in nsmallest(most, times):
        yield job, f"done after {duration(-ticks)}"


def _rows(night: Night, wanted: Callable[[int], bool]) -> list[int]:
    pairs = zip(night.column(NUMBER), night.column(FINAL), strict=True)
    return [job for job, final in pairs if wanted(final)]
