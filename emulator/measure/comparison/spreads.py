"""How does one figure spread over the nights of one variant?

The law: a night whose value is only known to be more than its reading is never dropped and never taken at its reading
where that would flatter. For the mean it counts with its reading, which makes the mean a lower bound; for order
statistics it lies anywhere from its reading up, so a low end takes the readings and a high end takes it for infinite.
"""

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Final

from emulator.errors import InputError
from emulator.measure.comparison.intervals import kept_within, ranks, student_interval
from emulator.measure.comparison.replication import Reading
from emulator.measure.comparison.result import Interval, Spread
from emulator.measure.estimate import Unit, deviation, mean

__all__ = ["finite", "spread"]

_MEDIAN: Final = Fraction(1, 2)
_P90: Final = Fraction(9, 10)


def finite(readings: Sequence[Reading], of: str) -> list[Reading]:
    """Put what is known for certain in the place of infinite readings: more than the largest finite one (or than 0).

    Raises:
        InputError: for a reading that is not a number, or below all bounds.
    """
    values = [one.value for one in readings if one.value is not None]
    if any(math.isnan(value) or value == -math.inf for value in values):
        raise InputError(f"a reading of {of} is not a number: a figure is finite, infinite or absent")
    most = max((value for value in values if value < math.inf), default=0)
    return [Reading(most, True) if one.value == math.inf else one for one in readings]


def spread(measure: str, variant: str, unit: Unit, readings: Iterable[Reading], confidence: float) -> Spread:
    """Describe the readings of one figure, given by ``finite``, in any order."""
    found = list(readings)
    known = [(one.value, one.more_than) for one in found if one.value is not None]
    values = sorted(value for value, _ in known)
    exact = sorted(value for value, more_than in known if not more_than)
    n, more_than = len(values), len(values) - len(exact)
    if not values:
        return Spread(measure, variant, unit, 0, len(found), 0, None, None, None, None, None, None, None, None, None)
    interval = student_interval(values, confidence)
    if interval is not None:  # no figure is below 0, no share above 1
        interval = kept_within(interval, min(0, values[0]), 1.0 if unit == "share" else math.inf)
    if interval is not None and more_than:
        interval = Interval(interval.low, None, confidence)
    median, p90 = math.ceil(n * _MEDIAN) - 1, math.ceil(n * _P90) - 1
    bounds = {
        "mean": more_than > 0,
        "median": exact[median : median + 1] != [values[median]],
        "p90": exact[p90 : p90 + 1] != [values[p90]],
        "least": exact[:1] != values[:1],
        "most": more_than > 0,
    }
    return Spread(
        measure=measure,
        variant=variant,
        unit=unit,
        n=n,
        absent=len(found) - n,
        more_than=more_than,
        mean=mean(values),
        mean_interval=interval,
        deviation=deviation(values) if n > 1 else None,
        median=values[median],
        median_interval=_by_ranks(values, exact, _MEDIAN, confidence),
        p90=values[p90],
        p90_interval=_by_ranks(values, exact, _P90, confidence),
        least=values[0],
        most=values[-1],
        lower_bounds=tuple(name for name, is_bound in bounds.items() if is_bound),
    )


def _by_ranks(values: Sequence[float], exact: Sequence[float], share: Fraction, confidence: float) -> Interval | None:
    """Give the interval of a quantile: ``values`` with cut-off ones at their readings, ``exact`` without them."""
    if len(values) < 2:
        return None
    low, high = ranks(len(values), share, confidence)
    return Interval(
        None if low is None else values[low - 1],
        None if high is None or high > len(exact) else exact[high - 1],
        confidence,
    )
