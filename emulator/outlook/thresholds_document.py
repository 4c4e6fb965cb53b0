"""A table of thresholds as one HTML page: to be printed, and to hang beside the desk of whoever is on call.

The law: the file has no script at all; what it shows works wherever it is opened, and prints. Beside each picture
stands a table that says the same. The same nights give the same bytes.
"""

from collections.abc import Sequence

from emulator.measure.words import value
from emulator.outlook.calibration import fewest, fewest_sure
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
    nights_words,
    notes,
    part_words,
    promise,
    signal_words,
    threshold_words,
)
from emulator.outlook.thresholds import Thresholds
from emulator.outlook.thresholds_picture import bad_nights, picture
from emulator.show.cumulative import both_widths
from emulator.show.html import clean, file, name, section, table, text
from emulator.show.meta import SMALL_PRINT
from emulator.show.settings import head_block, settings_block

__all__ = ["thresholds_document"]


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
