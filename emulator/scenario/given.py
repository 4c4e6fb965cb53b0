"""Which scenario did somebody name: a file, settings made in Python, or one that was read already?"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from emulator.scenario.load import Loaded, from_settings, load

__all__ = ["Scenario", "loaded_from"]

Scenario = str | os.PathLike[str] | Mapping[str, Any] | Loaded


def loaded_from(scenario: Scenario) -> Loaded:
    """Give the scenario that somebody named, in whichever way.

    Raises:
        ScenarioError: with every mistake in it.
    """
    if isinstance(scenario, Loaded):
        return scenario
    return from_settings(scenario) if isinstance(scenario, Mapping) else load(Path(scenario))
