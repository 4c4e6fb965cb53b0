"""Warnings of too little room: load, time, places in the queue, workers for the work; and of times that mislead."""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final

from emulator.broker.rules import meets, read_equipment
from emulator.hazards.outlook import Crew, Entry, Outlook, Said, crews, law_of, slot_time, windows_of
from emulator.scenario.clock import Clock
from emulator.scenario.messages import Loc
from emulator.scenario.models.distribution import Distribution
from emulator.scenario.models.pools import Pool
from emulator.scenario.names import expand
from emulator.scenario.recurrence import Unclear, hints, unclear, usual
from emulator.scenario.schedules import is_on, power_switches, rate_spans, switches, times_of
from emulator.timeline.ticks import DAY, HOUR, say

__all__ = [
    "after_the_end",
    "burst_above_capacity",
    "clock_change",
    "crosses_clock_change",
    "few_have_the_slots",
    "load_above_capacity",
    "more_work_than_time",
    "nobody_equipped",
    "nobody_serves",
    "nothing_comes",
    "poll_above_start_within",
    "power_off_in_run",
    "recurrence_minute",
    "slots_stay_taken",
    "tool_nobody_has",
]


_EXACT = 1 + 1e-9
"""What just fits may come out larger by how fractions are rounded."""

_GROUP = tuple[tuple[str, ...], tuple[str, ...]]


def _groups(outlook: Outlook) -> list[_GROUP]:
    """Part the queues and pools into groups that share nothing: (queues, pools) of each, in file order."""
    left = list(outlook.scenario.queues)
    groups = []
    while left:
        queues, pools = [left.pop(0)], []
        for queue in queues:  # grows while it is walked
            for name, pool in outlook.pools_of(queue).items():
                if name not in pools:
                    pools.append(name)
                    fresh = [other for other in pool.serves if other in left]
                    left = [other for other in left if other not in fresh]
                    queues += fresh
        groups.append((tuple(queues), tuple(pools)))
    return groups


def _busy(entry: Entry, slots: list[tuple[int, float]]) -> float:
    """Give the time for which one job keeps a slot, on average over slots, in ticks."""
    rate = sum(number / entry.mean.at(speed) for number, speed in slots if entry.mean.at(speed))
    return sum(number for number, _ in slots) / rate if rate else 0.0


_Rate = tuple[int, int, float]
"""From a tick until another so many jobs come in a tick."""


def _rates(outlook: Outlook, entry: Entry) -> list[_Rate]:
    """Give the rates of an entry, one after the other; none if it has none."""
    arrival = entry.arrival
    rate = arrival.per_hour
    if rate is None:
        gap = arrival.every or (law_of(arrival.gaps).expectation() if arrival.gaps is not None else 0)
        rate = HOUR / gap if gap else 0.0
    spans = rate_spans(rate, arrival.days, outlook.clock, *arrival.window(outlook.scenario.lasts))
    return [(begin, end, jobs / HOUR * arrival.batch_mean) for begin, end, jobs in spans]


def _most(loads: Iterable[tuple[int, int, float]]) -> tuple[float, int]:
    """Give the most that some loads, each from a tick until another, come to together, and from when on."""
    now: list[tuple[int, float]] = []
    most, since = 0.0, 0
    for begin, same in groupby(sorted(loads), key=lambda one: one[0]):
        now = [(end, load) for end, load in now if end > begin] + [(end, load) for _, end, load in same]
        together = sum(load for _, load in now)
        if together > most:
            most, since = together, begin
    return most, since


def load_above_capacity(outlook: Outlook) -> Iterator[Said]:
    """More work comes for a while than the workers can do."""
    for queues, pools in _groups(outlook):
        slots = [(crew.slots, crew.speed) for crew in crews(outlook, pools)]
        room = sum(number for number, _ in slots)
        at_once = {
            queue: [
                (begin, end, rate * _busy(entry, slots), entry.routine.takes_slots)
                for entry in outlook.entries_of(queue)
                for begin, end, rate in _rates(outlook, entry)
            ]
            for queue in queues
        }
        most, peak = _most((begin, end, n * takes) for some in at_once.values() for begin, end, n, takes in some)
        if room and most >= room:
            yield (
                _pools_loc(pools),
                f"from {outlook.clock.local(peak):%H:%M} on work for {most:.3g} slots comes to "
                f"{' and '.join(queues)}, and there are {room}: the backlog grows as long as that goes on",
            )
        for queue in queues:
            limit = outlook.scenario.queues[queue].running_at_most
            most, _ = _most((begin, end, jobs) for begin, end, jobs, _ in at_once[queue])
            if limit is not None and limit < room and most >= limit:
                yield (
                    ("queues", queue, "running_at_most"),
                    f"work for {most:.3g} slots comes to {queue}, and at most {limit} of its jobs run at once: "
                    "the backlog grows as long as that goes on",
                )


def more_work_than_time(outlook: Outlook) -> Iterator[Said]:
    """All the work that comes from some time on is more than the workers can do in what is left of the night."""
    for queues, pools in _groups(outlook):
        workers = crews(outlook, pools)
        coming = [
            (begin, queue, entry, jobs)
            for queue in queues
            for entry in outlook.entries_of(queue)
            if (jobs := _jobs(outlook, entry)) and (begin := _first(outlook, entry)) is not None
        ]
        starts = sorted({begin for begin, *_ in coming})
        for after in starts if workers else ():
            some = [(queue, entry, jobs) for begin, queue, entry, jobs in coming if begin >= after]
            work, room = _work_and_room(outlook, some, workers, after)
            if work > room * _EXACT:
                yield _pools_loc(pools), _too_much(outlook, " and ".join(queues), after, work, "the workers have", room)
                break
        for queue in queues:
            limit = outlook.scenario.queues[queue].running_at_most
            mine = [crew for crew in workers if queue in outlook.scenario.pools[crew.pool].serves]
            if limit is None or limit >= sum(crew.slots for crew in mine):
                continue
            fastest = max(crew.speed for crew in mine if crew.slots)
            for after in starts:
                work = sum(
                    jobs * entry.mean.at(fastest)
                    for begin, name, entry, jobs in coming
                    if name == queue and begin >= after
                )
                if work > (room := slot_time(mine, limit, after)) * _EXACT:
                    have = f"with at most {limit} of its jobs at once there are"
                    yield ("queues", queue, "running_at_most"), _too_much(outlook, queue, after, work, have, room)
                    break


def _too_much(outlook: Outlook, queues: str, after: int, work: float, have: str, room: float) -> str:
    since = f"{outlook.clock.local(after):%H:%M}"
    return (
        f"the jobs that come to {queues} from {since} on are {work / HOUR:.3g} hours of work, "
        f"and from then to the end {have} {room / HOUR:.3g} hours"
    )


def _work_and_room(
    outlook: Outlook, coming: list[tuple[str, Entry, float]], workers: list[Crew], after: int
) -> tuple[float, float]:
    """Give the work of some jobs and the time for it, in ticks of an average slot.

    The time of a crew counts as that of the job which it is best at, so that no way of sharing the jobs out does more.
    """
    slots = [(crew.slots, crew.speed) for crew in workers]
    busy = [(queue, entry.mean, _busy(entry, slots), jobs * entry.routine.takes_slots) for queue, entry, jobs in coming]
    work = sum(jobs * each for _, _, each, jobs in busy)
    room = 0.0
    for crew in workers:
        serves = outlook.scenario.pools[crew.pool].serves
        best = max((each / mean.at(crew.speed) for queue, mean, each, _ in busy if each and queue in serves), default=0)
        room += crew.time(after) * best
    return work, room


def _first(outlook: Outlook, entry: Entry) -> int | None:
    """Give the tick before which no job of an entry comes."""
    arrival = entry.arrival
    if arrival.at is not None:
        return arrival.at
    if arrival.recurs is not None:
        return min(outlook.due(arrival), default=None)
    return min((begin for begin, _, _ in _rates(outlook, entry)), default=None)


def _jobs(outlook: Outlook, entry: Entry) -> float:
    """Say how many jobs an entry brings on average; what traces and finite sources bring is not known."""
    arrival = entry.arrival
    if arrival.at is not None:
        return (1 if arrival.count is None else arrival.count) if arrival.at < outlook.scenario.lasts else 0
    jobs = (
        len(outlook.due(arrival)) * arrival.batch_mean
        if arrival.recurs is not None
        else sum(rate * (end - begin) for begin, end, rate in _rates(outlook, entry))
    )
    return jobs if arrival.count is None else min(jobs, arrival.count)


def _pools_loc(pools: tuple[str, ...]) -> Loc:
    return ("pools", pools[0]) if len(pools) == 1 else ("pools",)


def burst_above_capacity(outlook: Outlook) -> Iterator[Said]:
    """More jobs come at one instant than a queue holds."""
    at_once: Counter[tuple[str, int]] = Counter()
    for entry in outlook.entries:
        if entry.arrival.at is not None:
            at_once[entry.routine.queue, entry.arrival.at] += 1 if entry.arrival.count is None else entry.arrival.count
    for (queue, at), jobs in at_once.items():
        capacity = outlook.scenario.queues[queue].capacity
        if capacity is not None and jobs > capacity:
            yield (
                ("queues", queue, "capacity"),
                f"{jobs} jobs come at {outlook.clock.local(at):%H:%M}, and the queue holds {capacity}: "
                f"at least {jobs - capacity} are refused",
            )


def poll_above_start_within(outlook: Outlook) -> Iterator[Said]:
    """Idle workers ask so seldom that jobs expire meanwhile."""
    for queue, settings in outlook.scenario.queues.items():
        pools = outlook.pools_of(queue)
        soonest = min((pool.poll.shortest or 0 for pool in pools.values()), default=0)
        if settings.start_within is not None and soonest > settings.start_within:
            yield (
                ("queues", queue, "start_within"),
                f"jobs expire after {say(settings.start_within)}, and an idle worker asks every {say(soonest)} only: "
                "jobs can expire with workers idle",
            )


def _sets(name: str, pool: Pool, slots: int = 1) -> Iterator[frozenset[str]]:
    """List what each worker of a pool has at any time, if it has so many slots: one set for each distinct state."""
    special = {worker for change in pool.equipment_changes for worker in change.workers or ()}
    workers = sorted({*pool.per_worker, *special})
    like_all = [""] if len(workers) < pool.count else []
    for worker in [*workers, *like_all]:
        differs = pool.per_worker.get(worker)
        if ((differs.slots if differs is not None else None) or pool.slots) < slots:
            continue
        own = differs.equipped_with if differs is not None else None
        has = set(pool.equipped_with if own is None else own)
        yield frozenset(has)
        for change in sorted(pool.equipment_changes, key=lambda change: change.at):
            if change.workers is None or worker in change.workers:
                has = {item for item in has if item not in change.removes} | set(change.installs)
                yield frozenset(has)


def nobody_equipped(outlook: Outlook) -> Iterator[Said]:
    """No worker that serves the queue ever has all that a routine requires."""
    for name, routine in outlook.scenario.routines.items():
        pools = outlook.pools_of(routine.queue)
        sets = [has for pool_name, pool in pools.items() for has in _sets(pool_name, pool)]
        if not routine.requires or not sets or any(meets(routine.requires, has) for has in sets):
            continue
        missing = [item for item in routine.requires if not any(meets([item], has) for has in sets)]
        what = ", ".join(missing) if missing else "all of " + ", ".join(routine.requires) + " at once"
        if outlook.scenario.queues[routine.queue].matches_equipment:
            then = "its jobs wait for ever"
        else:
            then = "its jobs fail on every worker"
        yield ("routines", name, "requires"), f"no worker of {' or '.join(pools)} ever has {what}: {then}"


def few_have_the_slots(outlook: Outlook) -> Iterator[Said]:
    """No worker that is there and has what a routine requires has as many slots as a job of it takes."""
    for name, routine in outlook.scenario.routines.items():
        slots, pools = routine.takes_slots, outlook.pools_of(routine.queue)
        requires = routine.requires if outlook.scenario.queues[routine.queue].matches_equipment else ()
        able = {pool: [has for has in _sets(pool, it) if meets(requires, has)] for pool, it in pools.items()}
        if slots == 1 or not any(able.values()):
            continue
        if not any(meets(requires, has) for pool, it in pools.items() for has in _sets(pool, it, slots)):
            who = f"no worker of {' or '.join(pools)}" + (f" that has {', '.join(requires)}" if requires else "")
            yield (
                ("routines", name, "takes_slots"),
                f"{who} has {slots} slots: its jobs wait for ever, unless such a worker comes",
            )


def slots_stay_taken(outlook: Outlook) -> Iterator[Said]:
    """Jobs that take fewer slots may keep one that takes several waiting for as long as they come."""
    for name, routine in outlook.scenario.routines.items():
        slots, pools = routine.takes_slots, outlook.pools_of(routine.queue)
        able = [it for pool, it in pools.items() if list(_sets(pool, it, slots))]
        if slots == 1 or not able or not any(entry.arrival.routine == name for entry in outlook.entries):
            continue
        smaller = [
            {entry.arrival.routine for entry in outlook.entries if _goes_before(entry, slots, pool)} for pool in able
        ]
        if all(smaller):
            yield (
                ("routines", name, "takes_slots"),
                f"its jobs need {slots} free slots at once, and jobs of {', '.join(sorted(set().union(*smaller)))} "
                "take fewer and go first where fewer are free: a job of it may wait as long as such jobs come",
            )


def _goes_before(entry: Entry, slots: int, pool: Pool) -> bool:
    """Say whether the jobs of an entry take fewer slots of the workers of a pool."""
    return entry.routine.queue in pool.serves and entry.routine.takes_slots < slots


def nobody_serves(outlook: Outlook) -> Iterator[Said]:
    """Jobs come to a queue that no worker takes jobs from."""
    for queue in outlook.scenario.queues:
        if outlook.entries_of(queue) and not outlook.pools_of(queue):
            yield ("queues", queue), "no pool with workers serves it: its jobs wait for ever"


def tool_nobody_has(outlook: Outlook) -> Iterator[Said]:
    """A fault takes a tool away that no worker has."""
    tools = {
        read_equipment(item)[0]
        for name, pool in outlook.scenario.pools.items()
        for has in _sets(name, pool)
        for item in has
    }
    for place, fault in enumerate(outlook.scenario.faults):
        if fault.tool is not None and read_equipment(fault.tool)[0] not in tools:
            yield ("faults", place, "tool"), f"no worker ever has {fault.tool}: this fault changes nothing"


def power_off_in_run(outlook: Outlook) -> Iterator[Said]:
    """Workers are switched off while the run goes on, by their schedule or by a fault."""
    lasts = outlook.scenario.lasts
    for name, pool in outlook.scenario.pools.items():
        ends = [one for one in power_switches(outlook.clock, pool.windows, lasts) if not one.on and 0 <= one.at < lasts]
        for loc, window in windows_of(name, pool):
            first = next((one.at for one in ends if one.window is window), None)
            if first is not None:
                zone = outlook.clock if window.zone is None else outlook.clock.in_zone(window.zone)
                then = "what runs is killed" if window.at_shutdown == "kill" else "what runs is finished first"
                at = f"{zone.local(first):%H:%M (%A)}"
                yield (*loc, "off"), f"the workers are switched off at {at}: {then}"
    for place, fault in enumerate(outlook.scenario.faults):
        begins = fault.at if fault.at is not None else fault.begins or 0
        if fault.power_off is not None and begins < lasts:
            when = f"at {outlook.clock.local(begins):%H:%M}" if fault.at is not None else "at random or in a window"
            yield ("faults", place, "power_off"), f"power is lost {when}: what runs there is gone in mid-run"


_CLOCK_TIMES: Final = (
    *(("arrivals", "*", key) for key in ("at", "from", "until", "not_before")),
    *(("faults", "*", key) for key in ("at", "from", "until")),
    *(("actions", "*", key) for key in ("at", "until")),
    *(("access", "*", key) for key in ("given", "until")),
    *(("systems", "*", "outages", "*", key) for key in ("from", "until")),
    ("pools", "*", "joins"),
    ("pools", "*", "per_worker", "*", "joins"),
    ("pools", "*", "equipment_changes", "*", "at"),
)
"""Where a scenario may state a time on the clock."""


def after_the_end(outlook: Outlook) -> Iterator[Said]:
    """Something is stated for a time at which the run has ended."""
    for loc, tick in _moments(outlook):
        if tick >= outlook.scenario.lasts:
            yield (
                loc,
                f"{outlook.clock.local(tick):%Y-%m-%d %H:%M} is +{say(tick)} from the start, and the run ends at "
                f"+{say(outlook.scenario.lasts)}: this never happens",
            )


def _moments(outlook: Outlook) -> Iterator[tuple[Loc, int]]:
    scenario = outlook.scenario
    found: list[tuple[Loc, int | None]] = []
    for place, arrival in enumerate(scenario.arrivals):
        found += [(("arrivals", place, "at"), arrival.at), (("arrivals", place, "from"), arrival.begins)]
        found.append((("arrivals", place, "not_before"), arrival.not_before))
    for place, fault in enumerate(scenario.faults):
        found += [(("faults", place, "at"), fault.at), (("faults", place, "from"), fault.begins)]
    found += [(("actions", place, "at"), action.at) for place, action in enumerate(scenario.actions)]
    found += [(("access", place, "given"), grant.given) for place, grant in enumerate(scenario.access)]
    for name, system in scenario.systems.items():
        found += [(("systems", name, "outages", i, "from"), outage.begins) for i, outage in enumerate(system.outages)]
    for name, pool in scenario.pools.items():
        found.append((("pools", name, "joins"), pool.joins))
        found += [
            (("pools", name, "per_worker", worker, "joins"), one.joins) for worker, one in pool.per_worker.items()
        ]
        changes = enumerate(pool.equipment_changes)
        found += [(("pools", name, "equipment_changes", i, "at"), change.at) for i, change in changes]
    return ((loc, tick) for loc, tick in found if tick is not None)


def clock_change(outlook: Outlook) -> Iterator[Said]:
    """The clocks change: a stated time does not exist, or comes twice, or days of 24 hours lead to another."""
    clock = outlook.clock
    if len(shown := clock.instants(clock.starts)) != 1:
        yield ("starts",), _unclear(clock, clock.starts, shown, 0)
    for pattern in _CLOCK_TIMES:
        for loc, text in expand(outlook.data, pattern):
            if isinstance(text, str) and (found := clock.unclear(text)) and not _wished(outlook, loc, found[1]):
                yield loc, _unclear(clock, *found, clock.moment(text))
    yield from _recurrences(outlook)
    yield from _exact_days(outlook)
    for name, pool in outlook.scenario.pools.items():
        for loc, window in windows_of(name, pool):
            here = clock if window.zone is None else clock.in_zone(window.zone)
            for key, text in (("on", window.on), ("off", window.off)):
                for local, tick in switches(outlook.clock, window, text, outlook.scenario.lasts):
                    if 0 <= tick < outlook.scenario.lasts and len(shown := here.instants(local)) != 1:
                        yield (*loc, key), _unclear(here, local, shown, tick)


def _exact_days(outlook: Outlook) -> Iterator[Said]:
    """Tell the whole days of 24 hours after which the clock shows another time than before them."""
    clock = outlook.clock
    for loc, text in (found for pattern in _CLOCK_TIMES for found in expand(outlook.data, pattern)):
        if isinstance(text, str) and text.startswith("+") and text.endswith(("d", "w")):
            days, rest = divmod(ticks := clock.moment(text), DAY)
            if not rest and (shown := clock.local(ticks)).utcoffset() != clock.local(0).utcoffset():
                yield loc, _by_24_hours(text, shown, f"+P{days}D")
    for place, arrival in enumerate(outlook.scenario.arrivals):
        if arrival.every is not None and not arrival.every % DAY:
            ends = outlook.scenario.lasts if arrival.ends is None else min(arrival.ends, outlook.scenario.lasts)
            begins = clock.local(arrival.begins).utcoffset()
            due = (clock.local(tick) for tick in range(arrival.begins, ends, arrival.every))
            if (first := next((shown for shown in due if shown.utcoffset() != begins), None)) is not None:
                days = arrival.every // DAY
                step = f";INTERVAL={days}" if days > 1 else ""
                yield ("arrivals", place, "every"), _by_24_hours(say(arrival.every), first, f"recurs: FREQ=DAILY{step}")


def _by_24_hours(text: str, shown: datetime, instead: str) -> str:
    told = f"{text} counts 24 hours a day, and the clocks change meanwhile: it leads to {shown.isoformat()}"
    return f"{told}; for the same time on the clock write {instead}"


def _wished(outlook: Outlook, loc: Loc, shown: tuple[int, ...]) -> bool:
    """Say whether an arrival entry states what is wanted of a time that the clock never shows, or shows twice."""
    if (loc[0], loc[-1]) not in (("arrivals", "at"), ("arrivals", "recurs")):
        return False
    arrival = outlook.scenario.arrivals[int(loc[1])]
    return (arrival.in_double_hour if shown else arrival.in_missing_hour) is not None


def _recurrences(outlook: Outlook) -> Iterator[Said]:
    """Tell what recurrences name and the clock never shows, or shows twice, where nothing is stated of it."""
    clock, lasts = outlook.clock, outlook.scenario.lasts
    for place, arrival in enumerate(outlook.scenario.arrivals):
        ends = lasts if arrival.ends is None else min(arrival.ends, lasts)
        if arrival.count == 0:
            continue
        if arrival.recurs is not None:
            loc, what, wish = ("arrivals", place, "recurs"), arrival.recurs, usual(arrival.recurs)
            named = unclear(arrival.recurs, clock, ends, from_tick=arrival.begins, excluded=arrival.excludes)
        elif arrival.at is not None and arrival.days:
            loc, what, wish = ("arrivals", place, "at"), "at", ("shift", "first")
            named = list(_unclear_days(clock, arrival.at, lasts))
        else:
            continue
        for found in named:
            if _wished(outlook, loc, found.shown) or not is_on(arrival.days, found.local):
                continue
            as_usual = f"in_double_hour: {wish[1]}" if found.shown else f"in_missing_hour: {wish[0]}"
            names = f"{what} names {found.local}" + (f" (and {found.more} more)" if found.more else "")
            happens = "put back and shows twice" if found.shown else "put forward over"
            comes = " and ".join(clock.local(tick).isoformat() for tick in found.taken)
            then = f"it comes at {comes}" if comes else "it does not come"
            yield loc, f"{names}, which the clock in {clock.zone} is {happens}: {then} ({as_usual})"


def _unclear_days(clock: Clock, at: int, lasts: int) -> Iterator[Unclear]:
    """Give the days after the first on which the clock never shows the time of `at`, or shows it twice."""
    for number, local in enumerate(times_of(at, clock, lasts)):
        shown, taken = clock.instants(local), clock.ticks_at(local)
        if number and len(shown) != 1 and taken and taken[0] < lasts:
            yield Unclear(local, shown, taken, 0)


def _unclear(clock: Clock, local: datetime, shown: tuple[int, ...], taken: int) -> str:
    taken_is, stated = clock.local(taken).isoformat(), local.isoformat(" ")
    if not shown:
        return f"the clock in {clock.zone} is put forward over {stated}, which it never shows: {taken_is} is taken"
    other = clock.local(shown[-1]).isoformat()
    return f"the clock in {clock.zone} is put back and shows {stated} twice: {taken_is} is taken, and not {other}"


def crosses_clock_change(outlook: Outlook) -> Iterator[Said]:
    """A fault or an action begins before the clocks change and ends after that."""
    clock, lasts = outlook.clock, outlook.scenario.lasts
    for loc, key, begins, ends in _spans(outlook):
        ends = min(ends, lasts)
        change = clock.local(ends).utcoffset() if begins < ends else None
        before = clock.local(begins).utcoffset()
        if change is None or before is None or change == before:
            continue
        forward, shift = change > before, abs(change - before) // _TICK
        moved = f"the clocks are put {'forward' if forward else 'back'} by {say(shift)} in between"
        shown = (ends - begins) + (shift if forward else -shift)
        span = f"from {clock.local(begins):%H:%M} to {clock.local(ends):%H:%M}"
        if key == "until":
            what = f"it lasts {say(ends - begins)}, and not the {say(max(shown, 0))} that the clock shows"
        else:
            what = f"it lasts {say(ends - begins)}, and the clock shows {say(max(shown, 0))}"
        yield (*loc, key), f"{span} {moved}: {what}"


def _spans(outlook: Outlook) -> Iterator[tuple[Loc, str, int, int]]:
    """List what faults and actions state of their beginning and end: place, the key of the end, the two ticks.

    A length that is drawn is taken at its p95; random processes are left aside.
    """
    for place, fault in enumerate(outlook.scenario.faults):
        begins = fault.at if fault.at is not None else fault.begins or 0
        if fault.gaps is None:
            yield from _ended(("faults", place), begins, fault.ends, fault.lasts, fault.back_after)
    for place, action in enumerate(outlook.scenario.actions):
        lasts = None if action.lasts is None else Distribution(constant=action.lasts)
        yield from _ended(("actions", place), action.at, action.ends, lasts, action.back_after)


def _ended(
    loc: Loc, begins: int, ends: int | None, lasts: Distribution | None, back_after: Distribution | None
) -> Iterator[tuple[Loc, str, int, int]]:
    if ends is not None:
        yield loc, "until", begins, ends
    for key, law in (("lasts", lasts), ("back_after", back_after)):
        if law is not None:
            yield loc, key, begins, begins + law_of(law).p95()


_TICK: Final = timedelta(microseconds=1)


def nothing_comes(outlook: Outlook) -> Iterator[Said]:
    """An arrival entry brings no job before the end."""
    lasts = outlook.scenario.lasts
    for place, arrival in enumerate(outlook.scenario.arrivals):
        begins, ends = arrival.begins, lasts if arrival.ends is None else min(arrival.ends, lasts)
        if arrival.count == 0 or begins >= lasts:
            continue
        if arrival.recurs is not None and not outlook.due(arrival):
            span = f"from {outlook.clock.local(begins):%Y-%m-%d %H:%M} to {outlook.clock.local(ends):%Y-%m-%d %H:%M}"
            yield ("arrivals", place, "recurs"), f"{arrival.recurs} does not occur {span}: no job comes"
        elif arrival.gaps is not None and (least := law_of(arrival.gaps).least()) >= ends - begins:
            told = f"the first gap is at least {say(round(least))}, and the time for it is {say(ends - begins)}"
            yield ("arrivals", place, "gaps"), f"{told}: no job comes"


def recurrence_minute(outlook: Outlook) -> Iterator[Said]:
    """A recurrence takes its minute from the start of the scenario."""
    for place, arrival in enumerate(outlook.scenario.arrivals):
        if arrival.recurs is not None:
            for hint in hints(arrival.recurs, outlook.clock, arrival.begins):
                yield ("arrivals", place, "recurs"), hint
