"""Computes the figures of each past night, by the same definitions as those of an emulated one.

The names are those of the program's own figures (``docs/reference-figures.md``), so that what was and what is predicted
are compared one to one. What the export cannot tell is left empty.
"""

import csv
import io
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final

from emulator.errors import InputError
from emulator.past.attempts import ERROR, LOST, OK, RUNNING, WAITING, Attempts
from emulator.past.nights import Nights
from emulator.scenario.files import past_nights

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "FIGURES",
    "LOG_RUN",
    "RUNS",
    "figures_of",
    "horizon_of",
    "kind_of_day",
    "nights_text",
    "read_nights",
    "runs_of",
]

FIGURES: Final = (
    "accepted",
    "done",
    "attempts_error",
    "lost_leases",
    "wait_mean",
    "wait_p90",
    "executed",
    "makespan",
    "pace",
)
"""The figures of a night; times in seconds. ``pace`` is the mean logarithm of run times by routine, as a factor on the
usual ones: it tells longer work apart from more of it."""


RUNS: Final = "runs:"
"""Before the name of a routine: how many of its runs ended in a night."""

LOG_RUN: Final = "log_run:"
"""Before the name of a routine: the mean logarithm of their times, in seconds, in that night."""

_SIGNED: Final = ("wait_mean", "wait_p90", "makespan")
"""What may be below 0: a job may begin before its export says that it came."""

_MOST_ROUTINES: Final = 40
_MOST: Final = 1e15
_MOST_LOG: Final = 100.0
_DAY: Final = 86_400
_QUARTER: Final = 900


def kind_of_day(day: date) -> str:
    """Tell the kind of a night: those of one kind are compared.

    >>> kind_of_day(date(2026, 3, 21))
    'weekend'
    """
    return "weekend" if day.weekday() >= 5 else "weekday"


def horizon_of(nights: Nights) -> int:
    """Tell how many seconds a night lasts until its last job has ended, in quarters of an hour; a day at most.

    Nothing comes after the window of the nights, and work goes on.
    """
    import numpy as np

    window, it = nights.window.lasts, nights.attempts
    known = np.isfinite(it.ended) & ~it.doubtful
    over = it.ended[known] - nights.starts[nights.night[known]] - window
    longest = float(over.max()) if len(over) else 0.0
    return min(_DAY, window + int(np.ceil(max(0.0, longest) / _QUARTER)) * _QUARTER)


def figures_of(
    nights: Nights, pace: "NDArray[np.float64]", lasts: float | None = None
) -> "dict[str, NDArray[np.float64]]":
    """Give each figure, night by night; not a number where a night has no job that tells it.

    Args:
        nights: the nights.
        pace: their factors on run times.
        lasts: up to how many seconds after its begin a night is told, as an emulated one is; by default its window.
    """
    import numpy as np

    it, count = nights.attempts, len(nights)
    first = np.zeros(len(it), bool)
    first[nights.first] = True
    until = (nights.starts + (nights.window.lasts if lasts is None else lasts))[nights.night]
    begun = np.where(np.isfinite(it.begun), it.begun, until)  # what had not begun had waited until then at least
    wait = np.minimum(begun, until) - it.submitted
    ended = np.minimum(it.ended, until)
    unfinished = np.isin(it.outcome, (RUNNING, WAITING))

    came = (
        it.submitted < until
    )  # where clocks are put back, a window on the wall is longer than the night it is told by

    def counted(rows: "NDArray[np.bool_]") -> "NDArray[np.float64]":
        return np.bincount(nights.night[rows & came], minlength=count).astype(float)

    out = {name: np.full(count, np.nan) for name in FIGURES}
    out["accepted"] = counted(first)
    done = came & (it.outcome == OK) & ~(it.ended > until)
    jobs_done = np.unique(np.stack([nights.night[done], it.job[done]]), axis=1)
    out["done"] = np.bincount(jobs_done[0], minlength=count).astype(float)
    out["attempts_error"] = counted((it.outcome == ERROR) & ~(it.ended > until))
    out["lost_leases"] = counted(it.outcome == LOST)
    out["executed"] = np.bincount(nights.night, _executed(it, until), count)
    out["pace"] = pace
    for night in range(count):
        own = (nights.night == night) & came
        waits = wait[own & first & ~it.doubtful]
        if len(waits) and it.knows_submission:
            out["wait_mean"][night] = waits.mean()
            out["wait_p90"][night] = np.quantile(waits, 0.9, method="inverted_cdf")
        ends = np.where(unfinished, until, ended)[own & (unfinished | np.isfinite(ended))]
        if len(ends):
            out["makespan"][night] = ends.max() - it.submitted[own].min()
    return out


def _executed(it: Attempts, until: "NDArray[np.float64]") -> "NDArray[np.float64]":
    """How long each attempt ran until its night's end.

    One whose end is missing is taken to have run as long as others of its routine do in the mean; a lost one half that
    long, since a loss comes anywhere in a run.
    """
    import numpy as np

    ran = np.minimum(it.ended, until) - it.begun
    known = (ran > 0) & ~it.doubtful
    runs = np.bincount(it.routine[known], minlength=len(it.routines))
    usual = np.bincount(it.routine[known], ran[known], len(it.routines)) / np.maximum(runs, 1)
    missing = np.where(it.outcome == LOST, 0.5, 1.0) * usual[it.routine]
    begun = np.isfinite(it.begun) & (it.begun < until)
    out: NDArray[np.float64] = np.where(known, ran, np.where(begun, np.minimum(missing, until - it.begun), 0.0))
    return np.nan_to_num(out)


def runs_of(nights: Nights) -> "dict[str, NDArray[np.float64]]":
    """Give for each routine, night by night, how many runs ended and the mean logarithm of their times.

    Only the routines with most runs are told, 40 at most. With these two, nights of different work are compared by how
    long each kind of work took.
    """
    import numpy as np

    it, count = nights.attempts, len(nights)
    ended = np.flatnonzero((it.outcome == OK) & (it.ended > it.begun) & ~it.doubtful)
    most = np.argsort(-np.bincount(it.routine[ended], minlength=len(it.routines)), kind="stable")[:_MOST_ROUTINES]
    out = {}
    for routine in np.sort(most).tolist():
        own = ended[it.routine[ended] == routine]
        runs = np.bincount(nights.night[own], minlength=count).astype(float)
        logs = np.bincount(nights.night[own], np.log(it.ended[own] - it.begun[own]), count)
        out[RUNS + it.routines[routine]] = runs
        out[LOG_RUN + it.routines[routine]] = np.divide(logs, runs, out=np.full(count, np.nan), where=runs > 0)
    return out


def nights_text(dates: Sequence[date], figures: "dict[str, NDArray[np.float64]]") -> str:
    """Write the figures of past nights as CSV, a night a row; times in seconds."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["date", "kind", *figures])
    for at, day in enumerate(dates):
        values = (figures[name][at] for name in figures)
        rows.writerow(
            [day.isoformat(), kind_of_day(day), *("" if value != value else f"{value:.6g}" for value in values)]
        )
    return out.getvalue()


def read_nights(path: Path | str) -> "tuple[list[date], dict[str, NDArray[np.float64]]]":
    """Read figures of past nights again.

    Raises:
        InputError: it is no such file, with the line and what is wrong there.
    """
    import numpy as np

    found = past_nights(Path(path))
    if found.names[:2] != ("date", "kind"):
        raise InputError(
            f"{path}:1: is no file of nights: its first line begins with date,kind; make it anew with sketch"
        )
    names = found.names[2:]
    dates: list[date] = []
    values = []
    for line, row in zip(found.lines, found.rows, strict=True):
        try:
            dates.append(_day(row["date"], row["kind"], dates))
            values.append([_value(name, row[name]) for name in names])
        except ValueError as error:
            raise InputError(f"{path}:{line}: cannot be read as a night: {error}") from error
    table = np.array(values).reshape(len(dates), len(names))
    return dates, {name: table[:, at] for at, name in enumerate(names)}


def _day(said: str, kind: str, before: Sequence[date]) -> date:
    """Read the date of a night, which comes after those before it.

    Raises:
        ValueError: what is wrong with it, and what is right instead.
    """
    try:
        day = date.fromisoformat(said)
    except ValueError:
        raise ValueError(f"column date: {said!r} is no date: write one such as 2026-03-02") from None
    if before and day <= before[-1]:
        raise ValueError(f"column date: {day} does not come after {before[-1]}, the night above: keep each night once")
    if kind != kind_of_day(day):
        raise ValueError(f"column kind: {kind!r}, and {day} is a {kind_of_day(day)}: correct the kind or the date")
    return day


def _value(name: str, cell: str) -> float:
    """Read one figure; not a number where the cell is empty, as that of a night that does not tell it."""
    if not cell and name != "accepted":
        return float("nan")
    logarithm = name.startswith(LOG_RUN)
    most = _MOST_LOG if logarithm else _MOST
    least = -most if logarithm or name in _SIGNED else 0.0
    try:
        value = float(cell)
    except ValueError:
        value = float("nan")
    if not least <= value <= most:
        raise ValueError(f"column {name}: {cell!r} is no number from {least:g} to {most:g}")
    return value
