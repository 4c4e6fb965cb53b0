"""What is a value that grows, some time after the scenario's own date?

A number is multiplied, and so are a duration, every rate of `per_hour`, and every duration of a distribution. A whole
number stays whole: 10.3 jobs are 10 in seven of ten nights and 11 in three, as the night's place among its like says.
"""

import math
from collections.abc import Iterator, Mapping
from typing import Any, Final

from emulator.scenario.durations import parse_duration
from emulator.scenario.messages import Found
from emulator.scenario.models.routines import Growth
from emulator.timeline.ticks import say

__all__ = ["factor_after", "grown", "patch_after", "wrong_growth"]

_DAYS: Final = {"week": 7.0, "month": 365.2425 / 12, "year": 365.2425}
"""How long each period of growth is, in days of the calendar: growth goes on evenly, also within a period."""


def factor_after(growth: Growth, days: float, by: float | None = None) -> float:
    """Give how many times as much a value is so many days later.

    Args:
        growth: what grows.
        days: after the scenario's own date, 0 or more.
        by: in place of the growth that is stated, as a share (0.03 for 3 %).

    >>> round(factor_after(Growth(path="arrivals.nightly.count", by="3 %"), 365.2425), 4)
    1.4258
    """
    return math.pow(1 + (growth.by if by is None else by), days / _DAYS[growth.each])


def grown(value: Any, factor: float, place: float = 0.5) -> Any:
    """Give a value of plain data so many times as large; None where nothing can grow.

    Args:
        value: what stands in a scenario.
        factor: above 0.
        place: from 0 up to, and not including, 1: of a night among its like. A whole number with a rest is rounded up
            where the rest and the place are 1 together.

    >>> grown(10, 1.03, 0.5), grown(10, 1.03, 0.8), grown("90s", 2), grown({"median": "4m", "p95": "9m"}, 2)
    (10, 11, '3m', {'median': '8m', 'p95': '18m'})
    """
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return math.floor(value * factor + place + 1e-9)  # the tenth night of ten rounds 10.1 up in spite of its float
    if isinstance(value, float):
        return value * factor
    if isinstance(value, str):
        ticks = _ticks(value)
        return None if ticks is None else say(round(ticks * factor))
    if isinstance(value, Mapping):
        rates = not any(_ticks(item) is not None for item in _leaves(value))
        made = {key: _inner(item, factor, rates) for key, item in value.items()}
        return made if made != value or factor == 1 else None
    return None


def _inner(value: Any, factor: float, rates: bool) -> Any:
    """Of a mapping of rates the numbers grow, of a distribution the durations."""
    if isinstance(value, Mapping):
        return {key: _inner(item, factor, rates) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_inner(item, factor, rates) for item in value]
    if rates and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value * factor)
    more = grown(value, factor) if isinstance(value, str) else None
    return value if more is None else more


def _leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, Mapping | list | tuple):
        for item in value.values() if isinstance(value, Mapping) else value:
            yield from _leaves(item)
    else:
        yield value


def _ticks(value: Any) -> int | None:
    if not isinstance(value, str):
        return None
    try:
        return parse_duration(value)
    except ValueError:
        return None


def patch_after(
    data: Mapping[str, Any], growths: tuple[Growth, ...], days: float, place: float = 0.5
) -> dict[str, Any]:
    """Give what a scenario changes to so many days later: dotted paths and their values, as a variant has them.

    >>> patch_after({"queues": {"night": {"lease": "90s"}}}, (Growth(path="queues.night.lease", by="100 %"),), 0)
    {'queues.night.lease': '1m30s'}
    """
    from emulator.scenario.variants import value_at  # it loads scenarios, and loading asks for what is below

    return {growth.path: grown(value_at(data, growth.path), factor_after(growth, days), place) for growth in growths}


def wrong_growth(data: Mapping[str, Any]) -> Iterator[Found]:
    """Tell the paths of growth that lead to nothing that can grow, and those that stand there twice."""
    stated = data.get("growth")
    if not isinstance(stated, list):
        return
    from emulator.scenario.variants import value_at

    seen = set()
    for place, item in enumerate(stated):
        path = item.get("path") if isinstance(item, Mapping) else None
        if not isinstance(path, str) or not path:
            continue
        loc = ("growth", place, "path")
        if path in seen:
            yield Found(loc, f"{path} grows already: state each path once")
        seen.add(path)
        value = value_at(data, path) if not path.startswith("growth") else None
        if value is None:
            yield Found(loc, f"nothing is stated at {path}: name a number, a duration or a rate that is written here")
        elif grown(value, 2.0) is None:
            yield Found(loc, f"what stands at {path} does not grow: name a number, a duration or a rate")
