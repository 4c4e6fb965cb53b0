"""What can people ask of the broker: hold, release, suspend, resume, withdraw?

The table decides. What it refuses changes nothing and is answered with the reason in plain words; what it grants is
answered with "". Suspending is a request: the state follows when the worker says, at its next contact, that it stands
still. While it does, its lease goes on, and only the clock of its longest run stands.
"""

from emulator.broker.jobs import BY_PERSON, REASONS, Job, rare
from emulator.broker.leases import Leases
from emulator.broker.states import Facts, Request, State, target

__all__ = ["Holds"]


class Holds(Leases):
    """The layer that people talk to."""

    __slots__ = ()

    def _ask_table(self, number: int, request: Request) -> tuple[Job | None, State | str]:
        """Give the job (None if it is final) with the state that would follow, or the reason of the refusal."""
        job = self._job(number)
        if job is None:
            return None, target(self.state_of(number), request, Facts())
        extra, held = job.rare, job.held
        if request is Request.RELEASE:
            held &= ~BY_PERSON
        facts = Facts(
            held=bool(held),
            by_person=bool(job.held & BY_PERSON),
            wanted=extra is not None and extra.wanted,
            asked=extra is not None and extra.asked,
        )
        return job, target(job.state, request, facts)

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

    def suspension_acknowledged(self, now: int, cause: int, token: int) -> bool:
        """The worker says that it stands still; False if the token is stale or nobody asked for it."""
        return self._acknowledge(now, cause, token, Request.SUSPENSION)

    def resumption_acknowledged(self, now: int, cause: int, token: int) -> bool:
        """The worker says that it goes on; False if the token is stale or nobody asked for it."""
        return self._acknowledge(now, cause, token, Request.RESUMPTION)

    def _acknowledge(self, now: int, cause: int, token: int, request: Request) -> bool:
        job = self._tokens.get(token)
        if job is None or job.holder is None:
            self._stale(now, cause, token, "", request.value)
            return False
        _, state = self._ask_table(job.number, request)
        if isinstance(state, str):
            return False
        job.state = state
        extra = rare(job)
        extra.asked = extra.wanted is not (state is State.SUSPENDED)
        if state is State.SUSPENDED:
            extra.suspended_at = now
            self._emit((now, "suspended", cause, job.number, job.holder.name, token))
            return True
        extra.suspended_for += now - extra.suspended_at
        self._emit((now, "resumed", cause, job.number, job.holder.name, token))
        if job.queue.longest is not None:
            self._ring(self._longest_end(job), "longest run", job.number, token)
        return True

    def _longest_end(self, job: Job) -> int:
        """Give the tick at which the attempt reaches its cap if it is not suspended (again)."""
        return job.granted + (job.queue.longest or 0) + (0 if job.rare is None else job.rare.suspended_for)

    def withdraw(self, now: int, cause: int, job: int) -> str:
        """Terminate a job, with the attempt that runs if one does."""
        found, state = self._ask_table(job, Request.WITHDRAW)
        if found is None or isinstance(state, str):
            return str(state)
        self._terminate(now, cause, found, state, "withdrawn", "a person withdrew it", ("lease lost", "withdrawn", now))
        return ""

    def hold_queue(self, now: int, cause: int, queue: str) -> str:
        """Hold a queue: nothing is handed out from it; what runs goes on."""
        found = self._queue(queue)
        if found.held:
            return f"queue {queue} is held already"
        found.held = True
        self._emit((now, "queue_held", cause, 0, "", queue))
        return ""

    def release_queue(self, now: int, cause: int, queue: str) -> str:
        """Let a held queue hand out again."""
        found = self._queue(queue)
        if not found.held:
            return f"queue {queue} is not held"
        found.held = False
        self._emit((now, "queue_released", cause, 0, "", queue))
        if found.waiting:
            self.fresh.append(queue)
        return ""
