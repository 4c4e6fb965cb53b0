"""What must never happen, whatever goes wrong? Folds over the events that say where it did.

They are for tests of one's own code: a worker program that writes after it has lost its lease breaks the first, one
that does work twice which must not be repeated the second, one that forgets a job the third.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from emulator.errors import InputError
from emulator.measure.bursts import densest
from emulator.record.events import Row
from emulator.scenario.spelling import advise
from emulator.timeline.ticks import say

__all__ = ["INVARIANTS", "Burst", "Never", "broken"]


Never = Literal["effect after lease lost", "effect after job ended", "unrepeatable effect twice", "job left unfinished"]
"""What can be watched for, by its name."""


def _effects_after_the_lease(rows: Sequence[Row]) -> Iterator[str]:
    ended: dict[int, tuple[int, int, str]] = {}
    for number, row in enumerate(rows, 1):
        if row[1] == "attempt_ended" and row[7] != "ok":
            ended[row[6]] = (number, row[0], row[7])
        elif row[1] == "effect_landed" and row[6] in ended:
            event, at, outcome = ended[row[6]]
            yield (
                f"event {number}: {row[4]} left {row[7]!r} on {row[8]} at {say(row[0])}, in attempt {row[5]} of job "
                f"{row[3]}, which had ended by then ({outcome.replace('_', ' ')} at {say(at)}, event {event})"
            )


def _effects_after_the_job(rows: Sequence[Row]) -> Iterator[str]:
    ended: dict[int, tuple[int, int, str]] = {}
    for number, row in enumerate(rows, 1):
        if row[1] == "finished":
            ended[row[3]] = (number, row[0], row[5])
        elif row[1] == "effect_landed" and row[3] in ended:
            event, at, state = ended[row[3]]
            yield (
                f"event {number}: {row[4]} left {row[7]!r} on {row[8]} at {say(row[0])}, in attempt {row[5]} of job "
                f"{row[3]}, which was {state} at {say(at)} (event {event})"
            )


def _effects_twice(rows: Sequence[Row]) -> Iterator[str]:
    first: dict[tuple[str, str], tuple[int, Row]] = {}
    for number, row in enumerate(rows, 1):
        if row[1] == "effect_landed" and row[9] is False:
            place = (row[7], row[8])
            if place in first:
                event, before = first[place]
                yield (
                    f"event {number}: {row[4]} left {row[7]!r} on {row[8]} at {say(row[0])}, in attempt {row[5]} of "
                    f"job {row[3]}; it must not be repeated, and {before[4]} had left it at {say(before[0])}, in "
                    f"attempt {before[5]} of job {before[3]} (event {event})"
                )
            else:
                first[place] = (number, row)


def _jobs_lost(rows: Sequence[Row]) -> Iterator[str]:
    unfinished: dict[int, tuple[int, str]] = {}
    for number, row in enumerate(rows, 1):
        if row[1] == "submitted":
            unfinished[row[3]] = (number, f"{row[8]}#{row[9]}")
        elif row[1] == "finished":
            unfinished.pop(row[3], None)
    for job, (number, name) in unfinished.items():
        yield f"event {number}: job {job} ({name}) was submitted and is neither done nor failed"


@dataclass(frozen=True, slots=True)
class Burst:
    """Too many calls close together: ``more_than`` of them to a system begin within a stretch of so many ticks."""

    system: str
    more_than: int
    within: int

    def look(self, rows: Sequence[Row]) -> Iterator[str]:
        """Say where it has happened, once: where the calls are densest; calls that have no outcome yet are left out."""
        calls = sorted(
            (row[0] - row[9], number)
            for number, row in enumerate(rows, 1)
            if row[1] == "call_ended" and row[7] == self.system and row[8] != "no_access"
        )
        most, place = densest([began for began, _ in calls], self.within)
        if most > self.more_than:
            began, number = calls[place]
            yield (
                f"event {number}: it ends the first of {most} calls to {self.system} that began within "
                f"{say(self.within)}, from {say(began)} on"
            )


INVARIANTS: Final = MappingProxyType(
    {
        "effect after lease lost": _effects_after_the_lease,
        "effect after job ended": _effects_after_the_job,
        "unrepeatable effect twice": _effects_twice,
        "job left unfinished": _jobs_lost,
    }
)
"""What can be watched for, by name."""

_AT_THE_END: Final = frozenset(("job left unfinished",))


def broken(rows: Sequence[Row], never: Iterable[str | Burst], *, at_end: bool = True) -> list[str]:
    """Say where what must never happen has happened, one sentence each.

    Args:
        rows: every event so far.
        never: what to look for, by the names in ``INVARIANTS``, and bursts of calls.
        at_end: whether nothing more will come; what only the end can tell is left out otherwise.

    Raises:
        InputError: for a name that is not known.

    >>> row = (7, "submitted", 0, 1, "", "queued", "copy", "night", "copy", 1, "", 0, "", 0)
    >>> broken([row], ["job left unfinished"])
    ['job left unfinished: event 1: job 1 (copy#1) was submitted and is neither done nor failed']
    """
    found = []
    for name in never:
        if isinstance(name, Burst):
            found += [
                f"more than {name.more_than} calls to {name.system} within {say(name.within)}: {sentence}"
                for sentence in name.look(rows)
            ]
            continue
        if name not in INVARIANTS:
            raise InputError(f"{name!r} cannot be watched for: {advise(name, tuple(INVARIANTS))}")
        look: Callable[[Sequence[Row]], Iterator[str]] = INVARIANTS[name]
        if at_end or name not in _AT_THE_END:
            found += [f"{name}: {sentence}" for sentence in look(rows)]
    return found
