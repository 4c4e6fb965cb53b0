"""Plays a whole night whose jobs are worked on by the user's own handlers, and judges it as any other night."""

import importlib
import os
import sys
from collections.abc import Iterable, Mapping

from emulator.errors import InputError
from emulator.experiment.night import judged_night
from emulator.experiment.result import NightResult
from emulator.measure.fold import NightFold
from emulator.record.events import Row
from emulator.record.meta import RunMeta
from emulator.scenario.load import Loaded
from emulator.scenario.resolved import resolved
from emulator.testing.emulation import Emulator
from emulator.testing.handlers import Handler
from emulator.testing.running import run_in_virtual_time
from emulator.timeline.ticks import SECOND

__all__ = ["handlers_named", "night_with_handlers"]


def night_with_handlers(
    loaded: Loaded,
    seed: int,
    *,
    handlers: Mapping[str, Handler],
    outside: Iterable[str] = (),
) -> NightResult:
    """Run one night of a scenario, in virtual time, with handlers for some of its routines.

    Args:
        loaded: the scenario; jobs come by its ``arrivals``.
        seed: from 0 to 2**63 - 1.
        handlers: by routine.
        outside: libraries each of whose calls gets a clock stop of its own.

    Raises:
        InputError: for a handler that has no routine, or is no coroutine function.
        IrreproducibleError: when another run may come out otherwise.
    """

    async def night() -> NightResult:
        async with Emulator(loaded, handlers=handlers, seed=seed, outside=outside) as emu:
            await emu.advance(loaded.scenario.lasts / SECOND)
            world = emu.world
        rows: tuple[Row, ...] = tuple(emu.stream.rows)
        fold = NightFold(loaded.scenario.lasts)
        fold.feed_all(rows)
        about = RunMeta(
            seed=seed,
            scenario_text=loaded.text or resolved(loaded),
            scenario_name=loaded.name,
            files={},
            heartbeats="simulated",
            changes=loaded.changes if loaded.text else (),
            bases=loaded.bases,
        )
        again = f"emulator.hunt(..., handlers=..., seed={seed})"
        return judged_night(loaded, about, fold, world, again, rows, None, real_code=True)

    return run_in_virtual_time(night)


def handlers_named(name: str) -> Mapping[str, Handler]:
    """Give the handlers that ``module:NAME`` names, a mapping by routine; the module may lie in the present folder.

    Raises:
        InputError: when there is no such module or name, or it is no mapping.
    """
    module, _, attribute = name.partition(":")
    if not module or not attribute:
        raise InputError(f"{name!r} names no handlers: give module:NAME, such as copies:HANDLERS")
    if os.getcwd() not in sys.path:
        sys.path.insert(0, os.getcwd())
    try:
        found = getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError) as wrong:
        raise InputError(f"the handlers {name}: {wrong}") from None
    if not isinstance(found, Mapping):
        raise InputError(
            f'the handlers {name}: found {type(found).__name__}: make it a mapping, such as {{"copy": copy}}'
        )
    return found
