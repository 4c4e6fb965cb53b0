"""What happened to one worker: when was it there, what did it take, what went wrong, what did it without a lease?"""

from collections.abc import Iterator, Sequence
from typing import Final

from emulator.measure.story.attempts import Work, attempts_of
from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.surroundings import Surroundings
from emulator.record.events import Row, reason_of
from emulator.record.reasons import NONE

__all__ = ["worker_story"]

_TOGETHER: Final = 3
"""So many attempts in a row that ended ok are told together."""
_SIMPLE: Final = {
    "worker_speed_changed": ("speed", 5),
    "equipment_changed": ("equipped", 5),
    "worker_declared_lost": ("declared_lost", 6),
}


def worker_story(around: Surroundings, worker: str) -> Story:
    """Tell what happened to a worker that some event names."""
    rows = around.source.of_worker(worker)
    facts = [*_of_itself(around, rows), *_of_messages(rows), *_of_jobs(around, rows)]
    facts.sort(key=lambda fact: (fact.at, fact.events[0]))
    facts.append(_sum(around, worker, facts))
    return Story("worker", worker, 0, tuple(facts), around.until, around.source.finished)


def _of_itself(around: Surroundings, rows: Sequence[tuple[int, Row]]) -> Iterator[Fact]:
    for number, row in rows:
        kind = row[1]
        if kind == "worker_changed":
            yield Fact("state", row[0], (number,), (), {"worker": row[4], "state": row[5], "why": row[6]})
        elif kind == "fault_began":
            yield Fact("fault", row[0], (number,), (), {"fault": row[5], "worker": row[4]})
        elif kind == "fault_ended":
            yield Fact("fault_over", row[0], (number,), (), {"fault": row[5], "worker": row[4]})
        elif kind == "action_taken":
            yield Fact("told_by_person", row[0], (number,), (), {"action": row[5], "worker": row[4]})
        elif kind in _SIMPLE:
            what, place = _SIMPLE[kind]
            yield Fact(what, row[0], (number,), (), {"worker": row[4], "value": row[place]})


def _of_messages(rows: Sequence[tuple[int, Row]]) -> Iterator[Fact]:
    lost = [(number, row) for number, row in rows if row[1] == "message_lost"]
    if lost:
        cited = tuple(number for number, _ in lost)[:MOST_CITED]
        values = {"worker": lost[0][1][4], "count": len(lost), "last": lost[-1][1][0]}
        yield Fact("messages_lost", lost[0][1][0], cited, (), values)


def _of_jobs(around: Surroundings, rows: Sequence[tuple[int, Row]]) -> Iterator[Fact]:
    """Give what it did in each attempt; some in a row that all ended ok are told together."""
    row_of: dict[int, list[tuple[int, Row]]] = {}
    for number, row in rows:
        place = _TOKEN.get(row[1])
        if place is not None:
            row_of.setdefault(row[place], []).append((number, row))
    run: list[Fact] = []
    for told in row_of.values():
        fact = _work(around, told)
        if fact is None:
            continue
        if fact.values["outcome"] == "ok" and fact.values["after"] < 0:
            run.append(fact)
            continue
        yield from _joined(run)
        run = []
        yield fact
    yield from _joined(run)


_TOKEN: Final = {"handed_out": 6, "work_began": 6, "work_stopped": 6, "attempt_ended": 6, "stale_refused": 5}


def _work(around: Surroundings, told: Sequence[tuple[int, Row]]) -> Fact | None:
    """Give what a worker did under one token."""
    by_kind = {row[1]: (number, row) for number, row in reversed(told) if row[1] != "stale_refused"}
    _, row = told[0]
    if row[1] not in ("handed_out", "work_began"):
        return None
    stopped, ended = by_kind.get("work_stopped"), by_kind.get("attempt_ended")
    over = ended
    if over is None and "handed_out" not in by_kind:  # the lease is another's: look when that ended
        over = next(
            ((n, r) for n, r in around.source.of_job(row[3]) if r[1] == "attempt_ended" and r[6] == row[6]), None
        )
    began = by_kind["work_began"][1][0] if "work_began" in by_kind else -1
    done, without = _done(around, row), -1
    if over is not None and done is not None and (stopped is None or stopped[0] > over[0]):
        without = done.executed(max(over[1][0], began), around.until)
    why = reason_of(ended[1]) if ended is not None else NONE
    halt = reason_of(stopped[1]) if stopped is not None else NONE
    values = {
        "worker": row[4],
        "job": row[3],
        "name": around.name(row[3]),
        "attempt": row[5],
        "token": row[6],
        "began": began,
        "took": stopped[1][0] - began if stopped is not None and began >= 0 else -1,
        "worked": done.executed(began, around.until) if done is not None else -1,
        "stands": done is not None and done.stopped < 0 and done.stands >= 0,
        "outcome": ended[1][7] if ended is not None else "",
        "why": why.code,
        "values": why.values,
        "stopped": halt.code,
        "stopped_values": halt.values,
        "after": without,
        "own": "handed_out" in by_kind,
        "refused": tuple(r[6] for _, r in told if r[1] == "stale_refused" and r[6] != "renewal"),
    }
    because = (over[0],) if without >= 0 and over is not None else ()
    return Fact("worked", row[0], tuple(number for number, _ in told)[:MOST_CITED], because, values)


def _done(around: Surroundings, row: Row) -> Work | None:
    """Give the work of a worker under the token of a row; None if it never began."""
    attempts = attempts_of(around.source.of_job(row[3]))
    of_token = (work for attempt in attempts if attempt.token == row[6] for work in attempt.work)
    return next((work for work in of_token if work.worker == row[4]), None)


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
