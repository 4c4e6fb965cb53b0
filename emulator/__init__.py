"""Rehearse unattended jobs on emulated workers, in virtual time.

Everything is imported when it is first asked for: ``import emulator`` alone loads nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from emulator.errors import (
        DefectError,
        InputError,
        LogError,
        Problem,
        QueuedrillError,
        ScenarioError,
        TimelineError,
    )
    from emulator.experiment.result import NightResult
    from emulator.experiment.run import run, run_async
    from emulator.record.log_reader import open_log
    from emulator.scenario.load import from_settings, load, load_text

__all__ = [
    "DefectError",
    "InputError",
    "LogError",
    "NightResult",
    "Problem",
    "QueuedrillError",
    "ScenarioError",
    "TimelineError",
    "from_settings",
    "load",
    "load_text",
    "open_log",
    "run",
    "run_async",
]

_HOMES: Final = {
    "DefectError": "errors",
    "InputError": "errors",
    "LogError": "errors",
    "NightResult": "experiment.result",
    "Problem": "errors",
    "QueuedrillError": "errors",
    "ScenarioError": "errors",
    "TimelineError": "errors",
    "from_settings": "scenario.load",
    "load": "scenario.load",
    "load_text": "scenario.load",
    "open_log": "record.log_reader",
    "run": "experiment.run",
    "run_async": "experiment.run",
}
"""Where each public name lives."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
