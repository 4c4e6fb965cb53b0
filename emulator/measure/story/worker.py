"""What happened to one worker: when was it there, what did it take, what went wrong, what did it without a lease?"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.event_view import EventView
from emulator.record.reasons import NONE

__all__ = ["worker_story"]

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
    "action_taken": ("told_by_person", lambda event: {"action": event.action, "worker": event.worker}),
    "worker_speed_changed": ("speed", lambda event: {"worker": event.worker, "value": event.speed}),
    "equipment_changed": ("equipped", lambda event: {"worker": event.worker, "value": event.equipped_with}),
    "worker_declared_lost": ("declared_lost", lambda event: {"worker": event.worker, "value": event.last_heard}),
}
"""For each kind of event that tells of the worker itself: the fact, and its values."""


def _of_itself(events: Sequence[EventView]) -> Iterator[Fact]:
    for event in events:
        if event.kind in _OF_ITSELF:
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
