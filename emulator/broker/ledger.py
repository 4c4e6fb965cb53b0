"""What does the broker hold to be true? Its jobs, leases, workers and queues, to be looked up and counted.

The broker is built in layers, each of which calls only those below it: the ledger; endings (how an attempt and a job
end); contact (which workers there are); leases (how workers take, renew and hand in); holds (what people ask); and on
top the broker itself (submission, alarms, outage). Nothing here moves a job.
"""

from array import array
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal

from emulator.broker.allowance import RetryAllowance
from emulator.broker.explain import explain
from emulator.broker.jobs import REASONS, Finished, Job
from emulator.broker.order import Entry, Keys, Queue
from emulator.broker.prerequisites import Key, Prerequisites, Unmet
from emulator.broker.requests import Alarms
from emulator.broker.rules import QueueRules
from emulator.broker.states import Facts, Request, State, successors
from emulator.broker.workers import Holder
from emulator.errors import DefectError
from emulator.record.events import Sink
from emulator.record.reasons import Reason, Why

__all__ = ["Ledger"]


class Ledger:
    """The broker's memory; see ``emulator.broker.broker.Broker`` for the arguments.

    Attributes:
        fresh: the name of a queue for each time that something in it became eligible. Whoever hands work to idle
            workers at once looks here, and clears it.
        is_up: false during an outage.
        is_valid: says whether a token's lease is in the table.
    """

    __slots__ = (
        "_alarms",
        "_allowances",
        "_down_since",
        "_emit",
        "_ended",
        "_families",
        "_finished",
        "_first_job",
        "_former",
        "_idempotency",
        "_incarnations",
        "_jobs",
        "_key_ends",
        "_keys",
        "_last_job",
        "_last_place",
        "_last_serial",
        "_last_token",
        "_lease",
        "_leases_during_outage",
        "_missed",
        "_new_token_job",
        "_new_token_mark",
        "_prerequisites",
        "_queues",
        "_remembered",
        "_renewed",
        "_ring",
        "_taken",
        "_token_base",
        "_token_jobs",
        "_token_marks",
        "_tokens",
        "_uniform",
        "_well",
        "_workers",
        "fresh",
        "is_up",
        "is_valid",
    )

    def __init__(
        self,
        queues: Sequence[QueueRules],
        sink: Sink,
        alarms: Alarms,
        uniform: Callable[[int, int], float],
        *,
        leases_during_outage: Literal["expire", "extend"] = "expire",
        remembered: frozenset[str] = frozenset(),
        grouped: frozenset[str] = frozenset(),
        first_job: int = 1,
        first_token: int = 1,
    ) -> None:
        self._emit = sink.emit
        self._alarms = alarms
        self._ring = alarms.ring
        self._lease = alarms.lease
        self._uniform = uniform
        self._leases_during_outage = leases_during_outage
        self._queues = {rules.name: Queue(rules) for rules in queues}
        self._allowances = {
            rules.name: RetryAllowance(rules.allowance) for rules in queues if rules.allowance is not None
        }
        self._taken = successors(Request.TAKE, Facts())  # what is asked most is looked up in the table beforehand
        self._well = successors(Request.OUTCOME, Facts(well=True))
        self._renewed = successors(Request.RENEWAL, Facts())
        self._keys = Keys()
        self._jobs: dict[int, Job] = {}
        self._first_job = first_job
        self._last_job = first_job - 1
        self._last_place = 0
        self._finished = Finished(first_job)
        self._families: dict[int, int] = {}
        self._remembered = remembered
        self._prerequisites = Prerequisites(self.family, self.final_state, grouped)
        self._ended: list[tuple[Key, int]] = []
        self._idempotency: dict[str, int] = {}
        self._key_ends: dict[int, tuple[int, str]] = {}
        self._tokens: dict[int, Job] = {}
        self.is_valid: Callable[[int], bool] = self._tokens.__contains__
        self._last_token = first_token - 1
        self._token_base = first_token
        self._token_jobs = array("q")
        self._token_marks = array("i")
        self._new_token_job = self._token_jobs.append
        self._new_token_mark = self._token_marks.append
        self._workers: dict[str, Holder] = {}
        self._former: dict[tuple[str, int], Holder] = {}
        self._incarnations: dict[str, int] = {}
        self._last_serial = 0
        self._down_since = 0
        self._missed: list[tuple[int, str, int, int, str]] = []
        self.fresh: list[str] = []
        self.is_up = True

    # -- finding things ---------------------------------------------------------------------------------------------

    def _job(self, number: int) -> Job | None:
        """Give an unfinished job, or None for a finished one.

        Raises:
            DefectError: for a job that was never submitted.
        """
        job = self._jobs.get(number)
        if job is None and not self._first_job <= number <= self._last_job:
            raise DefectError(f"the broker was asked about job {number}, which was never submitted")
        return job

    def _queue(self, name: str) -> Queue:
        queue = self._queues.get(name)
        if queue is None:
            raise DefectError(f"the broker was asked about queue {name!r}, which it does not have")
        return queue

    def _job_of_token(self, token: int) -> int:
        """Give the job for which a token was granted, 0 if it never was."""
        index = token - self._token_base
        return self._token_jobs[index] if 0 <= index < len(self._token_jobs) else 0

    def _mark_of_token(self, token: int) -> int:
        """Give the serial number of the worker that handed in with the token, negative if it handed back; 0: none."""
        index = token - self._token_base
        return self._token_marks[index] if 0 <= index < len(self._token_marks) else 0

    # -- what others may ask ----------------------------------------------------------------------------------------

    def payload(self, job: int) -> Any:
        """Give the object kept with a job, None once it is final."""
        found = self._jobs.get(job) or self._job(job)
        return None if found is None else found.payload

    def set_payload(self, job: int, payload: Any) -> None:
        """Keep an object with an unfinished job; it is dropped when the job is final."""
        found = self._job(job)
        if found is not None:
            found.payload = payload

    def queued(self, queue: str) -> int:
        """Count the jobs of a queue that wait for a worker, held ones aside (a busy key is no hold)."""
        return self._queue(queue).waiting

    def has_waiting(self, queues: Sequence[str]) -> bool:
        """Say whether any job of some queues waits for a worker, held ones aside (a busy key is no hold)."""
        for name in queues:  # noqa: SIM110  # a generator takes twice as many steps
            if self._queues[name].waiting:
                return True
        return False

    def unfinished(self, queue: str) -> int:
        """Count the jobs of a queue that are not final."""
        return self._queue(queue).unfinished

    def running(self, queue: str) -> int:
        """Count the jobs of a queue that a worker has, suspended ones included."""
        return self._queue(queue).running

    def best(self, queues: Sequence[str], equipment: frozenset[str], time_left: int | None) -> Entry | None:
        """Give the entry of the job that such a worker would be given now, None if there is none.

        It is good for ``take`` until anything else is asked of the broker.
        """
        best: Entry | None = None
        for name in queues:
            queue = self._queues.get(name) or self._queue(name)
            if queue.waiting:
                entry = queue.best(equipment, time_left)
                if entry is not None and (best is None or entry < best):
                    best = entry
        return best

    def lease_of(self, token: int) -> tuple[int, str, int, int] | None:
        """Give (job, worker, incarnation, until) of a lease, None once it has ended."""
        job = self._tokens.get(token)
        if job is None or job.holder is None:
            return None
        return job.number, job.holder.name, job.holder.incarnation, job.until

    def token_of(self, job: int) -> int:
        """Give the token of the lease that is out on a job, 0 for none."""
        found = self._job(job)
        return 0 if found is None else found.token

    def state_of(self, job: int) -> State:
        """Give the state of a job, finished or not."""
        found = self._job(job)
        if found is not None:
            return found.state
        ended = self._finished.how(job)
        assert ended is not None  # a known job that is not among the unfinished
        return ended[0]

    def final_state(self, job: int) -> State | None:
        """Give the final state of a job, None while it is unfinished."""
        return None if self._job(job) is not None else self.state_of(job)

    def sub_state(self, job: int) -> str:
        """Give the sub-state of a failed job, "" for any other."""
        ended = None if self._job(job) is not None else self._finished.how(job)
        return "" if ended is None else ended[1]

    def last_attempt(self, job: int) -> int:
        """Give the number of the job's last attempt that counts, 0 for none."""
        found = self._job(job)
        return self._finished.attempts(job) if found is None else found.attempts

    def family(self, job: int) -> int:
        """Give the number of the job from which this one descends by being resubmitted: its own if it never was."""
        return self._families.get(job, job)

    def jobs_unfinished(self) -> Iterator[int]:
        """Give the numbers of the unfinished jobs, in the order of submission."""
        return iter(tuple(self._jobs))

    def explain(self, now: int, job: int, equipments: Sequence[frozenset[str]] | None = None) -> tuple[Reason, ...]:
        """Give every reason why a job is not running, or what became of it; at least one.

        Args:
            now: the present tick.
            job: its number.
            equipments: what each worker has that serves the job's queue, if that is to be looked at.
        """
        found = self._job(job)
        if found is None:
            return (Reason(Why.FINAL, (self.state_of(job).value, self.sub_state(job))),)
        _, unmet = self._prerequisites.unmet(job)
        return explain(found, self._keys, now, equipments, unmet)

    def waits_for(self, job: int) -> tuple[bool, tuple[Unmet, ...]]:
        """Say which jobs an unfinished job waits for still, and whether the first of them suffices."""
        return self._prerequisites.unmet(job)

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
                    "token": job.token,
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
