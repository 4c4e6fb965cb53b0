"""What can be expected of a scenario from what it states: work, workers and their hours, arrivals.

The law: no clairvoyance. Nothing here draws; whatever is said follows from stated distributions, whose p95 stands for
"long" and whose least for "at best". Waiting in line at a system and failures are left aside.

The law: where it is not certain, the larger time counts. What runs at a shutdown may go on as long as it is waited for,
a machine that is switched on again after a fault stays on, and boots, losses and retries take no time.
"""

from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import Any, NamedTuple

from emulator.scenario.clock import Clock
from emulator.scenario.load import Loaded
from emulator.scenario.messages import Loc
from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.pools import Pool, PowerSchedule, Queue, SkewedClock
from emulator.scenario.models.routines import Part, Routine
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.recurrence import occurrences
from emulator.scenario.schedules import Switch, Terms, on_days, on_from_the_start, power_switches, terms_of
from emulator.scenario.written import patched
from emulator.world.sampling import Distribution as Law
from emulator.world.sampling import sampling_of

__all__ = [
    "Crew",
    "Entry",
    "Hazard",
    "Outlook",
    "Said",
    "Work",
    "crews",
    "law_of",
    "slot_time",
    "windows_of",
]


Said = tuple[Loc, str]
"""Where in the scenario a hazard lies, and what may come of it."""


class Hazard(NamedTuple):
    """Something that a scenario permits, and that the writer may not want.

    Attributes:
        code: which kind of hazard it is, as in the reference page.
        path: the dotted path of the value that it hangs on.
        message: what may happen, with the figures that it follows from.
        place: file:line:column of that value, or the file alone.
    """

    code: str
    path: str
    message: str
    place: str

    def __str__(self) -> str:
        return f"{self.place}: {self.code}: {self.path}: {self.message}."


class Work(NamedTuple):
    """A time in ticks: what a worker at speed 1 takes itself, and what it waits for systems."""

    own: float = 0
    calls: float = 0

    def plus(self, other: "Work", times: int = 1) -> "Work":
        return Work(self.own + times * other.own, self.calls + times * other.calls)

    def at(self, speed: float) -> float:
        """Give the whole time for a worker of this speed, in ticks."""
        return self.own / speed + self.calls


class Entry(NamedTuple):
    """One entry of arrivals with what its jobs have to do: work on average, at p95 and at the least."""

    place: int
    arrival: Arrival
    routine: Routine
    mean: Work
    p95: Work
    least: Work
    steps: tuple[Work, ...]
    """The least that each single step takes."""


def law_of(distribution: Distribution) -> Law:
    """Give the law of a distribution that is not traced."""
    law = sampling_of(distribution)
    assert law is not None  # only what a part takes can be traced, and that is asked for before
    return law


def windows_of(name: str, pool: Pool) -> Iterator[tuple[Loc, PowerSchedule]]:
    """List the power windows of a pool that has workers, each with its place in the scenario."""
    for place, window in enumerate(pool.windows if pool.count else ()):
        yield ("pools", name, "power", *([] if window is pool.power else [place])), window


class Outlook:
    """One loaded scenario, seen beforehand."""

    def __init__(self, loaded: Loaded, scenario: Scenario | None = None) -> None:
        self.loaded = loaded
        self.scenario = scenario or loaded.scenario

    @property
    def clock(self) -> Clock:
        return self.loaded.clock

    @cached_property
    def data(self) -> Mapping[str, Any]:
        """The plain data behind the scenario, or behind the variant of it."""
        for name, scenario in self.loaded.variants.items():
            if scenario is self.scenario:
                return patched(self.loaded.data, self.loaded.patches[name])[0]
        return self.loaded.data

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        return tuple(self._entry(place, arrival) for place, arrival in enumerate(self.scenario.arrivals))

    def _entry(self, place: int, arrival: Arrival) -> Entry:
        routine = self.scenario.routines[arrival.routine]
        mean, p95, least = Work(), Work(), Work()
        steps = []
        for part in routine.parts:
            times = self.elements(arrival, part)
            more = Work(routine.growth(part, arrival.parameters))
            one_mean, one_p95, one_least = (one.plus(more) for one in self._part(part))
            mean, p95, least = mean.plus(one_mean, times), p95.plus(one_p95, times), least.plus(one_least, times)
            steps += [one_least] * (times > 0)
        return Entry(place, arrival, routine, mean, p95, least, tuple(steps))

    def elements(self, arrival: Arrival, part: Part) -> int:
        """Say how often a part is done in jobs of an entry; what a trace will tell is taken as once."""
        if part.for_each is None:
            return 1
        if part.for_each not in arrival.parameters:
            return 1 if arrival.trace is not None else 0
        return len(arrival.parameters[part.for_each])

    def _part(self, part: Part) -> tuple[Work, Work, Work]:
        if part.law is None:
            assert part.calls is not None  # a part takes a time or calls a system
            law = law_of(self.scenario.systems[part.calls.partition("/")[0]].answers_in)
            return Work(0, law.expectation()), Work(0, law.p95()), Work(0, law.least())
        if part.law.traced:
            return Work(), Work(), Work()  # only the trace knows, and it is not read beforehand
        law = law_of(part.law)
        return Work(law.expectation()), Work(law.p95()), Work(law.least())

    def terms(self, entry: Entry) -> Terms:
        """Give the terms on which the jobs of an entry run."""
        return terms_of(self.scenario, entry.arrival, entry.arrival.routine)

    def stated(self, terms: Terms, key: str) -> Loc:
        """Give the place of the lease, the time limit or the retry that holds for some jobs."""
        who, name = terms.stated_by[key]
        if who != "arrivals":
            return who, name, key
        places = (place for place, arrival in enumerate(self.scenario.arrivals) if arrival.label == name)
        return who, next(places), key

    def entries_of(self, queue: str) -> list[Entry]:
        return [entry for entry in self.entries if entry.routine.queue == queue]

    def pools_of(self, queue: str) -> dict[str, Pool]:
        """Give the pools with workers that serve a queue, by name."""
        return {name: pool for name, pool in self.scenario.pools.items() if queue in pool.serves and pool.count}

    def served(self) -> Iterator[tuple[str, Queue, str, Pool]]:
        """List every queue with every pool that serves it."""
        for queue, settings in self.scenario.queues.items():
            for name, pool in self.pools_of(queue).items():
                yield queue, settings, name, pool

    def speeds(self, queue: str) -> list[float]:
        """List the speeds of the workers that serve a queue, each once, the slowest first."""
        found = set()
        for pool in self.pools_of(queue).values():
            own = [differs.speed for differs in pool.per_worker.values() if differs.speed is not None]
            found.update(own)
            if len(own) < pool.count:
                found.add(pool.speed)
        return sorted(found)

    def longest(self, entry: Entry) -> float:
        """Give the p95 of an entry's work on the slowest worker that may get it, in ticks."""
        return entry.p95.at(min(self.speeds(entry.routine.queue), default=1.0))

    def due(self, arrival: Arrival) -> list[int]:
        """List the ticks at which a recurrence comes within the run."""
        assert arrival.recurs is not None
        until = min(arrival.ends if arrival.ends is not None else self.scenario.lasts, self.scenario.lasts)
        keep = on_days(arrival.days, self.clock)
        return [
            occurrence.nominal_tick
            for occurrence in occurrences(
                arrival.recurs,
                self.clock,
                until,
                from_tick=arrival.begins,
                excluded=arrival.excludes,
                at_changes=arrival.at_changes,
            )
            if keep is None or keep(occurrence.nominal_tick)
        ]

    def clocks(self, pool: Pool) -> list[SkewedClock]:
        """List the clocks of a pool's workers."""
        own = [differs.clock for differs in pool.per_worker.values() if differs.clock is not None]
        return own + ([pool.clock] if len(own) < pool.count else [])

    def may_mean(self, who: str, pool: str) -> bool:
        """Say whether a grant or credential for a pool or worker is for workers of a pool."""
        return who == pool or who in self.scenario.pools[pool].names(pool)


Span = tuple[int, int]


class Crew(NamedTuple):
    """Like workers of a pool: how many slots they have together, how fast, and when (spans of ticks) they are on."""

    pool: str
    slots: int
    speed: float
    spans: tuple[Span, ...]

    def time(self, after: int) -> int:
        """Give the time of all slots together from a tick on."""
        return self.slots * sum(max(end - max(begin, after), 0) for begin, end in self.spans)


def crews(outlook: Outlook, pools: Iterable[str]) -> list[Crew]:
    """Part the workers of some pools into crews."""
    found = []
    for name in pools:
        pool = outlook.scenario.pools[name]
        for differs in pool.per_worker.values():
            joins = pool.joins if differs.joins is None else differs.joins
            spans = tuple(_spans(outlook, pool, joins))
            found.append(Crew(name, differs.slots or pool.slots, differs.speed or pool.speed, spans))
        rest = (pool.count - len(pool.per_worker)) * pool.slots
        found.append(Crew(name, rest, pool.speed, tuple(_spans(outlook, pool, pool.joins))))
    return found


def slot_time(crews: Iterable[Crew], at_most: int, after: int) -> int:
    """Give the time of all slots together from a tick on, of which so many at most are used at once."""
    changes = sorted(
        change
        for crew in crews
        for begin, end in crew.spans
        if end > after
        for change in ((max(begin, after), crew.slots), (end, -crew.slots))
    )
    whole, on, since = 0, 0, after
    for at, more in changes:
        whole += min(on, at_most) * (at - since)
        on, since = on + more, at
    return whole


def _spans(outlook: Outlook, pool: Pool, joins: int) -> Iterator[Span]:
    """List when workers that join at a tick can be on, the spans apart from each other and in order."""
    lasts, windows = outlook.scenario.lasts, pool.windows
    if _comes_back(outlook) or (pool.woken_on_demand and on_from_the_start(windows)):
        yield 0, lasts
        return
    begins = 0 if pool.woken_on_demand else min(joins, lasts)
    if not windows:
        yield begins, lasts
        return
    changes = power_switches(outlook.clock, windows, lasts)
    before = [change.on for change in changes if change.at <= begins]
    since = begins if on_from_the_start(windows) or (before and before[-1]) else None
    spans: list[Span] = []
    for at, on, window in [*(one for one in changes if begins < one.at < lasts), Switch(lasts, False, windows[0])]:
        if on and since is None:
            since = at
        elif not on and since is not None:
            waits = window.finish_within if window.at_shutdown == "finish" else 0
            if spans and spans[-1][1] >= since:
                since = spans.pop()[0]
            spans.append((since, min(at + waits, lasts)))
            since = None
    yield from spans


def _comes_back(outlook: Outlook) -> bool:
    """Say whether a fault may switch a machine on outside its hours: at its end, or by a job that ends a program."""
    return any(
        fault.how == "takes_worker_down"
        or (fault.power_off is not None and (fault.back_after or fault.ends) is not None)
        for fault in outlook.scenario.faults
    )
