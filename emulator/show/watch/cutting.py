"""How does any text, however long and whatever it holds, keep within a few columns of a terminal?"""

from typing import Final

from emulator.show.layout import columns, fit
from emulator.show.trail import escaped

__all__ = ["cut", "safe"]

_ENOUGH: Final = 8
"""So many characters are looked at for each column: more could be shown by nothing but marks above letters."""


def cut(text: str, width: int) -> str:
    """Cut a text that is safe to show, with three dots where something is missing, if those have room.

    >>> cut("plate-archive", 10), cut("plates", 2), cut("plates", 0)
    ('plate-a...', 'pl', '')
    """
    start = text[: _ENOUGH * max(width, 1)]
    if len(start) == len(text) and columns(text) <= width:
        return text
    if width > 3:
        return fit(start + "..." if len(start) < len(text) else start, width)
    while columns(start) > width:
        start = start[:-1]
    return start


def safe(text: str, width: int) -> str:
    r"""Make a text safe to show, and cut it to a width.

    >>> safe("dome\x1b[2J", 80), safe("x" * 10_000, 8)
    ('dome\\u001b[2J', 'xxxxx...')
    """
    start = text[: _ENOUGH * max(width, 1)]
    return cut(escaped(start) + ("..." if len(start) < len(text) else ""), width)
