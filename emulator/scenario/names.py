"""Which names a scenario defines, whether a word is one of them, and the values of parameters as parts use them.

Names are read from the plain data, so that they are known even where the definitions have mistakes of their own.

The values of a list parameter may be given as a whole number: so many elements, named after the parameter
(``plates-1``, ``plates-2``, ...). A trace tells values as text: of a list its elements with ``;`` between them, or
their number.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from pydantic import ValidationError

from emulator.scenario.clock import Clock
from emulator.scenario.messages import Loc
from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.spelling import advise, nearest

__all__ = [
    "Names",
    "expand",
    "names_in",
    "ready_value",
    "value_in_trace",
]


_MOST_COMPARED: Final = 500
"""Beyond so many names the nearest spelling is not looked for: that takes its time."""

_MOST_SHOWN: Final = 10


class Names:
    """The names that a scenario defines, and one question about a word for each way in which names are used.

    Each question answers None if the word is such a name, else what is wrong with it.
    """

    def __init__(self, data: Mapping[str, Any], labels: Mapping[Loc, str | None]) -> None:
        self.queues, self.pools = _mapping(data.get("queues")), _mapping(data.get("pools"))
        self.systems, self.routines = _mapping(data.get("systems")), _mapping(data.get("routines"))
        self.factors = _mapping(data.get("varies"))
        self.labels = labels
        self.entries: dict[str, Mapping[str, Any]] = {}
        for loc, label in labels.items():
            if label is not None:
                self.entries.setdefault(label, data["arrivals"][loc[1]])
        self.workers: dict[str, str] = {}
        for pool in self.pools:
            for name in self._named(pool) or ():
                self.workers.setdefault(name, pool)
        self._open = {
            what
            for what, known in (("queue", self.queues), ("pool", self.pools), ("routine", self.routines))
            if not known
        }
        if None in labels.values() or not labels:
            self._open.add("arrival entry")
        if not self.systems and data.get("systems"):
            self._open.add("system")

    def queue(self, word: str) -> str | None:
        return self._unknown("queue", word, self.queues)

    def factor(self, word: str) -> str | None:
        return self._unknown("factor", word, self.factors)

    def pool(self, word: str) -> str | None:
        return self._unknown("pool", word, self.pools)

    def system(self, word: str) -> str | None:
        return self._unknown("system", word, self.systems)

    def routine(self, word: str) -> str | None:
        return self._unknown("routine", word, self.routines)

    def effect(self, word: str) -> str | None:
        """An effect that some part of a routine has."""
        if "routine" in self._open:
            return None
        known = [name for _, name in expand({"routines": self.routines}, ("routines", "*", "parts", "*", "effect"))]
        return self._unknown("effect", word, {name: {} for name in known if isinstance(name, str)})

    def system_or_part(self, word: str) -> str | None:
        """``archive``, or ``archive/shelf`` for one part of it."""
        name, slash, part = word.partition("/")
        if slash and not part:
            return f"{word!r} names no part of the system behind its slash"
        return self.system(name)

    def system_or_routine(self, word: str) -> str | None:
        if word in self.routines or "routine" in self._open:
            return None
        return self._unknown("system or routine", word, {**self.systems, **self.routines})

    def entry(self, word: str) -> str | None:
        """An arrival entry, by its name or by what it is called without one."""
        return self._unknown("arrival entry", word, self.entries)

    def job(self, word: str) -> str | None:
        """``entry#number``: the job with that number in its arrival entry."""
        entry, sign, digits = word.rpartition("#")
        if not sign or not entry or not (digits.isdecimal() and digits.isascii()) or digits[0] == "0":
            return f"{word!r} is no job: write the arrival entry and the number of the job in it, such as nightly#3"
        if wrong := self.entry(entry):
            return wrong
        return self.too_high(entry, int(digits))

    def too_high(self, entry: str, number: int) -> str | None:
        """Say so if an entry has fewer jobs than a number."""
        settings = self.entries.get(entry, {})
        count = settings.get("count", 1 if "at" in settings else None) if "days" not in settings else None
        if isinstance(count, int) and number > count:
            return f"{entry!r} has {count} {'job' if count == 1 else 'jobs'}, and none with the number {number}"
        return None

    def worker_or_pool(self, word: str) -> str | None:
        if word in self.pools or "pool" in self._open:
            return None
        return self._worker(word, "worker or pool")

    def worker(self, word: str) -> str | None:
        return self._worker(word, "worker")

    def worker_of(self, pool: str, word: str) -> str | None:
        """A worker of just this pool."""
        if (named := self._named(pool)) is not None:
            return None if word in named else f"{word!r} is no worker of the pool {pool!r}: {self._workers(pool)}"
        name, _, _ = word.rpartition("-")
        if name != pool:
            return f"{word!r} is no worker of the pool {pool!r}: {self._workers(pool)}"
        return self._worker(word, "worker")

    def _worker(self, word: str, what: str) -> str | None:
        if word in self.workers:
            return None
        pool, _, digits = word.rpartition("-")
        number = int(digits) if digits.isdecimal() and digits.isascii() and digits[0] != "0" else 0
        if pool in self.pools and number and self._named(pool) is not None:
            return f"there is no worker {word!r}: {self._workers(pool)}"
        if pool in self.pools and number:
            count = self._count(pool)
            return None if count is None or number <= count else f"there is no worker {word!r}: {self._workers(pool)}"
        if pool in self.pools:
            return f"{word!r} is no {what}: {self._workers(pool)}"
        if number and (near := nearest(pool, self.pools)):
            count = self._count(near)
            if count is None or number <= count:
                return f"no {what} is called {word!r}: did you mean {near + '-' + digits!r}?"
        if near := nearest(word, {**self.pools, **self.workers} if len(self.workers) <= _MOST_COMPARED else self.pools):
            return f"no {what} is called {word!r}: did you mean {near!r}?"
        return f"no {what} is called {word!r}: the {advise(word, self.pools).replace('allowed', 'pools')}"

    def _unknown(self, what: str, word: str, known: Mapping[str, Any]) -> str | None:
        """Judge a word; what is in ``_open`` is undefined or has mistakes of its own, so the word may well be right."""
        if word in known or what in self._open:
            return None
        if not known:
            return f"no {what} is called {word!r}: none is defined"
        if len(known) > _MOST_COMPARED:
            return f"no {what} is called {word!r}: it is none of the {len(known)} that are defined"
        return f"no {what} is called {word!r}: {advise(word, known)}"

    def too_many(self, pool: str, some: Any) -> str | None:
        """Say so if a pool has fewer workers than a number, or than the largest that may be drawn."""
        if isinstance(some, dict):
            drawn = some.get("between") or some.get("one_of")
            numbers = [each for each in drawn if isinstance(each, int | float)] if isinstance(drawn, list) else []
            some = int(max(numbers)) if numbers else None
        count = self._count(pool)
        if isinstance(some, int) and count is not None and some > count:
            return f"the pool {pool!r} has only {count} workers"
        return None

    def is_numbered(self, pool: str, word: str) -> bool:
        """Say whether a pool that counts its workers has one of that name."""
        digits = word.removeprefix(f"{pool}-")
        count = self._count(pool)
        if self._named(pool) is not None or count is None or not digits.isdecimal() or digits[0] == "0":
            return False
        return int(digits) <= count

    def _named(self, pool: str) -> list[str] | None:
        """Give the names of a pool's workers, None if it only says how many there are."""
        settings = self.pools.get(pool)
        named = settings.get("workers") if isinstance(settings, Mapping) else None
        return [name for name in named if isinstance(name, str)] if isinstance(named, list) else None

    def _count(self, pool: str) -> int | None:
        if (named := self._named(pool)) is not None:
            return len(named)
        settings = self.pools.get(pool)
        count = settings.get("count") if isinstance(settings, Mapping) else None
        return count if isinstance(count, int) and count >= 0 else None

    def _workers(self, pool: str) -> str:
        count, named = self._count(pool), self._named(pool)
        if named:
            shown = ", ".join(named[:_MOST_SHOWN]) + (", ..." if len(named) > _MOST_SHOWN else "")
            return f"workers of {pool!r} are called {shown}"
        if count == 0:
            return f"the pool {pool!r} has no workers"
        return f"workers of {pool!r} are called {pool}-1" + (f" to {pool}-{count}" if count != 1 else "")


def names_in(data: Mapping[str, Any], clock: Clock) -> Names:
    """Collect the names that plain data defines."""
    return Names(data, {loc: _label_of(entry, clock) for loc, entry in expand(data, ("arrivals", "*"))})


def _label_of(entry: Any, clock: Clock) -> str | None:
    """Give the name of an arrival entry, None if it has none that can be made out."""
    if not isinstance(entry, Mapping):
        return None
    if isinstance(entry.get("name"), str):
        return str(entry["name"])
    try:
        return Arrival.model_validate(entry, context={"clock": clock}).label
    except ValidationError:
        return None


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def expand(data: Any, pattern: tuple[str, ...], loc: Loc = ()) -> Iterator[tuple[Loc, Any]]:
    """List every path in plain data that fits a pattern, in which ``*`` is any key or item, and what stands there.

    >>> list(expand({"pools": {"dome": {"count": 3}}}, ("pools", "*", "count")))
    [(('pools', 'dome', 'count'), 3)]
    """
    if not pattern:
        yield loc, data
        return
    part, *rest = pattern
    if isinstance(data, Mapping):
        for key in data if part == "*" else [part] if part in data else []:
            yield from expand(data[key], tuple(rest), (*loc, key))
    elif isinstance(data, list) and part == "*":
        for number, item in enumerate(data):
            yield from expand(item, tuple(rest), (*loc, number))


_WHOLE: Final = re.compile(r"\d{1,15}", re.ASCII)
_NUMBER: Final = re.compile(r"-?\d{1,15}(\.\d{1,15})?", re.ASCII)
_MOST_ELEMENTS: Final = 100_000


def ready_value(name: str, value: Any, kind: str | None) -> Any:
    """Give a value as parts use it: a number in place of a list is so many elements.

    Raises:
        ValueError: for a list of more than 100,000 generated elements.

    >>> ready_value("plates", 2, "list")
    ['plates-1', 'plates-2']
    """
    if kind == "list" and isinstance(value, int) and not isinstance(value, bool):
        if not 0 <= value <= _MOST_ELEMENTS:
            raise ValueError(f"the list {name!r} cannot have {value} elements: give 0 to {_MOST_ELEMENTS:,}")
        return [f"{name}-{number}" for number in range(1, value + 1)]
    return value


def value_in_trace(name: str, text: str, kind: str) -> Any:
    """Read a value that a trace tells as text.

    Raises:
        ValueError: for a text that is no such value.

    >>> value_in_trace("plates", "north; south", "list"), value_in_trace("size", "2.5", "number")
    (['north', 'south'], 2.5)
    """
    if kind == "text":
        return text
    if kind == "list":
        if _WHOLE.fullmatch(text):
            return ready_value(name, int(text), kind)
        return [item.strip() for item in text.split(";") if item.strip()]
    if not _NUMBER.fullmatch(text):
        if _NUMBER.fullmatch(text.replace(",", ".", 1)):
            raise ValueError(f"{text[:40]!r} has a decimal comma: write the parameter {name!r} as 12.5, not 12,5")
        raise ValueError(f"{text[:40]!r} is not a number, and the parameter {name!r} is one")
    return float(text) if "." in text else int(text)
