"""Folds and judges a log: gives the figures and verdicts that the run itself had.

The law: the events are folded as they stand in the log; nothing of them is made anew. What no event tells (pools,
slots, when recurrences are due) is read from the scenario that the log holds. Only when the broker was down during the
night are the arrivals played once more, because an event tells when a job was submitted and not when it had been due.

A run that was killed, or that goes on, is folded up to its last event; its requirements are not judged.
"""

from dataclasses import dataclass, field, replace
from pathlib import Path

from emulator.errors import LogError
from emulator.measure.fold import NightFold
from emulator.measure.night import Night
from emulator.measure.occurrences import Judged
from emulator.measure.requirements import broken_off, judge_all
from emulator.record.event_view import AT, KIND
from emulator.record.events import Row
from emulator.record.log_reader import Log, fitting, open_log
from emulator.record.logged_scenario import loaded_of
from emulator.record.recorder import Recorder
from emulator.scenario.load import AnyFolders, Loaded
from emulator.scenario.schedules import planned_on
from emulator.scenario.stated import aims
from emulator.show import meta as show
from emulator.timeline.agenda import Agenda
from emulator.world.tonight import offered_load
from emulator.world.world import World

__all__ = [
    "JudgedLog",
    "judged_log",
]


@dataclass(frozen=True, slots=True)
class JudgedLog:
    """A log, read and judged; made by ``judged_log``.

    Attributes:
        log: the log.
        loaded: the scenario that was run, under the variant that was run.
        night: the folded events.
        judged: the requirements, in the scenario's order; none is judged if the run was not finished.
        also_true: the facts of the lesson, likewise.
        rows: the events that were folded; the number of each is its place, counted from 1.
    """

    log: Log
    loaded: Loaded
    night: Night
    judged: tuple[Judged, ...]
    also_true: tuple[Judged, ...]
    rows: tuple[Row, ...] = field(repr=False)

    @property
    def breaks_off(self) -> str:
        """Where the log ends, in a sentence, if that is before its run was finished; else ""."""
        if self.log.finished:
            return ""
        return show.breaks_off(self.loaded.clock, self.night.horizon, self.loaded.scenario.lasts)


def judged_log(path: str | Path | Log, *, allow_folders: AnyFolders = ()) -> JudgedLog:
    """Fold and judge a log: figures and verdicts are those that the run had; of a broken-off one nothing is judged.

    Files that the scenario refers to are looked for beside the scenario: the log says where that is from its own place.

    Raises:
        LogError: when the log cannot be read or was changed since, holds no event, or names a variant that its scenario
            does not have.
        ScenarioError: when this version of the program does not take the scenario any more.
    """
    log = path if isinstance(path, Log) else open_log(path, allow_folders=allow_folders)
    log.check()
    loaded = loaded_of(log)
    with fitting(log.path):
        return _judged(log, loaded)


def _judged(log: Log, loaded: Loaded) -> JudgedLog:
    meta = log.meta
    rows = list(log.rows())
    if not rows:
        raise LogError(f"{log.path}: it holds no event yet: look again when the run has gone on")
    world = World(loaded, meta.seed, Agenda(), Recorder(), heartbeats=meta.heartbeats)
    pools, slots, takes = world.pools_of_workers(), world.slots(), world.takes_slots()
    fold = NightFold(loaded.scenario.lasts, pools=pools, slots=slots, takes_slots=takes)
    fold.feed_all(rows)
    night = replace(
        fold.close(None if log.finished else rows[-1][AT]),
        occurrences=_occurrences(world, rows),
        offered_load=offered_load(loaded.scenario, loaded.clock),
        planned_on=planned_on(loaded.scenario, loaded.clock),
        aims=aims(loaded),
    )
    judged = judge_all(night, loaded.scenario.must_hold, loaded.clock)
    also_true = judge_all(night, loaded.scenario.also_true, loaded.clock)
    if not log.finished:
        judged = broken_off(judged, rows[-1][AT], loaded.scenario.lasts)
        also_true = broken_off(also_true, rows[-1][AT], loaded.scenario.lasts)
    return JudgedLog(log, loaded, night, judged, also_true, tuple(rows))


def _occurrences(world: World, rows: list[Row]) -> dict[str, tuple[int, ...]]:
    """Give when the jobs of each entry were due; without an outage only recurrences need it: all else is in time."""
    if any(row[KIND] == "broker_down" for row in rows):
        world.start()
        world.run()
    return {entry: tuple(ticks) for entry, ticks in world.occurrences.items()}
