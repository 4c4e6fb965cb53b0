"""Knows what jobs wait for: a busy key, a job before them; explains why one does not run.

A job waits for one thing or several, each a ``Before``: a job, or all jobs of an entry in one night. It goes on when
all of them have ended well enough, or with ``any_of`` when the first has. All jobs of an entry have ended when whoever
submits has said that no more of them come (``complete``), and each that came is final; only then are they judged.

Only the entries that some prerequisite names are remembered. A job may be submitted before the one that it waits for.
Who follows resubmitted jobs waits for the newest job of the family: the first of that name and all resubmitted from it.

A busy key, a full queue and missing equipment are no states of a job but matters of the hand-out. Reasons are codes
with values, and nothing that decides reads a sentence (``emulator.record.reasons``).
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Final, NamedTuple

from emulator.broker.jobs import BY_PERSON, NOT_DUE, PAUSING, PREREQUISITE, Entry, Job, Line, Queue, Row
from emulator.broker.rules import Offer, equipment_of, meets, slots_of
from emulator.broker.states import ENDS, Finished, State
from emulator.errors import DefectError
from emulator.record.reasons import Because, Reason, Why

__all__ = [
    "REFUSED",
    "After",
    "Before",
    "Key",
    "KeyQueue",
    "Keys",
    "Label",
    "Prerequisites",
    "Unmet",
    "Waiter",
    "Waiters",
    "explain",
]


Label = tuple[str, int]
"""(entry, number of the job in it)"""

_Night = tuple[str, int, bool]
"""(entry, night, whether resubmitted jobs count): all jobs of an entry in one night."""

Key = int | _Night
"""What has ended: a job, by its number (or ``REFUSED``), or all jobs of an entry in one night."""

REFUSED: Final = -1
"""Stands for the job when the submission of that name was refused."""


class Before(NamedTuple):
    """What must end before a job starts.

    Attributes:
        entry: the arrival entry.
        number: of the job in it; 0: all jobs of the entry in ``night``.
        night: which night; says nothing of one job.
        goes_on: whether its failure lets the job go on; else the job fails.
        follows: whether jobs resubmitted in the place of others are waited for instead.
    """

    entry: str
    number: int
    night: int = 0
    goes_on: bool = False
    follows: bool = False


class After(NamedTuple):
    """All that must end before a job starts; with ``any_of`` the first that ends well enough suffices."""

    befores: tuple[Before, ...]
    any_of: bool = False


class Waiter(NamedTuple):
    """A job that waits, and which of its ``After.befores`` it waits for here."""

    job: int
    place: int


class Unmet(NamedTuple):
    """What a job waits for still: the unfinished jobs (0: one that has not come), and whether more may come."""

    jobs: tuple[int, ...]
    more: bool


class _Condition:
    """How each of the things has ended that a job waits for: True or False, None while it has not."""

    __slots__ = ("after", "verdicts")

    def __init__(self, after: After, verdicts: "list[bool | None]") -> None:
        self.after = after
        self.verdicts = verdicts


class _Group:
    """All jobs of an entry in one night: how many are unfinished, without and with those resubmitted."""

    __slots__ = ("is_complete", "members", "open", "open_with_resubmitted", "refused")

    def __init__(self) -> None:
        self.is_complete = False
        self.refused = False
        self.members: list[int] = []
        self.open = 0
        self.open_with_resubmitted = 0


class Prerequisites:
    """Who waits for what.

    Args:
        family: gives the number of the first job of a job's family.
        final: gives the final state of a job, None while it is unfinished.
        grouped: the entries of which somebody may wait for all jobs of a night.
    """

    __slots__ = (
        "_conditions",
        "_family",
        "_final",
        "_first",
        "_grouped",
        "_groups",
        "_groups_of",
        "_latest",
        "_unsubmitted",
        "_waiting",
    )

    def __init__(
        self,
        family: Callable[[int], int],
        final: Callable[[int], State | None],
        grouped: frozenset[str] = frozenset(),
    ) -> None:
        self._family, self._final, self._grouped = family, final, grouped
        self._first: dict[Label, int] = {}
        self._latest: dict[int, int] = {}
        self._waiting: dict[Key, list[tuple[Waiter, bool]]] = {}
        self._unsubmitted: dict[Label, list[tuple[Waiter, bool]]] = {}
        self._conditions: dict[int, _Condition] = {}
        self._groups: dict[tuple[str, int], _Group] = {}
        self._groups_of: dict[int, list[tuple[tuple[str, int], bool]]] = {}

    # -- who waits ----------------------------------------------------------------------------------------------------

    def verdict(self, after: After) -> bool | None:
        """Say whether all is ended that a job waits for: it may go on, or it fails; None: it has to wait."""
        return _whole(after, [self._judge(before) for before in after.befores])

    def wait(self, job: int, after: After) -> None:
        """Let a job wait for what has not ended yet."""
        verdicts = [self._judge(before) for before in after.befores]
        self._conditions[job] = _Condition(after, verdicts)
        for place, (before, verdict) in enumerate(zip(after.befores, verdicts, strict=True)):
            if verdict is not None:
                continue
            waiter = (Waiter(job, place), before.follows)
            found = 0 if not before.number else self.find((before.entry, before.number), before.follows)
            if not before.number:
                self._waiting.setdefault((before.entry, before.night, before.follows), []).append(waiter)
            elif found:
                self._waiting.setdefault(found, []).append(waiter)
            else:
                self._unsubmitted.setdefault((before.entry, before.number), []).append(waiter)

    def find(self, label: Label, follows: bool) -> int:
        """Give the job of that name (or its newest successor), REFUSED, or 0 when none has been submitted yet."""
        first = self._first.get(label, 0)
        return self._latest.get(self._family(first), first) if follows and first > 0 else first

    def settle(self, waiter: Waiter, how: bool) -> bool | None:
        """One of the things that a job waits for has ended, well enough or not: say what that means for the job."""
        condition = self._conditions[waiter.job]
        condition.verdicts[waiter.place] = how
        return _whole(condition.after, condition.verdicts)

    def goes_on(self, waiter: Waiter) -> bool:
        """Say whether a job goes on if what it waits for here has failed."""
        return self._conditions[waiter.job].after.befores[waiter.place].goes_on

    def forget(self, job: int) -> None:
        """A job waits for nothing more."""
        self._conditions.pop(job, None)

    def unmet(self, job: int) -> tuple[bool, tuple[Unmet, ...]]:
        """Say what a job waits for still, and whether the first of it suffices."""
        condition = self._conditions.get(job)
        if condition is None:
            return False, ()
        pairs = zip(condition.after.befores, condition.verdicts, strict=True)
        return condition.after.any_of, tuple(self._unmet(before) for before, verdict in pairs if verdict is None)

    def _unmet(self, before: Before) -> Unmet:
        if before.number:
            found = self.find((before.entry, before.number), before.follows)
            return Unmet((max(found, 0),), False)
        group = self._groups.get((before.entry, before.night))
        if group is None:
            return Unmet((), True)
        jobs = (self._newest(job) if before.follows else job for job in group.members)
        return Unmet(tuple(job for job in jobs if self._final(job) is None), not group.is_complete)

    # -- what happens -------------------------------------------------------------------------------------------------

    def submitted(self, label: Label, job: int, night: int) -> list[Waiter]:
        """A job of that name was submitted, or refused (REFUSED); give those who have waited for it to come."""
        if label in self._first:
            return []  # a resubmitted job under the same name: the first keeps it
        self._first[label] = job
        if label[0] in self._grouped:
            self._join(job, (label[0], night))
        waiters = self._unsubmitted.pop(label, [])
        if waiters:
            self._waiting.setdefault(job, []).extend(waiters)
        return [waiter for waiter, _ in waiters]

    def _join(self, job: int, night: tuple[str, int]) -> None:
        group = self._group(night)
        if job == REFUSED:
            group.refused = True
            return
        group.members.append(job)
        if self._final(job) is None:
            group.open += 1
            group.open_with_resubmitted += 1
            self._groups_of.setdefault(job, []).append((night, True))

    def _group(self, night: tuple[str, int]) -> _Group:
        return self._groups.setdefault(night, _Group())

    def resubmitted(self, job: int) -> list[Waiter]:
        """A job was resubmitted into its family; give those who wait for it from now on."""
        family = self._family(job)
        before = self._newest(family)
        self._latest[family] = job
        for night, group in self._groups.items() if self._grouped else ():
            if family in group.members:
                self._groups_of.setdefault(job, []).append((night, False))
                group.open_with_resubmitted += 1
        waiters = self._waiting.get(before, [])
        moved = [entry for entry in waiters if entry[1]]
        if moved:
            self._waiting[before] = [entry for entry in waiters if not entry[1]]
            self._waiting[job] = moved
        return [waiter for waiter, _ in moved]

    def _newest(self, job: int) -> int:
        family = self._family(job)
        return self._latest.get(family, family)

    def ended(self, job: int) -> list[Key]:
        """A job is final: give what has ended with it and is waited for, the job itself first."""
        found: list[Key] = [job] if job in self._waiting else []
        for (entry, night), is_member in self._groups_of.pop(job, ()):
            group = self._groups[entry, night]
            group.open_with_resubmitted -= 1
            group.open -= is_member
            found += self._over(entry, night, group)
        return found

    def complete(self, entry: str, night: int) -> list[Key]:
        """No more jobs of an entry come in a night: give what has ended with that and is waited for."""
        group = self._group((entry, night))
        group.is_complete = True
        return self._over(entry, night, group)

    def _over(self, entry: str, night: int, group: _Group) -> list[Key]:
        ended = ((False, group.open), (True, group.open_with_resubmitted))
        keys = [(entry, night, follows) for follows, unfinished in ended if group.is_complete and not unfinished]
        return [key for key in keys if key in self._waiting]

    def release(self, ended: Key) -> list[Waiter]:
        """Give those that wait for what has ended, in the order in which they came, and forget them."""
        return [waiter for waiter, _ in self._waiting.pop(ended, [])]

    # -- how it ended -------------------------------------------------------------------------------------------------

    def failed(self, ended: Key) -> int:
        """Give the first job of what has ended that failed: its number, or REFUSED; 0 when all is well."""
        if isinstance(ended, int):
            return ended if ended == REFUSED or self._final(ended) is State.FAILED else 0
        entry, night, follows = ended
        group = self._groups[entry, night]
        jobs = (self._newest(job) if follows else job for job in group.members)
        failed = next((job for job in jobs if self._final(job) is State.FAILED), 0)
        return failed or (REFUSED if group.refused else 0)

    def failed_of(self, after: After) -> int:
        """Give the first job that failed of all that a job waits for, which must have failed by that."""
        befores = (before for before in after.befores if self._judge(before) is False)
        return next(self.failed(self._key(before)) for before in befores)

    def _key(self, before: Before) -> Key:
        if before.number:
            return self.find((before.entry, before.number), before.follows)
        return before.entry, before.night, before.follows

    def _judge(self, before: Before) -> bool | None:
        """Say how one thing has ended; None: it has not."""
        if before.number:
            found = self.find((before.entry, before.number), before.follows)
            if not found or (found > 0 and self._final(found) is None):
                return None
            return before.goes_on or not self.failed(found)
        group = self._groups.get((before.entry, before.night))
        if group is None or not group.is_complete:
            return None
        if group.open_with_resubmitted if before.follows else group.open:
            return None
        return before.goes_on or not self.failed((before.entry, before.night, before.follows))


def _whole(after: After, verdicts: "list[bool | None]") -> bool | None:
    """Say what the single verdicts mean together: with ``any_of`` one True suffices, else one False does."""
    if after.any_of in verdicts:
        return after.any_of
    return None if None in verdicts else not after.any_of


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
