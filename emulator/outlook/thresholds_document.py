"""A table of thresholds as one HTML page to print, with a picture of each signal.

The law: the file has no script at all; what it shows works wherever it is opened, and prints. Beside each picture
stands a table that says the same. The same nights give the same bytes.
"""

from collections.abc import Mapping, Sequence
from typing import Final

from emulator.measure.signals import STEP, WatchedNight
from emulator.measure.words import value
from emulator.outlook.found import cause_of
from emulator.outlook.table import Hour, Shape, fewest, fewest_sure, quantile
from emulator.outlook.threshold_words import (
    LEADS,
    MISS,
    again,
    answer_words,
    causes_head,
    causes_row,
    found_rows,
    growth_words,
    help_words,
    is_within_reach,
    nights_words,
    notes,
    part_words,
    promise,
    signal_words,
    threshold_words,
)
from emulator.outlook.thresholds import Thresholds
from emulator.show.html import clean, file, name, section, table, text
from emulator.show.layout import columns, fit
from emulator.show.meta import SMALL_PRINT
from emulator.show.settings import head_block, settings_block
from emulator.show.svg import SHAPES, Scale, Svg, both_widths

__all__ = [
    "bad_nights",
    "picture",
    "thresholds_document",
]


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


def thresholds_document(of: Thresholds) -> str:
    """Write the page of a table of thresholds.

    Returns:
        The text of an HTML file, to be written as UTF-8.
    """
    last = of.first_seed + of.nights - 1
    parts = [
        '<a class="skip" href="#table">To the table</a>',
        f"<header><p>{text(clean(of.title))}</p><h1 class='verdict long'>{text(promise(of))}</h1>",
        f"<p class='sure'>{text(answer_words(of))}</p>",
        f"<p>{text(nights_words(of))}</p>",
        f"{head_block(of.assumed, f'seeds {of.first_seed} to {last}', of.versions, again(of))}</header><main>",
        section("When to worry", _table(of), "table"),
        section("What it finds", _found(of), "found"),
        section("More work", f"<p>{text(growth_words(of))}</p>{_grown(of)}" if of.growth else "", "more-work"),
        section("What would help", _helps(of), "help"),
        section("Quiet nights, the thresholds, and bad nights", _pictures(of), "pictures"),
        settings_block(of.assumed),
        section("How it was made", _method(of), "method"),
        f"<p><small>{SMALL_PRINT}</small></p></main>",
    ]
    return file(of.title, "\n".join(part for part in parts if part))


def _table(of: Thresholds) -> str:
    head = ("from", *(text(clean(signal.label)) for signal in of.table.signals))
    rows = [
        [hour.clock, *(threshold_words(of, signal, place) for signal in of.table.signals)]
        for place, hour in enumerate(of.table.hours)
    ]
    said = "".join(f"<p>{text(note)}</p>" for note in notes(of))
    return (
        "<p>Look every five minutes. It is an alarm when a signal reaches its value of the hour, or is above it.</p>"
        f"{table('Alarm at this value or above', head, rows)}{said}"
    )


def _found(of: Thresholds) -> str:
    rows: Sequence[Sequence[str]] = found_rows(of)
    parts = [table("Nights that had no part in the table", ("nights", "how many", "95 % interval"), rows)]
    if of.found.causes:
        its = [[name(row[0]), *row[1:]] for row in map(causes_row, of.found.causes)]
        parts.append(table("Bad nights, by the fault that struck first", causes_head(), its))
        parts.append(
            f"<p>{MISS} {LEADS} The lead is the time from the alarm to the miss; the last column is the lead of half "
            "the nights as a share of the time from the fault to the miss.</p>"
        )
    signals = [[text(clean(one.signal.label)), signal_words(one, of.found.bad.of)] for one in of.found.signals]
    parts.append(table("What each signal adds", ("signal", "in the same nights"), signals))
    return "".join(parts)


def _grown(of: Thresholds) -> str:
    if of.growth is None or not of.growth.tried:
        return ""
    rows = [
        [f"+{value(one.more, 'share')}", *part_words(one.alarms), "holds" if one.holds else "does not hold"]
        for one in of.growth.tried
    ]
    return table("Quiet nights with more work", ("work", "with an alarm", "95 % interval", "the table"), rows)


def _helps(of: Thresholds) -> str:
    parts = []
    for one in of.helps:
        parts.append(f"<h3>{text(clean(one.ask))}</h3><p>It {text(help_words(one))}.</p>")
        if one.moved:
            rows = [[moved.clock, f"{moved.saved} of {one.of}"] for moved in one.moved]
            parts.append(table("The same action at another time", ("at", "bad nights saved"), rows))
    return "".join(parts)


def _pictures(of: Thresholds) -> str:
    nights = bad_nights(of)
    parts = []
    for shape in of.table.shapes:
        drawn = both_widths(lambda narrow, shape=shape: picture(of, shape, nights, narrow))  # type: ignore[misc]  # bound now
        parts.append(f"<h3>{text(clean(shape.signal.label))}</h3>{drawn}")
    told = " A mark stands at the first alarm of this signal, a short upright line at the miss." if nights else ""
    return f"<p>The table above has the thresholds in numbers.{told}</p>{''.join(parts)}"


def _method(of: Thresholds) -> str:
    share = of.table.share
    limit = of.table.limit
    one_in = value(float(share), "share")
    return (
        "<p>Each signal is sampled every five minutes and standardised by its smoothed mean and deviation at that time "
        "of quiet nights, in which no fault struck. The highest excess of a night is put on the scale of those of "
        "quiet nights. The score of a night is its highest excess over all signals and times.</p>"
        f"<p>The limit is the score of rank {limit.rank:,} of {limit.nights:,} quiet nights that had no part in the "
        f"shape (split conformal prediction; Vovk, Gammerman and Shafer, 2005). For {one_in} it takes "
        f"{fewest(share):,} nights on average, and {fewest_sure(share):,} with 95 % confidence. One limit "
        "stands for all signals, queues and times together. Thresholds are rounded up to whole jobs, minutes or "
        "tenths.</p>"
        "<p>The promise is about the scenario: quiet nights of production alarm as rarely only as far as they are like "
        "it.</p>"
    )
