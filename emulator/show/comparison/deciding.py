"""Draws the picture that answers a comparison: each night over the two requirements that decide.

A requirement **decides** when variants fail because of it: first the one that most variants fail, then the one that
most of the others fail. The region in which both are kept is shaded; circles are nights inside it, crosses outside.
Where one requirement explains every failure, the share of nights of each variant is drawn instead: along the number in
which the variants differ, if it is one number or one duration alone.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.measure.comparison.paired import called
from emulator.measure.comparison.result import CandidateStanding, Comparison, Recommendation, RequirementStanding, Share
from emulator.measure.comparison.wanted import Reading, label_of, wanted
from emulator.measure.words import duration, number, value
from emulator.scenario.spelling import parse_duration
from emulator.show.comparison.answer import WORDS
from emulator.show.comparison.pictures import BROAD, HELD, NARROW, Layout, free, held, wide
from emulator.show.html import clean, folded_table, name, section, text
from emulator.show.layout import fit
from emulator.show.svg import Scale, Svg, both_widths
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND

__all__ = [
    "Numbers",
    "answering_picture",
    "by_value",
    "deciding",
    "one_number",
]


_FAR_APART: Final = 20
"""Values that are so many times apart stand on a logarithmic axis."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """The one number in which variants differ: its path, by variant how it is written, and how much it is."""

    path: str
    written: Mapping[str, str]
    amounts: Mapping[str, float]


def one_number(of: Comparison) -> Numbers | None:
    """Give the one number in which all variants differ; None where they differ in more, or in something else."""
    varied = () if of.assumed is None else of.assumed.varied
    paths = {path for one in varied for path in one.values}
    if len(varied) < 2 or len(paths) != 1:
        return None
    path = paths.pop()
    written = {one.variant: one.values.get(path, "") for one in varied}
    amounts = {variant: amount for variant, said in written.items() if (amount := _amount(said)) is not None}
    if len(set(amounts.values())) < len(written):
        return None
    return Numbers(path, written, amounts)


def _amount(said: str) -> float | None:
    """Read a number, or a duration in ticks; None for anything else."""
    for read in (float, parse_duration):
        try:
            amount = float(read(said))
        except ValueError:
            continue
        return amount if math.isfinite(amount) else None
    return None


def by_value(shares: Sequence[Share], numbers: Numbers, title: str, layout: Layout) -> str:
    """Draw the share of nights of each value with its interval, and the share that is asked for as a broken line."""
    left, right, top, bottom = (*((56, 350) if layout.narrow else (96, 760)), 76, 420)
    shown = sorted((one for one in shares if one.judged), key=lambda one: numbers.amounts[one.variant])
    svg = Svg(layout.width, 480, title, " ".join(one.sentence for one in shown))
    svg.text(16, 24, "height: share of nights that keep it; lines: intervals", role="faint", size=11)
    svg.text(16, 42, "broken line: the share that is asked for", role="faint", size=11)
    ys = Scale(0, 1, bottom, top, "share", 5)
    for tick in ys.ticks:
        svg.line(left, ys.at(tick), right, ys.at(tick), role="faint", width=0.3)
        svg.text(left - 8, ys.at(tick) + 4, ys.say(tick), anchor="end", role="faint", size=11)
    svg.line(left, bottom, right, bottom, role="faint")
    asked = {1.0 if one.asked is None else one.asked for one in shown}
    for share in sorted(asked):
        svg.line(left, ys.at(share), right, ys.at(share), dashes="6 4", width=1.4)
    places = _places([numbers.amounts[one.variant] for one in shown], left + 24, right - 24)
    taken: list[tuple[float, float, float, float]]
    taken = [(left, ys.at(share) - 1, right, ys.at(share) + 1) for share in (*ys.ticks, *asked)]  # no label on a line
    last = -math.inf
    for x, one in zip(places, shown, strict=True):
        role, shape = HELD.get(one.verdict, ("faint", "ring"))
        interval, y = one.together or one.interval, ys.at(one.held / one.judged)
        if interval is not None:
            low, high = (ys.at(end) for end in (interval.low or 0.0, 1.0 if interval.high is None else interval.high))
            svg.line(x, low, x, high, role=role, width=2)
            for end in (low, high):
                svg.line(x - 5, end, x + 5, end, role=role, width=2)
            taken.append((x - 6, high, x + 6, low))
        taken.append((x - 8, y - 8, x + 8, y + 8))
        svg.mark(x, y, shape, role=role, size=6, tip=one.sentence)
        written = numbers.written[one.variant]
        if x - last >= wide(written) + 8:
            svg.line(x, bottom, x, bottom + 4, role="faint")
            svg.text(x, bottom + 17, written, anchor="middle", role="faint", size=11)
            last = x
    for x, one in zip(places, shown, strict=True):
        words = fit(f"{one.variant}: {WORDS[one.verdict]}", 22 if layout.narrow else 40)
        turned = x + 12 + wide(words) > layout.width - 8
        start = x - 12 - wide(words) if turned else x + 12
        height = free(max(4.0, start), ys.at(one.held / one.judged) + 4, wide(words), taken)
        svg.text(max(4.0, start), height, words, size=11)
    svg.text((left + right) / 2, bottom + 40, fit(numbers.path, 40 if layout.narrow else 80), anchor="middle", size=12)
    return svg.write(styled=False)


def _places(amounts: Sequence[float], start: float, end: float) -> list[float]:
    """Give the place of each amount, evenly or, where they lie far apart, by powers.

    >>> _places([1, 2, 3], 0, 100), _places([1, 10, 100], 0, 100)
    ([0.0, 50.0, 100.0], [0.0, 50.0, 100.0])
    """
    if amounts[0] > 0 and amounts[-1] / amounts[0] > _FAR_APART:
        amounts = [math.log10(one) for one in amounts]
    span = amounts[-1] - amounts[0]
    return [start + (end - start) * (one - amounts[0]) / span if span else (start + end) / 2 for one in amounts]


_MOST_MARKS: Final = 600
"""So many nights of each variant are drawn at most: more make a picture no clearer."""
_FAR: Final = 8
"""A scale on which something lies so many times beyond the limit is logarithmic beyond it."""
_TIMES: Final = tuple(
    count * unit
    for unit, counts in ((SECOND, (1, 2, 5, 10, 20, 30)), (MINUTE, (1, 2, 5, 10, 20, 30)), (HOUR, (1, 2, 4, 8)))
    for count in counts
) + tuple(count * DAY for count in (1, 2, 5, 10, 20, 50))


def deciding(advice: Recommendation) -> list[str]:
    """Name the requirements that decide, two at most; none where every variant kept everything in every night."""
    candidates = [one for one in advice.standings if not one.what_if]
    failing = [one for one in candidates if one.verdict == "fails"] or [one for one in candidates if _missed(one)]
    found: list[str] = []
    while failing and len(found) < 2:
        asked = [it for one in failing for it in _missed(one)]
        if not asked:
            break
        found.append(max((it.requirement for it in asked), key=lambda it: _weight(it, failing)))
        failing = [one for one in failing if found[-1] not in {it.requirement for it in _missed(one)}]
    return found


def _missed(one: CandidateStanding) -> list[RequirementStanding]:
    """Give the requirements because of which a variant fails; where it does not, those that a night missed."""
    failed = [it for it in one.requirements if it.standing == "missed" and not it.of_baseline]
    return failed or [it for it in one.requirements if it.held < it.judged and one.verdict != "fails"]


def _weight(requirement: str, failing: Sequence[CandidateStanding]) -> tuple[int, int]:
    """Say in how many variants a requirement was missed, and in how many nights of them."""
    found = [it for one in failing for it in _missed(one) if it.requirement == requirement]
    return len(found), sum(it.judged - it.held for it in found)


def answering_picture(of: Comparison, advice: Recommendation) -> str:
    """Draw what decides, with a table that says the same; "" where nothing does."""
    shares = [found for it in deciding(advice) if (found := [one for one in of.shares if one.requirement == it])]
    if not shares:
        return ""
    limits = [_limit(of, found) for found in shares]
    across, up = limits[0], limits[1] if len(limits) > 1 else None
    if across is not None and up is not None:
        return _two(of, across, up)
    label, numbers, drawn = shares[0][0].asks, one_number(of), shares[0]
    if numbers is not None and any(one.judged for one in drawn):
        picture = both_widths(lambda narrow: by_value(drawn, numbers, label, NARROW if narrow else BROAD))
    else:
        picture = both_widths(lambda narrow: held(drawn, label, layout=NARROW if narrow else BROAD))
    rows = [[name(one.variant), f"{one.held} of {one.judged}"] for one in drawn]
    said = folded_table("Nights that keep what decides", ("variant", "nights"), rows)
    return section(f"What decides: {text(clean(label))}", picture + said, "picture")


@dataclass(frozen=True, slots=True)
class _Limit:
    """What is asked of one figure, of every variant alike."""

    measure: str
    asks: str
    at_least: float | None
    at_most: float | None

    def keeps(self, one: Reading) -> bool:
        """Say whether a reading is within the limit; what is only known to be more is not shown to be within."""
        if one.value is None:
            return False
        low = self.at_least is None or one.value >= self.at_least
        return low and (self.at_most is None or (one.value <= self.at_most and not one.more_than))

    def bounds(self) -> list[float]:
        """Give the bounds that there are."""
        return [one for one in (self.at_least, self.at_most) if one is not None]


def _limit(of: Comparison, shares: Sequence[Share]) -> _Limit | None:
    """Give the limit of a requirement; None where its figure was not read, or not the same is asked of all variants."""
    asked = {(one.measure, one.at_least, one.at_most) for one in shares}
    if len(asked) != 1 or len(shares) != len(of.variants):
        return None
    measure, at_least, at_most = asked.pop()
    read = any(measure in night.readings for night in of.played)
    return _Limit(measure, shares[0].asks, at_least, at_most) if measure and read else None


@dataclass(frozen=True, slots=True)
class _Mark:
    x: Reading
    y: Reading
    inside: bool


def _two(of: Comparison, across: _Limit, up: _Limit) -> str:
    marks: dict[str, list[_Mark]] = {variant: [] for variant in of.variants}
    for night in of.played:
        x, y = night.readings.get(across.measure), night.readings.get(up.measure)
        if not night.failure and x is not None and y is not None and x.value is not None and y.value is not None:
            marks[night.variant].append(_Mark(x, y, across.keeps(x) and up.keeps(y)))
    along, upward = label_of(across.measure), label_of(up.measure)
    title = f"{along[:1].upper()}{along[1:]} against {upward}, one mark for each night"
    picture = both_widths(lambda narrow: _scatter(title, marks, across, up, NARROW if narrow else BROAD))
    units = [wanted(one.measure).unit for one in (across, up)]
    rows = [
        [
            name(variant),
            f"{sum(one.inside for one in found)} of {len(found)}",
            text(_span([one.x for one in found], units[0])),
            text(_span([one.y for one in found], units[1])),
        ]
        for variant, found in marks.items()
    ]
    head = ("variant", "nights inside both", text(clean(along)), text(clean(upward)))
    said = (
        f"<p>Shaded: both are kept ({text(clean(across.asks))}; {text(clean(up.asks))}). "
        f"A circle is a night inside, a cross a night outside.{_cut(marks)}</p>"
    )
    return section(text(clean(title)), picture + said + folded_table("The same in figures", head, rows), "picture")


def _cut(marks: dict[str, list[_Mark]]) -> str:
    more = any(one.x.more_than or one.y.more_than for found in marks.values() for one in found)
    left = any(len(found) > _MOST_MARKS for found in marks.values())
    return (
        " Where something was unfinished, the mark stands at what was seen; the figure is more." if more else ""
    ) + (f" The first {_MOST_MARKS} nights of each variant are drawn; the table has all." if left else "")


def _span(readings: Sequence[Reading], unit: str) -> str:
    """Write from where to where a figure lies over the nights."""
    found = sorted(one.value for one in readings if one.value is not None)
    if not found:
        return "none"
    low, high = value(found[0], unit), value(found[-1], unit)
    more = "more than " if any(one.more_than for one in readings) else ""
    return f"{more}{low}" if low == high else f"{low} to {more}{high}"


class _Axis:
    """Maps a figure to places: evenly up to the limit, and by powers beyond it where something lies far beyond."""

    def __init__(self, amounts: Sequence[float], limit: _Limit, start: float, end: float, unit: str) -> None:
        every = [*amounts, *limit.bounds()]
        most, bound = max(every), max(limit.bounds())
        self._bend = bound if bound > 0 else min((one for one in every if one > 0), default=1.0)
        self._far = most > _FAR * self._bend
        low = 0.0 if self._far or min(every) < (most - min(every)) * 2 else min(every)
        margin = (self._bent(most) - self._bent(low)) * 0.06 or 1.0
        self._low, self._high = self._bent(low) - (margin if low else margin / 2), self._bent(most) + margin
        self._start, self._per, self._unit = start, (end - start) / (self._high - self._low), unit
        self._span = low, most

    def _bent(self, amount: float) -> float:
        return math.log1p(max(0.0, amount) / self._bend) if self._far else amount

    def at(self, amount: float) -> float:
        """Give the place of an amount."""
        return self._start + (self._bent(amount) - self._low) * self._per

    def ticks(self, apart: float) -> list[float]:
        """Give round amounts whose places lie at least so far apart."""
        low, most = self._span
        if self._unit == "time":
            wanted_ones = [0.0, *map(float, _TIMES)]
        else:
            powers = range(-3, 10) if self._unit != "count" else range(10)
            wanted_ones = [0.0, *(count * 10.0**power for power in powers for count in (1, 2, 5))]
        if not self._far:
            step = next((one for one in wanted_ones[1:] if abs(one * self._per) >= apart), most or 1.0)
            first = math.ceil(low / step - 1e-9)
            return [place * step for place in range(first, math.floor(most / step + 1e-9) + 1)]
        found: list[float] = []
        for one in wanted_ones:
            if one <= most and (not found or abs(self.at(one) - self.at(found[-1])) >= apart):
                found.append(one)
        return found

    def say(self, amount: float) -> str:
        """Write an amount beside its tick."""
        if self._unit == "time":
            return duration(amount)
        return value(round(amount, 9), "share") if self._unit == "share" else number(float(f"{amount:.9g}"))


def _scatter(title: str, marks: dict[str, list[_Mark]], across: _Limit, up: _Limit, layout: Layout) -> str:
    left, right, top, bottom = (*((64, 350) if layout.narrow else (96, 760)), 76, 420)
    every = [one for found in marks.values() for one in found]
    units = [wanted(one.measure).unit for one in (across, up)]
    xs = _Axis([one.x.value or 0 for one in every], across, left, right, units[0])
    ys = _Axis([one.y.value or 0 for one in every], up, bottom, top, units[1])
    about = " ".join(
        f"{called(variant)}: {sum(one.inside for one in found)} of {len(found)} nights inside both."
        for variant, found in marks.items()
    )
    svg = Svg(layout.width, 480, title, about)
    x1, x2 = _range(across, xs.at, left, right)
    y2, y1 = _range(up, ys.at, bottom, top)
    svg.area(x1, y1, x2 - x1, y2 - y1, role="good")
    for tick in xs.ticks(62 if layout.narrow else 70):
        svg.line(xs.at(tick), top, xs.at(tick), bottom, role="faint", width=0.3)
        svg.text(xs.at(tick), bottom + 17, xs.say(tick), anchor="middle", role="faint", size=11)
    for tick in ys.ticks(26):
        svg.line(left, ys.at(tick), right, ys.at(tick), role="faint", width=0.3)
        svg.text(left - 8, ys.at(tick) + 4, ys.say(tick), anchor="end", role="faint", size=11)
    svg.line(left, bottom, right, bottom, role="faint")
    svg.line(left, top, left, bottom, role="faint")
    _limits(svg, across, up, xs, ys, (left, right, top, bottom), layout)
    taken: list[tuple[float, float, float, float]] = []
    for found in marks.values():
        for one in found[:_MOST_MARKS]:
            x, y = xs.at(one.x.value or 0), ys.at(one.y.value or 0)
            svg.mark(x, y, "ring" if one.inside else "cross", role="good" if one.inside else "bad", size=4)
            taken.append((x - 5, y - 5, x + 5, y + 5))
    for variant, found in marks.items():
        if found:
            _name(svg, variant, [(xs.at(one.x.value or 0), ys.at(one.y.value or 0)) for one in found], taken, layout)
    return svg.write(styled=False)


def _range(limit: _Limit, at: Callable[[float], float], start: float, end: float) -> tuple[float, float]:
    """Give the places between which a limit is kept, in the order of the axis."""
    return (
        start if limit.at_least is None else at(limit.at_least),
        end if limit.at_most is None else at(limit.at_most),
    )


def _limits(
    svg: Svg,
    across: _Limit,
    up: _Limit,
    xs: _Axis,
    ys: _Axis,
    frame: tuple[float, float, float, float],
    layout: Layout,
) -> None:
    """Draw the limits as broken lines, each with its words."""
    left, right, top, bottom = frame
    room = 50 if layout.narrow else 100
    for amount in across.bounds():
        svg.line(xs.at(amount), top, xs.at(amount), bottom, dashes="6 4", width=1.4)
    for amount in up.bounds():
        svg.line(left, ys.at(amount), right, ys.at(amount), dashes="6 4", width=1.4)
    svg.text(16, 24, fit(f"up: {up.asks}", room), size=12)
    svg.text(16, 42, fit(f"across: {across.asks}", room), size=12)
    svg.text(16, 60, "broken lines: the limits; shaded: both are kept", role="faint", size=11)
    svg.text((left + right) / 2, bottom + 40, fit(label_of(across.measure), room), anchor="middle", size=12)


def _name(
    svg: Svg,
    variant: str,
    places: Sequence[tuple[float, float]],
    taken: list[tuple[float, float, float, float]],
    layout: Layout,
) -> None:
    """Write the name of a variant beside its nights, at the nearest free height."""
    words = fit(variant, 18 if layout.narrow else 34)
    rightmost, leftmost = max(x for x, _ in places), min(x for x, _ in places)
    y = sorted(y for _, y in places)[len(places) // 2]
    turned = rightmost + 10 + wide(words) > layout.width - 8
    start = leftmost - 10 - wide(words) if turned else rightmost + 10
    height = free(max(4.0, start), y + 4, wide(words), taken)
    if abs(height - y - 4) > 8:
        svg.line(leftmost if turned else rightmost, y, start + (wide(words) if turned else 0), height - 4, role="faint")
    svg.text(max(4.0, start), height, words, bold=True, size=11)
