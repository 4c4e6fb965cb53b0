"""One signal as a picture: the band of quiet nights, the threshold of each hour, and up to three bad nights."""

from collections.abc import Mapping, Sequence
from typing import Final

from emulator.measure.signals import STEP, WatchedNight
from emulator.outlook.found import cause_of
from emulator.outlook.shape import Hour, Shape, quantile
from emulator.outlook.threshold_words import is_within_reach, threshold_words
from emulator.outlook.thresholds import Thresholds
from emulator.show.html import clean
from emulator.show.layout import columns, fit
from emulator.show.svg import SHAPES, Scale, Svg

__all__ = ["bad_nights", "picture"]

_BAND: Final = (0.01, 0.5, 0.99)
_MOST: Final = 3
_DASHES: Final = ("7 3", "2 3", "9 3 2 3")
_LETTER: Final = 6.4


def bad_nights(of: Thresholds) -> list[WatchedNight]:
    """Give three bad nights of the report: one of each cause, the most frequent first, then those that come first."""
    bad = [night for night in of.sets.report if night.missed_at is not None]
    causes = {one.cause: place for place, one in enumerate(of.found.causes)}
    seen: dict[str, int] = {}
    order = []
    for night in bad:
        cause = cause_of(night, of.fault_names)[0]
        seen[cause] = seen.get(cause, -1) + 1
        order.append(((seen[cause], causes[cause]), night))
    return [night for _, night in sorted(order, key=lambda one: one[0])][:_MOST]


def picture(of: Thresholds, shape: Shape, nights: Sequence[WatchedNight], narrow: bool) -> str:
    """Draw one signal; ``narrow``: for the width of a phone."""
    signal, table = shape.signal, of.table
    width, left, right = (380, 62, 366) if narrow else (760, 74, 744)
    top, bottom = 12, 182
    rows = 2 + len(nights)
    svg = Svg(width, bottom + 34 + 18 * rows, f"{signal.label}, over the night", _about(of, shape))
    quiet = [night.samples[shape.place] for night in of.sets.calibration]
    thresholds = table.thresholds[signal]
    columns_ = [sorted(values[at] for values in quiet) for at in range(len(quiet[0]))]
    low, middle, high = ([quantile(column, share) for column in columns_] for share in _BAND)
    seen = [threshold for place, threshold in enumerate(thresholds) if is_within_reach(of, signal, place)]
    most = max(
        max(high), max(seen, default=0.0), max((max(night.samples[shape.place]) for night in nights), default=0.0)
    )
    ends = table.hours[-1].ends
    xs, ys = Scale(0, ends, left, right, "time"), Scale(0, most * 1.04, bottom, top, signal.unit, 5)
    for tick in ys.ticks:
        svg.line(left, ys.at(tick), right, ys.at(tick), role="faint", width=0.3)
        svg.text(left - 6, ys.at(tick) + 4, ys.say(tick), anchor="end", role="faint", size=11)
    _clock(svg, table.hours, xs, (left, right, bottom, top))
    times = [xs.at((at + 1) * STEP) for at in range(len(quiet[0]))]

    def line(values: Sequence[float]) -> list[tuple[float, float]]:
        return [(x, ys.at(one)) for x, one in zip(times, values, strict=True)]

    svg.band(line(low), line(high), role="plain")
    svg.steps(line(middle), role="plain")
    for place, night in enumerate(nights):
        svg.steps(line(night.samples[shape.place]), role=f"series{place + 2}", dashes=_DASHES[place])
        at = table.alarms(night, cause_of(night, of.fault_names)[1]).get(signal)
        if at is not None:
            svg.mark(
                xs.at(at), ys.at(night.samples[shape.place][at // STEP - 1]), SHAPES[place], role=f"series{place + 2}"
            )
        assert night.missed_at is not None
        x = xs.at(night.missed_at)
        svg.line(x, bottom, x, bottom - 12, role=f"series{place + 2}", width=3)
    steps = [
        (xs.at(at), ys.at(threshold))
        for hour, threshold in zip(table.hours, thresholds, strict=True)
        for at in (hour.begins, hour.ends)
    ]
    svg.steps(steps, role="bad")
    _legend(svg, of, nights, left if not narrow else 8, bottom + 40, width)
    return svg.write(styled=False)


def _about(of: Thresholds, shape: Shape) -> str:
    signal = shape.signal
    said = [f"from {hour.clock} {threshold_words(of, signal, place)}" for place, hour in enumerate(of.table.hours)]
    return f"Thresholds of {signal.label}: {', '.join(said)}."


def _clock(svg: Svg, hours: Sequence[Hour], xs: Scale, frame: tuple[float, float, float, float]) -> None:
    """Draw the axis of the clock; labels that would touch are left out."""
    left, right, bottom, top = frame
    svg.line(left, bottom, right, bottom, role="faint")
    free = left - 20.0
    for hour in hours:
        x = xs.at(hour.begins)
        svg.line(x, top, x, bottom + 4, role="faint", width=0.3)
        wide = columns(hour.clock) * _LETTER
        if x - wide / 2 > free and x + wide / 2 < right + 8:
            svg.text(x, bottom + 17, hour.clock, anchor="middle", role="faint", size=11)
            free = x + wide / 2 + 6


def _legend(svg: Svg, of: Thresholds, nights: Sequence[WatchedNight], x: float, y: float, width: float) -> None:
    room = int((width - x - 50) / _LETTER)
    svg.steps([(x, y - 4), (x + 36, y - 4)], role="bad")
    svg.text(x + 44, y, fit("threshold: an alarm at or above it", room), size=12)
    y += 18
    svg.band([(x, y + 1), (x + 36, y + 1)], [(x, y - 9), (x + 36, y - 9)], role="plain")
    svg.steps([(x, y - 4), (x + 36, y - 4)], role="plain")
    svg.text(x + 44, y, fit("98 of 100 quiet nights, and their median", room), size=12)
    for place, night in enumerate(nights):
        y += 18
        role = f"series{place + 2}"
        svg.steps([(x, y - 4), (x + 36, y - 4)], role=role, dashes=_DASHES[place])
        svg.mark(x + 18, y - 4, SHAPES[place], role=role, size=4.5)
        svg.text(x + 44, y, fit(_called(night, of.fault_names), room), size=12)


def _called(night: WatchedNight, names: Mapping[str, str]) -> str:
    return f"seed {night.seed}: {clean(cause_of(night, names)[0])}"
