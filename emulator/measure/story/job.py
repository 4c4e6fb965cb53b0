"""What happened to one job, and why?

The facts of a job's life in order: how it came, what held it, why it waited, each attempt with what went wrong in it,
what it left behind, how it ended, and what another setting would have changed.
"""

from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

from emulator.measure.story.attempts import Attempt, attempts_of, overlaps
from emulator.measure.story.changes import changes
from emulator.measure.story.facts import MOST_CITED, Fact, Story
from emulator.measure.story.landings import landings
from emulator.measure.story.surroundings import Surroundings, name_of
from emulator.measure.story.tries import facts_of_attempt
from emulator.measure.story.waits import Waiting, pieces
from emulator.record.events import Row, reason_of
from emulator.record.reasons import FORGOTTEN

__all__ = ["Hold", "holds", "job_story", "waits_of"]

_AT_MOST: Final = 12
"""Of a job with more attempts, those in the middle are told together."""
_FIRST: Final = 5
_LAST: Final = 3


class Hold(NamedTuple):
    """A reason to hold a job: ``[begin, end)`` (end -1: it stands still), and the events (0: none)."""

    reason: str
    begin: int
    end: int
    began: int
    ended: int
    cause: int


def holds(rows: Sequence[tuple[int, Row]]) -> list[Hold]:
    """Give every reason for which a job was held, in the order in which they began."""
    found: list[Hold] = []
    open_: dict[str, tuple[int, int]] = {}

    def end(reason: str, at: int, number: int, cause: int) -> None:
        since = open_.pop(reason, None)
        if since is not None:
            found.append(Hold(reason, since[0], at, since[1], number, cause))

    for number, row in rows:
        at, kind = row[0], row[1]
        if kind == "submitted":
            for reason in row[12].split(",") if row[12] else ():
                open_[reason] = at, number
        elif kind == "held":
            open_[row[6]] = at, number
        elif kind == "hold_ended":
            end(row[6], at, number, row[2])
        elif kind == "requeued" and row[5] == "requeued_held" and not at >= row[6] >= 0:
            open_["pausing"] = at, number
        elif kind == "finished":
            for reason in tuple(open_):
                end(reason, at, number, row[2])
    found += [Hold(reason, at, -1, number, 0, 0) for reason, (at, number) in open_.items()]
    return sorted(found, key=lambda hold: (hold.begin, hold.began, hold.reason))


def waits_of(rows: Sequence[tuple[int, Row]], until: int) -> list[tuple[int, int, int, int]]:
    """Give (begin, end, event, event) of each stretch in which a job waited for a worker; the last event may be 0."""
    found: list[tuple[int, int, int, int]] = []
    since: tuple[int, int] | None = None
    for number, row in rows:
        kind = row[1]
        if kind in ("submitted", "held", "hold_ended", "handed_back", "requeued"):
            waits = row[5] in ("queued", "requeued")
        elif kind in ("handed_out", "finished"):
            waits = False
        else:
            continue
        if waits and since is None:
            since = row[0], number
        elif not waits and since is not None:
            found.append((since[0], row[0], since[1], number))
            since = None
    if since is not None:
        found.append((since[0], until, since[1], 0))
    return [one for one in found if one[1] > one[0]]


def job_story(around: Surroundings, job: int) -> Story:
    """Tell what happened to a job.

    Args:
        around: what is known of its run.
        job: its number; there must be such a job.
    """
    rows = around.source.of_job(job)
    came = next((number, row) for number, row in rows if row[1] == "submitted")
    attempts = attempts_of(rows)
    facts = [_came(around, *came), *_of_attempts(around, came[1], attempts)]
    facts += _of_waiting(around, rows, came[1])  # after what is told by the same event: it was handed back
    facts += _of_people(rows)
    facts += landings(around, rows, came[1], attempts)
    facts += _end(around, rows, came[1], attempts)
    told = [facts[0], *sorted(facts[1:], key=_place)]
    told += changes(around, rows, came[1], attempts)
    return Story("job", name_of(came[1]), job, tuple(told), around.until, around.source.finished)


def _place(fact: Fact) -> tuple[int, bool, int]:
    """Say where a fact stands: by its tick, and at one instant by the event that tells of it; the end is last."""
    return fact.at, fact.what == "unfinished", max(fact.events) if fact.what == "overlap" else fact.events[0]


def _came(around: Surroundings, number: int, row: Row) -> Fact:
    cause = around.source.one(row[2]) if row[2] else None
    by = "" if cause is None else str(cause[1])
    values = {
        "routine": row[6],
        "queue": row[7],
        "entry": row[8],
        "ordinal": row[9],
        "key": row[10],
        "priority": row[11],
        "resubmitted_from": row[13],
        "by": by,
        "of": str(cause[5]) if cause is not None and by in ("fault_began", "fault_ended", "action_taken") else "",
    }
    return Fact("came", row[0], (number,), (), values)


# -- waiting ------------------------------------------------------------------------------------------------------


def _of_waiting(around: Surroundings, rows: Sequence[tuple[int, Row]], came: Row) -> Iterator[Fact]:
    tries = 0
    outs = [number for number, row in rows if row[1] == "handed_out"]
    for hold in holds(rows):
        tries = sum(1 for number in outs if number < hold.began)
        if hold.end == hold.begin:
            continue
        events = (hold.began, hold.ended) if hold.ended else (hold.began,)
        values: dict[str, Any] = {"reason": hold.reason, "begin": hold.begin, "end": hold.end, "attempt": tries + 1}
        if hold.reason == "prerequisite":
            values |= _waited_for(around, hold, came)
        if hold.reason == "pausing":
            values["allowance"] = around.source.one(hold.began)[6] < 0
        yield Fact("held", hold.begin, events, (hold.cause,) if hold.cause else (), values)
    requires = around.requires(came)
    slots = around.settings.takes_slots(came[6])
    waiting = Waiting(came[7], came[10], requires, slots)
    for begin, end, began, ended in waits_of(rows, around.until):
        found = pieces(around, waiting, begin, end)
        group = around.occupation(came[7]).group(requires, slots)
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
            "queue": came[7],
            "key": came[10],
        }
        cited = tuple(dict.fromkeys(event for piece in found for event in piece.events))[:MOST_CITED]
        yield Fact("waited", begin, (began, ended) if ended else (began,), cited, values)


def _waited_for(around: Surroundings, hold: Hold, came: Row) -> dict[str, str]:
    """Name the job that a job waited for, and the entry if it was the last of all its jobs."""
    entries = (one for one in around.settings.scenario.arrivals if one.label == came[8])
    befores = next((one.befores for one in entries), ())
    row = around.source.one(hold.cause) if hold.cause else None
    if row is not None and row[1] == "finished":
        name = around.name(row[3])
        entry = name.rpartition("#")[0]
        return {
            "job": name,
            "last_of": entry if any(one.jobs == "all" and one.entry == entry for one in befores) else "",
        }
    if row is not None and row[1] == "entry_complete":
        return {"job": "", "last_of": row[5]}
    if len(befores) != 1:
        return {"job": "", "last_of": ""}
    [one] = befores
    if one.jobs == "all":
        return {"job": "", "last_of": one.entry}
    return {"job": f"{one.entry}#{one.number or came[9]}", "last_of": ""}


# -- attempts and people ------------------------------------------------------------------------------------------


def _of_attempts(around: Surroundings, came: Row, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    middle = attempts[_FIRST:-_LAST] if len(attempts) > _AT_MOST else []
    if middle:
        outcomes: dict[str, int] = {}
        for one in middle:
            outcomes[one.outcome] = outcomes.get(one.outcome, 0) + 1
        values = {"first": middle[0].number, "last": middle[-1].number, "outcomes": outcomes}
        cited = tuple(one.end or one.event for one in middle[:MOST_CITED])
        yield Fact("middle", middle[0].at, cited, (), values)
    for place, attempt in enumerate(attempts):
        if not middle or place < _FIRST or place >= len(attempts) - _LAST:
            yield from facts_of_attempt(around, came, attempt)
    for begin, end, who in overlaps(attempts, around.until):
        tokens = {work.token for work in who}
        lost = [one for one in attempts if one.token == min(tokens)]
        how = "doubled" if len(tokens) == 1 else "forgotten" if lost[0].why == FORGOTTEN else "zombie"
        values = {"begin": begin, "end": end, "workers": tuple(work.worker for work in who), "how": how}
        because = tuple(one.end for one in lost if one.end and how != "doubled")
        yield Fact("overlap", begin, tuple(work.event for work in who), because, values)


def _of_people(rows: Sequence[tuple[int, Row]]) -> Iterator[Fact]:
    words = {
        "submission_repeated": "repeated",
        "suspend_requested": "suspend_asked",
        "resume_requested": "resume_asked",
        "suspended": "suspended",
        "resumed": "resumed",
    }
    for number, row in rows:
        if row[1] in words:
            key = row[5] if row[1] == "submission_repeated" else ""
            yield Fact(words[row[1]], row[0], (number,), (), {"worker": row[4], "key": key})


# -- the end ------------------------------------------------------------------------------------------------------


def _end(
    around: Surroundings, rows: Sequence[tuple[int, Row]], came: Row, attempts: Sequence[Attempt]
) -> Iterator[Fact]:
    finished = next(((number, row) for number, row in rows if row[1] == "finished"), None)
    if finished is not None:
        number, row = finished
        values = {
            "state": row[5],
            "sub_state": row[6],
            "why": row[7],
            "values": reason_of(row).values,
            "attempts": row[8],
            "took": row[0] - came[0],
            "by": around.source.one(row[2])[3] if row[6] == "prerequisite_failed" and row[2] else 0,
        }
        values["before"] = around.name(values["by"]) if values["by"] not in (0, row[3]) else ""
        yield Fact("finished", row[0], (number,), (), values)
    else:
        last = [number for number, row in rows if row[1] in _STANDS][-1]
        row = around.source.one(last)
        values = {
            "state": "running" if row[1] in ("handed_out", "resumed") else row[1] if row[1] == "suspended" else row[5],
            "took": around.until - came[0],
            "worker": row[4],
            "attempts": len(attempts),
            "over": around.source.finished,
        }
        yield Fact("unfinished", around.until, (last,), (), values)
    for number, row in around.resubmitted(came[3]):
        yield Fact("resubmitted", row[0], (number,), (), {"job": row[3]})


_STANDS: Final = frozenset(
    {"submitted", "held", "hold_ended", "handed_out", "handed_back", "requeued", "suspended", "resumed"}
)
