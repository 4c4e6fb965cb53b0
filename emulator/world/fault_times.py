"""When does each fault occur, how long does it last, and whom does it hit?

The law: occurrences are fixed by keys and by absolute time, whatever happens in the world. A fault that is aimed at
workers by name (or at a whole pool) is one lane for each of them: a row of occurrences of its own, keyed by (fault,
worker, number), so that a worker that is added leaves the others' nights as they were, and one that happens to be off
misses its occurrence without shifting the next. A fault aimed at some or a share of a pool is one lane for the pool:
each occurrence ranks the pool's workers by a keyed uniform and hits the first of them, so that a larger share contains
the smaller, and a larger pool ranks those it had before in the same order.

A random process has a gap before each occurrence. It runs from the end of the one before (the last of its ends, where
it hits several workers), or from its onset, as it does where nothing ends.

A fault is known by its name; one without a name by its content, never by its place in the file: its kind, its times,
and what tells two kinds of harm apart (a tool, a direction). How many it hits, how hard, and how long are left out of
that, so that variants of them meet the same draws. Faults that are alike in all this are told apart by the rest of
their content.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING, Final

from emulator.errors import DefectError
from emulator.scenario.fault_kinds import FAULT_KINDS, MOMENTARY_KINDS, WORKER_KINDS
from emulator.scenario.models.distribution import Distribution as Law
from emulator.scenario.models.distribution import DrawnNumber
from emulator.scenario.models.faults import Action, Fault, Target, kind_of
from emulator.scenario.values import Model
from emulator.world.distribution import Distribution
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.sampling import drawn_number, drawn_whole, sampling_of

if TYPE_CHECKING:
    from emulator.world.worker import Worker

__all__ = ["Lane", "Timing", "aim_of", "choose", "fault_keys", "is_there", "lanes_of", "workers_of"]

_NOT_IDENTITY: Final = frozenset(
    (
        *("gaps_from", "lasts", "back_after", "program_absent", "to", "share", "factor", "how", "clock"),
        *("share_of_nights", "late_by", *WORKER_KINDS),
    )
)
"""What a fault's draws do not depend on: how hard, how long, how often, and whom (workers stand in the lane's key)."""


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

        ``entity`` is the key of the lane; ``whole`` that of the fault, whose lanes begin at one time.

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


class Lane:
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


def lanes_of(
    faults: Sequence[Fault], workers: "Mapping[str, Worker]", pools: "Mapping[str, Sequence[Worker]]"
) -> list[Lane]:
    """Give every lane of every fault, in file order and within a fault in the order of its targets."""
    by_place: list[list[Lane]] = [[] for _ in faults]
    twins: dict[tuple[str, str, str], int] = {}
    wholes = fault_keys(faults)

    def lane(place: int, fault: Fault, timing: Timing, kind: str, name: str, of: str = "") -> Lane:
        identity: tuple[str | int, ...]
        if fault.name is not None:
            identity = ("named fault", fault.name, of, name)
        else:
            content = _written(fault, _NOT_IDENTITY)
            key = (kind, content, of + name)
            twins[key] = twin = twins.get(key, -1) + 1
            identity = ("fault", kind, content, of, name, twin)
        made = Lane(place, kind, fault, timing, name, identity)
        made.whole = wholes[place]
        by_place[place].append(made)
        return made

    for _, place in sorted((_written(fault), place) for place, fault in enumerate(faults)):
        fault = faults[place]
        kind, name = aim_of(fault)
        timing, aim = Timing(fault), getattr(fault, kind)
        if kind not in WORKER_KINDS:
            lane(place, fault, timing, kind, name)
        elif isinstance(aim, Target):
            made = lane(place, fault, timing, kind, name, "some of ")
            made.drawn, made.pool = aim, pools[aim.pool]
        else:
            for worker in workers_of(aim, workers, pools):
                lane(place, fault, timing, kind, worker.name).worker = worker
    return [lane for lanes in by_place for lane in lanes]


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
