"""Submits jobs, hands them to workers under leases, and takes results; ends the leases that run out.

The law: taking a job at t grants [t, t + lease) and a token above any before; renewing it at r moves the end to
r + lease; at its end the lease is lost. Whatever comes with a token that is not in the table is stale: refused and
recorded. The table is the truth, not the clock: whoever drives the broker delivers what ends at an instant before the
messages of that instant, so that a lease in the table is valid. A token is good in anybody's hand but a later
incarnation's of the same worker, which never renews or hands in for an earlier one. Each request of a worker is put
to the state table too; what that refuses is refused in the same way, but the broker itself chooses the job to take.
"""

from collections.abc import Sequence
from typing import Final

from emulator.broker.jobs import (
    NOT_DUE,
    PAUSING,
    PREREQUISITE,
    REASONS,
    Attempt,
    Entry,
    Job,
    Queue,
    Rare,
    View,
    rare,
)
from emulator.broker.retry import Retries
from emulator.broker.rules import Hint, Offer, Outcome
from emulator.broker.states import Request, State
from emulator.broker.waiters import REFUSED
from emulator.broker.workers import Holder, Message
from emulator.errors import DefectError
from emulator.record.events import BEGUN, ENDED_WELL, QUEUED
from emulator.record.reasons import FINISHED, LEASE_RAN_OUT, NONE, TIME_LIMIT, Because

__all__ = ["RAN_OUT", "Leases"]

_BAD_OUTCOMES: Final = ("error", "permanent_error", "time_limit")
_QUEUED: Final = State.QUEUED  # looking a member up costs as much as three calls on Python 3.11
_QUEUED_HELD: Final = State.QUEUED_HELD
_OF_A_LEASE: Final = ("lease", "time_limit")
RAN_OUT: Final = Because(LEASE_RAN_OUT)
_TIME_LIMIT: Final = Because(TIME_LIMIT)
_TOTAL_LIMIT: Final = Because("total_limit")
_NOT_STARTED: Final = Because("not_started")


class Leases(Retries):
    """How a job is submitted, taken and handed in, and what alarms bring."""

    __slots__ = ()

    # -- finding things -----------------------------------------------------------------------------------------------

    def _queue(self, name: str) -> Queue:
        queue = self._queues.get(name)
        if queue is None:
            raise DefectError(f"the broker was asked about queue {name!r}, which it does not have")
        return queue

    def job(self, number: int) -> Job | None:
        """Give an unfinished job, None once it is final.

        Raises:
            DefectError: for a job that was never submitted.
        """
        return self._jobs.get(number) or self._job(number)

    def best(self, queues: Sequence[str], offer: Offer, time_left: int | None) -> Entry | None:
        """Give the entry of the job that such a worker would be given now, None if there is none.

        It is good for ``take`` until anything else is asked of the broker.
        """
        return self.first(self.view(queues, offer), time_left)

    def view(self, queues: Sequence[str], offer: Offer) -> View:
        """Give what such a worker sees, for ``first``: it is good for ever."""
        return [(queue, queue.lines_for(offer)) for queue in map(self._queue, queues)]

    def first(self, view: View, time_left: int | None) -> Entry | None:
        """Give what ``best`` gives for who has such a view."""
        best: Entry | None = None
        for queue, lines in view:
            if not queue.waiting or queue.held or (queue.running_at_most is not None and queue.is_full()):
                continue
            for line in lines:
                if time_left is not None and line.expected > time_left:
                    continue
                entry: Entry | None
                row = line.row
                if row and not line.heap:
                    entry = row[0]
                    job = entry[2]
                    if not job.waiting or job.lane is not None or job.entry is not entry:
                        entry = line.head()  # nearly never: the first of those that came in order is as good as it was
                else:
                    entry = line.head()
                if entry is not None and (best is None or entry < best):
                    best = entry
        return best

    def lease_of(self, token: int) -> tuple[int, str, int, int] | None:
        """Give (job, worker, incarnation, until) of a lease, None once it has ended."""
        attempt = self._tokens.get(token)
        if attempt is None:
            return None
        return attempt.job.number, attempt.holder.name, attempt.holder.incarnation, attempt.until

    def _job_of_token(self, token: int) -> int:
        """Give the job for which a token was granted, 0 if it never was."""
        index = token - self._token_base
        return self._token_jobs[index] if 0 <= index < len(self._token_jobs) else 0

    def _mark_of_token(self, token: int) -> int:
        """Give the serial number of the worker that handed in with the token, negative if it handed back; 0: none."""
        index = token - self._token_base
        return self._token_marks[index] if 0 <= index < len(self._token_marks) else 0

    # -- submission ---------------------------------------------------------------------------------------------------

    def submit(self, now: int, cause: int, job: Job) -> int:
        """Take a job up and give its number; 0 if the queue is full.

        A job whose idempotency key is still valid is not taken: the number of the first is given, and everything else
        in it is ignored.

        Raises:
            DefectError: for a queue that there is not, an origin that was never submitted, or a prerequisite in an
                entry that is not remembered.
        """
        source, extra = job.source, job.rare
        routine, queue = source.routine, source.queue
        if queue is None:
            queue = source.queue = self._queue(routine.queue)
        rules, held, origin = queue.rules, 0, 0
        if extra is not None or rules.capacity is not None:
            known = self._not_taken(now, cause, job, queue)
            if known is not None:
                return known
            if extra is not None:
                held, origin = self._reasons_at_first(now, job, extra), extra.origin
        self._last_job = job.number = number = self._last_job + 1
        self._last_place = place = self._last_place + 1
        job.terms = terms = source.terms or queue.terms
        job.queue = queue
        line = source.line
        if line is None or line.requires is not routine.requires:  # a new version may require something else
            requires = routine.requires if rules.matches_equipment else ()
            line = source.line = queue.line_of(requires, source.expected, terms.slots)
        job.line = line
        job.submitted = now
        job.state = _QUEUED_HELD if held else _QUEUED
        job.held = held
        job.entry = (-source.priority, place, job)
        self._jobs[number] = job
        if number >= self._finished.end:
            self._finished.make_room(number)
        queue.unfinished += 1
        if held or origin or job.key:
            word, name = "queued_held" if held else "queued", routine.name
            # fmt: off
            job.born = job.since = self._emit((
                now, "submitted", cause, number, "",
                word, name, queue.name, source.arrival, job.ordinal, job.key, source.priority, REASONS[held], origin,
            ))
            # fmt: on
        else:
            shared = source.shared
            if shared is None:
                shared = source.shared = (routine.name, queue.name, source.arrival, source.priority)
            job.born = job.since = self._emit((now, QUEUED, cause, number, "", shared, job.ordinal))
        if extra is not None:
            if origin:
                self._families[number] = self.family(origin)
            if extra.idempotency_key:
                self._idempotency[extra.idempotency_key] = number
            if extra.not_before > now:
                self._ring(extra.not_before, "not_before", number, 0)
        if terms.has_limits:
            self._ring_limits(now, job)
        if not held:
            queue.add(job, self._keys)
            self.fresh.append(queue.name)
        elif held & PREREQUISITE:
            assert extra is not None and extra.after is not None
            self._waiters.wait(now, job, extra.after)
        if origin or (self._remembered and source.arrival in self._remembered):
            self._tell_waiters(now, job.born, job, number)
        return number

    def _not_taken(self, now: int, cause: int, job: Job, queue: Queue) -> int | None:
        """Give what is answered to a submission that is repeated, or refused since the queue is full; else None."""
        extra, rules = job.rare, queue.rules
        if extra is not None and extra.idempotency_key:
            first = self._first_with(now, extra.idempotency_key)
            if first:
                self._emit((now, "submission_repeated", cause, first, "", extra.idempotency_key))
                self._tell_waiters(now, cause, job, first)
                return first
        if rules.capacity is not None and queue.unfinished >= rules.capacity:
            what = (job.source.routine.name, queue.name, job.source.arrival, job.ordinal)
            why = ("queue_full", {"most": rules.capacity})
            event = self._emit((now, "submission_refused", cause, 0, "", *what, *why))
            self._tell_waiters(now, event, job, REFUSED)
            return 0
        return None

    def _reasons_at_first(self, now: int, job: Job, extra: Rare) -> int:
        """Give the reasons to hold a job that is submitted."""
        held = NOT_DUE if extra.not_before > now else 0
        if extra.after is not None and not self._waiters.may_go_on(job, extra.after):
            held |= PREREQUISITE
        if extra.origin and not self._first_job <= extra.origin <= self._last_job:
            raise DefectError(f"a job was resubmitted for job {extra.origin}, which was never submitted")
        return held

    def _first_with(self, now: int, key: str) -> int:
        """Give the job with an idempotency key that is still valid, or 0."""
        first = self._idempotency.get(key, 0)
        end = self._key_ends.get(first)
        return 0 if end is not None and end[0] <= now else first

    def _ring_limits(self, now: int, job: Job) -> None:
        rules = job.terms.rules
        if rules.start_within is not None:
            extra = rare(job)
            extra.start_by = start_by = max(now, extra.not_before) + rules.start_within
            self._ring(start_by, "start", job.number, 0)
        if rules.retry.total_limit is not None:
            self._ring(now + rules.retry.total_limit, "total limit", job.number, 0)

    def _tell_waiters(self, now: int, cause: int, job: Job, number: int) -> None:
        """A submission was taken (or repeated, or refused): some may have waited for a job of its name."""
        resubmitted = job.rare is not None and job.rare.origin != 0 and number in self._families
        self._waiters.submitted(now, cause, job, number, resubmitted)

    # -- take ---------------------------------------------------------------------------------------------------------

    def take(
        self,
        now: int,
        message: Message,
        queues: tuple[str, ...],
        offer: Offer,
        time_left: int | None,
        found: Entry | None = None,
        begins: bool = False,
    ) -> Attempt | None:
        """Hand out the best job that the worker may have, and give the attempt at it, or None.

        A request with a number that has come gets the same answer; one with an older number gets None.

        Args:
            queues: the queues that it serves; the best job of all of them is given.
            offer: its equipment, such as ``tape`` or ``tape 2.1``; with its free slots where that is not 1.
            time_left: ticks that it has left, None if there is no end; jobs expected to take longer are passed over.
            found: what ``best`` has just given for the same worker, if it was asked.
            begins: its worker begins at this very instant: that is told together with the hand-out.

        Raises:
            DefectError: for a queue that there is not.
        """
        holder, number, order = message
        if order or holder.lost:
            self._workers_known.heard(now, holder, order)
        else:
            holder.heard = now
        if not holder.is_current:
            return None  # its program has ended: nobody would work on the job
        if number <= holder.take_number:
            return holder.take_answer if number == holder.take_number else None
        holder.take_number = number
        found = found or self.best(queues, offer, time_left)
        if found is None:
            holder.take_answer = None
            return None
        job = found[2]
        why = self._move(job, self._taking)
        if why:
            raise self._refusal(job, Request.TAKE, why)
        queue, terms = job.queue, job.terms
        if job.key:
            self._keys.occupy(job)
        queue.remove(job, self._keys)
        queue.running += 1
        self._last_token = token = self._last_token + 1
        self._new_token_job(job.number)
        self._new_token_mark(0)
        job.attempts = number = job.attempts + 1
        until = now + terms.lease
        attempt = Attempt(job, number, token, holder, now, until)
        holder.take_answer = job.attempt = self._tokens[token] = attempt
        if holder.leases is not None:
            holder.leases[token] = attempt
        worker = holder.name
        if begins:
            row = (now, BEGUN, 0, job.number, worker, number, token, until, holder.incarnation)
            attempt.event = event = self._emit(row, 2)
            job.since = event - 1
        else:
            row = (now, "handed_out", 0, job.number, worker, number, token, until, holder.incarnation)
            job.since = self._emit(row)
        if terms.longest is not None:
            self._ring(now + terms.longest, "time_limit", job.number, token)
        self._lease(attempt)
        return attempt

    # -- hand in, renew, lose -----------------------------------------------------------------------------------------

    def _good(self, token: int, holder: Holder) -> Attempt | None:
        """Give the attempt of a token in the table, unless another incarnation of the same worker was granted it."""
        attempt = self._tokens.get(token)
        if attempt is None or attempt.holder is holder:
            return attempt
        return None if attempt.holder.name == holder.name else attempt

    def _stale(self, now: int, cause: int, token: int, worker: str, what: str) -> None:
        self._emit((now, "stale_refused", cause, self._job_of_token(token), worker, token, what))

    def hand_in(
        self,
        now: int,
        cause: int,
        message: Message,
        token: int,
        outcome: Outcome,
        why: Because = NONE,
        hint: Hint | None = None,
    ) -> bool:
        """Take the outcome of an attempt, and say whether it counts: False if the token is stale.

        A repeat of a hand-in that counted gets True again, a repeat of a refused number False; neither is recorded.

        Args:
            outcome: ok, error, permanent_error or time_limit.
            hint: what came with a refusal of another system.

        Raises:
            DefectError: for another outcome.
        """
        holder, number, order = message
        if order or holder.lost:
            self._workers_known.heard(now, holder, order)
        else:
            holder.heard = now
        attempt = self._tokens.get(token)
        if attempt is None or attempt.holder is not holder:
            attempt = self._good(token, holder)
            if attempt is None:
                return self._late(now, cause, holder, number, token)
        job = attempt.job
        if outcome == "ok":
            if self._move(job, self._ending_well):
                return self._late(now, cause, holder, number, token)
            self._token_marks[token - self._token_base] = holder.serial
            self._finish(now, self._told_end(now, cause, attempt, "ok", why, now), job, "", NONE)
            return True
        if outcome not in _BAD_OUTCOMES:
            raise DefectError(f"worker {holder.name} handed in the outcome {outcome!r} for job {job.number}")
        if (job.state, Request.OUTCOME) in self._refused:
            return self._late(now, cause, holder, number, token)
        self._token_marks[token - self._token_base] = holder.serial
        self._end_attempt(now, cause, job, Request.OUTCOME, (outcome, why, now), hint)
        return True

    def end_well(self, now: int, holder: Holder, number: int, attempt: Attempt) -> bool:
        """Take ``ok`` for an attempt whose worker stops at this very instant, and tell both together; see ``hand_in``.

        What comes late, or of a second worker with the same token, is told event by event.
        """
        token, job = attempt.token, attempt.job
        if (
            self._tokens.get(token) is not attempt
            or attempt.holder is not holder
            or holder.lost
            or self._move(job, self._ending_well)
        ):
            row = (now, "work_stopped", attempt.event, job.number, holder.name, attempt.number, token, FINISHED)
            attempt.event = event = self._emit(row)
            return self.hand_in(now, event, (holder, number, 0), token, "ok")
        holder.heard = now
        self._token_marks[token - self._token_base] = holder.serial
        event = self._emit((now, ENDED_WELL, attempt.event, job.number, holder.name, attempt.number, token), 3)
        attempt.event = event - 2
        self._end_lease(attempt)
        self._put_aside(now, event, job, "")
        return True

    def _late(self, now: int, cause: int, holder: Holder, number: int, token: int) -> bool:
        """An outcome came that is not taken: a repeat, or one with a token that is stale."""
        if self._mark_of_token(token) == holder.serial:
            return True
        if holder.refused is None:
            holder.refused = set()
        if number not in holder.refused:
            holder.refused.add(number)
            self._stale(now, cause, token, holder.name, "outcome")
        return False

    def _expire(self, now: int, cause: int, job: Job) -> None:
        """A job was not started in time: neither waiting, nor held, nor taken and handed back meanwhile."""
        if not self._move(job, self._way(Request.START_LIMIT)):
            self._terminate(now, cause, job, "expired", _NOT_STARTED, ("time_limit", NONE, now))

    def _lose(self, now: int, cause: int, job: Job, why: Because, nominal: int) -> None:
        self._end_attempt(now, cause or job.since, job, Request.LEASE_LOSS, ("lease_lost", why, nominal))

    def _lease_due(self, now: int, cause: int, attempt: Attempt) -> None:
        """The alarm of a lease came: it is lost, unless it has been renewed meanwhile."""
        if attempt.until > now:
            self._lease(attempt)
        else:
            self._lose(now, cause, attempt.job, RAN_OUT, attempt.until)

    def settle_lease(self, token: int, until: int) -> None:
        """Regular heartbeats that were computed, not simulated, have renewed a lease up to ``until``."""
        attempt = self._tokens.get(token)
        if attempt is None or until <= attempt.until:
            return
        if not self._move(attempt.job, self._way(Request.RENEWAL)):
            attempt.until = until

    def _longest_end(self, attempt: Attempt) -> int:
        """Give the tick at which the attempt reaches its cap if it is not suspended (again)."""
        job = attempt.job
        return attempt.granted + (job.terms.longest or 0) + (0 if job.rare is None else job.rare.suspended_for)

    # -- alarms -------------------------------------------------------------------------------------------------------

    def due(self, now: int, cause: int, what: str, job: int, token: int) -> None:
        """An alarm came; one whose reason has gone is ignored, and one that comes during an outage is kept for its end.

        Raises:
            DefectError: for an alarm that the broker never asks for.
        """
        if not self.is_up:
            self._missed.append((now, what, job, token, ""))
        else:
            self._work_off(now, cause, what, job, token, now)

    def _work_off(self, now: int, cause: int, what: str, number: int, token: int, nominal: int) -> None:
        """Do what an alarm is for; it was due at ``nominal``."""
        if what == "allowance":
            for allowance in self._allowances.values():
                if 0 <= allowance.rings_at <= now:
                    allowance.rings_at = -1
                    self._serve(now, allowance)
            return
        if what == "idempotency":
            _, key = self._key_ends.pop(number)
            if self._idempotency.get(key) == number:
                del self._idempotency[key]
            return
        job = self._jobs.get(number)
        if job is None:
            return
        attempt = job.attempt
        if what in _OF_A_LEASE and (attempt is None or attempt.token != token):
            return
        if what == "lease":
            assert attempt is not None
            self._lease_due(now, cause, attempt)
        elif what == "time_limit":
            request = Request.TIME_LIMIT
            assert attempt is not None
            if (job.state, request) not in self._refused and self._longest_end(attempt) <= nominal:
                self._end_attempt(now, cause or job.since, job, request, ("time_limit", _TIME_LIMIT, nominal))
        elif what == "total limit":
            limit = job.terms.rules.retry.total_limit or 0
            why = Because("total_limit_reached", {"limit": limit})
            self._must_move(job, Request.TOTAL_LIMIT)
            self._terminate(now, cause or job.born, job, "out_of_time", why, ("time_limit", _TOTAL_LIMIT, nominal))
        elif what == "start":
            self._expire(now, cause or job.born, job)
        elif what == "not_before":
            if job.held & NOT_DUE:
                self._end_reason(now, cause or job.born, job, NOT_DUE)
        elif what == "pause":
            extra = rare(job)
            if not extra.awaits and job.held & PAUSING and extra.due <= now:
                self._end_reason(now, cause or job.since, job, PAUSING)
        else:
            raise DefectError(f"the broker was woken for {what!r}, which it never asks for")
