"""Turns the rows of exports into attempts of jobs, and counts what cannot be used.

All rows of all files become one table of numbers, a row for each attempt. The law: what is changed or left out is
counted, with the lines where it stands. A row that comes again, in one file or in several that overlap, counts once. A
begin after its end changes places with it, and is told. A moment far away from all others is left out.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from emulator.errors import InputError
from emulator.past.columns import OUTCOMES, Columns, plain_name, plain_worker
from emulator.past.moments import BLANKS
from emulator.past.tables import LeftOut, Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["ERROR", "LOST", "OK", "RUNNING", "WAITING", "Attempts", "attempts_of", "tell"]

OK, ERROR, LOST, CANCELLED, RUNNING, WAITING = range(len(OUTCOMES))
_FAR: Final = 30 * 86_400.0
_AGAIN: Final = 2 * 86_400.0
_SHOWN: Final = 5


@dataclass(slots=True)
class Attempts:
    """The attempts of past jobs, ordered by submission, job and attempt.

    Attributes:
        job: the number of the job, from 0.
        routine: the place of its routine in ``routines``.
        submitted: when the job was submitted, in seconds since 1970 in UTC.
        begun: when the attempt began; not a number where it did not.
        ended: when it ended; not a number where that is missing.
        worker: the place of its worker in ``workers``; -1 where none is told.
        outcome: the place of its outcome in :data:`emulator.past.columns.OUTCOMES`.
        number: which attempt of its job this is, from 1.
        doubtful: whether one of its moments is in an hour that local clocks show twice or never.
        lines: where it stands: the file, and the line in it.
        told: what was counted on the way, code by code.
        knows_submission: whether submission and begin are told apart.
    """

    job: "NDArray[np.int64]"
    routine: "NDArray[np.int64]"
    submitted: "NDArray[np.float64]"
    begun: "NDArray[np.float64]"
    ended: "NDArray[np.float64]"
    worker: "NDArray[np.int64]"
    outcome: "NDArray[np.int64]"
    number: "NDArray[np.int64]"
    doubtful: "NDArray[np.bool_]"
    file: "NDArray[np.int64]"
    line: "NDArray[np.int64]"
    routines: list[str]
    workers: list[str]
    files: list[str]
    knows_submission: bool
    told: list[LeftOut] = field(default_factory=list)

    def __len__(self) -> int:
        """Count the attempts."""
        return len(self.job)

    def pick(self, rows: "NDArray[np.bool_] | NDArray[np.intp]") -> "Attempts":
        """Give some of the attempts."""
        arrays = {name: getattr(self, name)[rows] for name in _ARRAYS}
        return Attempts(**arrays, **{name: getattr(self, name) for name in _SHARED})


_ARRAYS: Final = (
    *("job", "routine", "submitted", "begun", "ended", "worker", "outcome", "number", "doubtful", "file", "line"),
)
_SHARED: Final = ("routines", "workers", "files", "knows_submission", "told")


class _Names:
    """Numbers names in the order in which they come; a cell that was seen is looked up once."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self._places: dict[str, int] = {}

    def places(self, cells: Sequence[str], plain: "object") -> list[int]:
        known: dict[str, int] = {}
        out = []
        for cell in cells:
            place = known.get(cell)
            if place is None:
                name = plain(cell)  # type: ignore[operator]
                if name in BLANKS:
                    place = -1
                else:
                    place = self._places.setdefault(name, len(self.names))
                    if place == len(self.names):
                        self.names.append(name)
                known[cell] = place
            out.append(place)
        return out


def attempts_of(tables: Sequence[tuple[Table, Columns]]) -> Attempts:
    """Put the rows of all tables together, and count what is left out or changed.

    Raises:
        InputError: not a single row can be used.
    """
    import numpy as np

    jobs, routines, workers = _Names(), _Names(), _Names()
    parts: list[dict[str, NDArray[np.float64] | NDArray[np.int64] | NDArray[np.bool_]]] = []
    told: list[LeftOut] = []
    knows = True
    for at, (table, columns) in enumerate(tables):
        told += [replace(it, file=table.name) for it in table.left_out]
        told += _unread(table, columns)
        part, apart = _part(table, columns, jobs, routines, workers, at)
        knows = knows and apart
        parts.append(part)
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    files = [table.name for table, _ in tables]
    if not routines.names:
        routines.names.append("job")
    found = Attempts(
        **whole,
        routines=routines.names,
        workers=workers.names,
        files=files,
        knows_submission=knows,
        told=told,
    )
    found = _usable(found)
    found = _once(found)
    found = _near(found)
    _tell_jobs_apart(found)
    _swap(found)
    order = np.lexsort((found.number, found.begun, found.job, found.submitted))
    found = found.pick(order)
    _number(found)
    if not len(found):
        raise InputError(f"{files[0]}: no row tells when a job came: look at the file of columns")
    return found


def _unread(table: Table, columns: Columns) -> Iterator[LeftOut]:
    """Tell the cells that are neither blank nor a moment: they stay empty, and the rest of their rows is used."""
    for column in columns.columns:
        found = columns.moments.get(column.means) if column.form else None
        if found is not None and found.unread:
            lines = tuple(table.lines[row] for row in found.unread[:_SHOWN])
            yield LeftOut(f"no moment in column {column.name!r}", len(found.unread), lines, table.name, True)


def _part(
    table: Table, columns: Columns, jobs: _Names, routines: _Names, workers: _Names, file: int
) -> "tuple[dict[str, NDArray[np.float64] | NDArray[np.int64] | NDArray[np.bool_]], bool]":
    """Read one table's rows into numbers."""
    import numpy as np

    rows = len(table)
    cells = {
        means: table.columns[at]
        for means in ("job", "routine", "worker", "outcome", "attempt")
        if (at := columns.at(means)) is not None
    }
    nothing = np.full(rows, np.nan)
    moments = columns.moments
    submitted = moments["submitted"].seconds if "submitted" in moments else None
    begun = moments["begun"].seconds if "begun" in moments else nothing.copy()
    ended = moments["ended"].seconds if "ended" in moments else nothing.copy()
    apart = submitted is not None and "begun" in moments and bool(np.nanmean(submitted != begun) > 0.01)
    if submitted is None:
        submitted = begun.copy()
    doubtful = np.zeros(rows, bool)
    for it in moments.values():
        doubtful |= it.doubtful
    outcome = np.full(rows, -1)
    if "outcome" in cells:
        words = columns.columns[columns.at("outcome") or 0].words
        codes = {word: OUTCOMES.index(it.means) for word, it in words.items()}
        outcome = np.array([codes.get(word, -1) for word in _plain_each(cells["outcome"])])
    unsaid = outcome < 0
    outcome[unsaid] = np.where(np.isnan(begun[unsaid]), WAITING, np.where(np.isnan(ended[unsaid]), LOST, OK))
    number = np.zeros(rows, dtype=np.int64)
    if "attempt" in cells:
        number = np.array([int(cell) if cell.strip().lstrip("+").isdigit() else 0 for cell in cells["attempt"]])
    named = np.array(jobs.places(cells["job"], str.strip)) if "job" in cells else np.arange(rows) + len(jobs.names)
    if "job" not in cells:
        jobs.names.extend([""] * rows)
    return {
        "job": named,
        "routine": np.array(routines.places(cells["routine"], plain_name))
        if "routine" in cells
        else np.zeros(rows, np.int64),
        "submitted": submitted,
        "begun": begun,
        "ended": ended,
        "worker": np.array(workers.places(cells["worker"], plain_worker)) if "worker" in cells else np.full(rows, -1),
        "outcome": outcome,
        "number": number,
        "doubtful": doubtful,
        "file": np.full(rows, file),
        "line": np.array(table.lines),
    }, apart


def _plain_each(cells: Sequence[str]) -> list[str]:
    known: dict[str, str] = {}
    return [known[cell] if cell in known else known.setdefault(cell, plain_name(cell)) for cell in cells]


def _without(found: Attempts, out: "NDArray[np.bool_]", why: str) -> Attempts:
    """Leave rows out, and say so."""
    if not out.any():
        return found
    tell(found, out, why)
    return found.pick(~out)


def tell(found: Attempts, rows: "NDArray[np.bool_]", why: str, *, used: bool = False) -> None:
    """Count rows of each file, with the lines of the first few; ``used`` where they are used all the same."""
    import numpy as np

    for at, name in enumerate(found.files):
        own = np.flatnonzero(rows & (found.file == at))
        if len(own):
            found.told.append(LeftOut(why, len(own), tuple(np.sort(found.line[own])[:_SHOWN].tolist()), name, used))


def _usable(found: Attempts) -> Attempts:
    """Leave out what has no moment, or no routine."""
    import numpy as np

    missing = np.isnan(found.submitted)
    found.submitted = np.where(missing, found.begun, found.submitted)
    found = _without(found, np.isnan(found.submitted), "no moment")
    return _without(found, (found.job < 0) | (found.routine < 0), "no job or routine")


def _once(found: Attempts) -> Attempts:
    """Leave out rows that come again, in the same file or in another."""
    import numpy as np

    same: NDArray[np.bool_] | None = None
    columns = (found.job, found.submitted, found.begun, found.ended, found.routine, found.worker, found.number)
    order = np.lexsort(columns)
    for (
        values
    ) in columns:  # of rows that are equal in all of them, the first in the files stands first: lexsort is stable
        sorted_values = np.nan_to_num(values, nan=-1.0)[order]
        equal = sorted_values[1:] == sorted_values[:-1]
        same = equal if same is None else same & equal
    assert same is not None
    again, first = np.zeros(len(found), bool), np.arange(len(found))
    again[order[1:]] = same
    starts = np.concatenate([[True], ~same])
    first[order] = order[np.maximum.accumulate(np.where(starts, np.arange(len(found)), 0))]
    elsewhere = found.file[first] != found.file
    found_again = _without(found, again & ~elsewhere, "repeated")
    return _without(found_again, (again & elsewhere)[~(again & ~elsewhere)], "in another file too")


def _near(found: Attempts) -> Attempts:
    """Leave out what is further away from the bulk of the rows than a month, and than half of what the bulk spans."""
    import numpy as np

    if len(found) < 2:
        return found
    order = np.argsort(found.submitted)
    moments = found.submitted[order]
    gaps = np.diff(moments)
    cuts = np.flatnonzero(gaps > _FAR)
    if not len(cuts):
        return found
    parts = np.split(order, cuts + 1)
    bulk = max(parts, key=len)
    span = float(np.ptp(found.submitted[bulk]))
    low, high = found.submitted[bulk].min(), found.submitted[bulk].max()
    reach = max(_FAR, span / 2)
    out = (found.submitted < low - reach) | (found.submitted > high + reach)
    return _without(found, out, "too far away")


def _swap(found: Attempts) -> None:
    """Let a begin and an end change places where the begin is later; not in an hour that comes twice."""
    import numpy as np

    wrong = found.begun > found.ended
    found.ended[wrong & found.doubtful] = np.nan
    swapped = wrong & ~found.doubtful
    if swapped.any():
        found.begun[swapped], found.ended[swapped] = found.ended[swapped], found.begun[swapped]
        tell(found, swapped, "ends swapped back", used=True)
    if found.doubtful.any():
        tell(found, found.doubtful, "in an hour that comes twice or never", used=True)


def _tell_jobs_apart(found: Attempts) -> None:
    """Make two jobs of one name that was submitted days apart: exports count anew, and names are used again."""
    import numpy as np

    if not len(found):
        return
    order = np.lexsort((found.submitted, found.job))
    job, submitted = found.job[order], found.submitted[order]
    again = (job[1:] == job[:-1]) & (np.diff(submitted) > _AGAIN)
    if not again.any():
        return
    rows = np.zeros(len(found), bool)
    rows[order[1:][again]] = True
    tell(found, rows, "a job's name used again days later: another job", used=True)
    found.job[order] = np.concatenate([[0], np.cumsum((job[1:] != job[:-1]) | again)])


def _number(found: Attempts) -> None:
    """Number the attempts of each job where the export does not, and let numbers that count from 0 count from 1."""
    import numpy as np

    if len(found) and not found.number.any():
        order = np.lexsort((found.begun, found.job))
        job = found.job[order]
        starts = np.concatenate([[True], job[1:] != job[:-1]])
        place = np.arange(len(job))
        found.number[order] = place - np.maximum.accumulate(np.where(starts, place, 0)) + 1
    elif len(found) and (found.number == 0).any():
        firsts = found.number[np.unique(found.job, return_index=True)[1]]
        if np.mean(firsts == 0) > 0.5:
            found.number += 1
