"""How do the events of an emulation become a log?"""

from collections.abc import Sequence
from pathlib import Path

from emulator.record.events import Row
from emulator.record.log_writer import SqliteRecorder
from emulator.record.meta import RunMeta
from emulator.scenario.load import Loaded
from emulator.scenario.resolved import resolved
from emulator.timeline.stops import clock_stop

__all__ = ["save"]


async def save(rows: Sequence[Row], loaded: Loaded, seed: int, path: Path, *, overwrite: bool) -> Path:
    """Write the events so far to a new log, while the clock stands still.

    The log says which scenario and seed it is of. It cannot be reproduced from them alone: what the test did, and the
    code of its handlers, are not in it.
    """
    about = RunMeta(
        seed=seed,
        scenario_text=loaded.text or resolved(loaded),
        scenario_name=loaded.name,
        heartbeats="simulated",
        changes=loaded.changes if loaded.text else (),
        bases=loaded.bases,
    )
    async with clock_stop(f"the log {path.name}"), await SqliteRecorder.create(path, about, overwrite=overwrite) as log:
        for row in rows:
            log.emit(row)
        await log.finish()
    return path
