"""Tells which jobs and events made a requirement miss, or came nearest to it.

By the kind of its measure: times lead to the jobs with the longest, the worst first, and say which are beyond what was
asked; shares lead to the jobs that count against them; counts lead to the events that were counted; of what is added
up or taken over time the jobs are named that the verdict itself rests on.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from emulator.measure.figures import Selection, part_of
from emulator.measure.night import FINAL, HEALTHY, NUMBER, UNFINISHED, Night
from emulator.measure.occurrences import Asked, Judged, occurrences_of
from emulator.measure.requirements import evidence, job_times
from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import EventView

__all__ = ["requirement_story"]

_MOST: Final = 10
"""So many jobs or events are told one by one; the rest is counted."""

_Picks = Callable[[EventView], bool]

_COUNTED: Final[Mapping[str, tuple[str, _Picks]]] = {
    "accepted": ("submitted", lambda event: True),
    "attempts": ("handed_out", lambda event: True),
    "attempts_error": ("attempt_ended", lambda event: event.outcome == "error"),
    "attempts_ok": ("attempt_ended", lambda event: event.outcome == "ok"),
    "attempts_permanent_error": ("attempt_ended", lambda event: event.outcome == "permanent_error"),
    "attempts_time_limit": ("attempt_ended", lambda event: event.outcome == "time_limit"),
    "done": ("finished", lambda event: event.state == "done"),
    "done_share": ("finished", lambda event: event.state == "failed"),
    "effects_landed": ("effect_landed", lambda event: True),
    "effects_refused": ("effect_refused", lambda event: True),
    "expired": ("finished", lambda event: event.sub_state == "expired"),
    "failed": ("finished", lambda event: event.state == "failed" and event.sub_state != "withdrawn"),
    "resubmission_groups_done_share": ("finished", lambda event: event.state == "failed"),
    "faults_missed": ("fault_missed", lambda event: True),
    "lost_leases": ("attempt_ended", lambda event: event.outcome == "lease_lost" and event.why != "withdrawn"),
    "lost_while_healthy": ("attempt_ended", lambda event: event.outcome == "lease_lost" and event.why != "withdrawn"),
    "detected": ("attempt_ended", lambda event: event.outcome == "lease_lost" and event.why != "withdrawn"),
    "attempts_per_job": ("requeued", lambda event: True),
    "resubmitted": ("submitted", lambda event: bool(event.resubmitted_from)),
    "refused": ("submission_refused", lambda event: True),
    "refused_share": ("submission_refused", lambda event: True),
    "occurrences_skipped": ("occurrence_skipped", lambda event: True),
    "stale_refused": ("stale_refused", lambda event: True),
    "throughput": ("finished", lambda event: event.state == "failed"),
    "wasted_share": ("attempt_ended", lambda event: event.outcome != "ok"),
    "wasted_work": ("attempt_ended", lambda event: event.outcome != "ok"),
    "withdrawn": ("finished", lambda event: event.sub_state == "withdrawn"),
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
        landings = around.source.of_kinds(("effect_landed",))
        jobs = list(dict.fromkeys(event.job for event in landings if (event.effect, event.target) in night.shared))
    jobs = list(dict.fromkeys(around.family(job)[0] for job in jobs))
    for job in jobs[:_MOST]:
        landed = [
            event
            for member in around.family(job)
            for event in around.source.of_job(member)
            if event.kind == "effect_landed"
        ]
        landed.sort()  # by their numbers
        values = {
            "job": job,
            "name": around.name(job),
            "landings": len(landed),
            "jobs": len({event.job for event in landed}),
            "targets": tuple(dict.fromkeys(event.target for event in landed))[:3],
        }
        numbers = tuple(event.event for event in reversed(landed))[:MOST_CITED]
        yield Fact("effects", landed[-1].at, numbers, (), values)
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
    for event in around.source.of_kinds(("effect_landed",)):
        landed.setdefault((event.effect, event.target), []).append(event.event)
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
        unstarted = {(event.job, event.token) for event in back}
        taken = [event for event in around.source.of_kinds((kind,)) if (event.job, event.token) not in unstarted]
        only = {(event.at, event.job, event.worker) for event in taken}
    where = selection.where.given()
    found = [
        event
        for event in around.source.of_kinds((kind,))
        if picks(event)
        and (event.job in known if event.job else not where or _fits(event, where))
        and (only is None or (event.at, event.job, event.worker) in only)
    ]
    for event in found[:_MOST]:
        yield _counted(event, around.name(event.job) if event.job else "")
    more = found[_MOST:]
    yield from _rest(around, len(more), "event", tuple(event.event for event in more[:MOST_CITED]))


def _counted(event: EventView, name: str) -> Fact:
    values = {"kind": event.kind, "name": name, "job": event.job, "row": event.row}
    return Fact("counted", event.at, (event.event,), (), values)


def _fits(event: EventView, where: Mapping[str, str]) -> bool:
    """Say whether an event without a job is one that a requirement asks for."""
    if event.kind == "submission_refused":
        refused = {"routine": event.routine, "queue": event.queue, "entry": event.entry}
        return all(refused.get(key) == name for key, name in where.items())
    return event.kind == "occurrence_skipped" and where.get("entry") == event.entry


def _unfinished(around: Surroundings, selection: Selection) -> Iterator[Fact]:
    jobs = [
        job for job, final in zip(selection.column(NUMBER), selection.column(FINAL), strict=True) if final == UNFINISHED
    ]
    yield from _jobs(around, tuple(jobs[:_MOST]), len(jobs))


def _jobs(around: Surroundings, jobs: tuple[int, ...], count: int) -> Iterator[Fact]:
    for job in jobs:
        finished = around.job(job).finished
        values = {
            "job": job,
            "name": around.name(job),
            "state": finished.state if finished is not None else "unfinished",
            "sub_state": finished.sub_state if finished is not None else "",
        }
        yield Fact("job", *_last(around, job), (), values)
    yield from _rest(around, max(0, count - len(jobs)), "job")


def _rest(around: Surroundings, count: int, what: str, cited: tuple[int, ...] = (1,)) -> Iterator[Fact]:
    if count:
        yield Fact("rest", around.until, cited or (1,), (), {"count": count, "of": what})


def _last(around: Surroundings, job: int) -> tuple[int, tuple[int, ...]]:
    """Give the tick and the events at which a job was first handed out and ended, or where it stood."""
    told = around.job(job).of_kind("submitted", "handed_out", "finished")
    last = told[-1]
    return last.at, (last.event, *(event.event for event in told[:2] if event is not last))


def _order(around: Surroundings, judged: Judged) -> Iterator[Fact]:
    """Give the jobs that started too early, each with the one that had not ended."""
    for job, other in zip(judged.evidence, judged.against, strict=False):
        if not other:
            continue
        started = around.job(job).attempts[0]
        ended = around.job(other).finished
        values = {"name": around.name(job), "other": around.name(other), "ended": ended.at if ended else None}
        yield Fact("order", started.at, (started.event, *((ended.event,) if ended else ())), (), values)


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
    skipped = [event for event in around.source.of_kinds(("occurrence_skipped",)) if event.entry == entry]
    for event in skipped[:_MOST]:
        yield _counted(event, "")
