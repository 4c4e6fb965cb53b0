"""Notes the answers of threads, and tells those that come at the same virtual time in each run from the others.

A thread answers by calling back into the loop. The law: an answer belongs to the clock stop in which was begun what it
answers, whenever it comes: the stop in which the awaited future was made, else the one in which the thread was started.
When that stop is over, or there was none, the clock was running meanwhile. When another thread has answered in the same
stop since it was begun, either might have been first.
"""

from typing import NamedTuple

__all__ = ["Answers", "Begun"]


class Answers:
    """The answers that have come within one clock stop.

    Attributes:
        count: how many.
    """

    __slots__ = ("_last", "count")

    def __init__(self) -> None:
        self.count = 0
        self._last: dict[object, int] = {}

    def note(self, thread: object, begun: int) -> bool:
        """Note an answer to what was begun after so many answers; say whether it may as well have come earlier.

        >>> answers = Answers()
        >>> answers.note("a", 0), answers.note("b", 1), answers.note("c", 1)
        (False, False, True)
        """
        overtakes = any(number > begun for other, number in self._last.items() if other is not thread)
        self.count += 1
        self._last[thread] = self.count
        return overtakes


class Begun(NamedTuple):
    """Where something was begun: among which answers, and after how many."""

    answers: Answers
    after: int
