"""What can people ask of the broker: hold, release, suspend, resume, withdraw?

The table decides. What it refuses changes nothing and is answered with the code of the reason; what it grants is
answered with "". Suspending is a request: the state follows when the worker says, at its next contact, that it stands
still. While it does, its lease goes on, and only the clock of its time limit stands.
"""

from typing import Final

from emulator.broker.jobs import BY_PERSON, REASONS, rare
from emulator.broker.leases import Leases
from emulator.broker.states import Request, State
from emulator.record.reasons import WITHDRAWN_BY_PERSON, Because

__all__ = ["Holds"]

_PERSON: Final = Because("person_withdrew")
_WITHDRAWN: Final = Because(WITHDRAWN_BY_PERSON)


class Holds(Leases):
    """The layer that people talk to."""

    __slots__ = ()

    def hold(self, now: int, cause: int, job: int) -> str:
        """Hold a job; one that a worker has is held once it comes back."""
        found, state = self._ask_table(job, Request.HOLD)
        if found is None or isinstance(state, str):
            return str(state)
        if found.waiting:
            found.queue.remove(found, self._keys)
        found.held |= BY_PERSON
        found.state = state
        found.since = self._emit((now, "held", cause, job, "", state.value, REASONS[BY_PERSON]))
        return ""

    def release(self, now: int, cause: int, job: int) -> str:
        """Take back a person's hold; other reasons to hold the job stay."""
        found, state = self._ask_table(job, Request.RELEASE)
        if found is None or isinstance(state, str):
            return str(state)
        found.held &= ~BY_PERSON
        found.state = state
        found.since = self._emit((now, "hold_ended", cause, job, "", state.value, REASONS[BY_PERSON]))
        if not found.held and not found.token:
            self._wait(found)
        return ""

    def suspend(self, now: int, cause: int, job: int) -> str:
        """Ask that the job's worker stand still; it is told at its next heartbeat."""
        return self._want(now, cause, job, Request.SUSPEND, True, "suspend_requested")

    def resume(self, now: int, cause: int, job: int) -> str:
        """Ask that the job's worker go on; it is told at its next heartbeat."""
        return self._want(now, cause, job, Request.RESUME, False, "resume_requested")

    def _want(self, now: int, cause: int, job: int, request: Request, wanted: bool, kind: str) -> str:
        found, state = self._ask_table(job, request)
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
        found, state = self._ask_table(job, Request.WITHDRAW)
        if found is None or isinstance(state, str):
            return str(state)
        self._terminate(now, cause, found, state, "withdrawn", _PERSON, ("lease_lost", _WITHDRAWN, now))
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
