"""What is kept of one night when many are run: the readings of the compared figures, and which requirements held.

It is small and plain on purpose: it travels between processes and is written to a file of results.
"""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["PlayedNight", "Reading"]


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
