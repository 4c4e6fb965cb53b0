"""Simulates every heartbeat: the slow mode against which the computed one is checked."""

from collections.abc import Callable
from typing import Final

from emulator.broker.broker import Broker
from emulator.broker.jobs import Attempt
from emulator.timeline.agenda import ENDS, MESSAGES
from emulator.world.heartbeat_schedule import HeartbeatSchedule
from emulator.world.transport import Transport
from emulator.world.worker import ON, OWN_END, RunContext, Worker

__all__ = ["SimulatedHeartbeats"]


class SimulatedHeartbeats:
    """Sends every heartbeat of every worker, and passes every alarm on.

    Attributes:
        are_recorded: whether heartbeats that bring nothing back are recorded too.
        broker, transport: as soon as they are there.
        wake_broker, silence_due: wake the broker for a lease, or a silence, that may be over.
        stop_itself: lets a worker stop whose own clock says that its lease has ended.
    """

    are_recorded: Final = True

    broker: Broker
    transport: Transport
    wake_broker: Callable[[str, int, int], None]
    silence_due: Callable[[str, int], None]
    stop_itself: Callable[[Attempt], None]

    def __init__(self, context: RunContext, schedule: HeartbeatSchedule) -> None:
        self._agenda, self._workers = context.agenda, context.workers
        self._schedule = schedule
        self._next: dict[int, tuple[int, int, int]] = {}  # by worker: incarnation, number and time of the next one

    def lease(self, attempt: Attempt) -> None:
        """Pass the alarm of a lease on."""
        job, token = attempt.job.number, attempt.token
        self._agenda.at(attempt.until, self._lease_due, (job, token), ENDS, job, token)

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """Pass the alarm of a silence on."""
        place = self._workers[worker].place_of(incarnation)
        self._agenda.at(at, self._silence_due, (worker, incarnation), ENDS, 0, place)

    def started(self, worker: Worker) -> None:
        """A program has started: send its first heartbeat in time."""
        self._send_later(worker, worker.first_beat)

    def settle(self, worker: Worker) -> None:
        """Nothing to settle: every heartbeat has happened."""

    def changed(self, worker: Worker) -> None:
        """Every heartbeat will happen; where a clock has changed, the next one at another time."""
        if worker.state is ON and worker.incarnation:
            self._send_later(worker, self._schedule.next(worker, self._agenda))
        for attempt in worker.attempts:
            self.watch_own_end(attempt)

    def began(self, attempt: Attempt) -> None:
        """A worker has begun to work on what it was handed."""
        self.watch_own_end(attempt)

    def dropped(self, worker: Worker, attempt: Attempt) -> None:
        """Nothing to do: the alarm of its lease will come."""

    def want_contact(self, worker: Worker) -> None:
        """The next heartbeat brings it back."""
        worker.contact_wanted = True

    def thawed(self, worker: Worker, frozen_at: int) -> None:
        """A frozen worker goes on: its overdue heartbeat is one heartbeat, sent now."""
        k = self._schedule.overdue(worker, self._agenda.now, frozen_at)
        if k and self._may_send(worker, k):
            self.transport.beat(worker, k)

    def watch_own_end(self, attempt: Attempt) -> None:
        """A worker that stops itself looks at its own clock when the lease that it knows of ends."""
        worker = attempt.worker
        if worker.model.stops_at_lease_end:
            agenda = self._agenda
            agenda.at(attempt.known_end, self._own_end, attempt, ENDS, attempt.job.number, OWN_END + attempt.token)

    def _send_later(self, worker: Worker, k: int) -> None:
        due = self._schedule.due(worker, k)
        if self._next.get(worker.index) == (worker.incarnation, k, due):
            return
        self._next[worker.index] = (worker.incarnation, k, due)
        self._agenda.at(due, self._send, (worker, worker.incarnation, k), MESSAGES, worker.index, k)

    def _may_send(self, worker: Worker, k: int) -> bool:
        return (
            worker.is_active
            and worker.registered == worker.incarnation
            and not worker.is_driven
            and not worker.cut_out
            and self._schedule.gets_through(worker, k)
        )

    def _send(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, k = what
        if self._next.get(worker.index) != (incarnation, k, self._agenda.now) or worker.state is not ON:
            return
        if self._may_send(worker, k):
            self.transport.beat(worker, k)
        self._send_later(worker, k + 1)

    def _lease_due(self, what: tuple[int, int]) -> None:
        self.wake_broker("lease", *what)

    def _silence_due(self, who: tuple[str, int]) -> None:
        self.silence_due(*who)

    def _own_end(self, attempt: Attempt) -> None:
        worker = attempt.worker
        if attempt not in worker.attempts:
            return
        if attempt.known_end > self._agenda.now:
            self.watch_own_end(attempt)
        elif worker.is_active:
            self.stop_itself(attempt)
