"""Judges whether each occurrence of a recurrence started or ended in time, and in its order.

An occurrence counts as finished when a job of its family (its job, or one resubmitted from it) is done; one that
failed, was refused or was skipped never is. "By 05:00" is the first such time on the scenario's clock after the
occurrence is due, and the instant itself is still in time.

The jobs that one must come after are all jobs of another entry that are due in the same night, and those resubmitted
from them before the job started. All jobs of an entry that are due at one instant belong together, in whichever night
the others are due. A job that failed has ended too; one that was refused or skipped never was.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime, time, timedelta
from typing import Final, NamedTuple, Protocol

from emulator.measure.estimate import Figure
from emulator.measure.night import DONE, FAMILY, FINAL, FINISHED, FIRST_OUT, ORDINAL, SUBMITTED, UNFINISHED, Night
from emulator.measure.words import duration, value, why_in_words
from emulator.records import record

__all__ = [
    "Asked",
    "Judged",
    "Occurrence",
    "Order",
    "TooEarly",
    "WallClock",
    "first_missed",
    "judge_occurrences",
    "occurrences_of",
    "problem_with_time",
]


@record
class Judged:
    """One requirement, judged on one night.

    Attributes:
        requirement: what is asked, with the name of the measure, as it is typed.
        met: whether its bound holds in this night, whatever share of nights it is asked of. None: nothing to judge, or
            a requirement on not being worse than a baseline, which one night cannot decide.
        found: the figure; for occurrences, how many missed.
        bound: the bound that was missed, else the first one.
        sentence: the verdict with its figures, in one sentence.
        evidence: numbers of jobs that show why it was missed, the worst first, ten at most.
        against: for each job of the evidence the job that it should have waited for, where order was asked for.
        of_occurrences: it was asked of each occurrence of an entry, and not of a figure.
        label: what is asked, in words, for screens; "" where nobody has said it otherwise than ``requirement``.
        about: for tables and sentences, the label of the figure that it is asked of; of occurrences what is asked.
        limit: what is asked of that figure; "" for occurrences, where ``about`` says all.
        said: the requirement's own words, if it has some.
    """

    requirement: str
    met: bool | None
    found: Figure
    bound: float | None
    sentence: str
    evidence: tuple[int, ...] = ()
    of_occurrences: bool = False
    label: str = ""
    against: tuple[int, ...] = ()
    about: str = ""
    limit: str = ""
    said: str = ""

    @property
    def asks(self) -> str:
        """What is asked, as people read it."""
        return self.label or self.requirement


class Asked(Protocol):
    """What is read of a requirement (``emulator.scenario.models.scenario.Requirement``).

    A bound on a time is a whole number of ticks, any other bound a float.
    """

    @property
    def measure(self) -> str | None: ...
    @property
    def at_least(self) -> float | None: ...
    @property
    def at_most(self) -> float | None: ...
    @property
    def exactly(self) -> float | None: ...
    @property
    def not_worse_by(self) -> float | None: ...
    @property
    def routine(self) -> str | None: ...
    @property
    def queue(self) -> str | None: ...
    @property
    def pool(self) -> str | None: ...
    @property
    def entry(self) -> str | None: ...
    @property
    def effect(self) -> str | None: ...
    @property
    def target(self) -> str | None: ...
    @property
    def set_of(self) -> str | None: ...
    @property
    def each_occurrence_of(self) -> str | None: ...
    @property
    def started_by(self) -> str | None: ...
    @property
    def finished_by(self) -> str | None: ...
    @property
    def within(self) -> int | None: ...
    @property
    def starts_after_end_of(self) -> str | None: ...
    @property
    def in_share(self) -> float | None: ...
    @property
    def say(self) -> str | None: ...


class WallClock(Protocol):
    """What is asked of the scenario's clock (``emulator.scenario.clock.Clock``)."""

    def local(self, tick: int) -> datetime:
        """Give the local time at a tick."""
        ...

    def tick_of(self, when: datetime) -> int:
        """Give the tick of a local time."""
        ...

    def night_of(self, tick: int) -> int:
        """Say in which night of the run a tick lies, from 0."""
        ...

    def instants(self, local: datetime) -> tuple[int, ...]:
        """List the ticks at which the clock shows a local time: none, one or two."""
        ...


class TooEarly(NamedTuple):
    """The job that one should have waited for: its number and name, and when it ended (None: not so far)."""

    job: int
    name: str
    ended: int | None


class _Other(NamedTuple):
    """A job of the other entry."""

    number: int
    name: str
    submitted: int
    ended: int | None
    is_resubmitted: bool


class Order:
    """The jobs of one entry, after which others are to start."""

    def __init__(self, night: Night, entry: str, clock: WallClock) -> None:
        due = night.occurrences.get(entry, ())
        self._clock = clock
        self._as_one = len(set(due)) == 1
        self._by_night: dict[int, list[_Other]] = {}
        for when, other in _others(night, entry, dict(enumerate(due, 1))):
            self._by_night.setdefault(0 if self._as_one else clock.night_of(when), []).append(other)

    def broken_by(self, started: int | None, due: int) -> TooEarly | None:
        """Give the job that ended last of those that had not when a job started; None if all had."""
        if started is None:
            return None
        others = self._by_night.get(0 if self._as_one else self._clock.night_of(due), ())
        late = [other for other in others if other.ended is None or other.ended > started]
        late = [other for other in late if not other.is_resubmitted or other.submitted < started]
        if not late:
            return None
        last = max(late, key=lambda other: (other.ended is None, other.ended or 0, -other.number))
        return TooEarly(last.number, last.name, last.ended)


def _others(night: Night, entry: str, due: dict[int, int]) -> Iterator[tuple[int, _Other]]:
    """List the jobs of an entry, each with the tick at which its occurrence was due."""
    for job in range(night.first, night.first + len(night)):
        first = night.value(job, FAMILY)
        if night.kind_of(first).entry != entry:
            continue
        ordinal, ended = night.value(first, ORDINAL), night.value(job, FINISHED)
        submitted = night.value(job, SUBMITTED)
        when = due.get(ordinal, night.value(first, SUBMITTED))
        yield when, _Other(job, f"{entry}#{ordinal}", submitted, ended if ended >= 0 else None, job != first)


_TIME_OF_DAY: Final = re.compile(r"([01]\d|2[0-3]):[0-5]\d", re.ASCII)
_MOST_NAMED: Final = 3
_MOST_EVIDENCE: Final = 10


@record
class Occurrence:
    """What became of one occurrence.

    ``due`` is the tick at which it was due, ``started`` the first hand-out, ``done`` the first end in state done
    (None: not so far); ``why_not`` says why it is not done, and ``unfinished`` whether it still might be; ``job`` is
    the number of its first job (0: there is none).
    """

    ordinal: int
    due: int
    job: int
    started: int | None
    done: int | None
    why_not: str
    unfinished: bool = False


def occurrences_of(night: Night, entry: str) -> list[Occurrence]:
    """List the occurrences of an arrival entry that were due before the horizon, by their number."""
    due = dict(enumerate(night.occurrences.get(entry, ()), 1))
    lost: dict[int, tuple[int, str]] = {}
    for skipped in night.skipped:
        if skipped.entry == entry:
            lost[skipped.ordinal] = skipped.at, f"was skipped ({why_in_words(skipped.why)})"
    for refused in night.refused:
        if refused.kind.entry == entry:
            lost[refused.ordinal] = refused.at, f"was refused ({why_in_words(refused.why, refused.values)})"
    families: dict[int, list[int]] = {}
    for job in range(night.first, night.first + len(night)):
        first = night.value(job, FAMILY)
        if night.kind_of(first).entry == entry:
            families.setdefault(first, []).append(job)
    jobs = {night.value(first, ORDINAL): members for first, members in families.items()}
    found = []
    for ordinal in sorted({*due, *lost, *jobs}):
        members = jobs.get(ordinal, [])
        seen = night.value(members[0], SUBMITTED) if members else lost.get(ordinal, (0, ""))[0]
        when = due.get(ordinal, seen)
        if when >= night.horizon:
            continue
        if members:
            found.append(_of_jobs(night, ordinal, when, members))
        else:
            found.append(Occurrence(ordinal, when, 0, None, None, lost.get(ordinal, (0, "was never submitted"))[1]))
    return found


def _of_jobs(night: Night, ordinal: int, due: int, members: list[int]) -> Occurrence:
    outs = [out for job in members if (out := night.value(job, FIRST_OUT)) >= 0]
    ends = [night.value(job, FINISHED) for job in members if night.value(job, FINAL) == DONE]
    unfinished = any(night.value(job, FINAL) == UNFINISHED for job in members)
    last = night.final_of(members[-1])
    why_not = (
        "" if ends else "was unfinished at the end" if unfinished else f"failed ({last.sub_state.replace('_', ' ')})"
    )
    return Occurrence(ordinal, due, members[0], min(outs, default=None), min(ends, default=None), why_not, unfinished)


def judge_occurrences(night: Night, requirement: Asked, clock: WallClock, text: str, words: str) -> Judged:
    """Judge a requirement on each occurrence of an entry; ``words`` is how people read it."""
    entry = requirement.each_occurrence_of or requirement.entry or ""
    what = "occurrence" if requirement.each_occurrence_of is not None else "job"
    found = occurrences_of(night, entry)
    too_early: dict[int, TooEarly] = {}
    if requirement.starts_after_end_of is not None:
        order = Order(night, requirement.starts_after_end_of, clock)
        too_early = {one.job: early for one in found if (early := order.broken_by(one.started, one.due)) is not None}
        if [requirement.started_by, requirement.finished_by, requirement.within] == [None, None, None]:
            found = [one for one in found if one.started is not None]  # of the others nothing is asked
    missed = [(one, why) for one in found if (why := next(_misses(night, requirement, clock, one, too_early), ""))]
    figure = Figure(len(missed) if found else None, "count", n=len(found))
    holds = not missed if found else None
    if not found:
        did = "started" if requirement.starts_after_end_of is not None else "due"
        sentence = f"Nothing to judge: no {what} of {entry} was {did}."
    elif missed:
        named = "; ".join(f"#{one.ordinal} {why}" for one, why in missed[:_MOST_NAMED])
        more = len(missed) - _MOST_NAMED
        noun = what if len(found) == 1 else f"{what}s"
        own = f"{requirement.say}: " if requirement.say is not None else ""
        sentence = f"Missed: {own}{len(missed)} of {len(found)} {noun} of {entry}: {named}"
        sentence += f"; and {more} more." if more > 0 else "."
    else:
        sentence = f"Met: {words}: all {len(found)}."
    if requirement.in_share is not None and found:
        share = value(requirement.in_share, "share")
        sentence = f"On this night, asked in {share} of nights: {sentence}"
    evidence = tuple(one.job for one, _ in missed if one.job)[:_MOST_EVIDENCE]
    against = tuple(too_early[job].job if job in too_early else 0 for job in evidence) if too_early else ()
    return Judged(text, holds, figure, 0, sentence, evidence, of_occurrences=True, label=words, against=against)


def first_missed(night: Night, requirement: Asked, clock: WallClock) -> int:
    """Give the tick at which the first occurrence missed what was asked of it, in a night that misses it.

    It is the time up to which it should have been started or done; of one that was started too early, its start.
    """
    entry = requirement.each_occurrence_of or requirement.entry or ""
    order = None
    if requirement.starts_after_end_of is not None:
        order = Order(night, requirement.starts_after_end_of, clock)
    found = []
    for one in occurrences_of(night, entry):
        if order is not None and one.started is not None and order.broken_by(one.started, one.due) is not None:
            found.append(one.started)
        if requirement.started_by is not None:
            found += _limit(one.started, _first_after(one.due, requirement.started_by, clock))
        if requirement.finished_by is not None:
            found += _limit(one.done, _first_after(one.due, requirement.finished_by, clock))
        if requirement.within is not None:
            found += _limit(one.done, one.due + requirement.within)
    return min(found)


def _limit(at: int | None, limit: int) -> list[int]:
    """Give the limit, if it was missed."""
    return [limit] if at is None or at > limit else []


def _misses(
    night: Night, requirement: Asked, clock: WallClock, one: Occurrence, too_early: Mapping[int, TooEarly]
) -> Iterator[str]:
    """Say how an occurrence misses what was asked, if it does."""
    if (early := too_early.get(one.job)) is not None and one.started is not None:
        ended = (
            f"which ended at {_time(clock.local(early.ended))}" if early.ended is not None else "which had not ended"
        )
        yield f"was started at {_time(clock.local(one.started))}, before {early.name}, {ended}"
    if requirement.started_by is not None:
        limit = _first_after(one.due, requirement.started_by, clock)
        why_not = "was not started" if one.unfinished else one.why_not
        yield from _late(night, clock, one, one.started, limit, "was started at", why_not)
    if requirement.finished_by is not None:
        limit = _first_after(one.due, requirement.finished_by, clock)
        yield from _late(night, clock, one, one.done, limit, "was done at", one.why_not)
    if requirement.within is not None:
        limit = one.due + requirement.within
        if one.done is not None and one.done > limit:
            yield f"was done {duration(one.done - one.due)} after it was due"
        else:
            yield from _late(night, clock, one, one.done, limit, "was done at", one.why_not)


def _late(
    night: Night, clock: WallClock, one: Occurrence, at: int | None, limit: int, did: str, why_not: str
) -> Iterator[str]:
    if at is None:
        unknown = one.unfinished and limit >= night.horizon
        yield why_not + (", so whether it would have been in time cannot be known" if unknown else "")
    elif at > limit:
        yield f"{did} {_time(clock.local(at))}"


def _time(local: datetime) -> str:
    exact = local.second or local.microsecond
    return local.replace(tzinfo=None).isoformat(" ", "auto" if exact else "minutes")


def _first_after(due: int, text: str, clock: WallClock) -> int:
    """Give the first tick after ``due`` at which the clock shows a time of day; in a gap, where it would have been."""
    first = clock.local(due).date()
    days = [datetime.combine(first + timedelta(days=n), time.fromisoformat(text)) for n in range(3)]
    ticks = [tick for day in days for tick in clock.instants(day) or (clock.tick_of(day),)]
    return min(tick for tick in ticks if tick > due)


def problem_with_time(text: str) -> str:
    """Say what is wrong with a time of day, or nothing.

    >>> problem_with_time("05:00"), problem_with_time("5 am")
    ('', "'5 am' is no time of day: write HH:MM, such as 05:00")
    """
    return "" if _TIME_OF_DAY.fullmatch(text) else f"{text!r} is no time of day: write HH:MM, such as 05:00"
