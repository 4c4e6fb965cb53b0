"""Which jobs and events made a requirement miss, or came nearest to it?

By the kind of its measure: times lead to the jobs with the longest, the worst first, and say which are beyond what was
asked; shares lead to the jobs that count against them; counts lead to the events that were counted; of what is added
up or taken over time the jobs are named that the verdict itself rests on.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from emulator.measure.evidence import evidence, job_times
from emulator.measure.night import FINAL, HEALTHY, NUMBER, UNFINISHED, Night
from emulator.measure.occurrences import occurrences_of
from emulator.measure.selection import Selection, part_of
from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.surroundings import Surroundings
from emulator.measure.verdict import Asked, Judged
from emulator.record.events import Row

__all__ = ["requirement_story"]

_MOST: Final = 10
"""So many jobs or events are told one by one; the rest is counted."""

_Picks = Callable[[Row], bool]

_COUNTED: Final[Mapping[str, tuple[str, _Picks]]] = {
    "accepted": ("submitted", lambda row: True),
    "attempts": ("handed_out", lambda row: True),
    "attempts_error": ("attempt_ended", lambda row: row[7] == "error"),
    "attempts_ok": ("attempt_ended", lambda row: row[7] == "ok"),
    "attempts_permanent_error": ("attempt_ended", lambda row: row[7] == "permanent_error"),
    "attempts_time_limit": ("attempt_ended", lambda row: row[7] == "time_limit"),
    "done": ("finished", lambda row: row[5] == "done"),
    "done_share": ("finished", lambda row: row[5] == "failed"),
    "effects_landed": ("effect_landed", lambda row: True),
    "effects_refused": ("effect_refused", lambda row: True),
    "expired": ("finished", lambda row: row[6] == "expired"),
    "failed": ("finished", lambda row: row[5] == "failed" and row[6] != "withdrawn"),
    "resubmission_groups_done_share": ("finished", lambda row: row[5] == "failed"),
    "faults_missed": ("fault_missed", lambda row: True),
    "lost_leases": ("attempt_ended", lambda row: row[7] == "lease_lost" and row[8] != "withdrawn"),
    "lost_while_healthy": ("attempt_ended", lambda row: row[7] == "lease_lost" and row[8] != "withdrawn"),
    "detected": ("attempt_ended", lambda row: row[7] == "lease_lost" and row[8] != "withdrawn"),
    "attempts_per_job": ("requeued", lambda row: True),
    "resubmitted": ("submitted", lambda row: bool(row[13])),
    "refused": ("submission_refused", lambda row: True),
    "refused_share": ("submission_refused", lambda row: True),
    "occurrences_skipped": ("occurrence_skipped", lambda row: True),
    "stale_refused": ("stale_refused", lambda row: True),
    "throughput": ("finished", lambda row: row[5] == "failed"),
    "wasted_share": ("attempt_ended", lambda row: row[7] != "ok"),
    "wasted_work": ("attempt_ended", lambda row: row[7] != "ok"),
    "withdrawn": ("finished", lambda row: row[6] == "withdrawn"),
}
"""For each figure that events are counted for: their kind, and which of that kind."""
_AND_UNFINISHED: Final = frozenset({"done_share", "resubmission_groups_done_share", "throughput", "done"})
_EFFECTS: Final = frozenset({"unsafe_repeats", "late_effects", "effects_after_end", "unsafe_repeats_across_jobs"})
_TIMES: Final = ("wait", "turnaround", "run_time")


def requirement_story(
    around: Surroundings, night: Night, requirement: Asked, judged: Judged, number: int, name: str
) -> Story:
    """Tell which jobs and events a requirement met or missed by.

    Args:
        around: what is known of its run.
        night: the folded run.
        requirement, judged: what was asked, and what was found.
        number: its place among the scenario's requirements, from 1.
        name: what it is called.
    """
    first = (1,) if around.source.last[0] else ()
    facts = [Fact("verdict", around.until, first, (), {"sentence": judged.sentence})]
    facts += _shown(around, night, requirement, judged)
    return Story("requirement", name, number, tuple(facts), around.until, around.source.finished)


def _shown(around: Surroundings, night: Night, requirement: Asked, judged: Judged) -> Iterator[Fact]:
    if requirement.measure is None:
        yield from _order(around, judged)
        yield from _occurrences(around, night, requirement.each_occurrence_of or requirement.entry or "", judged)
        return
    measure = requirement.measure
    where = part_of(requirement)
    selection = Selection(night, where)
    base = measure.rpartition("_")[0]
    if base in _TIMES:
        yield from _of_times(around, selection, base, judged.bound or 0)
    elif measure == "effect_age_longest":
        yield from _ages(around, selection, judged.bound or 0)
    elif measure == "silence_longest":
        yield from _silences(around, selection, judged.bound or 0)
    elif measure in _EFFECTS:
        yield from _of_effects(around, selection, measure)
    elif measure in _COUNTED:
        yield from _of_events(around, selection, measure)
        if measure in _AND_UNFINISHED:
            yield from _unfinished(around, selection)
    elif base == "detection_delay":
        yield from _of_events(around, selection, "detected")
    else:
        jobs = judged.evidence or evidence(selection, measure, judged.bound or 0)
        yield from _jobs(around, jobs, len(jobs))


def _of_times(around: Surroundings, selection: Selection, base: str, bound: float) -> Iterator[Fact]:
    """Give the jobs with the longest times, the worst first."""
    found = sorted(((time, job) for job, time in job_times(selection, base)), key=lambda pair: (-pair[0], pair[1]))
    beyond = sum(1 for time, _ in found if time > bound)
    for time, job in found[:_MOST]:
        values = {"job": job, "name": around.name(job), "base": base, "time": time, "beyond": time > bound}
        yield Fact("time", *_last(around, job), (), values)
    yield from _rest(around, max(0, beyond - _MOST), "job")


def _of_effects(around: Surroundings, selection: Selection, measure: str) -> Iterator[Fact]:
    """Give the jobs whose effects landed twice or late, with the landings; jobs resubmitted from one another as one."""
    night = selection.night
    jobs: list[int]
    if measure == "unsafe_repeats":
        jobs = list(dict.fromkeys(one.job for one in selection.repeats()))
    elif measure == "late_effects":
        jobs = sorted(selection.of_jobs(night.late))
    elif measure == "effects_after_end":
        jobs = sorted(selection.of_jobs(night.after_end))
    else:
        shared = [row for _, row in around.source.of_kinds(("effect_landed",)) if (row[7], row[8]) in night.shared]
        jobs = list(dict.fromkeys(row[3] for row in shared))
    jobs = list(dict.fromkeys(around.family(job)[0] for job in jobs))
    for job in jobs[:_MOST]:
        landed = [
            (number, row)
            for member in around.family(job)
            for number, row in around.source.of_job(member)
            if row[1] == "effect_landed"
        ]
        landed.sort()
        values = {
            "job": job,
            "name": around.name(job),
            "landings": len(landed),
            "jobs": len({row[3] for _, row in landed}),
            "targets": tuple(dict.fromkeys(row[8] for _, row in landed))[:3],
        }
        numbers = tuple(number for number, _ in reversed(landed))[:MOST_CITED]
        yield Fact("effects", landed[-1][1][0], numbers, (), values)
    yield from _rest(around, max(0, len(jobs) - _MOST), "job")


def _silences(around: Surroundings, selection: Selection, bound: float) -> Iterator[Fact]:
    """Give the workers of which nothing was heard for longest."""
    found = sorted(selection.silences().items(), key=lambda pair: (-pair[1].longest, pair[0]))
    for worker, one in found[:_MOST]:
        values = {"worker": worker, "time": one.longest, "beyond": one.longest > bound}
        yield Fact("silence", one.at, (1,), (), values)
    yield from _rest(around, sum(1 for _, one in found[_MOST:] if one.longest > bound), "worker")


def _ages(around: Surroundings, selection: Selection, bound: float) -> Iterator[Fact]:
    """Give the targets or sets whose last good results grew oldest, the oldest first."""
    found = selection.ages()
    landed: dict[tuple[str, str], list[int]] = {}
    for number, row in around.source.of_kinds(("effect_landed",)):
        landed.setdefault((row[7], row[8]), []).append(number)
    for age in found[:_MOST]:
        numbers = sorted(one for target in age.targets or (age.what,) for one in landed.get((age.effect, target), ()))
        values = {
            "effect": age.effect,
            "what": age.what,
            "targets": len(age.targets),
            "age": age.longest,
            "at_least": age.at_least,
            "as_of": age.as_of,
            "beyond": age.longest > bound,
        }
        yield Fact("age", age.at, tuple(numbers[-MOST_CITED:]) or (1,), (), values)
    beyond = sum(1 for age in found[_MOST:] if age.longest > bound)
    yield from _rest(around, beyond, "target" if selection.where.set_of is None else "set")


def _of_events(around: Surroundings, selection: Selection, measure: str) -> Iterator[Fact]:
    """Give the events that were counted for a figure, or that count against it."""
    kind, picks = _COUNTED[measure]
    known = frozenset(selection.column(NUMBER))
    only = None  # of the events, where what the worker was tells which of them count
    if measure in ("lost_while_healthy", "detected"):
        healthy = measure == "lost_while_healthy"
        only = {(one.at, one.job, one.worker) for one in selection.lost() if (one.delay == HEALTHY) == healthy}
    if measure == "attempts" and (back := around.source.of_kinds(("handed_back",))):
        unstarted = {(row[3], row[7]) for _, row in back}
        taken = [row for _, row in around.source.of_kinds((kind,)) if (row[3], row[6]) not in unstarted]
        only = {(row[0], row[3], row[4]) for row in taken}
    where = selection.where.given()
    found = [
        (number, row)
        for number, row in around.source.of_kinds((kind,))
        if picks(row)
        and (row[3] in known if row[3] else not where or _fits(kind, row, where))
        and (only is None or (row[0], row[3], row[4]) in only)
    ]
    for number, row in found[:_MOST]:
        name = around.name(row[3]) if row[3] else ""
        yield Fact("counted", row[0], (number,), (), {"kind": kind, "name": name, "job": row[3], "row": row})
    more = found[_MOST:]
    yield from _rest(around, len(more), "event", tuple(number for number, _ in more[:MOST_CITED]))


def _fits(kind: str, row: Row, where: Mapping[str, str]) -> bool:
    """Say whether an event without a job is one that a requirement asks for."""
    if kind == "submission_refused":
        return all(
            {"routine": row[5], "queue": row[6], "entry": row[7]}.get(key) == name for key, name in where.items()
        )
    return kind == "occurrence_skipped" and where.get("entry") == row[5]


def _unfinished(around: Surroundings, selection: Selection) -> Iterator[Fact]:
    jobs = [
        job for job, final in zip(selection.column(NUMBER), selection.column(FINAL), strict=True) if final == UNFINISHED
    ]
    yield from _jobs(around, tuple(jobs[:_MOST]), len(jobs))


def _jobs(around: Surroundings, jobs: tuple[int, ...], count: int) -> Iterator[Fact]:
    for job in jobs:
        rows = around.source.of_job(job)
        last = next((row for _, row in reversed(rows) if row[1] == "finished"), None)
        values = {
            "job": job,
            "name": around.name(job),
            "state": last[5] if last is not None else "unfinished",
            "sub_state": last[6] if last is not None else "",
        }
        yield Fact("job", *_last(around, job), (), values)
    yield from _rest(around, max(0, count - len(jobs)), "job")


def _rest(around: Surroundings, count: int, what: str, cited: tuple[int, ...] = (1,)) -> Iterator[Fact]:
    if count:
        yield Fact("rest", around.until, cited or (1,), (), {"count": count, "of": what})


def _last(around: Surroundings, job: int) -> tuple[int, tuple[int, ...]]:
    """Give the tick and the events at which a job was first handed out and ended, or where it stood."""
    rows = around.source.of_job(job)
    told = [(number, row) for number, row in rows if row[1] in ("submitted", "handed_out", "finished")]
    ends = told[-1]
    return ends[1][0], (ends[0], *(number for number, _ in told[:2] if number != ends[0]))


def _order(around: Surroundings, judged: Judged) -> Iterator[Fact]:
    """Give the jobs that started too early, each with the one that had not ended."""
    for job, other in zip(judged.evidence, judged.against, strict=False):
        if not other:
            continue
        started = next((number, row) for number, row in around.source.of_job(job) if row[1] == "handed_out")
        ended = next(((number, row) for number, row in around.source.of_job(other) if row[1] == "finished"), None)
        values = {"name": around.name(job), "other": around.name(other), "ended": ended[1][0] if ended else None}
        yield Fact("order", started[1][0], (started[0], *((ended[0],) if ended else ())), (), values)


def _occurrences(around: Surroundings, night: Night, entry: str, judged: Judged) -> Iterator[Fact]:
    """Give the occurrences that missed, and if none did the last ones that were done."""
    found = [one for one in occurrences_of(night, entry) if one.job]
    in_order = {job for job, other in zip(judged.evidence, judged.against, strict=False) if other}
    missed = [one for one in found if one.job in judged.evidence and one.job not in in_order]
    if in_order and not missed:
        return
    for one in missed or found[-3:]:
        values = {"entry": entry, "ordinal": one.ordinal, "due": one.due, "done": one.done, "why_not": one.why_not}
        yield Fact("occurrence", *_last(around, one.job), (), values)
    skipped = [(number, row) for number, row in around.source.of_kinds(("occurrence_skipped",)) if row[5] == entry]
    for number, row in skipped[:_MOST]:
        yield Fact("counted", row[0], (number,), (), {"kind": row[1], "name": "", "job": 0, "row": row})
