"""When does a power schedule switch machines on or off, and on which days, or at which rate, does something come?"""

from collections.abc import Callable, Iterator
from datetime import datetime, time, timedelta
from typing import Final

from emulator.scenario.clock import Clock
from emulator.scenario.models.arrivals import Rates
from emulator.scenario.models.pools import PowerSchedule
from emulator.timeline.ticks import HOUR

__all__ = ["days_of", "is_on", "on_days", "rates_over", "switches", "times_of"]

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
