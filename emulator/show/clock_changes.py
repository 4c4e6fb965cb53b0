"""When does the clock on the wall change while a night lasts, and by how much?"""

from datetime import timedelta
from itertools import pairwise

from emulator.measure.words import duration
from emulator.scenario.clock import Clock
from emulator.timeline.ticks import MINUTE, SECOND

__all__ = ["changes_in_words", "offsets"]


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
