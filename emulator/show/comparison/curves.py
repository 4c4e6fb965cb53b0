"""How does one figure spread over the nights? A cumulative curve for each variant, with what is asked of it."""

from collections.abc import Sequence

from emulator.measure.comparison.analysis import finite
from emulator.measure.comparison.result import Comparison, Share
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import value
from emulator.show.cumulative import MOST, Bound, Curve, both_widths, cumulative
from emulator.show.html import clean, text

__all__ = ["curves"]


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
