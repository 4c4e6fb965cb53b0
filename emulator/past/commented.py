"""Writes a drafted scenario in which each value shows where it comes from.

A value that was learnt or guessed is a :class:`Stated`: it is written in the wrapper of the scenario format, and what
else there is to say of it stands in a comment above it. The plain data are the same without wrappers.

A night reaches into the next day: what comes at three in the morning of Monday's night comes on Tuesday. Schedules
become rules of RFC 5545, and rates over the night become rates by the day and the hour.
"""

import json
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

from emulator.past.figures import kind_of_day
from emulator.past.laws import stats
from emulator.past.schedules import DAY_SETS, Schedule
from emulator.timeline.ticks import SECOND, say

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from emulator.past.learning import Learnt

__all__ = [
    "Stated",
    "at_once",
    "clock_text",
    "flow",
    "gap_interval",
    "middle_of",
    "names_of",
    "other_sizes",
    "plain_of",
    "quantile_law",
    "rates_by_day",
    "rounded_pause",
    "rules_of",
    "share_of",
    "span_text",
    "stated_in",
    "yaml_lines",
]


_PLAIN: Final = re.compile(r"[A-Za-z][A-Za-z0-9_/-]*(?: [A-Za-z0-9_-]+)*|\d+(?:\.\d+)?(?:us|ms|s|m|h|d)[0-9a-z]*")
_WORDS: Final = frozenset(("true", "false", "null", "yes", "no", "on", "off", "y", "n"))
_WIDEST: Final = 118


@dataclass(frozen=True, slots=True)
class Stated:
    """A value, where it comes from, and what a comment says of it.

    Attributes:
        value: the value itself, as plain data.
        source: ``measured``, ``estimated``, ``documented`` or ``guess``; empty for what is only asked for, which is
            written without a wrapper.
        comment: what there is to say of it.
        n: on how many observations it rests; 0 where none are counted.
        on: the last day that it rests on.
        plausible: the two ends between which it may lie; empty where nobody knows.
        why: the reason for a guess.
        history: the digest of the files that it was learnt from.
    """

    value: Any
    source: str
    comment: str
    n: int = 0
    on: date | None = None
    plausible: tuple[Any, ...] = ()
    why: str = ""
    history: str = ""

    @property
    def wrapper(self) -> Any:
        """Give it as the scenario format writes it."""
        if not self.source:
            return self.value
        out: dict[str, Any] = {"value": self.value, "from": self.source}
        out |= {} if self.on is None else {"on": self.on.isoformat()}
        out |= {"n": self.n} if self.n else {}
        out |= {"plausible": list(self.plausible)} if self.plausible else {}
        out |= {"why": self.why} if self.why else {}
        return out | ({"history": self.history} if self.history else {})


def plain_of(value: Any) -> Any:
    """Give data without any wrapper.

    >>> plain_of({"lease": Stated("90s", "guess", "a guess: not in the history")})
    {'lease': '90s'}
    """
    if isinstance(value, Stated):
        return plain_of(value.value)
    if isinstance(value, Mapping):
        return {key: plain_of(inner) for key, inner in value.items()}
    return [plain_of(inner) for inner in value] if isinstance(value, list) else value


def stated_in(value: Any, path: str = "") -> Iterator[tuple[str, Stated]]:
    """Give every stated value with its dotted path; an item of a list goes by its name or its number from 0."""
    if isinstance(value, Stated):
        yield path, value
        value = value.value
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from stated_in(inner, f"{path}.{key}" if path else str(key))
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            name = inner.get("name", at) if isinstance(inner, Mapping) else at
            yield from stated_in(inner, f"{path}.{name}")


def flow(value: Any) -> str:
    """Write a value on one line.

    >>> flow({"one_of": ["90s", 2, "18:00"], "renewed": True})
    '{one_of: [90s, 2, "18:00"], renewed: true}'
    """
    if isinstance(value, Stated):
        return flow(value.wrapper)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(key)}: {flow(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(map(flow, value)) + "]"
    if isinstance(value, str):
        plain = _PLAIN.fullmatch(value) and value.lower() not in _WORDS
        dated = re.fullmatch(r"\d{4}-\d\d-\d\d(?:T\d\d:\d\d:\d\d)?", value)
        return value if plain or dated else json.dumps(value, ensure_ascii=False)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return json.dumps(value)


def _key(key: str) -> str:
    """Write a key; in YAML 1.2, which scenarios are written in, `on` and `n` are plain words."""
    return key if _PLAIN.fullmatch(key) else flow(key)


def yaml_lines(data: Mapping[str, Any], indent: str = "") -> Iterator[str]:
    """Write data as lines of YAML, each comment above its value."""
    for key, value in data.items():
        if isinstance(value, Stated):
            yield from _comment(value.comment, indent)
            value = value if len(indent + key + flow(value)) < _WIDEST else value.wrapper
        if isinstance(value, Mapping) and (_is_deep(value) or len(indent + key + flow(value)) >= _WIDEST):
            yield f"{indent}{_key(key)}:"
            yield from yaml_lines(value, indent + "  ")
        elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
            yield f"{indent}{_key(key)}:"
            for item in value:
                lines = list(yaml_lines(item, indent + "    "))
                first = next(at for at, line in enumerate(lines) if not line.lstrip().startswith("#"))
                yield from (line.replace(f"{indent}    #", f"{indent}  #", 1) for line in lines[:first])
                yield f"{indent}  - {lines[first].lstrip()}"
                yield from lines[first + 1 :]
        else:
            yield f"{indent}{_key(key)}: {flow(value)}"


def _is_deep(value: Any) -> bool:
    """Whether something inside needs a line of its own."""
    inner = value.values() if isinstance(value, Mapping) else value
    return any(isinstance(it, Stated) or (isinstance(it, Mapping | list) and _is_deep(it)) for it in inner)


def _comment(text: str, indent: str) -> Iterator[str]:
    words, line = text.split(), f"{indent}#"
    for word in words:
        if len(line) + 1 + len(word) > _WIDEST:
            yield line
            line = f"{indent}#"
        line += f" {word}"
    if words:
        yield line


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
