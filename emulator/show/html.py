"""Writes HTML files: makes names harmless, writes tables, and the file around them.

A file asks for nothing, and nothing in it can ask for anything: its policy allows its own style sheet and script by
their hashes, and no other. Names are escaped here. The same input gives the same bytes.
"""

import base64
import hashlib
import re
from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from typing import Final

__all__ = ["clean", "file", "folded", "folded_table", "name", "section", "table", "text", "unbroken"]

_LONGEST: Final = 160
_SHORT: Final = 28
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|us|ms|s|min|h|d)(?!\w))")
_TAG: Final = re.compile(r"<[^>]*>")


def text(of: str) -> str:
    """Escape a text, without what cannot be printed.

    >>> text("a<b\\u202e")
    'a&lt;b '
    """
    return escape("".join(character if character.isprintable() else " " for character in of))


def unbroken(of: str) -> str:
    """Escape a sentence that may be broken anywhere but between a number and its unit.

    >>> unbroken("kept in 90 % of nights")
    'kept in 90\xa0% of nights'
    """
    return _UNIT.sub("\N{NO-BREAK SPACE}", text(of))


def clean(of: str) -> str:
    """Give a name as it may be shown: no control or direction marks, and no longer than a line or two.

    >>> clean("a\\u202eb" + "c" * 500) == "a b" + "c" * 156 + "…"
    True
    """
    shown = "".join(character if character.isprintable() else " " for character in of)
    return shown if len(shown) <= _LONGEST else shown[: _LONGEST - 1] + "…"


def name(of: str) -> str:
    """Write a name, which may run from right to left without turning what stands around it."""
    return f"<bdi>{escape(clean(of))}</bdi>"


def table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], *, stacked: bool = False) -> str:
    """Write a table of ready HTML cells; the first cell of each row is its heading.

    Args:
        caption: what it is about; the name of its region.
        head: of the columns.
        rows: as many cells each.
        stacked: on a phone each row stands as a list of its cells, each behind its heading.
    """
    top = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    heads = [f' data-head="{_TAG.sub("", cell)}"' if stacked else "" for cell in head]
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>' + "".join(map(_cell, row[1:], heads[1:])) + "</tr>" for row in rows
    )
    look = ' class="stacked"' if stacked else ""
    return (
        f'<div class="wide" role="region" aria-label="{caption}" tabindex="0"><table{look}><caption>{caption}</caption>'
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def section(title: str, body: str, at: str = "") -> str:
    """Write a part of a page under its heading; ``at``: the id that links lead to; "" for a part without a body.

    >>> section("Nights", "<p>None.</p>", "nights")
    '<section id="nights"><h2>Nights</h2><p>None.</p></section>'
    """
    return f"<section{_id(at)}><h2>{title}</h2>{body}</section>" if body else ""


def folded(title: str, body: str, at: str = "") -> str:
    """Write a part that is opened when it is wanted; a link to what is inside opens it, without a script.

    >>> folded("Nights", "<p>None.</p>", "nights")
    '<details class="part"><summary><h2>Nights</h2></summary><section id="nights"><p>None.</p></section></details>'
    """
    if not body:
        return ""
    return f'<details class="part"><summary><h2>{title}</h2></summary><section{_id(at)}>{body}</section></details>'


def folded_table(title: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Write a table that says what a picture above it shows, opened when it is wanted."""
    return f'<details class="job"><summary><h3>{title}</h3></summary>{table(title, head, rows)}</details>'


def _id(at: str) -> str:
    return f' id="{at}"' if at else ""


def _cell(of: str, head: str) -> str:
    """Write a cell; what is short stays on one line, also on a phone, where the table can be moved."""
    short = len(_TAG.sub("", of)) <= _SHORT
    return f'<td class="{"line" if short else "wrap"}"{head}>{of}</td>'


def file(
    title: str,
    body: str,
    *,
    data: str = "",
    scripts: Sequence[str] = (),
    later: str = "",
    styles: Sequence[str] = (),
) -> str:
    """Write a whole file.

    Args:
        title: of the window.
        body: ready HTML.
        data: blocks of data that scripts read, as ready HTML.
        later: blocks of data that are not needed at once: a browser shows the page before it has read them.
        scripts: the files of the scripts, in order; without any the file has none.
        styles: the files of further style sheets, which follow the common one.

    Returns:
        The text of an HTML file, to be written as UTF-8.
    """
    style, script = "".join(map(_asset, ("page.css", *styles))), "".join(_asset(one) for one in scripts)
    allowed = f" script-src '{_hash(script)}';" if script else ""
    policy = f"default-src 'none'; style-src '{_hash(style)}';{allowed} base-uri 'none'; form-action 'none'"
    run = f"<script>{script}</script>\n" if script else ""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="color-scheme" content="light dark">\n<title>{text(title)}</title>\n<style>{style}</style>\n'
        f"</head>\n<body>\n{body}\n{data}{run}{later}</body>\n</html>\n"
    )


def _asset(of: str) -> str:
    return resources.files("emulator.show.page").joinpath(of).read_text("utf-8")


def _hash(of: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(of.encode()).digest()).decode("ascii")
