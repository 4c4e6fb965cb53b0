"""How do nights become days of the calendar?

A night reaches into the next day: what comes at three in the morning of Monday's night comes on Tuesday. Schedules
become rules of RFC 5545, and rates over the night become rates by the day and the hour.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, Final

from emulator.past.figures import kind_of_day
from emulator.past.schedules import DAY_SETS, Schedule

__all__ = ["clock_text", "rates_by_day", "rules_of"]

_DAY: Final = 86_400
_DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_BYDAY: Final = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


def rules_of(schedules: Sequence[Schedule], begins: int) -> Iterator[tuple[str, list[Schedule]]]:
    """Write schedules as rules of RFC 5545; those that come alike at the same minutes of several hours share one."""
    alike: dict[Any, list[Schedule]] = defaultdict(list)
    for it in schedules:
        clock = it.at + begins
        one = set(it.batches) == {1} and max(it.lateness) <= 60
        key = (it.days, clock >= _DAY, clock % 3600) if one else id(it)
        alike[key].append(it)
    hours: dict[Any, list[Schedule]] = defaultdict(list)
    for key, group in alike.items():
        # Several minutes of the same hours make one rule; what comes once stays by itself.
        same = tuple(int((it.at + begins) // 3600) for it in group)
        hours[(key[0], key[1], key[2] % 60, same) if isinstance(key, tuple) else key] += group
    for group in hours.values():
        clocks = sorted({(it.at + begins) for it in group})
        shift = 1 if clocks[0] >= _DAY else 0
        days = sorted((day + shift) % 7 for day in DAY_SETS[group[0].days])
        rule = "FREQ=DAILY" if len(days) == 7 else f"FREQ=WEEKLY;BYDAY={','.join(_BYDAY[day] for day in days)}"
        hour, minute, second = (
            sorted({int(each // size % many) for each in clocks}) for size, many in ((3600, 24), (60, 60), (1, 60))
        )
        rule += f";BYHOUR={','.join(map(str, hour))};BYMINUTE={','.join(map(str, minute))}"
        yield rule + (f";BYSECOND={','.join(map(str, second))}" if second != [0] else ""), group


def clock_text(seconds: float) -> str:
    whole = int(seconds) % _DAY
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}"


def rates_by_day(pieces: Mapping[str, Sequence[Any]], begins: int, lasts: int) -> Any:
    """Write the rates of nights as rates of days: a day holds the end of one night and the begin of the next."""
    monday = date(2024, 1, 1)  # any Monday: kinds of nights go by the day of the week alone

    def of_night(weekday: int) -> Sequence[Any]:
        return pieces.get("every day") or pieces[kind_of_day(monday + timedelta(days=weekday % 7))]

    days = []
    for weekday in range(7):
        steps: list[tuple[float, float]] = [(0.0, 0.0)]
        for night, shift in ((weekday - 1, begins - _DAY), (weekday, begins)):
            for it in of_night(night):
                low, high = max(0.0, it.begins + shift), min(float(_DAY), it.until + shift)
                if low < high:
                    steps += [(low, float(f"{it.per_hour:.4g}")), (high, 0.0)]
        last: dict[float, float] = dict(steps)  # of an end and a begin at one time, the begin comes later and wins
        day: dict[str, float] = {}
        before = None
        for at in sorted(last):
            if at < _DAY and last[at] != before:
                day[clock_text(at)] = before = last[at]
        days.append(day)
    return _by_days([next(iter(it.values())) if len(it) == 1 else it for it in days])


def _by_days(days: Sequence[Any]) -> dict[str, Any]:
    """Name days that are alike together."""
    if all(it == days[0] for it in days):
        return {"every_day": days[0]}
    usual = days[2]
    out = {"weekdays": usual}
    out |= {_DAYS[at]: days[at] for at in range(5) if days[at] != usual}
    return out | ({"weekend": days[5]} if days[5] == days[6] else {"sat": days[5], "sun": days[6]})
