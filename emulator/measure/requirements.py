"""Is each requirement of a scenario met by a night?

The law: what is judged is the night up to the horizon. A bound that is already broken is missed; one that cannot be
known, because jobs were unfinished, is missed too, and the reason is said. Where there is nothing to judge (no lease
was lost, so nothing had to be detected) a requirement is neither met nor missed. Of a night whose log breaks off before
its run was finished nothing is judged: what came after it might have met or missed any of them.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

from emulator.errors import InputError
from emulator.measure.catalogue import FILTERS, find
from emulator.measure.estimate import Figure
from emulator.measure.evidence import evidence
from emulator.measure.figures import Figures
from emulator.measure.night import Night
from emulator.measure.occurrences import judge_occurrences, problem_with_time
from emulator.measure.selection import Where, part_of
from emulator.measure.verdict import Asked, Judged, WallClock
from emulator.measure.words import difference, duration, pair, value, write

__all__ = [
    "Judged",
    "broken_off",
    "has_bound",
    "judge",
    "judge_all",
    "parts_of",
    "problems",
    "say_not_worse",
    "say_requirement",
    "words_of",
]

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
