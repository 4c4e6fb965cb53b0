"""Is there room for what comes: workers for the load, time for the work, places in the queue?"""

from collections import Counter
from collections.abc import Iterator

from emulator.scenario.hazards.outlook import Entry, Loc, Outlook, Said, law_of
from emulator.timeline.ticks import HOUR, say

__all__ = ["burst_above_capacity", "load_above_capacity", "more_work_than_time", "poll_above_start_within"]

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


def _slots(outlook: Outlook, pools: tuple[str, ...]) -> list[tuple[int, float]]:
    """List (slots, speed) for all workers of some pools."""
    found = []
    for name in pools:
        pool = outlook.scenario.pools[name]
        own = list(pool.differ.values())
        for differs in own:
            found.append((differs.slots or pool.slots, differs.speed or pool.speed))
        found.append(((pool.count - len(own)) * pool.slots, pool.speed))
    return found


def _busy(entry: Entry, slots: list[tuple[int, float]]) -> float:
    """Give the time for which one job keeps a slot, on average over slots, in ticks."""
    rate = sum(number / entry.mean.at(speed) for number, speed in slots if entry.mean.at(speed))
    return sum(number for number, _ in slots) / rate if rate else 0.0


def _per_tick(entry: Entry) -> float:
    """Give the rate of an entry in jobs a tick; 0 if it has none."""
    arrival = entry.arrival
    if arrival.per_hour is not None:
        return arrival.per_hour / HOUR
    gap = arrival.every or (law_of(arrival.gaps).expectation() if arrival.gaps is not None else 0)
    return 1 / gap if gap else 0.0


def _window(outlook: Outlook, entry: Entry) -> tuple[int, int]:
    lasts = outlook.scenario.lasts
    return min(entry.arrival.begins, lasts), min(lasts if entry.arrival.ends is None else entry.arrival.ends, lasts)


def load_above_capacity(outlook: Outlook) -> Iterator[Said]:
    """More work comes for a while than the workers can do."""
    for queues, pools in _groups(outlook):
        slots = _slots(outlook, pools)
        room = sum(number for number, _ in slots)
        coming = [e for queue in queues for e in outlook.entries_of(queue) if _per_tick(e)]
        windows = {entry.place: _window(outlook, entry) for entry in coming}
        loads = {entry.place: _per_tick(entry) * _busy(entry, slots) for entry in coming}
        starts = sorted({begin for begin, end in windows.values() if begin < end})
        at = {t: sum(loads[place] for place, (begin, end) in windows.items() if begin <= t < end) for t in starts}
        peak = max(starts, key=lambda t: (at[t], -t), default=None)
        if peak is not None and room and at[peak] >= room:
            yield (
                _pools_loc(pools),
                f"from {outlook.clock.local(peak):%H:%M} on work for {at[peak]:.3g} slots comes to "
                f"{' and '.join(queues)}, and there are {room}: the backlog grows as long as that goes on",
            )
        for queue in queues:
            limit = outlook.scenario.queues[queue].running_at_most
            mine = [entry.place for entry in outlook.entries_of(queue) if entry.place in windows]
            most = max((sum(loads[p] for p in mine if windows[p][0] <= t < windows[p][1]) for t in starts), default=0.0)
            if limit is not None and limit < room and most >= limit:
                yield (
                    ("queues", queue, "running_at_most"),
                    f"work for {most:.3g} slots comes to {queue}, and at most {limit} of its jobs run at once: "
                    "the backlog grows as long as that goes on",
                )


def more_work_than_time(outlook: Outlook) -> Iterator[Said]:
    """All the work of the night together is more than the workers can do in it."""
    for queues, pools in _groups(outlook):
        slots = _slots(outlook, pools)
        room = sum(number for number, _ in slots) * outlook.scenario.lasts
        work = sum(_jobs(outlook, e) * _busy(e, slots) for queue in queues for e in outlook.entries_of(queue))
        if room and work > room:
            yield (
                _pools_loc(pools),
                f"the jobs for {' and '.join(queues)} are {work / HOUR:.3g} hours of work, and in this time "
                f"the workers have {room / HOUR:.3g} hours",
            )


def _jobs(outlook: Outlook, entry: Entry) -> float:
    """Say how many jobs an entry brings on average; what traces and finite sources bring is not known."""
    arrival = entry.arrival
    begin, end = _window(outlook, entry)
    if arrival.at is not None:
        return (1 if arrival.count is None else arrival.count) if arrival.at < outlook.scenario.lasts else 0
    jobs = float(len(outlook.due(arrival))) if arrival.recurs is not None else _per_tick(entry) * max(end - begin, 0)
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
        soonest = min((pool.poll for pool in pools.values()), default=0)
        if settings.start_within is not None and soonest > settings.start_within:
            yield (
                ("queues", queue, "start_within"),
                f"jobs expire after {say(settings.start_within)}, and an idle worker asks every {say(soonest)} only: "
                "jobs can expire with workers idle",
            )
