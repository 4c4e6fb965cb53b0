"""How does a world live on a clock that is not its own? Its time counts from its own start, and ends when it is closed.

A world in a test suite shares the agenda of the running loop: with the timers of the code under test, and perhaps with
another world. What is due at one instant keeps the order of the agenda's law across all of them, because every entry
stands in the one heap, with a number from the one row.
"""

from collections.abc import Callable
from typing import Any

from emulator.timeline.agenda import REST, Agenda

__all__ = ["Span"]


class Span(Agenda):
    """A stretch of another agenda, from its present instant on, with a time that counts from 0 there.

    Attributes:
        base: the agenda that fires the entries.
        start: the tick of the base at which the span begins.
        over: once True, no entry of the span fires any more.

    >>> base = Agenda(start=100)
    >>> span, seen = Span(base), []
    >>> span.at(5, seen.append, "one"); span.at(7, seen.append, "two")
    >>> _ = base.run(before=(106,)); seen, base.now, span.now
    (['one'], 105, 5)
    >>> span.over = True; _ = base.run(); seen
    ['one']
    """

    __slots__ = ("base", "over", "start")

    def __init__(self, base: Agenda) -> None:
        self.base = base
        self.start = base.now
        self.over = False

    @property
    def now(self) -> int:  # type: ignore[override]  # a slot there, a difference here
        """The present tick, counted from the start of the span."""
        return self.base.now - self.start

    @property
    def rank(self) -> int:  # type: ignore[override]
        """The rank of the entry being fired."""
        return self.base.rank

    @property
    def entries(self) -> list[Any]:  # type: ignore[override]
        """The first entry of the base, as it is seen from the span, in a list; nobody may look further."""
        head = self.base.peek()
        return [] if head is None else [(head[0] - self.start, *head[1:])]

    def take_number(self) -> int:
        """Give the next number of creation."""
        return self.base.take_number()

    def at(
        self,
        time: int,
        call: Callable[[Any], None],
        argument: Any = None,
        rank: int = REST,
        key: int = 0,
        second: int = 0,
    ) -> None:
        """Fire ``call(argument)`` at a time of the span, unless it is over by then."""
        self.base.at(time + self.start, self._fire, (call, argument), rank, key, second)

    def step(self, call: Callable[[Any], None], argument: Any) -> None:
        """Count one more step of the present instant, which is that of the base."""
        self.base.step(call, argument)

    def has_passed(self, time: int, rank: int, key: int, second: int) -> bool:
        """Say whether an entry with this time of the span, rank and keys has had its turn, or is having it."""
        return self.base.has_passed(time + self.start, rank, key, second)

    def _fire(self, what: tuple[Callable[[Any], None], Any]) -> None:
        if not self.over:
            call, argument = what
            call(argument)

    def peek(self) -> tuple[int, int, int, int, int] | None:
        """Give (time, rank, key, second key, number) of the next entry of the base, or None when nothing is due."""
        head = self.base.peek()
        return None if head is None else (head[0] - self.start, *head[1:])

    def __len__(self) -> int:
        return len(self.base)
