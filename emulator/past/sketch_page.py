"""What does a person read after a draft was made: what was read and left out, what is doubtful, and what to do next?"""

import shlex
from pathlib import Path
from typing import Any, Final

from emulator.past.sketching import Sketch
from emulator.past.tables import LeftOut
from emulator.show.layout import Page
from emulator.show.story.of_jobs import number_of

__all__ = ["sketch_json", "sketch_page"]

_MOST_GUESSES: Final = 8


def sketch_page(made: Sketch) -> Page:
    """Write the report."""
    page = Page()
    nights = made.history.nights
    rules = sum(len(it.planned) for it in made.history.timetables)
    if nights is None:
        page.say(f"Drafted from {number_of(rules, 'rule')}, without a history: all else in it is a guess.", "bad")
    else:
        span = f"from {nights.dates[0]} to {nights.dates[-1]}"
        jobs = number_of(len(nights.first), "job")
        page.say(f"Drafted from {jobs} in {number_of(len(nights), 'night')} {span}.", "good")
    page.heading("Read")
    rows = [(Path(table.name).name, number_of(len(table), "row"), table.described) for table, _ in made.history.tables]
    rows += [(Path(it.name).name, number_of(len(it.planned), "rule"), it.kind) for it in made.history.timetables]
    page.table(rows, right=(1,))
    told = _told(made)
    for title, some in (
        ("Left out", [it for it in told if not it.used]),
        ("Counted and used", [it for it in told if it.used]),
    ):
        if some:
            page.heading(title)
            for it in some:
                page.say(_words(it, len(made.history.files) > 1), indent=2, hanging=4)
    if made.draft.warnings:
        page.heading("Look at this first")
        for text in made.draft.warnings:
            page.say(text, indent=2, hanging=4)
    page.heading(f"Guesses in the draft: {len(made.draft.guesses)}")
    for guess in list(made.draft.guesses)[:_MOST_GUESSES]:
        page.say(guess, indent=2, hanging=4)
    if len(made.draft.guesses) > _MOST_GUESSES:
        page.say(f"and {len(made.draft.guesses) - _MOST_GUESSES} more: the draft lists them at its top", indent=2)
    doubtful = _doubtful(made)
    if doubtful:
        page.heading(f"Guesses about columns: {len(doubtful)}")
        for text in doubtful:
            page.say(text, indent=2, hanging=4)
    page.heading("Written")
    for path in made.written:
        page.say(str(path), indent=2, hanging=4)
    page.blank()
    page.say("Read what the draft says of itself, then judge it:", "small")
    page.command(f"queuedrill check {shlex.quote(str(made.written[0]))}")
    page.command(f"queuedrill run {shlex.quote(str(made.written[0]))} --nights 40")
    return page


def sketch_json(made: Sketch) -> dict[str, Any]:
    """Give the report as plain data."""
    nights = made.history.nights
    return {
        "written": [str(path) for path in made.written],
        "nights": 0 if nights is None else len(nights),
        "jobs": 0 if nights is None else len(nights.first),
        "rules": sum(len(it.planned) for it in made.history.timetables),
        "told": [{"file": it.file, "why": it.why, "count": it.count, "lines": list(it.lines)} for it in _told(made)],
        "guesses": dict(made.draft.guesses),
        "warnings": list(made.draft.warnings),
        "columns": {
            table.name: {column.name: column.means for column in columns.columns if column.means}
            for table, columns in made.history.tables
        },
    }


def _told(made: Sketch) -> list[LeftOut]:
    told = [] if made.history.nights is None else made.history.nights.attempts.told
    return [*told, *(it for timetable in made.history.timetables for it in timetable.left_out)]


def _words(it: LeftOut, several: bool) -> str:
    where = "line" if it.count == 1 else "lines"
    lines = ", ".join(map(str, it.lines)) + (", ..." if it.count > len(it.lines) else "")
    return f"{number_of(it.count, 'row')}: {it.why} ({f'{it.file}, ' if several else ''}{where} {lines})"


def _doubtful(made: Sketch) -> list[str]:
    found = (
        ["zone: nobody stated the zone of the times, UTC was taken: give --zone"] if made.history.zone_guessed else []
    )
    for table, columns in made.history.tables:
        for column in columns.columns:
            if column.guess:
                why = column.form.why if column.form and column.form.guess else column.why
                found.append(f"{table.name}, column {column.name}: {column.means or 'not used'}: {why}")
            found += [
                f"{table.name}, column {column.name}, {word!r}: {it.means}: {it.why}"
                for word, it in column.words.items()
                if it.guess
            ]
    return found
