"""How does one name stand on the page: its signature, what its docstring says, and its members?"""

import inspect
import re
import textwrap
from asyncio import AbstractEventLoop
from collections.abc import Callable, Iterator
from typing import Any, Final

from emulator.reference.docstrings import Doc, read
from emulator.reference.groups import CONSTRUCTED, INSIDE, PARTS
from emulator.reference.signatures import Parameter, fields_of, parameters, returns, written

__all__ = ["bullet", "class_entry", "function_entry", "members", "wrapped"]

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
