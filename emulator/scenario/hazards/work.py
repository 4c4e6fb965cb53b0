"""Which work can go wrong by what it is: too long, done twice, or never begun?"""

from collections.abc import Iterator
from itertools import pairwise

from emulator.scenario.hazards.outlook import Outlook, Said
from emulator.scenario.models.routines import Part, Routine
from emulator.timeline.ticks import say

__all__ = [
    "elements_not_given",
    "prerequisite_never_comes",
    "recurrence_overlaps",
    "time_limit_short",
    "unrepeatable_work",
]


def time_limit_short(outlook: Outlook) -> Iterator[Said]:
    """The time limit of an attempt is below what the work can well take, or even below what it takes at best."""
    for entry in outlook.entries:
        cap = outlook.scenario.queues[entry.routine.queue].time_limit
        if cap is None:
            continue
        fastest = max(outlook.speeds(entry.routine.queue), default=1.0)
        at_best = entry.least.at(fastest)
        if cap.then == "resume":
            at_best = max((step.at(fastest) for step in entry.steps), default=0)
        loc, name = ("queues", entry.routine.queue, "time_limit", "after"), entry.arrival.routine
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
        retry = scenario.queues[routine.queue].retry
        why = []
        if retry.attempts_in_all > 1 and retry.retried:
            why.append(f"up to {retry.attempts_in_all} attempts")
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


def _fenced(outlook: Outlook, part: Part) -> bool:
    system = (part.effect_in or part.calls or "").partition("/")[0]
    return system in outlook.scenario.systems and outlook.scenario.systems[system].fenced != "no"


def elements_not_given(outlook: Outlook) -> Iterator[Said]:
    """A part is done for each element of a list that an arrival does not give: not at all."""
    for entry in outlook.entries:
        for part in _each(entry.routine):
            if not outlook.elements(entry.arrival, part):
                what = "is empty" if part.for_each in entry.arrival.parameters else "is not given"
                yield ("arrivals", entry.place), f"the list {part.for_each} {what}: {part.name} is done not once"


def _each(routine: Routine) -> list[Part]:
    return [part for part in routine.parts if part.for_each is not None]


def prerequisite_never_comes(outlook: Outlook) -> Iterator[Said]:
    """Some jobs wait for jobs that another entry does not bring."""
    arrivals = {entry.arrival.label: entry.arrival for entry in outlook.entries}
    for entry in outlook.entries:
        after = entry.arrival.after
        if after is None or after.number is not None or entry.arrival.at is None:
            continue
        first, mine = arrivals[after.entry], 1 if entry.arrival.count is None else entry.arrival.count
        theirs = first.count if first.at is None or first.count is not None else 1
        if theirs is not None and theirs < mine:
            yield (
                ("arrivals", entry.place, "after"),
                f"{after.entry} brings {theirs} jobs at most, and {mine} wait for them: {mine - theirs} wait for ever",
            )
