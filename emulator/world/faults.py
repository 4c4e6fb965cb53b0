"""Runs the faults of a scenario: when each begins and ends, whom it hits, what overlaps, what is told of it.

The law: occurrences are fixed by keys and by absolute time, whatever happens in the world. A fault that is aimed at
workers by name (or at a whole pool) is one stream for each of them: a row of occurrences of its own, keyed by (fault,
worker, number), so that a worker that is added leaves the others' nights as they were, and one that happens to be off
misses its occurrence without shifting the next. A fault aimed at some or a share of a pool is one stream for the pool:
each occurrence ranks the pool's workers by a keyed uniform and hits the first of them, so that a larger share contains
the smaller, and a larger pool ranks those it had before in the same order.

A random process has a gap before each occurrence. It runs from the end of the one before (the last of its ends, where
it hits several workers), or from its onset, as it does where nothing ends.

A fault is known by its name; one without a name by its content, never by its place in the file: its kind, its times,
and what tells two kinds of harm apart (a tool, a direction). How many it hits, how hard, and how long are left out of
that, so that variants of them meet the same draws. Faults that are alike in all this are told apart by the rest of
their content.

Each occurrence is told by ``fault_began``; what it does to the world names that event as its cause. It ends with
``fault_ended``, or at once with ``fault_missed`` if it hit nothing. At one instant faults go in file order, then by the
number of the occurrence. A fault that never occurred is told as missed when the run is over, with the number 0.
Of a fault that is not there tonight (`share_of_nights`) nothing is told.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from math import floor
from typing import Final, NamedTuple

from emulator.errors import DefectError
from emulator.scenario.fault_kinds import FAULT_KINDS, FAULT_TABLE, MOMENTARY_KINDS, WORKER_KINDS
from emulator.scenario.models.distribution import Distribution as Law
from emulator.scenario.models.distribution import DrawnNumber
from emulator.scenario.models.faults import Action, Fault, Target, kind_of
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.values import Model
from emulator.timeline.agenda import FAULTS
from emulator.world.draws import Distribution, Draws, Purpose, entity_key
from emulator.world.fault_effects import EFFECTS, Answer, Occurrence, Targets, why_missed
from emulator.world.sampling import drawn_number, drawn_whole, sampling_of
from emulator.world.worker import RunContext, Worker

__all__ = [
    "FaultStream",
    "Faults",
    "Missed",
    "Struck",
    "Timing",
    "aim_of",
    "choose",
    "fault_keys",
    "is_there",
    "streams_of",
    "workers_of",
]


_NOT_IDENTITY: Final = frozenset(
    (
        *("gaps_from", "lasts", "back_after", "program_absent", "to", "share", "factor", "how", "clock"),
        *("share_of_nights", "late_by", *WORKER_KINDS),
    )
)
"""What a fault's draws do not depend on: how hard, how long, how often, and whom (workers are in the stream's key)."""


class Timing:
    """The times of one fault, as the scenario states them."""

    __slots__ = ("begins", "ends", "from_onset", "gaps", "instant", "lasts", "late_by")

    def __init__(self, fault: Fault) -> None:
        self.instant = kind_of(fault, FAULT_KINDS) in MOMENTARY_KINDS
        self.gaps = _law(fault.gaps)
        self.from_onset = self.instant or fault.gaps_from == "onset"
        self.lasts = _law(fault.lasts) or _law(fault.back_after)
        self.late_by = _law(fault.late_by)
        self.begins = fault.at if fault.at is not None else fault.begins or 0
        self.ends = fault.ends

    def onset(self, draws: Draws, entity: int, whole: int, number: int, before: int) -> int | None:
        """Give the tick of an occurrence (from 1), or None if there is none; ``before`` is where its gap begins.

        ``entity`` is the key of the stream; ``whole`` that of the fault, whose streams begin at one time.

        A random process begins its first gap at ``from`` (or at 0) and has no onset at ``until`` or later.
        """
        if self.gaps is None:
            if number != 1:
                return None
            late = self.late_by
            return self.begins + (late.sample(draws.row(Purpose.LATENESS, whole)) if late is not None else 0)
        before = self.begins if number == 1 else before
        at = before + self.gaps.sample(draws.row(Purpose.FAULT_GAP, entity, 0, number))
        return at if self.ends is None or at < self.ends else None

    def end(self, draws: Draws, entity: int, number: int, onset: int) -> int | None:
        """Give the tick at which an occurrence ends, None if it never does or has no length."""
        if self.instant:
            return None
        if self.lasts is not None:
            return onset + self.lasts.sample(draws.row(Purpose.FAULT_REPAIR, entity, 0, number))
        return self.ends if self.gaps is None else None


class FaultStream:
    """One row of occurrences of one fault.

    Attributes:
        place: the fault's place in the file, from 0.
        name: whom it is aimed at: a worker, or what the scenario names (a pool, a system, a queue; the broker).
        worker: the one worker that it hits, None if it hits none or draws them anew.
        entity: the key of its draws.
        whole: the key of what is drawn of the fault as a whole.
        drawn: how it draws workers of its pool, None if it does not.
    """

    __slots__ = ("_identity", "drawn", "entity", "fault", "kind", "name", "place", "pool", "timing", "whole", "worker")

    def __init__(
        self, place: int, kind: str, fault: Fault, timing: Timing, name: str, identity: tuple[str | int, ...]
    ) -> None:
        self.place = place
        self.kind = kind
        self.fault = fault
        self.timing = timing
        self.name = name
        self.worker: Worker | None = None
        self.drawn: Target | None = None
        self.pool: Sequence[Worker] = ()
        self._identity = identity
        self.entity = entity_key(*identity)
        self.whole = 0

    def hits(self, draws: Draws, number: int) -> "Sequence[Worker | None]":
        """Give the workers that an occurrence hits, in the pool's order; (None,) where it hits no worker at all."""
        if self.drawn is None:
            return (self.worker,)
        return choose(draws, self._identity, number, self.drawn, self.pool)

    def end(self, draws: Draws, number: int, onset: int, worker: "Worker | None") -> int | None:
        """Give the tick at which an occurrence ends for one of those whom it hits, None if it never does."""
        return self.timing.end(draws, self._own(worker), number, onset)

    def strength(self, draws: Draws, number: int, worker: "Worker | None") -> Fault:
        """Give the fault as strong as an occurrence is for one of those whom it hits: nothing in it is a law."""
        fault = self.fault
        update = {
            key: drawn_number(law, draws.uniform(Purpose.FAULT_STRENGTH, self._own(worker), 0, number))
            for key in ("to", "share", "factor")
            if isinstance(law := getattr(fault, key), DrawnNumber)
        }
        return fault.model_copy(update=update) if update else fault

    def _own(self, worker: "Worker | None") -> int:
        """Give the key of what is drawn for one of those whom it hits."""
        drawn = self.drawn is not None and worker is not None
        return entity_key(*self._identity, worker.name) if drawn and worker else self.entity

    def next_gap(self, draws: Draws, number: int, onset: int) -> int:
        """Give the tick at which the gap after an occurrence begins.

        That tick is told by keys alone, as onsets are: an occurrence that hits nobody lasts as long as any other.
        """
        timing = self.timing
        if timing.from_onset or timing.lasts is None:
            return onset
        ends = [self.end(draws, number, onset, worker) for worker in self.hits(draws, number)]
        return max([onset, *(end for end in ends if end is not None)])


def streams_of(
    faults: Sequence[Fault], workers: "Mapping[str, Worker]", pools: "Mapping[str, Sequence[Worker]]"
) -> list[FaultStream]:
    """Give every stream of every fault, in file order and within a fault in the order of its targets."""
    by_place: list[list[FaultStream]] = [[] for _ in faults]
    twins: dict[tuple[str, str, str], int] = {}
    wholes = fault_keys(faults)

    def stream(place: int, fault: Fault, timing: Timing, kind: str, name: str, of: str = "") -> FaultStream:
        identity: tuple[str | int, ...]
        if fault.name is not None:
            identity = ("named fault", fault.name, of, name)
        else:
            content = _written(fault, _NOT_IDENTITY)
            key = (kind, content, of + name)
            twins[key] = twin = twins.get(key, -1) + 1
            identity = ("fault", kind, content, of, name, twin)
        made = FaultStream(place, kind, fault, timing, name, identity)
        made.whole = wholes[place]
        by_place[place].append(made)
        return made

    for _, place in sorted((_written(fault), place) for place, fault in enumerate(faults)):
        fault = faults[place]
        kind, name = aim_of(fault)
        timing, aim = Timing(fault), getattr(fault, kind)
        if kind not in WORKER_KINDS:
            stream(place, fault, timing, kind, name)
        elif isinstance(aim, Target):
            made = stream(place, fault, timing, kind, name, "some of ")
            made.drawn, made.pool = aim, pools[aim.pool]
        else:
            for worker in workers_of(aim, workers, pools):
                stream(place, fault, timing, kind, worker.name).worker = worker
    return [stream for streams in by_place for stream in streams]


def fault_keys(faults: Sequence[Fault]) -> list[int]:
    """Give for each fault the key of what is drawn of it as a whole, once a night, in file order."""
    keys = [0] * len(faults)
    twins: dict[tuple[str, str, str], int] = {}
    for _, place in sorted((_written(fault), place) for place, fault in enumerate(faults)):
        fault = faults[place]
        if fault.name is not None:
            keys[place] = entity_key("named fault", fault.name)
            continue
        kind, aim = aim_of(fault)
        key = (kind, _written(fault, _NOT_IDENTITY), aim)
        twins[key] = twin = twins.get(key, -1) + 1
        keys[place] = entity_key("fault", *key, twin)
    return keys


def is_there(item: Fault | Action, key: int, draws: Draws) -> bool:
    """Say whether a fault or an action with a key is there tonight."""
    share = item.share_of_nights
    return share == 1 or (share > 0 and draws.uniform(Purpose.OF_THIS_NIGHT, key) < share)


def aim_of(fault: Fault) -> tuple[str, str]:
    """Give the kind of a fault and whom it is aimed at, in words.

    >>> aim_of(Fault(freeze=("dome-1", "tower"), at=5))
    ('freeze', 'dome-1, tower')
    """
    kind = kind_of(fault, FAULT_KINDS)
    assert kind is not None  # the model sees to it
    aim = getattr(fault, kind)
    if isinstance(aim, Target):
        return kind, aim.pool
    return kind, "broker" if aim is True else aim if isinstance(aim, str) else ", ".join(aim)


def workers_of(
    aim: str | Iterable[str], workers: "Mapping[str, Worker]", pools: "Mapping[str, Sequence[Worker]]"
) -> "list[Worker]":
    """Give the workers that names of workers and pools stand for, each once; a pool goes before a worker's name."""
    names = (aim,) if isinstance(aim, str) else aim
    found: dict[str, Worker] = {}
    for name in names:
        one = (workers[name],) if name in workers else ()  # a variant may have fewer workers
        for worker in pools.get(name, one):
            found.setdefault(worker.name, worker)
    return list(found.values())


def choose(
    draws: Draws, identity: tuple[str | int, ...], number: int, target: Target, pool: "Sequence[Worker]"
) -> "list[Worker]":
    """Draw some workers of a pool, in the pool's order: those with the least uniforms of their own keys.

    So many as ``some`` says, but never more than there are; or a share, rounded to whole workers with halves up; or
    all, where neither is given.
    """
    many, some, share = len(pool), target.some, target.share
    strength = entity_key(*identity, "many")
    if isinstance(some, DrawnNumber):
        some = drawn_whole(some, draws.uniform(Purpose.FAULT_STRENGTH, strength, 0, number))
    if isinstance(share, DrawnNumber):
        share = drawn_number(share, draws.uniform(Purpose.FAULT_STRENGTH, strength, 0, number))
    if some is not None:
        many = min(some, many)
    elif share is not None:
        many = floor(Fraction(str(share)) * many + Fraction(1, 2))
    if many >= len(pool):
        return list(pool)
    ranks = sorted(
        (draws.uniform(Purpose.FAULT_TARGET, entity_key(*identity, worker.name), 0, number), place)
        for place, worker in enumerate(pool)
    )
    return [pool[place] for place in sorted(place for _, place in ranks[:many])]


def _written(fault: Fault, without: frozenset[str] = frozenset()) -> str:
    """Write what a fault states, the same for the same content; defaults are left out, stated or not."""
    said = {name: value for name, value in _stated(fault).items() if name not in without}
    return json.dumps(said, default=_stated, sort_keys=True, separators=(",", ":"))


def _stated(model: Model) -> dict[str, object]:
    """Give the values of a model that are not its defaults; its serializer would take as long to make as a night."""
    values = ((name, getattr(model, name), of.default) for name, of in type(model).model_fields.items())
    return {name: value for name, value, default in values if value != default}


def _law(model: Law | None) -> Distribution | None:
    if model is None:
        return None
    law = sampling_of(model)
    if law is None:
        raise DefectError("a fault takes a traced time: only a part of a job can take that")
    return law


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

    stream: FaultStream
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
        self._poisoned: list[FaultStream] = []
        self._back_at: dict[str, int] = {}
        self.missed: list[Missed] = []

    def start(self) -> None:
        """Put the first occurrence of every fault on the agenda; called once, before anything runs."""
        for stream in streams_of(self._scenario.faults, self._workers, self._pools):
            self._aimed.add(stream.place)
            if stream.fault.share_of_nights:
                self._plan(stream, 1, 0)

    def finish(self) -> None:
        """Tell of what came to nothing: faults that never occurred, poison for jobs that never came.

        Called once, when the run is over and before its last event.
        """
        at = self._scenario.lasts
        for stream in self._poisoned:
            entry, _, ordinal = stream.name.rpartition("#")
            if not self._job_of(entry, int(ordinal)):
                self._tell_missed(Missed(at, stream.kind, _place(stream.place), 1, stream.name, "no_such_job_came"))
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
        for stream in streams_of((fault,), self._workers, self._pools):
            stream.place = place
            if stream.timing.gaps is not None:
                self._plan(stream, 1, 0)
            else:
                struck += self._begin_now(stream, 1)
        return struck

    def schedule(self, fault: Fault, place: int) -> None:
        """Put a fault on the agenda that nobody wrote down before; none of its times has passed.

        One that is there in some nights may not be there in this one.
        """
        if not is_there(fault, fault_keys((fault,))[0], self._draws):
            return
        for stream in streams_of((fault,), self._workers, self._pools):
            stream.place = place
            self._plan(stream, 1, 0)

    def end(self, struck: Struck) -> None:
        """End what began and has no end of its own."""
        self._end(struck)

    def will_bring_back(self, worker: Worker) -> bool:
        """Say whether a worker that is off gets its power back, before the run is over, at the end of a power off."""
        return self._agenda.now <= self._back_at.get(worker.name, -1) < self._scenario.lasts

    # -- occurrences ------------------------------------------------------------------------------------------------

    def _plan(self, stream: FaultStream, number: int, before: int) -> None:
        at = stream.timing.onset(self._draws, stream.entity, stream.whole, number, before)
        if at is not None and at < self._scenario.lasts:
            self._agenda.at(at, self._begin, (stream, number), FAULTS, stream.place + 1, number)

    def _begin(self, what: tuple[FaultStream, int]) -> None:
        stream, number = what
        self._came.add(stream.place)
        self._begin_now(stream, number)
        self._plan(stream, number + 1, stream.next_gap(self._draws, number, self._agenda.now))

    def _begin_now(self, stream: FaultStream, number: int) -> list[Struck]:
        now = self._agenda.now
        hit = stream.hits(self._draws, number)
        if not hit:
            why = "share_is_none" if stream.pool else "no_workers"
            self._tell_missed(Missed(now, stream.kind, _place(stream.place), number, stream.name, why))
        return [struck for worker in hit if (struck := self._strike(stream, number, worker)) is not None]

    def _strike(self, stream: FaultStream, number: int, worker: Worker | None) -> Struck | None:
        now, target = self._agenda.now, stream.name if worker is None else worker.name
        who = "" if worker is None else worker.name
        row = (now, "fault_began", 0, 0, who, stream.kind, _place(stream.place), number, target)
        event = self._emit(row)
        why = self._hits.begin(event, stream, number, worker, stream.strength(self._draws, number, worker))
        if why:
            self._tell_missed(Missed(now, stream.kind, _place(stream.place), number, target, why), who, event)
            return None
        if FAULT_TABLE[stream.kind].of == "job":
            self._poisoned.append(stream)
        end = stream.end(self._draws, number, now, worker)
        struck = Struck(stream, number, worker, event)
        if end is not None:
            self._agenda.at(end, self._end, struck, FAULTS, stream.place + 1, number)
            if stream.kind == "power_off":
                self._back_at[who] = max(end, self._back_at.get(who, 0))
        return struck

    def _end(self, ending: Struck) -> None:
        stream, number, worker, began = ending
        target = stream.name if worker is None else worker.name
        row = (self._agenda.now, "fault_ended", began, 0, "" if worker is None else worker.name)
        event = self._emit((*row, stream.kind, _place(stream.place), number, target))
        self._hits.end(event, stream, number, worker)

    def _tell_missed(self, what: Missed, worker: str = "", cause: int = 0) -> None:
        self.missed.append(what)
        row = (what.at, "fault_missed", cause, 0, worker, what.fault, what.place, what.number, what.target, what.why)
        self._emit(row)


def _place(number: int) -> str:
    return f"faults[{number}]"


_Key = tuple[str, str, str]
"""(kind, target, part of it): what an occurrence takes hold of."""

_Token = tuple[int, int]


class Hits:
    """Applies faults to the world and undoes them, keeping count of those that overlap."""

    __slots__ = ("_lasting", "_scenario", "_targets")

    def __init__(self, targets: Targets, scenario: Scenario) -> None:
        self._targets = targets
        self._scenario = scenario
        self._lasting: dict[_Key, dict[_Token, Fault]] = {}

    def begin(self, cause: int, stream: FaultStream, number: int, worker: Worker | None, fault: Fault) -> str:
        """Let an occurrence begin, as strong as ``fault`` says; give why it hit nothing, "" when it hit."""
        keys = _keys(stream, worker)
        overlaps = any(self._lasting.get(key) for key in keys)
        why = why_missed(self._apply(cause, stream, worker, fault), EFFECTS[stream.kind].missed)
        if why and not overlaps:
            if EFFECTS[stream.kind].has_value:
                self._apply(cause, stream, worker, None)  # a value may have been taken all the same
            return why
        for key in keys:
            self._lasting.setdefault(key, {})[stream.place, number] = fault
        return ""

    def end(self, cause: int, stream: FaultStream, number: int, worker: Worker | None) -> None:
        """Let an occurrence that hit end; what it did is undone if no other of its kind still lasts."""
        free: list[_Key] = []
        for key in _keys(stream, worker):
            lasting = self._lasting[key]
            was_last = next(reversed(lasting)) == (stream.place, number)
            del lasting[stream.place, number]
            if not lasting:
                del self._lasting[key]
                free.append(key)
            elif was_last and EFFECTS[stream.kind].has_value:
                self._apply(cause, stream, worker, next(reversed(lasting.values())))
        if free:
            self._apply(cause, stream, worker, None, tuple(part for _, _, part in free))

    def _apply(
        self, cause: int, stream: FaultStream, worker: Worker | None, holds: Fault | None, freed: tuple[str, ...] = ()
    ) -> Answer:
        """Put a fault in force on a stream's target, or (None) what was before any."""
        effect, occurrence = (
            EFFECTS[stream.kind],
            Occurrence(self._targets, self._scenario, cause, stream.fault, stream.name),
        )
        occurrence.holds, occurrence.freed = holds, freed
        if worker is not None:
            occurrence.worker, occurrence.name = worker, worker.name
        if holds is not None or effect.has_value:
            return effect.begin(occurrence)
        return None if effect.end is None else effect.end(occurrence)


def _keys(stream: FaultStream, worker: Worker | None) -> list[_Key]:
    """Give what an occurrence of a stream takes hold of."""
    name = stream.name if worker is None else worker.name
    return [(stream.kind, name, part) for part in EFFECTS[stream.kind].parts(stream.fault)]
