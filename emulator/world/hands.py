"""Who does the work of a routine that is not modelled?

A routine's parts say how long its work takes. In a test suite the work may be done for real, by code that runs on the
emulated workers; the world tells that code's keeper what becomes of each attempt, and the keeper tells the world how
it ended. The world knows nothing of coroutines.
"""

from typing import Protocol

from emulator.world.worker import Execution

__all__ = ["Hands"]


class Hands(Protocol):
    """The keeper of a routine's own code. Each method is told of one attempt, and may be told of one that it knows not.

    How an attempt ended is told by ``Labour.over``, a finished part by ``Labour.part_over``.
    """

    def begin(self, execution: Execution, /) -> None:
        """Begin to work on an attempt."""
        ...

    def stand_still(self, execution: Execution, /) -> None:
        """Let the work stand still: its worker is frozen, or the job is suspended."""
        ...

    def go_on(self, execution: Execution, /) -> None:
        """Let the work go on."""
        ...

    def rescale(self, execution: Execution, /) -> None:
        """The worker works at another speed from now on."""
        ...

    def leave(self, execution: Execution, /) -> None:
        """The worker has nothing more to do with the attempt: it was answered, is off, or was told to stop."""
        ...
