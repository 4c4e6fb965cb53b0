"""How is a duration written in a scenario, and how many ticks is it?

Two spellings: ``1h30m`` with the units w, d, h, m, s, ms, us, each at most once and in this order; and the
ISO 8601 form ``PT1H30M``. Both are exact: ``1d`` is 24 hours, whatever the clocks do. ``P1D`` and ``P1W`` are nominal,
as RFC 5545 (section 3.3.6) has it: days of a calendar, whose length only a place in it can tell. ``parse_span`` reads
them, for the few values that have one. Years and months are refused. Only the last number may have decimals. Libraries
were measured and dropped: each accepts some of what is refused here (``1:30``, ``1m1m``, ``P1M`` as 30 days, digits of
other scripts).
"""

import re
from fractions import Fraction
from typing import Final

from emulator.timeline.ticks import DAY, HOUR, MICROSECOND, MILLISECOND, MINUTE, SECOND, say

__all__ = ["LONGEST", "parse_duration", "parse_span"]

LONGEST: Final = 36_525 * DAY
"""The longest duration that a scenario may state: 100 years of 365.25 days, in ticks."""

_N = r"(\d{1,18}(?:\.\d{1,18})?)"
_PLAIN = re.compile(rf"(?:{_N}w)?(?:{_N}d)?(?:{_N}h)?(?:{_N}m(?!s))?(?:{_N}s)?(?:{_N}ms)?(?:{_N}us)?", re.ASCII)
_ISO = re.compile(rf"PT(?=\d)(?:{_N}H)?(?:{_N}M)?(?:{_N}S)?", re.ASCII)
_NOMINAL = re.compile(r"P(?:(?P<weeks>\d{1,9})W|(?P<days>\d{1,9})D(?P<rest>T.+)?)", re.ASCII)
_PLAIN_SIZES: Final = (7 * DAY, DAY, HOUR, MINUTE, SECOND, MILLISECOND, MICROSECOND)
_ISO_SIZES: Final = (HOUR, MINUTE, SECOND)
_LONGEST_SAID: Final = f"at most 100 years ({LONGEST // DAY}d)"


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
    if isinstance(text, str) and (days := _nominal(text)):
        exact = say(days[0] * DAY + days[1])
        raise ValueError(
            f"{text!r} counts days of a calendar, which the clocks make 23 to 25 hours long: write {exact}"
        )
    ticks = _ticks(text) if isinstance(text, str) else None
    if ticks is None:
        shown = repr(text) if len(repr(text)) <= 40 else repr(text)[:37] + "..."
        raise ValueError(f"{shown} is not a duration: write 90s, 1h30m, 500ms or PT30S")
    if ticks > LONGEST:
        raise ValueError(f"{text!r} is too long: {_LONGEST_SAID}")
    if ticks.denominator != 1:
        raise ValueError(f"{text!r} is finer than a microsecond: write a whole number of us")
    return int(ticks)


def parse_span(text: str) -> tuple[int, int]:
    """Read a duration that begins at a place in a calendar: its nominal days, and after them its exact ticks.

    Raises:
        ValueError: as ``parse_duration`` does.

    >>> parse_span("P1W"), parse_span("P1DT12H"), parse_span("1d12h")
    ((7, 0), (1, 43200000000), (0, 129600000000))
    """
    return _nominal(text) or (0, parse_duration(text))


def _nominal(text: str) -> tuple[int, int] | None:
    found = _NOMINAL.fullmatch(text)
    if found is None or (found["rest"] and not _ISO.fullmatch("P" + found["rest"])):
        return None
    days = int(found["days"] or 7 * int(found["weeks"] or 0))
    ticks = parse_duration("P" + found["rest"]) if found["rest"] else 0
    if days * DAY + ticks > LONGEST:
        raise ValueError(f"{text!r} is too long: {_LONGEST_SAID}")
    return days, ticks


def _ticks(text: str) -> Fraction | None:
    for pattern, sizes in ((_PLAIN, _PLAIN_SIZES), (_ISO, _ISO_SIZES)):
        if found := pattern.fullmatch(text):
            given = [(number, size) for number, size in zip(found.groups(), sizes, strict=True) if number]
            if given and not any("." in number for number, _ in given[:-1]):
                return sum((Fraction(number) * size for number, size in given), Fraction(0))
    return None
