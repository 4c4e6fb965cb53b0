"""Sorts the public names under headings, by what people come to the Python interface for.

The one list that is kept by hand: a test fails when a public name is on none of its groups, when a public method is
neither shown nor said to be for the package alone, and when a signature names a type that nothing here explains.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from emulator.scenario.fault_kinds import FAULT_KINDS

__all__ = ["ALIASES", "CONSTRUCTED", "GROUPS", "INSIDE", "OPAQUE", "PARTS", "Group"]


@dataclass(frozen=True, slots=True)
class Group:
    """One heading of the page.

    Attributes:
        title: the heading.
        says: what stands below it.
        names: public names, in the order of the page.
        beside: types that these take or give and that have no public name, with the modules they are in.
    """

    title: str
    says: str
    names: tuple[str, ...]
    beside: Mapping[str, str] = field(default_factory=dict)


GROUPS: Final = (
    Group(
        "Run a night",
        "One night of a scenario, from a file or from settings. [How to](how-to/run-from-python.md).",
        ("run", "run_async", "load", "load_text", "from_settings"),
        {"Loaded": "scenario.load"},
    ),
    Group(
        "Results",
        "What a night leaves in your hands, and what its log holds. Which figures there are: [figures]"
        "(reference-figures.md).",
        ("NightResult", "open_log", "export"),
        {
            "Figure": "measure.estimate",
            "Judged": "measure.occurrences",
            "Event": "record.events",
            "Page": "show.layout",
            "Log": "record.log_reader",
            "JobState": "record.log_reader",
            "RunMeta": "record.meta",
        },
    ),
    Group(
        "Compare, size, hunt",
        "Many nights, on the same draws. [How to](how-to/compare-policies.md). `compare`, `nights`, `size` and "
        "`frontier` need the extra `stats`, `hunt`, `fault_schedules` and `crash_points` the extra `search`.",
        (
            "compare",
            "compare_async",
            "nights",
            "size",
            "frontier",
            "hunt",
            "fault_schedules",
            "ComparisonResult",
            "SizingResult",
            "FrontierResult",
        ),
        {
            "Spread": "measure.comparison.result",
            "Difference": "measure.comparison.result",
            "Share": "measure.comparison.result",
            "TradePoint": "measure.comparison.result",
            "Interval": "measure.comparison.intervals",
            "Lost": "measure.comparison.result",
            "Recommendation": "measure.comparison.result",
            "CandidateStanding": "measure.comparison.result",
            "RequirementStanding": "measure.comparison.result",
            "PreferenceStep": "measure.comparison.result",
            "LeaderDifference": "measure.comparison.result",
            "Enough": "measure.comparison.result",
            "PlayedNight": "measure.comparison.wanted",
            "Reading": "measure.comparison.wanted",
            "Sized": "measure.comparison.sizing",
            "SizedRequirement": "measure.comparison.sizing",
            "FrontierPoint": "measure.comparison.sizing",
            "Hunt": "testing.hunting",
        },
    ),
    Group(
        "Embed in tests",
        "An emulated queue and workers around your own code. [Tutorial](test-your-code.md), "
        "[faults](how-to/test-under-faults.md).",
        ("Emulator", "Emulated", "EmulatorOptions", "JobHandle", "CrashPoint", "sweep", "crash_points"),
        {
            "Ending": "testing.views",
            "FaultHandle": "testing.faults",
            "Moment": "testing.crashing",
            "Sweep": "testing.crashing",
            "Unsafe": "testing.crashing",
            "WorkerView": "testing.views",
            "CallBurst": "testing.settings",
        },
    ),
    Group(
        "Handlers",
        "What your `async def copy(work): ...` is given. [Threads, databases and subprocesses in it]"
        "(how-to/use-real-code.md).",
        ("Work",),
        {"Order": "testing.work"},
    ),
    Group(
        "Worker programs of your own",
        "For a team that has written the loop that takes jobs itself. [How to](how-to/test-a-worker-program.md).",
        ("Client", "Lease"),
    ),
    Group(
        "Own scripts",
        "Real scripts, cut off at every step and run again. "
        "[Is my script safe to run again?](how-to/rerun-a-script.md)",
        ("rerun", "rerun_points"),
        {"Rerun": "scripts.report", "Judgement": "scripts.rerun", "Found": "scripts.rerun", "Point": "scripts.rerun"},
    ),
    Group("The pytest plugin", "It comes with the package; nothing has to be registered.", ()),
    Group(
        "Virtual time",
        "The event loop whose clock goes straight to the next timer, and work outside of it.",
        ("run_in_virtual_time", "in_virtual_time", "VirtualLoop", "clock_stop"),
    ),
    Group(
        "Retry policies",
        "An object of your own in place of the data of a scenario file: `Emulator(retry={...})`, and "
        "`compare(variants={...})`.",
        ("RetryPolicy", "RetryCase", "Verdict"),
    ),
    Group(
        "Errors",
        "Every error that the emulator raises on purpose. A message says who, what, when in virtual time, and what to "
        "do instead. An `InputError` is for you to repair, a `DefectError` for us.",
        (
            "QueuedrillError",
            "InputError",
            "ScenarioError",
            "Problem",
            "LogError",
            "RefusedError",
            "TimelineError",
            "StandstillError",
            "SpinningError",
            "EndOfTimeError",
            "NeverError",
            "WallLimitError",
            "ClockStopError",
            "OutsideWorkError",
            "WorkError",
            "TransientError",
            "CallError",
            "NoAnswerError",
            "PermanentError",
            "StaleTokenError",
            "InvariantError",
            "IrreproducibleError",
            "DefectError",
        ),
    ),
)
"""The headings of the page, in order; each public name is in one of them."""

CONSTRUCTED: Final = frozenset({"Emulator", "RetryCase", "TransientError", "CallError", "Verdict", "VirtualLoop"})
"""The classes that a user makes objects of; of others the page shows what they hold."""

PARTS: Final = MappingProxyType[str, tuple[tuple[str, str, tuple[str, ...]], ...]](
    {
        "Emulator": (
            ("Jobs", "", ("submit", "job", "jobs", "why_unfinished", "client")),
            ("Time", "", ("advance", "until", "settle", "time", "clock_time")),
            (
                "Faults",
                "Each begins now and gives a handle. `lasts` says how long; left out, it lasts until `end()` of the "
                "handle is called. `who` is a worker, a pool, or some of one. Each raises `InputError` for a value out "
                "of range and for a target that there is not. [What each does to a handler](how-to/test-under-faults.md"
                ").",
                (
                    "strike",
                    *FAULT_KINDS,
                    "fault",
                    "schedule",
                ),
            ),
            (
                "What people do",
                "Each is done now. A job is its handle or its name. Each raises `InputError` for a target that there "
                "is not, and for what the broker refuses in the state in which it is.",
                (
                    "hold",
                    "release",
                    "suspend",
                    "resume",
                    "withdraw",
                    "run_again",
                    "hold_queue",
                    "release_queue",
                    "drain",
                    "power_on",
                    "new_version",
                    "action",
                ),
            ),
            ("Answers of systems", "", ("next_answer",)),
            (
                "What is seen",
                "At any moment, and after the emulation has been left too.",
                (
                    "workers",
                    "worker",
                    "recorded",
                    "events",
                    "subscribe",
                    "figure",
                    "night",
                    "failures",
                    "stories",
                    "digest",
                    "broker",
                    "has_begun",
                ),
            ),
            ("Check and keep", "", ("check", "save")),
        ),
    }
)
"""Long classes in parts; every method of theirs is in one."""

INSIDE: Final = MappingProxyType[str, frozenset[str]](
    {
        "Emulator": frozenset({"failures_by"}),
        "Client": frozenset({"hand_in"}),  # by `Lease.hand_in`
        "ComparisonResult": frozenset({"assumed", "of"}),
        "SizingResult": frozenset({"of", "searched"}),
        "FrontierResult": frozenset({"of", "searched"}),
        "Loaded": frozenset({"bases", "changes", "folders", "questions", "said", "written", "place"}),
        "Log": frozenset({"check", "heads", "numbered", "trace"}),
        "NightResult": frozenset({"every_row", "meta"}),
        "RunMeta": frozenset({"changes", "from_facts", "to_facts"}),
        "Page": frozenset({"blank", "heading", "lines", "say", "table", "width"}),
        "VirtualLoop": frozenset(
            {
                "abandon",
                "go_on",
                "has_nothing_but",
                "reach_wall_limit",
                "refuse_inside_stop",
                "require_stop",
                "set_speed",
                "stand_still",
            }
        ),
    }
)
"""What has no underscore because other parts of the package use it; a user is promised nothing of it."""

ALIASES: Final = MappingProxyType(
    {
        "AnyScenario": "scenario.load",
        "AnyFolders": "scenario.load",
        "EventKind": "record.events",
        "FigureName": "measure.names",
        "Lasting": "testing.settings",
        "Never": "measure.invariants",
        "When": "scripts.rerun",
        "Drawn": "testing.faults",
        "Who": "testing.faults",
        "WorkerFault": "testing.faults",
        "Entry": "testing.strategies",
        "Handler": "testing.handlers",
        "Program": "testing.client",
        "Progress": "experiment.night",
        "SoFar": "show.comparison.words",
        "Heartbeats": "experiment.night",
        "Pace": "timeline.course",
        "Outcome": "broker.rules",
        "Unit": "measure.estimate",
        "Effect": "measure.comparison.result",
        "ShareVerdict": "measure.comparison.result",
        "Answer": "measure.comparison.result",
        "Standing": "measure.comparison.result",
        "VariantVerdict": "measure.comparison.result",
        "Against": "measure.comparison.result",
        "CutShort": "measure.comparison.result",
        "Row": "record.events",
        "StateName": "broker.states",
        "WorkerState": "world.worker",
        "Trace": "record.sqlite_log",
    }
)
"""Names for types in signatures, and the modules that they are in."""

OPAQUE: Final = MappingProxyType(
    {
        "Settings": "testing.emulation",
        "Scenario": "scenario.models.scenario",
        "Provenance": "scenario.messages",
        "Clock": "scenario.clock",
        "Night": "measure.night",
        "Broker": "broker.broker",
        "Agenda": "timeline.agenda",
        "Plain": "scripts.rerun",
        "ClockStop": "timeline.stops",
    }
)
"""Classes that signatures name and that are told of in a sentence."""
