"""Runs one night from Python in one call, directly or in a thread."""

import os
import threading
from pathlib import Path

from emulator.experiment.night import Heartbeats, NightResult, Progress, run_night
from emulator.scenario.arguments import FUNCTION, PATH, may_be
from emulator.scenario.load import AnyFolders, AnyScenario, loaded_from

__all__ = ["run", "run_async"]


class _GivenUpError(Exception):
    """Ends a run that nobody waits for any more."""


def run(
    scenario: AnyScenario,
    *,
    seed: int | None = None,
    variant: str = "",
    log: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
    pace: float | None = None,
    heartbeats: Heartbeats | None = None,
    keep_events: bool = True,
    progress: Progress | None = None,
    allow_folders: AnyFolders = (),
) -> NightResult:
    """Run one night of a scenario and judge it: the same scenario, seed and zone data give the same events.

    Args:
        scenario: the path of a file, its settings as a mapping, or what ``load`` gave.
        seed: from 0 to 2**63 - 1; by default the one that the scenario states.
        variant: the name of one of its variants; by default, or by ``as written``, the scenario itself.
        log: where to write the events, as a new SQLite file; by default nowhere.
        overwrite: let the log take the place of an earlier log.
        pace: seconds of virtual time for each second of real time, above 0; by default as fast as possible.
        heartbeats: ``"computed"`` or ``"simulated"``; by default what the scenario states.
        keep_events: keep every event in memory, for ``events()`` and ``digest()``.
        progress: told the share of the night that is over, from 0 to 1; what it raises ends the run.
        allow_folders: folders below which the files that a scenario refers to may lie, beside its own folder.

    Raises:
        ScenarioError: with every mistake in the scenario.
        InputError: for a seed, pace or variant out of range.
        LogError: when the log cannot be written.
        DefectError: when the emulator itself is wrong.

    >>> import emulator
    >>> night = emulator.run({
    ...     "title": "One copy", "starts": "2026-06-12T21:30:00", "lasts": "1h",
    ...     "queues": {"night": {"lease": "90s"}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "20s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    ...     "arrivals": [{"routine": "copy", "count": 1, "at": "21:35"}],
    ...     "must_hold": [{"measure": "makespan", "at_most": "15m"}],
    ... })
    >>> night.sentence, night.figure("done").value
    ('The night fits: the one requirement is met.', 1)
    """
    may_be(PATH, log=log)
    return run_night(
        loaded_from(scenario, allow_folders),
        seed=seed,
        variant=variant,
        log=None if log is None else Path(log),
        overwrite=overwrite,
        pace=pace,
        heartbeats=heartbeats,
        keep_events=keep_events,
        progress=progress,
    )


async def run_async(
    scenario: AnyScenario,
    *,
    seed: int | None = None,
    variant: str = "",
    log: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
    pace: float | None = None,
    heartbeats: Heartbeats | None = None,
    keep_events: bool = True,
    progress: Progress | None = None,
    allow_folders: AnyFolders = (),
) -> NightResult:
    """Run one night as ``run`` does, in a thread, so that the event loop goes on meanwhile.

    Arguments and errors are those of ``run``. On a virtual-time loop the clock stands still until the night is over. If
    the wait is cancelled, the night is given up at the end of its present slice. ``progress`` is called in that thread.

    >>> import asyncio, emulator
    >>> asyncio.run(emulator.run_async("no-such-file.yaml"))
    Traceback (most recent call last):
    ...
    emulator.errors.ScenarioError: no-such-file.yaml: unreadable: cannot be read: No such file or directory
    """
    import asyncio  # whoever calls this has loaded it; a night that is run from a plain script does without

    may_be(FUNCTION, progress=progress)
    given_up = threading.Event()

    def on(share: float) -> None:
        if given_up.is_set():
            raise _GivenUpError
        if progress is not None:
            progress(share)

    def work() -> NightResult:
        return run(
            scenario,
            seed=seed,
            variant=variant,
            log=log,
            overwrite=overwrite,
            pace=pace,
            heartbeats=heartbeats,
            keep_events=keep_events,
            progress=on,
            allow_folders=allow_folders,
        )

    try:
        return await asyncio.to_thread(work)
    except asyncio.CancelledError:
        given_up.set()
        raise
