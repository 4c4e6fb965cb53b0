"""What the events of workers must be: what they are, what they work on, and which effects they leave."""

from typing import Any

from emulator.record.events import Event
from random_nights.facts import Routine
from random_nights.model import Heard, Job, Refusal, Work, Worker
from random_nights.watching import Watching

__all__ = ["OfWorkers"]


class OfWorkers(Watching):
    """One method for each kind of event that tells of workers, their work and its effects."""

    # -- workers ------------------------------------------------------------------------------------------------------

    def on_worker_changed(self, event: Event, details: Any) -> None:
        worker, state = self.workers[event.worker], details["state"]
        worker.disturbed_at = event.at
        cause = self.cause(event)
        thawed = cause is not None and cause.kind == "fault_ended" and cause.details["fault"] == "freeze"
        if state in ("off", "booting"):
            worker.is_on = worker.is_frozen = worker.is_finishing = False
            worker.idle_since = None
            worker.incarnation = details["incarnation"]
            worker.unanswered.clear()
            worker.granted.clear()
        elif state == "frozen":
            worker.is_frozen = True
            worker.idle_since = None
        else:
            if not worker.is_on:
                worker.is_on = True
                worker.beats_from = event.at
                worker.newest_sent = 0
                worker.free_from = 0
            if thawed:
                worker.is_frozen = False
                self.leave_open(worker)
            worker.is_finishing = state == "draining" or (worker.is_finishing and state not in ("idle", "busy"))
        self.see_hours(event, worker, details)
        self.see_renewal(worker)

    def see_hours(self, event: Event, worker: Worker, details: Any) -> None:
        """A schedule switches workers off when the last of their windows ends, and on in a window."""
        is_in_hours = worker.pool.is_in_hours(self.said.begins, event.at)
        if details["why"] in ("shut_down", "schedule_ends") and is_in_hours:
            self.wrong("hours", f"{worker.name} was shut down within its hours")
        if details["state"] == "booting" and not event.cause and is_in_hours is False:
            self.wrong("hours", f"{worker.name} was switched on outside its hours")

    def on_worker_registered(self, event: Event, details: Any) -> None:
        worker = self.workers[event.worker]
        if details["incarnation"] <= worker.registered:
            self.wrong("incarnations", f"{worker.name} registered as {details['incarnation']} again")
        if not worker.is_reached and not (worker.is_on and not worker.is_frozen and not worker.cuts):
            self.wrong("nobody there", f"{worker.name} registered and is not there")
        worker.registered = details["incarnation"]
        self.heard[worker.name, worker.registered] = Heard(event.at)
        worker.begun = 0 if worker.pool.leaves_after is None else worker.begun
        worker.disturbed_at = max(worker.disturbed_at, event.at)
        worker.idle_since = event.at
        self.see_renewal(worker)

    def on_worker_signed_off(self, event: Event, details: Any) -> None:
        heard = self.heard.get((event.worker, details["incarnation"]))
        if heard is None:
            self.wrong("causes", f"{event.worker} signed off as {details['incarnation']}, never registered")
        else:
            heard.signed_off = True

    def on_worker_declared_lost(self, event: Event, details: Any) -> None:
        heard, pool = self.heard.get((event.worker, details["incarnation"])), self.workers[event.worker].pool
        again = heard is not None and heard.is_lost and details["last_heard"] <= heard.lost_as_of
        if heard is None or again or heard.signed_off or pool.silence is None:
            self.wrong("silence", f"{event.worker} ({details['incarnation']}) cannot be declared lost")
            return
        due = details["last_heard"] + pool.silence
        if due != event.at and not (self.up_since == event.at and self.down_since <= due <= event.at):
            self.wrong("silence", f"{event.worker}, last heard at {details['last_heard']}, declared lost at {event.at}")
        if details["last_heard"] < heard.at and not pool.overtakes:  # what was overtaken changes nothing
            self.wrong("silence", f"{event.worker} was heard at {heard.at}, not last at {details['last_heard']}")
        heard.is_lost, heard.lost_as_of = True, details["last_heard"]

    def on_heartbeat_received(self, event: Event, details: Any) -> None:
        worker = self.workers[event.worker]
        pool = worker.pool
        if (worker.name, details["incarnation"]) not in self.heard:
            self.wrong("causes", f"a heartbeat of {worker.name} ({details['incarnation']}), never registered")
        self.hear(worker.name, details["incarnation"])
        sent = worker.beats_from + details["number"] * pool.heartbeat
        if pool.beats_are_regular and worker.disturbed_at <= sent and details["incarnation"] == worker.incarnation:
            if sent < worker.newest_sent:
                self.wrong("overtaken", f"a heartbeat of {sent} counts, after a message of {worker.newest_sent}")
            worker.newest_sent = sent
        if pool.out != 0:
            return
        if not worker.sends or details["incarnation"] != worker.incarnation:
            self.wrong("nobody there", f"a heartbeat came from {worker.name}, which could not send any")
        thaw = worker.disturbed_at == event.at
        if pool.beats_are_regular and not thaw and (event.at - worker.beats_from) % pool.heartbeat:
            self.wrong("heartbeats", f"a heartbeat of {worker.name} came at {event.at}, out of its grid")
        worker.last_beat = event.at
        for work in worker.work.values():
            lease = work.lease
            own = lease.worker != worker.name or lease.incarnation == worker.incarnation
            if work.began < event.at and lease.is_current and lease.queue.renewed and own:
                self.due_renewals[event.number] = (lease.token, worker.name)

    # -- work ---------------------------------------------------------------------------------------------------------

    def at_work(self, event: Event, token: int) -> Work | None:
        """Give the work on a token, which must be under way on a worker that is neither off nor standing still."""
        worker = self.workers[event.worker]
        work = worker.work.get(token)
        if work is None:
            self.wrong("causes", f"{event.kind} of token {token}, which {worker.name} does not work on")
        elif not worker.is_on or worker.is_frozen or work.stands_still:
            self.wrong("nobody there", f"{event.kind} of token {token}: {worker.name} is off or stands still")
        return work

    def on_work_began(self, event: Event, details: Any) -> None:
        worker, token = self.workers[event.worker], details["token"]
        lease = self.leases.get(token)
        if lease is None or lease.job.number != event.job or lease.attempt != details["attempt"]:
            self.wrong("causes", f"{worker.name} began with token {token}, which was never granted")
            return
        if not worker.is_on or worker.is_frozen:
            self.wrong("nobody there", f"{worker.name} began with token {token} and is off or frozen")
        if lease.worker == worker.name and lease.incarnation != worker.incarnation:
            self.wrong("incarnations", f"{worker.name} began with token {token} of an earlier incarnation")
        if token in worker.work:
            self.wrong("slots", f"{worker.name} works on token {token} already")
        known = lease.worker == worker.name and lease.queue.told_as == "duration_from_request"
        if known and not worker.pool.is_skewed and event.at >= lease.first_end:
            self.wrong("late hand-out", f"{worker.name} began at {event.at} with a lease that ended {lease.first_end}")
        if lease.worker == worker.name:
            lease.is_begun = True
            worker.granted.pop(token, None)
        else:
            lease.unrenewed_since = -2  # two workers have it: either may renew it
            self.doubling -= self.doubling > 0
        worker.work[token] = Work(event.at, lease)
        worker.takes[token] = lease.job.slots
        worker.begun += 1
        unanswered = (token for token, is_taken in worker.unanswered.items() if not is_taken)
        taken = sum(worker.takes[token] for token in (*worker.work, *unanswered))
        if taken > worker.slots:
            self.wrong("slots", f"{worker.name} works on what takes {taken} slots and has {worker.slots}")
        worker.idle_since = None
        self.see_renewal(worker)

    def on_part_finished(self, event: Event, details: Any) -> None:
        work = self.at_work(event, details["token"])
        if work is not None:
            work.step(event.at)

    def on_effect_found(self, event: Event, details: Any) -> None:
        work = self.at_work(event, details["token"])
        if work is not None:
            work.step(event.at)

    def on_call_ended(self, event: Event, details: Any) -> None:
        work = self.workers[event.worker].work.get(details["token"])
        if work is not None and details["outcome"] in ("refused", "no_access"):
            work.refusals.append(Refusal(event.at, details["outcome"]))

    def on_work_paused(self, event: Event, details: Any) -> None:
        work = self.workers[event.worker].work.get(details["token"])
        if work is None or work.stands_still:
            self.wrong("stands still", f"token {details['token']} of {event.worker} stands still already, or has none")
        else:
            work.stands_still = True
            work.paused_at = event.at

    def on_work_continued(self, event: Event, details: Any) -> None:
        work = self.workers[event.worker].work.get(details["token"])
        if work is None or not work.stands_still:
            self.wrong("stands still", f"token {details['token']} of {event.worker} goes on and did not stand still")
        else:
            work.stands_still = False
            work.went_on_at = event.at
            if work.refusals and work.paused_at <= (last := work.refusals[-1]).at:
                last.learned_at = event.at

    def on_worker_notified(self, event: Event, details: Any) -> None:
        worker = self.workers[event.worker]
        if not worker.is_on or worker.is_frozen:
            self.wrong("nobody there", f"{worker.name} was told of token {details['token']}: it is off or frozen")
        lease = self.leases.get(details["token"])
        if details["what"] == "lease_lost" and lease is not None and lease.is_current and lease.worker == worker.name:
            self.wrong("causes", f"{worker.name} was told that token {lease.token} is lost, which is good")

    def on_work_stopped(self, event: Event, details: Any) -> None:
        worker, token = self.workers[event.worker], details["token"]
        work, cause = worker.work.get(token), self.cause(event)
        if work is None:
            self.wrong("causes", f"{worker.name} stopped token {token}, which it does not work on")
            return
        del worker.work[token]
        dropped = cause is not None and cause.kind in ("worker_changed", "worker_notified")
        still = work.stands_still and not worker.pool.stops_itself  # suspended, it may stop by its own clock
        if not dropped and (not worker.is_on or worker.is_frozen or still):
            self.wrong("nobody there", f"token {token} stopped: {worker.name} is off or stands still")
        if not dropped:
            if worker.pool.stops_itself:
                self.leave_open(worker)  # it may have stopped by its own clock, without an outcome
            else:
                worker.unanswered[token] = False
        elif worker.is_on and worker.has_a_slot() and worker.is_reached:
            worker.idle_since = event.at
        self.see_renewal(worker)

    def on_stale_refused(self, event: Event, details: Any) -> None:
        lease, worker = self.leases.get(details["token"]), self.workers.get(event.worker)
        if lease is None:
            self.wrong("causes", f"token {details['token']} was refused and never granted")
        elif lease.is_current and (lease.worker, lease.incarnation) == (event.worker, worker and worker.incarnation):
            self.wrong("stale", f"token {lease.token} was refused for {details['what']} and is good")
        if worker is None:
            return
        if details["what"] in ("outcome", "hand_back", "hand_back"):
            own = lease is not None and lease.worker == worker.name
            self.hear(worker.name, lease.incarnation if own and lease is not None else worker.incarnation)
            self.answered(worker, details["token"])

    def on_message_lost(self, event: Event, details: Any) -> None:
        worker = self.workers[event.worker]
        cause = self.cause(event)
        if details["what"] == "outcome" and cause is not None and worker.is_on:
            token = cause.details["token"]
            worker.unanswered[token] = (worker.name, token) in self.decided
        elif details["what"] == "take":
            self.leave_open(worker)
            wait = worker.pool.longest_wait()
            if wait is not None:
                worker.free_from = max(worker.free_from, event.at + worker.pool.answer_within + wait)

    def on_equipment_changed(self, event: Event, details: Any) -> None:
        self.workers[event.worker].equipment = frozenset(filter(None, details["equipped_with"].split(", ")))

    # -- effects ------------------------------------------------------------------------------------------------------

    def on_effect_landed(self, event: Event, details: Any) -> None:
        job, worker, token = self.jobs[event.job], self.workers[event.worker], details["token"]
        lease = self.leases.get(token)
        if lease is None or lease.job is not job or lease.attempt != details["attempt"]:
            self.wrong("causes", f"an effect with token {token}, never granted for that attempt of job {job.number}")
            return
        routine = self.said.routines[job.routine]
        ways, systems = zip(*routine.lands(details["effect"]), strict=True)
        if not routine.is_called(details["effect"]):
            self.at_work(event, token)
        if set(ways) == {"at_request"}:
            work = worker.work.get(token)
            if work is None or not self.is_asked_now(work, routine, details["effect"]):
                self.wrong("at request", f"an effect of job {job.number} landed when nothing was asked for it")
            elif work.refusals:
                work.refusals[-1].has_followed = True
            else:
                work.step_at = -1  # what has landed once does not land again
        modes = {self.said.fences.get(system, "no") for system in systems}
        if len(set(systems)) == 1 and modes == {"highest_token"}:
            place = systems[0], details["target"], self.scope(job)
            if token < self.highest.get(place, token):
                self.wrong("fences", f"{systems[0]} took token {token} after {self.highest[place]}")
            self.highest[place] = token
        if modes == {"asks_broker"} and not (lease.is_current and self.up):
            self.wrong("fences", f"{systems[0]} asks the broker and took token {token}")

    def is_asked_now(self, work: Work, routine: Routine, effect: str) -> bool:
        """Say whether a step begins at this instant, or asks again; an ask due in a standstill comes at its end."""
        if not work.refusals:
            return work.step_at == self.now
        last, number = work.refusals[-1], len(work.refusals)
        if last.has_followed:
            return False
        known_from = {last.learned_at} | ({last.at} if work.paused_at == last.at else set())
        for times, pauses, system in routine.asking(effect):
            hint = self.said.hints[system] if last.how == "refused" else 0
            low, high = (max(hint, pause) for pause in pauses.after(number))
            for since in known_from:
                is_due = low <= self.now - since <= high
                is_overdue = since + low <= self.now == work.went_on_at
                if number <= times and (is_due or is_overdue):
                    return True
        return False

    def on_effect_refused(self, event: Event, details: Any) -> None:
        job, token = self.jobs[event.job], details["token"]
        routine = self.said.routines[job.routine]
        systems = {system for _, system in routine.lands(details["effect"])}
        modes = {self.said.fences.get(system, "no") for system in systems}
        if modes == {"no"}:
            self.wrong("fences", f"an effect of job {job.number} was refused, and nothing is fenced")
        highest = self.highest.get((min(systems), details["target"], self.scope(job)), 0)
        if modes == {"highest_token"} and len(systems) == 1 and token >= highest:
            self.wrong("fences", f"token {token} was refused on {details['target']}, and is the highest")
        lease = self.leases.get(token)
        if modes == {"asks_broker"} and lease is not None and lease.is_current and self.up:
            self.wrong("fences", f"token {token} was refused, and is good")

    def scope(self, job: Job) -> str:
        """Give what shares one row of tokens: the exclusive key, else the job with all jobs put back from it."""
        if job.key:
            return f"key {job.key}"
        while job.origin:
            job = self.jobs[job.origin]
        return f"job {job.number}"

    # -- faults -------------------------------------------------------------------------------------------------------

    def on_fault_began(self, event: Event, details: Any) -> None:
        self.see_told(event, details, self.said.faults)
        if details["fault"] == "cut_link":
            worker = self.workers[event.worker]
            place = int(details["place"].partition("[")[2].rstrip("]"))
            worker.cuts[details["place"], details["number"]] = self.said.faults[place].get("direction", "both")
            worker.disturbed_at = event.at
            worker.idle_since = None
            self.see_renewal(worker)
        elif details["fault"] == "hand_out_twice":
            place = int(details["place"].partition("[")[2].rstrip("]"))
            self.doubling += self.said.faults[place].get("how", "same_token") == "same_token"

    def on_fault_missed(self, event: Event, details: Any) -> None:
        self.see_told(event, details, self.said.faults)
        if details["fault"] == "cut_link" and details["number"]:
            self.mend(event, details)

    def on_fault_ended(self, event: Event, details: Any) -> None:
        if details["fault"] == "cut_link":
            self.mend(event, details)

    def on_action_taken(self, event: Event, details: Any) -> None:
        self.see_told(event, details, self.said.actions)

    def on_action_refused(self, event: Event, details: Any) -> None:
        self.see_told(event, details, self.said.actions)

    def see_told(self, event: Event, details: Any, items: list[dict[str, Any]]) -> None:
        """A fault or an action that is in no night is never told of, and none begins before its time."""
        place = int(details["place"].partition("[")[2].rstrip("]"))
        self.told.add(details["place"])
        if items[place].get("share_of_nights", 1) == 0:
            self.wrong("tonight", f"{details['place']} is in no night, and is told of")
        at = items[place].get("at")
        if at is not None and event.at < self.tick(at):
            self.wrong("tonight", f"{details['place']} begins before its time")

    def see_untold(self) -> None:
        """A fault that is in every night is told of, if only as missed; so is an action before the end."""
        for key, items in (("faults", self.said.faults), ("actions", self.said.actions)):
            for place, item in enumerate(items):
                is_due = key == "faults" or ("late_by" not in item and self.tick(item["at"]) < self.said.lasts)
                if is_due and item.get("share_of_nights", 1) == 1 and f"{key}[{place}]" not in self.told:
                    self.wrong("tonight", f"{key}[{place}] is in every night, and is not told of")

    def mend(self, event: Event, details: Any) -> None:
        worker = self.workers.get(event.worker)
        if worker is None or (details["place"], details["number"]) not in worker.cuts:
            return
        del worker.cuts[details["place"], details["number"]]
        worker.disturbed_at = event.at
        if worker.is_on:
            self.leave_open(worker)
        self.see_renewal(worker)
