"""The reference page of the Python interface: fresh, whole, and readable."""

import inspect
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from public_names import ALIASES, CONSTRUCTED, GROUPS, INSIDE, OPAQUE, PARTS
from python_interface import (
    annotation,
    fields_of,
    members,
    names_in,
    ours,
    parameters,
    read,
    reference_page,
    returns,
    written,
)

import emulator
from emulator import errors

PAGE = Path(emulator.__file__).parents[1] / "docs" / "reference-python.md"
COMMAND = "python docs/make/python_interface.py > docs/reference-python.md"

PUBLIC = {name: getattr(emulator, name) for group in GROUPS for name in group.names}
BESIDE = {
    name: getattr(import_module(f"emulator.{home}"), name) for group in GROUPS for name, home in group.beside.items()
}
CLASSES = {name: found for name, found in (PUBLIC | BESIDE).items() if inspect.isclass(found)}
FUNCTIONS = {name: found for name, found in PUBLIC.items() if not inspect.isclass(found)}


def called() -> Iterator[tuple[str, Any, Any]]:
    """Give each function, method and property that the page shows: what it is called, its module, and itself."""
    for name, function in FUNCTIONS.items():
        yield name, inspect.getmodule(function), function
    for name, kind in CLASSES.items():
        for member, value in members(name, kind).items():
            function = value.fget if isinstance(value, property) else getattr(value, "__func__", value)
            yield f"{name}.{member}", inspect.getmodule(inspect.unwrap(function)), function


CALLED = {name: (module, function) for name, module, function in called()}


@pytest.mark.slow
def test_the_page_is_fresh() -> None:
    """The page is what signatures and docstrings give."""
    if PAGE.read_text("utf-8") != reference_page():
        pytest.fail(f"docs/reference-python.md is stale: renew it with\n  {COMMAND}", pytrace=False)


def test_every_public_name_is_in_one_group() -> None:
    """What ``import emulator`` gives is on the page, once; so is every error that can be raised."""
    assert sorted(name for group in GROUPS for name in group.names) == emulator.__all__
    assert set(errors.__all__) <= set(emulator.__all__)


def test_every_method_has_a_docstring() -> None:
    """A public function, method or property says in a full first sentence what it promises."""
    assert [
        name
        for name, (_, function) in CALLED.items()
        if not read(function.__doc__).first.endswith((".", "?", ":", "`"))
    ] == []
    assert [name for name, kind in CLASSES.items() if not read(kind.__doc__).first.endswith(".")] == []


def test_every_argument_is_told_of() -> None:
    """Where a docstring tells of arguments, it tells of all of them, and of none that there is not."""
    wrong = {}
    for name, (_, function) in CALLED.items():
        told = read(function.__doc__).named("Args")
        given = [parameter.lstrip("*") for parameter, _, _ in parameters(function) if parameter != "*"]
        if told and sorted(told) != sorted(given):
            wrong[name] = (told, given)
    assert wrong == {}


@pytest.mark.slow
def test_every_field_is_told_of() -> None:
    """Each public field of a class stands in its list of attributes, unless it is for the package alone."""
    missing = {}
    for name, kind in CLASSES.items():
        bases = [base for base in kind.__mro__ if base.__module__.startswith("emulator.")]
        told = {one for base in bases for one in read(base.__dict__.get("__doc__")).named("Attributes")}
        shown = set() if hasattr(kind, "__call__") and name in PARTS else set(fields_of(kind))  # noqa: B004  # by name
        if absent := shown - told - INSIDE.get(name, frozenset()) - {"places"}:
            missing[name] = sorted(absent)
    assert missing == {}


def types_of(module: Any, function: Any) -> set[str]:
    found = [kind for _, kind, _ in parameters(function)] + [returns(function)]
    return {name for kind in found if kind for name in names_in(kind)} & ours(module)


@pytest.mark.slow
def test_every_type_in_a_signature_is_explained() -> None:
    """A type of the package that a signature or an attribute names is on the page too."""
    known = {*PUBLIC, *BESIDE, *ALIASES, *OPAQUE}
    unknown = {name: types_of(module, function) - known for name, (module, function) in CALLED.items()}
    for name, kind in CLASSES.items():
        if name not in PARTS:
            for field, (_, typed, _) in fields_of(kind).items():
                used = names_in(typed) & {one for base in kind.__mro__ for one in of(base)}
                if field not in INSIDE.get(name, frozenset()):
                    unknown[f"{name}.{field}"] = used - known
    assert {name: names for name, names in unknown.items() if names} == {}


def of(base: type) -> frozenset[str]:
    return ours(inspect.getmodule(base)) if base.__module__.startswith("emulator.") else frozenset()


def test_long_classes_are_shown_in_parts() -> None:
    """Each method of a class that is shown in parts is in one of them; what is said to be inside is there."""
    for name, parts in PARTS.items():
        assert sorted(one for _, _, names in parts for one in names) == sorted(members(name, CLASSES[name]))
    for name, inside in INSIDE.items():
        kind = CLASSES[name]
        assert [one for one in sorted(inside) if not (hasattr(kind, one) or one in fields_of(kind))] == []
    assert set(CLASSES) >= CONSTRUCTED


def test_the_page_reads_well() -> None:
    """No line outside tables and code is longer than 120, no mark of a docstring is left, no module before a type."""
    text = PAGE.read_text("utf-8")
    prose = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    assert [line for line in prose.splitlines() if len(line) > 120 and not line.startswith("|")] == []
    assert re.findall(r"``[^`]|\b(?:Args|Raises):$.{0}(?<!Raises:)|:(?:class|func|meth):|\w+\.\w+\.\w+ \|", prose) == []
    assert [line for line in text.splitlines() if line != line.rstrip()] == []


def test_every_link_within_the_page_and_to_others_leads_somewhere() -> None:
    """Links name headings of the page, the first of their kind, and files that there are."""
    text = PAGE.read_text("utf-8")
    headings = re.findall(r"^#+ (.*)$", re.sub(r"```.*?```", "", text, flags=re.DOTALL), re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-"): one for one in reversed(headings)}
    links = re.findall(r"\[`?([^]`]*)`?\]\(([^)#]*)(?:#([^)]*))?\)", text)
    within = {(said, anchors.get(anchor)) for said, file, anchor in links if not file}
    assert sorted(within - {(heading, heading) for heading in headings}) == [
        ("at the end", "Names in signatures"),
        ("errors", "Errors"),
    ]
    assert [file for _, file, _ in links if file and not (PAGE.parent / file).exists()] == []
    others = [page for page in PAGE.parent.rglob("*.md") if page != PAGE]
    pointing = {
        anchor for page in others for anchor in re.findall(r"reference-python\.md#(\w+)", page.read_text("utf-8"))
    }
    assert pointing <= set(anchors)


def test_types_are_written_for_people() -> None:
    """Quotes, modules, underscores of type variables and ``Literal`` are left out, unions are flat."""
    import ast

    def said(text: str) -> str:
        return annotation(ast.parse(text, mode="eval").body, "Own")

    assert [
        said(text)
        for text in ("'asyncio.Task[_T]'", "float | Literal['fast', 'manual']", "Self | None", "list['Lease']")
    ] == ["Task[T]", 'float | "fast" | "manual"', "Own | None", "list[Lease]"]
    long = written("f", [("a", "int", ""), ("*", "", ""), ("b", "Any", "1"), ("**c", "Any", "")], "None", width=5)
    assert long == "f(\n    a: int,\n    *,\n    b=1,\n    **c,\n)"
