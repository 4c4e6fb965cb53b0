"""The walls between the parts of the package: who may import whom, hold SQL, or touch the insides of asyncio."""

import ast
import asyncio
import importlib
import inspect
import re
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import pytest

import emulator

ROOT = Path(emulator.__file__).parent
FILES = {
    ".".join(("emulator", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(".__init__"): path
    for path in sorted(ROOT.rglob("*.py"))
}
MODULES = sorted(FILES)

PARTS = {
    "errors": (),
    "version": (),
    "records": (),
    "timeline": ("errors",),
    "scenario": (
        "errors",
        "timeline.ticks",
        "measure.catalogue",
    ),
    "hazards": ("timeline.ticks", "scenario", "broker.rules", "world.sampling"),
    "broker": ("errors", "timeline.ticks", "timeline.bucket", "record.events", "record.reasons"),
    "record": (
        "errors",
        "timeline.ticks",
        "timeline.stops",
        "scenario.arguments",
        "scenario.clock",
        "scenario.files",
        "scenario.load",
        "scenario.spelling",
        "scenario.traces",
        "scenario.written",
        "broker.states",
        "version",
    ),
    "world": ("errors", "timeline", "scenario", "broker", "record"),
    "measure": ("errors", "timeline.ticks", "scenario", "record", "broker.rules"),
    "show": ("errors", "timeline.ticks", "scenario", "record", "measure"),
    "experiment": (
        "errors",
        "timeline",
        "scenario",
        "broker",
        "record",
        "world",
        "measure",
        "show",
        "report.paging",
    ),
    "report": (
        "errors",
        "timeline",
        "scenario",
        "record",
        "world",
        "measure",
        "show",
        "experiment.night",
    ),
    "testing": ("errors", "timeline", "scenario", "broker", "record", "world", "measure", "show", "experiment"),
    "scripts": (
        "errors",
        "timeline.ticks",
        "scenario",
        "record",
        "measure",
        "experiment",
        "testing",
        "show",
        "version",
    ),
    "past": (
        "errors",
        "timeline.ticks",
        "scenario",
        "record",
        "measure",
        "show",
        "experiment",
        "report.storytelling",
        "report.writing",
    ),
    "outlook": (
        "errors",
        "timeline.ticks",
        "scenario",
        "hazards",
        "record",
        "measure",
        "show",
        "experiment",
    ),
    "cli": (
        "errors",
        "timeline",
        "scenario",
        "hazards",
        "record",
        "world",
        "measure",
        "show",
        "experiment",
        "report",
        "testing",
        "scripts",
        "past",
        "outlook",
        "version",
    ),
}
"""What each part of the package may import besides itself: a part, or one module of it. Data flows one way."""

OUTSIDE = {
    "broker": ("asyncio", "logging", "random", "sqlite3", "structlog", "threading", "time"),
    "scenario": ("asyncio", "random", "sqlite3", "structlog", "time"),
    "world": ("random", "sqlite3", "time"),
    "measure": ("asyncio", "random", "sqlite3", "structlog", "time"),
    "show": ("asyncio", "random", "sqlite3", "time"),
}
"""What each part may not import from outside the package."""


@cache
def tree(module: str) -> ast.Module:
    return ast.parse(FILES[module].read_text("utf-8"), str(FILES[module]))


@cache
def nodes(module: str) -> tuple[ast.AST, ...]:
    return tuple(ast.walk(tree(module)))


@cache
def imports(module: str, *, typing_too: bool) -> tuple[str, ...]:
    """Give the modules that a module imports anywhere in its code; what is for type checkers alone only if asked."""
    return tuple(_imports(module, typing_too))


def _imports(module: str, typing_too: bool) -> Iterator[str]:
    for_types = {
        id(inner)
        for node in nodes(module)
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")
        for statement in node.body
        for inner in ast.walk(statement)
    }
    for node in nodes(module):
        if id(node) in for_types and not typing_too:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively: write the whole name"
            assert node.module is not None
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from (name if name in FILES else node.module for name in inner)


@cache
def needs(module: str) -> frozenset[str]:
    """Give the modules of the package that are loaded when a module is, the packages around them included."""
    found = {name for name in imports(module, typing_too=False) if name in FILES}
    return frozenset(found | {name.rpartition(".")[0] for name in (*found, module) if name.count(".") > 1})


def reaches(module: str) -> set[str]:
    seen, rest = set(), [module]
    while rest:
        for name in needs(rest.pop()) - seen:
            seen.add(name)
            rest.append(name)
    return seen


def within(name: str, outer: str) -> bool:
    return name == outer or name.startswith(outer + ".")


def part_of(module: str) -> str:
    return module.split(".")[1]


PARTED = [module for module in MODULES if module.count(".") and part_of(module) != "__main__"]


@pytest.mark.parametrize("module", PARTED)
def test_data_flows_one_way(module: str) -> None:
    """A module imports from its own part and from those that its part may know, for type checkers too."""
    part = part_of(module)
    allowed = [f"emulator.{name}" for name in ("records", part, *PARTS[part])]
    ours = {name for name in imports(module, typing_too=True) if within(name, "emulator")}
    assert sorted(name for name in ours if not any(within(name, outer) for outer in allowed)) == []


@pytest.mark.parametrize("module", [module for module in PARTED if part_of(module) in OUTSIDE])
def test_parts_keep_off_what_would_spoil_them(module: str) -> None:
    """The broker reads no clock and no disk and knows no asyncio; nothing draws at random; measures are pure."""
    forbidden = OUTSIDE[part_of(module)]
    found = sorted({name for name in imports(module, typing_too=False) if name.split(".")[0] in forbidden})
    assert found == []


def test_every_part_has_its_wall() -> None:
    """A new part of the package is written into the table before anything can import it."""
    assert {part_of(module) for module in PARTED} <= set(PARTS)


@pytest.mark.parametrize("module", [m for m in MODULES if m.startswith(("emulator.measure", "emulator.show"))])
def test_measures_and_pages_never_reach_the_world(module: str) -> None:
    """Whatever measures or shows reads records alone: neither world nor loop is loaded with it, by any way round."""
    live = [name for name in reaches(module) if within(name, "emulator.world") or name == "emulator.timeline.loop"]
    assert live == []


CIRCLES = [
    [
        "emulator.record.asking",
        "emulator.record.finding",
        "emulator.record.log_reader",
        "emulator.record.logged_scenario",
        "emulator.record.trail",
    ],
]
"""Modules that still import each other in a circle, by an import inside a function; there are to be none."""


def circles(modules: Iterable[str], *, typing_too: bool = False) -> list[list[str]]:
    """Give the groups of modules that import each other, whatever way round, imports inside functions included."""
    ways = {module: set(imports(module, typing_too=typing_too)) for module in modules}
    reached: dict[str, set[str]] = {}
    for module in ways:
        seen, rest = set[str](), list(ways[module])
        while rest:
            if (name := rest.pop()) in ways and name not in seen:
                seen.add(name)
                rest += ways[name]
        reached[module] = seen
    groups = {tuple(sorted(other for other in reached[one] if one in reached[other])) for one in ways}
    return [list(group) for group in sorted(groups) if group]


def test_no_further_modules_import_each_other_in_a_circle() -> None:
    """Whichever module is read first, those that it imports can be read before it, but for the circles above."""
    assert [group for group in circles(MODULES) if not any(set(group) <= set(known) for known in CIRCLES)] == []


def test_no_part_of_the_world_knows_one_that_knows_it() -> None:
    """The parts of the world stand in an order, for type checkers too: each names only those before it."""
    assert circles([m for m in MODULES if within(m, "emulator.world")], typing_too=True) == []


PUBLIC = "a public function: each of its options is a keyword of its own, as a caller in Python expects"

MANY_ARGUMENTS = {
    "emulator.experiment.compare.compare": PUBLIC,
    "emulator.experiment.run.run": PUBLIC,
    "emulator.experiment.run.run_async": PUBLIC,
    "emulator.experiment.size.frontier": PUBLIC,
    "emulator.experiment.size.size": PUBLIC,
    "emulator.outlook.forecast.forecast": PUBLIC,
    "emulator.outlook.thresholds.thresholds": PUBLIC,
    "emulator.past.hindcast.hindcast": PUBLIC,
    "emulator.testing.emulation.Emulator.__init__": PUBLIC,
    "emulator.testing.hunting.hunt": PUBLIC,
}
"""Functions that may take more than seven arguments, each with its reason; ten at most."""

MANY_ARGUMENTS_STILL = {
    "emulator.cli.compare.compare",
    "emulator.cli.compare.size",
    "emulator.cli.hunt.hunt",
    "emulator.cli.hunt.rerun",
    "emulator.cli.logs.trail",
    "emulator.cli.outlook.forecast",
    "emulator.cli.outlook.thresholds",
    "emulator.cli.past.sketch",
    "emulator.cli.past.hindcast",
    "emulator.cli.past.drift",
    "emulator.cli.run.run",
    "emulator.cli.run.watch",
    "emulator.experiment.compare.nights",
    "emulator.experiment.compare.carry_out",
    "emulator.experiment.comparison_plan.plan",
    "emulator.experiment.guesses.guesses",
    "emulator.experiment.night.NightResult.figure",
    "emulator.experiment.night.run_night",
    "emulator.experiment.night.judged_night",
    "emulator.outlook.evidence.evidence_of",
    "emulator.past.foretelling.foretell",
    "emulator.past.sketching.sketch_files",
    "emulator.record.asking.wanted_of",
    "emulator.record.log_reader.Log.numbered",
    "emulator.record.sqlite_log.select",
    "emulator.report.watching.watch_night",
    "emulator.report.watching.told_night",
    "emulator.scenario.load._whole",
    "emulator.scripts.processes.Process.__init__",
    "emulator.show.svg.Svg.bar",
    "emulator.testing.views.Views.figure",
    "emulator.timeline.surface.TimedLoop.__init__",
}
"""Functions that still take more than seven arguments; there are to be none."""


def many_arguments(module: str) -> Iterator[str]:
    """Name the functions of a module that take more than seven arguments, ``self`` aside."""
    todo: list[tuple[str, ast.AST]] = [(module, node) for node in tree(module).body]
    for place, node in todo:
        inside = place
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            inside = f"{place}.{node.name}"
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            given = node.args
            names = [one.arg for one in (*given.posonlyargs, *given.args, *given.kwonlyargs)]
            if len(names) - (names[:1] in (["self"], ["cls"])) > 7:
                yield inside
        todo += [(inside, child) for child in ast.iter_child_nodes(node)]


def test_few_functions_take_many_arguments() -> None:
    """No further function takes more than seven arguments, and what no longer does is taken off the lists."""
    found = sorted({name for module in MODULES for name in many_arguments(module)})
    assert found == sorted({*MANY_ARGUMENTS, *MANY_ARGUMENTS_STILL})
    assert len(MANY_ARGUMENTS) <= 10


MANY_BASES = ["emulator.measure.fold.NightFold", "emulator.testing.telling.ToldEmulator"]
"""Classes that still have more than two bases in the package; there are to be none."""


def many_bases(module: str) -> Iterator[str]:
    """Name the classes of a module that have more than two bases in the package; errors are a tree of kinds."""
    for kind in vars(importlib.import_module(module)).values():
        if not inspect.isclass(kind) or kind.__module__ != module or issubclass(kind, Exception):
            continue
        if len([base for base in kind.__mro__[1:] if within(base.__module__, "emulator")]) > 2:
            yield f"{module}.{kind.__name__}"


def test_no_further_class_has_more_than_two_bases_in_the_package() -> None:
    """Whoever reads a class opens two more at most; what goes beyond that is composed."""
    found = [name for module in MODULES if not module.endswith("__main__") for name in many_bases(module)]
    assert [name for name in found if name not in MANY_BASES] == []


def test_two_modules_alone_import_scipy() -> None:
    """Nothing needs scipy but intervals and what is learnt from past jobs: each gets at it in one place, when asked."""
    assert [m for m in MODULES if any(n.split(".")[0] == "scipy" for n in imports(m, typing_too=True))] == [
        "emulator.measure.comparison.intervals",
        "emulator.past.laws",
    ]


def test_nobody_imports_the_command_line() -> None:
    """Nothing but the commands themselves, and ``python -m``, imports the command line."""
    others = [m for m in MODULES if not within(m, "emulator.cli") and m != "emulator.__main__"]
    assert [m for m in others if any(within(name, "emulator.cli") for name in imports(m, typing_too=True))] == []


SQL = re.compile(
    r"\bselect\b.+\bfrom\b|\binsert\s+(or\s+\w+\s+)?into\b|\bdelete\s+from\b|\bupdate\s+\w+\s+set\b|\bpragma\s+\w"
    r"|\bcreate\s+(table|view|index|trigger)\b|\balter\s+table\b|\bdrop\s+(table|view|index|trigger)\b",
    re.IGNORECASE | re.DOTALL,
)


def texts(module: str) -> Iterator[str]:
    """Give the string constants of a module but for its docstrings."""
    prose = {
        id(node.body[0].value)
        for node in nodes(module)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in nodes(module):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in prose:
            yield node.value


def test_sql_is_where_logs_results_and_exports_are_read() -> None:
    """Only the event log and the file of results name SQLite or hold SQL, each its own."""
    databases = ("sqlite3", "aiosqlite")
    naming = [m for m in MODULES if any(n.split(".")[0] in databases for n in imports(m, typing_too=True))]
    holding = [module for module in MODULES if any(SQL.search(text) for text in texts(module))]
    assert naming == holding == ["emulator.past.tables", "emulator.record.results_file", "emulator.record.sqlite_log"]


@cache
def private_names() -> dict[type, frozenset[str]]:
    """Give the private names of asyncio's classes that a subclass could lean on, those of their instances included."""
    loop = asyncio.new_event_loop()
    try:
        coroutine = asyncio.sleep(0)
        task = asyncio.Task(coroutine, loop=loop)
        found = {
            asyncio.BaseEventLoop: {*dir(loop), *vars(loop)},
            asyncio.Handle: set(dir(asyncio.TimerHandle(0, print, (), loop))),
            asyncio.Future: set(dir(task)),
        }
        task.cancel()
        loop.run_until_complete(asyncio.gather(task, return_exceptions=True))
    finally:
        loop.close()
    return {
        kind: frozenset(name for name in names if name.startswith("_") and not name.startswith("__"))
        for kind, names in found.items()
    }


def private_uses(module: str) -> Iterator[str]:
    """Give the places at which a module touches a private name of asyncio."""
    loaded = importlib.import_module(module)
    every = frozenset().union(*private_names().values())
    owners: dict[int, frozenset[str]] = {}
    for node in nodes(module):
        if isinstance(node, ast.ClassDef):
            kind = getattr(loaded, node.name, None)
            leant_on = frozenset().union(
                *(names for base, names in private_names().items() if inspect.isclass(kind) and issubclass(kind, base))
            )
            owners.update({id(inner): leant_on for inner in ast.walk(node)})
    for node in nodes(module):
        if isinstance(node, ast.ImportFrom) and within(node.module or "", "asyncio"):
            yield from (f"{node.lineno}: {alias.name}" for alias in node.names if alias.name.startswith("_"))
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in ("getattr", "setattr", "delattr", "hasattr"):
            if isinstance(name := node.args[1], ast.Constant) and name.value in every:
                yield f"{node.lineno}: {ast.unparse(node)}"
        elif isinstance(node, ast.Attribute) and node.attr.startswith("_") and not node.attr.startswith("__"):
            whose = ast.unparse(node.value)
            watched = owners.get(id(node), frozenset()) if whose in ("self", "cls") else every
            if whose.split(".")[0] in ("asyncio", "base_events", "selector_events") or node.attr in watched:
                yield f"{node.lineno}: {whose}.{node.attr}"


USING_ASYNCIO = [m for m in MODULES if any(n.split(".")[0] == "asyncio" for n in imports(m, typing_too=True))]


@pytest.mark.parametrize("module", [m for m in USING_ASYNCIO if m != "emulator.timeline.loop"])
def test_only_the_loop_touches_the_insides_of_asyncio(module: str) -> None:
    """Private names of asyncio are used in the loop's file alone, where they are listed."""
    assert list(private_uses(module)) == []


def test_the_search_for_private_names_finds_them() -> None:
    """The search that clears every other module does find the private names in the loop's own file."""
    found = {use.rpartition(".")[2] for use in private_uses("emulator.timeline.loop")}
    assert {"_ready", "_selector"} <= found


def test_the_two_modes_of_heartbeats_share_no_code() -> None:
    """Simulated and computed heartbeats never import each other, so that one can be held against the other."""
    computed, simulated = "emulator.world.heartbeats_computed", "emulator.world.heartbeats_simulated"
    assert {computed, simulated} <= set(FILES)
    assert (computed in reaches(simulated), simulated in reaches(computed)) == (False, False)


def test_folding_the_log_shares_only_the_state_table_with_the_broker() -> None:
    """The fold that is held against the broker knows the table of states and nothing else of the broker."""
    known = {n for m in MODULES if within(m, "emulator.record") for n in needs(m) if within(n, "emulator.broker")}
    assert known <= {"emulator.broker", "emulator.broker.states"}


@pytest.mark.parametrize("module", MODULES)
def test_a_module_is_short_and_says_what_it_is(module: str) -> None:
    """No module has more than 600 lines, and each begins with a statement of what it is, not with a question."""
    text = FILES[module].read_text("utf-8")
    paragraph = (ast.get_docstring(tree(module)) or "").split("\n\n")[0]
    assert len(text.splitlines()) <= 600
    assert "?" not in paragraph
    assert paragraph.endswith((".", ":", "::")), f"{module} does not say what it is"


def test_tests_share_by_name_and_not_through_conftest() -> None:
    """No test imports ``conftest``: with several folders in one run that name means whichever was loaded last."""
    tests = Path(__file__).parent.parent
    importing = re.compile(r"^\s*(from conftest import|import conftest)", re.MULTILINE)
    assert [str(path) for path in tests.rglob("*.py") if importing.search(path.read_text("utf-8"))] == []
