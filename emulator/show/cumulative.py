"""How is a distribution drawn? Cumulative curves, one or several on one scale, with the bounds of requirements.

A value that was cut off is only known to be more than what stands there: the curves are product-limit estimates (Kaplan
and Meier, JASA 53, 1958) and end where nothing more is known. Each curve has a colour, dashes and a mark of its own.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.show.layout import columns, fit
from emulator.show.svg import SHAPES, Scale, Svg

__all__ = ["MOST", "Bound", "Curve", "both_widths", "cumulative", "going"]

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
    for number, at in enumerate(ended, 1):
        while place < len(cut_off) and cut_off[place] < at:
            place, at_risk = place + 1, at_risk - 1
        left *= (at_risk - 1) / at_risk
        at_risk -= 1
        if number % every == 0 or number == len(ended):
            found.append((at, 1 - left))
    return found
