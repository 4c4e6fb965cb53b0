"""Tells the story of one job or one worker, and what another setting would have changed for a job.

The facts of a job's life stand in order: how it came, what held it, why it waited, each attempt with what went wrong in
it, what it left behind, how it ended.

Nothing here guesses. A lease is said to have been too short only where the lost worker was heard again under the same
token, so that a longer one would have been renewed or handed in; a limit on attempts only where nothing else would have
ended the job at that moment; equipment only where no worker had it. Where that is not sure, nothing is said.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.occupation import NONE_EQUIPPED
from emulator.measure.story.surroundings import Surroundings, Waiting, pieces
from emulator.measure.story.tries import facts_of_attempt, landings, last_renewal
from emulator.record.event_view import EventView
from emulator.record.history import WAITING, Attempt, Interval, Job, overlaps
from emulator.record.reasons import FORGOTTEN, LEASE_RAN_OUT, NONE
from emulator.scenario.models.pools import Queue, Retry

__all__ = [
    "changes",
    "job_story",
    "waits_of",
    "worker_story",
]


def changes(around: Surroundings, job: Job) -> Iterator[Fact]:
    """Give what would have changed a job's story, each with the setting and the value beyond which it would."""
    yield from _leases(around, job.submission, job.attempts)
    yield from _fences(around, job)
    yield from _tools(around, job.submission, job.attempts)
    if job.finished is not None and job.finished.sub_state:
        yield from _limits(around, job.submission, job.attempts, job.finished)
    elif job.finished is None and not job.attempts:
        yield from _equipment(around, job.submission)


def _change(at: int, setting: str, events: tuple[int, ...], **values: Any) -> Fact:
    return Fact("change", at, events, (), {"setting": setting, **values})


def _leases(around: Surroundings, came: EventView, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    """A lease that was lost though its worker was heard again: how long would it have had to be?"""
    if not around.settings.queue(came.queue).renewed:
        return
    for attempt in attempts:
        if attempt.outcome != "lease_lost" or attempt.why != LEASE_RAN_OUT or attempt.nominal != attempt.ended:
            continue
        since = last_renewal(attempt)
        heard = next(
            (
                refused
                for refused in attempt.of_kind("stale_refused")
                if refused.worker == attempt.worker
                and refused.event > attempt.end
                and refused.what in ("renewal", "outcome")
            ),
            None,
        )
        if since < 0 or heard is None or _down_between(around, since, heard.at):
            continue
        yield _change(
            heard.at,
            "lease",
            (heard.event, attempt.end),
            where=around.settings.terms(came.entry, came.routine, came.queue).stated_by["lease"],
            longer_than=heard.at - since,
            was=attempt.lease,
            attempt=attempt.number,
        )


def _down_between(around: Surroundings, begin: int, end: int) -> bool:
    return any(since < end and until > begin for since, until, _ in around.stretches("outage"))


def _fences(around: Surroundings, job: Job) -> Iterator[Fact]:
    """An effect that landed under a lease that was over: which fence would have refused it?"""
    highest: dict[tuple[str, str], int] = {}
    for landed in job.of_kind("effect_landed"):
        attempt = job.attempt_under(landed.token)
        part = around.settings.part(job.submission.routine, landed.effect)
        system, fenced = around.settings.fence(part) if part is not None else ("", "")
        late = attempt is not None and 0 < attempt.end < landed.event
        before = highest.get((landed.effect, landed.target), 0)
        newer = landed.token < before
        highest[landed.effect, landed.target] = max(landed.token, before)
        if not late or not system:
            continue
        if newer and fenced == "no":
            value = "highest_token"
        elif not newer and fenced in ("no", "highest_token"):
            value = "asks_broker"
        else:
            continue
        yield _change(landed.at, "fenced", (landed.event,), system=system, value=value, effect=landed.effect)


def _tools(around: Surroundings, came: EventView, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    """A job that was handed to a worker without its tool, because the queue does not match equipment."""
    if around.settings.queue(came.queue).matches_equipment:
        return
    lacking = [one for one in attempts if around.lacked_tool(came, one)]
    if lacking:
        first = lacking[0]
        yield _change(first.at, "matches_equipment", (first.end,), queue=came.queue, worker=first.worker)


def _limits(around: Surroundings, came: EventView, attempts: Sequence[Attempt], finished: EventView) -> Iterator[Fact]:
    """A job that failed at a limit: which one?"""
    terms = around.settings.terms(came.entry, came.routine, came.queue)
    queue, retry = terms.queue, terms.queue.retry
    tries, limit = terms.stated_by["retry"], terms.stated_by["time_limit"]
    at, sub_state, events = finished.at, finished.sub_state, (finished.event,)
    last = attempts[-1] if attempts else None
    lost = sum(1 for attempt in attempts if attempt.outcome == "lease_lost")
    if sub_state == "attempts_used_up" and last is not None and retry.total_limit is None and retry.allowance is None:
        in_all = last.number >= retry.attempts_in_all
        over_lost = retry.lost_leases_at_most is not None and lost > retry.lost_leases_at_most
        if last.outcome not in retry.retried and not _was_cut(queue, last):
            return  # no limit ended it: such an outcome is not retried
        if in_all and not over_lost:
            yield _change(at, "attempts_in_all", events, where=tries, above=retry.attempts_in_all)
        elif over_lost and not in_all:
            yield _change(
                at,
                "lost_leases_at_most",
                events,
                where=tries,
                above=retry.lost_leases_at_most,
            )
    elif sub_state == "expired" and queue.start_within is not None:
        yield _change(at, "start_within", events, queue=came.queue, longer_than=queue.start_within)
    elif sub_state == "out_of_time" and retry.total_limit is not None:
        yield _change(at, "total_limit", events, where=tries, longer_than=retry.total_limit)
    elif sub_state == "time_limit" and queue.time_limit is not None:
        if queue.time_limit.then == "fail":
            yield _change(
                at,
                "time_limit.after",
                events,
                where=limit,
                longer_than=queue.time_limit.after,
            )
        elif last is not None and _may_be_tried(retry, last.number, lost):
            yield _change(
                at,
                "time_limit.at_most",
                events,
                where=limit,
                above=queue.time_limit.at_most,
            )
    elif sub_state == "prerequisite_failed":
        yield _change(at, "if_failed", events, name=around.name(came.job))
    elif sub_state == "allowance_used_up":
        yield _change(at, "allowance.when_empty", events, queue=came.queue)


def _was_cut(queue: Queue, attempt: Attempt) -> bool:
    """Say whether the broker ended an attempt at the queue's time limit, after which it is tried again as that says."""
    if attempt.outcome != "time_limit" or queue.time_limit is None:
        return False
    own = attempt.own
    return own is None or not 0 < own.stop < attempt.end  # else the worker itself handed that outcome in


def _may_be_tried(retry: Retry, attempt: int, lost: int) -> bool:
    """Say whether no limit on retries would have forbidden another attempt, whenever it would have begun."""
    over_lost = retry.lost_leases_at_most is not None and lost > retry.lost_leases_at_most
    return attempt < retry.attempts_in_all and not over_lost and retry.total_limit is None and retry.allowance is None


def _equipment(around: Surroundings, came: EventView) -> Iterator[Fact]:
    """A job that nobody ever took, because nobody had what it requires."""
    requires = around.requires(came)
    waiting = Waiting(came.queue, came.key, requires, around.settings.takes_slots(came.routine))
    found = pieces(around, waiting, came.at, around.until)
    if requires and any(piece.reason == NONE_EQUIPPED for piece in found):
        yield _change(around.until, "equipped_with", (came.event,), queue=came.queue, requires=requires)


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


_TOGETHER: Final = 3
"""So many attempts in a row that ended ok are told together."""


def worker_story(around: Surroundings, worker: str) -> Story:
    """Tell what happened to a worker that some event names."""
    events = around.source.of_worker(worker)
    facts = [*_of_itself(events), *_of_messages(events), *_of_jobs(around, events)]
    facts.sort(key=lambda fact: (fact.at, fact.events[0]))
    facts.append(_sum(around, worker, facts))
    return Story("worker", worker, 0, tuple(facts), around.until, around.source.finished)


_OF_ITSELF: Final[Mapping[str, tuple[str, Callable[[EventView], Mapping[str, Any]]]]] = {
    "worker_changed": ("state", lambda event: {"worker": event.worker, "state": event.state, "why": event.why}),
    "fault_began": ("fault", lambda event: {"fault": event.fault, "worker": event.worker}),
    "fault_ended": ("fault_over", lambda event: {"fault": event.fault, "worker": event.worker}),
    "fault_missed": (
        "fault_missed",
        lambda event: {"fault": event.fault, "worker": event.worker, "why": event.why, "values": event.because.values},
    ),
    "action_taken": ("told_by_person", lambda event: {"action": event.action, "worker": event.worker}),
    "worker_speed_changed": ("speed", lambda event: {"worker": event.worker, "value": event.speed}),
    "equipment_changed": ("equipped", lambda event: {"worker": event.worker, "value": event.equipped_with}),
    "worker_declared_lost": ("declared_lost", lambda event: {"worker": event.worker, "value": event.last_heard}),
}
"""For each kind of event that tells of the worker itself: the fact, and its values."""


def _of_itself(events: Sequence[EventView]) -> Iterator[Fact]:
    missed = {event.cause for event in events if event.kind == "fault_missed"}
    for event in events:
        if event.kind in _OF_ITSELF and event.event not in missed:
            what, values = _OF_ITSELF[event.kind]
            yield Fact(what, event.at, (event.event,), (), values(event))


def _of_messages(events: Sequence[EventView]) -> Iterator[Fact]:
    lost = [event for event in events if event.kind == "message_lost"]
    if lost:
        cited = tuple(event.event for event in lost)[:MOST_CITED]
        values = {"worker": lost[0].worker, "count": len(lost), "last": lost[-1].at}
        yield Fact("messages_lost", lost[0].at, cited, (), values)


def _of_jobs(around: Surroundings, events: Sequence[EventView]) -> Iterator[Fact]:
    """Give what it did in each attempt; some in a row that all ended ok are told together."""
    by_token: dict[int, list[EventView]] = {}
    for event in events:
        if event.kind in _OF_ATTEMPTS:
            by_token.setdefault(event.token, []).append(event)
    run: list[Fact] = []
    for told in by_token.values():
        if told[0].kind not in ("handed_out", "work_began"):
            continue
        fact = _work(around, told)
        if fact.values["outcome"] == "ok" and fact.values["after"] < 0:
            run.append(fact)
            continue
        yield from _joined(run)
        run = []
        yield fact
    yield from _joined(run)


_OF_ATTEMPTS: Final = frozenset({"handed_out", "work_began", "work_stopped", "attempt_ended", "stale_refused"})


def _work(around: Surroundings, told: Sequence[EventView]) -> Fact:
    """Give what a worker did under one token."""
    first = told[0]
    by_kind = {event.kind: event for event in reversed(told)}
    stopped, ended = by_kind.get("work_stopped"), by_kind.get("attempt_ended")
    attempt = around.job(first.job).attempt_under(first.token)
    own = "handed_out" in by_kind
    over = ended
    if over is None and attempt is not None and not own:  # the lease is another's: look when that ended
        over = next(iter(attempt.of_kind("attempt_ended")), None)
    began = by_kind["work_began"].at if "work_began" in by_kind else -1
    work, without = attempt.work_of(first.worker) if attempt is not None else None, -1
    if over is not None and work is not None and (stopped is None or stopped.event > over.event):
        without = work.executed(max(over.at, began), around.until)
    why = ended.because if ended is not None else NONE
    halt = stopped.because if stopped is not None else NONE
    values = {
        "worker": first.worker,
        "job": first.job,
        "name": around.name(first.job),
        "attempt": first.attempt,
        "token": first.token,
        "began": began,
        "took": stopped.at - began if stopped is not None and began >= 0 else -1,
        "worked": work.executed(began, around.until) if work is not None else -1,
        "stands": work is not None and work.stopped < 0 and work.stands >= 0,
        "outcome": ended.outcome if ended is not None else "",
        "why": why.code,
        "values": why.values,
        "stopped": halt.code,
        "stopped_values": halt.values,
        "after": without,
        "own": own,
        "refused": tuple(event.what for event in told if event.kind == "stale_refused" and event.what != "renewal"),
    }
    because = (over.event,) if without >= 0 and over is not None else ()
    return Fact("worked", first.at, tuple(event.event for event in told)[:MOST_CITED], because, values)


def _joined(run: Sequence[Fact]) -> Iterator[Fact]:
    if len(run) < _TOGETHER:
        yield from run
        return
    values = {
        "worker": run[0].values["worker"],
        "count": len(run),
        "first": run[0].values["name"],
        "last": run[-1].values["name"],
        "until": run[-1].at + max(0, run[-1].values["took"]),
        "outcome": "ok",
    }
    yield Fact("worked_well", run[0].at, tuple(fact.events[0] for fact in run)[:MOST_CITED], (), values)


def _sum(around: Surroundings, worker: str, facts: Sequence[Fact]) -> Fact:
    tries = [fact for fact in facts if fact.what == "worked"]
    ok = sum(fact.values["count"] for fact in facts if fact.what == "worked_well")
    values = {
        "worker": worker,
        "attempts": ok + sum(fact.values["own"] for fact in tries),
        "ok": ok + sum(fact.values["outcome"] == "ok" for fact in tries),
        "lost": sum(fact.values["outcome"] == "lease_lost" for fact in tries),
        "without": sum(max(0, fact.values["after"]) for fact in tries),
    }
    cited = tuple(event for fact in facts for event in fact.events[:1])[:MOST_CITED]
    return Fact("sum", around.until, cited, (), values)
