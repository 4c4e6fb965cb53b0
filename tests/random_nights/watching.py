"""Looks at everything each time the clock is about to move: what must be over by then, and what must have begun."""

from typing import Any

from emulator.record.events import Event
from random_nights.facts import Said, meets, ticks
from random_nights.model import RULES, Broken, Heard, Job, Lease, Worker

__all__ = ["Watching"]


class Watching:
    """The state of a night as its events have told it so far, and what must be true whenever an instant is over."""

    def __init__(self, settings: dict[str, Any], mode: str) -> None:
        self.said = Said(settings)
        self.simulated = mode == "simulated"
        self.broken: list[Broken] = []
        self.events: list[Event] = []
        self.now = 0
        self.up = True
        self.down_since = self.up_since = 0
        self.downs: list[tuple[int, int]] = []
        self.jobs: dict[int, Job] = {}
        self.unfinished: dict[int, Job] = {}
        self.leases: dict[int, Lease] = {}
        self.current: dict[int, Lease] = {}
        self.last_token = self.last_job = self.last_place = 0
        self.workers = {name: Worker(name, pool) for name, pool in self.said.pool_of.items()}
        self.heard: dict[tuple[str, int], Heard] = {}
        self.queues_held: set[str] = set()
        self.idempotency: dict[str, int] = {}
        self.highest: dict[tuple[str, str, str], int] = {}
        self.granted_retries: dict[str, list[int]] = {}
        self.due_renewals: dict[int, tuple[int, str]] = {}
        self.first_hand_out_at = -1
        self.came: dict[str, int] = {}
        self.complete: set[str] = set()  # entries of which the last job of the night has come
        self.refused: set[str] = set()  # entries of which a job was refused
        self.looked = True
        self.doubling = 0
        self.told: set[str] = set()
        self.decided: set[tuple[str, int]] = set()  # outcomes that the broker has taken or refused

    def wrong(self, rule: str, how: str) -> None:
        assert rule in RULES
        event = self.events[-1].number if self.events else 0
        self.broken.append(Broken(rule, event, self.now, how))

    def cause(self, event: Event) -> Event | None:
        return self.events[event.cause - 1] if 0 < event.cause < event.number else None

    def tick(self, written: str) -> int:
        return ticks(written)

    # -- when the clock moves -----------------------------------------------------------------------------------------

    def move_on(self, to: int) -> None:
        """Everything of the present instant has happened: look at what must be true now, and until the next."""
        now = self.now
        for job in [one for one in self.unfinished.values() if one.ended is not None]:
            self.wrong("conservation", f"an attempt of job {job.number} ended and nothing followed")
            job.ended = None
        for event, (token, name) in self.due_renewals.items():
            self.wrong("renewal", f"heartbeat {event} of {name} did not renew token {token}")
        self.due_renewals.clear()
        if self.up:
            self.look_at_limits(to)
            self.look_at_leases(to)
            self.look_at_silence(to)
        if self.simulated:
            for worker in self.workers.values():
                self.look_at_heartbeats(worker, to)
        self.look_at_idle_workers(now, to)
        self.now = to

    def look_at_limits(self, to: int) -> None:
        for job in self.unfinished.values():
            limit = job.terms.total_limit
            if limit is not None and job.at + limit < to:
                self.wrong("total limit", f"job {job.number} is unfinished after {job.at + limit}")
            if job.start_by is not None and not job.attempts and job.lease is None and job.start_by < to:
                self.wrong("start within", f"job {job.number} was not started by {job.start_by} and has not expired")
            if job.not_before < to and "not_due" in job.held and job.not_before < to:
                self.wrong("not before", f"job {job.number} is still held at {to}, not due before {job.not_before}")

    def look_at_leases(self, to: int) -> None:
        for lease in list(self.current.values()):
            queue = lease.queue
            if queue.cap_after is not None and lease.stood is None:
                cap = lease.at + queue.cap_after + lease.stood_in_all
                if cap < to:
                    self.wrong("time limit", f"token {lease.token} is good after its cap at {cap}")
                    del self.current[lease.token]
                    continue
            if (self.simulated or not queue.renewed) and lease.end < to:
                self.wrong("lapse", f"token {lease.token} is good after its end at {lease.end}")
                del self.current[lease.token]
            elif lease.unrenewed_since >= 0 and max(lease.unrenewed_since + queue.lease, lease.end) < to:
                self.wrong(
                    "lapse", f"token {lease.token} is good at {to}: nobody could renew it since {lease.unrenewed_since}"
                )
                del self.current[lease.token]

    def look_at_silence(self, to: int) -> None:
        for (name, incarnation), heard in self.heard.items():
            pool = self.workers[name].pool
            if pool.silence is None or heard.is_lost or heard.signed_off or heard.dumb_since is None:
                continue
            if pool.out == 0 and max(heard.dumb_since, heard.at) + pool.silence < to:
                self.wrong("silence", f"{name} ({incarnation}) was not declared lost by {to}")
                heard.is_lost = True

    def look_at_heartbeats(self, worker: Worker, to: int) -> None:
        """A worker that is well and reached sends each heartbeat in its time."""
        pool = worker.pool
        if not (pool.beats_are_regular and pool.is_prompt and worker.is_on):
            return
        due = worker.beats_from + pool.heartbeat * max(1, -((worker.beats_from - self.now) // pool.heartbeat))
        while due < to:
            well = worker.sends and self.up and worker.disturbed_at < due and self.up_since < due
            if well and worker.last_beat != due:
                self.wrong("heartbeats", f"the heartbeat of {worker.name} at {due} did not come")
            due += pool.heartbeat

    def look_at_idle_workers(self, now: int, to: int) -> None:
        if self.looked:
            for worker in self.workers.values():
                self.look_at_hunger(worker, to)
            return
        self.looked = True
        eligible = [job for job in self.unfinished.values() if self.may_be_taken(job)] if self.up else []
        for worker in self.workers.values():
            can = eligible and worker.is_idle(now) and not worker.pool.declines and not self.doubling
            if not can or not any(self.fits(job, worker) for job in eligible):
                worker.starving_since = None
            elif worker.starving_since is None:
                worker.starving_since = now
            self.look_at_hunger(worker, to)
            if worker.is_reached and worker.is_on and now < worker.free_from < to:
                self.looked = False  # it will be free by then, without an event

    def look_at_hunger(self, worker: Worker, to: int) -> None:
        longest = worker.pool.longest_wait()
        if worker.starving_since is not None and longest is not None and worker.starving_since + longest < to:
            jobs = [job.number for job in self.unfinished.values() if self.may_be_taken(job) and self.fits(job, worker)]
            self.wrong("wake-up", f"{worker.name} is idle since {worker.starving_since}, and jobs {jobs} wait at {to}")
            worker.starving_since = to

    # -- who may have what --------------------------------------------------------------------------------------------

    def may_be_taken(self, job: Job) -> bool:
        """Say whether a job is eligible, whoever asks; where its requirements are open, it is not said to be."""
        queue = job.queue
        if not job.waits or job.requires is None or queue.name in self.queues_held:
            return False
        running = [lease for lease in self.current.values() if lease.queue.name == queue.name]
        if queue.running_at_most is not None and len(running) >= queue.running_at_most:
            return False
        return not job.key or self.busy(job.key) < queue.per_key_at_most

    def busy(self, key: str) -> int:
        return sum(1 for lease in self.current.values() if lease.job.key == key)

    def finds_something(self, worker: Worker) -> bool:
        return any(self.may_be_taken(job) and self.fits(job, worker) for job in self.unfinished.values())

    def fits(self, job: Job, worker: Worker) -> bool:
        return job.slots <= worker.free() and self.has_what_it_requires(job, worker)

    def has_what_it_requires(self, job: Job, worker: Worker) -> bool:
        if job.queue.name not in worker.pool.serves or job.requires is None:
            return False
        return not job.queue.matches or meets(job.requires, worker.equipment)

    # -- what may be on its way, and who can renew what ---------------------------------------------------------------

    def hear(self, worker: str, incarnation: int) -> None:
        heard = self.heard.get((worker, incarnation))
        if heard is not None:
            heard.at = self.now
            heard.is_lost = False

    def answered(self, worker: Worker, token: int) -> None:
        """The broker has taken or refused an outcome; its worker knows when the answer comes."""
        self.decided.add((worker.name, token))
        if token not in worker.unanswered:
            return
        pool = worker.pool
        if pool.back is None or pool.is_lossy or worker.cuts or not worker.is_on or worker.is_frozen:
            worker.unanswered[token] = True
            self.leave_open(worker)
            return
        del worker.unanswered[token]
        if pool.back:
            worker.free_from = max(worker.free_from, self.now + pool.back)
        if worker.has_a_slot() and worker.is_reached:
            worker.idle_since = self.now

    def leave_open(self, worker: Worker) -> None:
        """Something may still be on its way to or from a worker: it counts as free when that must be over."""
        pool = worker.pool
        if worker.is_reached:
            longest = pool.longest_wait()
            wait = 0 if longest is None else longest - pool.poll
            worker.free_from = max(worker.free_from, self.now + pool.answer_within + wait)
            for token in [one for one, is_taken in worker.unanswered.items() if is_taken]:
                del worker.unanswered[token]
        worker.idle_since = None

    def see_renewal(self, worker: Worker) -> None:
        """Note since when nobody can renew a lease that this worker works on, where messages take no time."""
        if worker.pool.out != 0:
            return
        for lease in self.current.values():
            if lease.worker != worker.name or not lease.queue.renewed or lease.unrenewed_since == -2:
                continue
            may = worker.sends and self.up and lease.incarnation == worker.incarnation
            may = may and (lease.token in worker.work or (lease.token in worker.granted and not lease.is_begun))
            if may:
                lease.unrenewed_since = -1
            elif lease.unrenewed_since == -1:
                lease.unrenewed_since = self.now
        heard = self.heard.get((worker.name, worker.registered))
        if heard is not None:
            if worker.sends and self.up:
                heard.dumb_since = None
            elif heard.dumb_since is None:
                heard.dumb_since = self.now
