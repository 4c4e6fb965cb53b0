"""In what share of nights does each value of one number keep what decides? A picture with that number along its axis.

It is drawn where the variants of a comparison differ in one number, or in one duration, alone.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from emulator.measure.comparison.result import Comparison, Share
from emulator.scenario.durations import parse_duration
from emulator.show.comparison.nights import WORDS
from emulator.show.comparison.pictures import HELD, Layout, free, wide
from emulator.show.layout import fit
from emulator.show.svg import Scale, Svg

__all__ = ["Numbers", "by_value", "one_number"]

_FAR: Final = 20
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
    if amounts[0] > 0 and amounts[-1] / amounts[0] > _FAR:
        amounts = [math.log10(one) for one in amounts]
    span = amounts[-1] - amounts[0]
    return [start + (end - start) * (one - amounts[0]) / span if span else (start + end) / 2 for one in amounts]
