"""Where in its span is the night, when do the known faults come, and how did the backlog go so far?

One line from the first clock time to the last: what has passed is ``#``, what is to come ``-``, a known fault to come
``!``. Below it, column for column, the most jobs that waited in that stretch of the night.
"""

from collections.abc import Iterable
from typing import Final

from emulator.measure.live_state import BUCKETS, LiveState
from emulator.scenario.clock import Clock
from emulator.show.watch.cutting import cut
from emulator.timeline.ticks import SECOND, say

__all__ = ["night_lines"]

_BLOCKS: Final = "\u2581\u2582\u2583\u2584\u2585\u2586\u2587\u2588"
"""An eighth of a column's height each, the lowest first."""
_LEAST: Final = 10
"""So narrow a line still tells something."""


def night_lines(
    clock: Clock, now: int, ends: int, faults: Iterable[int], present: LiveState, width: int, *, blocks: bool
) -> list[str]:
    """Draw the line of the night and, where there is room for it, the backlog below.

    Args:
        clock: the scenario's.
        now, ends: the present tick, and the one at which the night ends.
        faults: the ticks of those that are known and to come.
        present: tells the backlog.
        width: of a line.
        blocks: whether block characters can be shown.
    """
    share = f"{100 * now // ends} %"
    said = f"{say(now // SECOND * SECOND)} of {say(ends)}, {share}"
    waiting = f"{present.waiting} wait for a worker, {present.most} at most"
    first, last = f"{clock.local(0):%H:%M} ", f" {clock.local(ends):%H:%M}"
    long = width - len(first) - len(last)
    if long < _LEAST:
        return [cut(share, width), cut(f"{present.waiting} wait", width)]
    passed = now * long // ends
    line = ["#"] * passed + ["-"] * (long - passed)
    for at in faults:
        line[min(long - 1, at * long // ends)] = "!"
    lines = [first + "".join(line) + last]
    if blocks:
        lines.append(" " * len(first) + _backlog(present, long, passed).rstrip())
    both = f"{said}   {waiting}"
    return [*lines, *([both] if len(both) <= width else [cut(said, width), cut(waiting, width)])]


def _backlog(present: LiveState, long: int, passed: int) -> str:
    """Draw the backlog over the part of the night that has passed, its highest point at full height."""
    drawn = []
    for place in range(min(long, passed + 1)):
        begin = place * BUCKETS // long
        end = -(-(place + 1) * BUCKETS // long)  # rounded up: a stretch in two columns shows in both
        peak = max(present.peaks[begin:end], default=0)
        drawn.append(_BLOCKS[(peak * 8 + present.most - 1) // present.most - 1] if peak else " ")
    return "".join(drawn)
