"""What happened to one job, and why?

The facts of a job's life in order: how it came, what held it, why it waited, each attempt with what went wrong in it,
what it left behind, how it ended, and what another setting would have changed.
"""

from collections.abc import Iterator
from typing import Any, Final

from emulator.measure.story.changes import changes
from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.landings import landings
from emulator.measure.story.surroundings import Surroundings
from emulator.measure.story.tries import facts_of_attempt
from emulator.measure.story.waits import Waiting, pieces
from emulator.record.event_view import EventView
from emulator.record.history import WAITING, Interval, Job, overlaps
from emulator.record.reasons import FORGOTTEN

__all__ = ["job_story", "waits_of"]

_AT_MOST: Final = 12
"""Of a job with more attempts, those in the middle are told together."""
_FIRST: Final = 5
_LAST: Final = 3


def waits_of(job: Job, until: int) -> list[tuple[int, int, int, int]]:
    """Give (begin, end, event, event) of each stretch in which a job waited for a worker; the last event may be 0."""
    found: list[tuple[int, int, int, int]] = []
    for state in job.states:
        if state.what not in WAITING:
            continue
        begin, event = state.begin, state.began.event
        if found and found[-1][3] == event:  # it goes on, for another reason
            begin, _, event, _ = found.pop()
        end, ended = (until, 0) if state.ended is None else (state.end, state.ended.event)
        found.append((begin, end, event, ended))
    return [wait for wait in found if wait[1] > wait[0]]


def job_story(around: Surroundings, job: int) -> Story:
    """Tell what happened to a job.

    Args:
        around: what is known of its run.
        job: its number; there must be such a job.
    """
    life = around.job(job)
    facts = [_came(around, life.submission), *_of_attempts(around, life)]
    facts += _of_waiting(around, life)  # after what is told by the same event: it was handed back
    facts += _of_people(life)
    facts += landings(around, life)
    facts += _end(around, life)
    in_order = [facts[0], *sorted(facts[1:], key=_place), *changes(around, life)]
    return Story("job", life.name, job, tuple(in_order), around.until, around.source.finished)


def _place(fact: Fact) -> tuple[int, bool, int]:
    """Say where a fact stands: by its tick, and at one instant by the event that tells of it; the end is last."""
    return fact.at, fact.what == "unfinished", max(fact.events) if fact.what == "overlap" else fact.events[0]


def _came(around: Surroundings, came: EventView) -> Fact:
    cause = around.source.one(came.cause) if came.cause else None
    of = ""
    if cause is not None and cause.kind in ("fault_began", "fault_ended", "action_taken"):
        of = cause.action if cause.kind == "action_taken" else cause.fault
    values = {
        "routine": came.routine,
        "queue": came.queue,
        "entry": came.entry,
        "ordinal": came.ordinal,
        "key": came.key,
        "priority": came.priority,
        "resubmitted_from": came.resubmitted_from,
        "by": "" if cause is None else cause.kind,
        "of": of,
    }
    return Fact("came", came.at, (came.event,), (), values)


# -- waiting ------------------------------------------------------------------------------------------------------


def _of_waiting(around: Surroundings, job: Job) -> Iterator[Fact]:
    came = job.submission
    for hold in job.every_hold():
        if hold.end == hold.begin:
            continue
        attempt = 1 + sum(1 for one in job.attempts if one.event < hold.began.event)
        values: dict[str, Any] = {"reason": hold.what, "begin": hold.begin, "end": hold.end, "attempt": attempt}
        if hold.what == "prerequisite":
            values |= _waited_for(around, hold, came)
        if hold.what == "pausing":
            values["allowance"] = hold.began.due < 0
        events: tuple[int, ...] = (hold.began.event,)
        because: tuple[int, ...] = ()
        if hold.ended is not None:
            events = (hold.began.event, hold.ended.event)
            because = (hold.ended.cause,) if hold.ended.cause else ()
        yield Fact("held", hold.begin, events, because, values)
    requires = around.requires(came)
    slots = around.settings.takes_slots(came.routine)
    waiting = Waiting(came.queue, came.key, requires, slots)
    for begin, end, began, ended in waits_of(job, around.until):
        found = pieces(around, waiting, begin, end)
        group = around.occupation(came.queue).group(requires, slots)
        values = {
            "begin": begin,
            "end": end,
            "ended": bool(ended),
            "pieces": tuple(found),
            "able": group.workers,
            "poll": max((around.settings.workers[name].poll for name in group.workers), default=0),
            "before": max(0, group.handed_out(begin, end)),
            "requires": requires,
            "slots": slots,
            "queue": came.queue,
            "key": came.key,
        }
        cited = tuple(dict.fromkeys(event for piece in found for event in piece.events))[:MOST_CITED]
        yield Fact("waited", begin, (began, ended) if ended else (began,), cited, values)


def _waited_for(around: Surroundings, hold: Interval, came: EventView) -> dict[str, str]:
    """Name the job that a job waited for, and the entry if it was the last of all its jobs."""
    entries = (entry for entry in around.settings.scenario.arrivals if entry.label == came.entry)
    befores = next((entry.befores for entry in entries), ())
    cause = around.source.one(hold.ended.cause) if hold.ended is not None and hold.ended.cause else None
    if cause is not None and cause.kind == "finished":
        name = around.name(cause.job)
        entry = name.rpartition("#")[0]
        last = any(before.jobs == "all" and before.entry == entry for before in befores)
        return {"job": name, "last_of": entry if last else ""}
    if cause is not None and cause.kind == "entry_complete":
        return {"job": "", "last_of": cause.entry}
    if len(befores) != 1:
        return {"job": "", "last_of": ""}
    [before] = befores
    if before.jobs == "all":
        return {"job": "", "last_of": before.entry}
    return {"job": f"{before.entry}#{before.number or came.ordinal}", "last_of": ""}


# -- attempts and people ------------------------------------------------------------------------------------------


def _of_attempts(around: Surroundings, job: Job) -> Iterator[Fact]:
    attempts = job.attempts
    middle = attempts[_FIRST:-_LAST] if len(attempts) > _AT_MOST else []
    if middle:
        outcomes: dict[str, int] = {}
        for attempt in middle:
            outcomes[attempt.outcome] = outcomes.get(attempt.outcome, 0) + 1
        values = {"first": middle[0].number, "last": middle[-1].number, "outcomes": outcomes}
        cited = tuple(attempt.end or attempt.event for attempt in middle[:MOST_CITED])
        yield Fact("middle", middle[0].at, cited, (), values)
    for place, attempt in enumerate(attempts):
        if not middle or place < _FIRST or place >= len(attempts) - _LAST:
            yield from facts_of_attempt(around, job.submission, attempt)
    for begin, end, who in overlaps(attempts, around.until):
        tokens = {work.token for work in who}
        lost = [attempt for attempt in attempts if attempt.token == min(tokens)]
        how = "doubled" if len(tokens) == 1 else "forgotten" if lost[0].why == FORGOTTEN else "zombie"
        values = {"begin": begin, "end": end, "workers": tuple(work.worker for work in who), "how": how}
        because = tuple(attempt.end for attempt in lost if attempt.end and how != "doubled")
        yield Fact("overlap", begin, tuple(work.event for work in who), because, values)


_OF_PEOPLE: Final = {
    "submission_repeated": "repeated",
    "suspend_requested": "suspend_asked",
    "resume_requested": "resume_asked",
    "suspended": "suspended",
    "resumed": "resumed",
}


def _of_people(job: Job) -> Iterator[Fact]:
    for event in job.of_kind(*_OF_PEOPLE):
        key = event.idempotency_key if event.kind == "submission_repeated" else ""
        yield Fact(_OF_PEOPLE[event.kind], event.at, (event.event,), (), {"worker": event.worker, "key": key})


# -- the end ------------------------------------------------------------------------------------------------------


def _end(around: Surroundings, job: Job) -> Iterator[Fact]:
    came, finished = job.submission, job.finished
    values: dict[str, Any]
    if finished is not None:
        failed_before = finished.sub_state == "prerequisite_failed" and finished.cause
        by = around.source.one(finished.cause).job if failed_before else 0
        values = {
            "state": finished.state,
            "sub_state": finished.sub_state,
            "why": finished.why,
            "values": finished.because.values,
            "attempts": finished.attempts,
            "took": finished.at - came.at,
            "by": by,
            "before": around.name(by) if by not in (0, finished.job) else "",
        }
        yield Fact("finished", finished.at, (finished.event,), (), values)
    else:
        last = job.states[-1].began
        values = {
            "state": job.state,
            "took": around.until - came.at,
            "worker": last.worker,
            "attempts": len(job.attempts),
            "over": around.source.finished,
        }
        yield Fact("unfinished", around.until, (last.event,), (), values)
    for again in around.resubmitted(came.job):
        yield Fact("resubmitted", again.at, (again.event,), (), {"job": again.job})
