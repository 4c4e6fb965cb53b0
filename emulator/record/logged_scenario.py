"""Reads the scenario that a log holds, as written or under the variant that was run.

It is apart from what judges a log, so that a command that plays nothing anew does not load the world.
"""

import os
from pathlib import Path

from emulator.errors import LogError
from emulator.record.log_reader import Log
from emulator.scenario.files import Folders
from emulator.scenario.load import Loaded, load_within, varied, with_changes

__all__ = ["loaded_of", "scenario_of"]


def scenario_of(log: Log) -> Loaded:
    """Read the scenario that a log holds, as it was written, with what was set on the command line.

    Which folder its files are in is said by the log alone, so that folder counts only where it lies below that of the
    log, below the current one, or below one that was allowed.

    Raises:
        ScenarioError: when this version of the program does not take the scenario any more, or a file is not there.
    """
    meta, beside = log.meta, log.path.parent
    if not meta.scenario_folder:
        folder = Path(meta.scenario_name).parent
    else:
        folder = Path(os.path.normpath(beside / meta.scenario_folder))
    real = Path(os.path.realpath(folder))
    roots = (beside, Path(), *log.allow_folders)
    trusted = any(real.is_relative_to(os.path.realpath(root)) for root in roots)
    folders = Folders(folder, log.allow_folders, trusted)
    loaded = load_within(meta.scenario_text, meta.scenario_name, folders, meta.bases)
    return with_changes(loaded, meta.changes)


def loaded_of(log: Log) -> Loaded:
    """Read the scenario that a log holds, under the variant that was run.

    Raises:
        LogError: when the log names a variant that its scenario does not have.
        ScenarioError: when this version of the program does not take the scenario any more.
    """
    meta = log.meta
    loaded = scenario_of(log)
    if not meta.variant:
        return loaded
    if meta.variant not in loaded.patches:
        raise LogError(f"{log.path}: its run was of the variant {meta.variant!r}, which its scenario does not have")
    return varied(loaded, loaded.patches[meta.variant], meta.variant)
