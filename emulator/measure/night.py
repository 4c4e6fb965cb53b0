"""What is left of a night once its events are folded: plain, compact columns from which every figure is read.

The law: a ``Night`` holds no live object and no event. Each job has one row of whole numbers in a ``JobTable``,
whatever happened to it; what happens to few jobs (overlap, late effects) is kept in maps beside it.
"""

from array import array
from collections.abc import Mapping, Sequence
from itertools import compress
from operator import and_, ne
from typing import Final, NamedTuple

from emulator.measure.ages import (
    ATTEMPTS,
    DUE,
    EFFECTS,
    FAMILY,
    FINAL,
    FINISHED,
    FIRST_OUT,
    KIND,
    NUMBER,
    ORDINAL,
    PLAIN,
    RUN,
    SUBMITTED,
    WORKER,
    JobTable,
    Results,
)
from emulator.record.reasons import NONE, Values
from emulator.records import field, record
from emulator.scenario.stated import Aim

__all__ = [
    "AFTER_ITS_END",
    "ATTEMPTS",
    "DONE",
    "DUE",
    "EFFECTS",
    "FAMILY",
    "FINAL",
    "FINISHED",
    "FIRST_OUT",
    "HEALTHY",
    "IN_PROGRESS",
    "KEPT",
    "KIND",
    "NOT_KNOWN",
    "NUMBER",
    "ORDINAL",
    "PLAIN",
    "RUN",
    "SECOND_HAND_OUT",
    "SUBMITTED",
    "UNFINISHED",
    "WITHDRAWN",
    "WORKER",
    "Cell",
    "FinalState",
    "Intervals",
    "JobKind",
    "JobTable",
    "LostLease",
    "MissedFault",
    "Night",
    "RefusedJob",
    "Repeat",
    "SeenAction",
    "SeenFault",
    "Silence",
    "SkippedOccurrence",
]

UNFINISHED: Final = 0
"""Place in ``Night.finals`` of a job without a final state."""
DONE: Final = 1
"""Place in ``Night.finals`` of a job that is done."""

# Outcomes of a cell beside those of attempts.
IN_PROGRESS: Final = "in_progress"
WITHDRAWN: Final = "withdrawn"  # the job was withdrawn while a worker had it
SECOND_HAND_OUT: Final = "second_hand_out"  # the same lease, executed by one more worker; no attempt of its own
AFTER_ITS_END: Final = "after_its_end"  # begun when the attempt had already ended; no attempt of its own
KEPT: Final = "kept"  # parts finished in attempts that did not end ok, after which a later one went on; no attempt


class JobKind(NamedTuple):
    """What jobs are told apart by."""

    routine: str
    queue: str
    entry: str


class FinalState(NamedTuple):
    """How jobs ended; ``("unfinished", "", "")`` for those that did not. Why: a code, and its values in pairs."""

    state: str
    sub_state: str
    why: str
    values: tuple[tuple[str, str | int], ...] = ()


class Cell(NamedTuple):
    """Attempts of one kind of job on one worker with one outcome: how many, and the ticks executed in them."""

    attempts: int
    executed: int


class Intervals(NamedTuple):
    """When jobs of one kind were in a state: begins and ends in ticks; begins without an end lasted to the horizon."""

    begins: "array[int]"
    ends: "array[int]"


class Repeat(NamedTuple):
    """An effect that is not safe to repeat and landed ``times`` times on one target, from one family of jobs."""

    job: int
    effect: str
    target: str
    times: int


class RefusedJob(NamedTuple):
    """A submission that the broker refused, and why: a code and its values."""

    at: int
    kind: JobKind
    ordinal: int
    why: str
    values: Values = NONE.values


class SkippedOccurrence(NamedTuple):
    """An occurrence for which no job was submitted."""

    at: int
    entry: str
    ordinal: int
    why: str


class LostLease(NamedTuple):
    """A lease that was lost, without those of jobs that were withdrawn.

    ``delay``: the ticks from when its worker had stopped, died, frozen or been cut off to the loss; ``HEALTHY`` when
    the worker was at work and could be reached, ``NOT_KNOWN`` when it never began and is not known to have been out.
    """

    at: int
    job: int
    worker: str
    delay: int


HEALTHY: Final = -1
NOT_KNOWN: Final = -2


class Silence(NamedTuple):
    """The longest time for which no heartbeat of a worker was heard, in ticks, and the tick at which it ended."""

    longest: int
    at: int


class SeenFault(NamedTuple):
    """A fault that hit something: when, which, where it stands in the scenario, and what it hit.

    ``ended`` is -1 when it had not ended at the horizon, and for faults that have no end.
    """

    at: int
    ended: int
    fault: str
    place: str
    target: str


class SeenAction(NamedTuple):
    """Something that a person did."""

    at: int
    action: str
    target: str


class MissedFault(NamedTuple):
    """A fault that hit nothing."""

    at: int
    fault: str
    place: str
    target: str
    why: str


@record
class Night:
    """One run, folded: made by ``NightFold``, read by ``Figures``.

    Attributes:
        horizon: the tick at which the run ended; what was unfinished then is censored there.
        seed: the seed that ``run_began`` told, or None.
        factors: by how much the night differs from a usual one, by name.
        table: the jobs' rows.
        kinds, finals, workers: the names behind the codes in the rows.
        pools: worker -> pool. slots: worker -> slots, where they are not 1.
        takes_slots: routine -> slots that a job of it takes, where they are not 1.
        on_time: worker -> ticks in which it was on (every state but off).
        cells: (kind, worker, outcome) -> attempts and executed ticks.
        waits: per kind, when jobs were queued or requeued, of those that are not plain. held: likewise for the two held
            states, of all.
        overlap: job -> ticks in which it was executed more than once at a time.
        detections: (kind, worker, delay) of every lost lease whose worker had really stopped, died or been cut off.
        undetected: the same, for leases that had not ended at the horizon.
        lost: every lost lease, in the order of their loss.
        stale: (job, what) -> how often it was refused.
        landed: (kind, effect) -> how often. refused_effects: likewise.
        late: job -> effects landed under a token that was no longer valid. after_end: likewise, after the job's end.
        calls: system -> the ticks at which calls to it began, in the order in which they ended.
        repeats: what landed more than once and must not, within one family, in the order of jobs.
        shared: (effect, target) -> landings, of those that landed from more than one family and must not be repeated.
        results: the good results on targets and of sets, for their ages. aims: what the scenario is to leave.
        silences: worker -> its longest silence; empty where heartbeats were not simulated.
        faults: those that hit something, in the order of their beginning. actions: what people did.
        occurrences: entry -> the tick at which each occurrence is due, by ordinal.
        offered_load: pool -> the load that was stated, in workers' worth of work.
        planned_on: pool -> ticks for which its workers are meant to be on, added up.
    """

    horizon: int
    seed: int | None
    table: JobTable
    kinds: tuple[JobKind, ...]
    finals: tuple[FinalState, ...]
    workers: tuple[str, ...]
    on_time: Mapping[str, int]
    cells: Mapping[tuple[int, str, str], Cell]
    waits: tuple[Intervals, ...]
    held: tuple[Intervals, ...]
    overlap: Mapping[int, int]
    detections: tuple[tuple[int, str, int], ...]
    undetected: tuple[tuple[int, str, int], ...]
    lost: tuple[LostLease, ...]
    stale: Mapping[tuple[int, str], int]
    landed: Mapping[tuple[int, str], int]
    refused_effects: Mapping[tuple[int, str], int]
    late: Mapping[int, int]
    after_end: Mapping[int, int]
    calls: "Mapping[str, array[int]]"
    repeats: tuple[Repeat, ...]
    shared: Mapping[tuple[str, str], int]
    results: Results
    silences: Mapping[str, Silence]
    refused: tuple[RefusedJob, ...]
    repeated_submissions: int
    skipped: tuple[SkippedOccurrence, ...]
    faults: tuple[SeenFault, ...]
    faults_missed: tuple[MissedFault, ...]
    actions: tuple[SeenAction, ...]
    pools: Mapping[str, str] = field(default_factory=dict)
    slots: Mapping[str, int] = field(default_factory=dict)
    takes_slots: Mapping[str, int] = field(default_factory=dict)
    occurrences: Mapping[str, Sequence[int]] = field(default_factory=dict)
    offered_load: Mapping[str, float] = field(default_factory=dict)
    planned_on: Mapping[str, int] = field(default_factory=dict)
    aims: tuple[Aim, ...] = ()
    factors: Mapping[str, float] = field(default_factory=dict)

    __eq__ = object.__eq__
    __hash__ = object.__hash__

    def __len__(self) -> int:
        """Give the number of jobs that were accepted."""
        return len(self.table)

    @property
    def first(self) -> int:
        """Give the number of the first job."""
        return self.table.first

    @property
    def waiting(self) -> tuple[Intervals, ...]:
        """Tell, per kind, when jobs were queued or requeued; that of plain jobs is read from the table."""
        found = [Intervals(waits.begins[:], waits.ends[:]) for waits in self.waits]
        kinds, begins, ends = (self.table.column(column) for column in (KIND, SUBMITTED, FIRST_OUT))
        begin = [kind.begins.append for kind in found]
        end = [kind.ends.append for kind in found]
        which = map(and_, self.table.column(PLAIN), map(ne, begins, ends))  # a stay of no length is none
        for kind, since, until in compress(zip(kinds, begins, ends, strict=True), which):
            begin[kind](since)
            end[kind](until)
        return tuple(Intervals(*(array("q", sorted(ticks)) for ticks in kind)) for kind in found)

    def value(self, job: int, column: int) -> int:
        """Give one number of one job's row."""
        return self.table.value(job, column)

    def column(self, column: int) -> "array[int]":
        """Give one number of each job's row, in the order of the jobs' numbers."""
        return self.table.column(column)

    def kind_of(self, job: int) -> JobKind:
        """Tell a job's routine, queue and arrival entry."""
        return self.kinds[self.value(job, KIND)]

    def final_of(self, job: int) -> FinalState:
        """Tell how a job ended."""
        return self.finals[self.value(job, FINAL)]

    def name_of(self, job: int) -> str:
        """Name a job as people do: ``entry#number``, and ``(resubmitted as job n)`` for a job that was resubmitted."""
        name = f"{self.kind_of(job).entry}#{self.value(job, ORDINAL)}"
        return name if self.value(job, FAMILY) == job else f"{name} (resubmitted as job {job})"
