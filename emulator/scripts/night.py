"""Plays a whole night in which the jobs of some routines really run a script, and judges it as any other night."""

import shlex
from functools import partial
from pathlib import Path

from emulator.errors import InputError
from emulator.experiment.night import NightResult, judged_night
from emulator.measure.fold import NightFold
from emulator.record.events import Row
from emulator.record.meta import RunMeta, files_of
from emulator.scenario.load import Loaded
from emulator.scenario.spelling import advise
from emulator.scenario.stated import resolved
from emulator.scripts.load import LoadedScripts
from emulator.scripts.running import Stage
from emulator.scripts.starter import Starter
from emulator.testing.emulation import Emulator
from emulator.testing.running import run_in_virtual_time
from emulator.timeline.ticks import SECOND

__all__ = ["run_night_with_scripts"]


def run_night_with_scripts(
    loaded: Loaded,
    scripts: LoadedScripts,
    *,
    seed: int | None = None,
    log: Path | None = None,
    overwrite: bool = False,
    starter: Starter | None = None,
) -> tuple[NightResult, list[str]]:
    """Run one night of a scenario in which jobs of the routines that have a script really run it.

    Args:
        loaded: the scenario; its systems are those that the stand-ins call.
        scripts: the file of scripts; a script belongs to the routine of its name.
        seed: from 0 to 2**63 - 1; by default the one that the scenario states.
        log: where to write the events, as a new file.
        overwrite: let the log take the place of an earlier log.
        starter: what starts processes; by default one is made and closed.

    Returns:
        the night, judged, and what is worth telling of the scripts.

    Raises:
        InputError: when no routine has a script, a system is missing, or a stand-in has no answer for a call.
    """
    if starter is None:
        with Starter() as own:
            return run_night_with_scripts(loaded, scripts, seed=seed, log=log, overwrite=overwrite, starter=own)
    names = _routines(loaded, scripts)
    used = loaded.scenario.seed if seed is None else seed
    about = RunMeta(
        seed=used,
        scenario_text=loaded.text or resolved(loaded),
        scenario_name=loaded.name,
        files={**files_of(loaded), scripts.name: scripts.digest},
        heartbeats="simulated",
        changes=loaded.changes if loaded.text else (),
        bases=loaded.bases,
    )
    changed = "".join(f" {change}" for change in loaded.changes)
    again = f"queuedrill run {shlex.quote(loaded.name)}{changed} --scripts {shlex.quote(scripts.name)} --seed {used}"

    async def night() -> tuple[NightResult, list[str]]:
        stage = Stage(scripts.scripts, scripts.folder, starter)
        try:
            emu = Emulator(loaded, handlers={name: stage.handler(name) for name in names}, seed=used)
            stage.lacks = partial(_lacking, emu)  # scripts may begin as it is entered
            async with emu:
                await emu.advance(loaded.scenario.lasts / SECOND)
                world = emu.world
            if stage.mistakes:
                raise InputError("\n".join(dict.fromkeys(stage.mistakes)))
            if log is not None:
                await emu.save(log, overwrite=overwrite)
            rows: tuple[Row, ...] = tuple(emu.stream.rows)
            fold = NightFold(loaded.scenario.lasts)
            fold.feed_all(rows)
            return judged_night(loaded, about, fold, world, again, rows, log, real_code=True), _notes(stage)
        finally:
            stage.close()

    return run_in_virtual_time(night)


def _routines(loaded: Loaded, scripts: LoadedScripts) -> list[str]:
    known = tuple(loaded.scenario.routines)
    names = [name for name in scripts.scripts.scripts if name in known]
    if not names:
        first = next(iter(scripts.scripts.scripts))
        raise InputError(f"{scripts.name}: no script is called as a routine of {loaded.name}: {advise(first, known)}")
    systems = tuple(loaded.scenario.systems)
    for command, answers in scripts.scripts.commands.items():
        for answer in answers:
            if answer.calls is not None and answer.calls.partition("/")[0] not in systems:
                raise InputError(
                    f"{scripts.name}: the command {command} calls {answer.calls!r}, which {loaded.name} does not "
                    f"have: {advise(answer.calls, systems)}"
                )
    return names


def _lacking(emu: Emulator, worker: str) -> frozenset[str]:
    """Give the tools that some worker has and this one lacks now, such as by a fault; a command may be one of them."""
    workers = emu.world.workers
    pools = emu.scenario.pools.values()
    known = {item for pool in pools for item in pool.equipped_with}
    known |= {item for pool in pools for own in pool.per_worker.values() for item in own.equipped_with or ()}
    return frozenset(map(_name_of, known)) - frozenset(map(_name_of, workers[worker].equipment))


def _name_of(item: str) -> str:
    return item.split(" ")[0]


def _notes(stage: Stage) -> list[str]:
    return list(dict.fromkeys(note for tried in stage.tried for note in tried.notes))
