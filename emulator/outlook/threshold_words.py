"""The words of a table of thresholds, its screen, and its files for other programs.

Times are in seconds in the rows, and in whole microseconds in the plain data, as everywhere.
"""

import csv
import io
import shlex
from collections.abc import Iterator
from typing import Any, Final

from emulator.measure.signals import STEP, Signal
from emulator.measure.words import duration, value
from emulator.outlook.found import CauseFound, Help, Part, SignalFound
from emulator.outlook.table import MOST_SIGNALS, Hour, fewest_sure
from emulator.outlook.thresholds import Thresholds, TooFewNights
from emulator.show.comparison.exports import plain_data
from emulator.show.comparison.words import between
from emulator.show.exports.recorded import cell
from emulator.show.layout import WIDTH, Page
from emulator.show.meta import ONE_LINE, SMALL_PRINT
from emulator.show.words import listed
from emulator.timeline.ticks import SECOND

__all__ = [
    "LEADS",
    "LEFT",
    "MISS",
    "again",
    "answer_words",
    "as_csv",
    "as_json",
    "causes_head",
    "causes_row",
    "found_rows",
    "growth_words",
    "help_words",
    "is_within_reach",
    "letters",
    "nights_words",
    "notes",
    "part_words",
    "promise",
    "signal_words",
    "threshold_words",
    "thresholds_page",
    "too_few_json",
    "too_few_words",
    "verdict",
]


MISS: Final = (
    "The miss is the moment from which on a requirement can no longer be met. In time: at or after the first fault, "
    "and before the miss."
)
LEFT: Final = "Left: the lead of half the nights, as a share of the time from the fault to the miss."
LEADS: Final = "A bad night that was not found in time counts with a lead of 0."


def promise(of: Thresholds) -> str:
    """Say what the table promises, and how surely."""
    share, limit = value(float(of.table.share), "share"), of.table.limit
    said = f"An alarm comes in at most {share} of quiet nights"
    if limit.sure:
        return f"{said} (95 % sure, from {limit.nights:,} quiet nights)."
    return f"{said}, on average only: {limit.nights:,} quiet nights gave the limit, and 95 % sure takes {_sure(of)}."


def _sure(of: Thresholds) -> str:
    return f"{fewest_sure(of.table.share):,}"


def answer_words(of: Thresholds) -> str:
    """Say how many bad nights are found in time."""
    found = of.found.in_time
    if not of.asked:
        return "The scenario states no requirement (must_hold), so no night can be called bad."
    if not found.of:
        return "None of the nights that were left for this report missed a requirement: what it finds is not known."
    each = "the one bad night" if found.of == 1 else f"{found.of:,} bad nights"
    return f"It comes in time in {found.count:,} of {each} ({value(found.count / found.of, 'share')})."


def verdict(of: Thresholds) -> str:
    """Say both in one line."""
    return f"{promise(of)} {answer_words(of)}"


def too_few_words(of: TooFewNights) -> str:
    """Say why there is no table, and how many nights to run."""
    return (
        f"Too few nights: {of.played:,} nights had {of.quiet:,} quiet ones, of which {of.calibration:,} would give the "
        f"limit; {value(float(of.share), 'share')} of false alarms takes at least {of.needed:,}. "
        f"Run with --nights {of.nights}."
    )


def nights_words(of: Thresholds) -> str:
    """Say which nights were played, and what for."""
    last, sets = of.first_seed + of.nights - 1, of.sets
    choice = f", {len(sets.choice):,} with a fault the choice of signals" if of.chosen else ""
    more = of.played - of.nights
    also = f" {more:,} more were played with more work or other answers." if more else ""
    return (
        f"{of.nights:,} nights (seeds {of.first_seed} to {last}): {len(sets.shape):,} quiet ones gave the shape, "
        f"{len(sets.calibration):,} quiet ones the limit{choice}, and {len(sets.report):,} are reported.{also}"
    )


def notes(of: Thresholds) -> Iterator[str]:
    """Say what a reader must know of this table."""
    if not of.varied:
        yield "Nothing varies between quiet nights: the table only tells what this one night looks like."
    if of.chosen:
        yield (
            f"{len(of.table.signals)} of {of.candidates} signals are watched: each one more would widen the limits of "
            "all. --signals names others."
        )


def is_within_reach(of: Thresholds, signal: Signal, place: int) -> bool:
    """Say whether the night is old enough in an hour, named by its place, for a time as long as its threshold."""
    return signal.unit != "time" or of.table.thresholds[signal][place] <= of.table.hours[place].ends


def threshold_words(of: Thresholds, signal: Signal, place: int) -> str:
    """Write the threshold of an hour, named by its place; "never" where nothing can reach it."""
    return signal.write(of.table.thresholds[signal][place]) if is_within_reach(of, signal, place) else "never"


def letters(of: Thresholds) -> list[tuple[str, Signal]]:
    """Give each signal a letter, by which a narrow table calls it."""
    return [(_letter(place), signal) for place, signal in enumerate(of.table.signals)]


def _letter(place: int) -> str:
    return chr(ord("A") + place) if place < 26 else f"A{place - 25}"


def part_words(part: Part) -> tuple[str, str]:
    """Write a part of nights, and the interval of its share."""
    if not part.of:
        return "no such night", "-"
    return f"{part.count:,} of {part.of:,}", between(part.interval, "share")


def found_rows(of: Thresholds) -> list[tuple[str, str, str]]:
    """Give the shares of nights with an alarm, each with its interval."""
    found = of.found
    rows = (
        ("quiet nights with an alarm (false)", found.quiet),
        ("nights that survived a fault, with an alarm", found.survived),
        ("bad nights with an alarm", found.bad),
        ("bad nights found in time", found.in_time),
    )
    return [(words, *part_words(part)) for words, part in rows]


def causes_head(*, short: bool = False) -> tuple[str, ...]:
    """Give the heads of the table by cause; ``short``: for a terminal."""
    if short:
        return ("first fault", "bad", "in time", "lead: half", "9 of 10", "left")
    return ("first fault", "bad nights", "in time", "lead of half", "lead of 9 of 10", "of the time left")


def causes_row(of: CauseFound) -> tuple[str, ...]:
    """Write a row of it."""
    left = "-" if of.left_median is None else value(of.left_median, "share")
    return (of.cause, f"{of.bad:,}", f"{of.found:,}", duration(of.lead_median), duration(of.lead_p10), left)


def signal_words(one: SignalFound, bad: int) -> str:
    """Say what a signal does."""
    quiet = f"; {one.quiet:,} false alarm{'' if one.quiet == 1 else 's'}" if one.quiet else ""
    if not bad:
        return f"not known{quiet}"
    if one.is_useless:
        return f"useless: it finds nothing{quiet}"
    return f"finds {one.found:,} of {bad:,}, first in {one.first:,}{quiet}"


def growth_words(of: Thresholds) -> str:
    """Say up to how much more work the table holds; "" where it was not tried."""
    growth = of.growth
    if growth is None:
        return ""
    fixed = f" Not raised: {listed(growth.fixed)}." if growth.fixed else ""
    if not growth.grows:
        return f"Whether the table holds with more work was not tried: no entry has a count or a rate to raise.{fixed}"
    last = growth.tried[-1]
    seen = f"{last.alarms.count:,} of {last.alarms.of:,} quiet nights alarm"
    if last.holds:
        return f"The table holds up to {_more(growth.up_to)} work, the most that was tried ({seen}).{fixed}"
    holds = f"holds up to {_more(growth.up_to)} work" if growth.up_to else "does not hold with any more work"
    return f"The table {holds}: with {_more(last.more)}, {seen}. Make a new one before that.{fixed}"


def _more(share: float) -> str:
    return f"+{value(share, 'share')}"


def help_words(one: Help) -> str:
    """Say what a question would save, and until when."""
    saved = f"saves {one.saved:,} of {one.of:,} bad nights"
    if not one.moved:
        return f"{saved}, if it is so from the start of the night"
    until = one.until
    if until is None:
        return f"{saved}; at no full hour does it save any"
    return f"{saved} as asked; helps until {until.clock} ({until.saved:,} of {one.of:,})"


def again(of: Thresholds) -> str:
    """Give the command that makes the table again."""
    changes = "".join(f" {change}" for change in of.changes)
    named = "" if of.named is None else "".join(f" --signals {shlex.quote(name)}" for name in of.named)
    share = f"{float(of.table.share * 100):g}%"
    nights = f" --false-alarms {share} --nights {of.nights} --seed {of.first_seed}"
    return f"queuedrill thresholds {shlex.quote(of.file)}{changes}{nights}{named}"


def thresholds_page(of: Thresholds, *, width: int = WIDTH) -> Page:
    """Write a table of thresholds; ``width``: how wide tables may be."""
    page, table = Page(width=width), of.table
    page.say(promise(of), "good" if table.limit.sure else "")
    page.say(answer_words(of))
    page.blank()
    page.say(f"{of.title.rstrip('.')}. {nights_words(of)}")
    for note in notes(of):
        page.say(note)
    named = letters(of)
    page.heading("Alarm when a signal reaches its value of the hour")
    for first in range(0, len(named), MOST_SIGNALS):
        some = named[first : first + MOST_SIGNALS]
        rows = [
            (hour.clock, *(threshold_words(of, signal, place) for _, signal in some))
            for place, hour in enumerate(table.hours)
        ]
        page.table([("from", *(letter for letter, _ in some)), *rows], right=range(1, len(some) + 1))
        page.blank()
    said = {one.signal: signal_words(one, of.found.bad.of) for one in of.found.signals}
    for letter, signal in named:
        page.item(letter, f"{signal.label}: {said[signal]}", at=5)
    page.heading("What it finds in nights that had no part in it")
    page.table([("", "nights", "95 % interval"), *found_rows(of)], right=[1])
    if of.found.causes:
        page.blank()
        head = causes_head(short=True)
        page.table([head, *map(causes_row, of.found.causes)], right=range(1, len(head)))
        page.say(f"{MISS} {LEFT}", "small", indent=2)
    if words := growth_words(of):
        page.heading("More work")
        page.say(words, indent=2)
    if of.helps:
        page.heading("What would help")
        for one in of.helps:
            page.say(f"{one.ask} It {help_words(one)}.", indent=2, hanging=4)
    page.more("-o PAGE.html", "--csv PATH", "--json", "--signals NAME")
    page.say(ONE_LINE, "small")
    return page


_DIRECTION = "at_or_above"
"""Which side of a threshold is the alarm; of every signal, high is bad."""


_HEAD = (
    *("signal", "queue", "unit", "alarm", "from", "until", "from_seconds", "until_seconds", "threshold"),
    "sampled_every_seconds",
)


def as_csv(of: Thresholds) -> str:
    """Give a row for each signal and hour."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(_HEAD)
    for signal in of.table.signals:
        for hour, threshold in zip(of.table.hours, of.table.thresholds[signal], strict=True):
            its = (_local(of, hour.begins), _local(of, hour.ends), hour.begins / SECOND, hour.ends / SECOND)
            amount = _amount(signal, threshold)
            writer.writerow((signal.kind, cell(signal.queue), _unit(signal), _DIRECTION, *its, amount, STEP / SECOND))
    return file.getvalue()


def _local(of: Thresholds, at: int) -> str:
    return of.clock.local(at).isoformat()


def _unit(signal: Signal) -> str:
    return "seconds" if signal.unit == "time" else signal.unit


def _amount(signal: Signal, threshold: float) -> float:
    return threshold / SECOND if signal.unit == "time" else threshold


def as_json(of: Thresholds) -> dict[str, Any]:
    """Give all of it as plain data for ``json.dumps``; the same nights give the same bytes."""
    table, found, sets = of.table, of.found, of.sets
    return {
        "verdict": verdict(of),
        "title": of.title,
        "command": again(of),
        "false_alarms_at_most": float(table.share),
        "sure": "95 %" if table.limit.sure else "on average",
        "nights": {
            "first_seed": of.first_seed,
            "as_written": of.nights,
            "played": of.played,
            "shape": len(sets.shape),
            "calibration": len(sets.calibration),
            "choice_of_signals": len(sets.choice),
            "report": len(sets.report),
        },
        "sampled_every": STEP,
        "hours": [_hour(of, hour) for hour in table.hours],
        "signals": [
            {
                "name": one.signal.name,
                "kind": one.signal.kind,
                "queue": one.signal.queue,
                "label": one.signal.label,
                "unit": one.signal.unit,
                "alarm": _DIRECTION,
                "thresholds": plain_data(table.thresholds[one.signal]),
                "found_in_time": one.found,
                "first_alarm": one.first,
                "false_alarms": one.quiet,
                "useless": one.is_useless and found.bad.of > 0,
            }
            for one in found.signals
        ],
        "found": {
            "quiet": _part(found.quiet),
            "survived": _part(found.survived),
            "bad": _part(found.bad),
            "in_time": _part(found.in_time),
            "causes": plain_data(found.causes),
        },
        "more_work": None
        if of.growth is None
        else {
            "up_to": plain_data(of.growth.up_to) if of.growth.grows else None,
            "tried": [
                {"more": plain_data(one.more), "holds": one.holds, **_part(one.alarms)} for one in of.growth.tried
            ],
            "not_raised": list(of.growth.fixed),
        },
        "helps": [
            {
                "ask": one.ask,
                "bad_nights": one.of,
                "saved": one.saved,
                "until": None if one.until is None else plain_data(one.until),
                "at_hours": plain_data(one.moved),
            }
            for one in of.helps
        ],
        "versions": dict(of.versions),
        "note": SMALL_PRINT,
    }


def _hour(of: Thresholds, hour: Hour) -> dict[str, Any]:
    return {"clock": hour.clock, "from": _local(of, hour.begins), "begins": hour.begins, "ends": hour.ends}


def _part(part: Part) -> dict[str, Any]:
    return {"alarms": part.count, "of": part.of, "interval": plain_data(part.interval)}


def too_few_json(of: TooFewNights) -> dict[str, Any]:
    """Say as plain data why there is no table."""
    return {
        "verdict": too_few_words(of),
        "false_alarms_at_most": float(of.share),
        "nights": {"played": of.played, "quiet": of.quiet, "calibration": of.calibration},
        "calibration_needed": of.needed,
        "run_nights": of.nights,
    }
