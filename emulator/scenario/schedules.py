"""When something is so: power schedules and days, planned hours of pools, terms of a job, values that grow.

Planned hours: only `count`, `joins` and `power` are read. A worker that is woken on demand may be on from the start,
and counts so; one whose running work is finished first counts up to its shutdown. So a fault makes no variant cheap.

Terms: each of the three is what the job's arrival entry says, else its routine, else its queue. A ``retry`` or a
``time_limit`` is taken as a whole. The allowance of retries stays the queue's.

Growth: a number is multiplied, and so are a duration, every rate of `per_hour`, and every duration of a distribution. A
whole number stays whole: 10.3 jobs are 10 in seven of ten nights and 11 in three, as the night's place among its like
says.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, time, timedelta
from itertools import groupby, pairwise
from typing import Any, Final, Literal, NamedTuple

from emulator.scenario.clock import Clock
from emulator.scenario.messages import Found
from emulator.scenario.models.arrivals import Arrival, Rates
from emulator.scenario.models.pools import Pool, PowerSchedule, Queue, Retry, TimeLimit
from emulator.scenario.models.routines import Growth, Routine
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import parse_duration
from emulator.scenario.written import value_at
from emulator.timeline.ticks import HOUR, say

__all__ = [
    "TERMS",
    "Switch",
    "Terms",
    "days_of",
    "factor_after",
    "grown",
    "is_on",
    "on_days",
    "on_from_the_start",
    "patch_after",
    "planned_on",
    "power_switches",
    "rate_spans",
    "rates_over",
    "switches",
    "terms_of",
    "times_of",
    "wrong_growth",
]


_DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_SHORTEST_DAY: Final = 23 * HOUR
_AROUND: Final = timedelta(days=8)


def switches(clock: Clock, schedule: PowerSchedule, text: str | None, lasts: int) -> Iterator[tuple[datetime, int]]:
    """List (local time, tick) of a time of day on the days of a schedule, in its zone.

    They begin more than a week before the start, because the last one before it says how a machine stands then, and
    end more than a week after the end.

    Args:
        clock: of the scenario.
        schedule: whose days and zone count.
        text: the time of day, ``HH:MM``; None: there is none.
        lasts: the length of the night in ticks.

    >>> from datetime import datetime
    >>> clock, schedule = Clock(datetime(2026, 6, 12, 21, 30), "UTC"), PowerSchedule(off="22:00", days=["fri"])
    >>> [tick for _, tick in switches(clock, schedule, schedule.off, 0) if tick > 0][0]
    1800000000
    """
    if text is None:
        return
    wall = clock if schedule.zone is None else clock.in_zone(schedule.zone)
    day, last = wall.local(0).date() - _AROUND, wall.local(lasts).date() + _AROUND
    while day <= last:
        if _DAYS[day.weekday()] in schedule.days:
            local = datetime.combine(day, time.fromisoformat(text))
            yield local, wall.tick_of(local)
        day += timedelta(days=1)


class Switch(NamedTuple):
    """A tick at which workers are switched on or off, and the window that begins or ends then."""

    at: int
    on: bool
    window: PowerSchedule


def power_switches(clock: Clock, windows: Sequence[PowerSchedule], lasts: int) -> list[Switch]:
    """List when the windows of a pool switch its workers on and off, in order; off comes before on at one tick.

    A window that ends while another is on, or just begins, switches nothing off. Of windows that begin or end together
    the last one counts. They begin and end as `switches` says.

    >>> from datetime import datetime
    >>> clock = Clock(datetime(2026, 6, 12, 21), "UTC")
    >>> windows = PowerSchedule(on="22:00", off="23:00"), PowerSchedule(on="22:30", off="23:30")
    >>> found = power_switches(clock, windows, 3 * HOUR)
    >>> [(it.at / HOUR, it.on) for it in found if 0 <= it.at <= 3 * HOUR]
    [(1.0, True), (1.5, True), (2.5, False)]
    """
    every = sorted(
        (tick, on, place)
        for place, window in enumerate(windows)
        for on, text in ((False, window.off), (True, window.on))
        for _, tick in switches(clock, window, text, lasts)
    )
    found: list[Switch] = []
    are_on: set[int] = set()
    for at, group in groupby(every, key=lambda one: one[0]):
        begin: list[int] = []
        end: list[int] = []
        for _, on, place in group:
            (are_on.add if on else are_on.discard)(place)
            (begin if on else end).append(place)
        found += [Switch(at, False, windows[place]) for place in end[-1:] if are_on <= {place}]
        found += [Switch(at, True, windows[place]) for place in begin[-1:]]
    return found


def on_from_the_start(windows: Sequence[PowerSchedule]) -> bool:
    """Say whether workers are on until a schedule first switches them off: it has no `on`, or there is none."""
    return all(window.on is None for window in windows)


def on_days(days: tuple[str, ...] | None, clock: Clock) -> Callable[[int], bool] | None:
    """Say of a tick whether it lies on one of these days of the zone; None where every day will do."""
    if not days:
        return None
    return lambda tick: _DAYS[clock.local(tick).weekday()] in days


def days_of(
    at: int, days: tuple[str, ...], clock: Clock, lasts: int, at_changes: tuple[str | None, str | None] = (None, None)
) -> list[int]:
    """List the ticks at which the clock shows the same time as at a tick, from then on, on these days.

    ``at_changes`` says what is wished where the clocks change: in the hour that is missing, and in the one that comes
    twice; None: ``shift`` and ``first``.
    """
    missing, double = at_changes[0] or "shift", at_changes[1] or "first"
    found = []
    for number, local in enumerate(times_of(at, clock, lasts)):
        if is_on(days, local):
            ticks = clock.ticks_at(local, missing, double) if number or double == "both" else (at,)
            found += [tick for tick in ticks if at <= tick < lasts]
    return found


def times_of(at: int, clock: Clock, lasts: int) -> Iterator[datetime]:
    """Yield the same local time on each day from a tick on, also where the clock never shows it."""
    first = clock.local(at).replace(tzinfo=None, fold=0)
    yield from (first + timedelta(days=number) for number in range(lasts // _SHORTEST_DAY + 2))


def is_on(days: tuple[str, ...] | None, local: datetime) -> bool:
    """Say whether a local time is on one of some days; None: on any."""
    return not days or _DAYS[local.weekday()] in days


def rates_over(rates: Rates, clock: Clock, lasts: int) -> list[tuple[int, float]]:
    """List (tick from which it holds, jobs an hour) over a run, beginning before its start.

    >>> from datetime import datetime
    >>> clock, rates = Clock(datetime(2026, 6, 12, 21), "UTC"), Rates(fri={"20:00": 9.0}, sat=1.0)
    >>> [(tick // 3_600_000_000, rate) for tick, rate in rates_over(rates, clock, 86_400_000_000)]
    [(-21, 0.0), (-1, 9.0), (3, 1.0), (27, 0.0)]
    """
    found: list[tuple[int, float]] = []
    day, last = clock.local(0).date(), clock.local(lasts).date() + timedelta(days=1)
    while day <= last:
        for text, rate in rates.of_day(day.weekday()):
            tick = clock.tick_of(datetime.combine(day, time.fromisoformat(text)))
            if found and tick <= found[-1][0]:
                found.pop()
            found.append((tick, rate))
        day += timedelta(days=1)
    return found


def rate_spans(
    rate: float | Rates, days: tuple[str, ...] | None, clock: Clock, begins: int, ends: int
) -> list[tuple[int, int, float]]:
    """List (from tick, until tick, jobs an hour) where something comes between two ticks, on some days of the zone.

    >>> from datetime import datetime
    >>> clock, rates = Clock(datetime(2026, 6, 12, 21), "UTC"), Rates(fri={"20:00": 9.0}, sat=1.0)
    >>> [(begin / HOUR, end / HOUR, rate) for begin, end, rate in rate_spans(rates, None, clock, 0, 5 * HOUR)]
    [(0.0, 3.0, 9.0), (3.0, 5.0, 1.0)]
    """
    if not isinstance(rate, Rates):
        if not days:
            return [(begins, ends, rate)] if begins < ends and rate else []
        rate = Rates.model_construct(every_day=rate)  # as fast as gaps may be, which is more than a rate may be
    comes_on = on_days(days, clock)
    found = []
    pieces = [*rates_over(rate, clock, ends), (ends, 0.0)]
    for (at, rate_then), (until, _) in pairwise(pieces):
        begin, end = max(at, begins), min(until, ends)
        if begin < end and rate_then and (comes_on is None or comes_on(begin)):
            found.append((begin, end, rate_then))
    return found


def planned_on(scenario: Scenario, clock: Clock) -> dict[str, int]:
    """Give, for each pool, the ticks for which its workers are meant to be on, added up over its workers."""
    found = {}
    for name, pool in scenario.pools.items():
        joins = [pool.joins if one.joins is None else one.joins for one in pool.per_worker.values()]
        joins += [pool.joins] * (pool.count - len(joins))
        times = {at: _on(pool, at, scenario.lasts, clock) for at in set(joins)}
        found[name] = sum(times[at] for at in joins)
    return found


def _on(pool: Pool, joins: int, lasts: int, clock: Clock) -> int:
    """Give the ticks for which one worker that joins at a tick is meant to be on."""
    begins = 0 if pool.woken_on_demand else min(joins, lasts)
    changes = [(at, on) for at, on, _ in power_switches(clock, pool.windows, lasts)]
    before = [on for at, on in changes if at <= begins]
    is_on = on_from_the_start(pool.windows) or (bool(before) and before[-1])
    whole, since = 0, begins
    for at, on in [*((at, on) for at, on in changes if begins < at < lasts), (lasts, False)]:
        if is_on:
            whole += at - since
        is_on, since = on, at
    return whole


TERMS: Final = ("lease", "time_limit", "retry")
"""The keys that an arrival entry and a routine may have as a queue does."""


class Terms(NamedTuple):
    """The terms of some jobs.

    Attributes:
        queue: their queue, with the values that hold for them.
        stated_by: for each of ``TERMS`` who states it, and its name; the queue where nobody else does.
        are_own: whether any of them is not the queue's.
    """

    queue: Queue
    stated_by: Mapping[str, tuple[Literal["arrivals", "routines", "queues"], str]]

    @property
    def are_own(self) -> bool:
        return any(who != "queues" for who, _ in self.stated_by.values())


def terms_of(scenario: Scenario, arrival: Arrival | None, routine: str, queue: str | None = None) -> Terms:
    """Give the terms of the jobs of a routine, as an arrival entry brings them (None: no entry has any of its own).

    ``queue``: the queue that they came to, where that is not for the routine to say.
    """
    model = scenario.routines.get(routine)
    name = queue if queue is not None else model.queue if model is not None else ""
    return _over(scenario.queues.get(name) or Queue(), name, arrival, model, routine)


def _over(queue: Queue, name: str, arrival: Arrival | None, model: Routine | None, routine: str) -> Terms:
    stated_by: dict[str, tuple[Literal["arrivals", "routines", "queues"], str]] = {}
    changes: dict[str, int | TimeLimit | Retry] = {}
    for key in TERMS:
        own = None if arrival is None else getattr(arrival, key)
        general = None if model is None else getattr(model, key)
        value = general if own is None else own
        if value is None:
            stated_by[key] = ("queues", name)
            continue
        stated_by[key] = ("routines", routine) if arrival is None or own is None else ("arrivals", arrival.label)
        if isinstance(value, Retry):
            value = value.model_copy(update={"allowance": queue.retry.allowance})
        changes[key] = value
    return Terms(queue.model_copy(update=changes) if changes else queue, stated_by)


_DAYS_IN: Final = {"week": 7.0, "month": 365.2425 / 12, "year": 365.2425}
"""How long each period of growth is, in days of the calendar: growth goes on evenly, also within a period."""


def factor_after(growth: Growth, days: float, by: float | None = None) -> float:
    """Give how many times as much a value is so many days later.

    Args:
        growth: what grows.
        days: after the scenario's own date, 0 or more.
        by: in place of the growth that is stated, as a share (0.03 for 3 %).

    >>> round(factor_after(Growth(path="arrivals.nightly.count", by="3 %"), 365.2425), 4)
    1.4258
    """
    return math.pow(1 + (growth.by if by is None else by), days / _DAYS_IN[growth.each])


def grown(value: Any, factor: float, place: float = 0.5) -> Any:
    """Give a value of plain data so many times as large; None where nothing can grow.

    Args:
        value: what stands in a scenario.
        factor: above 0.
        place: from 0 up to, and not including, 1: of a night among its like. A whole number with a rest is rounded up
            where the rest and the place are 1 together.

    >>> grown(10, 1.03, 0.5), grown(10, 1.03, 0.8), grown("90s", 2), grown({"median": "4m", "p95": "9m"}, 2)
    (10, 11, '3m', {'median': '8m', 'p95': '18m'})
    """
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return math.floor(value * factor + place + 1e-9)  # the tenth night of ten rounds 10.1 up in spite of its float
    if isinstance(value, float):
        return value * factor
    if isinstance(value, str):
        ticks = _ticks(value)
        return None if ticks is None else say(round(ticks * factor))
    if isinstance(value, Mapping):
        rates = not any(_ticks(item) is not None for item in _leaves(value))
        made = {key: _inner(item, factor, rates) for key, item in value.items()}
        return made if made != value or factor == 1 else None
    return None


def _inner(value: Any, factor: float, rates: bool) -> Any:
    """Of a mapping of rates the numbers grow, of a distribution the durations."""
    if isinstance(value, Mapping):
        return {key: _inner(item, factor, rates) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_inner(item, factor, rates) for item in value]
    if rates and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value * factor)
    more = grown(value, factor) if isinstance(value, str) else None
    return value if more is None else more


def _leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, Mapping | list | tuple):
        for item in value.values() if isinstance(value, Mapping) else value:
            yield from _leaves(item)
    else:
        yield value


def _ticks(value: Any) -> int | None:
    if not isinstance(value, str):
        return None
    try:
        return parse_duration(value)
    except ValueError:
        return None


def patch_after(
    data: Mapping[str, Any], growths: tuple[Growth, ...], days: float, place: float = 0.5
) -> dict[str, Any]:
    """Give what a scenario changes to so many days later: dotted paths and their values, as a variant has them.

    >>> patch_after({"queues": {"night": {"lease": "90s"}}}, (Growth(path="queues.night.lease", by="100 %"),), 0)
    {'queues.night.lease': '1m30s'}
    """
    return {growth.path: grown(value_at(data, growth.path), factor_after(growth, days), place) for growth in growths}


def wrong_growth(data: Mapping[str, Any]) -> Iterator[Found]:
    """Tell the paths of growth that lead to nothing that can grow, and those that stand there twice."""
    stated = data.get("growth")
    if not isinstance(stated, list):
        return
    seen = set()
    for place, item in enumerate(stated):
        path = item.get("path") if isinstance(item, Mapping) else None
        if not isinstance(path, str) or not path:
            continue
        loc = ("growth", place, "path")
        if path in seen:
            yield Found(loc, f"{path} grows already: state each path once")
        seen.add(path)
        value = value_at(data, path) if not path.startswith("growth") else None
        if value is None:
            yield Found(loc, f"nothing is stated at {path}: name a number, a duration or a rate that is written here")
        elif grown(value, 2.0) is None:
            yield Found(loc, f"what stands at {path} does not grow: name a number, a duration or a rate")
