"""A forecast in words: on the screen, as one HTML page to read or print, and as files for other programs.

The law: the file has no script; beside the picture stands a table that says the same, and shapes have words. The
same forecast gives the same bytes.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

from emulator.measure.words import number, value
from emulator.outlook.closed_forms import ClosedForm
from emulator.outlook.forecast_result import Answer, Counted, EndTried, Forecast, Grows, Headroom, Reached
from emulator.show.exports.recorded import cell
from emulator.show.html import clean, file, folded, name, section, table, text
from emulator.show.layout import WIDTH, Page, Role, as_sentence, columns, fit
from emulator.show.meta import ONE_LINE, SMALL_PRINT
from emulator.show.svg import Svg, both_widths

__all__ = [
    "FITTED",
    "MARKS",
    "broken_by_ends",
    "counted",
    "ends_words",
    "forecast_csv",
    "forecast_document",
    "forecast_json",
    "forecast_screen",
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
    for month in dict.fromkeys(entry.month for entry in of.calendar):
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


_ROLES: Final[dict[str, Role]] = {"below_already": "bad", "falls_below": "bad", "stays": "good"}
_MOST: Final = 12
_TOLD: Final = 3


def forecast_screen(of: Forecast, *, everything: bool = False, width: int = WIDTH) -> Page:
    """Write a forecast.

    Args:
        of: the forecast.
        everything: every kind of night, month, effect and formula, not the first screen alone.
        width: how wide tables may be.
    """
    page = Page(width=width)
    page.say(headline(of), {"good": "good", "bad": "bad", "open": ""}[of.outlook])  # type: ignore[arg-type]  # roles
    page.blank()
    page.say(f"{as_sentence(of.title)} {of.months} months from {of.starts}; {what_was_played(of)}.")
    if not of.growth:
        page.say("Nothing is said to grow: only dates can change what is met.")
    for one in of.growth:
        page.say(f"{growth_words(one)}.")
    _when(page, of, everything)
    _why(page, of, everything)
    _ends(page, of)
    _calendar(page, of, everything)
    _headroom(page, of)
    _retained(page, of, everything)
    if everything:
        _formulas(page, of)
        page.blank()
        page.say(FITTED)
    page.more(*([] if everything else ["--all"]), "--page FILE", "--csv FILE", "--json")
    page.say(ONE_LINE, "small")
    return page


def _when(page: Page, of: Forecast, everything: bool) -> None:
    page.heading("From when on it is met in too few nights")
    for one in of.answers if everything else of.answers[:_MOST]:
        interval = interval_words(of, one)
        head = f"{one.label}, on {one.kind}: {from_when(of, one)}"
        page.say(head + (f" ({interval})" if interval != "-" else ""), _ROLES.get(one.outlook, ""), indent=2, hanging=4)
    if not everything and len(of.answers) > _MOST:
        page.say(f"and {len(of.answers) - _MOST} more: --all", indent=2)


def _why(page: Page, of: Forecast, everything: bool) -> None:
    told = [one for one in of.answers if one.outlook in ("below_already", "falls_below", "unclear")]
    for one in told if everything else told[:_TOLD]:
        page.heading(f"What breaks it: {one.label}, on {one.kind}")
        for figure in one.breaks:
            if figure.measure == "offered_load" and not figure.today:
                continue
            page.say(reached_words(figure, one.first is None) + ".", indent=2, hanging=4)
        for said in (others_words(of, one), counted(one.before, one.after)):
            if said:
                page.say(f"{said[:1].upper()}{said[1:]}.", indent=2, hanging=4)


def _ends(page: Page, of: Forecast) -> None:
    if of.ends_tried:
        page.heading("Dates ahead")
    for one in of.ends_tried:
        role: Role = "bad" if one.breaks_on is not None else ""
        page.say(f"{one.when:%Y-%m-%d %H:%M}, {one.what}: {ends_words(one)}.", role, indent=2, hanging=4)
    if of.once:
        page.say(f"On their own date alone: {'; '.join(of.once)}.")
    if of.shifted:
        page.say(_clocks_change(of.shifted))


def _clocks_change(nights: Sequence[date]) -> str:
    which, them = ("the night", "it") if len(nights) == 1 else ("the nights", "them")
    return f"The clocks change in {which} of {', '.join(map(str, nights))}; nothing in {them} depends on that."


def _calendar(page: Page, of: Forecast, everything: bool) -> None:
    kinds = list(dict.fromkeys(entry.kind for entry in of.calendar))
    months = list(dict.fromkeys(entry.month for entry in of.calendar))
    cells = {(entry.month, entry.kind): entry for entry in of.calendar}
    page.heading("Calendar")
    shown = kinds if everything else kinds[:4]
    rows = [["nights", *(month[5:] for month in months)]]
    rows += [[kind, *(MARKS[cells[month, kind].state] for month in months)] for kind in shown]
    broken = broken_by_ends(of)
    if broken:
        rows.append(["dated ends", *("!" if month in broken else "" for month in months)])
    page.table(rows)
    page.say("o: all met; ~: open; x: a requirement is met in too few nights; blank: no such night.", "small", indent=2)
    if broken:
        what = "!: what ends or is planned breaks a requirement (Dates ahead); the rows above leave it out."
        page.say(what, "small", indent=2)
    if len(shown) < len(kinds):
        page.say(f"and {len(kinds) - len(shown)} more kinds of night: --all", indent=2)
    quiet = [kind.name for kind in of.kinds if not kind.comes]
    if quiet:
        page.say(f"No job is due on: {', '.join(quiet)}.", indent=2)


def _headroom(page: Page, of: Forecast) -> None:
    if not of.headroom:
        return
    page.heading("Headroom tonight: so many times as many jobs")
    rows = [["entry", "up to", "interval"]]
    rows += [[one.entry, *room_words(of, one)] for one in of.headroom]
    page.table(rows)
    for one in of.headroom:
        if one.breaks:
            page.say(f"{one.entry}: then {one.breaks} is met in too few nights.", indent=2, hanging=4)


def _retained(page: Page, of: Forecast, everything: bool) -> None:
    for one in of.retained:
        page.heading(f"Kept of {one.effect}: {one.keeps}")
        page.say(f"Stored at most {one.most:,.0f}, on {one.most_on}. First, {one.example}.", indent=2, hanging=4)
        if everything:
            rows = [["month", "stored at its end", "deleted in it"]]
            rows += [[month, f"{stored:,.0f}", f"{gone:,.0f}"] for month, stored, gone in one.months]
            page.table(rows, right=[1, 2])


def _formulas(page: Page, of: Forecast) -> None:
    page.heading("By formula, beside the nights played of today")
    for one in of.closed_forms:
        said = f"{one.name}, {one.of}: {form_words(one)}"
        if one.value is not None:
            said += f"; simulated: {simulated_words(one)}"
        page.say(said + ".", indent=2, hanging=4)
    page.say(f"Intervals of what was simulated are at {value(0.95, 'share')}.", "small", indent=2)


def forecast_json(of: Forecast) -> dict[str, Any]:
    """Give a forecast as plain data for ``json.dumps``; dates as 2027-03-01, times in ticks."""
    return {"verdict": headline(of), "outlook": of.outlook, **_plain(of), "note": SMALL_PRINT}


def _plain(thing: Any) -> Any:
    if is_dataclass(thing) and not isinstance(thing, type):
        return {field.name: _plain(getattr(thing, field.name)) for field in fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): _plain(value) for key, value in thing.items()}
    if isinstance(thing, tuple | list):
        return [_plain(item) for item in thing]
    if isinstance(thing, date | datetime):
        return thing.isoformat()
    return float(f"{thing:.9g}") if isinstance(thing, float) else thing


def forecast_csv(of: Forecast) -> str:
    """Write the dates as CSV (RFC 4180): a row for each requirement and kind of night, then one for each dated end."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["what", "kind", "outlook", "first", "low", "high", "share_asked", "share_today", "share_at_end"])
    for one in of.answers:
        shares = [f"{share:.4f}" if share is not None else "" for share in (one.share, one.today, one.at_end)]
        dates = [str(day) if day is not None else "" for day in (one.first, one.low, one.high)]
        writer.writerow([cell(one.requirement), cell(one.kind), one.outlook, *dates, *shares])
    for end in of.ends_tried:
        first = str(end.breaks_on) if end.breaks_on is not None else ""
        writer.writerow(
            [cell(end.what), "dated end", "breaks" if first else "breaks_nothing", *[first] * 3, "", "", ""]
        )
    return out.getvalue()


_LONG: Final = 90
_CELLS: Final = {"met": "\u25cf met", "unclear": "\u25d0 open", "below": "\u2715 below", "none": "none"}
_LOOKS: Final = {"met": "met", "below": "missed"}
_MOST_DRAWN: Final = 12
_LEGEND: Final = (
    "<p><small>Diamond: the first date on which it is met in too few nights. Bar: its interval, which goes on beyond "
    "the time ahead where it ends in &gt;. Dashed line: a date that breaks something.</small></p>"
)


def forecast_document(of: Forecast) -> str:
    """Write the page of a forecast.

    Returns:
        The text of an HTML file, to be written as UTF-8.
    """
    said = headline(of)
    look = {"good": " fits", "bad": " fails", "open": ""}[of.outlook] + (" long" if len(said) > _LONG else "")
    grows = "".join(f"<p>{text(growth_words(one))}.</p>" for one in of.growth)
    parts = [
        '<a class="skip" href="#when">To the dates</a>',
        f"<header><p>{text(clean(of.title))}</p><h1 class='verdict{look}'>{text(said)}</h1>",
        f"<p>{of.months} months from {of.starts}; {what_was_played(of)}. Intervals are at "
        f"{value(of.confidence, 'share')}.</p>{grows or '<p>Nothing is said to grow: only dates change anything.</p>'}"
        "</header><main>",
        section("From when on it is met in too few nights", _page_when(of), "when"),
        section("What breaks it", _page_why(of), "why"),
        section("Dates ahead", _page_ends(of), "dates"),
        section("Calendar", _page_calendar(of), "calendar"),
        section("Headroom tonight", _page_headroom(of), "headroom"),
        section("What is kept", _page_retained(of), "kept"),
        folded("By formula, beside the nights played of today", _page_formulas(of), "formulas"),
        section("About this forecast", _closing(of), "about"),
        "</main>",
    ]
    return file(of.title, "\n".join(part for part in parts if part))


def _page_when(of: Forecast) -> str:
    head = ("requirement", "nights", "asked for in", "from when on", "interval", "met today", "met at the end")
    rows = [
        [
            name(one.label),
            name(one.kind),
            text(value(one.share, "share")),
            _looked(from_when(of, one), {"below_already": "missed", "falls_below": "missed", "stays": "met"}, one),
            text(interval_words(of, one)),
            text(_share(one.today)),
            text(_share(one.at_end)),
        ]
        for one in of.answers
    ]
    drawn = [one for one in of.answers if one.first is not None or one.low is not None][:_MOST_DRAWN]
    picture = both_widths(lambda narrow: _picture(of, drawn, narrow)) + _LEGEND if drawn else ""
    return picture + table("Requirements by kind of night", head, rows)


def _looked(words: str, looks: dict[str, str], one: Answer) -> str:
    look = looks.get(one.outlook)
    return f'<span class="{look}">{text(words)}</span>' if look else text(words)


def _picture(of: Forecast, drawn: Sequence[Answer], narrow: bool) -> str:
    """Draw the date and the interval of each requirement over the time ahead, and the dated ends."""
    width, left, row = (380, 24, 44) if narrow else (800, 300, 26)
    right, top = width - 24, 34
    bottom = top + row * len(drawn) + 8
    days = max(1, (of.ends - of.starts).days)

    def at(day: date) -> float:
        return left + (right - left) * min(max((day - of.starts).days / days, 0.0), 1.0)

    title = "From when on requirements are met in too few nights"
    svg = Svg(width, bottom + 34, title, "The table below says the same.")
    months = [day for day in (of.starts + timedelta(days=n) for n in range(days + 1)) if day.day == 1]
    every = max(1, len(months) // (4 if narrow else 9))
    for place, day in enumerate(months):
        svg.line(at(day), top, at(day), bottom, role="faint", width=0.3)
        if place % every == 0:
            svg.text(at(day), bottom + 17, f"{day:%Y-%m}", anchor="middle", role="faint", size=11)
    svg.line(left, bottom, right, bottom, role="faint")
    for place, one in enumerate(drawn):
        y = top + row * place + row / 2 + (8 if narrow else 0)
        words = fit(f"{one.label}, {one.kind}", 52 if narrow else 44)
        assert columns(words) <= 52
        svg.text(left if narrow else 8, y - 16 if narrow else y + 4, words, size=11)
        svg.line(at(one.low or of.starts), y, at(one.high or of.ends), y, role="plain", width=3)
        if one.high is None:
            svg.text(right + 2, y + 4, ">", role="plain")
        if one.first is not None:
            svg.mark(at(one.first), y, "diamond", role="bad", tip=f"{words}: {one.first}")
    for end in of.ends_tried:
        if end.breaks_on is not None:
            svg.line(at(end.breaks_on), top - 6, at(end.breaks_on), bottom, role="bad", dashes="5 3", width=1.5)
            anchor = "end" if at(end.breaks_on) > (left + right) / 2 else "start"
            svg.text(at(end.breaks_on), top - 12, fit(end.what, 44), anchor=anchor, role="bad", size=11)
    return svg.write(styled=False)


def _page_why(of: Forecast) -> str:
    parts = []
    for one in of.answers:
        if one.outlook not in ("below_already", "falls_below", "unclear"):
            continue
        lines = [
            reached_words(figure, one.first is None)
            for figure in one.breaks
            if figure.measure != "offered_load" or figure.today
        ]
        lines += [said for said in (others_words(of, one), counted(one.before, one.after)) if said]
        items = "".join(f"<li>{text(line[:1].upper() + line[1:])}.</li>" for line in lines)
        parts.append(f"<h3>{name(one.label)}, on {name(one.kind)}</h3><ul>{items}</ul>")
    return "".join(parts)


def _page_ends(of: Forecast) -> str:
    rows = [[f"{one.when:%Y-%m-%d %H:%M}", name(one.what), text(ends_words(one))] for one in of.ends_tried]
    parts = [table("What ends or is planned", ("when", "what", "what it breaks"), rows)] if rows else []
    if of.once:
        parts.append(f"<p>On their own date alone: {'; '.join(map(name, of.once))}.</p>")
    if of.shifted:
        parts.append(f"<p>{_clocks_change(of.shifted)}</p>")
    return "".join(parts)


def _page_calendar(of: Forecast) -> str:
    kinds = list(dict.fromkeys(entry.kind for entry in of.calendar))
    cells = {(entry.month, entry.kind): entry for entry in of.calendar}
    rows, broken = [], broken_by_ends(of)
    for month in dict.fromkeys(entry.month for entry in of.calendar):
        row = [month]
        for kind in kinds:
            cell = cells[month, kind]
            look = _LOOKS.get(cell.state)
            words = _CELLS[cell.state] + (f", {cell.nights} nights" if cell.nights > 1 else "")
            row.append(f'<span class="{look}">{words}</span>' if look else words)
        if broken:
            row.append(
                f'<span class="{_LOOKS["below"]}">{name("; ".join(broken[month]))}</span>' if month in broken else "-"
            )
        rows.append(row)
    quiet = [kind.name for kind in of.kinds if not kind.comes]
    said = f"<p>No job is due on: {', '.join(map(name, quiet))}.</p>" if quiet else ""
    head = ("month", *(name(kind) for kind in kinds), *(["dated ends that break something"] if broken else []))
    if broken:
        said += "<p>The columns of nights leave out what ends or is planned: each such date is tried alone.</p>"
    return table("All requirements together, in the middle of each month", head, rows) + said


def _page_headroom(of: Forecast) -> str:
    if not of.headroom:
        return ""
    rows = [
        [name(one.entry), *map(text, room_words(of, one)), name(one.breaks) if one.breaks else "nothing"]
        for one in of.headroom
    ]
    return table("So many times as many jobs could come", ("entry", "up to", "interval", "what breaks then"), rows)


def _page_retained(of: Forecast) -> str:
    parts = []
    for one in of.retained:
        parts.append(f"<h3>{name(one.effect)}: {text(one.keeps)}</h3>")
        parts.append(
            f"<p>Stored at most {one.most:,.0f}, on {one.most_on}. First, {text(one.example)}. Nothing is stored at "
            "the start; what is counted are results of jobs that are done.</p>"
        )
        rows = [[month, f"{stored:,.0f}", f"{gone:,.0f}"] for month, stored, gone in one.months]
        parts.append(
            table(f"{text(clean(one.effect))} by month", ("month", "stored at its end", "deleted in it"), rows)
        )
    return "".join(parts)


def _page_formulas(of: Forecast) -> str:
    rows = [
        [
            text(one.name),
            name(one.of),
            text(form_words(one)),
            text(simulated_words(one)),
            text(one.holds_for),
            text(one.source),
        ]
        for one in of.closed_forms
    ]
    return table("Formulas", ("formula", "queue", "gives", "simulated", "holds for", "source"), rows) if rows else ""


def _closing(of: Forecast) -> str:
    versions = ", ".join(f"{text(one)} {text(version)}" for one, version in of.versions.items())
    kinds = "".join(
        f"<li>{name(kind.name)}: {kind.dates} night{'' if kind.dates == 1 else 's'} from {kind.first}, "
        f"{f'{kind.nights:,} played' if kind.comes else 'no job is due'}</li>"
        for kind in of.kinds
    )
    changed = f" with {' '.join(map(name, of.changes))}" if of.changes else ""
    return (
        f"<p>Made of {name(of.file)}{changed}.</p><p>Kinds of night: dates on which the night is the same, growth "
        f"aside.</p><ul>{kinds}</ul><p>{text(FITTED)}</p><p><small>{versions}</small></p>"
        f"<p><small>{SMALL_PRINT}</small></p>"
    )
