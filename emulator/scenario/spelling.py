"""How durations are written and read, and which valid word the writer of another probably meant.

Two spellings: ``1h30m`` with the units w, d, h, m, s, ms, us, each at most once and in this order; and the
ISO 8601 form ``PT1H30M``. Both are exact: ``1d`` is 24 hours, whatever the clocks do. ``P1D`` and ``P1W`` are nominal,
as RFC 5545 (section 3.3.6) has it: days of a calendar, whose length only a place in it can tell. ``parse_span`` reads
them, for the few values that have one. Years and months are refused. Only the last number may have decimals. Libraries
were measured and dropped: each accepts some of what is refused here (``1:30``, ``1m1m``, ``P1M`` as 30 days, digits of
other scripts).
"""

import re
from collections.abc import Iterable
from fractions import Fraction
from types import MappingProxyType
from typing import Final

from emulator.timeline.ticks import DAY, HOUR, MICROSECOND, MILLISECOND, MINUTE, SECOND, say

__all__ = [
    "LONGEST",
    "RENAMED",
    "advise",
    "nearest",
    "parse_duration",
    "parse_span",
    "renamed",
]


_LONGEST_WORD = 80  # difflib takes quadratic time; nobody mistypes a word of this length
_MOST_LISTED = 12

RENAMED: Final = MappingProxyType(
    {
        # keys of a scenario
        "declines_what_cannot_end": "skips_jobs_too_long_to_finish",
        "differ": "per_worker",
        "end_told_as": "expiry_sent_as",
        "finish_and_leave": "drain",
        "follows_successor": "follows_resubmitted",
        "heeds_retry_after": "respects_retry_after",
        "least": "min",
        "leases_over_outage": "leases_during_outage",
        "leaves": "effect",
        "leaves_after": "retires_after",
        "leaves_in": "effect_in",
        "leaves_line_if_abandoned": "abandoned_calls",
        "likeliest": "mode",
        "line_at_most": "waiting_at_most",
        "longest_run": "time_limit",
        "longest_wait": "finish_within",
        "meets_own_work": "if_already_in_progress",
        "most": "max",
        "stops_itself": "stops_at_lease_end",
        # their values
        "lease lost": "lease_lost",
        "looks_first": "checks_first",
        "permanent error": "permanent_error",
        "pushed_out": "extend",
        "run_on": "expire",
        "too long": "time_limit",
        # measures
        "attempts_too_long": "attempts_time_limit",
        "families": "resubmission_groups",
        "families_done_share": "resubmission_groups_done_share",
        "incomplete_sets": "partial_effects",
        "lost_at_work": "lost_while_healthy",
        "put_back": "resubmitted",
        "repeated_across_jobs": "unsafe_repeats_across_jobs",
        "repeated_effects": "unsafe_repeats",
        # kinds of events
        "work_goes_on": "work_continued",
        "work_stands_still": "work_paused",
        "worker_told": "worker_notified",
    }
)
"""Words that older files use, and what each is called now."""


def renamed(word: str, valid: Iterable[str]) -> str:
    """Say what a word of before is called now, if that is one of the valid words; else "".

    >>> renamed("leaves", ["effect", "takes"]), renamed("leaves", ["lease"])
    ('`leaves` is called `effect` now', '')
    """
    now = RENAMED.get(word)
    return f"`{word}` is called `{now}` now" if now is not None and now in valid else ""


def nearest(word: str, valid: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Give the valid word that lies nearest to a mistyped one, or None when none is so near (1: the same letters).

    Case, and the choice between ``-``, ``_`` and a space, count as no difference; of equally near words the first
    in the alphabet is taken, so that the answer never depends on the order of ``valid``.

    >>> nearest("time-limit", ["lease", "time_limit"]), nearest("volume", ["lease"])
    ('time_limit', None)
    """
    if len(word) > _LONGEST_WORD:
        return None
    from difflib import SequenceMatcher, get_close_matches  # what is spelt right does not need it

    plain = {_plain(known): known for known in sorted(valid, reverse=True)}
    found = get_close_matches(_plain(word), sorted(plain), n=max(len(plain), 1), cutoff=cutoff)
    if not found:
        return None
    likeness = {known: SequenceMatcher(None, known, _plain(word)).ratio() for known in found}
    return plain[min(found, key=lambda known: (-likeness[known], known))]


def advise(word: str, valid: Iterable[str]) -> str:
    """Say what may be written instead of a word: the nearest spelling if one is near, else all that is allowed.

    >>> advise("leese", ["lease", "retry"])
    "did you mean 'lease'?"
    >>> advise("volume", ["retry", "lease"])
    'allowed are: lease, retry'
    """
    known = sorted(valid)
    if now := renamed(word, known):
        return now
    if near := nearest(word, known):
        return f"did you mean {near!r}?"
    if not known:
        return "nothing is allowed here"
    more = len(known) - _MOST_LISTED
    return f"allowed are: {', '.join(known[:_MOST_LISTED])}" + (f" and {more} more" if more > 0 else "")


def _plain(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")


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
