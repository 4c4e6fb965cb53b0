"""Do new nights still belong with the old ones? A test that may be looked at after every night.

Each new night is ranked among all nights before it; the rank, with a tie broken at random, gives a number ``p`` that is
uniform and independent of the past as long as the nights are exchangeable (Vovk, Gammerman and Shafer, Algorithmic
Learning in a Random World, 2005). Somebody bets against that: from an unknown night on, low or high ranks would come
too often. The stake that a bettor of each kind wins multiplies a capital that begins with 1 and is fair, so that it
ever reaches 1000 in at most one of 1,000 undisturbed sequences, however long (Ville's inequality, 1939).

The bet is a mixture over the night at which the change begins, with a constant hazard, and over its direction; a bet on
small ``p`` pays ``1 / (2 sqrt(p))``. Every part of it has the expectation 1 under a uniform ``p``, so has the mixture.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from emulator.past.laws import stats

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["LIMIT", "Bet", "lag_one", "ranks_of", "wager"]

LIMIT: Final = 1000.0
"""The capital at which an alarm is raised."""

_HAZARD: Final = 0.02


@dataclass(frozen=True, slots=True)
class Bet:
    """How a bet went.

    Attributes:
        capital: after each night.
        alarm: the first night after which the capital had reached the limit, from 0; None where it never did.
        since: from which night on the nights most likely differ, at the alarm.
        higher: whether they are higher than before.
    """

    capital: tuple[float, ...]
    alarm: int | None
    since: int | None
    higher: bool


def ranks_of(values: Sequence[float], learnt: int, seed: int = 0) -> "NDArray[np.float64]":
    """Rank each value from place ``learnt`` on among all before it and itself: numbers between 0 and 1.

    Args:
        values: one for each night, in order.
        learnt: how many of them are only compared with.
        seed: of the draws that break ties.
    """
    import numpy as np

    rng = np.random.default_rng(seed)
    past = np.asarray(values, dtype=float)
    out = []
    for at in range(learnt, len(past)):
        before = past[:at]
        below, equal = int((before < past[at]).sum()), int((before == past[at]).sum()) + 1
        out.append((below + rng.random() * equal) / (at + 1))
    return np.array(out)


def wager(ranks: Iterable[float]) -> Bet:
    """Bet on a change of level in a row of ranks.

    >>> wager([0.5] * 40).alarm is None
    True
    >>> wager([0.5] * 20 + [0.98] * 20).alarm
    28
    """
    sleeping = 1.0
    awake: list[list[float]] = []  # for each night of waking: the stakes on low and on high ranks
    capital: list[float] = []
    for at, rank in enumerate(ranks):
        pays = (0.5 / max(rank, 1e-12) ** 0.5, 0.5 / max(1 - rank, 1e-12) ** 0.5)
        awake.append([sleeping * _HAZARD / 2, sleeping * _HAZARD / 2])
        sleeping *= 1 - _HAZARD
        for stakes in awake:
            stakes[0] *= pays[0]
            stakes[1] *= pays[1]
        low, high = sum(it[0] for it in awake), sum(it[1] for it in awake)
        capital.append(sleeping + low + high)
        if capital[-1] >= LIMIT:
            side = 1 if high > low else 0
            since = max(range(len(awake)), key=lambda each: awake[each][side])
            return Bet(tuple(capital), at, since, bool(side))
    return Bet(tuple(capital), None, None, False)


def lag_one(values: Sequence[float]) -> tuple[float, float]:
    """How much does a night lean on the night before? The correlation of ranks, and its chance were there none.

    The ranks are those of Spearman; without correlation the coefficient is normal with variance ``1 / (n - 1)``.
    """
    import numpy as np

    found = np.asarray(values, dtype=float)
    if len(found) < 10 or len(np.unique(found)) < 3:
        return 0.0, 1.0
    value = float(stats().spearmanr(found[:-1], found[1:]).statistic)
    return value, float(2 * stats().norm.sf(abs(value) * (len(found) - 2) ** 0.5))
