"""Which scenario was it that a log is of?

Apart from what judges a log, so that a command that plays nothing anew does not load the world.
"""

from pathlib import Path

from emulator.errors import LogError
from emulator.record.log_reader import Log
from emulator.scenario.load import Loaded, load_text, varied

__all__ = ["loaded_of"]


def loaded_of(log: Log) -> Loaded:
    """Read the scenario that a log holds, under the variant that was run.

    Raises:
        LogError: when the log names a variant that its scenario does not have.
        ScenarioError: when this version of the program does not take the scenario any more.
    """
    meta = log.meta
    loaded = load_text(meta.scenario_text, meta.scenario_name, folder=Path(meta.scenario_name).parent)
    if not meta.variant:
        return loaded
    if meta.variant not in loaded.patches:
        raise LogError(f"{log.path}: its run was of the variant {meta.variant!r}, which its scenario does not have")
    return varied(loaded, loaded.patches[meta.variant], meta.variant)
