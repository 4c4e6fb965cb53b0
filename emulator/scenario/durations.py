"""How is a duration written in a scenario, and how many ticks is it?

Two spellings: ``1h30m`` with the units w, d, h, m, s, ms, us, each at most once and in this order; and the
ISO 8601 form ``PT1H30M`` without years and months, whose length no calendar-free duration can know. A day is 24 hours.
Only the last number may have decimals. Libraries were measured and dropped: each accepts some of what is refused here
(``1:30``, ``1m1m``, ``P1M`` as 30 days, digits of other scripts).
"""

import re
from fractions import Fraction
from typing import Final

from emulator.timeline.ticks import DAY, HOUR, MICROSECOND, MILLISECOND, MINUTE, SECOND

__all__ = ["LONGEST", "parse_duration"]

LONGEST: Final = 36_525 * DAY
"""The longest duration that a scenario may state: 100 years of 365.25 days, in ticks."""

_N = r"(\d{1,18}(?:\.\d{1,18})?)"
_PLAIN = re.compile(rf"(?:{_N}w)?(?:{_N}d)?(?:{_N}h)?(?:{_N}m(?!s))?(?:{_N}s)?(?:{_N}ms)?(?:{_N}us)?", re.ASCII)
_ISO = re.compile(rf"P(?:{_N}W|(?:{_N}D)?(?:T(?=\d)(?:{_N}H)?(?:{_N}M)?(?:{_N}S)?)?)", re.ASCII)
_PLAIN_SIZES: Final = (7 * DAY, DAY, HOUR, MINUTE, SECOND, MILLISECOND, MICROSECOND)
_ISO_SIZES: Final = (7 * DAY, DAY, HOUR, MINUTE, SECOND)


def parse_duration(text: object) -> int:
    """Read a duration as an exact number of ticks (microseconds), from 0 to 100 years.

    Raises:
        ValueError: for anything else, bare numbers and negative durations included, and for more than 100 years or
            a fraction of a microsecond; the message says what to write.

    >>> parse_duration("1h30m"), parse_duration("PT0.5S"), parse_duration("250us")
    (5400000000, 500000, 250)
    >>> parse_duration("90")
    Traceback (most recent call last):
    ...
    ValueError: '90' is not a duration: write 90s, 1h30m, 500ms or PT30S
    """
    ticks = _ticks(text) if isinstance(text, str) else None
    if ticks is None:
        shown = repr(text) if len(repr(text)) <= 40 else repr(text)[:37] + "..."
        raise ValueError(f"{shown} is not a duration: write 90s, 1h30m, 500ms or PT30S")
    if ticks > LONGEST:
        raise ValueError(f"{text!r} is too long: at most 100 years ({LONGEST // DAY}d)")
    if ticks.denominator != 1:
        raise ValueError(f"{text!r} is finer than a microsecond: write a whole number of us")
    return int(ticks)


def _ticks(text: str) -> Fraction | None:
    for pattern, sizes in ((_PLAIN, _PLAIN_SIZES), (_ISO, _ISO_SIZES)):
        if found := pattern.fullmatch(text):
            given = [(number, size) for number, size in zip(found.groups(), sizes, strict=True) if number]
            if given and not any("." in number for number, _ in given[:-1]):
                return sum((Fraction(number) * size for number, size in given), Fraction(0))
    return None
