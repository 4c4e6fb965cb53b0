"""Is there room for what comes: workers for the load, time for the work, places in the queue?"""

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import groupby

from emulator.scenario.hazards.hours import Crew, crews, slot_time
from emulator.scenario.hazards.outlook import Entry, Loc, Outlook, Said, law_of
from emulator.scenario.schedules import rate_spans
from emulator.timeline.ticks import HOUR, say

__all__ = ["burst_above_capacity", "load_above_capacity", "more_work_than_time", "poll_above_start_within"]

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
