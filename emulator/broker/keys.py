"""Which exclusive keys are busy, and which jobs wait for each? A lane for each key of a line."""

from emulator.broker.jobs import Entry, Job, Line, Queue, Row

__all__ = ["Keys", "Lane"]


class Lane(Row):
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

    def has_room(self, key: str, queue: Queue) -> bool:
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

    def lane(self, line: Line, key: str) -> Lane:
        """Give the lane of a key in a line, made when first asked for."""
        found = line.lanes.get(key)
        if found is None:
            found = line.lanes[key] = Lane(line)
            self.lanes.setdefault(key, []).append(found)
        return found
