"""Opens the page of a comparison or of many nights: the table of the answer, why others fail, pictures.

It says what the first screen says, in the same words; a folded table beside each picture says the same. A share of
nights has its interval as a small bar beside its words.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.measure.backlog import moments
from emulator.measure.comparison.intervals import Band, Interval, band
from emulator.measure.comparison.result import CandidateStanding, Comparison, Recommendation, Share
from emulator.measure.comparison.shares import ALL
from emulator.measure.comparison.wanted import label_of, wanted
from emulator.measure.words import number, value
from emulator.show.comparison.answer import WORDS, capital, edges, is_random, lies, shown_share, varies
from emulator.show.comparison.deciding import answering_picture
from emulator.show.comparison.first import (
    OPEN,
    cost_lines,
    next_step,
    open_lines,
    reason_lines,
    standing_order,
    table_note,
    table_rows,
    why_title,
)
from emulator.show.comparison.pictures import BROAD, NARROW, Layout, wide
from emulator.show.comparison.words import (
    ANSWER,
    ONE_THAT_MISSED,
    again,
    between,
    column_of,
    night_count,
    share_title,
)
from emulator.show.html import clean, folded_table, name, section, table, text, unbroken
from emulator.show.layout import WIDE
from emulator.show.svg import Scale, Svg, both_widths

__all__ = [
    "nights_opening",
    "opening",
    "share_bar",
]


_CLASSES: Final = {"take": "met", "tie": "met", "qualifies": "met", "fails": "missed"}
_SHARE_AT: Final = 3
"""The column of the interval: after the variant, its verdict and the nights kept."""
_MOST_REASONS: Final = 12
_LEFT: Final = 4
_WIDTH: Final = 100


def opening(of: Comparison, advice: Recommendation) -> str:
    """Write the table of the answer, the reasons, what is open, what the answer costs and what to do next."""
    title, costs = cost_lines(of, advice, len(of.measures))
    step = next_step(advice)
    parts = [
        section(ANSWER, _table(of, advice), "answer"),
        answering_picture(of, advice),
        section(why_title(advice), _why(of, advice)),
        section(OPEN, _list(open_lines(advice, _MOST_REASONS))),
        section(text(clean(title)), _list(costs)),
        f"<p>{text(step)}</p>" if step else "",
    ]
    return "\n".join(part for part in parts if part)


def _table(of: Comparison, advice: Recommendation) -> str:
    standings = standing_order(advice)
    rows, heads, _ = table_rows(of, advice, WIDE, len(standings))
    heads[1] = "verdict"
    shown = []
    for row, one in zip(rows, standings, strict=True):
        look = _CLASSES.get(one.verdict)
        word = f'<span class="{look}">{text(row[1])}</span>' if look else text(row[1])
        shown.append([name(row[0]), word, *map(text, row[2:])])
    if any(one.interval is not None for one in standings):
        heads.insert(_SHARE_AT, share_title(advice.confidence))
        for cells, one in zip(shown, standings, strict=True):
            cells.insert(_SHARE_AT, _share(one))
    said = f"<p><small>{text(table_note(of, advice))}</small></p>"
    return table("Each variant, and how it stands", [text(clean(head)) for head in heads], shown, stacked=True) + said


def _share(one: CandidateStanding) -> str:
    """Write the interval of a share of nights, with a bar of it."""
    if one.interval is None:
        return "-"
    return f"{share_bar(one.interval, one.kept / one.judged)} {text(between(one.interval, 'share'))}"


def share_bar(interval: Interval, seen: float) -> str:
    """Draw an interval of a share of nights as a small bar: a line from 0 to 100 %, a mark at what was seen."""
    low = 0.0 if interval.low is None else interval.low
    high = 1.0 if interval.high is None else interval.high
    start, end, mark = (_LEFT + _WIDTH * share for share in (low, high, seen))
    return (
        f'<svg class="bar" viewBox="0 0 {_WIDTH + 2 * _LEFT} 14" width="{_WIDTH + 2 * _LEFT}" height="14" '
        'aria-hidden="true">'
        f'<line x1="{_LEFT}" x2="{_LEFT + _WIDTH}" y1="7" y2="7" stroke="var(--line)"/>'
        f'<line x1="{start:.1f}" x2="{end:.1f}" y1="7" y2="7" stroke="var(--faint)" stroke-width="4"/>'
        f'<circle cx="{mark:.1f}" cy="7" r="3.5" fill="var(--ink)"/></svg>'
    )


def _why(of: Comparison, advice: Recommendation) -> str:
    lines = [
        f"<li>{unbroken(said)}{f' <code>{text(command)}</code>' if command else ''}</li>"
        for said, command in reason_lines(of, advice, _MOST_REASONS)
    ]
    return f"<ul>{''.join(lines)}</ul>" if lines else ""


def _list(lines: Iterable[str]) -> str:
    items = "".join(f"<li>{unbroken(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""


_NIGHTS_CLASSES: Final = {"holds": "met", "does_not_hold": "missed"}
_HEIGHT: Final = 250


def nights_opening(of: Comparison) -> str:
    """Write the table of the answer, the picture of the figure that decides, the backlog, and the other figures."""
    decides = shown_share(of)
    told = "" if decides is None else decides.measure
    rest = [one for one in of.spreads if one.measure != told and one.median is not None]
    lines = "".join(f"<li>{text(label_of(one.measure))}: {unbroken(lies(one))}</li>" for one in rest)
    parts = [
        section(ANSWER, _nights_table(of), "answer"),
        "" if decides is None else _nights_why(of, decides),
        _backlog(of),
        section("Figures", f"<ul>{lines}</ul>" if lines else ""),
    ]
    return "\n".join(part for part in parts if part)


def _nights_table(of: Comparison) -> str:
    asked = [one for one in of.shares if one.requirement != ALL]
    if not asked:
        return "<p>No requirement is stated.</p>"
    random = is_random(of)
    head = [
        "requirement",
        "nights kept",
        *([share_title(of.confidence)] if random else []),
    ]
    rows = []
    for one in asked:
        look = _NIGHTS_CLASSES.get(one.verdict)
        word = f'<span class="{look}">{WORDS[one.verdict]}</span>' if look else WORDS[one.verdict]
        interval = one.together or one.interval
        seen = one.held / one.judged if one.judged else 0.0
        bar = "-" if interval is None else f"{share_bar(interval, seen)} {text(between(interval, 'share'))}"
        rows.append([text(one.asks), f"{one.held:,} of {one.judged:,}", *([bar] if random else []), word])
    return table("Each requirement, and in how many nights it was kept", [*head, "verdict"], rows, stacked=True)


# -- the figure that decides -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Limit:
    """Where a limit is drawn, in the unit of the picture, with its words; whether less than it is allowed, or more."""

    place: float
    allows_less: bool
    words: str


@dataclass(frozen=True, slots=True)
class _Bins:
    """How many nights had which values of a figure.

    Attributes:
        edges: from where to where, in the unit.
        counts: of nights.
        names: of the values, in words.
        unit: its name.
        whole: each bar is one whole number.
        limits: what is asked.
    """

    edges: Sequence[tuple[float, float]]
    counts: Sequence[int]
    names: Sequence[str]
    unit: str
    whole: bool
    limits: Sequence[_Limit]


def _nights_why(of: Comparison, decides: Share) -> str:
    spread = next((one for one in of.spreads if one.measure == decides.measure), None)
    if spread is None or spread.median is None:
        return ""
    said = f"<p>{text(capital(lies(spread)))}{_unfinished(of, decides)}</p>"
    picture = ""
    if varies(spread):
        bins = _bins(of, decides)
        title = f"Nights by {label_of(decides.measure)}"
        picture = both_widths(lambda narrow: _histogram(title, decides, bins, NARROW if narrow else BROAD))
        unit = f" {bins.unit}" if bins.unit else ""
        rows = [[f"{name}{unit}", f"{count:,}"] for name, count in zip(bins.names, bins.counts, strict=True)]
        picture += folded_table("The nights in figures", (text(clean(label_of(decides.measure))), "nights"), rows)
    missed = ""
    if decides.missed_seeds:
        command = again(of, decides.variant, decides.missed_seeds[0], page=True)
        missed = f"<p>{ONE_THAT_MISSED} <code>{text(command)}</code></p>"
    title = label_of(decides.measure)
    return section(f"What decides: {text(clean(title))}", said + picture + missed, "picture")


def _unfinished(of: Comparison, decides: Share) -> str:
    count = sum(
        1 for night in of.played if decides.measure in night.readings and night.readings[decides.measure].more_than
    )
    return f" In {night_count(count)} something was unfinished: the figure is more than what was seen." if count else ""


def _bins(of: Comparison, decides: Share) -> _Bins:
    """Count the nights by value: whole numbers each by itself where there are few, else between round values."""
    readings = [
        night.readings[decides.measure].value
        for night in of.played
        if not night.failure and decides.measure in night.readings
    ]
    values = sorted(float(one) for one in readings if one is not None)
    kind = wanted(decides.measure).unit
    unit = column_of(kind, values)
    scaled = [one / unit.size for one in values]
    whole = kind == "count" and scaled[-1] - scaled[0] <= 12
    if whole:
        ends = [(amount - 0.5, amount + 0.5) for amount in range(int(scaled[0]), int(scaled[-1]) + 1)]
        names = [number(amount + 0.5) for amount, _ in ends]
    else:
        ends = list(edges(scaled[0], scaled[-1]))
        names = [f"{number(first, 6)} to {number(last, 6)}" for first, last in ends]
    counts = [sum(1 for one in scaled if first <= one < last) for first, last in ends]
    counts[-1] += sum(1 for one in scaled if one == ends[-1][1])
    beside = 0.5 if whole else 0.0  # a whole number that is allowed lies within the limit
    limits = []
    if decides.at_most is not None:
        limits.append(_Limit(decides.at_most / unit.size + beside, True, f"at most {value(decides.at_most, kind)}"))
    if decides.at_least is not None:
        limits.append(_Limit(decides.at_least / unit.size - beside, False, f"at least {value(decides.at_least, kind)}"))
    return _Bins(ends, counts, names, unit.name, whole, limits)


def _histogram(title: str, decides: Share, bins: _Bins, layout: Layout) -> str:
    """Draw a bar for each range of values, as high as its nights; limits are broken lines, what keeps them shaded."""
    left, right, top = (16, 364, 56) if layout.narrow else (60, 700, 56)
    bottom = top + _HEIGHT - 100
    about = f"{decides.asks}: kept in {decides.held} of {night_count(decides.judged)}."
    svg = Svg(layout.width, bottom + 48, title, about)
    places = [one.place for one in bins.limits]
    low, high = min([bins.edges[0][0], *places]), max([bins.edges[-1][1], *places])
    margin = (high - low) * 0.04
    scale = Scale(low - margin, high + margin, left, right, "ratio")
    for one in bins.limits:
        start, end = (left, scale.at(one.place)) if one.allows_less else (scale.at(one.place), right)
        svg.area(start, top, end - start, bottom - top, role="good")
    most = max(bins.counts)
    for (first, last), count, label in zip(bins.edges, bins.counts, bins.names, strict=True):
        x, end = scale.at(first), scale.at(last)
        height = (bottom - top - 16) * count / most
        if count:
            tip = f"{label} {bins.unit}: {night_count(count)}"
            svg.bar(x, bottom - height, end - x, height, role="plain", tip=tip)
            svg.text((x + end) / 2, bottom - height - 4, f"{count:,}", anchor="middle", size=11)
    for tick in scale.ticks:
        if not bins.whole or tick == int(tick):
            svg.line(scale.at(tick), bottom, scale.at(tick), bottom + 4, role="faint")
            svg.text(scale.at(tick), bottom + 17, scale.say(tick), anchor="middle", role="faint", size=11)
    svg.line(left, bottom, right, bottom, role="faint")
    svg.text(16, 20, "height: nights with so much; broken line: the limit; shaded: kept", role="faint", size=11)
    for one in bins.limits:
        x = scale.at(one.place)
        svg.line(x, top - 8, x, bottom, dashes="6 4", width=1.4)
        turned = x + 6 + wide(one.words) > layout.width - 8
        svg.text(x - 6 if turned else x + 6, top - 10, one.words, anchor="end" if turned else "start", size=11)
    axis = f"{label_of(decides.measure)}{f', {bins.unit}' if bins.unit else ''}"
    svg.text((left + right) / 2, bottom + 38, axis, anchor="middle", size=12)
    return svg.write(styled=False)


# -- the backlog -------------------------------------------------------------------------------------------------------


def _backlog(of: Comparison) -> str:
    """Draw how many jobs waited over the night: the median night by night, and nine nights in ten."""
    kept = [night.backlog for night in of.played if night.backlog]
    if not kept or of.assumed is None:
        return ""
    found, lasts, hours = band(kept), of.assumed.lasts, of.assumed.hours
    if not any(one.high for one in found):
        return section("The backlog over the night", "<p>No job had to wait in nine nights of ten.</p>", "backlog")
    at = moments(lasts, len(found))
    peak = max(found, key=lambda one: one.high)
    about = f"The band reaches up to {peak.high:,} waiting jobs; the median up to {max(one.median for one in found):,}."
    title = "Jobs that wait over the night"
    picture = both_widths(lambda narrow: _band(title, about, found, at, lasts, hours, narrow=narrow))
    rows = []
    for tick, shown in hours:
        one = found[min(range(len(at)), key=lambda place: abs(at[place] - tick))]
        rows.append([shown, f"{one.low:,}", f"{one.median:,}", f"{one.high:,}"])
    head = ("time", "nine nights in ten have at least", "median", "and at most")
    shaded = f"Shaded: nine nights in ten, at each of {len(at)} moments."
    said = f"<p>Line: the median of {night_count(len(kept))}. {shaded}</p>"
    return section(
        "The backlog over the night", picture + said + folded_table("The backlog in figures", head, rows), "backlog"
    )


def _band(
    title: str,
    about: str,
    found: Sequence[Band],
    at: Sequence[int],
    lasts: int,
    hours: Sequence[tuple[int, str]],
    *,
    narrow: bool,
) -> str:
    width, left, right = (380, 40, 368) if narrow else (800, 60, 760)
    top, bottom = 28, 210
    svg = Svg(width, bottom + 28, title, about)
    ys = Scale(0, max(1, *(one.high for one in found)), bottom, top, "count", 5)
    xs = Scale(0, lasts, left, right, "time")
    svg.text(16, 16, "jobs that wait", role="faint", size=11)
    for tick in ys.ticks:
        if tick == int(tick):
            svg.line(left, ys.at(tick), right, ys.at(tick), role="faint", width=0.3)
            svg.text(left - 8, ys.at(tick) + 4, ys.say(tick), anchor="end", role="faint", size=11)
    room = max(wide(shown) for _, shown in hours) + 8 if hours else 0
    last = -room
    for tick, shown in hours:
        x = xs.at(tick)
        svg.line(x, top, x, bottom, role="faint", width=0.3)
        if x - last >= room:
            svg.text(x, bottom + 17, shown, anchor="middle", role="faint", size=11)
            last = x
    low, median, high = (
        [(xs.at(tick), ys.at(amount)) for tick, amount in zip(at, of, strict=True)] for of in zip(*found, strict=True)
    )
    svg.band(low, high, role="plain")
    svg.steps(median, role="ink")
    svg.line(left, bottom, right, bottom, role="faint")
    return svg.write(styled=False)
