"""Writes a comparison as one HTML file: the answer first; behind it, folded, all figures and every night.

The file has no script at all; what it shows works wherever it is opened, and prints. Beside each picture stands a table
that says the same. The same comparison gives the same bytes.
"""

from collections.abc import Sequence
from functools import partial
from typing import Final

from emulator.measure.comparison.paired import called, change, reach
from emulator.measure.comparison.result import Comparison, Difference, Share, Spread
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.wanted import label_of
from emulator.measure.words import number, value
from emulator.show.comparison.answer import WORDS
from emulator.show.comparison.exports import holds, sentences
from emulator.show.comparison.first import what_was_run
from emulator.show.comparison.opening import nights_opening, opening
from emulator.show.comparison.pictures import BROAD, NARROW, Layout, curves, forest, held, trade_off
from emulator.show.comparison.words import (
    DOMINATED,
    FAILED_NIGHTS,
    LESS_DONE,
    again,
    between,
    done_shares,
    effect_of,
    identical,
    interval_title,
    night_count,
    not_dominated,
    seeds,
)
from emulator.show.html import clean, file, folded, name, section, table, text, unbroken
from emulator.show.meta import SMALL_PRINT
from emulator.show.settings import head_block, settings_block
from emulator.show.svg import both_widths

__all__ = ["comparison_document"]

_MOST_TOLD: Final = 12
_MOST_NIGHTS: Final = 200
_MOST_SEEDS: Final = 3
_LONG: Final = 90
_CLASSES: Final = {"holds": "met", "better": "met", "does_not_hold": "missed", "worse": "missed"}


def comparison_document(of: Comparison) -> str:
    """Write the whole page of a comparison, or of many nights of one scenario.

    Returns:
        The text of an HTML file, to be written as UTF-8.
    """
    good, same = holds(of), identical(of)
    said, *sure = sentences(of)
    look = ("" if good is None else " fits" if good else " fails") + (" long" if len(said) > _LONG else "")
    advice = of.recommendation
    parts = [
        '<a class="skip" href="#answer">To the table of the answer</a>',
        f"<header><p>{text(clean(of.title))}</p><h1 class='verdict{look}'>{unbroken(said)}</h1>",
        f"<p class='sure'>{unbroken(' '.join(sure))}</p>" if sure else "",
        f"<p>{_nights(of)} {text(of.stopped)}</p>",
        f"{head_block(of.assumed, seeds(of), of.versions)}</header><main>",
        opening(of, advice) if advice is not None else nights_opening(of),
        "" if of.assumed is None else settings_block(of.assumed),
        _lost(of),
        folded(f"Compared with {text(clean(called(of.baseline)))}", _found(of)),
        folded("Requirements", _requirements(of), "requirements"),
        folded(f"Differences from {text(clean(called(of.baseline)))}", _differences(of, same)),
        _trade_off(of),
        folded("How each figure spreads over the nights", _spreads(of, same)),
        folded("Every night", _every_night(of), "again"),
        f"<p><small>{SMALL_PRINT}</small></p>",
        "</main>",
    ]
    return file(of.title, "\n".join(part for part in parts if part))


def _nights(of: Comparison) -> str:
    nights = night_count(of.nights)
    if len(of.variants) == 1:
        return f"{nights}, {seeds(of)}; intervals are at {value(of.confidence, 'share')}."
    return (
        f"{text(what_was_run(of))} Each has the same draws; the baseline is {name(of.baseline)}. "
        f"Intervals are at {value(of.confidence, 'share')}; those of differences hold for all of them together."
    )


def _found(of: Comparison) -> str:
    """Say what was found of each variant, in sentences; what is the same in every night is named at once."""
    parts = []
    for variant in of.variants[1 : 1 + _MOST_TOLD]:
        beside = [one for one in of.differences if one.variant == variant]
        first = [one for one in beside if one.effect in ("better", "worse", "higher", "lower")]
        rest = [one for one in beside if one.effect in ("no_clear_difference", "undecided")]
        same = [one.measure for one in beside if one.effect == "same"]
        lines = [_look(one.effect, one.sentence) for one in (*first, *rest)]
        if same:
            figures = "".join(f"<li>{text(label_of(one))}</li>" for one in same)
            lines.append(f"The same in every night:<ul>{figures}</ul>")
        parts.append(f"<h3>{name(variant)}</h3><ul>{''.join(f'<li>{line}</li>' for line in lines)}</ul>")
    left = len(of.variants) - 1 - _MOST_TOLD
    if left > 0:
        parts.append(f"<p>And {left} more variants: the tables below have all of them.</p>")
    return "".join(parts)


def _look(effect: str, words: str) -> str:
    look = _CLASSES.get(effect)
    return f'<span class="{look}">{text(words)}</span>' if look else text(words)


def _requirements(of: Comparison) -> str:
    names = list(dict.fromkeys(one.requirement for one in of.shares))
    parts = []
    if not names and not of.not_worse:
        parts.append("<p>None is stated.</p>")
    for place, requirement in enumerate(names, 1):
        shares = [one for one in of.shares if one.requirement == requirement]
        title = "All requirements at once" if requirement == ALL else shares[0].asks
        parts.append(f'<h3 id="requirement-{place}">{text(clean(title))}</h3>')
        if any(one.interval is not None for one in shares):
            parts.append(both_widths(partial(_held, shares, title)))
        head = (
            "variant",
            "kept in",
            interval_title(of.confidence),
            "missed",
            *(() if requirement == ALL else ("asked for", "verdict")),
        )
        rows = [_share_row(one)[: len(head)] for one in shares]
        parts.append(table(f"Nights that keep it: {text(clean(title))}", head, rows))
        told = [one for one in shares if one.verdict in ("does_not_hold", "undecided") and requirement != ALL]
        parts.append("".join(f"<p>{text(one.sentence)}</p>" for one in told[:_MOST_TOLD]))
    if of.not_worse:
        lines = "".join(f"<li>{_look(one.verdict, one.sentence)}</li>" for one in of.not_worse)
        parts.append(f"<h3>Not worse than the baseline</h3><ul>{lines}</ul>")
    return "".join(parts)


def _share_row(one: Share) -> list[str]:
    seeds = ", ".join(f'<a href="#again">seed {seed}</a>' for seed in one.missed_seeds[:_MOST_SEEDS])
    more = one.judged - one.held - len(one.missed_seeds[:_MOST_SEEDS])
    return [
        name(one.variant),
        f"{one.held} of {one.judged}" if one.judged else "nothing to judge",
        text(between(one.together or one.interval, "share")),
        (seeds or "none") + (f" and {more} more" if more > 0 else ""),
        "every night" if one.asked is None else value(one.asked, "share"),
        _look(one.verdict, WORDS[one.verdict]),
    ]


def _held(shares: Sequence[Share], title: str, narrow: bool) -> str:
    return held(shares, title, layout=_layout(narrow))


def _layout(narrow: bool) -> Layout:
    return NARROW if narrow else BROAD


def _differences(of: Comparison, same: Sequence[str]) -> str:
    """Show what differs anywhere; what is the same in every night is told in a line."""
    if not of.differences:
        return ""
    figures = "".join(f"<li>{text(label_of(one))}</li>" for one in same)
    alike = f"<p>The same in every night under every variant:</p><ul>{figures}</ul>" if same else ""
    seen = [measure for measure in of.measures if measure not in same]
    if not seen:
        return alike
    picture = both_widths(lambda narrow: forest(of, layout=_layout(narrow), styled=False, measures=seen))
    means = {(one.measure, one.variant): one for one in of.spreads}
    rows = []
    for one in of.differences:
        if one.measure in same:
            continue
        base, its = means.get((one.measure, of.baseline)), means.get((one.measure, one.variant))
        rows.append(
            [
                text(label_of(one.measure)),
                name(one.variant),
                _linked(of, base),
                _linked(of, its),
                text(_difference(one)),
                text(reach(one.together, one.unit, one.measure)) if one.together is not None else "-",
                "" if one.p_together is None else _p(one.p_together),
                _look(one.effect, effect_of(one)),
            ]
        )
    head = (
        "figure",
        "variant",
        "baseline's mean",
        "its mean",
        "difference",
        interval_title(of.confidence),
        "p, of all together",
        "verdict",
    )
    return (
        picture
        + alike
        + table("Differences, night by night on the same draws", head, rows)
        + "<p><small>Intervals hold for all differences together (Bonferroni); the verdict is Holm's.</small></p>"
    )


def _p(amount: float) -> str:
    return "below 0.0001" if amount < 0.0001 else number(amount, 2)


def _difference(one: Difference) -> str:
    if one.mean is None:
        return "-"
    bound = "at least " if one.at_least_pairs else "at most " if one.at_most_pairs else ""
    return bound + change(one.mean, one.unit, one.measure)


def _mean(one: Spread | None) -> str:
    if one is None or one.mean is None:
        return "none"
    return ("more than " if "mean" in one.lower_bounds else "") + value(one.mean, one.unit)


def _linked(of: Comparison, one: Spread | None) -> str:
    """Write a mean that leads to the nights behind it."""
    if one is None or one.measure not in of.measures:
        return text(_mean(one))
    return f'<a href="#nights-{of.measures.index(one.measure) + 1}">{text(_mean(one))}</a>'


def _trade_off(of: Comparison) -> str:
    if len(of.variants) < 2:
        return ""
    across, up = of.trade_off
    units = {one.measure: one.unit for one in of.spreads}
    done = done_shares(of)

    def coordinate(amount: float | None, measure: str, more_than: bool) -> str:
        words = "none" if amount is None else value(amount, units.get(measure, "time"))
        return text(("more than " if more_than else "") + words)

    rows = [
        [
            name(point.variant),
            *([done[point.variant]] if done else []),
            coordinate(point.across, across, point.across_more_than),
            coordinate(point.up, up, point.up_more_than),
            ", ".join(name(other) for other in point.dominated_by) or "none",
        ]
        for point in of.points
    ]
    picture = both_widths(lambda narrow: trade_off(of, layout=_layout(narrow), styled=False))
    said = f" {LESS_DONE}" if done else ""
    along, upward = text(label_of(across)), text(label_of(up))
    head = ("variant", *(["done"] if done else []), along, upward, DOMINATED)
    return folded(
        f"Trade-off of {along} and {upward}",
        f"<p>{text(not_dominated(of))}{said}</p>{picture}{table('Means of both figures', head, rows)}",
    )


def _spreads(of: Comparison, same: Sequence[str]) -> str:
    parts = []
    head = (
        "variant",
        "mean",
        interval_title(of.confidence),
        "median",
        "p90",
        "min",
        "max",
        "unfinished nights",
        "nights without a value",
    )
    for measure in of.measures:
        if measure in same:
            continue
        spreads = [one for one in of.spreads if one.measure == measure]
        parts.append(f"<h3>{text(clean(label_of(measure)))}</h3>{curves(of, measure)}")
        rows = [[name(one.variant), *_spread_cells(of, one)] for one in spreads]
        parts.append(table(f"{text(clean(label_of(measure)))} over the nights", head, rows))
    if same:
        rows = [
            [text(label_of(one.measure)), *_spread_cells(of, one)]
            for one in of.spreads
            if _is_baseline_of(of, one, same)
        ]
        parts.append("<h3>The same in every night under every variant</h3>")
        parts.append(table("Figures that do not differ", ("figure", *head[1:]), rows))
    return "".join(parts)


def _is_baseline_of(of: Comparison, one: Spread, measures: Sequence[str]) -> bool:
    return one.variant == of.baseline and one.measure in measures


def _spread_cells(of: Comparison, one: Spread) -> list[str]:
    def amount(which: str, found: float | None) -> str:
        if found is None:
            return "none"
        return text(("more than " if which in one.lower_bounds else "") + value(found, one.unit))

    return [
        _linked(of, one),
        text(between(one.mean_interval, one.unit)),
        amount("median", one.median),
        amount("p90", one.p90),
        amount("least", one.least),
        amount("most", one.most),
        night_count(one.more_than) if one.more_than else "none",
        night_count(one.absent) if one.absent else "none",
    ]


def _every_night(of: Comparison) -> str:
    """List what was read of each night, and how to see one of them whole."""
    units = {one.measure: one.unit for one in of.spreads}
    seeds = sorted({night.seed for night in of.played})
    read = {(night.variant, night.seed): night for night in of.played if not night.failure}
    parts = ["<p>To see one night whole, with its events, run it again with its seed:</p>"]
    commands = "\n".join(text(again(of, variant, of.first_seed, page=True)) for variant in of.variants[:_MOST_TOLD])
    parts.append(f"<pre tabindex='0'><code>{commands}</code></pre>")
    for place, measure in enumerate(of.measures, 1):
        rows, figure = [], text(clean(label_of(measure)))
        for seed in seeds[:_MOST_NIGHTS]:
            cells = [str(seed)]
            for variant in of.variants:
                night = read.get((variant, seed))
                reading = None if night is None else night.readings.get(measure)
                if night is None:
                    cells.append("lost")
                elif reading is None or reading.value is None:
                    cells.append("none")
                else:
                    words = value(reading.value, units.get(measure, "count"))
                    cells.append(text(("more than " if reading.more_than else "") + words))
            rows.append(cells)
        left = len(seeds) - len(rows)
        more = f"<p>And {left:,} more nights: --results keeps all of them in a file.</p>" if left > 0 else ""
        head = ("seed", *(name(variant) for variant in of.variants))
        parts.append(
            f'<details class="job"><summary><h3>{figure}, night by night</h3></summary>'
            f'<div id="nights-{place}">'  # a link to what is inside opens it, without a script
            f"{table(f'{figure} in each night', head, rows)}{more}</div></details>"
        )
    return "".join(parts)


def _lost(of: Comparison) -> str:
    if not of.lost:
        return ""
    lines = "".join(
        f"<li>{name(one.variant)}, seed {one.seed}: {text(one.why)}.</li>" for one in of.lost[:_MOST_NIGHTS]
    )
    return section(FAILED_NIGHTS, f"<ul>{lines}</ul>")
