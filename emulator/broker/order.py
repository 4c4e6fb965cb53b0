"""Which job goes next? The best of all lines that a worker may take from, found without looking at every job.

The law: jobs are ordered by (-priority, place). Jobs of one queue with equal requirements, equal expectation and as
many slots form a line, so that a worker looks at one head a line. A worker is shown the lines that take no more slots
than it has free: a job that does not fit is passed over, and holds no place on a worker for itself. Jobs with an
exclusive key wait in a lane of their line, and only the best of a lane stands in the line, and only while the key has
room: 100,000 jobs on one busy key cost the others nothing. Nothing is searched for: an entry whose reason has gone
stays where it is and is dropped when it comes to the head. What was tried: one heap for each worker's view of the queue
(every submission then touches every view), and parking blocked jobs when they are met (the first worker to come pays
for all of them).

A line is a double structure. What comes in order, as nearly everything does, is appended to a deque; the rest goes to
a heap; the head is the better of both.
"""

from collections import deque
from heapq import heappop, heappush
from typing import Final

from emulator.broker.jobs import Job
from emulator.broker.matching import Offer, equipment_of, meets, slots_of
from emulator.broker.rules import QueueRules
from emulator.broker.states import Request, State, refuses

__all__ = ["Entry", "Keys", "Lane", "Line", "Queue", "Terms"]

Entry = tuple[int, int, Job]

_NOTHING: Final[frozenset[str]] = frozenset()


class _Row:
    """Entries, best first; those that came in order apart from those that did not."""

    __slots__ = ("heap", "row")

    def __init__(self) -> None:
        self.row: deque[Entry] = deque()
        self.heap: list[Entry] = []

    def push(self, entry: Entry) -> None:
        row = self.row
        if not row or row[-1] < entry:
            row.append(entry)
        else:
            heappush(self.heap, entry)

    def first(self) -> Entry | None:
        """Give the best entry, good or not."""
        row, heap = self.row, self.heap
        if row:
            return heap[0] if heap and heap[0] < row[0] else row[0]
        return heap[0] if heap else None

    def drop(self, entry: Entry) -> None:
        """Drop the entry that ``first`` gave."""
        row = self.row
        if row and row[0] is entry:
            row.popleft()
        else:
            heappop(self.heap)


class Line(_Row):
    """The jobs of one queue with equal requirements and equal expectation, which take as many slots."""

    __slots__ = ("expected", "lanes", "queue", "requires", "slots")

    def __init__(self, queue: "Queue", requires: tuple[str, ...], expected: int, slots: int) -> None:
        super().__init__()
        self.queue = queue
        self.requires = requires
        self.expected = expected
        self.slots = slots
        self.lanes: dict[str, Lane] = {}

    def head(self) -> Entry | None:
        """Give the best entry whose job may be taken, dropping those before it whose reason has gone."""
        row, heap = self.row, self.heap
        while row or heap:
            entry = row[0] if row and (not heap or row[0] < heap[0]) else heap[0]
            job = entry[2]
            if job.lane is None:
                if job.entry is entry:
                    if job.waiting:
                        return entry
                    job.inside = False
            elif job.lane.shown is entry:
                return entry
            elif job.entry is entry:
                job.copied = False
            if row and row[0] is entry:
                row.popleft()
            else:
                heappop(heap)
        return None


class Lane(_Row):
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
        self.lanes: dict[str, list[Lane]] = {}

    def has_room(self, key: str, queue: "Queue") -> bool:
        users = self.users.get(key)
        return users is None or len(users) < queue.per_key_at_most

    def occupy(self, job: Job) -> None:
        """A job with a key was taken: hide the lanes for which there is no room now."""
        self.users.setdefault(job.key, []).append(job.number)
        for lane in self.lanes[job.key]:
            if not self.has_room(job.key, lane.line.queue):
                lane.shown = None

    def drop(self, key: str, lane: Lane) -> None:
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


class Terms:
    """The terms on which a job runs: those of its queue, or its own in their place.

    Attributes:
        rules: the rules of the queue, with the job's own lease, time limit and retry in place of the queue's.
        lease: how long its lease is.
        renewal: what a renewal gives it, 0 if it is not renewed.
        longest: its time limit in ticks, or None; has_limits: some limit counts from its submission.
        resumes: once its time limit was reached, it goes on after its last finished part.
        slots: how many of its worker's slots it takes.
    """

    __slots__ = ("has_limits", "lease", "longest", "renewal", "resumes", "rules", "slots")

    def __init__(self, rules: QueueRules, slots: int = 1) -> None:
        self.rules = rules
        self.slots = slots
        self.lease = rules.lease
        self.renewal = rules.lease if rules.renewed and not refuses(State.RUNNING, Request.RENEWAL) else 0
        self.longest = None if rules.time_limit is None else rules.time_limit.after
        self.resumes = rules.time_limit is not None and rules.time_limit.then == "resume"
        self.has_limits = rules.start_within is not None or rules.retry.total_limit is not None


class Queue:
    """A queue: its rules, its lines and its counts.

    Attributes:
        name, running_at_most, per_key_at_most: from its rules.
        terms: on which its jobs run that have none of their own.
        held: a person holds it.
        waiting: jobs that are queued or requeued; running: leases out; unfinished: jobs not final.
        lines: by (requires, expected, slots); matched: the lines that a worker with some offer may take from.
    """

    __slots__ = (
        "held",
        "lines",
        "matched",
        "name",
        "per_key_at_most",
        "renewal",
        "rules",
        "running",
        "running_at_most",
        "terms",
        "unfinished",
        "waiting",
    )

    def __init__(self, rules: QueueRules) -> None:
        self.rules = rules
        self.name = rules.name
        self.terms = Terms(rules)
        self.per_key_at_most = rules.per_key_at_most
        self.running_at_most = rules.running_at_most
        self.held = False
        self.waiting = 0
        self.running = 0
        self.unfinished = 0
        self.lines: dict[tuple[tuple[str, ...], int, int], Line] = {}
        self.matched: dict[Offer, list[Line]] = {}

    def new_line(self, requires: tuple[str, ...], expected: int, slots: int) -> Line:
        """Make the line of such jobs, of which there was none so far."""
        line = self.lines[requires, expected, slots] = Line(self, requires, expected, slots)
        for offer, lines in self.matched.items():
            if self._fits(line, offer):
                lines.append(line)
        return line

    def _fits(self, line: Line, offer: Offer) -> bool:
        if line.slots > slots_of(offer):
            return False
        return not self.rules.matches_equipment or meets(line.requires, sorted(equipment_of(offer)))

    def lines_for(self, offer: Offer) -> list[Line]:
        """Give the lines that a worker with that offer may take from."""
        found = self.matched.get(offer)
        if found is None:
            found = self.matched[offer] = [line for line in self.lines.values() if self._fits(line, offer)]
        return found

    def is_full(self) -> bool:
        """Say whether as many jobs run as may."""
        return self.running_at_most is not None and self.running >= self.running_at_most

    def add(self, job: Job, keys: Keys) -> None:
        """Let a job wait for a worker; its ``entry`` says where."""
        job.waiting = True
        self.waiting += 1
        entry = job.entry
        if not job.key:
            if not job.inside:
                job.inside = True
                job.line.push(entry)
            return
        lane = self._lane(job.line, job.key, keys)
        if job.lane is not lane:
            job.lane = lane
            job.inside = False
        if not job.inside:
            job.inside = True
            lane.push(entry)
        if (lane.shown is None or entry < lane.shown) and keys.has_room(job.key, self):
            lane.show()

    def remove(self, job: Job, keys: Keys) -> None:
        """A job waits no longer: it was taken, held, or is final."""
        job.waiting = False
        self.waiting -= 1
        lane = job.lane
        if lane is not None and lane.shown is job.entry and not lane.show():  # it was shown, so the key has room
            keys.drop(job.key, lane)

    def _lane(self, line: Line, key: str, keys: Keys) -> Lane:
        """Give the lane of a key in a line, made when first asked for."""
        found = line.lanes.get(key)
        if found is None:
            found = line.lanes[key] = Lane(line)
            keys.lanes.setdefault(key, []).append(found)
        return found

    def best(self, offer: Offer, time_left: int | None) -> Entry | None:
        """Give the best entry that such a worker may take, or None; it stays where it is."""
        if not self.waiting or self.held or (self.running_at_most is not None and self.running >= self.running_at_most):
            return None
        best: Entry | None = None
        for line in self.matched.get(offer) or self.lines_for(offer):
            if time_left is not None and line.expected > time_left:
                continue
            row = line.row
            entry = row[0] if row and not line.heap else None
            if entry is None or not entry[2].waiting or entry[2].lane is not None or entry[2].entry is not entry:
                entry = line.head()  # nearly never: the first of those that came in order is as good as it was
            if entry is not None and (best is None or entry < best):
                best = entry
        return best
