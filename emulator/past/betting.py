"""A test of whether new nights still belong with the old ones; it may be looked at after every night.

Each new night is ranked among all nights before it; the rank, with a tie broken at random, gives a number ``p`` that is
uniform and independent of the past as long as the nights are exchangeable (Vovk, Gammerman and Shafer, Algorithmic
Learning in a Random World, 2005). Somebody bets against that: from an unknown night on, low or high ranks would come
too often. The stake that a bettor of each kind wins multiplies a capital that begins with 1 and is fair, so that it
ever reaches 1000 in at most one of 1,000 undisturbed sequences, however long (Ville's inequality, 1939).

The bet is a mixture over the night at which the change begins, with a constant hazard, over its direction, and over
three kinds. One pays ``1 / (2 sqrt(p))`` for a small ``p`` and wins fast at first; then changed nights are themselves
among those that further ones are ranked with. Two pay for the lower half and the lower quarter, and go on winning.
Every part has the expectation 1 under a uniform ``p``, so has the mixture.
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
_KINDS: Final = 6


@dataclass(frozen=True, slots=True)
class Bet:
    """How a bet went.

    Attributes:
        capital: after each night.
        alarm: the first night after which the capital had reached the limit, from 0; None where it never did.
        since: from which night on the nights most likely differ: where the stake that won most woke up; None where
            none has won anything.
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


def wager(ranks: Iterable[float | None], *, on: bool = False) -> Bet:
    """Bet on a change of level in a row of ranks.

    Args:
        ranks: one for each night; None where a night tells nothing, and nothing is bet.
        on: go on after the alarm, to the last night.

    >>> wager([0.5] * 40).alarm is None
    True
    >>> wager([0.5] * 20 + [0.98] * 20).alarm
    29
    """
    import numpy as np

    row = list(ranks)
    sleeping = 1.0
    awake = np.zeros((len(row), _KINDS))  # for each night of waking: the stakes on each kind of bet
    won = np.ones((len(row), _KINDS))  # what each of them has made of 1 so far
    capital: list[float] = []
    alarm: int | None = None
    for at, rank in enumerate(row):
        awake[at] = sleeping * _HAZARD / _KINDS
        sleeping *= 1 - _HAZARD
        if rank is not None:
            pays = _pays(rank)
            awake[: at + 1] *= pays
            won[: at + 1] *= pays
        capital.append(sleeping + float(awake[: at + 1].sum()))
        if alarm is None and capital[-1] >= LIMIT:
            alarm = at
            if not on:
                break
    if not capital:
        return Bet((), None, None, False)
    kind = int(np.argmax(awake.sum(axis=0)))
    since = int(np.argmax(won[: len(capital), kind]))
    return Bet(tuple(capital), alarm, since if won[since, kind] > 1 else None, kind >= _KINDS // 2)


def _pays(rank: float) -> list[float]:
    """What each kind of bet pays: three on low ranks, then three on high ones; each has the expectation 1."""
    found = []
    for low in (rank, 1 - rank):
        found += [0.5 / max(low, 1e-12) ** 0.5, 1.8 if low < 0.5 else 0.2, 3.4 if low < 0.25 else 0.2]
    return found


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
