"""Draws SVG: text, lines, marks, axes, cumulative curves; light and dark, without a plotting library.

Colours are those of Okabe and Ito (2008); whatever a colour says, a shape or a word says too. A picture has a title and
a description for those who do not see it. The same input gives the same bytes: numbers are rounded to tenths.

A value that was cut off is only known to be more than what stands there: the curves are product-limit estimates (Kaplan
and Meier, JASA 53, 1958) and end where nothing more is known. Each curve has a colour, dashes and a mark of its own.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final, Literal

from emulator.measure.words import duration, number, value
from emulator.show.layout import columns, fit
from emulator.timeline.ticks import DAY, HOUR, MILLISECOND, MINUTE, SECOND

__all__ = [
    "MOST",
    "SHAPES",
    "Bound",
    "Curve",
    "Scale",
    "Svg",
    "Theme",
    "both_widths",
    "cumulative",
    "going",
    "nice_steps",
]


Theme = Literal["both", "light", "dark"]

_LIGHT: Final = "--ink:#1a1a1a;--paper:#ffffff;--faint:#6b6b6b;--good:#007a5a;--bad:#b84a00;--plain:#0072B2"
_DARK: Final = "--ink:#f0f0f0;--paper:#16181c;--faint:#a8a8a8;--good:#2fc79a;--bad:#ff8a3d;--plain:#56B4E9"

SHAPES: Final = ("circle", "square", "triangle", "diamond", "cross", "ring")
"""The marks that tell one series from another."""


class Svg:
    """One picture under construction.

    Args:
        width, height: of its own coordinates; it is shown as wide as its place lets it.
        title, about: for those who do not see it.
        theme: both (as the reader's system wants it), or one fixed.
    """

    def __init__(self, width: int, height: int, title: str, about: str, theme: Theme = "both") -> None:
        self._width, self._height = width, height
        self._parts: list[str] = []
        self._title, self._about, self._theme = title, about, theme

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        anchor: str = "start",
        role: str = "ink",
        bold: bool = False,
        size: int = 13,
    ) -> None:
        """Write a text; ``anchor`` is start, middle or end."""
        weight = ' font-weight="600"' if bold else ""
        self._parts.append(
            f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}" fill="var(--{role})" font-size="{size}"{weight}>'
            f"{_safe(text)}</text>"
        )

    def line(
        self, x1: float, y1: float, x2: float, y2: float, *, role: str = "ink", width: float = 1, dashes: str = ""
    ) -> None:
        """Draw a line."""
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        self._parts.append(
            f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" stroke="var(--{role})" '
            f'stroke-width="{_n(width)}"{dash}/>'
        )

    def area(self, x: float, y: float, width: float, height: float, *, role: str) -> None:
        """Shade a region, so lightly that what is drawn on it is still read."""
        self._parts.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="var(--{role})" '
            'fill-opacity="0.13"/>'
        )

    def band(self, low: Sequence[tuple[float, float]], high: Sequence[tuple[float, float]], *, role: str) -> None:
        """Shade what lies between two lines of points from left to right."""
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in (*high, *reversed(low)))
        self._parts.append(
            f'<polygon points="{points}" fill="var(--{role})" fill-opacity="0.22" stroke="var(--{role})" '
            'stroke-width="0.6"/>'
        )

    def bar(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        role: str,
        dashes: str = "",
        filled: bool = True,
        tip: str = "",
    ) -> None:
        """Draw a box with an edge; ``tip`` is told when it is pointed at."""
        told = f"<title>{_safe(tip)}</title>" if tip else ""
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        self._parts.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="var(--{role})" '
            f'fill-opacity="{0.25 if filled else 0}" stroke="var(--{role})"{dash}>{told}</rect>'
        )

    def mark(self, x: float, y: float, shape: str, *, role: str = "ink", size: float = 5, tip: str = "") -> None:
        """Draw a mark of one of ``SHAPES``; ``tip`` is told when it is pointed at."""
        told = f"<title>{_safe(tip)}</title>" if tip else ""
        look = f'fill="var(--{role})" stroke="var(--paper)" stroke-width="1"'
        if shape == "circle":
            self._parts.append(f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(size)}" {look}>{told}</circle>')
        elif shape == "ring":
            self._parts.append(
                f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(size)}" fill="var(--paper)" stroke="var(--{role})" '
                f'stroke-width="2">{told}</circle>'
            )
        elif shape == "cross":
            d = f"M{_n(x - size)} {_n(y - size)}L{_n(x + size)} {_n(y + size)}M{_n(x - size)} {_n(y + size)}"
            d += f"L{_n(x + size)} {_n(y - size)}"
            self._parts.append(f'<path d="{d}" stroke="var(--{role})" stroke-width="2.5" fill="none">{told}</path>')
        else:
            corners = {
                "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
                "triangle": ((0, -1.2), (1.1, 0.9), (-1.1, 0.9)),
                "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
            }[shape]
            points = " ".join(f"{_n(x + a * size)},{_n(y + b * size)}" for a, b in corners)
            self._parts.append(f'<polygon points="{points}" {look}>{told}</polygon>')

    def steps(self, points: Sequence[tuple[float, float]], *, role: str = "plain", dashes: str = "") -> None:
        """Draw a line through points."""
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        joined = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self._parts.append(f'<polyline points="{joined}" fill="none" stroke="var(--{role})" stroke-width="2"{dash}/>')

    def bottom_axis(self, scale: "Scale", x1: float, x2: float, y: float, *, top: float) -> None:
        """Draw an axis below a panel that begins at ``top``, with faint lines up through it."""
        self.line(x1, y, x2, y, role="faint")
        for tick in scale.ticks:
            x = scale.at(tick)
            self.line(x, top, x, y, role="faint", width=0.3)
            self.line(x, y, x, y + 4, role="faint")
            self.text(x, y + 17, scale.say(tick), anchor="middle", role="faint", size=11)

    def write(self, *, styled: bool = True) -> str:
        """Give the whole picture as an SVG document; unstyled, for a page whose own style sheet tells the colours."""
        css = {
            "both": f"svg{{{_LIGHT}}}@media(prefers-color-scheme:dark){{svg{{{_DARK}}}}}",
            "light": f"svg{{{_LIGHT}}}",
            "dark": f"svg{{{_DARK}}}",
        }[self._theme]
        fits = ' style="max-width:100%;height:auto"' if styled else ' class="picture"'
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self._width} {self._height}" '
            f'width="{self._width}" height="{self._height}"{fits} role="img" '
            f'aria-label="{_safe(self._title)}" font-family="system-ui, sans-serif">'
            f"<title>{_safe(self._title)}</title><desc>{_safe(self._about)}</desc>"
            f"{f'<style>{css}</style>' if styled else ''}"
            f'<rect width="100%" height="100%" fill="var(--paper)"/>' + "".join(self._parts) + "</svg>\n"
        )


class Scale:
    """Maps amounts of one unit to places, with a few round ticks.

    Args:
        low, high: the amounts at the ends; made a little apart if they are the same.
        start, end: their places.
        unit: time (ticks), share, points (percentage points, given as a share), count or ratio.
        most: so many ticks at most.
    """

    def __init__(self, low: float, high: float, start: float, end: float, unit: str, most: int = 6) -> None:
        if high <= low:
            margin = abs(low) * 0.05 or (SECOND if unit == "time" else 1)
            low, high = low - margin, high + margin
        self.low, self.high = low, high
        self._start, self._per = start, (end - start) / (high - low)
        self._unit = unit
        step = nice_steps(high - low, unit, most)
        first = math.ceil(low / step - 1e-9)
        self.ticks = [place * step for place in range(first, math.floor(high / step + 1e-9) + 1)]

    def at(self, amount: float) -> float:
        """Give the place of an amount, kept between the ends."""
        return self._start + (min(max(amount, self.low), self.high) - self.low) * self._per

    def say(self, amount: float) -> str:
        """Write an amount beside its tick."""
        if self._unit == "time":
            return duration(amount)
        if self._unit == "share":
            return value(round(amount, 9), "share")
        if self._unit == "points":
            return f"{self._number(100 * amount)} points"
        return self._number(amount)

    @staticmethod
    def _number(amount: float) -> str:
        return number(float(f"{amount:.9g}")) if amount >= 0 else "-" + number(float(f"{-amount:.9g}"))


_TIMES: Final = tuple(
    count * unit
    for unit, counts in (
        (1, (1, 2, 5, 10, 20, 50, 100, 200, 500)),
        (MILLISECOND, (1, 2, 5, 10, 20, 50, 100, 200, 500)),
        (SECOND, (1, 2, 5, 10, 15, 20, 30)),
        (MINUTE, (1, 2, 5, 10, 15, 20, 30)),
        (HOUR, (1, 2, 3, 6, 12)),
        (DAY, (1, 2, 5, 10, 20, 50, 100, 200, 500, 1_000, 10_000, 50_000)),
    )
    for count in counts
)


def nice_steps(span: float, unit: str, most: int) -> float:
    """Give the smallest round step that cuts a span into at most so many.

    >>> nice_steps(10, "count", 5), nice_steps(0.9, "share", 5), nice_steps(7_200_000_000, "time", 5) / MINUTE
    (2.0, 0.2, 30.0)
    """
    if unit == "time":
        return next((step for step in _TIMES if span / step <= most), _TIMES[-1])
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(step * power for step in (1, 2, 5, 10) if span / (step * power) <= most + 1e-9)


def _n(amount: float) -> str:
    return f"{amount:.1f}".removesuffix(".0")


def _safe(text: str) -> str:
    """Escape a text, without the control characters that XML forbids."""
    return escape("".join(character if character.isprintable() else " " for character in text))


MOST: Final = 6
"""So many curves in one picture at most: more cannot be told apart."""

_DASHES: Final = ("", "9 4", "2 3", "9 3 2 3", "16 4", "4 4")
_LETTER: Final = 6.0  # about how wide a letter of size 11 is
_POINTS: Final = 400
_MARKS: Final = 5


@dataclass(frozen=True, slots=True)
class Curve:
    """One sample: values that were seen, and values that were cut off, each in ascending order."""

    name: str
    ended: Sequence[float]
    cut_off: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Bound:
    """A bound of a requirement, in words; ``share`` is the height at which the curve is asked to be there."""

    at: float
    share: float | None
    words: str


def cumulative(
    title: str,
    about: str,
    curves: Sequence[Curve],
    bounds: Sequence[Bound],
    unit: str,
    *,
    narrow: bool = False,
    styled: bool = False,
) -> str:
    """Draw the share of values that are at most so large.

    Args:
        title, about: for those who do not see it.
        curves: at most ``MOST``; with more than one each is named below.
        bounds: drawn in, each with its words above the curves.
        unit: of the values: time, share, count or ratio.
        narrow: for the width of a phone.
        styled: with colours of its own, for one curve; else those of the page that it stands in.
    """
    width, left, right = (380, 52, 354) if narrow else (760, 60, 700)
    top = 22 + 16 * len(bounds)
    bottom = top + 190
    named = list(curves) if len(curves) > 1 else []
    across = 1 if narrow else 2
    svg = Svg(width, bottom + 30 + 18 * -(-len(named) // across) + (8 if named else 0), title, about)
    ends = [end for one in curves for end in (*one.ended[-1:], *one.cut_off[-1:])]
    begins = [begin for one in curves for begin in (*one.ended[:1], *one.cut_off[:1])]
    low, high = min([*begins, *(one.at for one in bounds)]), max([*ends, *(one.at for one in bounds)])
    if unit == "share":
        low, high = _round_share(low, high)
    else:
        low = 0 if low < high / 2 else max(0.0, low - (high - low) * 0.06)
    xs, ys = Scale(low, high, left, right, unit, 3 if narrow else 6), Scale(0, 1, bottom, top, "share", 5)
    svg.bottom_axis(xs, left, right, bottom, top=top)
    for tick in ys.ticks:
        svg.line(left, ys.at(tick), right, ys.at(tick), role="faint", width=0.3)
        svg.text(left - 8, ys.at(tick) + 4, ys.say(tick), anchor="end", role="faint", size=11)
    for row, bound in enumerate(bounds):
        _draw_bound(svg, bound, xs, ys, 14 + 16 * row, (left, right, bottom, width))
    for place, one in enumerate(curves):
        _draw(svg, one, place, xs, ys, marked=bool(named))
    for place, one in enumerate(named):
        x, y = (8 if narrow else left) + place % across * 340, bottom + 44 + 18 * (place // across)
        role = f"series{place + 1}"
        svg.steps([(x, y - 4), (x + 36, y - 4)], role=role, dashes=_DASHES[place])
        svg.mark(x + 18, y - 4, SHAPES[place], role=role, size=4.5)
        svg.text(x + 44, y, fit(one.name, 44), size=12)
    return svg.write(styled=styled)


def both_widths(draw: Callable[[bool], str]) -> str:
    """Put a picture in a page twice, as drawn for a narrow page and for a broad one: the page shows what fits it."""
    return f'<figure class="broad">{draw(False)}</figure><figure class="narrow">{draw(True)}</figure>'


def _round_share(low: float, high: float) -> tuple[float, float]:
    """Give a share some room within 0 to 1, so that a narrow spread is still seen."""
    margin = max((high - low) * 0.1, 0.01)
    return max(0.0, low - margin), min(1.0, high + margin)


def _draw(svg: Svg, one: Curve, place: int, xs: Scale, ys: Scale, *, marked: bool) -> None:
    points = [(xs.at(xs.low), ys.at(0))]
    for at, share in going(one.ended, one.cut_off):
        points += [(xs.at(at), points[-1][1]), (xs.at(at), ys.at(share))]
    if not one.cut_off:  # everything is known: all further values are at most that
        points.append((xs.at(xs.high), points[-1][1]))
    else:
        points.append((xs.at(max((*one.ended[-1:], *one.cut_off[-1:]))), points[-1][1]))
    role = f"series{place + 1}" if marked else "plain"
    svg.steps(points, role=role, dashes=_DASHES[place] if marked else "")
    if marked:
        for number in range(_MARKS):
            wanted = ys.at((number + 0.5 + 0.08 * place) / _MARKS)
            x = next((x for x, y in points if y <= wanted), None)
            if x is not None:
                svg.mark(x, wanted, SHAPES[place], role=role, size=4.5, tip=one.name)


def _draw_bound(
    svg: Svg, bound: Bound, xs: Scale, ys: Scale, y: float, frame: tuple[float, float, float, float]
) -> None:
    left, right, bottom, width = frame
    x = xs.at(bound.at)
    svg.line(x, y + 4, x, bottom, role="bad", dashes="5 3", width=1.5)
    if bound.share is not None:
        svg.mark(x, ys.at(bound.share), "diamond", role="bad", tip=bound.words)
    words = fit(bound.words, int((width - 8) / _LETTER))
    wide = columns(words) * _LETTER
    start = x - 6 - wide if x - left > right - x else x + 6
    svg.text(max(4.0, min(start, width - 4 - wide)), y + 2, words, role="bad", size=11)


def going(ended: Sequence[float], cut_off: Sequence[float]) -> list[tuple[float, float]]:
    """Give the product-limit curve of what has ended, thinned to what a picture can show.

    >>> going([1, 2, 3], [])[-2:], going([1, 3], [2])[-1]
    ([(2, 0.6666666666666667), (3, 1.0)], (3, 1.0))
    """
    every = max(1, len(ended) // _POINTS)
    found: list[tuple[float, float]] = []
    left, place, at_risk = 1.0, 0, len(ended) + len(cut_off)
    for place_of_end, at in enumerate(ended, 1):
        while place < len(cut_off) and cut_off[place] < at:
            place, at_risk = place + 1, at_risk - 1
        left *= (at_risk - 1) / at_risk
        at_risk -= 1
        if place_of_end % every == 0 or place_of_end == len(ended):
            found.append((at, 1 - left))
    return found
