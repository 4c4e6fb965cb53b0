"""What a type checker is told of the public names is what there is."""

import ast
from importlib import import_module
from pathlib import Path
from typing import get_args

import emulator
from emulator.broker.states import State, StateName
from emulator.measure.catalogue import names
from emulator.measure.invariants import INVARIANTS, Never
from emulator.measure.names import FigureName
from emulator.record.events import DETAILS, EventKind
from emulator.scenario.models.scenario import Scenario
from emulator.testing.emulation import Emulator, EmulatorOptions, Settings

BODY = ast.parse(Path(emulator.__file__).read_text("utf-8")).body


def test_a_type_checker_knows_each_public_name_and_no_other() -> None:
    """What is imported for type checkers alone is what can be imported, from the same modules."""
    [block] = [node for node in BODY if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"]
    told = {alias.name: node.module for node in block.body for alias in node.names}
    assert sorted(told) == emulator.__all__
    assert {name: getattr(import_module(module), name) for name, module in told.items()} == {
        name: getattr(emulator, name) for name in emulator.__all__
    }


def test_a_type_checker_does_not_see_what_would_let_every_name_through() -> None:
    """``from emulator import nonsense`` is an error for it: each ``__getattr__`` of a module is hidden."""
    package = Path(emulator.__file__).parent
    modules = {path: ast.parse(path.read_text("utf-8")).body for path in package.rglob("*.py")}
    named = {
        path.relative_to(package).as_posix(): [node.name for node in body if isinstance(node, ast.FunctionDef)]
        for path, body in modules.items()
    }
    assert [module for module, functions in named.items() if "__getattr__" in functions] == []
    assert named["__init__.py"] == ["__dir__"]


def test_words_for_type_checkers_are_those_of_the_tables() -> None:
    """Kinds of events, figures, states and what can be watched for: each list is the table's, in its order."""
    assert get_args(EventKind) == tuple(DETAILS)
    assert get_args(FigureName) == names()
    assert get_args(StateName) == tuple(state.value for state in State)
    assert get_args(Never) == tuple(INVARIANTS)


def test_options_for_type_checkers_are_those_of_the_emulator() -> None:
    """Settings are the keys of a scenario file; options are these and the emulator's own arguments."""
    assert Settings.__annotations__.keys() == Scenario.model_fields.keys() - {"seed"}
    own = Emulator.__init__.__annotations__.keys() - {"scenario", "settings", "return"}
    assert EmulatorOptions.__annotations__.keys() == own | Settings.__annotations__.keys()
