"""Which valid word did the writer probably mean?"""

from collections.abc import Iterable
from types import MappingProxyType
from typing import Final

__all__ = ["RENAMED", "advise", "nearest", "renamed"]

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
