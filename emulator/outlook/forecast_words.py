"""How is a forecast told? In one sentence what breaks first, and when; then the words that screen and page share."""

from datetime import date
from typing import Final

from emulator.measure.words import number, value
from emulator.outlook.closed_forms import ClosedForm
from emulator.outlook.forecast_result import Answer, Counted, EndTried, Forecast, Grows, Headroom, Reached

__all__ = [
    "FITTED",
    "MARKS",
    "broken_by_ends",
    "counted",
    "ends_words",
    "form_words",
    "from_when",
    "growth_words",
    "headline",
    "interval_words",
    "others_words",
    "percent",
    "reached_words",
    "room_words",
    "simulated_words",
    "times",
    "what_was_played",
]

MARKS: Final = {"met": "o", "unclear": "~", "below": "x", "none": ""}
"""The shapes of a calendar on a screen."""

FITTED: Final = (
    "Each night has a seed of its own. The share of nights that meet a requirement is fitted smoothly over the growth, "
    "by penalised splines (Eilers and Marx 1996, from memory), and not taken to fall all the time. Each interval holds "
    "for itself, by the likelihood ratio. A dated end is tried alone: all others count as renewed in time."
)


def percent(share: float) -> str:
    """Write a growth: 3 %.

    >>> percent(0.03), percent(-0.015)
    ('3 %', '-1.5 %')
    """
    return f"{100 * share:.6g} %"


def times(factor: float) -> str:
    """Write how many times as much something is: 1.26 times."""
    return f"{factor:.2f} times"


def growth_words(one: Grows) -> str:
    """Say what grows: arrivals.nightly.count by 3 % each month (2 % to 4 %), measured, 2026-05-01."""
    between = "" if one.between is None else f" ({percent(one.between[0])} to {percent(one.between[1])})"
    source = f", {one.source}" if one.source else ", without a source"
    return f"{one.path} grows by {percent(one.by)} each {one.each}{between}{source}"


def what_was_played(of: Forecast) -> str:
    """Say how much was played: 2,000 nights (seeds 1 to 2,000)."""
    last = of.first_seed + of.nights - 1
    return f"{of.nights:,} nights were played (seeds {of.first_seed} to {last})"


def headline(of: Forecast) -> str:
    """Say in one sentence what breaks first, and when."""
    events: list[tuple[date, int, str]] = []
    for one in of.answers:
        if one.outlook == "below_already":
            return f"Already today, on {one.kind}: {one.label}: met in {_share(one.today)} of nights."
        if one.outlook == "falls_below" and one.first is not None:
            said = f"{one.label} is met in too few nights, on {one.kind}"
            events.append((one.first, 1, f"From {one.first} on, {said} ({interval_words(of, one)})."))
    for end in of.ends_tried:
        if end.breaks_on is not None:
            begins = f"In the night of {end.breaks_on}" if end.passes else f"From {end.breaks_on} on, if not renewed"
            events.append((end.breaks_on, 0, f"{begins}: {end.what}; {end.missed[0][0]} is met in too few nights."))
    if events:
        return min(events)[2]
    if of.outlook == "open":
        first = next((one for one in of.answers if one.outlook == "unclear"), None)
        if first is None:
            return "Open: no night had anything to judge."
        which = f"{first.label}, on {first.kind},"
        if first.first is None:
            return f"Open: too few nights to tell whether {which} is met in enough nights until {of.ends}."
        return f"Open: {which} may be met in too few nights from {first.first} on."
    return f"Every requirement is met in enough nights until {of.ends}."


def _share(share: float | None) -> str:
    return "none" if share is None else value(round(share, 3), "share")


def from_when(of: Forecast, one: Answer) -> str:
    """Say from when on a requirement is met in too few nights."""
    if one.outlook == "nothing_to_judge":
        return "nothing to judge"
    if one.outlook == "below_already":
        return "already today"
    if one.outlook == "falls_below" and one.first is not None:
        return f"{one.first}"
    if one.outlook == "stays":
        return f"not before {of.ends}"
    return f"perhaps {one.first}" if one.first is not None else f"perhaps after {one.low}"


def interval_words(of: Forecast, one: Answer) -> str:
    """Write the interval of a date: 95 %: 2027-01-18 to 2027-02-16."""
    if one.low is None:
        return "-"
    sure = value(of.confidence, "share")
    return f"{sure}: {one.low} to {one.high}" if one.high is not None else f"{sure}: {one.low} or later"


def others_words(of: Forecast, one: Answer) -> str:
    """Say when it would be under slower and faster growth, and how much has grown by then; "" where nothing does."""
    parts = [f"then {path} is {times(factor)} as much" for path, factor in one.factors.items()]
    if one.outlook not in ("below_already", "stays", "nothing_to_judge"):
        for other in one.others:
            when = f"on {other.first}" if other.first is not None else f"not before {of.ends}"
            parts.append(f"at {percent(other.by)} it would be {when}")
    return "; ".join(parts)


def reached_words(one: Reached, end: bool) -> str:
    """Say what a figure is in the middle night, today and then; ``end``: at the end of the time ahead."""
    if one.today is None or one.then is None:
        return f"{one.label}: none"
    more = "more than " if one.more_than else ""
    then = "at the end" if end else "then"
    return f"{one.label}: {value(one.today, one.unit)} today, {more}{value(one.then, one.unit)} {then}"


def counted(before: Counted | None, after: Counted | None) -> str:
    """Say what was counted next to a date."""
    parts = []
    for one, where in ((before, "before it"), (after, "from it on")):
        if one is not None:
            of = f"of {one.judged} nights nearest {where} ({one.first} to {one.last})"
            parts.append(f"{of} {one.held} met it")
    return "; ".join(parts)


def ends_words(one: EndTried) -> str:
    """Say what a dated end breaks."""
    if not one.nights:
        return "touches no night"
    if one.breaks_on is None:
        return "breaks nothing"
    words = ", ".join(f"{label}: met in {held} of {judged} nights" for label, held, judged in one.missed)
    return f"from {one.breaks_on}: {words}"


def broken_by_ends(of: Forecast) -> dict[str, list[str]]:
    """Tell for each month what ends or is planned and breaks a requirement then; no month where nothing does."""
    found: dict[str, list[str]] = {}
    for month in dict.fromkeys(cell.month for cell in of.calendar):
        for one in of.ends_tried:
            if one.breaks_on is None or month < f"{one.breaks_on:%Y-%m}":
                continue
            if not one.passes or month <= f"{max(one.nights):%Y-%m}":
                found.setdefault(month, []).append(one.what)
    return found


def room_words(of: Forecast, one: Headroom) -> tuple[str, str]:
    """Say how many times as many jobs an entry could bring, and with which interval."""
    if one.first is None:
        return f"more than {times(one.low or one.tried_up_to)}", "-"
    sure = value(of.confidence, "share")
    high = f"{one.high:.2f}" if one.high is not None else f"more than {one.tried_up_to:g}"
    return times(one.first), f"{sure}: {one.low or 1:.2f} to {high}"


def form_words(one: ClosedForm) -> str:
    """Write what a formula gives, or why it is refused."""
    if one.value is None:
        return f"refused: {one.refused}"
    least = "at least " if one.bound else ""
    return least + value(one.value, one.unit)


def simulated_words(one: ClosedForm) -> str:
    """Write the mean of the nights that were played, and whether the two agree."""
    if one.simulated is None or one.value is None:
        return "-"
    agrees = "" if one.agrees is None else ", agrees" if one.agrees else ", differs"
    apart = "" if one.bound or not one.simulated else f", {_apart(one.value / one.simulated - 1)}"
    return f"{value(one.simulated, one.unit)}{apart}{agrees}"


def _apart(share: float) -> str:
    return f"{number(abs(round(100 * share, 1)))} % {'more' if share > 0 else 'less'} by formula"
