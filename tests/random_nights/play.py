"""Plays random nights in both modes of heartbeats, and makes a night smaller as long as it still shows something."""

from collections.abc import Callable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

from emulator.errors import ScenarioError
from emulator.record.events import HEARTBEAT_KINDS, Row
from emulator.record.recorder import Recorder
from emulator.scenario.load import Loaded, from_settings
from emulator.timeline.agenda import Agenda
from emulator.world.world import World
from random_nights.checker import Broken, check

__all__ = ["FOLDER", "MODES", "difference", "found", "job_events", "loaded", "play", "smaller"]

FOLDER = Path(__file__).parent
MODES = ("computed", "simulated")

Settings = dict[str, Any]


def loaded(settings: Settings) -> Loaded:
    """Read a night; its traces lie in this folder."""
    return from_settings(settings, folder=FOLDER)


def play(night: Loaded, seed: int, mode: str) -> list[Row]:
    """Play a night and give its events, without a log."""
    recorder, agenda = Recorder(), Agenda()
    world = World(night, seed, agenda, recorder, heartbeats=mode)
    world.start()
    world.run()
    world.close()
    return recorder.rows


def job_events(rows: list[Row]) -> list[Row]:
    """Leave heartbeats out and number the rest anew; a cause that was left out becomes 0.

    The refusal of a renewal is part of a heartbeat; what it makes the worker learn (``worker_told``) stays in.
    """
    numbers: dict[int, int] = {0: 0}
    kept: list[Row] = []
    for number, row in enumerate(rows, 1):
        renewal_refused = row[1] == "stale_refused" and row[-1] == "renewal"
        if row[1] not in HEARTBEAT_KINDS and not renewal_refused:
            kept.append(row)
            numbers[number] = len(kept)
    return [(row[0], row[1], numbers.get(row[2], 0), *row[3:]) for row in kept]


def difference(computed: list[Row], simulated: list[Row]) -> list[Broken]:
    """Give the first event in which the two modes differ, as a broken promise; nothing if they agree."""
    first, second = job_events(computed), job_events(simulated)
    if first == second:
        return []
    for number, (one, other) in enumerate(zip(first, second, strict=False), 1):
        if one != other:
            return [Broken("modes", number, one[0], f"computed {one}, simulated {other}")]
    return [Broken("modes", min(len(first), len(second)), 0, f"{len(first)} events and {len(second)}")]


def found(settings: Settings, seed: int) -> list[Broken]:
    """Play a night in both modes; give what either breaks, and the first difference between them."""
    night = loaded(settings)
    rows = {mode: play(night, seed, mode) for mode in MODES}
    broken = difference(rows["computed"], rows["simulated"])
    for mode in MODES:
        broken += [one._replace(how=f"{mode}: {one.how}") for one in check(settings, rows[mode], mode)]
    return broken


# -- making smaller ---------------------------------------------------------------------------------------------------


def smaller(settings: Settings, shows: Callable[[Settings], bool]) -> Settings:
    """Take out of a night whatever it does not need to show something, one thing at a time, until nothing is left.

    ``shows`` says of a scenario that loads whether it still shows it.
    """
    best, goes_on = settings, True
    while goes_on:
        goes_on = False
        for candidate in _without_something(best):
            if _loads(candidate) and shows(candidate):
                best, goes_on = candidate, True
                break
    return best


def _loads(settings: Settings) -> bool:
    try:
        loaded(settings)
    except ScenarioError:
        return False
    return True


def _without_something(settings: Settings) -> Iterator[Settings]:
    for path, value in _places(settings, ()):
        candidate = deepcopy(settings)
        holder: Any = candidate
        for key in path[:-1]:
            holder = holder[key]
        if (
            isinstance(value, int)
            and not isinstance(value, bool)
            and path[-1] in (*("count", "slots", "takes_slots", "attempts_in_all"),)
        ):
            if value <= 1:
                continue
            for less in sorted({1, value // 2, value - 1}):
                if 0 < less < value:
                    holder[path[-1]] = less
                    yield deepcopy(candidate)
        else:
            del holder[path[-1]]
            yield candidate


def _places(value: Any, path: tuple[Any, ...]) -> Iterator[tuple[tuple[Any, ...], Any]]:
    """Give the place of everything that a scenario holds, the largest things first."""
    items: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        items = list(value.items())
    elif isinstance(value, list):
        items = list(enumerate(value))
    for key, each in items:
        yield (*path, key), each
    for key, each in items:
        yield from _places(each, (*path, key))
