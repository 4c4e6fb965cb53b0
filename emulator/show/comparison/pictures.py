"""Draws comparisons: differences from the baseline, trade-offs, what holds, how a figure spreads over nights."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from emulator.measure.comparison.analysis import finite
from emulator.measure.comparison.intervals import Interval
from emulator.measure.comparison.paired import called, change
from emulator.measure.comparison.result import Comparison, Difference, Share
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import value
from emulator.show.comparison.answer import WORDS
from emulator.show.comparison.words import done_shares, effect_of
from emulator.show.html import clean, text
from emulator.show.layout import columns, fit
from emulator.show.svg import MOST, SHAPES, Bound, Curve, Scale, Svg, Theme, both_widths, cumulative
from emulator.timeline.ticks import SECOND

__all__ = [
    "BROAD",
    "HELD",
    "NAMES",
    "NARROW",
    "Layout",
    "curves",
    "forest",
    "free",
    "held",
    "pictures",
    "trade_off",
    "wide",
]


NAMES: Final = ("differences.svg", "trade-off.svg")
"""The files that pictures are written to."""

_LOOKS: Final = {
    "better": ("good", "circle"),
    "worse": ("bad", "square"),
    "higher": ("plain", "triangle"),
    "lower": ("plain", "diamond"),
}
HELD: Final = {"holds": ("good", "circle"), "does_not_hold": ("bad", "square")}
_SHOWN: Final = 24  # variants in a picture: more cannot be told apart, and it says so


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things stand in a picture: broad, or as narrow as a phone, where names stand above what they name."""

    width: int
    left: int
    right: int
    row: int
    narrow: bool


BROAD: Final = Layout(800, 220, 580, 24, False)
NARROW: Final = Layout(380, 24, 348, 42, True)


def pictures(comparison: Comparison, theme: Theme = "both") -> dict[str, str]:
    """Give the pictures of a comparison by file name; none of one with a single variant."""
    if len(comparison.variants) < 2:
        return {}
    return dict(zip(NAMES, (forest(comparison, theme), trade_off(comparison, theme)), strict=True))


def forest(
    comparison: Comparison,
    theme: Theme = "both",
    *,
    layout: Layout = BROAD,
    styled: bool = True,
    measures: Sequence[str] | None = None,
) -> str:
    """Draw every difference to the baseline with its interval, a panel for each figure.

    Args:
        theme: both (as the reader's system wants it), or one fixed.
        layout: ``BROAD`` or ``NARROW``.
        styled: with colours of its own; else those of the page that it stands in.
        measures: these figures alone.
    """
    panels = [
        (measure, [one for one in comparison.differences if one.measure == measure][:_SHOWN])
        for measure in (comparison.measures if measures is None else measures)
    ]
    height = 60 + sum(58 + layout.row * len(found) for _, found in panels)
    about = " ".join(one.sentence for _, found in panels for one in found)
    svg = Svg(layout.width, height, f"Differences from {called(comparison.baseline)}: {comparison.title}", about, theme)
    _head(svg, f"Differences from {called(comparison.baseline)}", layout)
    sure = value(comparison.confidence, "share")
    more = _left_out(len(comparison.variants) - 1)
    svg.text(16, 46, f"lines: intervals that hold for all differences together ({sure}){more}", role="faint", size=11)
    y = 60.0
    for measure, found in panels:
        y = _panel(svg, measure, found, y, layout)
    return svg.write(styled=styled)


def _head(svg: Svg, text: str, layout: Layout) -> None:
    svg.text(16, 28, fit(text, 44 if layout.narrow else 78), bold=True, size=14 if layout.narrow else 16)


def _left_out(many: int) -> str:
    return f"; the first {_SHOWN} of {many} variants" if many > _SHOWN else ""


def _panel(svg: Svg, measure: str, found: Sequence[Difference], y: float, layout: Layout) -> float:
    """Draw one figure, and give where the next begins."""
    ends = [0.0, *(end for one in found for end in _ends(one))]
    margin = (max(ends) - min(ends)) * 0.06
    unit = found[0].unit if found else "count"
    apart = "points" if unit == "share" else unit
    scale = Scale(min(ends) - margin, max(ends) + margin, layout.left, layout.right, apart, 3 if layout.narrow else 4)
    svg.text(16, y + 18, fit(label_of(measure), 48 if layout.narrow else 90), bold=True)
    top, bottom = y + 26, y + 30 + layout.row * len(found)
    svg.bottom_axis(scale, layout.left, layout.right, bottom, top=top)
    svg.line(scale.at(0), top, scale.at(0), bottom, dashes="4 3")
    for place, one in enumerate(found):
        middle = top + 14 + place * layout.row + (18 if layout.narrow else 0)
        role, shape = _LOOKS.get(one.effect, ("faint", "ring"))
        said = "-" if one.mean is None else _short(one)
        if not layout.narrow:
            svg.text(layout.left - 10, middle + 4, fit(one.variant, 30), anchor="end", size=12)
        if one.mean is not None:
            if one.together is not None:
                _whisker(svg, scale, one.together, middle, role)
            svg.mark(scale.at(one.mean), middle, shape, role=role, tip=one.sentence)
        if layout.narrow:
            svg.text(16, middle - 14, fit(one.variant, 26), size=12)
            svg.text(layout.width - 12, middle - 14, fit(f"{said}, {effect_of(one)}", 32), anchor="end", size=11)
            continue
        svg.text(layout.right + 10, middle + 4, fit(said, 22), role="faint" if one.mean is None else "ink", size=11)
        if one.mean is not None:
            svg.text(layout.width - 12, middle + 4, _word(one), anchor="end", role=role, size=11)
    return bottom + 28


def _short(one: Difference) -> str:
    """Write a difference as short as its axis does."""
    text = change(one.mean or 0, one.unit, one.measure)
    return text.replace("percentage points", "points").replace("percentage point", "point")


def _word(one: Difference) -> str:
    """Write what is shown, as short as there is room beside it."""
    return "not clear" if one.effect == "no_clear_difference" else effect_of(one)


def _ends(one: Difference) -> Iterator[float]:
    if one.mean is not None:
        yield one.mean
    if one.together is not None:
        yield from (end for end in (one.together.low, one.together.high) if end is not None)


def _whisker(svg: Svg, scale: Scale, interval: Interval, y: float, role: str) -> None:
    """Draw an interval; an open end runs to the edge and has no stop."""
    low = scale.low if interval.low is None else interval.low
    high = scale.high if interval.high is None else interval.high
    svg.line(scale.at(low), y, scale.at(high), y, role=role, width=2)
    for end in (interval.low, interval.high):
        if end is not None:
            svg.line(scale.at(end), y - 5, scale.at(end), y + 5, role=role, width=2)


def trade_off(comparison: Comparison, theme: Theme = "both", *, layout: Layout = BROAD, styled: bool = True) -> str:
    """Draw each variant by its two figures of the trade-off; those that another dominates are rings.

    The arguments are those of ``forest``.
    """
    across, up = comparison.trade_off
    points = [point for point in comparison.points if point.across is not None and point.up is not None][:_SHOWN]
    along, upward = label_of(across), label_of(up)
    units = {one.measure: one.unit for one in comparison.spreads}
    done = {variant: f", {share} done" for variant, share in done_shares(comparison).items()}
    about = " ".join(
        f"{called(point.variant)}{done.get(point.variant, '')}: "
        f"{along} {value(point.across or 0, units.get(across, 'time'))}, "
        f"{upward} {value(point.up or 0, units.get(up, 'time'))}"
        + (
            f", dominated by {', '.join(map(called, point.dominated_by))}."
            if point.dominated_by
            else ", dominated by none."
        )
        for point in points
    )
    svg = Svg(layout.width, 480, f"Trade-off of {along} and {upward}: {comparison.title}", about, theme)
    _head(svg, f"Trade-off: {fit(along, 40)} against {fit(upward, 40)}", layout)
    more = _left_out(len(comparison.points))
    svg.text(16, 46, f"rings: another variant is no worse on both, and better on one{more}", role="faint", size=11)
    left, right = (76, 340) if layout.narrow else (110, 640)
    top, bottom = 76, 420
    xs = _scale([point.across or 0 for point in points], left, right, units.get(across, "time"), layout)
    ys = _scale([point.up or 0 for point in points], bottom, top, units.get(up, "time"), layout)
    svg.bottom_axis(xs, left, right, bottom, top=top)
    svg.line(left, top, left, bottom, role="faint")
    for tick in ys.ticks:
        svg.line(left, ys.at(tick), right, ys.at(tick), role="faint", width=0.3)
        svg.text(left - 8, ys.at(tick) + 4, ys.say(tick), anchor="end", role="faint", size=11)
    svg.text((left + right) / 2, bottom + 40, fit(along, 40 if layout.narrow else 60), anchor="middle", size=12)
    svg.text(16, top - 11, fit(upward, 48 if layout.narrow else 60), size=12)
    places = [(xs.at(point.across or 0), ys.at(point.up or 0)) for point in points]
    taken: list[_Box] = [(x - 9, y - 9, x + 9, y + 9) for x, y in places]
    for place, (point, (x, y)) in enumerate(zip(points, places, strict=True)):
        shape = "ring" if point.dominated_by else SHAPES[place % 4]
        svg.mark(x, y, shape, role="faint" if point.dominated_by else "good", size=6, tip=point.variant)
        room = (12 if done else 18) if layout.narrow else 34
        name = fit(point.variant, room) + done.get(point.variant, "")
        to_the_left = x + 12 + wide(name) > layout.width - 8
        start = x - 12 - wide(name) if to_the_left else x + 12
        label = free(start, min(y + 4, bottom - 6), wide(name), taken)
        if abs(label - y - 4) > 8:
            svg.line(x, y, start + (wide(name) if to_the_left else 0), label - 4, role="faint", width=0.7)
        svg.text(start, label, name, size=11)
    return svg.write(styled=styled)


def held(
    shares: Sequence[Share], title: str, *, layout: Layout = BROAD, styled: bool = False, by_requirement: bool = False
) -> str:
    """Draw in what share of nights requirements hold, with its interval, and the share that is asked for.

    Unless it is styled, it takes its colours from the page that it stands in. Lines are named by variant, or by
    requirement.
    """
    drawn = [one for one in shares if one.interval is not None][:_SHOWN]
    layout = replace(layout, left=300) if not layout.narrow else layout
    height = 52 + layout.row * len(drawn) + 30
    svg = Svg(layout.width, height, title, " ".join(one.sentence for one in drawn))
    note = "lines: intervals" if layout.narrow else "lines: intervals of the share of all nights"
    svg.text(16, 20, f"{note}; broken strokes: asked for", role="faint", size=11)
    scale = Scale(0, 1, layout.left, layout.right, "share", 3 if layout.narrow else 5)
    top, bottom = 34, 38 + layout.row * len(drawn)
    svg.bottom_axis(scale, layout.left, layout.right, bottom, top=top)
    for place, one in enumerate(drawn):
        middle = top + 14 + place * layout.row + (18 if layout.narrow else 0)
        role, shape = HELD.get(one.verdict, ("faint", "ring"))
        if layout.narrow:
            svg.text(16, middle - 14, fit(_named(one, by_requirement), 34), size=12)
            svg.text(layout.width - 12, middle - 14, WORDS[one.verdict], anchor="end", size=11)
        else:
            svg.text(layout.left - 10, middle + 4, fit(_named(one, by_requirement), 42), anchor="end", size=12)
            svg.text(layout.right + 14, middle + 4, f"{one.held} of {one.judged}", size=11)
            svg.text(layout.width - 12, middle + 4, WORDS[one.verdict], anchor="end", role=role, size=11)
        if one.requirement != ALL:  # all at once are asked for as each of them is
            asked = scale.at(1 if one.asked is None else one.asked)
            svg.line(asked, middle - 9, asked, middle + 9, width=2, dashes="3 2")
        assert one.interval is not None
        _whisker(svg, scale, one.together or one.interval, middle, role)
        svg.mark(scale.at(one.held / one.judged), middle, shape, role=role, tip=one.sentence)
    return svg.write(styled=styled)


def _named(one: Share, by_requirement: bool) -> str:
    return one.asks if by_requirement else one.variant


_Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""


def wide(text: str) -> float:
    """Give about how wide a text of size 11 is: wide enough for any usual typeface."""
    return 6.6 * columns(text)


def _scale(amounts: Sequence[float], start: float, end: float, unit: str, layout: Layout) -> Scale:
    low, high = (min(amounts), max(amounts)) if amounts else (0.0, 1.0)
    if low == high == 0:
        high = SECOND if unit == "time" else 1.0
    margin = (high - low) * 0.08
    return Scale(low - margin if low else 0.0, high + margin, start, end, unit, 3 if layout.narrow else 5)


def free(x: float, y: float, wide: float, taken: list[_Box]) -> float:
    """Give the height nearest to ``y`` at which a label meets nothing that is there, and note its place."""
    for height in (y + step * sign * 4 for step in range(100) for sign in (1, -1)):
        box = (x, height - 10, x + wide, height + 3)
        inside = box[1] > 56 and box[3] < 416
        if inside and not any(
            box[0] < right and left < box[2] and box[1] < bottom and top < box[3] for left, top, right, bottom in taken
        ):
            taken.append(box)
            return height
    return y


def curves(of: Comparison, measure: str) -> str:
    """Draw one figure; where all nights give the same there is nothing to draw, and that is said.

    With more variants than can be told apart, the baseline and those are drawn that no other beats in the trade-off.
    """
    units = {one.measure: one.unit for one in of.spreads}
    unit = units.get(measure, "count")
    drawn = [curve for variant in _chosen(of) if (curve := _curve(of, measure, variant)) is not None]
    if not drawn:
        return "<p>No night had anything to take it from.</p>"
    bounds = _bounds([one for one in of.shares if one.measure == measure], unit)
    if len({end for one in drawn for end in (*one.ended, *one.cut_off)}) == 1 and not any(one.cut_off for one in drawn):
        return f"<p>It is {text(value(drawn[0].ended[0], unit))} in every night that is shown here.</p>"
    left = len(of.variants) - len(drawn)
    some = f" {len(drawn)} of {len(of.variants)} variants are drawn; the table has all." if left > 0 else ""
    about = " ".join(_told(of, measure, one.name) for one in drawn)
    title = f"{label_of(measure)} over the nights, as cumulative curves"
    picture = both_widths(lambda narrow: cumulative(title, about, drawn, bounds, unit, narrow=narrow))
    return (
        f"{picture}<p>The height of a curve is the share of nights with at most so much.{_asked(bounds)}"
        f"{_cut_off(drawn)}{some}</p>"
    )


def _chosen(of: Comparison) -> list[str]:
    undominated = {point.variant for point in of.points if not point.dominated_by}
    rest = sorted(of.variants[1:], key=lambda variant: variant not in undominated)
    chosen = {of.variants[0], *rest[: MOST - 1]}
    return [variant for variant in of.variants if variant in chosen]


def _curve(of: Comparison, measure: str, variant: str) -> Curve | None:
    nights = [night for night in of.played if night.variant == variant and not night.failure]
    readings = finite([night.readings[measure] for night in nights if measure in night.readings], measure)
    ended = sorted(one.value for one in readings if one.value is not None and not one.more_than)
    cut_off = sorted(one.value for one in readings if one.value is not None and one.more_than)
    return Curve(clean(variant), ended, cut_off) if ended or cut_off else None


def _bounds(shares: Sequence[Share], unit: str) -> list[Bound]:
    """Give what is asked, each once; its height is the share of nights that has to be at most there, or below."""
    found: dict[tuple[float, str, float | None], Bound] = {}
    for one in shares:
        share = "in every night" if one.asked is None else f"in {value(one.asked, 'share')} of nights"
        asked = 1.0 if one.asked is None else one.asked
        for words, at, height in (("at most", one.at_most, asked), ("at least", one.at_least, 1 - asked)):
            if at is not None:
                said = f"{words} {value(at, unit)}, {share}"
                found.setdefault((at, words, one.asked), Bound(at, height, said))
    return list(found.values())[:4]


def _asked(bounds: Sequence[Bound]) -> str:
    if not bounds:
        return ""
    return (
        " Broken lines are requirements: at the diamond, a curve has to lie above it for at most, and below it "
        "for at least."
    )


def _cut_off(drawn: Sequence[Curve]) -> str:
    if not any(one.cut_off for one in drawn):
        return ""
    return (
        " Nights in which something was unfinished count as more than what was seen: a curve that ends lower has them."
    )


def _told(of: Comparison, measure: str, variant: str) -> str:
    one = next(one for one in of.spreads if one.measure == measure and clean(one.variant) == variant)
    if one.median is None or one.p90 is None:
        return f"{variant}: none."
    half, most = value(one.median, one.unit), value(one.p90, one.unit)
    return f"{variant}: half of the nights at most {half}, 9 of 10 at most {most}."
