"""What went on around a job or a worker: faults, actions, outages, and who was taken by what?

Made once for a run, and asked for many stories.
"""

from bisect import bisect_right
from collections.abc import Sequence
from functools import cached_property

from emulator.broker.matching import meets
from emulator.measure.story.attempts import Attempt
from emulator.measure.story.causes import Causes
from emulator.measure.story.leases import LEASING, Leases
from emulator.measure.story.occupation import OCCUPYING, Occupation
from emulator.measure.story.settings import Settings
from emulator.measure.story.source import SURROUNDING, Numbered, Source
from emulator.record.events import Row

__all__ = ["Surroundings", "name_of"]

_BAD_STATES = ("off", "frozen", "cut_off")


class Surroundings:
    """What is known of a run besides the events of one subject.

    Args:
        source: gives the events.
        settings: what the scenario says.
        lasts: the tick at which the run ends (of one that was stopped before: its last event).

    Attributes:
        source, settings, until: the same; ``until`` is where what is unfinished is cut off.
        causes: follows causes.
    """

    def __init__(self, source: Source, settings: Settings, lasts: int) -> None:
        self.source = source
        self.settings = settings
        self.until = lasts if source.finished else max(0, source.last[1])
        self.causes = Causes(source)
        self._of_kind: dict[str, list[Numbered]] = {}
        for number, row in source.of_kinds(SURROUNDING):
            self._of_kind.setdefault(row[1], []).append((number, row))
        self._changes: dict[str, list[Numbered]] = {}
        for number, row in self.kind("worker_changed"):
            self._changes.setdefault(row[4], []).append((number, row))
        self._occupations: dict[tuple[str, ...], Occupation] = {}

    @cached_property
    def _again(self) -> list[Numbered]:
        """Give the submissions by which jobs were resubmitted."""
        return [(number, row) for number, row in self.source.of_kinds(("submitted",)) if row[13]]

    @cached_property
    def _takes_slots(self) -> dict[int, int]:
        """Give the slots of each job that takes several."""
        takes = {name: routine.takes_slots for name, routine in self.settings.scenario.routines.items()}
        if not any(slots > 1 for slots in takes.values()):
            return {}
        came = self.source.of_kinds(("submitted",))
        return {row[3]: slots for _, row in came if (slots := takes.get(row[6], 1)) > 1}

    @cached_property
    def leases(self) -> Leases:
        """Tell how many jobs of a queue or of a key ran."""
        return Leases(self.source.heads(LEASING), self.source.of_kinds(("submitted",)))

    def resubmitted(self, job: int) -> list[Numbered]:
        """Give the submissions by which a job was resubmitted."""
        return [(number, row) for number, row in self._again if row[13] == job]

    def family(self, job: int) -> list[int]:
        """Give the jobs of a family, whose effects are counted together, in the order in which they came."""
        first = _family(self._again)
        origin = first.get(job, job)
        return [origin, *(one for one, of in first.items() if of == origin)]

    def name(self, job: int) -> str:
        """Name a job as people do; "" if its submission is not known."""
        return next((name_of(row) for _, row in self.source.of_job(job) if row[1] == "submitted"), "")

    def requires(self, came: Row) -> tuple[str, ...]:
        """Give what the broker asked of a worker for a job, by its submission."""
        return self._needs(came, came[0]) if self.settings.queue(came[7]).matches_equipment else ()

    def _needs(self, came: Row, at: int) -> tuple[str, ...]:
        """Give what the version of a job's routine that was in force at a tick requires."""
        routine = came[6]
        found = self.settings.requires(routine)
        for _, row in self.kind("action_taken"):
            if row[0] <= at and row[5] == "new_version" and row[7] == routine:
                found = self.settings.new_requires(row[6], found)
        return found

    def lacked_tool(self, came: Row, attempt: Attempt) -> bool:
        """Say whether an attempt ended as it began, because its worker lacked what the job requires."""
        own = attempt.own
        if own is None or not own.stop or own.stopped != own.began or own.stop > attempt.end:
            return False
        needs = self._needs(came, attempt.at)
        if not needs or attempt.outcome != self.settings.missing_tool(came[6]):
            return False
        worker = self.settings.workers.get(own.worker)
        changed = self.latest("equipment_changed", own.event, p4=own.worker)
        has = changed[1][5].split(", ") if changed is not None else worker.equipment if worker is not None else ()
        return not meets(needs, [item for item in has if item])

    def kind(self, kind: str) -> Sequence[Numbered]:
        """Give the events of one kind that tells of surroundings, in order."""
        return self._of_kind.get(kind, ())

    def occupation(self, queue: str) -> Occupation:
        """Tell by what the workers that serve a queue were taken."""
        workers = {name: one for name, one in self.settings.workers.items() if queue in one.queues}
        names = tuple(workers)
        if names not in self._occupations:
            rows = self.source.of_kinds(OCCUPYING, frozenset(names))
            self._occupations[names] = Occupation(rows, workers, self._takes_slots)
        return self._occupations[names]

    def stretches(self, begins: str, ends: str, detail: str = "") -> list[tuple[int, int, tuple[int, ...]]]:
        """Give (begin, end, events) from each event of one kind to the next of another, told with the same detail."""
        found: list[tuple[int, int, tuple[int, ...]]] = []
        since: tuple[int, int] | None = None
        both = sorted((*self.kind(begins), *self.kind(ends)))
        for number, row in both:
            if detail and row[5] != detail:
                continue
            if row[1] == begins and since is None:
                since = number, row[0]
            elif row[1] == ends and since is not None:
                found.append((since[1], row[0], (since[0], number)))
                since = None
        if since is not None:
            found.append((since[1], self.until + 1, (since[0],)))
        return found

    def fault_on(self, worker: str, kinds: Sequence[str], at: int) -> int:
        """Give the event of the last fault of some kinds that a worker suffers from at a tick; 0 if none."""
        found = 0
        for number, row in self.kind("fault_began"):
            if row[0] > at:
                break
            if row[4] == worker and row[5] in kinds and self._fault_end(number) >= at:
                found = number
        return found

    def _fault_end(self, began: int) -> int:
        for _, row in self.kind("fault_ended"):
            if row[2] == began:
                return int(row[0])
        return self.until + 1

    def trouble(self, worker: str, after: int, before: int) -> Numbered | None:
        """Give the last event between two by which a worker went off, froze or was cut off."""
        found = None
        changes = self.changes(worker)
        for number, row in changes[bisect_right(changes, after, key=lambda one: one[0]) :]:
            if number >= before:
                break
            if row[5] in _BAD_STATES:
                found = number, row
        return found

    def changes(self, worker: str) -> list[Numbered]:
        """Give the events by which a worker told of its state, in order."""
        return self._changes.get(worker, [])

    def latest(self, kind: str, before: int, **details: object) -> Numbered | None:
        """Give the last event of a kind before another, with such values at places of the row (``p6="archive"``)."""
        found = None
        for number, row in self.kind(kind):
            if number >= before:
                break
            if all(_at(row, place) == value for place, value in details.items()):
                found = number, row
        return found


def name_of(row: Row) -> str:
    """Name a job by its submission: ``entry#number``, and ``(resubmitted as job n)`` for one that was resubmitted."""
    name = f"{row[8]}#{row[9]}"
    return f"{name} (resubmitted as job {row[3]})" if row[13] else name


def _at(row: Row, place: str) -> object:
    return row[int(place[1:])]


def _family(submissions: Sequence[Numbered]) -> dict[int, int]:
    """Give the first of the family of each job that was resubmitted."""
    first: dict[int, int] = {}
    for _, row in submissions:
        origin: int = row[13]
        first[row[3]] = first.get(origin, origin)
    return first
