"""Which work can go wrong by what it is: too long, done twice, or never begun?"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from emulator.scenario.aims import aims
from emulator.scenario.hazards.outlook import Entry, Loc, Outlook, Said
from emulator.scenario.models.arrivals import Arrival, FirstOf, Prerequisite
from emulator.scenario.models.routines import Part, Routine
from emulator.scenario.terms import terms_of
from emulator.timeline.ticks import HOUR, say

__all__ = [
    "age_of_single_results",
    "elements_not_given",
    "prerequisite_never_comes",
    "recurrence_overlaps",
    "time_limit_short",
    "unrepeatable_work",
    "waits_for_a_later_night",
    "waits_for_one_of_many",
]


def time_limit_short(outlook: Outlook) -> Iterator[Said]:
    """The time limit of an attempt is below what the work can well take, or even below what it takes at best."""
    for entry in outlook.entries:
        terms = outlook.terms(entry)
        cap = terms.queue.time_limit
        if cap is None:
            continue
        fastest = max(outlook.speeds(entry.routine.queue), default=1.0)
        at_best = entry.least.at(fastest)
        if cap.then == "resume":
            at_best = max((step.at(fastest) for step in entry.steps), default=0)
        loc, name = (*outlook.stated(terms, "time_limit"), "after"), entry.arrival.routine
        if at_best >= cap.after:
            what = "a single part of it" if cap.then == "resume" else "it"
            yield (
                loc,
                f"{name} can never finish: {what} takes at least {say(round(at_best))}, "
                f"and an attempt is stopped after {say(cap.after)}",
            )
        elif (longest := outlook.longest(entry)) > cap.after:
            then = {"fail": "fails", "start_over": "starts over", "resume": "goes on in another attempt"}[cap.then]
            yield (
                loc,
                f"the p95 of {name} is {say(round(longest))}, and an attempt is stopped after {say(cap.after)}: "
                f"such a job {then}",
            )


def recurrence_overlaps(outlook: Outlook) -> Iterator[Said]:
    """A recurrence comes again before its last job can be expected to have ended."""
    then = {"skip": "occurrences are skipped", "wait": "occurrences pile up", "both": "two of its jobs run at once"}
    for entry in outlook.entries:
        if entry.arrival.recurs is None:
            continue
        due = outlook.due(entry.arrival)
        gap = min((later - sooner for sooner, later in pairwise(due)), default=None)
        longest = outlook.longest(entry)
        if gap is not None and gap < longest:
            yield (
                ("arrivals", entry.place, "recurs"),
                f"it comes again after {say(gap)}, and the p95 of {entry.arrival.routine} is {say(round(longest))}: "
                f"{then[entry.arrival.if_still_running]}",
            )


def unrepeatable_work(outlook: Outlook) -> Iterator[Said]:
    """A part that must not be done twice can be."""
    scenario = outlook.scenario
    again = {entry.arrival.label: entry.arrival.routine for entry in outlook.entries}
    by_hand = {again.get(a.run_again.rpartition("#")[0]) for a in scenario.actions if a.run_again is not None}
    twice = {fault.hand_out_twice for fault in scenario.faults}
    for name, routine in scenario.routines.items():
        terms = [outlook.terms(entry) for entry in outlook.entries if entry.arrival.routine == name]
        retries = [one.queue.retry for one in terms or [terms_of(scenario, None, name)]]
        attempts = max((retry.attempts_in_all for retry in retries if retry.retried), default=1)
        why = []
        if attempts > 1:
            why.append(f"up to {attempts} attempts")
        if name in by_hand:
            why.append("it is run again by hand")
        if routine.queue in twice:
            why.append("a job of its queue is handed out twice")
        for place, part in enumerate(routine.parts):
            if part.effect is not None and part.repeatable is False and why and not _fenced(outlook, part):
                yield (
                    ("routines", name, "parts", place, "repeatable"),
                    f"{part.effect} must not happen twice, and can: {', '.join(why)}, "
                    "and no system with a fence refuses the second",
                )


def age_of_single_results(outlook: Outlook) -> Iterator[Said]:
    """The age of the last good result is asked for, where no target is to have a second one."""
    scenario = outlook.scenario
    asked = [
        (key, place, one)
        for key in ("must_hold", "also_true")
        for place, one in enumerate(getattr(scenario, key))
        if one.measure == "effect_age_longest"
    ]
    if not asked:
        return
    often = {arrival.label for arrival in scenario.arrivals if _comes_again(outlook, arrival)}
    comes: dict[tuple[str, str], int] = {}
    for aim in aims(outlook.loaded, scenario):
        for target in aim.targets:
            comes[aim.effect, target] = comes.get((aim.effect, target), 0) + (2 if aim.entry in often else 1)
    for key, place, one in asked:
        found = [times for (effect, _), times in comes.items() if one.effect in (None, effect)]
        if max(found, default=0) <= 1:
            which = "each target gets one result in this run" if found else "each target is another one for each job"
            yield (
                (key, place, "measure"),
                f"{which}, so its age says nothing of the next: name by `target` what is kept, "
                "and let the run hold the job more than once",
            )


def _comes_again(outlook: Outlook, arrival: Arrival) -> bool:
    """Say whether an entry may bring more than one job."""
    if arrival.recurs is not None:
        return len(outlook.due(arrival)) > 1 or arrival.batch != 1
    return arrival.at is None or arrival.days is not None or (arrival.count or 1) > 1


def _fenced(outlook: Outlook, part: Part) -> bool:
    system = (part.effect_in or part.calls or "").partition("/")[0]
    return system in outlook.scenario.systems and outlook.scenario.systems[system].fenced != "no"


def elements_not_given(outlook: Outlook) -> Iterator[Said]:
    """What a part is done for each of, or takes its time by, is not given by an arrival: it counts as nothing."""
    for entry in outlook.entries:
        given = entry.arrival.parameters
        for part in _each(entry.routine):
            if not outlook.elements(entry.arrival, part):
                what = "is empty" if part.for_each in given else "is not given"
                yield ("arrivals", entry.place), f"the list {part.for_each} {what}: {part.name} is done not once"
        for part in entry.routine.parts:
            name = entry.routine.grows_with(part)
            if name and name not in given and entry.arrival.trace is None:
                yield ("arrivals", entry.place), f"{name} is not given: {part.name} takes no more than its base"


def _each(routine: Routine) -> list[Part]:
    return [part for part in routine.parts if part.for_each is not None]


def prerequisite_never_comes(outlook: Outlook) -> Iterator[Said]:
    """Some jobs wait for jobs that another entry does not bring, or for a last one that nobody can know of."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        mine = _jobs_of(outlook, entry.arrival)
        for loc, before in _befores(entry):
            first = arrivals[before.entry]
            if before.jobs == "all":
                yield from _last_unknown(outlook, loc, before.entry, first)
                continue
            theirs = first.count if first.at is None or first.count is not None else 1
            if before.number is None and entry.arrival.at is not None and theirs is not None and theirs < (mine or 0):
                wait = f"{(mine or 0) - theirs} wait for ever"
                yield loc, f"{before.entry} brings {theirs} jobs at most, and {mine} wait for them: {wait}"


def _befores(entry: Entry) -> Iterator[tuple[Loc, Prerequisite]]:
    """List what the jobs of an entry wait for, each with its place."""
    place: Loc = ("arrivals", entry.place, "after")
    after = entry.arrival.after
    if isinstance(after, Prerequisite):
        yield place, after
        return
    inside = (*place, "any_of") if isinstance(after, FirstOf) else place
    for number, before in enumerate(entry.arrival.befores):
        yield (*inside, number), before


def _jobs_of(outlook: Outlook, arrival: Arrival) -> int | None:
    """Say how many jobs an entry brings in this run, None where that is not stated."""
    if arrival.days or not isinstance(arrival.batch, int):
        return None
    if arrival.at is not None:
        return 1 if arrival.count is None else arrival.count
    if arrival.recurs is not None:
        due = len(outlook.due(arrival)) * arrival.batch
        return due if arrival.count is None else min(due, arrival.count)
    return arrival.count if arrival.again_after is None else None


def _last_unknown(outlook: Outlook, loc: Loc, label: str, arrival: Arrival) -> Iterator[Said]:
    """Nobody knows of a rate without an end which of its jobs is the last, before the night is over."""
    if arrival.at is not None or arrival.recurs is not None or arrival.trace is not None:
        return
    night = outlook.clock.night_begins(1)
    bounded = arrival.count is not None and arrival.again_after is None
    if (
        not bounded
        and (arrival.ends is None or arrival.ends >= outlook.scenario.lasts)
        and night >= outlook.scenario.lasts
    ):
        known = "`until`" if arrival.again_after is not None else "`until` or `count`"
        yield (
            loc,
            f"the last job of {label} is known when the run is over, so these jobs wait for ever: give it {known}",
        )


def waits_for_one_of_many(outlook: Outlook) -> Iterator[Said]:
    """A job waits for one job of an entry that brings more of them."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        mine = _jobs_of(outlook, entry.arrival)
        for loc, before in _befores(entry):
            theirs = _jobs_of(outlook, arrivals[before.entry])
            if before.jobs == "all" or before.number is not None or mine is None or theirs is None:
                continue
            if 0 < mine < theirs:
                yield (
                    loc,
                    f"{entry.arrival.label}#{mine} waits for {before.entry}#{mine} only; {before.entry} has {theirs} "
                    "jobs: write `jobs: all` to wait for the last of them",
                )


def waits_for_a_later_night(outlook: Outlook) -> Iterator[Said]:
    """A job waits for jobs that are due long after it, because a night begins at the clock time of the start."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        for loc, before in _befores(entry):
            first = arrivals[before.entry]
            if before.jobs != "all" or entry.arrival.recurs is None or first.recurs is None:
                continue
            mine, theirs = outlook.due(entry.arrival), outlook.due(first)
            for tick in mine[:1]:
                night = outlook.clock.night_of(tick)
                last = max((due for due in theirs if outlook.clock.night_of(due) == night), default=tick)
                if last - tick > _LONG_AFTER:
                    at, late = (f"{outlook.clock.local(one):%H:%M}" for one in (tick, last))
                    yield (
                        loc,
                        f"{entry.arrival.label}, due at {at}, waits for {before.entry} of the same night, due at "
                        f"{late}: a night begins with the scenario, at {outlook.clock.starts:%H:%M}; "
                        "let it start in between",
                    )


_LONG_AFTER: Final = 12 * HOUR
