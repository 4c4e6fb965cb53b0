"""A scenario without a single hazard, and a way to change it: what the tests of mistakes and hazards start from."""

from pathlib import Path
from typing import Any

import pytest

from emulator.errors import ScenarioError
from emulator.scenario.load import Loaded, from_settings, load, varied
from emulator.scenario.text import read

__all__ = ["QUIET", "RIGHT", "changed", "problems", "quiet"]

RIGHT = Path(__file__).parent / "unit" / "right"
"""Where the right scenarios are: quiet (no hazard), shown (the example of the docs), everything (every key)."""


def quiet(**changes: Any) -> Loaded:
    """Load the quiet night, with values changed by dotted path (written with ``__`` for the dots)."""
    loaded = load(RIGHT / "quiet.yaml")
    return varied(loaded, {path.replace("__", "."): value for path, value in changes.items()}) if changes else loaded


QUIET: dict[str, Any] = read(RIGHT / "quiet.yaml").data
"""The settings of the quiet night."""


def problems(settings: dict[str, Any]) -> list[str]:
    """Give what is wrong with settings, each as path: message."""
    with pytest.raises(ScenarioError) as caught:
        from_settings(settings)
    return [f"{problem.path}: {problem.message}" for problem in caught.value.problems]


def changed(**parts: Any) -> dict[str, Any]:
    """Give the settings of the quiet night with some sections replaced."""
    return {**QUIET, **parts}
