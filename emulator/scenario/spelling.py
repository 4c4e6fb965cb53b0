"""Which valid word did the writer probably mean?"""

from collections.abc import Iterable

__all__ = ["advise", "nearest"]

_LONGEST_WORD = 80  # difflib takes quadratic time; nobody mistypes a word of this length
_MOST_LISTED = 12


def nearest(word: str, valid: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Give the valid word that lies nearest to a mistyped one, or None when none is so near (1: the same letters).

    Case, and the choice between ``-``, ``_`` and a space, count as no difference; of equally near words the first
    in the alphabet is taken, so that the answer never depends on the order of ``valid``.

    >>> nearest("longest-run", ["lease", "longest_run"]), nearest("volume", ["lease"])
    ('longest_run', None)
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
    if near := nearest(word, known):
        return f"did you mean {near!r}?"
    if not known:
        return "nothing is allowed here"
    more = len(known) - _MOST_LISTED
    return f"allowed are: {', '.join(known[:_MOST_LISTED])}" + (f" and {more} more" if more > 0 else "")


def _plain(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")
