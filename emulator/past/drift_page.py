"""The screen that tells whether new nights still belong with the past ones."""

from typing import Any, Final

from emulator.past.betting import LIMIT
from emulator.past.drifting import LEAST_NIGHTS, Drift, WatchedFigure
from emulator.show.comparison.exports import plain_data
from emulator.show.layout import WIDTH, Page, Role
from emulator.show.meta import ONE_LINE, SMALL_PRINT

__all__ = ["PROMISE", "drift_json", "drift_page"]

PROMISE: Final = (
    f"Promise: of 1,000 sequences of nights that go on as before, at most one ever reaches {LIMIT:.0f} "
    "(Ville's inequality), however often you look."
)
_ROLES: Final[dict[str, Role]] = {"drift": "bad", "nothing": "good"}
_SIDES: Final = {"demand": "demand", "service": "service", "result": "both"}


def drift_json(found: Drift) -> dict[str, Any]:
    """Give the result as plain data for ``json.dumps``; dates as texts."""
    return {
        "verdict": found.sentence,
        "outcome": found.outcome,
        "past_nights": found.past,
        "new_nights": [day.isoformat() for day in found.nights],
        "alarm": None if found.alarm is None else found.alarm.isoformat(),
        "limit": LIMIT,
        "promised": not found.leaning and found.past >= LEAST_NIGHTS,
        "capital": plain_data(found.capital),
        "figures": [_figure_json(one) for one in found.figures],
        "unknown_routines": list(found.unknown),
        "note": SMALL_PRINT,
    }


def _figure_json(one: WatchedFigure) -> dict[str, Any]:
    return {
        "name": one.name,
        "side": one.side,
        "words": one.words,
        "since": None if one.since is None else one.since.isoformat(),
        "higher": one.higher,
        "leans": _number(one.leans),
        "before": _number(one.before),
        "after": _number(one.after),
        "capital": plain_data(one.capital),
    }


def _number(value: float) -> float | None:
    return float(f"{value:.9g}") if value == value else None


def drift_page(found: Drift, *, width: int = WIDTH) -> Page:
    """Write what a look at new nights came to; ``width``: how wide the table may be."""
    page = Page(width=width)
    page.say(found.sentence, _ROLES.get(found.outcome, ""))
    if not found.figures:
        _unknown(page, found)
        return page
    page.blank()
    first, last = found.nights[0], found.nights[-1]
    page.say(f"{len(found.nights)} new nights from {first} to {last}, beside {found.past} past ones.")
    rows = [["figure", "", "before", "since then", "since", "bet"]]
    for one in found.figures:
        moved = one.capital[-1] > 1 and one.since is not None
        after = _amount(one, one.after) if moved else "-"
        rows.append(
            [
                one.words,
                _SIDES[one.side],
                _amount(one, one.before),
                after,
                str(one.since) if moved else "-",
                _capital(one.capital[-1]),
            ]
        )
    page.table(rows, right=[2, 3, 5])
    now, most = _capital(found.capital[-1]), _capital(max(found.capital))
    page.say("bet: what 1 has become by betting that the figure has moved.", "small", indent=2)
    page.say(f"All bets together: now {now}, at most {most}; an alarm at {LIMIT:.0f}.", "small", indent=2)
    page.blank()
    if found.leaning:
        for one in found.leaning:
            page.say(
                f"{one.words}: nights lean on the night before ({one.leans:.1f}). What was ranked is the difference to "
                "what that night lets expect, and no alarm can be promised.",
                hanging=2,
            )
    else:
        page.say(PROMISE, hanging=2)
    _unknown(page, found)
    page.more("--json")
    page.say(ONE_LINE, "small")
    return page


def _unknown(page: Page, found: Drift) -> None:
    if found.unknown:
        shown = ", ".join(found.unknown[:5]) + (f" and {len(found.unknown) - 5} more" if len(found.unknown) > 5 else "")
        page.say(f"New routines, which are not in the past nights: {shown}. Draft anew if they stay.", hanging=2)


def _amount(one: WatchedFigure, value: float) -> str:
    if value != value:
        return "-"
    if one.name == "wait":
        return f"{value:.3g} s"
    if one.name == "errors":
        return f"{100 * value:.2g} %"
    return f"{value:.3g}"


def _capital(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 else f"{value:.2g}"
