"""Reads what a look at new nights needs: the past nights beside a draft, and new nights from an export."""

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from emulator.errors import InputError
from emulator.past.drifting import Drift, find_drift
from emulator.past.figures import FIGURES, figures_of, read_nights, runs_of
from emulator.past.nights import Nights
from emulator.past.reading import read_history, taken_for
from emulator.scenario.load import load
from emulator.timeline.ticks import SECOND

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["beside", "drift_of_files", "nights_told"]


def beside(draft: Path | str, what: str) -> Path:
    """Name a file that ``sketch`` has written beside a draft.

    >>> beside("plans/draft.yaml", "nights.csv").as_posix()
    'plans/draft.nights.csv'
    """
    stem = Path(draft).with_suffix("")
    return stem.with_name(f"{stem.name}.{what}")


def nights_told(nights: Nights, lasts: float) -> "dict[str, NDArray[np.float64]]":
    """Give the figures of each night, with its run times by routine: what ``draft.nights.csv`` has of past nights."""
    import numpy as np

    return {**figures_of(nights, np.full(len(nights), np.nan), lasts), **runs_of(nights)}


def drift_of_files(
    draft: Path | str,
    files: Sequence[Path | str],
    *,
    columns: Path | str | None = None,
    nights: Path | str | None = None,
    night: str | None = None,
    zone: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Drift:
    """Compare the new nights of exports with the past nights of a draft.

    Args:
        draft: the drafted scenario.
        files: exports that hold the new nights; nights that the draft was learnt from are skipped.
        columns: the meanings of columns; by default the file beside the draft, if it is there.
        nights: the figures of past nights; by default the file beside the draft.
        night: as ``18:00+14h``; by default as the file of columns says.
        zone: the zone of the times that state none.
        progress: told the share of the files that were read.

    Raises:
        InputError: a file cannot be read, or is none of past nights.
        ScenarioError: the draft or the file of columns is wrong.
    """
    lasts = load(draft).scenario.lasts / SECOND
    past_dates, past = read_nights(nights or beside(draft, "nights.csv"))
    known = [name for name in FIGURES if name in past]
    if not past_dates or len(known) < len(FIGURES):
        raise InputError(f"{nights or beside(draft, 'nights.csv')}: lacks figures of past nights: make it with sketch")
    if columns is None and (guess := beside(draft, "columns.yaml")).exists():
        columns = guess
    history = read_history(files, columns=columns, night=night, zone=zone, progress=progress)
    if history.nights is None:
        raise InputError(f"{taken_for(history)}: give an export of them")
    found = history.nights
    later = [at for at, day in enumerate(found.dates) if day > past_dates[-1]]
    told = {name: values[later] for name, values in nights_told(found, lasts).items()} if later else {}
    dates: list[date] = [found.dates[at] for at in later]
    came = [at for at, jobs in enumerate(told["accepted"].tolist()) if jobs > 0] if later else []
    return find_drift(past_dates, past, [dates[at] for at in came], {name: it[came] for name, it in told.items()})
