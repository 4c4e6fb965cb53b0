"""Are there workers for the work, with what it requires, and do they stay on?"""

from collections.abc import Iterator

from emulator.broker.matching import meets, read_equipment
from emulator.scenario.hazards.outlook import Entry, Outlook, Said, windows_of
from emulator.scenario.models.pools import Pool
from emulator.scenario.schedules import power_switches

__all__ = [
    "few_have_the_slots",
    "nobody_equipped",
    "nobody_serves",
    "power_off_in_run",
    "slots_stay_taken",
    "tool_nobody_has",
]


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
