"""Plays many nights and samples the signals that an outside observer sees; one process or several give the same.

Heartbeats are simulated, whatever the scenario states: how long a worker has been silent is read from them, and all
else is the same. A night is a pure function of its setting and seed, so where it is played, and in which order nights
come back, decides nothing.
"""

import multiprocessing
import os
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import contextmanager
from typing import Final

from emulator.errors import InputError
from emulator.experiment.night import play
from emulator.experiment.processes import own_processes
from emulator.experiment.settings import Setting
from emulator.measure.fold import NightFold
from emulator.measure.night import Night
from emulator.measure.requirements import first_miss, has_bound, judge_all
from emulator.measure.signals import SignalFold, WatchedNight
from emulator.record.event_view import AT, CAUSE, KIND, view
from emulator.record.events import HEARTBEAT_KINDS, Row

__all__ = ["Watch", "open_watch", "watch_night"]

_WINDOW: Final = 4  # batches under way for each process
_BATCH: Final = 8

Done = Callable[[int], None]
"""Told how many nights more are played."""


class _Seen:
    """Samples the signals of a night, and keeps its events; heartbeats change nothing that is judged."""

    def __init__(self, fold: SignalFold) -> None:
        self._fold = fold
        self.rows: list[Row] = []
        self.struck: dict[int, tuple[int, str, str]] = {}  # by the number of its event: tick, kind and place
        self._number = 0

    def emit(self, row: Row) -> int:
        self._fold.feed(row)
        kind = row[KIND]
        if kind not in HEARTBEAT_KINDS:
            self.rows.append(row)
        self._number += 1
        if kind == "fault_began":
            event = view(self._number, row)
            self.struck[self._number] = event.at, event.fault, event.place
        elif kind == "fault_missed":
            self.struck.pop(row[CAUSE], None)  # it hit nothing
        return self._number


def watch_night(setting: Setting, seed: int) -> WatchedNight:
    """Play one night, sample its signals, and find out from when on a requirement could no longer be met."""
    loaded = setting.loaded()
    scenario = loaded.scenario
    signals = SignalFold(scenario.queues, scenario.lasts)
    seen = _Seen(signals)
    night, _, _ = play(loaded, seed, {}, heartbeats="simulated", also_to=seen, stated=setting.stated)
    signals.close()
    judged = judge_all(night, scenario.must_hold, loaded.clock)
    asked = [(one, its) for one, its in zip(scenario.must_hold, judged, strict=True) if has_bound(one)]
    ticks = [row[AT] for row in seen.rows]

    def stood(at: int) -> Night:
        fold = NightFold(
            night.horizon,
            pools=night.pools,
            slots=night.slots,
            takes_slots=night.takes_slots,
            occurrences=night.occurrences,
            offered_load=night.offered_load,
            planned_on=night.planned_on,
        )
        fold.feed_all(seen.rows[: bisect_right(ticks, at)])
        return fold.close(at)

    missed_at, missed = first_miss(night, asked, loaded.clock, stood) or (None, "")
    return WatchedNight(seed, tuple(signals.samples.values()), tuple(seen.struck.values()), missed_at, missed)


def _watch_batch(setting: Setting, seeds: Sequence[int]) -> list[WatchedNight]:
    parent = multiprocessing.parent_process()
    watched = []
    for seed in seeds:
        if parent is not None and not parent.is_alive():
            os._exit(1)  # nobody would take its nights
        watched.append(watch_night(setting, seed))
    return watched


class Watch:
    """Plays nights, and counts them.

    Attributes:
        played: how many nights have been played so far.
    """

    def __init__(self, processes: int, executor: Executor | None) -> None:
        self._processes, self._executor = processes, executor
        self.played = 0

    def nights(self, setting: Setting, seeds: Sequence[int], done: Done = lambda more: None) -> list[WatchedNight]:
        """Play a night with each seed; they come in the order of the seeds.

        Raises:
            InputError: when a process dies on the way.
        """
        found: list[WatchedNight] = []
        for batch in self._batches(setting, seeds):
            found += batch
            self.played += len(batch)
            done(len(batch))
        return found

    def _batches(self, setting: Setting, seeds: Sequence[int]) -> Iterator[list[WatchedNight]]:
        if self._executor is None:
            for seed in seeds:
                yield [watch_night(setting, seed)]
            return
        size = max(1, min(_BATCH, len(seeds) // (2 * self._processes)))
        under_way: deque[Future[list[WatchedNight]]] = deque()
        batches = (seeds[first : first + size] for first in range(0, len(seeds), size))
        try:
            for batch in batches:
                under_way.append(self._executor.submit(_watch_batch, setting, batch))
                if len(under_way) == self._processes * _WINDOW:
                    yield under_way.popleft().result()
            while under_way:
                yield under_way.popleft().result()
        except BrokenExecutor:
            raise InputError(
                "a process that played nights died, perhaps for want of memory: run again with fewer processes"
            ) from None


@contextmanager
def open_watch(processes: int | None = None) -> Iterator[Watch]:
    """Open what nights are played by.

    Args:
        processes: how many processes; 1 is this one, None as many as the machine has processors.
    """
    many = processes or os.cpu_count() or 1
    if many == 1:
        yield Watch(1, None)
        return
    others = set(multiprocessing.active_children())
    executor = own_processes(many)
    try:
        yield Watch(many, executor)
    except BaseException:
        executor.shutdown(wait=False, cancel_futures=True)
        for child in set(multiprocessing.active_children()) - others:
            child.kill()
        raise
    executor.shutdown(wait=True, cancel_futures=True)
