"""What the events of jobs must be: submitted, held, handed out, ended, retried, finished."""

from fractions import Fraction
from typing import Any

from emulator.record.events import Event
from random_nights.facts import Queue
from random_nights.model import Before, Job, Lease, Worker
from random_nights.watching import Watching

__all__ = ["OfJobs"]


class OfJobs(Watching):
    """One method for each kind of event that tells of jobs."""

    # -- jobs ---------------------------------------------------------------------------------------------------------

    def on_submitted(self, event: Event, details: Any) -> None:
        queue = self.said.queues[details["queue"]]
        job = Job(event, queue, self.said.terms(details["entry"], details["routine"]))
        job.slots = self.said.routines[job.routine].takes_slots
        if self.last_job and event.job != self.last_job + 1:
            self.wrong("conservation", f"job {event.job} does not follow job {self.last_job}")
        self.last_job = event.job
        self.last_place += 1
        job.place = self.last_place
        unfinished = sum(1 for one in self.unfinished.values() if one.queue is queue)
        if queue.capacity is not None and unfinished >= queue.capacity:
            self.wrong("capacity", f"job {event.job} was taken with {unfinished} unfinished jobs in {queue.name}")
        routine = self.said.routines[job.routine]
        if routine.queue != queue.name:
            self.wrong("conservation", f"job {event.job} of {job.routine} came to {queue.name}")
        job.requires = None if job.routine in self.said.renewed_versions else routine.requires
        entry = self.said.entries[job.entry]
        if not job.origin:
            self.came[job.entry] = self.came.get(job.entry, 0) + 1
            if "not_before" in entry:
                job.not_before = self.tick(entry["not_before"])
            if "after" in entry:
                after = entry["after"]
                job.first_suffices = "any_of" in after
                for one in after["any_of"] if job.first_suffices else after if isinstance(after, list) else [after]:
                    number = 0 if one.get("jobs") == "all" else one.get("number", job.ordinal)
                    goes_on = one.get("if_failed", "fail") == "go_on"
                    job.befores.append(Before(one["entry"], number, goes_on, one.get("follows_resubmitted", False)))
            if job.entry in self.complete:
                self.wrong("prerequisites", f"job {event.job} came after the last of {job.entry}")
            self.take_key(job, entry)
            if event.cause == 0 and self.first_hand_out_at == event.at and "again_after" not in entry:
                self.wrong("arrivals", f"job {event.job} came after a hand-out of the same instant")
        if ("not_due" in job.held) is not (job.not_before > event.at):
            self.wrong("not before", f"job {event.job} is held for {job.held}")
        if (details["state"] == "queued_held") is not bool(job.held):
            self.wrong("states", f"job {event.job} is {details['state']} and held for {job.held}")
        if queue.start_within is not None:
            job.start_by = max(event.at, job.not_before) + queue.start_within
        self.jobs[event.job] = self.unfinished[event.job] = job

    def take_key(self, job: Job, entry: dict[str, Any]) -> None:
        template = entry.get("idempotency_key")
        if not template or "trace" in entry:
            return
        key = template.replace("{number}", str(job.ordinal)).replace("{shelf}", entry["parameters"]["shelf"])
        first = self.jobs.get(self.idempotency.get(key, 0))
        if first is not None and self.key_is_good(first):
            self.wrong("idempotency", f"job {job.number} was taken, and the key {key} belongs to job {first.number}")
        self.idempotency[key] = job.number

    def key_is_good(self, job: Job) -> bool:
        return job.sub_state is None or self.now < job.finished_at + job.queue.keys_kept

    def on_submission_repeated(self, event: Event, details: Any) -> None:
        job = self.jobs[event.job]
        if not self.key_is_good(job):
            self.wrong("idempotency", f"a key that ran out was answered with job {job.number}")

    def on_submission_refused(self, event: Event, details: Any) -> None:
        queue = self.said.queues[details["queue"]]
        cause = self.cause(event)
        if cause is None or cause.kind != "action_taken":
            self.came[details["entry"]] = self.came.get(details["entry"], 0) + 1
            self.refused.add(details["entry"])
        unfinished = sum(1 for one in self.unfinished.values() if one.queue is queue)
        if queue.capacity is None or unfinished != queue.capacity:
            self.wrong("capacity", f"{queue.name} refused a job with {unfinished} unfinished")

    def on_held(self, event: Event, details: Any) -> None:
        self.jobs[event.job].held.add(details["reason"])
        self.state_is(event, details)

    def on_hold_ended(self, event: Event, details: Any) -> None:
        job = self.jobs[event.job]
        if details["reason"] not in job.held:
            self.wrong("states", f"job {job.number} was not held for {details['reason']}")
        job.held.discard(details["reason"])
        if details["reason"] == "not_due" and self.up_since != event.at and event.at != job.not_before:
            self.wrong("not before", f"job {job.number} became due at {event.at}, not at {job.not_before}")
        if details["reason"] == "prerequisite":
            self.look_at_prerequisite(job)
        self.state_is(event, details)

    def state_is(self, event: Event, details: Any) -> None:
        """The state that an event tells must be the one that follows from those before it."""
        job = self.jobs[event.job]
        if job.lease is not None:
            expected = "suspended" if job.lease.stood is not None else "running"
        else:
            expected = ("requeued" if job.attempts else "queued") + ("_held" if job.held else "")
        if details["state"] != expected:
            self.wrong("states", f"job {job.number} is told to be {details['state']}, and is {expected}")

    def on_entry_complete(self, event: Event, details: Any) -> None:
        """A night is shorter than a day, so all jobs of an entry are of the first one."""
        if details["night"] != 1 or details["entry"] in self.complete:
            self.wrong("prerequisites", f"the last of {details['entry']} came twice, or in night {details['night']}")
        self.complete.add(details["entry"])

    def look_at_prerequisite(self, job: Job) -> None:
        """What a job waited for must have ended, the first of it or all."""
        held = [before for before in job.befores if self.may_hold(before)]
        if held and (not job.first_suffices or len(held) == len(job.befores)):
            self.wrong("prerequisites", f"job {job.number} may start before {held[0]} has ended well enough")

    def may_hold(self, before: Before) -> bool:
        """Say whether a job must be held for something, as far as the events tell."""
        if not before.number:
            jobs = [
                one for one in self.jobs.values() if one.entry == before.entry and (before.follows or not one.origin)
            ]
            unfinished = any(one.sub_state is None for one in jobs)
            if before.entry not in self.complete or unfinished:
                return True
            newest = {(one.entry, one.ordinal): one for one in jobs}
            return not before.goes_on and any(one.sub_state for one in newest.values())
        family = [one for one in self.jobs.values() if (one.entry, one.ordinal) == (before.entry, before.number)]
        final = [one.sub_state for one in family if one.sub_state is not None]
        if not family:
            return False  # it was refused, or an earlier job with its key stands for it
        return not final or ("" not in final and not before.goes_on)

    def on_handed_out(self, event: Event, details: Any) -> None:
        job, worker = self.jobs[event.job], self.workers[event.worker]
        queue, terms, token = job.queue, job.terms, details["token"]
        if not job.waits or job.ended is not None:
            self.wrong("one lease", f"job {job.number} was handed out: finished {job.sub_state}, held {job.held}")
        if token <= self.last_token:
            self.wrong("tokens", f"token {token} follows {self.last_token}")
        self.last_token = token
        if details["attempt"] != job.attempts + 1:
            self.wrong("attempts", f"attempt {details['attempt']} of job {job.number} follows {job.attempts}")
        if job.attempts >= terms.attempts + job.forgotten:
            self.wrong("attempts", f"job {job.number} has had {job.attempts} of {terms.attempts}")
        if details["lease_until"] != event.at + terms.lease:
            self.wrong("lapse", f"a lease of {terms.lease} from {event.at} ends at {details['until']}")
        if queue.name in self.queues_held:
            self.wrong("holds", f"job {job.number} was handed out of {queue.name}, which is held")
        if queue.name not in worker.pool.serves:
            self.wrong("matching", f"{worker.name} got job {job.number} of {queue.name}, which it does not serve")
        running = sum(1 for lease in self.current.values() if lease.queue.name == queue.name)
        if queue.running_at_most is not None and running >= queue.running_at_most:
            self.wrong("running limit", f"{running} jobs of {queue.name} run already")
        if job.key and self.busy(job.key) >= queue.per_key_at_most:
            self.wrong("keys", f"key {job.key} is busy {self.busy(job.key)} times")
        if job.start_by is not None and not job.attempts and event.at >= job.start_by:
            self.wrong("start within", f"job {job.number} was started at {event.at}, after {job.start_by}")
        if event.at < job.not_before:
            self.wrong("not before", f"job {job.number} was handed out before {job.not_before}")
        if worker.pool.out == 0 and not worker.sends:
            self.wrong("nobody there", f"job {job.number} was handed to {worker.name}, which is not there")
        if worker.pool.out == 0 and worker.is_finishing:
            self.wrong("nobody there", f"job {job.number} was handed to {worker.name}, which finishes")
        if all(before.number or not before.follows for before in job.befores):  # else one more may be waited for by now
            self.look_at_prerequisite(job)
        if self.may_be_taken(job) or job.requires is not None:
            self.look_at_order(job, worker)
        heard = self.heard.get((worker.name, details["incarnation"]))
        if heard is None:
            self.wrong("causes", f"{worker.name} got a job as incarnation {details['incarnation']}, never registered")
        self.hear(worker.name, details["incarnation"])
        self.first_hand_out_at = event.at
        lease = Lease(job, worker.name, event, terms)
        job.attempts += 1
        worker.takes[token] = job.slots
        job.lease = self.leases[token] = self.current[token] = worker.granted[token] = lease
        worker.idle_since = worker.starving_since = None  # it has just asked
        for other in self.workers.values():  # who asked a moment later found nothing, even if something comes after it
            if other.starving_since is not None and not self.finds_something(other):
                other.starving_since = None
        self.see_renewal(worker)

    def look_at_order(self, job: Job, worker: Worker) -> None:
        """The best job that the worker may have goes first; the worker that is idle longest gets it."""
        if job.slots > worker.slots:
            self.wrong(
                "slots", f"{worker.name} with {worker.slots} slots got job {job.number}, which takes {job.slots}"
            )
        if not self.has_what_it_requires(job, worker):
            if job.requires is not None:
                self.wrong("matching", f"{worker.name} got job {job.number} without {job.requires}")
            return
        if not worker.pool.declines:
            free = job.slots  # at least; a request over a slow link may have told of fewer than there are by now
            if worker.pool.is_prompt and self.now >= worker.free_from:
                free = max(free, worker.free())
            for other in self.unfinished.values():
                if other.slots > free or not self.has_what_it_requires(other, worker):
                    continue
                if other.rank() < job.rank() and self.may_be_taken(other):
                    self.wrong("order", f"{worker.name} got job {job.number} before job {other.number}")
        pool = worker.pool
        if pool.poll or not pool.is_prompt or worker.idle_since is None or worker.slots > 1:
            return
        mine = worker.idle_since, self.said.places[worker.name]
        for rival in self.workers.values():
            if rival is worker or rival.pool.poll or not rival.pool.is_prompt or rival.slots > 1:
                continue
            if rival.idle_since is None or rival.pool.declines or not rival.is_idle(self.now):
                continue
            if (rival.idle_since, self.said.places[rival.name]) < mine and self.fits(job, rival):
                self.wrong(
                    "longest idle",
                    f"{worker.name}, idle since {mine[0]}, got job {job.number} before {rival.name}, idle since "
                    f"{rival.idle_since}",
                )

    def on_lease_renewed(self, event: Event, details: Any) -> None:
        lease = self.leases.get(details["token"])
        if lease is None or not lease.is_current:
            self.wrong("stale", f"token {details['token']} was renewed after its lease had ended")
            return
        if not lease.queue.renewed or details["lease_until"] != event.at + lease.queue.lease:
            self.wrong("lapse", f"token {lease.token} was renewed at {event.at} until {details['until']}")
        if lease.end <= event.at and self.simulated:
            self.wrong("lapse", f"token {lease.token} was renewed at {event.at}, after its end at {lease.end}")
        lease.end = details["lease_until"]
        if self.due_renewals.get(event.cause, (0, ""))[0] == lease.token:
            del self.due_renewals[event.cause]

    def on_handed_back(self, event: Event, details: Any) -> None:
        job = self.jobs[event.job]
        lease = self.end_lease(job, details["token"])
        job.attempts -= 1
        if lease is not None:
            self.workers[lease.worker].granted.pop(lease.token, None)
        self.state_is(event, details)

    def end_lease(self, job: Job, token: int) -> Lease | None:
        lease = job.lease
        if lease is None or lease.token != token:
            self.wrong("one lease", f"token {token} of job {job.number} ended, and is not its lease")
            return None
        lease.is_current = False
        self.current.pop(token, None)
        job.lease = None
        return lease

    def on_attempt_ended(self, event: Event, details: Any) -> None:
        job, outcome, token = self.jobs[event.job], details["outcome"], details["token"]
        if details["attempt"] != job.attempts:
            self.wrong("attempts", f"attempt {details['attempt']} of job {job.number} ended, not {job.attempts}")
        lease = self.end_lease(job, token)
        job.ended, job.ended_by_cap = event, False
        if lease is None:
            return
        worker, cause = self.workers[lease.worker], self.cause(event)
        kind = "" if cause is None else cause.kind
        if outcome == "lease_lost":
            if kind == "lease_forgotten":
                job.forgotten += 1
                job.lost += 1
            elif kind != "action_taken":
                job.lost += 1
                self.look_at_lapse(event, details, lease, kind)
            worker.granted.pop(token, None) if not lease.is_begun and worker.pool.is_prompt else None
        elif outcome == "time_limit":
            self.look_at_cap(event, details, lease, job)
        else:
            if lease.end <= event.at and self.simulated:
                self.wrong("stale", f"an outcome with token {token} was taken at {event.at}, its end {lease.end}")
            sender = self.workers[cause.worker] if cause is not None and cause.worker else worker
            if sender.pool.out == 0 and not sender.sends:
                self.wrong("nobody there", f"{sender.name} handed in and could not")
            if sender.pool.out == 0 and sender.is_on and token in sender.work:
                self.wrong("causes", f"the outcome of token {token} was taken, and its work goes on")
            self.hear(sender.name, lease.incarnation if sender is worker else sender.incarnation)
            if cause is not None and cause.kind == "work_stopped" and sender.incarnation == lease.incarnation:
                sender.newest_sent = max(sender.newest_sent, cause.at)  # or later, if it was sent again
            self.answered(sender, token)

    def look_at_lapse(self, event: Event, details: Any, lease: Lease, kind: str) -> None:
        nominal, now = details["was_due"], event.at
        if nominal != now and not (self.up_since == now and self.down_since <= nominal <= now):
            self.wrong("lapse", f"token {lease.token} was due to end at {nominal} and ended at {now}")
        cause = self.cause(event)
        if kind == "worker_declared_lost" and cause is not None:
            silence = self.workers[lease.worker].pool.silence or 0
            if nominal == cause.details["last_heard"] + silence and nominal < lease.end:
                return
        lease.ran_out = True
        if self.simulated or not lease.queue.renewed:
            if nominal != lease.end:
                self.wrong("lapse", f"token {lease.token} was lost as of {nominal}, its end is {lease.end}")
        elif nominal < lease.end:
            self.wrong("lapse", f"token {lease.token} was lost as of {nominal}, before {lease.end}")

    def look_at_cap(self, event: Event, details: Any, lease: Lease, job: Job) -> None:
        queue, nominal = lease.queue, details["was_due"]
        stood = lease.stood_in_all + (0 if lease.stood is None else event.at - lease.stood)
        if nominal != event.at and self.up_since != event.at:
            self.wrong("time limit", f"an attempt of job {job.number} was due to end at {nominal}")
        if queue.cap_after is not None and nominal == lease.at + queue.cap_after + stood:
            job.ended_by_cap = True
            job.cut += 1
        elif queue.total_limit is None or nominal != job.at + queue.total_limit:
            self.wrong("time limit", f"an attempt of job {job.number} ended at {nominal}: no limit lies there")

    # -- what follows an attempt --------------------------------------------------------------------------------------

    def forbids(self, job: Job, outcome: str) -> str:
        """Name the limit by which the job must not be tried again, allowance and total limit apart."""
        queue = job.terms
        if job.ended_by_cap:
            if queue.cap_then == "fail" or (queue.cap_at_most is not None and job.cut > queue.cap_at_most):
                return "cap"
        elif outcome not in queue.retried:
            return "not retried"
        if job.attempts >= queue.attempts:
            return "attempts"
        if queue.lost_at_most is not None and job.lost > queue.lost_at_most:
            return "lost leases"
        return ""

    def on_requeued(self, event: Event, details: Any) -> None:
        job = self.jobs[event.job]
        ended, job.ended = job.ended, None
        if ended is None or event.cause != ended.number or ended.at != event.at:
            self.wrong("conservation", f"job {job.number} was requeued, and no attempt of it has just ended")
            return
        queue, outcome, due = job.terms, ended.details["outcome"], details["due"]
        cause = self.cause(ended)
        forgotten = cause is not None and cause.kind == "lease_forgotten"
        if not forgotten:
            limit = "ok" if outcome == "ok" else self.forbids(job, outcome)
            if limit:
                self.wrong("attempts", f"job {job.number} was requeued against its limit: {limit}")
            low, high = queue.pauses.after(job.attempts)
            hint = outcome == "error" and queue.heeds
            if not queue.may_wait and not (low <= due - event.at <= high or (hint and due - event.at >= low)):
                self.wrong("pauses", f"job {job.number} pauses {due - event.at} after attempt {job.attempts}")
            if queue.total_limit is not None and due >= job.at + queue.total_limit:
                self.wrong("total limit", f"job {job.number} is to be retried at {due}")
            self.look_at_allowance(queue, event.at)
        elif due != event.at:
            self.wrong("pauses", f"job {job.number} was forgotten and pauses until {due}")
        if details["state"] == "requeued_held":
            if due > event.at or due < 0:
                job.held.add("pausing")
            if not job.held:
                self.wrong("states", f"job {job.number} is requeued held for nothing")
        if not queue.keeps_place:
            self.last_place += 1
            job.place = self.last_place
        self.state_is(event, details)

    def look_at_allowance(self, queue: Queue, now: int) -> None:
        if queue.holds is None or queue.may_wait:
            return
        granted = self.granted_retries.setdefault(queue.name, [])
        granted.append(now)
        for place, since in enumerate(granted):
            if len(granted) - place > queue.holds + Fraction(now - since) * queue.refill:
                self.wrong("allowance", f"{len(granted) - place} retries of {queue.name} since {since}")
                return

    def on_finished(self, event: Event, details: Any) -> None:
        job, sub_state = self.jobs[event.job], details["sub_state"]
        if job.sub_state is not None:
            self.wrong("conservation", f"job {job.number} was finished twice")
            return
        ended, job.ended = job.ended, None
        if job.lease is not None:
            self.wrong("one lease", f"job {job.number} was finished with a lease out")
        if details["attempts"] != job.attempts:
            self.wrong("attempts", f"job {job.number} had {job.attempts} attempts, not {details['attempts']}")
        if (details["state"] == "done") is not (sub_state == ""):
            self.wrong("states", f"job {job.number} is {details['state']} and {sub_state!r}")
        outcome = "" if ended is None else ended.details["outcome"]
        if (sub_state == "") is not (outcome == "ok"):
            self.wrong("states", f"job {job.number} is {details['state']} after {outcome or 'no attempt'}")
        limit = self.forbids(job, outcome) if ended is not None else ""
        right = {
            "": ended is not None,
            "attempts_used_up": limit in ("attempts", "lost leases", "not retried"),
            "permanent_error": outcome == "permanent_error" and limit == "not retried",
            "time_limit": limit == "cap",
            "allowance_used_up": ended is not None and not limit and job.terms.holds is not None,
            "out_of_time": job.terms.total_limit is not None and (ended is not None or self.is_time(job)),
            "expired": ended is None and job.start_by is not None and not job.attempts and self.is_at(job.start_by),
            "prerequisite_failed": ended is None and self.prerequisite_failed(job),
            "withdrawn": self.was_withdrawn(event, ended),
        }
        if not right.get(sub_state, False):
            self.wrong("states", f"job {job.number} is {sub_state or 'done'} after {outcome or 'no attempt'} ({limit})")
        job.sub_state, job.finished_at = sub_state, event.at
        del self.unfinished[job.number]

    def is_at(self, due: int) -> bool:
        return self.now == due or (self.up_since == self.now and due <= self.now)

    def is_time(self, job: Job) -> bool:
        return self.is_at(job.at + (job.terms.total_limit or 0))

    def was_withdrawn(self, event: Event, ended: Event | None) -> bool:
        cause = self.cause(event if ended is None else ended)
        return cause is not None and cause.kind == "action_taken" and cause.details["action"] == "withdraw"

    def prerequisite_failed(self, job: Job) -> bool:
        """Say whether what a job waited for has failed: one of it, or all where the first suffices."""
        failed = [self.has_failed(before) for before in job.befores]
        return all(failed) if job.first_suffices else any(failed)

    def has_failed(self, before: Before) -> bool:
        if before.goes_on:
            return False
        family = [
            one
            for one in self.jobs.values()
            if one.entry == before.entry and (not before.number or one.ordinal == before.number)
        ]
        if not before.number and (before.entry not in self.complete or before.entry in self.refused):
            return before.entry in self.complete
        return not family or any(one.sub_state for one in family) or self.is_repeated(before.entry)

    def is_repeated(self, entry: str) -> bool:
        return "idempotency_key" in self.said.entries[entry]

    # -- suspension, holds, forgetting --------------------------------------------------------------------------------

    def on_suspended(self, event: Event, details: Any) -> None:
        lease = self.jobs[event.job].lease
        if lease is None or lease.token != details["token"] or lease.stood is not None:
            self.wrong("states", f"job {event.job} was suspended with token {details['token']}")
        else:
            lease.stood = event.at
        self.hear(event.worker, self.workers[event.worker].incarnation if event.worker else 0)

    def on_resumed(self, event: Event, details: Any) -> None:
        lease = self.jobs[event.job].lease
        if lease is None or lease.token != details["token"] or lease.stood is None:
            self.wrong("states", f"job {event.job} was resumed with token {details['token']}")
        else:
            lease.stood_in_all += event.at - lease.stood
            lease.stood = None

    def on_queue_held(self, event: Event, details: Any) -> None:
        self.queues_held.add(details["queue"])

    def on_queue_released(self, event: Event, details: Any) -> None:
        self.queues_held.discard(details["queue"])

    def on_broker_down(self, event: Event, details: Any) -> None:
        self.up, self.down_since = False, event.at
        for worker in self.workers.values():
            worker.disturbed_at = event.at
            self.see_renewal(worker)

    def on_broker_up(self, event: Event, details: Any) -> None:
        self.up, self.up_since = True, event.at
        length = event.at - self.down_since
        for worker in self.workers.values():
            worker.disturbed_at = event.at
            self.leave_open(worker)
        if self.said.pushes:
            for lease in self.current.values():
                lease.end += length
                if lease.unrenewed_since >= 0:
                    lease.unrenewed_since = max(lease.unrenewed_since, self.down_since) + length
            for heard in self.heard.values():
                heard.at += length
                if heard.dumb_since is not None:
                    heard.dumb_since += length
        for worker in self.workers.values():
            self.see_renewal(worker)
