"""Rehearse unattended jobs on emulated workers, in virtual time.

Everything is imported when it is first asked for: ``import emulator`` alone loads nothing.
"""

TYPE_CHECKING = False  # loading `typing` takes as long as the interpreter takes to start

if TYPE_CHECKING:
    from emulator.broker.rules import RetryCase, RetryPolicy, Verdict
    from emulator.errors import (
        CallError,
        ClockStopError,
        DefectError,
        EndOfTimeError,
        InputError,
        InvariantError,
        IrreproducibleError,
        LogError,
        NeverError,
        NoAnswerError,
        OutsideWorkError,
        PermanentError,
        Problem,
        QueuedrillError,
        RefusedError,
        ScenarioError,
        SpinningError,
        StaleTokenError,
        StandstillError,
        TimelineError,
        TransientError,
        WallLimitError,
        WorkError,
    )
    from emulator.experiment.compare import compare, compare_async, nights
    from emulator.experiment.comparison_result import ComparisonResult, FrontierResult, SizingResult
    from emulator.experiment.night import NightResult
    from emulator.experiment.run import run, run_async
    from emulator.experiment.size import frontier, size
    from emulator.record.log_reader import open_log
    from emulator.report.exporting import export
    from emulator.scenario.load import from_settings, load, load_text
    from emulator.scripts.report import rerun, rerun_points
    from emulator.testing.client import Client, Lease
    from emulator.testing.crashing import CrashPoint, sweep
    from emulator.testing.emulation import Emulator, EmulatorOptions
    from emulator.testing.hunting import hunt
    from emulator.testing.running import in_virtual_time, run_in_virtual_time
    from emulator.testing.strategies import crash_points, fault_schedules
    from emulator.testing.telling import Emulated
    from emulator.testing.views import JobHandle
    from emulator.testing.work import Work
    from emulator.timeline.loop import VirtualLoop
    from emulator.timeline.stops import clock_stop

__all__ = [
    "CallError",
    "Client",
    "ClockStopError",
    "ComparisonResult",
    "CrashPoint",
    "DefectError",
    "Emulated",
    "Emulator",
    "EmulatorOptions",
    "EndOfTimeError",
    "FrontierResult",
    "InputError",
    "InvariantError",
    "IrreproducibleError",
    "JobHandle",
    "Lease",
    "LogError",
    "NeverError",
    "NightResult",
    "NoAnswerError",
    "OutsideWorkError",
    "PermanentError",
    "Problem",
    "QueuedrillError",
    "RefusedError",
    "RetryCase",
    "RetryPolicy",
    "ScenarioError",
    "SizingResult",
    "SpinningError",
    "StaleTokenError",
    "StandstillError",
    "TimelineError",
    "TransientError",
    "Verdict",
    "VirtualLoop",
    "WallLimitError",
    "Work",
    "WorkError",
    "clock_stop",
    "compare",
    "compare_async",
    "crash_points",
    "export",
    "fault_schedules",
    "from_settings",
    "frontier",
    "hunt",
    "in_virtual_time",
    "load",
    "load_text",
    "nights",
    "open_log",
    "rerun",
    "rerun_points",
    "run",
    "run_async",
    "run_in_virtual_time",
    "size",
    "sweep",
]

_HOMES = {
    "CallError": "errors",
    "Client": "testing.client",
    "ClockStopError": "errors",
    "ComparisonResult": "experiment.comparison_result",
    "CrashPoint": "testing.crashing",
    "DefectError": "errors",
    "Emulated": "testing.telling",
    "Emulator": "testing.emulation",
    "EmulatorOptions": "testing.emulation",
    "EndOfTimeError": "errors",
    "FrontierResult": "experiment.comparison_result",
    "InputError": "errors",
    "InvariantError": "errors",
    "IrreproducibleError": "errors",
    "JobHandle": "testing.views",
    "Lease": "testing.client",
    "LogError": "errors",
    "NeverError": "errors",
    "NightResult": "experiment.night",
    "NoAnswerError": "errors",
    "OutsideWorkError": "errors",
    "PermanentError": "errors",
    "Problem": "errors",
    "QueuedrillError": "errors",
    "RefusedError": "errors",
    "RetryCase": "broker.rules",
    "RetryPolicy": "broker.rules",
    "ScenarioError": "errors",
    "SizingResult": "experiment.comparison_result",
    "SpinningError": "errors",
    "StaleTokenError": "errors",
    "StandstillError": "errors",
    "TimelineError": "errors",
    "TransientError": "errors",
    "Verdict": "broker.rules",
    "VirtualLoop": "timeline.loop",
    "WallLimitError": "errors",
    "Work": "testing.work",
    "WorkError": "errors",
    "clock_stop": "timeline.stops",
    "compare": "experiment.compare",
    "compare_async": "experiment.compare",
    "crash_points": "testing.strategies",
    "export": "report.exporting",
    "fault_schedules": "testing.strategies",
    "from_settings": "scenario.load",
    "frontier": "experiment.size",
    "hunt": "testing.hunting",
    "in_virtual_time": "testing.running",
    "load": "scenario.load",
    "load_text": "scenario.load",
    "nights": "experiment.compare",
    "open_log": "record.log_reader",
    "rerun": "scripts.report",
    "rerun_points": "scripts.report",
    "run": "experiment.run",
    "run_async": "experiment.run",
    "run_in_virtual_time": "testing.running",
    "size": "experiment.size",
    "sweep": "testing.crashing",
}
"""Where each public name lives."""

if not TYPE_CHECKING:  # pragma: no branch - type checkers alone, who would else take every name for one that there is

    def __getattr__(name: str) -> object:
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib import import_module

        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
