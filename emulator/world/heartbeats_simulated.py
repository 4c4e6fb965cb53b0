"""What do heartbeats do, each of them simulated? The slow mode that the fast one is held against."""

from typing import TYPE_CHECKING, Final

from emulator.broker.jobs import Attempt
from emulator.timeline.agenda import ENDS, MESSAGES
from emulator.world.beats import Beats
from emulator.world.worker import ON, OWN_END, Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["SimulatedHeartbeats"]


class SimulatedHeartbeats:
    """Sends every heartbeat of every worker, and passes every alarm on.

    Attributes:
        are_recorded: whether heartbeats that bring nothing back are recorded too.
    """

    are_recorded: Final = True

    def __init__(self, world: "World", beats: Beats) -> None:
        self._world = world
        self._beats = beats
        self._next: dict[int, tuple[int, int, int]] = {}  # by worker: incarnation, number and time of the next one

    def lease(self, attempt: Attempt) -> None:
        """Pass the alarm of a lease on."""
        job, token = attempt.job.number, attempt.token
        self._world.agenda.at(attempt.until, self._lease_due, (job, token), ENDS, job, token)

    def silence(self, at: int, worker: str, incarnation: int) -> None:
        """Pass the alarm of a silence on."""
        place = self._world.workers[worker].place_of(incarnation)
        self._world.agenda.at(at, self._silence_due, (worker, incarnation), ENDS, 0, place)

    def started(self, worker: Worker) -> None:
        """A program has started: send its first heartbeat in time."""
        self._send_later(worker, worker.first_beat)

    def settle(self, worker: Worker) -> None:
        """Nothing to settle: every heartbeat has happened."""

    def changed(self, worker: Worker) -> None:
        """Every heartbeat will happen; where a clock has changed, the next one at another time."""
        if worker.state is ON and worker.incarnation:
            self._send_later(worker, self._beats.next(worker, self._world.agenda))
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
        k = self._beats.overdue(worker, self._world.agenda.now, frozen_at)
        if k and self._may_send(worker, k):
            self._world.contact.beat(worker, k)

    def watch_own_end(self, attempt: Attempt) -> None:
        """A worker that stops itself looks at its own clock when the lease that it knows of ends."""
        worker = attempt.worker
        if worker.model.stops_at_lease_end:
            agenda = self._world.agenda
            agenda.at(attempt.known_end, self._own_end, attempt, ENDS, attempt.job.number, OWN_END + attempt.token)

    def _send_later(self, worker: Worker, k: int) -> None:
        due = self._beats.due(worker, k)
        if self._next.get(worker.index) == (worker.incarnation, k, due):
            return
        self._next[worker.index] = (worker.incarnation, k, due)
        self._world.agenda.at(due, self._send, (worker, worker.incarnation, k), MESSAGES, worker.index, k)

    def _may_send(self, worker: Worker, k: int) -> bool:
        return (
            worker.is_active
            and worker.registered == worker.incarnation
            and not worker.is_driven
            and not worker.cut_out
            and self._beats.gets_through(worker, k)
        )

    def _send(self, what: tuple[Worker, int, int]) -> None:
        worker, incarnation, k = what
        if self._next.get(worker.index) != (incarnation, k, self._world.agenda.now) or worker.state is not ON:
            return
        if self._may_send(worker, k):
            self._world.contact.beat(worker, k)
        self._send_later(worker, k + 1)

    def _lease_due(self, what: tuple[int, int]) -> None:
        self._world.dispatcher.wake_broker("lease", *what)

    def _silence_due(self, who: tuple[str, int]) -> None:
        self._world.dispatcher.silence_due(*who)

    def _own_end(self, attempt: Attempt) -> None:
        worker = attempt.worker
        if attempt not in worker.attempts:
            return
        if attempt.known_end > self._world.agenda.now:
            self.watch_own_end(attempt)
        elif worker.is_active:
            self._world.stop_itself(attempt)
