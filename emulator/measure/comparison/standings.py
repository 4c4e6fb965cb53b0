"""Is a requirement shown, missed, or open after so many nights?

The law: the interval is two-sided and exact (Clopper and Pearson, Biometrika 26, 1934), at a confidence that holds for
all candidates together (Bonferroni). With ``in_share: s`` a requirement is shown when the low end is at least s, and
missed when the high end is below. Without it, or with ``in_share: 1``, it is asked of every night: missed after one
miss, and shown without one as soon as the low end is at least 90 %. Where nothing is random one night decides.

A candidate with a false requirement is shown only if that very requirement is: so the number of requirements needs no
further correction (an intersection-union test; Berger, Technometrics 24, 1982, from memory).
"""

import math
from collections.abc import Iterable, Sequence
from typing import Final

from emulator.errors import InputError
from emulator.measure.comparison.intervals import share_interval
from emulator.measure.comparison.planning import nights_without_more_misses
from emulator.measure.comparison.recommendation import Standing
from emulator.measure.comparison.result import Interval
from emulator.measure.comparison.tables import binomial_cdf

__all__ = [
    "EVERY_NIGHT",
    "all_standing",
    "confidence_of_each",
    "first_missed",
    "nights_at_rate",
    "nights_without_a_miss",
    "standing",
]

EVERY_NIGHT: Final = 0.9
"""What is asked of every night, and never missed, is shown when at least this share of all nights keeps it."""

_POWER: Final = 0.8


def confidence_of_each(confidence: float, candidates: int) -> float:
    """Give the confidence of one interval of several that hold together (Bonferroni).

    >>> round(confidence_of_each(0.95, 5), 4)
    0.99
    """
    return 1 - (1 - confidence) / max(1, candidates)


def _needed(asked: float | None) -> float:
    """Give the share that the low end has to reach."""
    return EVERY_NIGHT if asked is None or asked >= 1 else asked


def standing(held: int, judged: int, asked: float | None, interval: Interval | None) -> Standing:
    """Say how a requirement stands.

    Args:
        held: in how many nights it held, of ``judged``.
        judged: nights in which there was something to judge.
        asked: the share of nights that is asked for; None: every night.
        interval: of the share of nights; None where nothing is random.

    >>> standing(53, 53, None, share_interval(53, 53, 1 - 0.05 / 6))
    'shown'
    >>> standing(52, 52, None, share_interval(52, 52, 1 - 0.05 / 6)), standing(199, 200, None, None)
    ('open', 'missed')
    """
    if not judged:
        return "not_judged"
    if interval is None:
        return "shown" if held == judged else "missed"
    low, high = interval.low or 0.0, 1.0 if interval.high is None else interval.high
    if (asked is None or asked >= 1) and held < judged:
        return "missed"
    if low >= _needed(asked):
        return "shown"
    return "missed" if high < _needed(asked) else "open"


def all_standing(found: Iterable[Standing], *, lost: bool = False) -> Standing:
    """Say how all requirements of one candidate stand together.

    One that no night could judge does not hold up the others; nothing but such ones is not judged.

    >>> all_standing(["shown", "not_judged"]), all_standing(["shown", "open"]), all_standing(["not_judged"])
    ('shown', 'open', 'not_judged')
    >>> all_standing([]), all_standing(["shown"], lost=True)
    ('shown', 'open')
    """
    seen = set(found)
    if "missed" in seen:
        return "missed"
    if "open" in seen:
        return "open"
    if seen == {"not_judged"}:
        return "not_judged"
    return "open" if lost else "shown"


def nights_without_a_miss(candidates: int, asked: float | None = None, confidence: float = 0.95) -> int:
    """Give the fewest nights that show a requirement if none of them misses it.

    With no miss in n nights the low end of the exact interval at a level of ``a`` is (a / 2) ** (1 / n).

    >>> [nights_without_a_miss(candidates) for candidates in (1, 2, 3, 6, 8)]
    [36, 42, 46, 53, 55]
    """
    share = _needed(asked)
    fails = (1 - confidence) / 2 / max(1, candidates)
    found = max(1, int(math.log(fails) / math.log(share)))  # rounded down, in case of a quotient that is rounded up
    each = confidence_of_each(confidence, candidates)
    while (share_interval(found, found, each).low or 0.0) < share:
        found += 1
    return found


def nights_at_rate(held: int, judged: int, asked: float, candidates: int, confidence: float = 0.95) -> int | None:
    """Give the fewest nights that show a requirement four times in five, if it goes on being missed as often as now.

    Args:
        held: in how many nights it held, of ``judged``.
        judged: see ``held``; above 0.
        asked: the share of nights that is asked for, below 1.
        candidates: of how many all intervals hold together.
        confidence: of all of them.

    Returns:
        None when it held in no more nights than are asked for, or a million nights would not do. Any larger number
        shows it as often or more often.

    Raises:
        InputError: for a share of 1 or more, which no number of nights with a miss can show.

    >>> nights_at_rate(57, 60, 0.9, 2), nights_at_rate(54, 60, 0.9, 2)
    (308, None)
    """
    if asked >= 1:
        raise InputError("what is asked of every night is missed after one miss: no number of nights shows it")
    rate = held / judged
    if rate <= asked:
        return None
    each = confidence_of_each(confidence, candidates)

    def enough(misses: int) -> bool:
        """Say whether as many nights do as show it with so many misses, and all numbers of nights above that."""
        most = nights_without_more_misses(misses + 1, asked, each)  # from here on one more miss is allowed
        return most is not None and binomial_cdf(misses, most - 1, 1 - rate) >= _POWER

    # More nights may allow no more misses, and then show it less often: so misses are searched, and not nights.
    high = 1
    while not enough(high):
        high *= 2
        if nights_without_more_misses(high, asked, each) is None:
            return None
    low = -1 if high == 1 else high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return nights_without_more_misses(high, asked, each)


def first_missed(answers: Sequence[tuple[int, bool | None]], most: int = 10) -> tuple[int, ...]:
    """Give the first seeds with which something was missed."""
    return tuple(seed for seed, held in answers if held is False)[:most]
