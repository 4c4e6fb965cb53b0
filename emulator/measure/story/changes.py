"""What would another setting have changed? Said only where it follows from the events and the settings alone.

The law: nothing here guesses. A lease is said to have been too short only where the lost worker was heard again under
the same token, so that a longer one would have been renewed or handed in; a limit on attempts only where nothing else
would have ended the job at that moment; equipment only where no worker had it. Where that is not sure, nothing is said.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from emulator.measure.story.facts import Fact
from emulator.measure.story.occupation import NONE_EQUIPPED
from emulator.measure.story.surroundings import Surroundings
from emulator.measure.story.tries import last_renewal
from emulator.measure.story.waits import Waiting, pieces
from emulator.record.event_view import EventView
from emulator.record.history import Attempt, Job
from emulator.record.reasons import LEASE_RAN_OUT
from emulator.scenario.models.pools import Queue, Retry

__all__ = ["changes"]


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
