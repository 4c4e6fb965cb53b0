"""How do jobs and attempts become rows of a CSV file?

Lines end as RFC 4180 says. Times are those of the scenario's clock with their offset from UTC, durations are seconds;
a cell is empty where a thing has not happened by the end of the run. What is unfinished has a row like any other. Work
is counted as the figure ``executed`` counts it, which is its sum: without the time in which it stood still (frozen,
suspended), and of an attempt in progress up to the end of the run.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Final

from emulator.measure.night import ATTEMPTS, DUE, EFFECTS, FAMILY, FINISHED, FIRST_OUT, ORDINAL, RUN, SUBMITTED, WORKER
from emulator.measure.reasons import why_in_words
from emulator.show.exports.attempts import attempts_of
from emulator.show.exports.plain import cell, local_time, seconds
from emulator.show.exports.recorded import Recorded

__all__ = ["attempts_csv", "jobs_csv"]

_JOBS: Final = (
    "job",
    "name",
    "routine",
    "queue",
    "entry",
    "ordinal",
    "resubmitted_from",
    "state",
    "sub_state",
    "why",
    "attempts",
    "last_worker",
    "effects",
    "submitted",
    "due",
    "first_handed_out",
    "finished",
    "wait_seconds",
    "run_seconds",
    "turnaround_seconds",
    "overlap_seconds",
)
_ATTEMPTS: Final = (
    "job",
    "name",
    "attempt",
    "token",
    "worker",
    "outcome",
    "why",
    "handed_out",
    "work_began",
    "work_stopped",
    "work_stopped_why",
    "ended",
    "parts_finished",
    "lease_seconds",
    "work_seconds",
    "routine",
    "submitted",
)


def jobs_csv(recorded: Recorded) -> Iterator[str]:
    """Give the rows of all jobs; ``resubmitted_from`` is the first of the jobs that were resubmitted, if one was."""
    night = recorded.night
    jobs = recorded.history().jobs
    yield _line(_JOBS)
    for job in range(night.first, night.first + len(night)):
        routine, queue, entry = night.kind_of(job)
        value = {column: night.value(job, column) for column in (SUBMITTED, DUE, FIRST_OUT, FINISHED, RUN, WORKER)}
        final = night.final_of(job)
        state = jobs[job].state
        yield _line(
            (
                str(job),
                cell(night.name_of(job)),
                cell(routine),
                cell(queue),
                cell(entry),
                str(night.value(job, ORDINAL)),
                str(first) if (first := night.value(job, FAMILY)) != job else "",
                state,
                cell(final.sub_state),
                cell(why_in_words(final.why, dict(final.values))),
                str(night.value(job, ATTEMPTS)),
                cell(night.workers[value[WORKER]]) if value[WORKER] >= 0 else "",
                str(night.value(job, EFFECTS)),
                *(_time(recorded, value[column]) for column in (SUBMITTED, DUE, FIRST_OUT, FINISHED)),
                _between(value[DUE], value[FIRST_OUT]),
                seconds(value[RUN]) if value[RUN] >= 0 and state == "done" else "",
                _between(value[SUBMITTED], value[FINISHED]) if state == "done" else "",
                seconds(night.overlap.get(job, 0)),
            )
        )


def attempts_csv(recorded: Recorded) -> Iterator[str]:
    """Give the rows of all attempts, in the order in which they began."""
    yield _line(_ATTEMPTS)
    for one in attempts_of(recorded):
        yield _line(
            (
                str(one.job),
                cell(recorded.job(one.job)),
                str(one.number),
                str(one.token),
                cell(one.worker),
                cell(one.outcome),
                cell(why_in_words(*one.why)),
                *(_time(recorded, tick) for tick in (one.handed_out, one.began, one.stopped)),
                cell(why_in_words(*one.stopped_why)),
                _time(recorded, one.ended),
                str(sum(part.finished for part in one.parts)),
                _between(one.handed_out, one.ended),
                _seconds(one.executed(recorded.night.horizon)),
                cell(recorded.night.kind_of(one.job)[0]),
                _time(recorded, recorded.night.value(one.job, SUBMITTED)),
            )
        )


def _time(recorded: Recorded, tick: int) -> str:
    return local_time(recorded.clock, tick) if tick >= 0 else ""


def _seconds(ticks: int) -> str:
    return seconds(ticks) if ticks >= 0 else ""


def _between(begin: int, end: int) -> str:
    return seconds(end - begin) if begin >= 0 and end >= 0 else ""


def _line(cells: Sequence[str]) -> str:
    file = io.StringIO()
    csv.writer(file).writerow(cells)
    return file.getvalue()
