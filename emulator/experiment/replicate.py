"""What is read of one night of a comparison? Everything that a replication holds, and nothing beside it."""

import multiprocessing
import os
from collections.abc import Sequence

from emulator.experiment.night import heartbeats_for, play
from emulator.experiment.own_policies import AskedPolicy
from emulator.experiment.settings import Setting
from emulator.measure.comparison.replication import PlayedNight
from emulator.measure.comparison.wanted import read, wanted
from emulator.measure.requirements import has_bound, judge_all
from emulator.measure.selection import Selection

__all__ = ["play_batch", "replicate"]


def replicate(setting: Setting, seed: int, figures: Sequence[str]) -> PlayedNight:
    """Play one night, and read of it what is compared.

    A night that ends with a defect of the emulator, or of a retry policy of the user's own, is a replication with a
    ``failure``: the others go on.

    Args:
        setting: what is played.
        seed: with which seed.
        figures: the texts that name what is read.
    """
    try:
        loaded = setting.loaded()
        own = {queue: AskedPolicy(queue, policy) for queue, policy in setting.policies.items()}
        heartbeats = heartbeats_for(loaded, (wanted(text).name for text in figures))
        night, events, drawn = play(loaded, seed, own, heartbeats=heartbeats, stated=setting.stated)
        judged = judge_all(night, loaded.scenario.must_hold, loaded.clock)
    except Exception as error:
        said = " ".join(str(error).split())
        return PlayedNight(setting.name, seed, {}, (), 0, f"{type(error).__name__}: {said}")
    held = tuple(
        one.met if has_bound(asked) else None for one, asked in zip(judged, loaded.scenario.must_hold, strict=True)
    )
    readings = read(night, map(wanted, figures))
    backlog = Selection(night).waiting_at(setting.moments) if setting.moments else ()
    return PlayedNight(setting.name, seed, readings, held, events, drawn=drawn, backlog=backlog)


def play_batch(setting: Setting, seeds: Sequence[int], figures: Sequence[str]) -> list[PlayedNight]:
    """Play several nights of one setting, in order; what is sent to another process.

    That process ends when the one that it works for has gone: nobody would take its nights.
    """
    parent = multiprocessing.parent_process()
    played = []
    for seed in seeds:
        if parent is not None and not parent.is_alive():
            os._exit(1)
        played.append(replicate(setting, seed, figures))
    return played
