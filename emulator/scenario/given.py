"""Which scenario did somebody name: a file, settings made in Python, or one that was read already?"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from emulator.errors import InputError
from emulator.scenario.files import folders_of
from emulator.scenario.load import AnyFolders, Loaded, from_settings, load

__all__ = ["AnyScenario", "loaded_from"]

AnyScenario = str | os.PathLike[str] | Mapping[str, Any] | Loaded
"""The path of a scenario file, its settings as a mapping (the keys and values of a file), or what ``load`` gave."""


def loaded_from(scenario: AnyScenario, allow_folders: AnyFolders = ()) -> Loaded:
    """Give the scenario that somebody named, in whichever way.

    Raises:
        ScenarioError: with every mistake in it.
        InputError: when it is none of these, or was loaded before other folders were allowed.
    """
    if isinstance(scenario, Loaded):
        if folders_of(allow_folders):
            raise InputError("allow_folders: give them to `load`, which has read this scenario's files already")
        return scenario
    if isinstance(scenario, str | os.PathLike):
        return load(Path(scenario), allow_folders=allow_folders)
    if isinstance(scenario, Mapping):
        return from_settings(scenario, allow_folders=allow_folders)
    raise InputError(f"{scenario!r} is no scenario: give a file's path, settings, or what `load` gave")
