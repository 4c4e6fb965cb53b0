"""The broker: what is submitted, what its alarms bring, and what an outage does to it.

Sans-IO: no clock, no randomness, no waiting. Every call takes the present tick (``now``) and the number of the event
that led to it (``cause``, 0: none), changes the state, writes events to the sink, and asks the alarms to be woken.
Whoever drives it delivers, at one instant, what ends before messages; see ``emulator.timeline.agenda``.
"""

from typing import Final

from emulator.broker.jobs import BY_PERSON, NOT_DUE, PAUSING, PREREQUISITE, REASONS, Holder, Job, Rare, rare
from emulator.broker.leases import RAN_OUT, SILENT, Leases
from emulator.broker.prerequisites import REFUSED, After, Waiter
from emulator.broker.states import Request, State, refuses
from emulator.errors import DefectError
from emulator.record.reasons import TIME_LIMIT, WITHDRAWN_BY_PERSON, Because

__all__ = ["Broker"]

_QUEUED: Final = State.QUEUED  # looking a member up costs as much as three calls on Python 3.11
_QUEUED_HELD: Final = State.QUEUED_HELD
_TIME_LIMIT: Final = Because(TIME_LIMIT)
_PERSON: Final = Because("person_withdrew")
_WITHDRAWN: Final = Because(WITHDRAWN_BY_PERSON)
_TOTAL_LIMIT: Final = Because("total_limit")
_OF_A_LEASE: Final = ("lease", "time_limit")


class Broker(Leases):
    """The queues and all that is known of their jobs.

    Args:
        queues: what each queue is told.
        sink: takes the events.
        alarms: wakes the broker, by ``due`` and ``silence_due``.
        uniform: gives a number in [0, 1) that belongs to (job, attempt) alone; called only if jitter, or a policy of
            the user's own, needs it.
        leases_during_outage: ``expire`` (leases that ran out during an outage of the broker are lost at its end) or
            ``extend`` (the ends of all leases move by the length of the outage).
        remembered: the arrival entries that prerequisites name.
        grouped: those of them of which all jobs of a night are waited for: whoever submits tells of each that it is
            ``complete``.
        first_job, first_token: the numbers to begin with.

    Calls raise DefectError on what the emulator itself should never ask, such as an unknown job; never on a stale
    token, which is answered and recorded.

    >>> from types import SimpleNamespace
    >>> from emulator.broker.jobs import Source
    >>> from emulator.broker.rules import QueueRules
    >>> from emulator.record.recorder import Recorder
    >>> class NoAlarms:
    ...     def ring(self, *_): pass
    ...     lease = silence = ring
    >>> broker = Broker([QueueRules("night")], Recorder(), NoAlarms(), lambda job, attempt: 0.5)
    >>> plate_copy = SimpleNamespace(name="plate-copy", queue="night", requires=())
    >>> job = broker.submit(0, 0, Job(Source(plate_copy, "plates"), 1))
    >>> broker.register(0, 0, "dome-1", 1, None)
    >>> attempt = broker.take(5, 0, "dome-1", 1, ("night",), frozenset(), None, 1)
    >>> broker.hand_in(9, 0, "dome-1", 1, 2, attempt.token, "ok"), broker.state_of(job).value
    (True, 'done')
    """

    __slots__ = ()

    # -- submission ---------------------------------------------------------------------------------------------------

    def submit(self, now: int, cause: int, job: Job) -> int:
        """Take a job up and give its number; 0 if the queue is full.

        A job whose idempotency key is still valid is not taken: the number of the first is given, and everything else
        in it is ignored.

        Raises:
            DefectError: for a queue that there is not, an origin that was never submitted, or a prerequisite in an
                entry that is not remembered.
        """
        source, key, extra = job.source, job.key, job.rare
        routine, arrival, ordinal = source.routine, source.arrival, job.ordinal
        name = routine.queue
        queue = self._queues.get(name) or self._queue(name)
        if extra is not None and extra.idempotency_key:
            first = self._first_with(now, extra.idempotency_key)
            if first:
                self._emit((now, "submission_repeated", cause, first, "", extra.idempotency_key))
                self._tell_waiters(now, cause, job, first)
                return first
        rules = queue.rules
        if rules.capacity is not None and queue.unfinished >= rules.capacity:
            why = ("queue_full", {"most": rules.capacity})
            event = self._emit((now, "submission_refused", cause, 0, "", routine.name, name, arrival, ordinal, *why))
            self._tell_waiters(now, event, job, REFUSED)
            return 0
        held = 0 if extra is None else self._reasons_at_first(now, job, extra)
        self._last_job = job.number = number = self._last_job + 1
        self._last_place = place = self._last_place + 1
        terms = source.terms or queue.terms
        line_of = (routine.requires if rules.matches_equipment else (), source.expected, terms.slots)
        job.queue = queue
        job.line = line = queue.lines.get(line_of) or queue.new_line(*line_of)
        job.terms = terms
        job.submitted = now
        job.state = _QUEUED_HELD if held else _QUEUED
        job.held = held
        job.entry = entry = (-source.priority, place, job)
        self._jobs[number] = job
        queue.unfinished += 1
        word = "queued_held" if held else "queued"
        reasons, origin = REASONS[held], 0 if extra is None else extra.origin
        row = (now, "submitted", cause, number, "", word, routine.name, name, arrival, ordinal)
        job.born = job.since = self._emit((*row, key, source.priority, reasons, origin))
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
            if key:
                queue.add(job, self._keys)
            else:  # the same, without a call
                queue.waiting += 1
                job.waiting = job.inside = True
                line.push(entry)
            self.fresh.append(name)
        elif held & PREREQUISITE:
            assert extra is not None and extra.after is not None
            self._wait_for(now, job, extra.after)
        if origin or arrival in self._remembered:
            self._tell_waiters(now, job.born, job, number)
        return number

    def _reasons_at_first(self, now: int, job: Job, extra: Rare) -> int:
        """Give the reasons to hold a job that is submitted."""
        held = NOT_DUE if extra.not_before > now else 0
        if extra.after is not None and not self._may_go_on(job, extra.after):
            held |= PREREQUISITE
        if extra.origin and not self._first_job <= extra.origin <= self._last_job:
            raise DefectError(f"a job was resubmitted for job {extra.origin}, which was never submitted")
        return held

    def _first_with(self, now: int, key: str) -> int:
        """Give the job with an idempotency key that is still valid, or 0."""
        first = self._idempotency.get(key, 0)
        end = self._key_ends.get(first)
        return 0 if end is not None and end[0] <= now else first

    def _may_go_on(self, job: Job, after: After) -> bool:
        """Say whether all that a job waits for has ended already, in a way that lets it go on."""
        for before in after.befores:
            if before.entry not in self._remembered:
                raise DefectError(f"{job.name} waits for an entry that is not remembered: {before.entry}")
        return self._prerequisites.verdict(after) is True

    def _wait_for(self, now: int, job: Job, after: After) -> None:
        """Let a job wait for those before it; if what has ended of them forbids it, it fails at once."""
        if self._prerequisites.verdict(after) is None:
            self._prerequisites.wait(job.number, after)
        else:
            self._fail_with(now, job.born, job, self._prerequisites.failed_of(after))

    def complete(self, now: int, cause: int, entry: str, night: int) -> None:
        """No more jobs of an entry come in a night (counted from 0); only for entries of which that is asked."""
        event = self._emit((now, "entry_complete", cause, 0, "", entry, night + 1))
        for key in self._prerequisites.complete(entry, night):
            self._judge_waiters(now, event, key)

    def _tell_waiters(self, now: int, cause: int, job: Job, number: int) -> None:
        """A submission was taken (or repeated, or refused): some may have waited for a job of its name."""
        waiters: list[Waiter] = []
        extra = job.rare
        arrival = job.source.arrival
        if arrival in self._remembered:
            night = 0 if extra is None else extra.night
            waiters += self._prerequisites.submitted((arrival, job.ordinal), number, night)
        if extra is not None and extra.origin and number in self._families:
            waiters += self._prerequisites.resubmitted(number)
        if waiters and (number == REFUSED or self.final_state(number) is not None):
            self._judge_waiters(now, cause, number)

    def _ring_limits(self, now: int, job: Job) -> None:
        rules = job.terms.rules
        if rules.start_within is not None:
            extra = rare(job)
            extra.start_by = start_by = max(now, extra.not_before) + rules.start_within
            self._ring(start_by, "start", job.number, 0)
        if rules.retry.total_limit is not None:
            self._ring(now + rules.retry.total_limit, "total limit", job.number, 0)

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
            if not refuses(job.state, request) and self._longest_end(attempt) <= nominal:
                self._end_attempt(now, cause or job.since, job, request, "time_limit", _TIME_LIMIT, nominal)
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

    # -- outage -------------------------------------------------------------------------------------------------------

    def go_down(self, now: int, cause: int) -> None:
        """An outage of the broker begins: its state stays, and until it ends nobody calls anything but alarms."""
        self.is_up = False
        self._down_since = now
        self._emit((now, "broker_down", cause, 0, ""))

    def come_up(self, now: int, cause: int) -> None:
        """The outage is over: work off what fell due meanwhile, lost leases first, before any message.

        Leases are lost in the order of (nominal end, token), everything else follows in the order in which it fell
        due. With ``extend`` every lease, and every worker's silence, is given the length of the outage more.
        """
        self.is_up = True
        event = self._emit((now, "broker_up", cause, 0, ""))
        missed, self._missed = self._missed, []
        if self._leases_during_outage == "extend":
            self._push_out(now - self._down_since)
        leases = [alarm for alarm in missed if alarm[1] in ("lease", "silence")]
        self._lose_overdue(now, event, leases)
        for at, what, job, token, _ in missed:
            if what not in ("lease", "silence"):
                self._work_off(now, event, what, job, token, at)

    def _push_out(self, length: int) -> None:
        for attempt in self._tokens.values():
            attempt.until += length
        for holder in (*self._workers.values(), *self._former.values()):
            holder.heard += length

    def _lose_overdue(self, now: int, cause: int, alarms: list[tuple[int, str, int, int, str]]) -> None:
        """Lose the leases that ran out during the outage, and those of workers that nobody could hear."""
        lost: dict[int, tuple[int, Because, Holder | None]] = {}  # by token: nominal end, why, the silent worker
        silent: list[tuple[int, Holder]] = []
        for _, what, number, token, worker in alarms:
            if what == "lease":
                attempt = self._tokens.get(token)
                if attempt is not None and attempt.until <= now:
                    lost[token] = (attempt.until, RAN_OUT, None)
                elif attempt is not None:
                    self._lease_due(now, cause, attempt)
                continue
            holder = self._holder(worker, number)
            if holder.silence is None or holder.lost or holder.heard + holder.silence > now:
                self.silence_due(now, worker, number)
                continue
            silent.append((holder.heard + holder.silence, holder))
        for end, holder in silent:
            for attempt in self._leases_in_order(holder):
                if attempt.until > end:  # at a tie the lease is the reason
                    lost[attempt.token] = (end, SILENT, holder)
                else:
                    lost.setdefault(attempt.token, (attempt.until, RAN_OUT, None))
        declared: dict[int, int] = {}  # by the worker's serial number: the event
        for token, (nominal, why, silent_one) in sorted(lost.items(), key=lambda item: (item[1][0], item[0])):
            event = cause
            if silent_one is not None:
                if not silent_one.lost:
                    declared[silent_one.serial] = self._declare_lost(now, cause, silent_one)
                event = declared[silent_one.serial]
            self._lose(now, event, self._tokens[token].job, why, nominal)
        for _, holder in sorted(silent, key=lambda one: (one[0], one[1].serial)):
            if not holder.lost:
                self._declare_lost(now, cause, holder)

    # -- what people ask ----------------------------------------------------------------------------------------------
    #
    # The table decides. What it refuses changes nothing and is answered with the code of the reason; what it grants is
    # answered with "". Suspending is a request: the state follows when the worker says, at its next contact, that it
    # stands still. While it does, its lease goes on, and only the clock of its time limit stands.

    def hold(self, now: int, cause: int, job: int) -> str:
        """Hold a job; one that a worker has is held once it comes back."""
        found, state = self._asked(job, Request.HOLD)
        if found is None or isinstance(state, str):
            return str(state)
        if found.waiting:
            found.queue.remove(found, self._keys)
        found.held |= BY_PERSON
        found.since = self._emit((now, "held", cause, job, "", state.value, REASONS[BY_PERSON]))
        return ""

    def release(self, now: int, cause: int, job: int) -> str:
        """Take back a person's hold; other reasons to hold the job stay."""
        found, state = self._asked(job, Request.RELEASE)
        if found is None or isinstance(state, str):
            return str(state)
        found.held &= ~BY_PERSON
        found.since = self._emit((now, "hold_ended", cause, job, "", state.value, REASONS[BY_PERSON]))
        if not found.held and found.attempt is None:
            self._wait(found)
        return ""

    def suspend(self, now: int, cause: int, job: int) -> str:
        """Ask that the job's worker stand still; it is told at its next heartbeat."""
        return self._want(now, cause, job, Request.SUSPEND, True, "suspend_requested")

    def resume(self, now: int, cause: int, job: int) -> str:
        """Ask that the job's worker go on; it is told at its next heartbeat."""
        return self._want(now, cause, job, Request.RESUME, False, "resume_requested")

    def _want(self, now: int, cause: int, job: int, request: Request, wanted: bool, kind: str) -> str:
        found, state = self._asked(job, request)
        if found is None or isinstance(state, str):
            return str(state)
        extra = rare(found)
        extra.wanted = wanted
        if wanted is not (state is State.SUSPENDED):
            extra.asked = True
        self._emit((now, kind, cause, job, ""))
        return ""

    def withdraw(self, now: int, cause: int, job: int) -> str:
        """Terminate a job, with the attempt that runs if one does."""
        found, state = self._asked(job, Request.WITHDRAW)
        if found is None or isinstance(state, str):
            return str(state)
        self._terminate(now, cause, found, "withdrawn", _PERSON, ("lease_lost", _WITHDRAWN, now))
        return ""

    def hold_queue(self, now: int, cause: int, queue: str) -> str:
        """Hold a queue: nothing is handed out from it; what runs goes on."""
        found = self._queue(queue)
        if found.held:
            return "queue_held_already"
        found.held = True
        self._emit((now, "queue_held", cause, 0, "", queue))
        return ""

    def release_queue(self, now: int, cause: int, queue: str) -> str:
        """Let a held queue hand out again."""
        found = self._queue(queue)
        if not found.held:
            return "queue_not_held"
        found.held = False
        self._emit((now, "queue_released", cause, 0, "", queue))
        if found.waiting:
            self.fresh.append(queue)
        return ""
