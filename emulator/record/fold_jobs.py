"""Folds the events of jobs, and refuses those that the state table does not allow.

One method for each kind of event; ``emulator.record.fold`` calls them in the order of the events.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.broker.states import Facts, Request, State, in_plain_words, target
from emulator.errors import LogError
from emulator.record.reasons import FORGOTTEN, WORKER_SILENT

__all__ = ["JobFolding"]

_PERSON: Final = "by_person"
_OUTCOMES: Final = ("ok", "error", "permanent_error", "time_limit", "lease_lost")
_STALE: Final = ("renewal", "outcome", "suspension", "resumption", "hand_back", "effect")

_ENDS_WITHOUT_ATTEMPT: Final[Mapping[str, Request]] = MappingProxyType(
    {
        "withdrawn": Request.WITHDRAW,
        "expired": Request.START_LIMIT,
        "out_of_time": Request.TOTAL_LIMIT,
        "prerequisite_failed": Request.PREREQUISITE_FAILURE,
    }
)
_ENDS_AFTER_ATTEMPT: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "": ("ok",),
        "attempts_used_up": ("error", "permanent_error", "time_limit", "lease_lost"),
        "permanent_error": ("permanent_error",),
        "withdrawn": ("lease_lost",),
        "out_of_time": ("error", "permanent_error", "time_limit", "lease_lost"),
        "allowance_used_up": ("error", "permanent_error", "time_limit", "lease_lost"),
        "time_limit": ("time_limit",),
    }
)
"""Which outcomes of its last attempt a job's end may follow."""


class _Job:
    """A job as far as the events have told it."""

    __slots__ = ("asked", "attempts", "end", "forgotten", "held", "lost", "queue", "state", "token", "wanted")

    def __init__(self, state: State, queue: str, held: set[str]) -> None:
        self.state = state
        self.queue = queue
        self.held = held
        self.attempts = 0
        self.lost = 0
        self.token = 0
        self.forgotten = 0  # the event of it, until the attempt has ended
        self.wanted = self.asked = False
        self.end: tuple[int, str, str] | None = None  # event, outcome and for what the lease was lost, sequel to come

    def facts(self, **more: bool) -> Facts:
        known = {"held": bool(self.held), "by_person": _PERSON in self.held, "wanted": self.wanted, "asked": self.asked}
        return Facts(**{**known, **more})

    def want(self, wanted: bool) -> None:
        self.wanted = wanted
        if wanted is not (self.state is State.SUSPENDED):
            self.asked = True

    def leave_worker(self) -> None:
        self.token = 0
        self.wanted = self.asked = False

    def plain(self) -> dict[str, Any]:
        return {
            "state": self.state.value,
            "attempts": self.attempts,
            "held": ",".join(sorted(self.held)),
            "token": self.token,
            "lost_leases": self.lost,
            "suspension_wanted": self.wanted,
        }


class JobFolding:
    """The jobs so far, with what they need to know of queues and workers."""

    def __init__(self) -> None:
        self.number = 0
        self.at = 0
        self.kinds: list[str] = [""]
        self.jobs: dict[int, _Job] = {}
        self.finished: dict[int, dict[str, Any]] = {}
        self.last_job = 0
        self.granted: dict[int, tuple[int, int]] = {}
        self.last_token = 0
        self.ending: dict[int, None] = {}  # jobs whose attempt has ended and whose sequel is yet to come
        self.queues_held: set[str] = set()
        self.workers: dict[str, int] = {}
        self.incarnations: dict[str, list[int]] = {}

    def wrong(self, why: str) -> LogError:
        return LogError(f"event {self.number} ({self.kinds[-1]}, at {self.at}): {why}")

    # -- what several kinds need --------------------------------------------------------------------------------------

    def job(self, number: int, sequel: bool = False) -> _Job:
        job = self.jobs.get(number)
        if job is None:
            raise self.wrong(f"job {number} is " + ("final" if number in self.finished else "not known"))
        if job.end is not None and not sequel:
            raise self.wrong(f"an attempt of job {number} ended, and what followed is not told yet")
        return job

    def move(self, job: _Job, request: Request, told: str, facts: Facts) -> None:
        """Move a job as the table says, and object if the event tells something else."""
        follows = target(job.state, request, facts)
        if not isinstance(follows, State):
            raise self.wrong(
                f"{request.value} is refused to a job that is {job.state.value}: {in_plain_words(follows)}"
            )
        if follows.value != told:
            raise self.wrong(f"{request.value} leads from {job.state.value} to {follows.value}, not to {told}")
        job.state = follows

    def must_be_current(self, job: _Job, details: Mapping[str, Any]) -> None:
        if not job.token or details["token"] != job.token:
            raise self.wrong(f"token {details['token']} is not the job's, which is {job.token or 'none'}")
        if details.get("attempt", job.attempts) != job.attempts:
            raise self.wrong(f"attempt {details['attempt']} is not the present one, {job.attempts}")

    def must_be_granted(self, number: int, token: int, attempt: int | None) -> None:
        known = self.granted.get(token)
        if known is None or known[0] != number or attempt not in (None, known[1]):
            raise self.wrong(f"token {token} was never granted for that attempt of job {number}")

    def must_be_registered(self, worker: str, incarnation: int) -> None:
        if incarnation not in self.incarnations.get(worker, ()):
            raise self.wrong(f"worker {worker!r}, incarnation {incarnation}, was never registered")

    def must_be_caused_by(self, kind: str, cause: int) -> None:
        if self.kinds[cause] != kind:
            raise self.wrong(f"its cause is event {cause}, {self.kinds[cause] or 'nothing'}, and not a {kind}")

    # -- jobs ---------------------------------------------------------------------------------------------------------

    def _submitted(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        if number < 1 or (self.last_job and number != self.last_job + 1):
            raise self.wrong(f"job {number} does not follow job {self.last_job}")
        if d["resubmitted_from"] and not 0 < d["resubmitted_from"] < number:
            raise self.wrong(f"job {number} cannot stand in the place of job {d['resubmitted_from']}")
        held = set(d["reasons"].split(",")) if d["reasons"] else set()
        if ",".join(sorted(held)) != d["reasons"] or not held <= {"not_due", "prerequisite"}:
            raise self.wrong(f"{d['reasons']!r} is no set of reasons to hold a job from the start")
        state = State.QUEUED_HELD if held else State.QUEUED
        if d["state"] != state.value:
            raise self.wrong(f"a job held for {d['reasons'] or 'nothing'} is {state.value}, not {d['state']}")
        self.last_job = number
        self.jobs[number] = _Job(state, d["queue"], held)

    def _submission_repeated(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        if number not in self.jobs and number not in self.finished:
            raise self.wrong(f"job {number} is not known")

    def _held(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        if d["reason"] != _PERSON:
            raise self.wrong(f"a job is held for {d['reason']!r} only when it is submitted or requeued")
        self.move(job, Request.HOLD, d["state"], job.facts())
        job.held.add(_PERSON)

    def _hold_ended(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job, reason = self.job(number), d["reason"]
        request = Request.RELEASE if reason == _PERSON else Request.END_OF_REASON
        if reason not in job.held:
            raise self.wrong(f"{reason!r} is no reason for which job {number} is held")
        self.move(job, request, d["state"], job.facts(held=len(job.held) > 1))
        job.held.remove(reason)

    def _handed_out(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job, token = self.job(number), d["token"]
        if self.workers.get(worker) != d["incarnation"]:
            raise self.wrong(f"worker {worker!r} is not there as incarnation {d['incarnation']}")
        if job.queue in self.queues_held:
            raise self.wrong(f"queue {job.queue} is held")
        if d["attempt"] != job.attempts + 1:
            raise self.wrong(f"attempt {d['attempt']} does not follow attempt {job.attempts}")
        if token <= self.last_token:
            raise self.wrong(f"token {token} is not above {self.last_token}")
        if d["lease_until"] <= self.at:
            raise self.wrong(f"the lease ends at {d['lease_until']}, before it begins")
        self.move(job, Request.TAKE, State.RUNNING.value, job.facts())
        self.last_token = job.token = token
        job.attempts += 1
        self.granted[token] = (number, job.attempts)

    def _lease_renewed(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.must_be_current(job, d)
        self.must_be_caused_by("heartbeat_received", cause)
        self.move(job, Request.RENEWAL, job.state.value, job.facts())
        if d["lease_until"] <= self.at:
            raise self.wrong(f"the lease ends at {d['lease_until']}, before it is renewed")

    def _handed_back(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.must_be_current(job, d)
        self.move(job, Request.HAND_BACK, d["state"], job.facts(counted=job.attempts > 1))
        job.attempts -= 1
        job.leave_worker()

    def _attempt_ended(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.must_be_current(job, d)
        if d["outcome"] not in _OUTCOMES:
            raise self.wrong(f"there is no outcome {d['outcome']!r}")
        if d["was_due"] > self.at:
            raise self.wrong(f"it was due at {d['was_due']}, which is yet to come")
        lost_for = d["why"] if d["outcome"] == "lease_lost" else ""
        if lost_for == FORGOTTEN:
            if not cause or cause != job.forgotten:
                raise self.wrong(f"its cause is event {cause}, by which the lease was not forgotten")
            job.forgotten = 0
        elif job.forgotten:
            raise self.wrong(f"the lease was forgotten by event {job.forgotten}, and the attempt ended {d['outcome']}")
        elif lost_for == WORKER_SILENT:
            self.must_be_caused_by("worker_declared_lost", cause)
        job.lost += d["outcome"] == "lease_lost"
        job.end = (self.number, d["outcome"], lost_for)
        self.ending[number] = None
        job.leave_worker()

    def _requeued(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number, sequel=True)
        outcome, lost_for = self.sequel(job, number, cause)
        if outcome == "ok" or lost_for == "withdrawn":
            raise self.wrong(f"a job is not tried again after {lost_for or outcome}")
        if d["due"] != -1 and d["due"] < self.at:
            raise self.wrong(f"the pause ended at {d['due']}, before it began")
        if d["retries_left"] < -1:
            raise self.wrong(f"an allowance cannot have {d['retries_left']} tokens left")
        if d["due"] != self.at:
            job.held.add("pausing")
        request = Request.FORGETTING if lost_for == FORGOTTEN else Request.LEASE_LOSS if lost_for else Request.OUTCOME
        self.move(job, request, d["state"], job.facts(again=True))

    def _finished(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job, sub_state = self.job(number, sequel=True), d["sub_state"]
        if d["attempts"] != job.attempts:
            raise self.wrong(f"job {number} had {job.attempts} attempts, not {d['attempts']}")
        if job.end is not None:
            outcome, lost_for = self.sequel(job, number, cause)
            if outcome not in _ENDS_AFTER_ATTEMPT.get(sub_state, ()) or lost_for == FORGOTTEN:
                raise self.wrong(f"{sub_state or 'done'} does not follow from an attempt that ended {outcome}")
            if (sub_state == "withdrawn") is not (lost_for == "withdrawn"):
                raise self.wrong(f"{sub_state!r} does not follow from {lost_for or outcome!r}")
            self.move(job, Request.OUTCOME, d["state"], job.facts(well=outcome == "ok"))
        else:
            request = _ENDS_WITHOUT_ATTEMPT.get(sub_state)
            if request is None:
                raise self.wrong(f"a job is {sub_state or 'done'} only after an attempt")
            if job.token:
                raise self.wrong(f"a worker still has job {number}")
            self.move(job, request, d["state"], job.facts(waits="prerequisite" in job.held))
        self.finished[number] = {"state": d["state"], "sub_state": sub_state, "attempts": job.attempts}
        del self.jobs[number]

    def sequel(self, job: _Job, number: int, cause: int) -> tuple[str, str]:
        """Give the outcome of the attempt from which this event must follow, and for what its lease was lost."""
        if job.end is None:
            raise self.wrong(f"no attempt of job {number} has ended")
        event, outcome, lost_for = job.end
        if cause != event:
            raise self.wrong(f"its cause is event {cause}, not {event}, by which the attempt ended")
        job.end = None
        del self.ending[number]
        return outcome, lost_for

    # -- suspension, stale tokens -------------------------------------------------------------------------------------

    def _suspend_requested(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.move(job, Request.SUSPEND, job.state.value, job.facts())
        job.want(True)

    def _resume_requested(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.move(job, Request.RESUME, job.state.value, job.facts())
        job.want(False)

    def _suspended(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.must_be_current(job, d)
        self.move(job, Request.SUSPENSION, State.SUSPENDED.value, job.facts())
        job.asked = not job.wanted

    def _resumed(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.must_be_current(job, d)
        self.move(job, Request.RESUMPTION, State.RUNNING.value, job.facts())
        job.asked = job.wanted

    def _lease_forgotten(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        job = self.job(number)
        self.must_be_current(job, d)
        self.ending[number] = None
        job.forgotten = self.number

    def _stale_refused(self, d: Mapping[str, Any], cause: int, number: int, worker: str) -> None:
        if d["what"] not in _STALE:
            raise self.wrong(f"nothing called {d['what']!r} can be stale")
        if number:
            self.must_be_granted(number, d["token"], None)
