"""Parses the name of a figure, such as ``wait_p90 for queue night``, and takes its reading in one night.

The words are those in which requirements are told. What is not said does not restrict.

What is kept of one night, when many are run, are these readings and which requirements held. It is small and plain on
purpose: it travels between processes and is written to a file of results.
"""

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, cast

from emulator.errors import InputError
from emulator.measure.catalogue import FILTERS, Measure, find
from emulator.measure.estimate import Unit
from emulator.measure.figures import Figures, Where, part_of
from emulator.measure.night import Night
from emulator.measure.occurrences import Asked
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import advise

__all__ = [
    "DEFAULTS",
    "PlayedNight",
    "Reading",
    "Wanted",
    "check_names",
    "default_figures",
    "label_of",
    "needed",
    "of_requirement",
    "read",
    "wanted",
]


@dataclass(frozen=True, slots=True)
class Reading:
    """One figure of one night.

    Attributes:
        value: ticks for a time, whole or as a mean; None when there was nothing to take it from.
        more_than: the true value is known only to be more than, or at least, this one (something was unfinished).
    """

    value: int | float | None
    more_than: bool = False


@dataclass(frozen=True, slots=True)
class PlayedNight:
    """One night under one variant, played with one seed.

    Attributes:
        variant: the name of the variant; the file as written has a name too (``as written``).
        seed: the night's seed: the same seed gives every variant the same draws.
        readings: each compared figure, by the text that names it (``wait_p90 for queue night``).
        held: for each requirement of the scenario, in order, whether it held in this night, whatever share of nights it
            is asked of. None: there was nothing to judge.
        events: how many events the night had.
        drawn: whether anything in it was drawn by chance. If not, every seed gives this very night.
        failure: why there is no night ("" when there is one); readings and held are empty then.
        backlog: how many jobs waited at moments evenly apart, from the start to the end; empty unless it was asked for.
    """

    variant: str
    seed: int
    readings: Mapping[str, Reading]
    held: tuple[bool | None, ...]
    events: int = 0
    failure: str = ""
    drawn: bool = True
    backlog: tuple[int, ...] = ()


DEFAULTS: Final = ("makespan", "done_share", "turnaround_p90", "lost_leases", "wasted_work", "unsafe_repeats")
"""What is compared when nothing else is asked for, after the figures of the requirements."""

_AND: Final = re.compile(rf" and (?=(?:{'|'.join(FILTERS)}) )")


@dataclass(frozen=True, slots=True)
class Wanted:
    """One compared figure: its name in the catalogue, and the part of the night that it is about."""

    name: str
    where: Where = field(default_factory=Where)

    @property
    def text(self) -> str:
        """The words that name it; ``wanted`` reads them back."""
        given = [f"{word} {value}" for word, value in self.where.given().items()]
        return f"{self.name} for {' and '.join(given)}" if given else self.name

    @property
    def label(self) -> str:
        """The words for it on screens: the label of its measure, and the part of the night that it is about."""
        return self.measure.label + self.where.words()

    @property
    def measure(self) -> Measure:
        """Its entry in the catalogue."""
        return find(self.name)

    @property
    def unit(self) -> Unit:
        """Its unit: time, share, count or ratio."""
        return cast(Unit, self.measure.unit)


def wanted(text: str) -> Wanted:
    """Read the name of a figure, with the part of the night that it is about.

    Raises:
        InputError: for an unknown figure, or a part that it cannot be told by; the message says what to write.

    >>> wanted("wait_p90 for queue night and routine copy").text
    'wait_p90 for routine copy and queue night'
    >>> wanted("wait_p9 for queue night")
    Traceback (most recent call last):
    emulator.errors.InputError: there is no figure 'wait_p9': did you mean 'wait_p90'?
    """
    name, said_for, rest = " ".join(text.split()).partition(" for ")
    measure = find(name)
    if not said_for:
        return Wanted(measure.name)
    given: dict[str, str] = {}
    for part in _AND.split(rest):
        word, _, value = part.partition(" ")
        if word not in FILTERS:
            raise InputError(f"{text!r}: {word!r} is no part of a night: {advise(word, measure.by or FILTERS)}")
        if word not in measure.by:
            by = f"by {', '.join(measure.by)} only" if measure.by else "for the whole night only"
            raise InputError(f"{text!r}: {measure.name} cannot be told by {word}: it is told {by}")
        if word in given:
            raise InputError(f"{text!r}: {word} is said twice: name one")
        if not value:
            raise InputError(f"{text!r}: which {word}? write {measure.name} for {word} NAME")
        given[word] = value
    return Wanted(measure.name, Where(**given))


def label_of(text: str) -> str:
    """Give the words for a figure on screens, from the text that names it.

    >>> label_of("wait_p90 for queue night")
    '90th percentile of wait for queue night'
    """
    return wanted(text).label


def check_names(figures: Iterable[Wanted], scenario: Scenario, entries: Iterable[str] = ()) -> None:
    """Make sure that a scenario has every routine, queue, entry and pool that figures are told by.

    Args:
        figures: the figures.
        scenario: what has to have the names.
        entries: of arrival entries that it does not state, but jobs have: those that a test submitted.

    Raises:
        InputError: for the first name that there is not; the message gives the nearest.
    """
    known: Mapping[str, Collection[str]] = {
        "routine": scenario.routines,
        "queue": scenario.queues,
        "entry": list(dict.fromkeys([*(entry.label for entry in scenario.arrivals), *entries])),
        "pool": scenario.pools,
        "effect": [part.effect for routine in scenario.routines.values() for part in routine.parts if part.effect],
        "set_of": [entry.label for entry in scenario.arrivals],
    }
    for figure in figures:
        for word, name in figure.where.given().items():
            if not isinstance(name, str):
                raise InputError(f"{figure.name}: {name!r} names no {word}: give its name as a text")
            if word in known and name not in known[word]:  # what targets there are, the jobs tell
                raise InputError(f"{figure.text!r}: there is no {word} {name!r}: {advise(name, known[word])}")


def of_requirement(requirement: Asked) -> Wanted | None:
    """Give the figure that a requirement is about; None for one on occurrences."""
    if requirement.measure is None:
        return None
    where = part_of(requirement)
    return Wanted(requirement.measure, where)


def default_figures(requirements: Iterable[Asked]) -> tuple[Wanted, ...]:
    """Give the figures to compare when none are named: those of the requirements, then ``DEFAULTS``; none twice."""
    asked = [figure for one in requirements if (figure := of_requirement(one)) is not None]
    return tuple(dict.fromkeys([*asked, *(Wanted(name) for name in DEFAULTS)]))


def needed(
    measures: Sequence[str], trade_off: tuple[str, str], requirements: Mapping[str, Sequence[Asked]]
) -> tuple[Wanted, ...]:
    """Give every figure that must be read of each night for ``conclude`` with the same arguments; none twice.

    Those are the compared ones, the two of the trade-off, and those that must not be worse than the baseline's.

    Raises:
        InputError: see ``wanted``.
    """
    asked = [
        figure
        for variant in sorted(requirements)
        for one in requirements[variant]
        if one.not_worse_by is not None and (figure := of_requirement(one)) is not None
    ]
    return tuple(dict.fromkeys([*map(wanted, measures), *map(wanted, trade_off), *asked]))


def read(night: Night, figures: Iterable[Wanted]) -> dict[str, Reading]:
    """Read figures of one night, each by the text that names it.

    Raises:
        InputError: for a figure that cannot be told by the part of the night that is asked for.
    """
    shared: dict[Where, Figures] = {}
    found = {}
    for figure in figures:
        seen = shared.setdefault(figure.where, Figures(night, figure.where)).get(figure.name)
        found[figure.text] = Reading(seen.value, seen.more_than)
    return found
