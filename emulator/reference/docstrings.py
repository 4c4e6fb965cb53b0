"""What does a docstring say, part by part: its prose, its arguments, its attributes, its errors, its examples?"""

import inspect
import re
from dataclasses import dataclass, field
from typing import Final

__all__ = ["Doc", "markdown", "read"]

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
            doc.sections[found[1]] = _entries(lines[1:])
        elif block.startswith("- "):
            doc.prose += [markdown(item) for item in re.split(r"\n(?=- )", block)]
        elif block:
            doc.prose.append(markdown(block))
    return doc


def markdown(text: str) -> str:
    """Write a paragraph of a docstring as Markdown, on one line."""
    return " ".join(text.replace("``", "`").split())


def _entries(lines: list[str]) -> list[tuple[tuple[str, ...], str]]:
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
