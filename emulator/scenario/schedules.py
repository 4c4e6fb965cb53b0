"""When does a power schedule switch machines on or off, and on which days, or at which rate, does something come?"""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, time, timedelta
from itertools import groupby, pairwise
from typing import Final, NamedTuple

from emulator.scenario.clock import Clock
from emulator.scenario.models.arrivals import Rates
from emulator.scenario.models.pools import PowerSchedule
from emulator.timeline.ticks import HOUR

__all__ = [
    "Switch",
    "days_of",
    "is_on",
    "on_days",
    "on_from_the_start",
    "power_switches",
    "rate_spans",
    "rates_over",
    "switches",
    "times_of",
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
