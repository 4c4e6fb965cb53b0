"""When can workers be at work: what do their schedules leave of the night?

The law: where it is not certain, the larger time counts. What runs at a shutdown may go on as long as it is waited for,
a machine that is switched on again after a fault stays on, and boots, losses and retries take no time.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from emulator.scenario.hazards.outlook import Outlook
from emulator.scenario.models.pools import Pool
from emulator.scenario.schedules import Switch, on_from_the_start, power_switches

__all__ = ["Crew", "crews", "slot_time"]

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
