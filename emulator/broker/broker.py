"""The broker: what others ask of it, what people do to jobs, and what an outage does to it.

Sans-IO: no clock, no randomness, no waiting. Every call takes the present tick (``now``) and the number of the event
that led to it (``cause``, 0: none), changes the state, writes events to the sink, and asks the alarms to be woken.
Whoever drives it delivers, at one instant, what ends before messages; see ``emulator.timeline.agenda``.
"""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from emulator.broker.jobs import BY_PERSON, REASONS, Attempt, Job, rare
from emulator.broker.leases import RAN_OUT, Leases
from emulator.broker.rules import Offer
from emulator.broker.states import Facts, Request, State, refuses, target
from emulator.broker.waiters import Unmet, explain
from emulator.broker.workers import HeartbeatReply, Holder, Message
from emulator.record.reasons import FORGOTTEN, WITHDRAWN_BY_PERSON, WORKER_SILENT, Because, Reason, Why

__all__ = ["Broker"]

_NOTHING: Final = HeartbeatReply()
SILENT: Final = Because(WORKER_SILENT)
_FORGOTTEN: Final = Because(FORGOTTEN)
_PERSON: Final = Because("person_withdrew")
_WITHDRAWN: Final = Because(WITHDRAWN_BY_PERSON)


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
        remembered: the arrival entries that prerequisites name, and whether all jobs of a night are waited for: then
            whoever submits tells that the entry is ``complete``.
        first: the numbers of the first job and the first token.

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
    >>> dome = broker.register(0, 0, "dome-1", 1, None)
    >>> attempt = broker.take(5, (dome, 1, 0), ("night",), frozenset(), None)
    >>> broker.hand_in(9, 0, (dome, 2, 0), attempt.token, "ok"), broker.state_of(job).value
    (True, 'done')
    """

    __slots__ = ()

    # -- what others may ask ------------------------------------------------------------------------------------------

    def queued(self, queue: str) -> int:
        """Count the jobs of a queue that wait for a worker, held ones aside (a busy key is no hold)."""
        return self._queue(queue).waiting

    def unfinished(self, queue: str) -> int:
        """Count the jobs of a queue that are not final."""
        return self._queue(queue).unfinished

    def running(self, queue: str) -> int:
        """Count the jobs of a queue that a worker has, suspended ones included."""
        return self._queue(queue).running

    def token_of(self, job: int) -> int:
        """Give the token of the lease that is out on a job, 0 for none."""
        found = self._job(job)
        return 0 if found is None or found.attempt is None else found.attempt.token

    def sub_state(self, job: int) -> str:
        """Give the sub-state of a failed job, "" for any other."""
        ended = None if self._job(job) is not None else self._finished.how(job)
        return "" if ended is None else ended[1]

    def last_attempt(self, job: int) -> int:
        """Give the number of the job's last attempt that counts, 0 for none."""
        found = self._job(job)
        return self._finished.attempts(job) if found is None else found.attempts

    def jobs_unfinished(self) -> Iterator[int]:
        """Give the numbers of the unfinished jobs, in the order of submission."""
        return iter(tuple(self._jobs))

    def explain(self, now: int, job: int, offers: Sequence[Offer] | None = None) -> tuple[Reason, ...]:
        """Give every reason why a job is not running, or what became of it; at least one.

        Args:
            now: the present tick.
            job: its number.
            offers: what each worker that serves the job's queue has, with all its slots, if that is to be looked at.
        """
        found = self._job(job)
        if found is None:
            return (Reason(Why.FINAL, (self.state_of(job).value, self.sub_state(job))),)
        _, unmet = self._waiters.unmet(job)
        return explain(found, self._keys, now, offers, unmet)

    def waits_for(self, job: int) -> tuple[bool, tuple[Unmet, ...]]:
        """Say which jobs an unfinished job waits for still, and whether the first of them suffices."""
        return self._waiters.unmet(job)

    def snapshot(self) -> dict[str, Any]:
        """Give the broker's state as plain data; ``emulator.record.fold`` gives the same from the events alone."""
        return {
            "up": self.is_up,
            "queues_held": sorted(name for name, queue in self._queues.items() if queue.held),
            "workers": dict(sorted((name, holder.incarnation) for name, holder in self._workers.items())),
            "jobs": {
                number: {
                    "state": job.state.value,
                    "attempts": job.attempts,
                    "held": REASONS[job.held],
                    "token": 0 if job.attempt is None else job.attempt.token,
                    "lost_leases": 0 if job.rare is None else job.rare.lost,
                    "suspension_wanted": job.rare is not None and job.rare.wanted,
                }
                for number, job in self._jobs.items()
            },
            "finished": {
                number: {"state": state.value, "sub_state": sub_state, "attempts": self._finished.attempts(number)}
                for number, (state, sub_state) in self._finished
            },
        }

    def complete(self, now: int, cause: int, entry: str, night: int) -> None:
        """No more jobs of an entry come in a night (counted from 0); only for entries of which that is asked."""
        event = self._emit((now, "entry_complete", cause, 0, "", entry, night + 1))
        self._waiters.complete(now, event, entry, night)

    # -- what workers say beside --------------------------------------------------------------------------------------

    def heartbeat(
        self,
        now: int,
        cause: int,
        message: Message,
        tokens: Sequence[int],
        is_recorded: bool = True,
        standing: Sequence[int] | None = None,
    ) -> HeartbeatReply | None:
        """Renew exactly the leases named, and say which are no longer good and what people asked of the others.

        A repeated number is the same heartbeat: it shows that the worker lives, and changes nothing else. In a queue
        with fixed leases nothing is renewed, and nothing refused for that. One that a newer message of the incarnation
        has overtaken is old: it changes nothing, and the answer is None.

        Args:
            is_recorded: False to leave out the events if there is nothing to say.
            standing: those of the tokens whose work stands still as it was asked to, which acknowledges that; None from
                a worker that says so by a message of its own.
        """
        holder, number, order = message
        worker, incarnation = holder.name, holder.incarnation
        if order and order < holder.newest:
            return None
        self._workers_known.heard(now, holder, order)
        if number <= holder.beat_number:
            return holder.beat_reply if number == holder.beat_number else _NOTHING
        holder.beat_number = number
        if not is_recorded and self._renew_all(now, holder, tokens, standing):
            holder.beat_reply = _NOTHING
            return _NOTHING
        event = self._emit((now, "heartbeat_received", cause, 0, worker, incarnation, number))
        refused: list[int] = []
        suspend: list[int] = []
        resume: list[int] = []
        for token in tokens:
            attempt = self._good(token, holder)
            if attempt is None or self._move(attempt.job, self._way(Request.RENEWAL)):
                refused.append(token)
                self._stale(now, event, token, worker, "renewal")
                continue
            job = attempt.job
            if job.terms.rules.renewed:
                attempt.until = now + job.terms.lease
                self._emit((now, "lease_renewed", event, job.number, worker, token, attempt.until))
            extra = job.rare
            if extra is not None:
                stands = job.state is State.SUSPENDED if standing is None else token in standing
                if stands is not extra.wanted:
                    (resume if stands else suspend).append(token)
                elif stands is not (job.state is State.SUSPENDED):
                    acknowledge = self.suspension_acknowledged if stands else self.resumption_acknowledged
                    acknowledge(now, event, token)
        if refused or suspend or resume:
            holder.beat_reply = HeartbeatReply(tuple(refused), tuple(suspend), tuple(resume))
        else:
            holder.beat_reply = _NOTHING
        return holder.beat_reply

    def _renew_all(self, now: int, holder: Holder, tokens: Sequence[int], standing: Sequence[int] | None) -> bool:
        """Renew all the leases named if there is nothing to say of any of them; else renew none, and say False."""
        attempts = [self._good(token, holder) for token in tokens]
        for attempt in attempts:
            if attempt is None:
                return False
            job = attempt.job
            if job.rare is not None:
                is_suspended = job.state is State.SUSPENDED
                stands = is_suspended if standing is None else attempt.token in standing
                if not job.rare.wanted is stands is is_suspended:
                    return False
        for attempt in attempts:
            if attempt is not None and attempt.job.terms.rules.renewed:
                attempt.until = now + attempt.job.terms.lease
        return True

    def hand_back(self, now: int, cause: int, worker: str, incarnation: int, token: int, order: int = 0) -> bool:
        """Take a job back that was not started, and say whether the token was good; the attempt does not count."""
        holder = self._workers_known.holder(worker, incarnation)
        self._workers_known.heard(now, holder, order)
        attempt = self._good(token, holder)
        if attempt is None:
            if self._mark_of_token(token) == -holder.serial:
                return True
            self._stale(now, cause, token, worker, "hand_back")
            return False
        job = attempt.job
        facts = Facts(held=bool(job.held), counted=attempt.number > 1)
        if self._move(job, self._way(Request.HAND_BACK, facts)):
            self._stale(now, cause, token, worker, "hand_back")
            return False
        self._token_marks[token - self._token_base] = -holder.serial
        job.attempts -= 1
        row = (now, "handed_back", cause, job.number, worker, job.state.value, attempt.number, token)
        job.since = event = self._emit(row)
        self._end_lease(attempt)
        extra = job.rare
        if not job.attempts and extra is not None and 0 <= extra.start_by <= now:
            self._expire(now, event, job)
        elif not job.held:
            self._wait(job)
        return True

    def silence_due(self, now: int, worker: str, incarnation: int) -> None:
        """The alarm of a worker's silence came: it is lost with all its leases, unless it was heard meanwhile."""
        if not self.is_up:
            self._missed.append((now, "silence", incarnation, 0, worker))
            return
        holder = self._workers_known.holder(worker, incarnation)
        if holder.silence is None or holder.lost:
            return
        end = holder.heard + holder.silence
        if end > now:
            self._alarms.silence(end, worker, incarnation)
            return
        event = self._declare_lost(now, 0, holder)
        for attempt in self._leases_in_order(holder):
            if attempt.until <= now:
                self._lose(now, event, attempt.job, RAN_OUT, attempt.until)
            else:
                self._lose(now, event, attempt.job, SILENT, end)

    def _declare_lost(self, now: int, cause: int, holder: Holder) -> int:
        holder.lost = True
        return self._emit((now, "worker_declared_lost", cause, 0, holder.name, holder.incarnation, holder.heard))

    def _leases_in_order(self, holder: Holder) -> list[Attempt]:
        return sorted((holder.leases or {}).values(), key=lambda attempt: (attempt.job.number, attempt.token))

    def forget(self, now: int, cause: int, token: int) -> bool:
        """The broker forgets a lease (a fault) and hands the job out again, without asking the retry policy; say
        whether there was one. The attempt counts, as every hand-out does."""
        attempt = self._tokens.get(token)
        if attempt is None or refuses(attempt.job.state, Request.FORGETTING):
            return False
        job = attempt.job
        event = self._emit((now, "lease_forgotten", cause, job.number, attempt.holder.name, token))
        event = self._told_end(now, event, attempt, "lease_lost", _FORGOTTEN, now)
        rare(job).lost += 1
        allowance = self._allowances.get(job.queue.name)
        left = -1 if allowance is None else allowance.left(now)
        self._requeue(now, event, job, Request.FORGETTING, 0, now, left)
        return True

    def suspension_acknowledged(self, now: int, cause: int, token: int) -> bool:
        """The worker says that it stands still; False if the token is stale or nobody asked for it."""
        return self._acknowledge(now, cause, token, Request.SUSPENSION)

    def resumption_acknowledged(self, now: int, cause: int, token: int) -> bool:
        """The worker says that it goes on; False if the token is stale or nobody asked for it."""
        return self._acknowledge(now, cause, token, Request.RESUMPTION)

    def _acknowledge(self, now: int, cause: int, token: int, request: Request) -> bool:
        attempt = self._tokens.get(token)
        if attempt is None:
            self._stale(now, cause, token, "", request.value)
            return False
        job = attempt.job
        _, why = self._asked(job.number, request)
        if why:
            return False
        extra, state = rare(job), job.state
        extra.asked = extra.wanted is not (state is State.SUSPENDED)
        if state is State.SUSPENDED:
            extra.suspended_at = now
            self._emit((now, "suspended", cause, job.number, attempt.holder.name, token))
            return True
        extra.suspended_for += now - extra.suspended_at
        self._emit((now, "resumed", cause, job.number, attempt.holder.name, token))
        if job.terms.longest is not None:
            self._ring(self._longest_end(attempt), "time_limit", job.number, token)
        return True

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
        for holder in (*self._workers.values(), *self._workers_known.former.values()):
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
            holder = self._workers_known.holder(worker, number)
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

    def _asked(self, number: int, request: Request) -> tuple[Job | None, str]:
        """Move a job as it is asked; give it (None if it is final), with the code of the reason if it is refused."""
        job = self._job(number)
        if job is None:
            return None, str(target(self.state_of(number), request, Facts()))
        extra, held = job.rare, job.held
        if request is Request.RELEASE:
            held &= ~BY_PERSON
        facts = Facts(
            held=bool(held),
            by_person=bool(job.held & BY_PERSON),
            wanted=extra is not None and extra.wanted,
            asked=extra is not None and extra.asked,
        )
        return job, self._move(job, self._way(request, facts))

    def hold(self, now: int, cause: int, job: int) -> str:
        """Hold a job; one that a worker has is held once it comes back."""
        found, why = self._asked(job, Request.HOLD)
        if found is None or why:
            return why
        if found.waiting:
            found.queue.remove(found, self._keys)
        found.held |= BY_PERSON
        found.since = self._emit((now, "held", cause, job, "", found.state.value, REASONS[BY_PERSON]))
        return ""

    def release(self, now: int, cause: int, job: int) -> str:
        """Take back a person's hold; other reasons to hold the job stay."""
        found, why = self._asked(job, Request.RELEASE)
        if found is None or why:
            return why
        found.held &= ~BY_PERSON
        found.since = self._emit((now, "hold_ended", cause, job, "", found.state.value, REASONS[BY_PERSON]))
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
        found, why = self._asked(job, request)
        if found is None or why:
            return why
        extra = rare(found)
        extra.wanted = wanted
        if wanted is not (found.state is State.SUSPENDED):
            extra.asked = True
        self._emit((now, kind, cause, job, ""))
        return ""

    def withdraw(self, now: int, cause: int, job: int) -> str:
        """Terminate a job, with the attempt that runs if one does."""
        found, why = self._asked(job, Request.WITHDRAW)
        if found is None or why:
            return why
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
