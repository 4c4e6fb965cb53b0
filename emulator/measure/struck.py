"""Did a fault strike in a night? A night in which none did is called quiet."""

from collections.abc import Iterable

from emulator.record.event_view import CAUSE, KIND
from emulator.record.events import Row

__all__ = ["any_fault_struck"]


def any_fault_struck(rows: Iterable[Row]) -> bool:
    """Say whether any fault hit something in a night, told from its events alone.

    A fault that is not there tonight (`share_of_nights`), that does not begin before the end, or that finds nothing to
    hit (a worker that is off) did not strike. What people do (actions) is no fault.

    Args:
        rows: all events of the night, in order.

    >>> any_fault_struck([(0, "run_began", 0, 0, "", 7)])
    False
    >>> any_fault_struck([(5, "fault_began", 0, 0, "dome-1", "freeze", "faults[0]", 1, "dome-1")])
    True
    """
    began = missed = 0
    for row in rows:
        if row[KIND] == "fault_began":
            began += 1
        elif row[KIND] == "fault_missed" and row[CAUSE]:  # its cause is the fault that began; without one it never did
            missed += 1
    return began > missed
