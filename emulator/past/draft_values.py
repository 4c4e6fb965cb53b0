"""How are what people called things, and numbers that were learnt, written as values of a scenario?"""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from emulator.past.commented import plain_of
from emulator.past.laws import stats
from emulator.timeline.ticks import SECOND, say

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from emulator.past.learning import Learnt

__all__ = [
    "at_once",
    "gap_interval",
    "middle_of",
    "names_of",
    "other_sizes",
    "quantile_law",
    "rounded_pause",
    "share_of",
    "span_text",
]

_TAIL: Final = 2.0
"""Where the longest run is so many times the 95th percentile, the tail has quantiles of its own."""


def span_text(seconds: float) -> str:
    """Write a time with three digits that count, as a scenario does.

    >>> span_text(243.467), span_text(20.18), span_text(0.0)
    ('4m3s', '20.2s', '0s')
    """
    if seconds <= 0:
        return "0s"
    digits = 0 if seconds >= 100 else 1 if seconds >= 10 else 2 if seconds >= 1 else 3
    if seconds >= 100:
        return say(round(seconds) * SECOND)
    return f"{round(seconds, digits):g}s"


def names_of(texts: Sequence[str]) -> list[str]:
    """Give the names that a draft has for routines or workers of an export, in their order; each once.

    >>> names_of(["Copy plates", "copy.plates", "Copy plates"])
    ['Copy-plates', 'copy-plates', 'Copy-plates-2']
    """
    taken: set[str] = set()
    out = []
    for text in texts:
        name = plain = (
            re.sub(r"[./#{}\s]+", "-", "".join(it for it in text if it.isprintable())).strip("-")[:150] or "unnamed"
        )
        at = 1
        while name in taken:
            at += 1
            name = f"{plain}-{at}"
        taken.add(name)
        out.append(name)
    return out


def quantile_law(shares: Mapping[float, float]) -> dict[str, Any]:
    """Write run times by quantiles; a long tail has its own.

    Quantiles of one list lie evenly apart, and between two of them times are drawn evenly. Of a long tail that would
    be far too much in the mean, so that it is cut in two finer parts: the upper 5 % without the last, and the last.
    """
    main = [shares[share] for share in sorted(shares) if share <= 0.95 and round(share * 100) % 5 == 0]
    long = [shares[share] for share in (0.95, 0.96, 0.97, 0.98, 0.99)]
    longest = [shares[share] for share in (0.99, 0.9925, 0.995, 0.9975, 1.0)]
    if len({*main, *longest}) == 1:
        return {"constant": span_text(main[0])}
    parts = [[span_text(it) for it in part] for part in (main, long, longest)]
    if longest[-1] <= _TAIL * long[0]:
        return {"quantiles": [*parts[0], parts[2][-1]]}
    return {"mixture": [{"quantiles": part} for part in parts], "weights": [0.95, 0.04, 0.01]}


def rounded_pause(seconds: float) -> float:
    """Round a pause to what a person would have set: to whole seconds, or tens of them from two minutes on."""
    near = round(seconds / 10) * 10
    return float(near) if seconds >= 60 and abs(near - seconds) <= 2 else float(round(seconds))


def share_of(sorted_values: Sequence[float], share: float) -> float:
    return sorted_values[min(len(sorted_values) - 1, int(share * len(sorted_values)))]


def middle_of(values: "NDArray[np.float64]") -> tuple[float, float]:
    import numpy as np

    low, high = np.nanquantile(values, (0.05, 0.95))
    return float(low), float(high)


def other_sizes(pools: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Give each pool that is counted a worker more and one fewer, so that there is something to compare."""
    for name, pool in pools.items():
        count = plain_of(pool.get("count", 0))
        if count:
            yield f"one more in {name}", {f"pools.{name}.count": count + 1}
        if count > 1 and f"{name}-{count}" not in pool.get("per_worker", ()):
            yield f"one fewer in {name}", {f"pools.{name}.count": count - 1}


def at_once(learnt: "Learnt", routine: int | None = None) -> int:
    """How many attempts ran at once at most, in 19 of 20 nights; or were unfinished, of one routine, in most."""
    import numpy as np

    it, nights = learnt.nights.attempts, learnt.nights
    begins = it.begun if routine is None else it.submitted
    rows = np.isfinite(begins) & np.isfinite(it.ended) & (it.ended > begins)
    rows &= True if routine is None else it.routine == routine
    most = []
    for night in np.unique(nights.night[rows]):
        own = rows & (nights.night == night)
        moments = np.concatenate([begins[own], it.ended[own]])
        steps = np.concatenate([np.ones(own.sum()), -np.ones(own.sum())])
        most.append(int(np.cumsum(steps[np.lexsort((steps, moments))]).max()))
    return max(1, int(np.quantile(most, 0.95 if routine is None else 0.5, method="lower"))) if most else 1


def gap_interval(count: int, hours: float) -> tuple[float, float]:
    """The interval at 95 % of the mean gap: exact limits of a Poisson count (Garwood, 1936)."""
    high = hours / (float(stats().chi2.ppf(0.025, 2 * count)) / 2)
    return hours / (float(stats().chi2.ppf(0.975, 2 * (count + 1))) / 2), high
