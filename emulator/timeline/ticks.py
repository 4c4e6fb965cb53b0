"""Time in whole microseconds, called ticks: turned from and to seconds, and written for people.

Everything inside counts ticks from the start of the scenario; seconds appear only at asyncio's border and in what
people read.
"""

from fractions import Fraction
from typing import Final

__all__ = [
    "DAY",
    "HOUR",
    "MICROSECOND",
    "MILLISECOND",
    "MINUTE",
    "SECOND",
    "from_seconds",
    "say",
    "to_seconds",
]

MICROSECOND: Final = 1
MILLISECOND: Final = 1_000
SECOND: Final = 1_000_000
MINUTE: Final = 60 * SECOND
HOUR: Final = 60 * MINUTE
DAY: Final = 24 * HOUR


def from_seconds(seconds: float) -> int:
    """Round seconds to the nearest tick, halves to the even tick, exactly (no float product in between).

    Raises:
        ValueError: for NaN.
        OverflowError: for an infinite value.

    >>> from_seconds(0.1), from_seconds(3 * 0.1)
    (100000, 300000)
    """
    whole = int(seconds)
    rest = (seconds - whole) * SECOND  # the difference is exact, the product off by far less than a hundredth of a tick
    nearest = round(rest)
    if -0.49 < rest - nearest < 0.49:
        return whole * SECOND + nearest
    return round(Fraction(seconds) * SECOND)


def to_seconds(ticks: int) -> float:
    """Give the float of seconds that lies nearest to a number of ticks.

    >>> to_seconds(1_500_000)
    1.5
    """
    return ticks / SECOND


def say(ticks: int) -> str:
    """Write a duration for people, exactly: ``1h30m``, ``2m5s``, ``250ms``, ``12us``, ``0s``.

    >>> say(5_400_000_000), say(250_000), say(-90_000_000), say(0)
    ('1h30m', '250ms', '-1m30s', '0s')
    """
    if ticks == 0:
        return "0s"
    sign, rest, words = ("-" if ticks < 0 else ""), abs(ticks), []
    for name, size in (("d", DAY), ("h", HOUR), ("m", MINUTE), ("s", SECOND), ("ms", MILLISECOND), ("us", 1)):
        count, rest = divmod(rest, size)
        if count:
            words.append(f"{count}{name}")
    return sign + "".join(words)
