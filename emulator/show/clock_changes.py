"""When does the clock on the wall change while a night lasts, and by how much?"""

from datetime import timedelta
from itertools import pairwise
from typing import Final

from emulator.measure.words import duration
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND

__all__ = ["changes_in_words", "full_hours", "offsets"]

_MOST_HOURS: Final = 12


def offsets(clock: Clock, horizon: int) -> list[list[int]]:
    """Give from which tick on the local clock is how many seconds ahead of universal time."""
    found: list[list[int]] = []
    step = max(15 * MINUTE, horizon // 4_000)
    for tick in [*range(0, horizon, step), horizon]:
        seconds = _seconds(clock, tick)
        if not found:
            found.append([0, seconds])
        elif seconds != found[-1][1]:
            low, high = max(0, tick - step), tick
            while high - low > SECOND:
                middle = (low + high) // 2
                low, high = (middle, high) if _seconds(clock, middle) == found[-1][1] else (low, middle)
            found.append([-(-low // SECOND) * SECOND, seconds])
    return found


def _seconds(clock: Clock, tick: int) -> int:
    offset = clock.local(tick).utcoffset()
    assert offset is not None, "the scenario's clock has a zone"
    return int(offset.total_seconds())


def full_hours(clock: Clock, horizon: int) -> tuple[tuple[int, str], ...]:
    """Give full hours of the local clock within a night, a dozen at most, each as its tick and what the clock shows.

    >>> from datetime import datetime
    >>> full_hours(Clock(datetime(2026, 6, 12, 21, 30), "UTC"), 2 * HOUR)
    ((1800000000, '22:00'), (5400000000, '23:00'))
    >>> [shown for _, shown in full_hours(Clock(datetime(2026, 6, 12, 12), "UTC"), 40 * DAY)][:2]  # every four days
    ['Fri 12:00', 'Tue 12:00']
    """
    start = clock.local(0)
    first = (HOUR - (start.minute * MINUTE + start.second * SECOND + start.microsecond)) % HOUR
    step = next(
        (size * HOUR for size in (1, 2, 3, 6, 12, 24) if horizon // (size * HOUR) < _MOST_HOURS),
        -(-horizon // (_MOST_HOURS - 1) // DAY) * DAY,
    )
    shown = "%a %H:%M" if horizon > DAY else "%H:%M"
    return tuple((tick, f"{clock.local(tick):{shown}}") for tick in range(first, horizon + 1, step))


def changes_in_words(clock: Clock, horizon: int) -> list[str]:
    """Say each change of the clock: when, by how much, and what it shows then.

    >>> from datetime import datetime
    >>> from emulator.timeline.ticks import HOUR
    >>> changes_in_words(Clock(datetime(2026, 3, 28, 22), "Europe/London"), 9 * HOUR)
    ['2026-03-29 at 01:00 the clock goes forward by 1 h, to 02:00']
    >>> changes_in_words(Clock(datetime(2026, 10, 24, 22), "Europe/London"), 9 * HOUR)
    ['2026-10-25 at 02:00 the clock goes back by 1 h, to 01:00']
    """
    steps = offsets(clock, horizon)
    found = []
    for (_, before), (tick, after) in pairwise(steps):
        shown = clock.local(tick - SECOND) + timedelta(seconds=1)  # on the wall, as if nothing had changed
        until = clock.local(tick)
        way = "forward" if after > before else "back"
        by = duration(abs(after - before) * SECOND)
        found.append(f"{until:%Y-%m-%d} at {shown:%H:%M} the clock goes {way} by {by}, to {until:%H:%M}")
    return found
