"""How do the faults of a scenario run through its night: when do they begin and end, and what is told of them?

Each occurrence is told by ``fault_began``; what it does to the world names that event as its cause. It ends with
``fault_ended``, or at once with ``fault_missed`` if it hit nothing. At one instant faults go in file order, then by the
number of the occurrence. A fault that never occurred is told as missed when the run is over, with the number 0.
Of a fault that is not there tonight (`share_of_nights`) nothing is told.
"""

from typing import NamedTuple

from emulator.scenario.models.faults import Fault
from emulator.scenario.models.scenario import Scenario
from emulator.timeline.agenda import FAULTS
from emulator.world.fault_effects import Hits, Targets
from emulator.world.fault_times import Lane, aim_of, fault_keys, is_there, lanes_of
from emulator.world.worker import RunContext, Worker

__all__ = ["Faults", "Missed", "Struck"]


class Missed(NamedTuple):
    """A fault that hit nothing: when, which (``place`` as in ``faults[0]``, ``number`` of its occurrence), why."""

    at: int
    fault: str
    place: str
    number: int
    target: str
    why: str


class Struck(NamedTuple):
    """An occurrence of a fault that hit something: which, whom, and the event that told of it."""

    lane: Lane
    number: int
    worker: Worker | None
    event: int


class Faults:
    """Everything that goes wrong in one run.

    Args:
        context: what is due (occurrences join its rank of faults); who takes ``fault_began``, ``fault_ended`` and
            ``fault_missed``; the draws of gaps, repairs and who is hit, keyed by the fault's content; the workers.
        targets: what the faults are done to.
        scenario: gives the faults, the pools and how long the run lasts.

    Attributes:
        missed: every occurrence that hit nothing, in the order in which they were told.
    """

    __slots__ = (
        "_agenda",
        "_aimed",
        "_back_at",
        "_came",
        "_draws",
        "_emit",
        "_hits",
        "_job_of",
        "_poisoned",
        "_pools",
        "_scenario",
        "_workers",
        "missed",
    )

    def __init__(self, context: RunContext, targets: Targets, scenario: Scenario) -> None:
        self._agenda, self._emit, self._draws = context.agenda, context.emit, context.draws
        self._workers, self._pools = context.workers, context.pools
        self._job_of = targets.control.job_of
        self._scenario = scenario
        self._hits = Hits(targets, scenario)
        self._aimed: set[int] = set()
        self._came: set[int] = set()
        self._poisoned: list[Lane] = []
        self._back_at: dict[str, int] = {}
        self.missed: list[Missed] = []

    def start(self) -> None:
        """Put the first occurrence of every fault on the agenda; called once, before anything runs."""
        for lane in lanes_of(self._scenario.faults, self._workers, self._pools):
            self._aimed.add(lane.place)
            if lane.fault.share_of_nights:
                self._plan(lane, 1, 0)

    def finish(self) -> None:
        """Tell of what came to nothing: faults that never occurred, poison for jobs that never came.

        Called once, when the run is over and before its last event.
        """
        at = self._scenario.lasts
        for lane in self._poisoned:
            entry, _, ordinal = lane.name.rpartition("#")
            if not self._job_of(entry, int(ordinal)):
                self._tell_missed(Missed(at, lane.kind, _place(lane.place), 1, lane.name, "no_such_job_came"))
        for place, fault in enumerate(self._scenario.faults):
            if not fault.share_of_nights:
                continue
            for name in self._absent(fault) if place in self._came else ():
                self._tell_missed(Missed(at, aim_of(fault)[0], _place(place), 0, name, "no_such_workers"))
            if place not in self._came:
                kind, aim = aim_of(fault)
                why = "not_before_the_end" if place in self._aimed else "no_such_workers"
                self._tell_missed(Missed(at, kind, _place(place), 0, aim, why))

    def _absent(self, fault: Fault) -> list[str]:
        """Name the workers that a fault is aimed at and that are not there, as under a variant with fewer of them."""
        kind, _ = aim_of(fault)
        aim = getattr(fault, kind)
        names = aim if isinstance(aim, tuple) else ()
        return [name for name in names if name not in self._pools and name not in self._workers]

    # -- faults that nobody wrote down before ------------------------------------------------------------------------

    def strike_now(self, fault: Fault, place: int) -> list[Struck]:
        """Let a fault begin at this instant, or put the first occurrence of a random process on the agenda.

        Args:
            fault: its ``at`` is the present tick, unless it has ``gaps``.
            place: what events call it by, beyond those of the scenario.

        Gives what began and hit something; ``end`` ends those that have no end of their own.
        """
        struck: list[Struck] = []
        for lane in lanes_of((fault,), self._workers, self._pools):
            lane.place = place
            if lane.timing.gaps is not None:
                self._plan(lane, 1, 0)
            else:
                struck += self._begin_now(lane, 1)
        return struck

    def schedule(self, fault: Fault, place: int) -> None:
        """Put a fault on the agenda that nobody wrote down before; none of its times has passed.

        One that is there in some nights may not be there in this one.
        """
        if not is_there(fault, fault_keys((fault,))[0], self._draws):
            return
        for lane in lanes_of((fault,), self._workers, self._pools):
            lane.place = place
            self._plan(lane, 1, 0)

    def end(self, struck: Struck) -> None:
        """End what began and has no end of its own."""
        self._end(struck)

    def will_bring_back(self, worker: Worker) -> bool:
        """Say whether a worker that is off gets its power back, before the run is over, at the end of a power off."""
        return self._agenda.now <= self._back_at.get(worker.name, -1) < self._scenario.lasts

    # -- occurrences ------------------------------------------------------------------------------------------------

    def _plan(self, lane: Lane, number: int, before: int) -> None:
        at = lane.timing.onset(self._draws, lane.entity, lane.whole, number, before)
        if at is not None and at < self._scenario.lasts:
            self._agenda.at(at, self._begin, (lane, number), FAULTS, lane.place + 1, number)

    def _begin(self, what: tuple[Lane, int]) -> None:
        lane, number = what
        self._came.add(lane.place)
        self._begin_now(lane, number)
        self._plan(lane, number + 1, lane.next_gap(self._draws, number, self._agenda.now))

    def _begin_now(self, lane: Lane, number: int) -> list[Struck]:
        now = self._agenda.now
        hit = lane.hits(self._draws, number)
        if not hit:
            why = "share_is_none" if lane.pool else "no_workers"
            self._tell_missed(Missed(now, lane.kind, _place(lane.place), number, lane.name, why))
        return [struck for worker in hit if (struck := self._strike(lane, number, worker)) is not None]

    def _strike(self, lane: Lane, number: int, worker: Worker | None) -> Struck | None:
        now, target = self._agenda.now, lane.name if worker is None else worker.name
        who = "" if worker is None else worker.name
        row = (now, "fault_began", 0, 0, who, lane.kind, _place(lane.place), number, target)
        event = self._emit(row)
        why = self._hits.begin(event, lane, number, worker, lane.strength(self._draws, number, worker))
        if why:
            self._tell_missed(Missed(now, lane.kind, _place(lane.place), number, target, why), who, event)
            return None
        if lane.kind == "poison_job":
            self._poisoned.append(lane)
        end = lane.end(self._draws, number, now, worker)
        struck = Struck(lane, number, worker, event)
        if end is not None:
            self._agenda.at(end, self._end, struck, FAULTS, lane.place + 1, number)
            if lane.kind == "power_off":
                self._back_at[who] = max(end, self._back_at.get(who, 0))
        return struck

    def _end(self, ending: Struck) -> None:
        lane, number, worker, began = ending
        target = lane.name if worker is None else worker.name
        row = (self._agenda.now, "fault_ended", began, 0, "" if worker is None else worker.name)
        event = self._emit((*row, lane.kind, _place(lane.place), number, target))
        self._hits.end(event, lane, number, worker)

    def _tell_missed(self, what: Missed, worker: str = "", cause: int = 0) -> None:
        self.missed.append(what)
        row = (what.at, "fault_missed", cause, 0, worker, what.fault, what.place, what.number, what.target, what.why)
        self._emit(row)


def _place(number: int) -> str:
    return f"faults[{number}]"
