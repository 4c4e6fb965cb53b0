"""What is handed out twice by a fault: the token to a second worker, or the job as if it were forgotten?"""

from typing import TYPE_CHECKING

from emulator.broker.jobs import Attempt
from emulator.world.worker import Worker

if TYPE_CHECKING:
    from emulator.world.world import World

__all__ = ["Doubles"]


class Doubles:
    """The jobs that are to be handed out twice.

    Attributes:
        wanted: how the next job of a queue is to be handed out twice, with the event of the fault, by queue.
        offered: the attempts that another worker is to be given too, with the name of the first, by queue.
    """

    __slots__ = ("_world", "offered", "wanted")

    def __init__(self, world: "World") -> None:
        self._world = world
        self.wanted: dict[str, tuple[str, int]] = {}
        self.offered: dict[str, tuple[Attempt, str]] = {}

    def note(self, worker: Worker, attempt: Attempt) -> None:
        """A job was handed out: hand it out twice, if that is wanted."""
        queue = attempt.job.queue.name
        how, cause = self.wanted.pop(queue, ("", 0))
        if how == "same_token":
            self.offered[queue] = (attempt.twin(), worker.name)
        elif how == "forgets":
            self._world.agenda.at(self._world.agenda.now, self._forget, (cause, attempt))

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

    def _forget(self, what: tuple[int, Attempt]) -> None:
        cause, attempt = what
        self._world.broker.forget(self._world.agenda.now, cause, attempt.token)
        self._world.dispatcher.broker_acted(attempt)
