"""What would another setting have changed? Said only where it follows from the events and the settings alone.

The law: nothing here guesses. A lease is said to have been too short only where the lost worker was heard again under
the same token, so that a longer one would have been renewed or handed in; a limit on attempts only where nothing else
would have ended the job at that moment; equipment only where no worker had it. Where that is not sure, nothing is said.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from emulator.measure.story.attempts import Attempt
from emulator.measure.story.facts import Fact
from emulator.measure.story.occupation import NONE_EQUIPPED
from emulator.measure.story.surroundings import Surroundings
from emulator.measure.story.tries import last_renewal
from emulator.measure.story.waits import Waiting, pieces
from emulator.record.events import Row
from emulator.record.reasons import LEASE_RAN_OUT
from emulator.scenario.models.pools import Queue, Retry

__all__ = ["changes"]

_Rows = Sequence[tuple[int, Row]]


def changes(around: Surroundings, rows: _Rows, came: Row, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    """Give what would have changed a job's story, each with the setting and the value beyond which it would."""
    finished = next(((number, row) for number, row in rows if row[1] == "finished"), None)
    yield from _leases(around, came, attempts)
    yield from _fences(around, rows, came, attempts)
    yield from _tools(around, came, attempts)
    if finished is not None and finished[1][6]:
        yield from _limits(around, came, attempts, *finished)
    elif finished is None and not attempts:
        yield from _equipment(around, rows, came)


def _change(at: int, setting: str, events: tuple[int, ...], **values: Any) -> Fact:
    return Fact("change", at, events, (), {"setting": setting, **values})


def _leases(around: Surroundings, came: Row, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    """A lease that was lost though its worker was heard again: how long would it have had to be?"""
    if not around.settings.queue(came[7]).renewed:
        return
    for attempt in attempts:
        if attempt.outcome != "lease_lost" or attempt.why != LEASE_RAN_OUT or attempt.nominal != attempt.ended:
            continue
        since = last_renewal(attempt)
        heard = next(
            (
                (number, row)
                for number, row in attempt.of_kind("stale_refused")
                if row[4] == attempt.worker and number > attempt.end and row[6] in ("renewal", "outcome")
            ),
            None,
        )
        if since < 0 or heard is None or _down_between(around, since, heard[1][0]):
            continue
        yield _change(
            heard[1][0],
            "lease",
            (heard[0], attempt.end),
            where=around.settings.terms(came[8], came[6], came[7]).stated_by["lease"],
            longer_than=heard[1][0] - since,
            was=attempt.lease,
            attempt=attempt.number,
        )


def _down_between(around: Surroundings, begin: int, end: int) -> bool:
    return any(since < end and until > begin for since, until, _ in around.stretches("broker_down", "broker_up"))


def _fences(around: Surroundings, rows: _Rows, came: Row, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    """An effect that landed under a lease that was over: which fence would have refused it?"""
    by_token = {attempt.token: attempt for attempt in attempts}
    highest: dict[tuple[str, str], int] = {}
    for number, row in rows:
        if row[1] != "effect_landed":
            continue
        attempt = by_token.get(row[6])
        part = around.settings.part(came[6], row[7])
        system, fenced = around.settings.fence(part) if part is not None else ("", "")
        late = attempt is not None and 0 < attempt.end < number
        newer = row[6] < highest.get((row[7], row[8]), row[6])
        highest[row[7], row[8]] = max(row[6], highest.get((row[7], row[8]), 0))
        if not late or not system:
            continue
        if newer and fenced == "no":
            yield _change(row[0], "fenced", (number,), system=system, value="highest_token", effect=row[7])
        elif not newer and fenced in ("no", "highest_token"):
            yield _change(row[0], "fenced", (number,), system=system, value="asks_broker", effect=row[7])


def _tools(around: Surroundings, came: Row, attempts: Sequence[Attempt]) -> Iterator[Fact]:
    """A job that was handed to a worker without its tool, because the queue does not match equipment."""
    if around.settings.queue(came[7]).matches_equipment:
        return
    lacking = [one for one in attempts if around.lacked_tool(came, one)]
    if lacking:
        first = lacking[0]
        yield _change(first.at, "matches_equipment", (first.end,), queue=came[7], worker=first.worker)


def _limits(around: Surroundings, came: Row, attempts: Sequence[Attempt], number: int, row: Row) -> Iterator[Fact]:
    """A job that failed at a limit: which one?"""
    terms = around.settings.terms(came[8], came[6], came[7])
    queue, retry = terms.queue, terms.queue.retry
    tries, limit = terms.stated_by["retry"], terms.stated_by["time_limit"]
    at, sub_state = row[0], row[6]
    last = attempts[-1] if attempts else None
    lost = sum(1 for attempt in attempts if attempt.outcome == "lease_lost")
    if sub_state == "attempts_used_up" and last is not None and retry.total_limit is None and retry.allowance is None:
        in_all = last.number >= retry.attempts_in_all
        over_lost = retry.lost_leases_at_most is not None and lost > retry.lost_leases_at_most
        if last.outcome not in retry.retried and not _was_cut(queue, last):
            return  # no limit ended it: such an outcome is not retried
        if in_all and not over_lost:
            yield _change(at, "attempts_in_all", (number,), where=tries, above=retry.attempts_in_all)
        elif over_lost and not in_all:
            yield _change(
                at,
                "lost_leases_at_most",
                (number,),
                where=tries,
                above=retry.lost_leases_at_most,
            )
    elif sub_state == "expired" and queue.start_within is not None:
        yield _change(at, "start_within", (number,), queue=came[7], longer_than=queue.start_within)
    elif sub_state == "out_of_time" and retry.total_limit is not None:
        yield _change(at, "total_limit", (number,), where=tries, longer_than=retry.total_limit)
    elif sub_state == "time_limit" and queue.time_limit is not None:
        if queue.time_limit.then == "fail":
            yield _change(
                at,
                "time_limit.after",
                (number,),
                where=limit,
                longer_than=queue.time_limit.after,
            )
        elif last is not None and _may_be_tried(retry, last.number, lost):
            yield _change(
                at,
                "time_limit.at_most",
                (number,),
                where=limit,
                above=queue.time_limit.at_most,
            )
    elif sub_state == "prerequisite_failed":
        yield _change(at, "if_failed", (number,), name=around.name(came[3]))
    elif sub_state == "allowance_used_up":
        yield _change(at, "allowance.when_empty", (number,), queue=came[7])


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


def _equipment(around: Surroundings, rows: _Rows, came: Row) -> Iterator[Fact]:
    """A job that nobody ever took, because nobody had what it requires."""
    requires = around.requires(came)
    waiting = Waiting(came[7], came[10], requires, around.settings.takes_slots(came[6]))
    found = pieces(around, waiting, came[0], around.until)
    if requires and any(piece.reason == NONE_EQUIPPED for piece in found):
        yield _change(around.until, "equipped_with", (rows[0][0],), queue=came[7], requires=requires)
