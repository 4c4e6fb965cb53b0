"""Judges whether a night meets each requirement, by which jobs that shows, and from when on it was missed.

What is judged is the night up to the horizon. A bound that is already broken is missed; one that cannot be known,
because jobs were unfinished, is missed too, and the reason is said. Where there is nothing to judge (no lease was lost,
so nothing had to be detected) a requirement is neither met nor missed. Of a night whose log breaks off before its run
was finished nothing is judged: what came after it might have met or missed any of them.

From when on a requirement can no longer be met is looked at afterwards, when the whole night is known:

- at most (or exactly) so much of a figure that grows (a number, a sum, a longest time, the makespan): the minute with
  which the night, judged as it stood then, came to have more than that;
- a share of jobs done: the end of the job with which too many are not done, and never will be;
- a time of day, or a time after something is due: that time, of the first occurrence that misses it (up to then a
  person may still submit the job again); for a start that came too early, that start;
- anything else (means, quantiles, quotients, at least so much): the end of the night, because until then it may change.

A requirement that is missed only because jobs were unfinished is missed at the end of the night.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import chain
from typing import Any, Final

from emulator.errors import InputError
from emulator.measure.catalogue import FILTERS, find
from emulator.measure.estimate import Figure
from emulator.measure.figures import Figures, Selection, Where, part_of
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
from emulator.measure.occurrences import Asked, Judged, WallClock, first_missed, judge_occurrences, problem_with_time
from emulator.measure.words import difference, duration, pair, value, write
from emulator.timeline.ticks import MINUTE

__all__ = [
    "AsItStood",
    "Judged",
    "broken_off",
    "evidence",
    "first_miss",
    "has_bound",
    "job_times",
    "judge",
    "judge_all",
    "missed_at",
    "parts_of",
    "problems",
    "say_not_worse",
    "say_requirement",
    "words_of",
]


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


_KINDS: Final = ("at_least", "at_most", "exactly")
_WORDS: Final = {"at_least": "at least", "at_most": "at most", "exactly": "exactly"}
_BY: Final = ("started_by", "finished_by", "within", "starts_after_end_of")


def judge_all(night: Night, requirements: Iterable[Asked], clock: WallClock) -> tuple[Judged, ...]:
    """Judge every requirement of a scenario, in their order. See ``judge``."""
    shared: dict[Where, Figures] = {}
    found = []
    for requirement in requirements:
        about, limit = parts_of(requirement)
        judged = judge(night, requirement, clock, shared)
        found.append(replace(judged, about=about, limit=limit, said=requirement.say or ""))
    return tuple(found)


def broken_off(judged: Iterable[Judged], ends: int, lasts: int) -> tuple[Judged, ...]:
    """Take back the verdicts on a night whose log ends at a tick before its run was finished; what was found stays.

    >>> from emulator.measure.estimate import Figure
    >>> met = Judged("done exactly 1", True, Figure(1, "count"), 1, "Met: done is 1, exactly 1 was asked.")
    >>> [one] = broken_off([met], 60_000_000, 3_600_000_000)
    >>> one.met, one.sentence
    (None, 'Not judged: the log ends after 1 min of 1 h, before its run was finished.')
    """
    sentence = f"Not judged: the log ends after {duration(ends)} of {duration(lasts)}, before its run was finished."
    return tuple(replace(one, met=None, sentence=sentence, evidence=()) for one in judged)


def judge(night: Night, requirement: Asked, clock: WallClock, shared: dict[Where, Figures] | None = None) -> Judged:
    """Judge one requirement.

    Args:
        night: the folded run.
        requirement: one entry of the scenario's ``must_hold``.
        clock: the scenario's clock, for times of day.
        shared: figures already computed, by the part of the night that they are about; added to.

    Raises:
        InputError: when the requirement makes no sense; ``problems`` tells beforehand.
    """
    wrong = problems(requirement)
    if wrong:
        raise InputError("; ".join(wrong))
    if requirement.measure is None:
        return judge_occurrences(night, requirement, clock, say_requirement(requirement), words_of(requirement))
    where = part_of(requirement)
    cache = {} if shared is None else shared
    figures = cache.setdefault(where, Figures(night, where))
    found = figures.get(requirement.measure)
    asked = [(kind, bound) for kind in _KINDS if (bound := getattr(requirement, kind)) is not None]
    if not asked:
        said = _only_compared(requirement, found)
        return Judged(say_requirement(requirement), None, found, None, said, label=words_of(requirement))
    unknown = _why_unknown(requirement.measure, found)
    answers = [(_holds(found, kind, bound, unknown), kind, bound) for kind, bound in asked]
    (holds, reason), kind, bound = next((answer for answer in answers if not answer[0][0]), answers[0])
    sentence = _sentence(requirement, found, kind, bound, holds, reason)
    shown = evidence(figures.selection, requirement.measure, bound) if holds is False else ()
    return Judged(say_requirement(requirement), holds, found, bound, sentence, shown, label=words_of(requirement))


def _holds(found: Figure, kind: str, bound: float, unknown: str) -> tuple[bool | None, str]:
    """Say whether a bound holds (None: there is nothing to judge), and why it cannot be known if so."""
    if found.value is None:
        return None, ""
    if not found.more_than:
        return {"at_least": found.value >= bound, "at_most": found.value <= bound}.get(kind, found.value == bound), ""
    if kind == "at_least" and found.value >= bound:
        return True, ""
    if kind != "at_least" and found.value > bound:
        return False, ""
    return False, f"whether it holds cannot be known because {unknown}"


def _why_unknown(measure: str, found: Figure) -> str:
    """Say why no upper bound of a figure can be known, where that is so."""
    if measure == "effect_age_longest":
        return f"the scenario does not say (`since`) what was there before, of {found.unfinished} of {found.n}"
    which = f"{found.unfinished} of {found.n}" if found.unfinished else "something"
    return f"{which} {'were' if found.unfinished > 1 else 'was'} unfinished"


def _only_compared(requirement: Asked, found: Figure) -> str:
    return f"Not judged on one night: {_seen(requirement, write(found), _not_worse(requirement))}."


def _not_worse(requirement: Asked) -> str:
    """Write how much worse than the baseline is allowed."""
    assert requirement.not_worse_by is not None
    if requirement.not_worse_by == 0:
        return "not worse than the baseline"
    unit = find(requirement.measure or "").unit
    return f"not worse than the baseline by more than {difference(requirement.not_worse_by, unit)}"


def _sentence(requirement: Asked, found: Figure, kind: str, bound: float, holds: bool | None, reason: str) -> str:
    if found.value is None:
        return f"Nothing to judge: {_seen(requirement, 'no value in this night', '')}."
    is_, asked = pair(found.value, bound, found.unit)
    more = "more than " if found.more_than else ""
    wanted = f"{_WORDS[kind]} {asked}"
    if requirement.in_share is not None:
        wanted += f" in {value(requirement.in_share, 'share')} of nights"
    text = _seen(requirement, f"{more}{is_}", wanted) + (f"; {reason}" if reason else "")
    return f"{'Met' if holds else 'Missed'}{'' if requirement.in_share is None else ' on this night'}: {text}."


def _seen(requirement: Asked, found: str, wanted: str) -> str:
    """Write what was found beside what was asked, after the requirement's own words if it has some.

    It reads ``leases lost: 2 (asked: exactly 1)``, or ``all done by six (makespan: 9 h; asked: at most 8 h)``.
    """
    seen = f"{_label(requirement)}: {found}"
    if not wanted:
        return _own(requirement, seen)
    return f"{seen} (asked: {wanted})" if requirement.say is None else _own(requirement, f"{seen}; asked: {wanted}")


def say_requirement(requirement: Asked) -> str:
    """Write a requirement by the name of its measure: ``wait_p90 at most 15 min for queue night``."""
    if requirement.measure is None:
        by = [f"started by {requirement.started_by}"] if requirement.started_by is not None else []
        by += [f"finished by {requirement.finished_by}"] if requirement.finished_by is not None else []
        by += [f"finished within {value(requirement.within, 'time')}"] if requirement.within is not None else []
        by += [f"after the end of {other}"] if (other := requirement.starts_after_end_of) is not None else []
        text = f"{_jobs(requirement)} {' and '.join(by)}"
    else:
        text = f"{requirement.measure} {_bounds(requirement)}{_of(requirement)}"
    return text + _in_share(requirement)


def _jobs(requirement: Asked) -> str:
    if requirement.each_occurrence_of is not None:
        return f"each occurrence of {requirement.each_occurrence_of}"
    return f"every job of {requirement.entry}"


def words_of(requirement: Asked) -> str:
    """Write a requirement as people read it: by the label of its measure, after words of its own if it has some.

    It reads ``longest wait at most 15 min for queue night``, or ``all done by six (makespan at most 8 h)``.
    """
    if requirement.measure is None:
        return _own(requirement, say_requirement(requirement))
    name = find(requirement.measure).label
    part = part_of(requirement).words()
    return _own(requirement, f"{name} {_bounds(requirement)}{part}{_in_share(requirement)}")


def parts_of(requirement: Asked) -> tuple[str, str]:
    """Give a requirement in two parts, as people read it: what it is asked of, and what is asked of it.

    They read ``longest wait for queue night`` and ``at most 15 min``. Of one on an entry's jobs the first says all.
    """
    if requirement.measure is None:
        return say_requirement(requirement), ""
    return _label(requirement), f"{_bounds(requirement)}{_in_share(requirement).removeprefix(',')}"


def _own(requirement: Asked, text: str) -> str:
    """Put the requirement's own words before a text, if it has some."""
    return text if requirement.say is None else f"{requirement.say} ({text})"


def _label(requirement: Asked) -> str:
    return find(requirement.measure or "").label + part_of(requirement).words()


def _bounds(requirement: Asked) -> str:
    unit = find(requirement.measure or "").unit
    asked = [(kind, bound) for kind in _KINDS if (bound := getattr(requirement, kind)) is not None]
    said = [f"{_WORDS[kind]} {value(bound, unit)}" for kind, bound in asked]
    said += [_not_worse(requirement)] if requirement.not_worse_by is not None else []
    return " and ".join(said)


def _in_share(requirement: Asked) -> str:
    return "" if requirement.in_share is None else f", in {value(requirement.in_share, 'share')} of nights"


def has_bound(requirement: Asked) -> bool:
    """Say whether one night can decide a requirement: it asks for more than not to be worse than a baseline."""
    return requirement.measure is None or any(getattr(requirement, kind) is not None for kind in _KINDS)


def say_not_worse(requirement: Asked) -> tuple[str, str]:
    """Write the part of a requirement that asks not to be worse than the baseline; it must have one.

    Returns:
        ``makespan not worse than the baseline by more than 5 min for queue night``, or the like, and the same as
        people read it.
    """
    said = _not_worse(requirement)
    name = find(requirement.measure or "").label
    return f"{requirement.measure} {said}{_of(requirement)}", _own(
        requirement, f"{name} {said}{part_of(requirement).words()}"
    )


def _of(requirement: Asked) -> str:
    given = part_of(requirement).given()
    return f" for {' and '.join(f'{name} {wanted}' for name, wanted in given.items())}" if given else ""


def problems(requirement: Asked) -> list[str]:
    """Say what makes no sense in a requirement, in words with what to write instead; empty when all is well."""
    bounds = {kind: bound for kind in _KINDS if (bound := getattr(requirement, kind)) is not None}
    by = [getattr(requirement, name) for name in _BY]
    if requirement.measure is None or requirement.each_occurrence_of is not None:
        return _problems_of_entry(requirement, by, bool(bounds))
    try:
        measure = find(requirement.measure)
    except InputError as error:
        return [str(error)]
    found = [
        f"{measure.name} cannot be told by {name}: "
        + (f"it is told by {', '.join(measure.by)} only" if measure.by else "it is told for the whole night only")
        for name in FILTERS
        if getattr(requirement, name) is not None and name not in measure.by
    ]
    if any(by):
        found.append(f"{', '.join(_BY)} belong to an entry without a measure")
    worse = requirement.not_worse_by
    if not bounds and worse is None:
        found.append(f"{measure.name} needs at_least, at_most, exactly or not_worse_by")
    if worse is not None and not measure.better:
        found.append(f"of {measure.name} neither more nor less is better: not_worse_by cannot be asked of it")
    if worse is not None and worse < 0:
        found.append("not_worse_by must be 0 or more")
    for kind, bound in (bounds if worse is None else {**bounds, "not_worse_by": worse}).items():
        if (measure.unit == "time") != isinstance(bound, int):
            want = "a duration, such as 90s or 1h30m" if measure.unit == "time" else "a plain number"
            found.append(f"{kind} of {measure.name} must be {want}")
        elif measure.unit == "share" and bound > 1:
            found.append(f"{kind} of {measure.name} is a share from 0 to 1: write {bound / 100:.9g} for {bound:.9g} %")
    return found


def _problems_of_entry(requirement: Asked, by: list[Any], has_bounds: bool) -> list[str]:
    if requirement.entry is None and requirement.each_occurrence_of is None:
        return ["a requirement needs a measure, or an entry with a time"]
    filters = [name for name in FILTERS if getattr(requirement, name) is not None]
    filters = [name for name in filters if requirement.each_occurrence_of is not None or name != "entry"]
    found = []
    if requirement.measure is not None or has_bounds or requirement.not_worse_by is not None or filters:
        found.append(f"{_jobs(requirement)} stands with {', '.join(_BY)} alone: no measure, no bound")
    if not any(by):
        found.append(f"{_jobs(requirement)} needs one of {', '.join(_BY)}")
    return found + [wrong for text in by[:2] if isinstance(text, str) and (wrong := problem_with_time(text))]


AsItStood = Callable[[int], Night]
"""Gives a night as it stood at a tick: all events up to and with it."""

_SUMS: Final = ("makespan", "overlap", "executed", "wasted_work")
"""Times that grow, beside the longest ones."""


def first_miss(
    night: Night, asked: Iterable[tuple[Asked, Judged]], clock: WallClock, stood: AsItStood
) -> tuple[int, str] | None:
    """Give the tick from which on the first of the missed requirements could no longer be met, and its words.

    Args:
        night: the whole night.
        asked: each requirement, and how it was judged.
        clock: the scenario's clock.
        stood: gives the night as it stood at a tick.
    """
    missed = [(missed_at(night, one, clock, stood), judged.label) for one, judged in asked if judged.met is False]
    return min(missed, key=lambda miss: miss[0], default=None)


def missed_at(night: Night, requirement: Asked, clock: WallClock, stood: AsItStood) -> int:
    """Give the tick from which on a requirement that a night misses could no longer be met; see the law above."""
    if requirement.measure is None:
        return min(first_missed(night, requirement, clock), night.horizon)
    where = Where(requirement.routine, requirement.queue, requirement.entry, requirement.pool)
    if requirement.measure == "done_share" and requirement.at_least is not None:
        return _too_few_done(Selection(night, where), requirement.at_least)
    bound = requirement.at_most if requirement.at_most is not None else requirement.exactly
    name = find(requirement.measure).name
    if bound is None or not _grows(name):
        return night.horizon

    def has_more(at: int) -> bool:
        value = Figures(stood(at), where).get(name).value
        return value is not None and value > bound

    low, high = 0, night.horizon // MINUTE
    if not has_more(high * MINUTE):
        return night.horizon
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if has_more(middle * MINUTE) else (middle, high)
    return high * MINUTE


def _grows(name: str) -> bool:
    return name in _SUMS or name.endswith("_longest") or (find(name).unit == "count" and name != "unfinished")


def _too_few_done(of: Selection, at_least: float) -> int:
    """Give the end of the job with which too many are not done; of the night, where those that ended are too few."""
    finals, ends = of.column(FINAL), of.column(FINISHED)
    jobs = len(finals) + of.refused()
    failed = (end for final, end in zip(finals, ends, strict=True) if final != DONE and end >= 0)
    for left, at in enumerate(sorted(chain(failed, of.refused_at())), 1):
        if (jobs - left) / jobs < at_least:
            return at
    return of.night.horizon
