"""What do the screen, the page and the files of a table of thresholds all say? Its sentences, each once."""

import shlex
from collections.abc import Iterator
from typing import Final

from emulator.measure.signals import Signal
from emulator.measure.words import duration, value
from emulator.outlook.calibration import fewest_sure
from emulator.outlook.found import CauseFound, Part, SignalFound
from emulator.outlook.helping import Help
from emulator.outlook.thresholds import Thresholds, TooFewNights
from emulator.show.comparison.words import between
from emulator.show.fault_words import listed

__all__ = [
    "LEADS",
    "LEFT",
    "MISS",
    "again",
    "answer_words",
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
