"""Shows what may have happened in a past night by one of the nights that were played for it.

Of a past night there is an export, without the broker's reasons. Of the nights that were played for it the one is told
whose figure came closest to what happened: it is no record of that night, and it shows how such a figure comes about.
"""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from emulator.experiment.night import NightResult, run_night
from emulator.past.foretelling import TRACE, Foretold
from emulator.record.events import Row
from emulator.report.storytelling import story_of_night
from emulator.scenario.load import from_settings

__all__ = ["played_again", "retold"]

_OF_TRIES: Final = ("attempts_error", "lost_leases")
"""The figures that a job with many attempts tells of; the others are told by the job that waited longest."""
_BEFORE: Final = {True: ("came", "waited", "taken"), False: ("came",)}


def retold(foretold: Foretold, figure: str, happened: float) -> str:
    """Play the closest of the nights of a prediction again, and give the first line of a story that tells of a figure.

    Args:
        foretold: the prediction.
        figure: its name.
        happened: what it was in the past night.

    Returns:
        The job and a sentence; "" where the night has no job.
    """
    import numpy as np

    apart = np.abs(foretold.sample[figure] - happened)
    if not np.isfinite(apart).any():
        return ""
    night = played_again(foretold, int(np.nanargmin(apart)))
    of_tries = figure in _OF_TRIES
    if (job := _job(list(night.every_row()), of_tries=of_tries)) is None:
        return ""
    told = story_of_night(night, job=str(job))
    later = [it for it in told.sentences if it.fact.what not in _BEFORE[of_tries]]
    return f"{told.story.name}: {(later or told.sentences)[0].text}"


def played_again(foretold: Foretold, number: int) -> NightResult:
    """Play a night of a prediction again, with its events: the one at that place of its samples, from 0."""
    with TemporaryDirectory(prefix="queuedrill-hindcast-") as folder:
        if foretold.came:
            (Path(folder) / TRACE.format(foretold.night)).write_text(foretold.came, "utf-8")
        loaded = from_settings(foretold.settings, f"the draft for night {foretold.night}", folder=folder)
        return run_night(loaded, seed=foretold.seed + number, keep_events=True)


def _job(rows: Sequence[Row], *, of_tries: bool) -> int | None:
    """The job with most attempts, or the one that waited longest for its first; one that never had any waited on."""
    came: dict[int, int] = {row[3]: row[0] for row in rows if row[1] == "submitted"}
    begins: dict[int, int] = {}
    tries: Counter[int] = Counter()
    for at, kind, _, job, *_ in rows:
        if kind == "handed_out":
            begins.setdefault(job, at)
            tries[job] += 1
    if not came:
        return None
    if of_tries:
        return max(came, key=lambda job: (tries[job], -job))
    ends: int = rows[-1][0]
    return max(came, key=lambda job: (begins.get(job, ends) - came[job], -job))
