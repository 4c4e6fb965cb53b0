"""How do the entries become the page?

``python -m emulator.reference.page`` prints it; a test holds ``docs/reference-python.md`` to it.
"""

import inspect
import sys
from collections.abc import Iterator
from importlib import import_module
from typing import Any, Final

from emulator import errors
from emulator.reference.docstrings import markdown, read
from emulator.reference.entries import bullet, class_entry, function_entry, wrapped
from emulator.reference.groups import ALIASES, CONSTRUCTED, GROUPS, OPAQUE, Group
from emulator.reference.signatures import alias, parameters, written
from emulator.testing import plugin

__all__ = ["reference_page"]

_INTRODUCTION: Final = """\
# The Python interface

This page is made from signatures and docstrings (`python -m emulator.reference.page`); do not edit it by hand.

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
