"""Lays out plain text within 80 columns, and gives spans the roles that a terminal shows as colours.

Sentences are never wider than 80 columns. A table may be as wide as its page, which is 120 columns on a wide terminal.

A page is a list of lines, a line a list of spans; a span may carry a role, which a terminal shows as a colour of the
Okabe-Ito palette (Okabe and Ito, 2008) and plain text leaves out. No meaning is in the colour alone.
"""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal, NamedTuple, TextIO

if TYPE_CHECKING:
    from rich.text import Text

__all__ = ["WIDE", "WIDTH", "Page", "Role", "Span", "as_sentence", "clean", "columns", "fit", "in_colour"]

WIDTH: Final = 80
WIDE: Final = 120
"""So many columns a terminal must have for tables to be wider than ``WIDTH``."""

Role = Literal["", "heading", "good", "bad", "small"]

_WORD: Final = r"""(?:'[^']*'|"[^"]*"|[^\s'"])+"""
"""A word of a command, quoted or not."""
_OPTION: Final = re.compile(rf"--\S+\s+(?!--){_WORD}|{_WORD}")
"""An option with its value, or another word."""
_UNITS: Final = frozenset(("%", "us", "ms", "s", "min", "h", "d"))
_COLOURS: Final = MappingProxyType(
    {"heading": "bold", "good": "#009E73", "bad": "bold #D55E00", "small": "italic"}  # bluish green, vermilion
)


class Span(NamedTuple):
    """A stretch of text and the role that it plays."""

    text: str
    role: Role = ""


class Page:
    """Lines of spans: sentences within 80 columns, tables within ``width``."""

    __slots__ = ("lines", "width")

    def __init__(self, *, width: int = WIDTH) -> None:
        self.lines: list[list[Span]] = []
        self.width = width

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Page) and (self.lines, self.width) == (other.lines, other.width)

    def blank(self) -> None:
        """Add an empty line."""
        self.lines.append([])

    def say(self, text: str, role: Role = "", *, indent: int = 0, hanging: int | None = None) -> None:
        """Add a paragraph, wrapped; lines after the first are indented by ``hanging`` (default: like the first)."""
        later = indent if hanging is None else hanging
        for line in _wrap(clean(text), WIDTH, indent, later):
            self.lines.append([Span(line, role)])

    def item(self, label: str, text: str, *, at: int) -> None:
        """Add a paragraph behind a label; all its lines begin in the column ``at``, counted from 0."""
        head = f"  {clean(label)}"
        first, *more = _wrap(clean(text), WIDTH, max(at, columns(head) + 2), at)
        self.lines.append([Span(head + first[len(head) :])])
        self.lines.extend([Span(line)] for line in more)

    def command(self, text: str, *, indent: int = 2) -> None:
        """Add a command to be copied: one that is too long goes on below, after a backslash, as a shell reads it.

        A word that is longer than a line stays whole: broken, it could not be copied.
        """
        line = " " * indent
        for word in _OPTION.findall(clean(text)):
            if line.strip() and columns(line) + columns(word) + 3 > WIDTH:
                self.lines.append([Span(f"{line} \\")])
                line = " " * (indent + 2)
            line += f" {word}" if line.strip() else word
        self.lines.append([Span(line)])

    def more(self, *options: str) -> None:
        """Add an empty line, and one that names the options which show or write more."""
        self.blank()
        self.lines.append([Span(f"More: {'   '.join(options)}", "small")])

    def heading(self, text: str) -> None:
        """Add an empty line and a heading."""
        self.blank()
        self.say(text, "heading")

    def table(self, rows: Sequence[Sequence[str]], *, right: Iterable[int] = (), roles: Sequence[Role] = ()) -> None:
        """Add aligned rows, indented by two; the first column wraps if they are too wide, ``right`` ones align right.

        ``roles`` gives the role of each row's last column.
        """
        cells = [[clean(cell) for cell in row] for row in rows]
        widths = [max(columns(cell) for cell in column) for column in zip(*cells, strict=True)]
        widths[0] = min(widths[0], max(16, self.width - 2 - int(sum(widths[1:])) - 2 * (len(widths) - 1)))
        to_the_right = frozenset(right)
        for place, row in enumerate(cells):
            indent = len(row[0]) - len(row[0].lstrip())
            first, *more = _wrap(row[0], widths[0], indent, indent + 2)
            parts = [first + " " * (widths[0] - columns(first))]
            for number, (cell, width) in enumerate(zip(row[1:], widths[1:], strict=True), 1):
                gap = " " * (width - columns(cell))
                parts.append(gap + cell if number in to_the_right else cell + gap)
            head = "  " + "  ".join(parts[:-1]) + ("  " if len(parts) > 1 else "")
            role: Role = roles[place] if place < len(roles) else ""
            last = fit(parts[-1].rstrip(), self.width - columns(head))
            self.lines.append([Span(head), Span(last, role)] if last else [Span(head.rstrip())])
            self.lines.extend([Span("  " + line)] for line in more)

    def as_text(self) -> str:
        """Give the page as plain text, ending in a line end."""
        return "".join("".join(span.text for span in line).rstrip() + "\n" for line in self.lines)

    def write(self, file: TextIO) -> None:
        """Write the page: in colour when the file is a terminal that wants it (NO_COLOR unset), else as plain text."""
        if not file.isatty():
            file.write(self.as_text())
            return
        from rich.console import Console

        console = Console(file=file, highlight=False, width=self.width)
        for line in self.lines:
            console.print(in_colour(line), crop=False)


def in_colour(line: Iterable[Span]) -> "Text":
    """Give a line for a console of rich: its texts as they are, with no markup read into them."""
    from rich.text import Text

    text = Text(overflow="ignore", no_wrap=True)
    for span in line:
        text.append(span.text, _COLOURS.get(span.role, ""))
    return text


def as_sentence(text: str) -> str:
    """End a text as a sentence, unless it has an end: a scenario's title may ask something.

    >>> as_sentence("May the copy run on three machines?"), as_sentence("Nightly copies")
    ('May the copy run on three machines?', 'Nightly copies.')
    """
    return text if text.endswith((".", "?", "!")) else text + "."


def clean(text: str) -> str:
    """Keep what a terminal would take for a command, or for a line end, out of a text."""
    if text.isprintable():
        return text
    return "".join(character if character.isprintable() else " " if character.isspace() else "?" for character in text)


def columns(text: str) -> int:
    """Count the columns that a text takes in a terminal.

    >>> columns("dome"), columns("\u5929\u6587\u53f0"), columns("e\u0301")
    (4, 6, 1)
    """
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(character) else 1 + (unicodedata.east_asian_width(character) in "WF")
        for character in text
    )


def fit(text: str, width: int) -> str:
    """Cut a text to a width, with three dots where something is missing.

    >>> fit("plate-archive", 10)
    'plate-a...'
    """
    if columns(text) <= width:
        return text
    while text and columns(text) > width - 3:
        text = text[:-1]
    return text + "..."


def _kept_together(words: Sequence[str]) -> list[str]:
    """Keep a number and its unit on one line."""
    found: list[str] = []
    for word in words:
        if found and word.rstrip(".,;:)") in _UNITS and found[-1][-1:].isdigit():
            found[-1] += f" {word}"
        else:
            found.append(word)
    return found


def _wrap(text: str, width: int, first: int, later: int) -> list[str]:
    """Break a text into lines at blanks; a word that is longer than a line is broken where it must."""
    lines, line, empty = [], " " * first, True
    for word in _kept_together(text.split()):
        if not empty and columns(line) + 1 + columns(word) > width:
            lines.append(line)
            line, empty = " " * later, True
        line, empty = line + ("" if empty else " ") + word, False
        while columns(line) > width:
            most = len(line)
            while columns(line[:most]) > width:
                most -= 1
            lines.append(line[:most])
            line = " " * later + line[most:]
    return [*lines, line]
