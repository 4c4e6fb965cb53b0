"""Computes what heartbeats do, without simulating those that can change nothing.

A worker's heartbeats are *regular* while its link carries every message at once and loses none, and none is early or
late. A lease that regular heartbeats renew needs no event until something breaks them. This mode therefore holds the
alarm of such a lease back, and works out which of them was the last when something changes. A regular heartbeat really
happens only when it has something to bring back: a token that is no longer good, or what people asked of a job.

Heartbeats that are not regular may be lost, come late or overtake each other. Each of them is sent; it is recorded only
if it had something to bring back.
"""

from collections.abc import Callable
from typing import Final

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt
from emulator.timeline.agenda import ENDS, MESSAGES
from emulator.world.heartbeat_schedule import HeartbeatSchedule
from emulator.world.transport import Transport
from emulator.world.worker import ON, OWN_END, RunContext, Worker

__all__ = ["ComputedHeartbeats"]

_NONE: Final = (0, 0, 0)


class ComputedHeartbeats:
    """Holds alarms back while heartbeats are regular, and settles what they did when something changes.

    Attributes:
        are_recorded: whether heartbeats that bring nothing back are recorded too.
        broker, transport: as soon as they are there.
        wake_broker, silence_due: wake the broker for a lease, or a silence, that may be over.
        stop_itself: lets a worker stop whose own clock says that its lease has ended.
    """

    are_recorded: Final = False

    broker: Broker
    transport: Transport
    wake_broker: Callable[[str, int, int], None]
    silence_due: Callable[[str, int], None]
    stop_itself: Callable[[Attempt], None]

    def __init__(self, context: RunContext, schedule: HeartbeatSchedule) -> None:
        self._agenda, self._workers = context.agenda, context.workers
        self._schedule = schedule
        self._settled: dict[int, int] = {}  # by worker: the last heartbeat whose effects are settled
        self._next: dict[int, tuple[int, int, int]] = {}  # by worker: incarnation, number and time of the next one sent
        self._newest = 0  # the highest token seen

    # -- what the broker asks for -------------------------------------------------------------------------------------

    def lease(self, attempt: Attempt) -> None:
        """A lease was granted or has been renewed: wake the broker when it lapses, if nothing changes."""
        token, length = attempt.token, attempt.job.terms.renewal
        known = self._workers[attempt.holder.name]
        if token > self._newest:  # granted just now: its worker is about to begin
            self._newest = token
            if attempt.event and known.heartbeat < length:
                return  # it has begun at once, so its link is steady and it sends
            if known.is_steady and known.heartbeat < length and self.broker.is_up and self._sends(known):
                return
        elif self._holds_back(known, attempt.until, token, length):
            return
        self._look_at_end(attempt.until, attempt.job.number, token)

    def _look_at_end(self, at: int, job: int, token: int) -> None:
        self._agenda.at(at, self._lease_due, (job, token), ENDS, job, token)

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """The broker wants to know at ``at`` whether a worker was heard since."""
        known = self._workers[worker]
        is_in_time = known.heartbeat < (known.model.silence or 0) and self._next_due(known) < at
        if is_in_time and known.incarnation == incarnation and self._is_regular(known):
            return
        self._agenda.at(at, self._silence_due, (worker, incarnation), ENDS, 0, known.place_of(incarnation))

    # -- what the world tells -----------------------------------------------------------------------------------------

    def started(self, worker: Worker) -> None:
        """A program has started: its heartbeats count from now."""
        self._settled[worker.index] = 0
        self._next.pop(worker.index, None)

    def settle(self, worker: Worker) -> None:
        """Work out what the regular heartbeats up to now have done; called before anything about a worker changes."""
        if worker.state is not ON or not worker.is_steady:
            return
        schedule = self._schedule
        k = schedule.next(worker, self._agenda) - 1
        if k <= self._settled.get(worker.index, 0):
            return
        self._settled[worker.index] = k
        if not self._reaches(worker):
            return
        sent = schedule.due(worker, k)
        self.broker.settle_heard(worker.name, worker.incarnation, sent)
        for attempt in worker.attempts:
            # a heartbeat of the very instant at which an attempt begins has gone out before
            if attempt.start < sent and not attempt.handing_in and attempt.job.terms.renewal:
                until = sent + attempt.job.terms.lease
                self.broker.settle_lease(attempt.token, until)
                self.transport.tell_end(attempt, sent, sent, until)

    def changed(self, worker: Worker) -> None:
        """Something about the worker, its link or the broker has changed: foresee anew what will come."""
        if worker.is_steady:  # those before were sent as they were then
            self._settled[worker.index] = self._schedule.next(worker, self._agenda) - 1
        for attempt in worker.attempts:
            self.dropped(worker, attempt)
            self.watch_own_end(attempt)
        end = self.broker.silence_end(worker.name, worker.incarnation)
        if end is not None:
            self.silence(end, worker.name, worker.incarnation)
        self._hear(worker)
        self._send_next(worker)
        if worker.contact_wanted:
            self.want_contact(worker)

    def began(self, attempt: Attempt) -> None:
        """A worker has begun to work on what it was handed: its heartbeats name it from now on."""
        self._send_next(attempt.worker)
        self.watch_own_end(attempt)

    def dropped(self, worker: Worker, attempt: Attempt) -> None:
        """The worker may not name a token in its heartbeats any more: have the end of its lease looked at."""
        lease = self.broker.lease_of(attempt.token)
        if lease is not None:
            job = attempt.job
            if not self._holds_back(worker, lease[3], attempt.token, job.terms.renewal):
                self._look_at_end(lease[3], job.number, attempt.token)

    def want_contact(self, worker: Worker) -> None:
        """There is something that the worker's next heartbeat has to bring back."""
        worker.contact_wanted = True
        if self._is_regular(worker):
            k = self._schedule.next(worker, self._agenda)
            what = (worker, worker.incarnation, k)
            self._agenda.at(self._schedule.due(worker, k), self._beat, what, MESSAGES, worker.index, k)

    def thawed(self, worker: Worker, frozen_at: int) -> None:
        """A frozen worker goes on: its overdue heartbeat is one heartbeat, sent now."""
        k = self._schedule.overdue(worker, self._agenda.now, frozen_at)
        if k and self._gets_out(worker, k):
            self.transport.beat(worker, k)

    def watch_own_end(self, attempt: Attempt) -> None:
        """A worker that stops itself looks at its own clock when the lease that it knows of ends."""
        if attempt.worker.model.stops_at_lease_end:
            job, second = attempt.job.number, OWN_END + attempt.token
            self._agenda.at(attempt.known_end, self._own_end, attempt, ENDS, job, second)

    # -- which are regular --------------------------------------------------------------------------------------------

    def _sends(self, worker: Worker) -> bool:
        return (
            worker.state is ON
            and worker.registered == worker.incarnation
            and worker.frozen_at < 0
            and not worker.cut_out
            and not worker.is_driven
        )

    def _reaches(self, worker: Worker) -> bool:
        return self.broker.is_up and self._sends(worker)

    def _is_regular(self, worker: Worker) -> bool:
        return worker.is_steady and self._reaches(worker)

    def _gets_out(self, worker: Worker, k: int) -> bool:
        return self._sends(worker) and self._schedule.gets_through(worker, k)

    def _next_due(self, worker: Worker) -> int:
        return self._schedule.due(worker, self._schedule.next(worker, self._agenda))

    def _holds_back(self, worker: Worker, at: int, token: int, length: int) -> bool:
        """Say whether regular heartbeats will renew a lease before it ends at ``at``, again and again."""
        if not length or worker.heartbeat >= length or not self._is_regular(worker):
            return False
        names_it = any(one.token == token and not one.handing_in for one in worker.attempts)
        return names_it and self._next_due(worker) < at

    # -- heartbeats that are not regular ------------------------------------------------------------------------------

    def _send_next(self, worker: Worker, after: int = 0) -> None:
        """Let the next heartbeat be sent, if it is not regular and may change anything; ``after`` has had its turn."""
        if worker.is_steady or not self._sends(worker) or not self._may_matter(worker):
            return
        k = after + 1 if after else self._schedule.next(worker, self._agenda)
        due = self._schedule.due(worker, k)
        what = (worker.incarnation, k, due)
        if self._next.get(worker.index) != what:
            self._next[worker.index] = what
            self._agenda.at(due, self._send, (worker, *what), MESSAGES, worker.index, k)

    @staticmethod
    def _may_matter(worker: Worker) -> bool:
        """Say whether a heartbeat could renew anything, be missed, or overtake another that may."""
        return bool(worker.attempts) or worker.model.silence is not None or worker.is_slow

    def _send(self, what: tuple[Worker, int, int, int]) -> None:
        worker, incarnation, k, due = what
        if self._next.get(worker.index) != (incarnation, k, due):
            return  # its clock has changed since, or its program has started anew: another entry stands for it
        self._next[worker.index] = _NONE
        if worker.incarnation != incarnation or worker.is_steady:
            return
        if self._gets_out(worker, k):
            self.transport.beat(worker, k)
        self._send_next(worker, k)

    # -- what comes ---------------------------------------------------------------------------------------------------

    def _lease_due(self, what: tuple[int, int]) -> None:
        """A lease may be over: settle what renewed it, then let the broker decide, in a method of the same name."""
        job, token = what
        known = self.broker.job(job)
        if known is None or self.broker.lease_of(token) is None:
            return
        for attempt in known.running:
            if attempt.token == token:
                self.settle(attempt.worker)
        self.wake_broker("lease", job, token)

    def _silence_due(self, who: tuple[str, int]) -> None:
        worker = self._workers[who[0]]
        if worker.incarnation == who[1]:
            self.settle(worker)
        self.silence_due(*who)
        if worker.incarnation == who[1]:
            self._hear(worker)

    def _hear(self, worker: Worker) -> None:
        """Let a worker that was declared lost be known again by its next heartbeat."""
        if self._is_regular(worker) and self.broker.is_lost(worker.name, worker.incarnation):
            k = self._schedule.next(worker, self._agenda)
            what = (worker, worker.incarnation)
            self._agenda.at(self._schedule.due(worker, k), self._heard, what, MESSAGES, worker.index, k)

    def _heard(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation:
            self.settle(worker)

    def _beat(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, k = what
        if worker.incarnation != incarnation or not worker.contact_wanted or not self._is_regular(worker):
            return
        if self._schedule.due(worker, k) != self._agenda.now:
            return  # its clock has changed since: another entry stands for it
        self.transport.beat(worker, k)
        if worker.contact_wanted:
            self.want_contact(worker)

    def _own_end(self, attempt: Attempt) -> None:
        worker = attempt.worker
        if attempt not in worker.attempts:
            return
        self.settle(worker)
        if attempt.known_end > self._agenda.now:
            self.watch_own_end(attempt)
        elif worker.is_active:
            self.stop_itself(attempt)
