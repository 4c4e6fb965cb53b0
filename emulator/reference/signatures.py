"""How is a signature written so that a person can read it? From the source, with the names that stand there.

Annotations keep the names that their author gave them (``Lasting``, not the union behind it); modules before names,
quotes, underscores of type variables and ``Literal`` are noise and left out.
"""

import ast
import inspect
import textwrap
from collections.abc import Callable, Iterator
from functools import cache, reduce
from typing import Any

__all__ = ["Parameter", "alias", "annotation", "fields_of", "names_in", "ours", "parameters", "returns", "written"]

Parameter = tuple[str, str, str]
"""Name with its stars, or a bare star; type; default. "" for what there is not."""


@cache
def _source(of: Any) -> str:
    return inspect.getsource(of)  # which is slow for a class


@cache
def _definition(source: str) -> Any:
    return ast.parse(textwrap.dedent(source)).body[0]


def _node(function: Callable[..., Any]) -> ast.FunctionDef | ast.AsyncFunctionDef:
    node: ast.FunctionDef | ast.AsyncFunctionDef = _definition(_source(inspect.unwrap(function)))
    return node


class _Plain(ast.NodeTransformer):
    """Makes an annotation plain."""

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        return ast.Name(node.attr)

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        inner: ast.AST = ast.parse(node.value, mode="eval").body if isinstance(node.value, str) else node
        return self.visit(inner) if inner is not node else node

    def visit_Name(self, node: ast.Name) -> ast.AST:
        return ast.Name(node.id.lstrip("_"))

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        def flat(one: ast.expr) -> list[ast.expr]:
            return [*flat(one.left), *flat(one.right)] if isinstance(one, ast.BinOp) else [one]

        first, *rest = [inner for side in (node.left, node.right) for inner in flat(self.visit(side))]
        return reduce(lambda left, right: ast.BinOp(left, ast.BitOr(), right), rest, first)

    def visit_Subscript(self, node: ast.Subscript) -> ast.AST:
        if isinstance(node.value, ast.Name) and node.value.id == "Literal":
            words = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
            return reduce(lambda left, right: ast.BinOp(left, ast.BitOr(), right), words)
        return self.generic_visit(node)


def annotation(node: ast.expr | None, owner: str = "") -> str:
    """Write a type; ``owner`` is what ``Self`` stands for.

    >>> annotation(ast.parse('x: "os.PathLike[str] | Literal[\\'a\\', \\'b\\']"').body[0].annotation)
    'PathLike[str] | "a" | "b"'
    """
    if node is None:
        return ""
    plain = ast.unparse(_Plain().visit(ast.parse(ast.unparse(node), mode="eval").body))
    return plain.replace("'", '"').replace("Self", owner or "Self")


def parameters(function: Callable[..., Any], owner: str = "") -> list[Parameter]:
    """Give the parameters of a function, without ``self`` and ``cls``."""
    listed = _node(function).args
    found: list[Parameter] = []

    def add(argument: ast.arg, default: ast.expr | None, stars: str = "") -> None:
        said = "" if default is None else ast.unparse(default).replace("'", '"')
        found.append((stars + argument.arg, annotation(argument.annotation, owner), said))

    plain = [*listed.posonlyargs, *listed.args]
    defaults: list[ast.expr | None] = [None] * (len(plain) - len(listed.defaults))
    for argument, default in zip(plain, [*defaults, *listed.defaults], strict=True):
        if argument.arg not in ("self", "cls"):
            add(argument, default)
    if listed.vararg is not None:
        add(listed.vararg, None, "*")
    elif listed.kwonlyargs:
        found.append(("*", "", ""))
    for argument, keyword_default in zip(listed.kwonlyargs, listed.kw_defaults, strict=True):
        add(argument, keyword_default)
    if listed.kwarg is not None:
        add(listed.kwarg, None, "**")
    return found


def returns(function: Callable[..., Any], owner: str = "") -> str:
    """Give the type that a function returns."""
    return annotation(_node(function).returns, owner)


def fields_of(kind: type) -> dict[str, Parameter]:
    """Give what the body of a class annotates, its bases of the package first."""
    found: dict[str, Parameter] = {}
    for base in reversed(kind.__mro__):
        if not base.__module__.startswith("emulator."):
            continue
        for node in _definition(_source(base)).body:
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.target.id[0] != "_":
                default = "" if node.value is None else ast.unparse(node.value).replace("'", '"')
                found[node.target.id] = (node.target.id, annotation(node.annotation, kind.__name__), default)
    return found


def written(name: str, given: list[Parameter], gives: str, *, width: int) -> str:
    """Write a call: on one line if it fits, else a line for each parameter.

    >>> print(written("size", [("by", "str", ""), ("*", "", ""), ("step", "int", "1")], "Answer", width=80))
    size(by: str, *, step: int = 1) -> Answer
    """
    said = []
    for parameter, kind, default in given:
        typed = f"{parameter}: {kind}" if kind and kind != "Any" else parameter
        said.append(f"{typed} = {default}" if default and ":" in typed else typed + (f"={default}" if default else ""))
    end = f" -> {gives}" if gives not in ("", "None", "NoReturn") else ""
    line = f"{name}({', '.join(said)}){end}"
    if len(line) <= width:
        return line
    return "\n".join([f"{name}(", *(f"    {one}," for one in said), f"){end}"])


def names_in(text: str) -> set[str]:
    """Give the names in a type as it is written on the page."""
    return {node.id for node in ast.walk(ast.parse(text, mode="eval")) if isinstance(node, ast.Name)}


@cache
def ours(module: Any) -> frozenset[str]:
    """Give the names of a module that the package itself has made: defined there, or imported from the package."""

    def found() -> Iterator[str]:
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("emulator"):
                yield from (alias.asname or alias.name for alias in node.names)
            elif isinstance(node, ast.ClassDef):
                yield node.name
            elif isinstance(node, ast.Assign):
                yield from (target.id for target in node.targets if isinstance(target, ast.Name))

    return frozenset(found())


def alias(module: Any, name: str) -> tuple[str, str]:
    """Give what a name for a type stands for, and the text below it."""
    body = ast.parse(inspect.getsource(module)).body
    for place, node in enumerate(body):
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name:
            below = body[place + 1] if place + 1 < len(body) else None
            told = below.value.value if isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant) else ""
            return annotation(node.value), str(told)
    raise LookupError(f"{module.__name__} has no {name}")
