"""What do heartbeats do, without simulating them?

A lease that is renewed on a regular heartbeat needs no event until something breaks it. This mode therefore holds
every alarm of a lease back as long as the heartbeats of its worker come through, and works out by arithmetic which of
them was the last when something changes. A heartbeat really happens only when it has something to bring back: a token
that is no longer good, or what people asked of a job.
"""

from typing import TYPE_CHECKING, Final

from emulator.timeline.agenda import ENDS, MESSAGES
from emulator.world.beats import Beats
from emulator.world.worker import ON, OWN_END, Execution, Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["ComputedHeartbeats"]

_AT_ONCE: Final = 256
"""Irregular heartbeats that are looked at in one go."""

_ON_THE_WAY: Final = 16
"""Heartbeats that may be on their way at once; a link slower than that many periods is no link."""


class ComputedHeartbeats:
    """Holds alarms back while heartbeats come through, and settles what they did when something changes."""

    def __init__(self, world: "World", beats: Beats) -> None:
        self._world = world
        self._beats = beats
        self._settled: dict[int, int] = {}  # by worker: the last heartbeat that a change has left behind
        self._made_real: dict[int, int] = {}  # by worker, the last heartbeat that arrives as a message of its own

    # -- what the broker asks for -------------------------------------------------------------------------------------

    def lease(self, at: int, job: int, token: int, worker: str, length: int) -> None:
        """A lease was granted or is valid up to ``at``: wake the broker when it lapses, if nothing changes."""
        world = self._world
        known = world.workers[worker]
        if known.is_steady and known.heartbeat < at - world.agenda.now == length and self._reaches(known):
            for execution in known.executions:
                if execution.token == token:
                    break
            else:  # just granted, and the next heartbeat comes before its end: each will renew it
                return
        self._forecast(known, at, job, token, length)

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """The broker wants to know at ``at`` whether a worker was heard since."""
        known = self._world.workers[worker]
        regular = self._is_regular(known) and known.heartbeat < (known.model.silence or 0)
        if regular and known.incarnation == incarnation and self._reaches(known) and self._next_due(known) < at:
            return
        self._world.agenda.at(at, self._silence_due, (worker, incarnation), ENDS, 0, known.index)

    # -- what the world tells -----------------------------------------------------------------------------------------

    def started(self, worker: Worker) -> None:
        """A program has started: its heartbeats count from now."""
        self._settled[worker.index] = self._made_real[worker.index] = 0

    def settle(self, worker: Worker, breaking: bool = True) -> None:
        """Work out what the heartbeats up to now have done; ``breaking`` if something about the worker changes now.

        Heartbeats that are still on their way then arrive as real ones: they were sent as things were before.
        """
        agenda = self._world.agenda
        inclusive = agenda.rank >= MESSAGES
        k = self._beats.first_from(worker, agenda.now + inclusive) - 1
        if self._reaches(worker) and worker.heartbeat_loss < 1:
            self._settle_from(worker, k, agenda.now + inclusive, breaking)
        elif breaking and self._sends(worker):  # sent while the broker was down, they may find it up again
            for what in self._on_their_way(worker, k + 1):
                self._arrive(worker, *what)
        if breaking and k > self._settled.get(worker.index, 0):
            self._settled[worker.index] = k

    def changed(self, worker: Worker) -> None:
        """Something about the worker or its link has changed: foresee anew what its leases will do."""
        world = self._world
        for execution in list(worker.executions):
            lease = world.broker.lease_of(execution.token)
            if lease is not None:
                job = execution.plan.number
                self._forecast(worker, lease[3], job, execution.token, self._world.lease_length(job))
            self.watch_own_end(execution)
        if worker.model.silence is not None and worker.registered == worker.incarnation > 0:
            world.agenda.at(
                world.agenda.now, self._silence_due, (worker.name, worker.incarnation), ENDS, 0, worker.index
            )
            self._hear_again(worker)
        if worker.contact_wanted:
            self.want_contact(worker)

    def dropped(self, worker: Worker, execution: Execution) -> None:
        """The worker no longer names a token in its heartbeats."""
        lease = self._world.broker.lease_of(execution.token)
        if lease is not None:
            job = execution.plan.number
            self._world.agenda.at(lease[3], self._lease_due, (job, execution.token), ENDS, job, execution.token)

    def want_contact(self, worker: Worker) -> None:
        """There is something that the worker's next heartbeat has to bring back."""
        worker.contact_wanted = True
        if not self._reaches(worker):
            return
        agenda = self._world.agenda
        k = self._beats.first_from(worker, agenda.now + (agenda.rank >= MESSAGES))
        for number, sent, arrives in self._on_their_way(worker, k):
            self._arrive(worker, number, sent, arrives)
        for number in range(k, k + _AT_ONCE):
            if self._beats.gets_through(worker, number):
                agenda.at(
                    self._beats.due(worker, number),
                    self._beat,
                    (worker, worker.incarnation, number),
                    MESSAGES,
                    worker.index,
                    number,
                )
                return
        agenda.at(self._beats.due(worker, k + _AT_ONCE), self._look_again, (worker, worker.incarnation))

    def thawed(self, worker: Worker, frozen_at: int) -> None:
        """A frozen worker goes on: its overdue heartbeat is one heartbeat, sent now."""
        now = self._world.agenda.now
        k = self._beats.first_from(worker, now) - 1
        overdue = k >= 1 and self._beats.due(worker, k) >= frozen_at
        if overdue and self._reaches(worker) and self._beats.gets_through(worker, k):
            self._world.contact.beat(worker, k)

    def watch_own_end(self, execution: Execution) -> None:
        """A worker that stops itself looks at its own clock when the lease that it knows of ends."""
        worker = execution.worker
        if not worker.model.stops_at_lease_end:
            return
        healthy = self._reaches(worker) and not worker.cut_back and self._is_regular(worker)
        if not healthy or not self._world.is_renewed(execution) or worker.heartbeat >= execution.queue_lease:
            agenda = self._world.agenda
            agenda.at(
                execution.known_end, self._own_end, execution, ENDS, execution.plan.number, OWN_END + execution.token
            )

    # -- arithmetic ---------------------------------------------------------------------------------------------------

    def _sends(self, worker: Worker) -> bool:
        return (
            worker.state is ON
            and worker.registered == worker.incarnation
            and worker.frozen_at < 0
            and not worker.cut_out
        )

    def _reaches(self, worker: Worker) -> bool:
        return (
            self._world.broker.is_up
            and worker.state is ON
            and worker.registered == worker.incarnation
            and worker.frozen_at < 0
            and not worker.cut_out
        )

    def _on_their_way(self, worker: Worker, k: int) -> list[tuple[int, int, int]]:
        """Give (number, sent, arrives) of the heartbeats before ``k`` that have not arrived yet."""
        if worker.delay_out is None:
            return []
        beats, now = self._beats, self._world.agenda.now
        found = []
        last = max(self._settled.get(worker.index, 0), self._made_real.get(worker.index, 0))
        for number in range(max(last + 1, k - _ON_THE_WAY), k):
            sent = beats.due(worker, number)
            arrives = sent + beats.delay_out(worker, number)
            if arrives >= now and beats.gets_through(worker, number):
                found.append((number, sent, arrives))
        return found

    @staticmethod
    def _knows(worker: Worker, token: int) -> bool:
        return any(execution.token == token for execution in worker.executions)

    @staticmethod
    def _is_handed_in(worker: Worker, token: int) -> bool:
        return any(execution.token == token and execution.handing_in for execution in worker.executions)

    def _is_regular(self, worker: Worker) -> bool:
        return not (worker.jitter or worker.heartbeat_loss or worker.is_lossy or worker.is_slow)

    def _next_due(self, worker: Worker) -> int:
        agenda = self._world.agenda
        return self._beats.due(worker, self._beats.first_from(worker, agenda.now + (agenda.rank >= MESSAGES)))

    def _settle_from(self, worker: Worker, k: int, before: int, breaking: bool) -> None:
        """Walk back from heartbeat ``k`` to the last that arrived, and to the last answered, ``before`` a tick."""
        beats, world = self._beats, self._world
        last = self._settled.get(worker.index, 0)
        heard = answered = False
        on_the_way: list[tuple[int, int, int]] = []
        while k > last and not (heard and answered):
            sent = beats.due(worker, k)
            if beats.gets_through(worker, k):
                arrived = sent + beats.delay_out(worker, k)
                if arrived >= before:
                    if breaking:
                        on_the_way.append((k, sent, arrived))
                elif not heard:
                    heard = True
                    world.broker.settle_heard(worker.name, worker.incarnation, arrived)
                    for execution in self._named(worker, sent):
                        world.broker.settle_lease(execution.token, arrived + execution.queue_lease)
                if arrived < before and not worker.cut_back and beats.answer_gets_through(worker, k):
                    replied = arrived + beats.delay_back(worker, k)
                    if replied < before:
                        answered = True
                        for execution in self._named(worker, sent):
                            world.contact.tell_end(execution, sent, replied, arrived + execution.queue_lease)
                    elif breaking:
                        tokens = tuple(execution.token for execution in self._named(worker, sent))
                        world.contact.answer_later(worker, sent, arrived, tokens, replied)
            k -= 1
        for what in reversed(on_the_way):
            self._arrive(worker, *what)

    def _arrive(self, worker: Worker, k: int, sent: int, arrives: int) -> None:
        """Make a heartbeat that is on its way a real one, once."""
        if k > self._made_real.get(worker.index, 0):
            self._made_real[worker.index] = k
            self._world.contact.arrive_later(worker, k, sent, arrives)

    def _named(self, worker: Worker, sent: int) -> list[Execution]:
        """Give what a heartbeat sent at a tick names, of what heartbeats renew."""
        return [
            execution
            for execution in worker.executions
            if execution.told_at <= sent and not execution.handing_in and self._world.is_renewed(execution)
        ]

    def _forecast(self, worker: Worker, until: int, job: int, token: int, length: int) -> None:
        """Schedule the alarm of a lease for the tick at which it lapses, if it does."""
        world, beats = self._world, self._beats
        agenda = world.agenda
        if (
            not length
            or not self._reaches(worker)
            or self._is_handed_in(worker, token)
            or (not self._is_regular(worker) and not self._knows(worker, token))
        ):
            agenda.at(until, self._lease_due, (job, token), ENDS, job, token)
            return
        k = beats.first_from(worker, agenda.now + (agenda.rank >= MESSAGES))
        if self._is_regular(worker):
            due = worker.beat_origin + k * worker.heartbeat
            if due >= until:
                agenda.at(until, self._lease_due, (job, token), ENDS, job, token)
            elif worker.heartbeat >= length:
                agenda.at(due + length, self._lease_due, (job, token), ENDS, job, token)
            return
        end = until
        for number in range(k, k + _AT_ONCE):
            sent = beats.due(worker, number)
            if not beats.gets_through(worker, number):
                continue
            arrived = sent + beats.delay_out(worker, number)
            if arrived >= end:
                break
            end = arrived + length
        agenda.at(end, self._lease_due, (job, token), ENDS, job, token)

    # -- what comes ---------------------------------------------------------------------------------------------------

    def _lease_due(self, what: tuple[int, int]) -> None:
        job, token = what
        world = self._world
        lease = world.broker.lease_of(token)
        if lease is None:
            return
        for execution in world.executions_of(job):
            if execution.token == token:
                self.settle(execution.worker, breaking=False)
        world.wake_broker("lease", job, token)

    def _silence_due(self, who: tuple[str, int]) -> None:
        worker = self._world.workers[who[0]]
        if worker.incarnation == who[1]:
            self.settle(worker, breaking=False)
        self._world.silence_due(*who)
        if worker.incarnation == who[1]:
            self._hear_again(worker)

    def _hear_again(self, worker: Worker) -> None:
        """Settle at the next heartbeat that gets through: a worker that was declared lost is known again by it."""
        if not self._reaches(worker):
            return
        agenda = self._world.agenda
        k = self._beats.first_from(worker, agenda.now + (agenda.rank >= MESSAGES))
        for number, _, arrives in self._on_their_way(worker, k):
            agenda.at(arrives, self._heard, (worker, worker.incarnation), MESSAGES, worker.index, number)
        for number in range(k, k + _AT_ONCE):
            if self._beats.gets_through(worker, number):
                at = self._beats.due(worker, number) + self._beats.delay_out(worker, number)
                agenda.at(at, self._heard, (worker, worker.incarnation), MESSAGES, worker.index, number)
                return

    def _heard(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation:
            self.settle(worker, breaking=False)

    def _beat(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, k = what
        if worker.incarnation != incarnation or not worker.contact_wanted or not self._reaches(worker):
            return
        if self._beats.due(worker, k) != self._world.agenda.now:
            return  # its clock has changed since: another entry stands for it
        if self._beats.gets_through(worker, k):
            self._world.contact.beat(worker, k)
            self._made_real[worker.index] = k
        if worker.contact_wanted:
            self.want_contact(worker)

    def _look_again(self, what: tuple[Worker, int]) -> None:
        worker, incarnation = what
        if worker.incarnation == incarnation and worker.contact_wanted:
            self.want_contact(worker)

    def _own_end(self, execution: Execution) -> None:
        worker = execution.worker
        if execution not in worker.executions:
            return
        self.settle(worker, breaking=False)
        if execution.known_end > self._world.agenda.now:
            self.watch_own_end(execution)
        elif worker.is_active:
            self._world.stop_itself(execution)
