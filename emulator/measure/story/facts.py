"""What is one fact of a story, and what does it rest on?

The law: a fact names the events that it rests on, and those that led to it. Whoever doubts a sentence can look them up.
Facts hold numbers, names and ticks; their words are found by ``emulator.show.story``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

__all__ = ["MOST_CITED", "Fact", "Piece", "Story"]

MOST_CITED: Final = 20
"""So many events are named of one kind where a fact rests on more; the first ones."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that happened, and what led to it.

    Attributes:
        what: which sentence tells it.
        at: the tick.
        events: numbers of the events that it rests on, the one that tells of it first.
        because: numbers of further events that led to it, beyond the causes that its events name themselves.
        values: what the sentence says.
    """

    what: str
    at: int
    events: tuple[int, ...]
    because: tuple[int, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of waiting with one reason: ``[begin, end)`` in ticks, the reason, and the events that show it.

    ``workers`` are those that the reason is about: the able ones, or the idle one that had not asked.
    """

    begin: int
    end: int
    reason: str
    events: tuple[int, ...] = ()
    workers: tuple[str, ...] = ()
    queue: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """What happened to one subject, in order.

    Attributes:
        kind: ``job``, ``worker`` or ``requirement``.
        name: what the subject is called.
        number: of the job or the requirement; 0 for a worker.
        facts: in order of time; what another setting would have changed comes last.
        until: the tick up to which the events tell.
        finished: whether the run came to its end; else what it did after its last event is not known.
    """

    kind: str
    name: str
    number: int
    facts: tuple[Fact, ...]
    until: int
    finished: bool = True
