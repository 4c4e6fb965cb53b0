"""Which scenario did somebody name: a file, settings made in Python, or one that was read already?"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from emulator.errors import InputError
from emulator.scenario.load import Loaded, from_settings, load

__all__ = ["AnyScenario", "loaded_from"]

AnyScenario = str | os.PathLike[str] | Mapping[str, Any] | Loaded
"""The path of a scenario file, its settings as a mapping (the keys and values of a file), or what ``load`` gave."""


def loaded_from(scenario: AnyScenario) -> Loaded:
    """Give the scenario that somebody named, in whichever way.

    Raises:
        ScenarioError: with every mistake in it.
        InputError: when it is none of these.
    """
    if isinstance(scenario, Loaded):
        return scenario
    if isinstance(scenario, str | os.PathLike):
        return load(Path(scenario))
    if isinstance(scenario, Mapping):
        return from_settings(scenario)
    raise InputError(f"{scenario!r} is no scenario: give a file's path, settings, or what `load` gave")
