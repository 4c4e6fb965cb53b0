"""The screen of a table of thresholds: the promise, the table by the hour, what it finds, and up to how much work."""

from emulator.outlook.table import MOST_SIGNALS
from emulator.outlook.threshold_words import (
    LEFT,
    MISS,
    answer_words,
    causes_head,
    causes_row,
    found_rows,
    growth_words,
    help_words,
    letters,
    nights_words,
    notes,
    promise,
    signal_words,
    threshold_words,
)
from emulator.outlook.thresholds import Thresholds
from emulator.show.layout import WIDTH, Page
from emulator.show.meta import ONE_LINE

__all__ = ["thresholds_page"]


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
