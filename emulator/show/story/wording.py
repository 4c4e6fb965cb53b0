"""How are names, moments and lists written inside a sentence?

A name is the scenario's, and may hold anything: what a terminal would take for a command is written as a JSON escape,
as in the trail, and a name that would fill the page is cut (the JSON form of a story has it whole).
"""

from collections.abc import Iterable
from typing import Final

from emulator.measure.words import duration
from emulator.scenario.clock import Clock
from emulator.show.layout import columns
from emulator.show.trail import escaped
from emulator.timeline.ticks import SECOND

__all__ = ["Wording", "listed", "named", "number_of", "times", "up_to"]

_WIDE: Final = 60


def named(text: object) -> str:
    r"""Write a name.

    >>> named("dome-1"), named("dome\x1b[2J"), named("x" * 100) == "x" * 57 + "..."
    ('dome-1', 'dome\\u001b[2J', True)
    """
    shown = escaped(str(text)[: 4 * _WIDE])
    if len(str(text)) <= 4 * _WIDE and columns(shown) <= _WIDE:
        return shown
    shown = shown[: _WIDE - 3]
    while columns(shown) > _WIDE - 3:
        shown = shown[:-1]
    return shown + "..."


def listed(names: Iterable[object], more: int = 0) -> str:
    """Write a list of names.

    >>> listed(["a", "b", "c"]), listed(["a", "b"], more=3)
    ('a, b and c', 'a, b and 3 more')
    """
    written = [named(name) for name in names]
    if more:
        return f"{', '.join(written)} and {more} more"
    return " and ".join(filter(None, (", ".join(written[:-1]), written[-1]))) if written else "nothing"


def number_of(count: int, one: str, many: str = "") -> str:
    """Write a count with its noun.

    >>> number_of(1, "job"), number_of(3, "job")
    ('1 job', '3 jobs')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


def times(count: int) -> str:
    """Write an ordinal number.

    >>> [times(count) for count in (2, 3, 4, 11, 21)]
    ['2nd', '3rd', '4th', '11th', '21st']
    """
    ending = "th" if 10 < count % 100 < 20 else {1: "st", 2: "nd", 3: "rd"}.get(count % 10, "th")
    return f"{count}{ending}"


def up_to(ticks: int) -> str:
    """Write a duration that must not be written too short: from a second on in whole seconds, rounded up.

    >>> up_to(132_000_001), up_to(132_000_000), up_to(1_500)
    ('2 min 13 s', '2 min 12 s', '1500 us')
    """
    if ticks < SECOND:
        return f"{ticks} us"
    if ticks < 60 * 60 * SECOND:
        return duration(-(-ticks // SECOND) * SECOND)
    return duration(-(-ticks // (60 * SECOND)) * 60 * SECOND)


class Wording:
    """Writes moments beside a sentence that has a clock time of its own."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def at(self, tick: int, beside: int) -> str:
        """Write a moment: its clock time, cut to the second; on another day than ``beside`` with the date."""
        local, other = self._clock.local(tick), self._clock.local(beside)
        text = f"{local:%H:%M:%S}"
        return text if local.date() == other.date() else f"{text} on {local.date()}"

    def stamp(self, tick: int) -> str:
        """Write a moment for programs: RFC 3339, in the scenario's zone."""
        return self._clock.local(tick).isoformat()

    def time(self, tick: int) -> str:
        """Write a clock time, cut to the second."""
        return f"{self._clock.local(tick):%H:%M:%S}"

    def day(self, tick: int) -> str:
        """Write the day of a moment, with the zone and its distance from UTC."""
        local = self._clock.local(tick)
        return f"{local.date()}, {self._clock.zone} (UTC{local.isoformat(timespec='microseconds')[26:]})"
