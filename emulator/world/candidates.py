"""Keeps who may be handed work: workers that are alike in what they may have, and jobs that are to be had twice."""

from collections.abc import Callable

from emulator.broker.jobs import Attempt, View
from emulator.broker.rules import Offer
from emulator.timeline.agenda import Agenda
from emulator.world.worker import Request, Worker

__all__ = ["Alike", "Doubles", "Signature"]

Signature = tuple[tuple[str, ...], Offer, int, tuple[str, float] | None]
"""(queues, offer, poll, (pool, speed) if it declines what it cannot end in time): such workers are alike."""

Candidate = tuple[int, int, int, Worker, Request | None]
"""(idle since, worker's place, order among equals, worker, its request if that has come over a link)."""


class Alike:
    """Those of one signature who wait for work, or have sent for it.

    Attributes:
        candidates: a heap of who may ask at this instant; some may wait no longer, or have been busy since.
        places: of those who poll, in order: (place within the period, worker's place, worker).
        next_at: the next poll that is foreseen, -1 for none.
        speed: their speed, if they decline what they cannot end in time.
        view: what they see of the broker's queues.
    """

    __slots__ = ("candidates", "next_at", "offer", "places", "poll", "queues", "speed", "view", "worker")

    def __init__(self, signature: Signature, worker: Worker, view: View) -> None:
        self.queues, self.offer, self.poll, declines = signature
        self.view = view
        self.worker = worker  # one of them, for what they have in common
        self.speed = None if declines is None else worker.real_speed
        self.candidates: list[Candidate] = []
        self.places: list[tuple[int, int, Worker]] = []
        self.next_at = -1


class Doubles:
    """The jobs that are to be handed out twice.

    Args:
        agenda: what is due.
        forget: lets the broker forget that it has handed an attempt out.

    Attributes:
        wanted: how the next job of a queue is to be handed out twice, with the event of the fault, by queue.
        offered: the attempts that another worker is to be given too, with the name of the first, by queue.
    """

    __slots__ = ("_agenda", "_forget", "offered", "wanted")

    def __init__(self, agenda: Agenda, forget: Callable[[int, Attempt], None]) -> None:
        self._agenda, self._forget = agenda, forget
        self.wanted: dict[str, tuple[str, int]] = {}
        self.offered: dict[str, tuple[Attempt, str]] = {}

    def note(self, worker: Worker, attempt: Attempt) -> None:
        """A job was handed out: hand it out twice, if that is wanted."""
        queue = attempt.job.queue.name
        how, cause = self.wanted.pop(queue, ("", 0))
        if how == "same_token":
            self.offered[queue] = (attempt.twin(), worker.name)
        elif how == "forgets":
            self._agenda.at(self._agenda.now, self._forgotten, (cause, attempt))

    def queue_for(self, worker: Worker, free: int) -> str:
        """Name a queue in which somebody else's job is to be handed out again, to a worker with so many free slots.

        "" if there is none.
        """
        for queue in worker.queues:
            if queue in self.offered:
                twin, first = self.offered[queue]
                if first != worker.name and twin.job.routine.slots <= free:
                    return queue
        return ""

    def _forgotten(self, what: tuple[int, Attempt]) -> None:
        self._forget(*what)
