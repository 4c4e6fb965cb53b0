"""Which jobs show why a figure is as bad as it is?"""

from collections.abc import Iterator
from typing import Final

from emulator.measure.night import (
    DONE,
    DUE,
    FINAL,
    FINISHED,
    FIRST_OUT,
    HEALTHY,
    NUMBER,
    RUN,
    SUBMITTED,
    UNFINISHED,
    Night,
)
from emulator.measure.selection import Selection

__all__ = ["evidence", "job_times"]

_MOST: Final = 10


def evidence(selection: Selection, measure: str, bound: float) -> tuple[int, ...]:
    """Give the numbers of the jobs that show why a bound on a figure is missed, the worst first, ten at most.

    For times these are the jobs beyond the bound; for lost leases the jobs that had them; for the makespan those that
    were unfinished, or else ended too late; for figures that no job shows (the backlog, utilisation) none.
    """
    night = selection.night
    by_job = {
        "overlap": night.overlap,
        "overlapping_jobs": night.overlap,
        "late_effects": night.late,
        "effects_after_end": night.after_end,
    }.get(measure)
    if by_job is not None:
        chosen = selection.of_jobs(by_job)
        return tuple(sorted(chosen, key=lambda job: (-chosen[job], job))[:_MOST])
    if measure == "unsafe_repeats":
        repeats = sorted(selection.repeats(), key=lambda repeat: (-repeat.times, repeat.job))
        return tuple(dict.fromkeys(repeat.job for repeat in repeats))[:_MOST]
    if measure == "partial_effects":
        return tuple(selection.incomplete()[:_MOST])
    if measure == "occurrences_late":
        return tuple(selection.late_occurrences()[:_MOST])
    if measure == "stale_refused":
        return tuple(selection.of_jobs({job: 1 for job, _ in sorted(night.stale) if job}))[:_MOST]
    if measure in ("lost_leases", "lost_while_healthy"):
        lost = [one for one in selection.lost() if measure == "lost_leases" or one.delay == HEALTHY]
        return tuple(dict.fromkeys(one.job for one in lost))[:_MOST]
    base = measure.rpartition("_")[0]
    if base == "detection_delay":
        late = sorted((-one.delay, one.job) for one in selection.lost() if one.delay > bound)
        return tuple(dict.fromkeys(job for _, job in late))[:_MOST]
    if base in ("wait", "turnaround", "run_time"):
        times = sorted(((time, job) for job, time in job_times(selection, base)), key=lambda pair: (-pair[0], pair[1]))
        return tuple(job for time, job in times if time > bound)[:_MOST]
    numbers, finals = selection.column(NUMBER), selection.column(FINAL)
    if measure == "makespan" and UNFINISHED not in finals:
        begins, ends = selection.column(SUBMITTED), selection.column(FINISHED)
        limit = min(begins, default=0) + bound
        late = sorted((-end, job) for job, end in zip(numbers, ends, strict=True) if end > limit)
        return tuple(job for _, job in late)[:_MOST]
    wanted = [code for code in range(len(night.finals)) if _shows(night, measure, code)]
    return tuple(job for job, final in zip(numbers, finals, strict=True) if final in wanted)[:_MOST]


def job_times(selection: Selection, base: str) -> Iterator[tuple[int, int]]:
    """Give (job, time) of each job that has such a time (wait, turnaround, run_time); unfinished ones up to the end."""
    columns = (NUMBER, DUE, FIRST_OUT, SUBMITTED, FINISHED, FINAL, RUN)
    rows = zip(*(selection.column(column) for column in columns), strict=True)
    horizon = selection.night.horizon
    for job, due, out, submitted, finished, final, run in rows:
        end = finished if finished >= 0 else horizon
        if base == "wait" and due >= 0:
            yield job, (out if out >= 0 else end) - due
        elif base == "turnaround" and final in (DONE, UNFINISHED):
            yield job, end - submitted
        elif base == "run_time" and run >= 0:
            yield job, run


def _shows(night: Night, measure: str, code: int) -> bool:
    """Say whether jobs with that end show why a figure is missed."""
    sub_state = night.finals[code].sub_state
    if measure in ("done_share", "resubmission_groups_done_share", "done", "throughput"):
        return code != DONE
    if measure == "failed":
        return code not in (DONE, UNFINISHED) and sub_state != "withdrawn"
    if measure in ("makespan", "unfinished"):
        return code == UNFINISHED
    return measure in ("withdrawn", "expired") and sub_state == measure
