"""Reads the numbers of a workload log in the standard format.

By the published definition (the Standard Workload Format, version 2.2): a line has 18 numbers, -1 for what is not
known. The second is the submission in seconds after the start that the head states, the third the wait until the begin,
the fourth the run time. Of the status, 1 is completed, 0 failed and 5 cancelled. So nothing has to be guessed but which
of the numbers names the kind of work: the application, else the queue, the partition, the group or the user.
"""

from typing import TYPE_CHECKING, Final

from emulator.past.columns import Column, Columns, Word
from emulator.past.moments import Form, Moments
from emulator.past.tables import Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["WORKLOAD_FORM", "workload_columns", "workload_moments", "workload_zone"]

WORKLOAD_FORM: Final = Form("workload", why="by the definition of the format")
"""How such a log writes moments: each number counts from the one before."""

_TIMES: Final = {"submitted": "submitted", "waited": "begun", "ran": "ended"}
_WORDS: Final = {"1": "ok", "0": "error", "5": "cancelled"}
_KINDS: Final = ("application", "queue", "partition", "group", "user")
_NO_START: Final = 946_684_800
"""The first second of the year 2000, for a log whose head states no start."""


def workload_columns(table: Table) -> Columns:
    """Say what the columns of such a log mean, by its definition."""
    routine = _routine(table)
    known = {cell for cell in set(table.columns[table.names.index("status")]) if cell in _WORDS}
    columns = []
    for name in table.names:
        if name in _TIMES:
            columns.append(Column(name, _TIMES[name], "by definition", form=WORKLOAD_FORM))
        elif name == "job":
            columns.append(Column(name, "job", "by definition"))
        elif name == "status" and known:
            words = {word: Word(_WORDS[word], "by definition", False) for word in sorted(known)}
            columns.append(Column(name, "outcome", "by definition", words=words))
        elif name == routine:
            count = len(set(table.columns[table.names.index(name)]))
            columns.append(Column(name, "routine", f"{count} values: the first number that tells kinds apart", True))
        else:
            columns.append(Column(name, "", "nothing that is needed here"))
    return Columns(columns, workload_moments(table))


def workload_moments(table: Table) -> dict[str, Moments]:
    """Give the moments of such a log: submitted, begun and ended."""
    import numpy as np

    def numbers(name: str) -> "NDArray[np.float64]":
        return np.array(table.columns[table.names.index(name)], dtype=float)

    start = float(table.how.get("UnixStartTime", _NO_START))
    submitted, waited, ran = numbers("submitted"), numbers("waited"), numbers("ran")
    moment = np.where(submitted < 0, np.nan, start + submitted)
    begun = moment + np.maximum(waited, 0)  # where no wait is known, submission and begin are one
    ended = np.where(ran < 0, np.nan, begun + ran)
    sure = np.zeros(len(table), dtype=bool)
    each = {"submitted": moment, "begun": begun, "ended": ended}
    return {means: Moments(seconds, [], sure.copy()) for means, seconds in each.items()}


def workload_zone(table: Table) -> str | None:
    """Give the zone that the head states; None where it states none."""
    return table.how.get("TimeZoneString")


def _routine(table: Table) -> str | None:
    """Give the first number that tells kinds of work apart: a few values, known for most rows."""
    for name in _KINDS:
        cells = table.columns[table.names.index(name)]
        distinct = len(set(cells))
        if 2 <= distinct <= max(20, len(cells) // 50) and cells.count("-1") < 0.5 * len(cells):
            return name
    return None
