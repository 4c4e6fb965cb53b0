"""Knows what jobs wait for: a busy key, a job before them; explains why one does not run.

A busy key, a full queue and missing equipment are no states of a job but matters of the hand-out. Reasons are codes
with values, and nothing that decides reads a sentence (``emulator.record.reasons``).
"""

from collections.abc import Callable, Collection, Mapping, Sequence

from emulator.broker.jobs import BY_PERSON, NOT_DUE, PAUSING, PREREQUISITE, Entry, Job, Line, Queue, Row
from emulator.broker.prerequisites import REFUSED, After, Key, Prerequisites, Unmet, Waiter
from emulator.broker.rules import Offer, equipment_of, meets, slots_of
from emulator.broker.states import ENDS, Finished, State
from emulator.errors import DefectError
from emulator.record.reasons import Because, Reason, Why

__all__ = [
    "KeyQueue",
    "Keys",
    "Waiters",
    "explain",
]


class Waiters:
    """The jobs that wait for others.

    Args:
        jobs: the unfinished jobs, by number; finished: how the others ended.
        known: who waits for what.
        remembered: the arrival entries that prerequisites name.

    Attributes:
        let_go, fail: take (tick, cause, job) when all has ended that a job waited for, and with the reason when a job
            has to fail because of that.
    """

    __slots__ = ("_ended", "_finished", "_jobs", "_known", "_remembered", "fail", "let_go")

    let_go: Callable[[int, int, Job], None]
    fail: Callable[[int, int, Job, Because], None]

    def __init__(
        self, jobs: Mapping[int, Job], finished: Finished, known: Prerequisites, remembered: Collection[str]
    ) -> None:
        self._jobs, self._finished, self._known, self._remembered = jobs, finished, known, remembered
        self._ended: list[tuple[Key, int]] = []

    def unmet(self, job: int) -> tuple[bool, tuple[Unmet, ...]]:
        """Say what a job waits for still, and whether the first of it suffices."""
        return self._known.unmet(job)

    def may_go_on(self, job: Job, after: After) -> bool:
        """Say whether all that a job waits for has ended already, in a way that lets it go on."""
        for before in after.befores:
            if before.entry not in self._remembered:
                raise DefectError(f"{job.name} waits for an entry that is not remembered: {before.entry}")
        return self._known.verdict(after) is True

    def wait(self, now: int, job: Job, after: After) -> None:
        """Let a job wait for those before it; if what has ended of them forbids it, it fails at once."""
        if self._known.verdict(after) is None:
            self._known.wait(job.number, after)
        else:
            self.fail(now, job.born, job, self._why(self._known.failed_of(after)))

    def complete(self, now: int, event: int, entry: str, night: int) -> None:
        """No more jobs of an entry come in a night."""
        for key in self._known.complete(entry, night):
            self._judge(now, event, key)

    def submitted(self, now: int, cause: int, job: Job, number: int, resubmitted: bool) -> None:
        """A submission was taken (or repeated, or refused): some may have waited for a job of its name."""
        waiters: list[Waiter] = []
        extra = job.rare
        arrival = job.source.arrival
        if arrival in self._remembered:
            night = 0 if extra is None else extra.night
            waiters += self._known.submitted((arrival, job.ordinal), number, night)
        if resubmitted:
            waiters += self._known.resubmitted(number)
        if waiters and (number == REFUSED or self._finished.how(number) is not None):
            self._judge(now, cause, number)

    def ended(self, now: int, cause: int, number: int) -> None:
        """A job is final: judge those who waited for it, or for all jobs of its night."""
        for key in self._known.ended(number):
            self._judge(now, cause, key)

    def _judge(self, now: int, cause: int, ended: Key) -> None:
        """Judge those who waited, and those who waited for them, without recursion: chains may be long."""
        row = self._ended
        row.append((ended, cause))
        if len(row) > 1:
            return  # called from the loop below
        for key, event in row:  # the list grows while it is walked
            failed = self._known.failed(key)
            for waiter in self._known.release(key):
                job = self._jobs.get(waiter.job)
                if job is not None and job.held & PREREQUISITE:
                    self._judge_one(now, event, job, waiter, failed)
        row.clear()

    def _judge_one(self, now: int, cause: int, job: Job, waiter: Waiter, failed: int) -> None:
        """One of the things that a job waits for has ended; ``failed``: the job of it that failed, 0 for none."""
        goes_on = self._known.settle(waiter, not failed or self._known.goes_on(waiter))
        if goes_on is None:
            return
        self._known.forget(job.number)
        if goes_on:
            self.let_go(now, cause, job)
        else:
            self.fail(now, cause, job, self._why(failed))

    def _why(self, failed: int) -> Because:
        """Say why a job fails because one that it waited for has."""
        if failed <= 0:
            return Because("prerequisite_refused")
        _, sub_state = self._finished.how(failed) or ENDS[0]
        return Because("prerequisite_failed", {"job": failed, "sub_state": sub_state})


class KeyQueue(Row):
    """The jobs of one line with the same exclusive key; ``shown`` is the entry that stands for it in the line."""

    __slots__ = ("line", "shown")

    def __init__(self, line: Line) -> None:
        super().__init__()
        self.line = line
        self.shown: Entry | None = None

    def show(self) -> bool:
        """Let the best waiting job stand in the line, and say whether there is one. The key must have room."""
        while (entry := self.first()) is not None:
            job = entry[2]
            if job.waiting and job.entry is entry:
                self.shown = entry
                if not job.copied:
                    job.copied = True
                    self.line.push(entry)
                return True
            if job.entry is entry:
                job.inside = False
            self.drop(entry)
        self.shown = None
        return False


class Keys:
    """Which exclusive keys are busy with which jobs, over all queues, and which lanes wait for each."""

    __slots__ = ("lanes", "users")

    def __init__(self) -> None:
        self.users: dict[str, list[int]] = {}
        self.lanes: dict[str, list[KeyQueue]] = {}

    def has_room(self, key: str, queue: Queue) -> bool:
        users = self.users.get(key)
        return users is None or len(users) < queue.per_key_at_most

    def occupy(self, job: Job) -> None:
        """A job with a key was taken: hide the lanes for which there is no room now."""
        self.users.setdefault(job.key, []).append(job.number)
        for lane in self.lanes[job.key]:
            if not self.has_room(job.key, lane.line.queue):
                lane.shown = None

    def drop(self, key: str, lane: KeyQueue) -> None:
        """Forget an empty lane; ``Queue.add`` makes it anew."""
        del lane.line.lanes[key]
        self.lanes[key].remove(lane)
        if not self.lanes[key]:
            del self.lanes[key]

    def free(self, job: Job) -> list[str]:
        """A job no longer occupies its key: show the lanes for which there is room now, and name their queues."""
        key, freed = job.key, []
        users = self.users[key]
        users.remove(job.number)
        if not users:
            del self.users[key]
        for lane in tuple(self.lanes.get(key, ())):  # none if those who left before left nobody waiting
            if lane.shown is None and self.has_room(key, lane.line.queue):
                if lane.show():
                    freed.append(lane.line.queue.name)
                else:
                    self.drop(key, lane)
        return freed

    def lane(self, line: Line, key: str) -> KeyQueue:
        """Give the lane of a key in a line, made when first asked for."""
        found = line.lanes.get(key)
        if found is None:
            found = line.lanes[key] = KeyQueue(line)
            self.lanes.setdefault(key, []).append(found)
        return found


def explain(
    job: Job, keys: Keys, now: int, offers: Sequence[Offer] | None, unmet: Sequence[Unmet] = ()
) -> tuple[Reason, ...]:
    """Give every reason, at least one; see ``Broker.explain``."""
    if job.attempt is not None:
        return (Reason(Why.SUSPENDED if job.state is State.SUSPENDED else Why.AT_WORK, (job.attempt.holder.name,)),)
    reasons = _held_for(job, now, unmet)
    queue = job.queue
    if queue.held:
        reasons.append(Reason(Why.QUEUE_HELD, (queue.name,)))
    if queue.is_full():
        reasons.append(Reason(Why.QUEUE_FULL, (queue.name, queue.running)))
    if job.key and not keys.has_room(job.key, queue):
        reasons.append(Reason(Why.KEY_BUSY, (job.key, *keys.users[job.key])))
    if offers is not None:
        requires, slots = job.line.requires, job.line.slots
        able = [has for has in offers if meets(requires, sorted(equipment_of(has)))] if requires else offers
        if requires and not able:
            reasons.append(Reason(Why.NOT_EQUIPPED, requires))
        elif slots > 1 and not any(slots_of(has) >= slots for has in able):
            reasons.append(Reason(Why.TOO_FEW_SLOTS, (slots,)))
    return tuple(reasons) or (Reason(Why.WAITS),)


def _held_for(job: Job, now: int, unmet: Sequence[Unmet]) -> list[Reason]:
    reasons, rare = [], job.rare
    if job.held & BY_PERSON:
        reasons.append(Reason(Why.BY_PERSON))
    if rare is not None and job.held & NOT_DUE:
        reasons.append(Reason(Why.NOT_DUE, (rare.not_before - now,)))
    if rare is not None and job.held & PAUSING:
        if rare.awaits:
            reasons.append(Reason(Why.NO_ALLOWANCE, (job.queue.name,)))
        if rare.due > now:
            reasons.append(Reason(Why.PAUSING, (rare.due - now,)))
    if job.held & PREREQUISITE:
        jobs = dict.fromkeys(job for one in unmet for job in (*one.jobs, *((0,) if one.more else ())))
        reasons.append(Reason(Why.PREREQUISITE, tuple(jobs)))
    return reasons
