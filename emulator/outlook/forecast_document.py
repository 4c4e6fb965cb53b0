"""How does a forecast become one HTML file, to be read on a screen or printed? What breaks first, then the rest.

The law: the file has no script; beside the picture stands a table that says the same, and shapes have words. The
same forecast gives the same bytes.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Final

from emulator.measure.words import value
from emulator.outlook.forecast_result import Answer, Forecast
from emulator.outlook.forecast_words import (
    FITTED,
    broken_by_ends,
    counted,
    ends_words,
    form_words,
    from_when,
    growth_words,
    headline,
    interval_words,
    others_words,
    reached_words,
    room_words,
    simulated_words,
    what_was_played,
)
from emulator.show.html import clean, file, folded, name, section, table, text
from emulator.show.layout import columns, fit
from emulator.show.meta import SMALL_PRINT
from emulator.show.svg import Svg, both_widths

__all__ = ["forecast_document"]

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
        section("From when on it is met in too few nights", _when(of), "when"),
        section("What breaks it", _why(of), "why"),
        section("Dates ahead", _ends(of), "dates"),
        section("Calendar", _calendar(of), "calendar"),
        section("Headroom tonight", _headroom(of), "headroom"),
        section("What is kept", _retained(of), "kept"),
        folded("By formula, beside the nights played of today", _formulas(of), "formulas"),
        section("About this forecast", _closing(of), "about"),
        "</main>",
    ]
    return file(of.title, "\n".join(part for part in parts if part))


def _when(of: Forecast) -> str:
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


def _share(share: float | None) -> str:
    return "none" if share is None else value(round(share, 3), "share")


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


def _why(of: Forecast) -> str:
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


def _ends(of: Forecast) -> str:
    rows = [[f"{one.when:%Y-%m-%d %H:%M}", name(one.what), text(ends_words(one))] for one in of.ends_tried]
    parts = [table("What ends or is planned", ("when", "what", "what it breaks"), rows)] if rows else []
    if of.once:
        parts.append(f"<p>On their own date alone: {'; '.join(map(name, of.once))}.</p>")
    if of.shifted:
        dates = ", ".join(map(str, of.shifted))
        parts.append(f"<p>The clocks change in the nights of {dates}; nothing in them depends on it.</p>")
    return "".join(parts)


def _calendar(of: Forecast) -> str:
    kinds = list(dict.fromkeys(cell.kind for cell in of.calendar))
    cells = {(cell.month, cell.kind): cell for cell in of.calendar}
    rows, broken = [], broken_by_ends(of)
    for month in dict.fromkeys(cell.month for cell in of.calendar):
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


def _headroom(of: Forecast) -> str:
    if not of.headroom:
        return ""
    rows = [
        [name(one.entry), *map(text, room_words(of, one)), name(one.breaks) if one.breaks else "nothing"]
        for one in of.headroom
    ]
    return table("So many times as many jobs could come", ("entry", "up to", "interval", "what breaks then"), rows)


def _retained(of: Forecast) -> str:
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


def _formulas(of: Forecast) -> str:
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
