"""What does a tired person read of a forecast? What breaks first and when; behind it the rest."""

from typing import Final

from emulator.measure.words import value
from emulator.outlook.forecast_result import Forecast
from emulator.outlook.forecast_words import (
    FITTED,
    MARKS,
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
from emulator.show.layout import WIDTH, Page, Role
from emulator.show.meta import ONE_LINE

__all__ = ["forecast_screen"]

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
    page.say(f"{of.title.rstrip('.')}. {of.months} months from {of.starts}; {what_was_played(of)}.")
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
        dates = ", ".join(map(str, of.shifted))
        page.say(f"The clocks change in the nights of {dates}; nothing in them depends on it.")


def _calendar(page: Page, of: Forecast, everything: bool) -> None:
    kinds = list(dict.fromkeys(cell.kind for cell in of.calendar))
    months = list(dict.fromkeys(cell.month for cell in of.calendar))
    cells = {(cell.month, cell.kind): cell for cell in of.calendar}
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
