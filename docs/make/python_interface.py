"""Makes the reference page of the Python interface from signatures and docstrings, with the names that stand there.

Annotations keep the names that their author gave them (``Lasting``, not the union behind it); modules before names,
quotes, underscores of type variables and ``Literal`` are noise and left out.

``python docs/make/python_interface.py`` prints it; a test holds ``docs/reference-python.md`` to it.
"""

import ast
import inspect
import re
import sys
import textwrap
from asyncio import AbstractEventLoop
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache, reduce
from importlib import import_module
from typing import Any, Final

from public_names import ALIASES, CONSTRUCTED, GROUPS, INSIDE, OPAQUE, PARTS, Group

from emulator import errors
from emulator.testing import plugin

__all__ = [
    "Doc",
    "Parameter",
    "alias",
    "annotation",
    "bullet",
    "class_entry",
    "fields_of",
    "function_entry",
    "markdown",
    "members",
    "names_in",
    "ours",
    "parameters",
    "read",
    "reference_page",
    "returns",
    "wrapped",
    "written",
]


_SECTION: Final = re.compile(r"(Args|Attributes|Returns|Raises):")
_ENTRY: Final = re.compile(r" {4}([\w*]+(?:, [\w*]+)*): (.*)")


@dataclass(slots=True)
class Doc:
    """A docstring in parts, its text in Markdown, each paragraph on one line.

    Attributes:
        prose: paragraphs, and items of lists, which begin with ``- ``.
        sections: for each of Args, Attributes, Returns and Raises the names and what is said of them.
        examples: the examples, as they stand.
    """

    prose: list[str] = field(default_factory=list)
    sections: dict[str, list[tuple[tuple[str, ...], str]]] = field(default_factory=dict)
    examples: list[str] = field(default_factory=list)

    @property
    def first(self) -> str:
        """The first paragraph."""
        return self.prose[0] if self.prose else ""

    def named(self, section: str) -> list[str]:
        """Give the names that a section speaks of."""
        return [name for names, _ in self.sections.get(section, ()) for name in names]


def read(text: str | None) -> Doc:
    """Read a docstring.

    >>> doc = read("Give ``x``.\\n\\nArgs:\\n    x: a number\\n        above 0.\\n\\n>>> 1 + 1\\n2")
    >>> doc.first, doc.sections, doc.examples
    ('Give `x`.', {'Args': [(('x',), 'a number above 0.')]}, ['>>> 1 + 1\\n2'])
    """
    doc = Doc()
    for block in re.split(r"\n\s*\n", inspect.cleandoc(text or "").strip()):
        lines = block.split("\n")
        if block.startswith(">>>"):
            doc.examples.append(re.sub(r" +# doctest: .*", "", block))
        elif found := _SECTION.fullmatch(lines[0]):
            doc.sections[found[1]] = _entries_of(lines[1:])
        elif block.startswith("- "):
            doc.prose += [markdown(item) for item in re.split(r"\n(?=- )", block)]
        elif block:
            doc.prose.append(markdown(block))
    return doc


def markdown(text: str) -> str:
    """Write a paragraph of a docstring as Markdown, on one line."""
    return " ".join(text.replace("``", "`").split())


def _entries_of(lines: list[str]) -> list[tuple[tuple[str, ...], str]]:
    entries: list[tuple[tuple[str, ...], str]] = []
    for line in lines:
        if found := _ENTRY.fullmatch(line):
            entries.append((tuple(found[1].split(", ")), markdown(found[2])))
        elif entries:
            names, said = entries[-1]
            entries[-1] = (names, f"{said} {markdown(line)}".strip())
        else:
            entries.append(((), markdown(line)))
    return entries


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


_WIDTH: Final = 120
_CODE: Final = re.compile(r"`[^`]{1,100}`")
_GLUE: Final = "\x00"
"""Stands for the blanks in code while a paragraph is wrapped, so that no line ends within it."""
_INLINE: Final = 100
"""A signature of a member that is longer stands in a block of its own."""


def wrapped(text: str, indent: str = "", first: str | None = None) -> str:
    """Wrap a paragraph of Markdown; ``first`` begins it, ``indent`` each further line."""
    whole = _CODE.sub(lambda found: found[0].replace(" ", _GLUE), text)
    return textwrap.fill(
        whole,
        _WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    ).replace(_GLUE, " ")


def bullet(text: str, depth: int = 0) -> str:
    """Write an item of a list."""
    return wrapped(text, "  " * (depth + 1), "  " * depth + "- ")


def function_entry(name: str, function: Callable[..., Any]) -> Iterator[str]:
    """Write a function: heading, signature, prose, arguments, errors, examples."""
    doc = read(function.__doc__)
    call = f"await emulator.{name}" if inspect.iscoroutinefunction(function) else f"emulator.{name}"
    yield from (f"### {name}", "", *_block(written(call, parameters(function), returns(function), width=80)))
    yield from _told(doc)


def class_entry(name: str, kind: type, home: str = "") -> Iterator[str]:
    """Write a class: heading, signature if users make one, prose, what it holds, its methods, examples.

    Args:
        name: its name.
        kind: the class.
        home: the module that it is imported from, if it has no public name.
    """
    doc = read(kind.__doc__)
    doc.sections["Attributes"] = [entry for base in reversed(kind.__mro__) for entry in _own(base)]
    yield from (f"### {name}", "")
    if name in CONSTRUCTED:
        given, made = _constructor(kind)
        yield from _block(written(f"emulator.{name}", given, "", width=80))
        if made is not None:
            doc.sections = {**read(made).sections, **doc.sections}
    yield from _told(doc, f"For annotations: `from {home} import {name}`." if home else "")
    if held := list(_attributes(name, kind, doc)):
        yield from ("Attributes:", "", *held, "")
    found = members(name, kind)
    if name in PARTS:
        for title, says, names in PARTS[name]:
            yield from (f"#### {title}", "")
            yield from (wrapped(says), "") if says else ()
            for member in names:
                yield from _member(member, found[member], kind)
            yield ""
    elif found:
        kinds = dict.fromkeys("Properties" if isinstance(one, property) else "methods" for one in found.values())
        yield from (" and ".join(sorted(kinds)).capitalize() + ":", "")
        for member, value in found.items():
            yield from _member(member, value, kind)
        yield ""


def members(name: str, kind: type) -> dict[str, Any]:
    """Give the public methods and properties of a class that the page shows, in the order of its source."""
    found: dict[str, Any] = {}
    known = set(dir(AbstractEventLoop)) if issubclass(kind, AbstractEventLoop) else set()
    hidden = known | INSIDE.get(name, frozenset())
    for base in reversed(kind.__mro__):
        if base.__module__.startswith("emulator."):
            for member, value in vars(base).items():
                is_one = isinstance(value, property | classmethod | staticmethod) or inspect.isfunction(value)
                if is_one and not member.startswith("_") and member not in hidden:
                    found[member] = value
    return found


def _constructor(kind: type) -> tuple[list[Parameter], str | None]:
    """Give the parameters with which a class is called, and the docstring that tells of them beside its own."""
    if hasattr(kind, "__dataclass_fields__"):
        return list(fields_of(kind).values()), None
    made = next(vars(base)["__init__"] for base in kind.__mro__ if "__init__" in vars(base))
    return parameters(made, kind.__name__), made.__doc__


def _told(doc: Doc, after: str = "") -> Iterator[str]:
    """Write prose, arguments, what is given, errors and examples."""
    for place, paragraph in enumerate(doc.prose):
        if paragraph.startswith("- "):
            yield bullet(paragraph[2:])
            if place + 1 == len(doc.prose) or not doc.prose[place + 1].startswith("- "):
                yield ""
        else:
            yield from (wrapped(paragraph), "")
    if after:
        yield from (after, "")
    for section, title in (("Args", "Arguments"), ("Returns", "Returns"), ("Raises", "Raises")):
        if section in doc.sections:
            yield from (f"{title}:", "")
            for names, said in doc.sections[section]:
                yield bullet(f"{_coded(names)}: {said}" if names else said)
            yield ""
    for example in doc.examples:
        yield from _block(example, "pycon")


def _own(kind: type) -> list[tuple[tuple[str, ...], str]]:
    """Give the attributes that a class of the package tells of itself."""
    ours = kind.__module__.startswith("emulator.")
    return read(kind.__dict__.get("__doc__")).sections.get("Attributes", []) if ours else []


def _attributes(name: str, kind: type, doc: Doc) -> Iterator[str]:
    typed = fields_of(kind)
    for names, said in doc.sections.get("Attributes", ()):
        shown = [one for one in names if one not in INSIDE.get(name, ())]
        if shown:
            types = dict.fromkeys(typed[one][1] for one in shown if one in typed and typed[one][1] != "Any")
            of = f" ({', '.join(f'`{one}`' for one in types)})" if types else ""
            yield bullet(f"{_coded(shown)}{of}: {said}")


def _member(name: str, value: Any, kind: type) -> Iterator[str]:
    function: Any = value.fget if isinstance(value, property) else getattr(value, "__func__", value)
    doc = read(function.__doc__)
    if isinstance(value, property):
        line = f"{name}: {returns(function, kind.__name__)}"
    else:
        call = name
        gives = returns(function, kind.__name__)
        if hasattr(function, "__wrapped__") and inspect.isgeneratorfunction(inspect.unwrap(function)):
            call, gives = f"with {name}", ""
        elif inspect.iscoroutinefunction(function):
            call = f"await {name}"
        line = written(call, parameters(function, kind.__name__), gives, width=_INLINE)
    if "\n" in line:
        yield from (f"- `{name}`:", "", textwrap.indent(f"```py\n{line}\n```", "  "), "")
        yield wrapped(doc.first, "  ")
    else:
        yield bullet(f"`{line}`: {doc.first}")
    for paragraph in doc.prose[1:]:
        yield from ("", wrapped(paragraph, "  ")) if not paragraph.startswith("- ") else (bullet(paragraph[2:], 1),)
    if len(doc.prose) > 1 and doc.sections:
        yield ""
    for section in ("Args", "Returns", "Raises"):
        for names, said in doc.sections.get(section, ()):
            yield bullet(f"{'raises ' if section == 'Raises' else ''}{_coded(names)}: {said}" if names else said, 1)


def _coded(names: Any) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _block(text: str, language: str = "py") -> tuple[str, str]:
    return f"```{language}\n{text}\n```", ""


_INTRODUCTION: Final = """\
# The Python interface

This page is made from signatures and docstrings (`python docs/make/python_interface.py`); do not edit it by hand.

`import emulator` gives every name of the table below, and loads nothing until one is asked for. What has no name of its
own there, such as what `await job` gives, stands with what gives it. A name that begins with an underscore, and any
other that is not on this page, may change.

- **Times** that are given back are whole microseconds from the start of the scenario ("ticks"), unless a name or its
  description says seconds.
- **Durations** that you give are texts such as `"90s"` or `"1h30m"`, seconds, or a `timedelta`.
- **Mistakes** are `InputError`, with what to write instead: see [errors](#errors).
- `await` before a call says that it is a coroutine.

Names for types, such as `Lasting`, are explained [at the end](#names-in-signatures).
"""

_MOST_WORDS: Final = 12
"""A type of more words than this is told of in a sentence."""


def reference_page() -> str:
    """Write the reference page of the Python interface, in Markdown."""
    lines = [_INTRODUCTION, *_contents()]
    for group in GROUPS:
        lines += [f"## {group.title}", "", wrapped(group.says), ""]
        if group.title == "Errors":
            lines += _errors(group)
        elif group.names:
            lines += _entries(group)
        else:
            lines += _plugin()
    lines += _names()
    return "\n".join(lines).rstrip() + "\n"


def _contents() -> Iterator[str]:
    yield "| for | names |"
    yield "| --- | --- |"
    for group in GROUPS:
        names = [_link(name, group) for name in group.names] or ["`emulated`", "`virtual_time`", "`--emulation-seed`"]
        yield f"| [{group.title}](#{group.title.lower().replace(',', '').replace(' ', '-')}) | {', '.join(names)} |"
    yield ""


def _link(name: str, group: Group) -> str:
    return f"`{name}`" if group.title == "Errors" else f"[`{name}`](#{name.lower()})"


def _entries(group: Group) -> Iterator[str]:
    for name in group.names:
        found = _of(name)
        yield from class_entry(name, found) if inspect.isclass(found) else function_entry(name, found)
    for name, home in group.beside.items():
        yield from class_entry(name, _of(name, home), f"emulator.{home}")


def _plugin() -> Iterator[str]:
    doc = read(plugin.__doc__)
    for paragraph in doc.prose[1:]:
        yield bullet(paragraph[2:]) if paragraph.startswith("- ") else f"\n{wrapped(paragraph)}\n"


def _errors(group: Group) -> Iterator[str]:
    """Write the tree as it is drawn, then each error with what it holds."""
    tree = inspect.cleandoc(errors.__doc__ or "").partition("::\n")[2].partition("\n\nA message")[0]
    yield from ("```text", inspect.cleandoc(tree), "```", "")
    for name in group.names:
        kind = _of(name)
        doc = read(kind.__doc__)
        said = " ".join(doc.prose)
        if name in CONSTRUCTED:
            said = f"`{written(f'emulator.{name}', parameters(kind.__init__), '', width=1000)}`. {said}"
        yield bullet(f"`{name}`: {said}")
        for section in ("Args", "Attributes"):
            for names, what in doc.sections.get(section, ()):
                yield bullet(f"{', '.join(f'`{one}`' for one in names)}: {what}", 1)
    yield ""


def _names() -> Iterator[str]:
    yield from ("## Names in signatures", "", "Names for types; import one for your own annotations.", "")
    for name, home in ALIASES.items():
        means, told = alias(import_module(f"emulator.{home}"), name)
        words = means.count(" | ") + 1
        said = f"`{means}`" if words <= _MOST_WORDS else f"one of {words} words"
        yield bullet(f"`{name}` (`emulator.{home}`) is {said}: {markdown(told)}")
    yield from ("", "Classes that you look at, or hand on, and need to know no more of:", "")
    for name, home in OPAQUE.items():
        yield bullet(f"`{name}` (`emulator.{home}`): {read(_of(name, home).__doc__).first}")


def _of(name: str, home: str = "") -> Any:
    """Give what has a name in a module of the package, by default in the package itself."""
    return getattr(import_module(f"emulator.{home}".rstrip(".")), name)


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls reference_page itself
    sys.stdout.write(reference_page())
