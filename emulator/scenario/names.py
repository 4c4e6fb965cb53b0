"""Which names does a scenario define, and is a word one of them?

Names are read from the plain data, so that they are known even where the definitions have mistakes of their own.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from emulator.scenario.clock import Clock
from emulator.scenario.models.arrivals import Arrival
from emulator.scenario.spelling import advise, nearest

__all__ = ["Names", "expand", "names_in"]

Loc = tuple[str | int, ...]


class Names:
    """The names that a scenario defines, and one question about a word for each way in which names are used.

    Each question answers None if the word is such a name, else what is wrong with it.
    """

    def __init__(
        self,
        sections: Mapping[str, Mapping[str, Any]],
        entries: Mapping[str, Mapping[str, Any]],
        all_entries_known: bool,
    ) -> None:
        self.queues, self.pools = sections["queues"], sections["pools"]
        self.systems, self.routines = sections["systems"], sections["routines"]
        self.entries = entries
        self._all_entries_known = all_entries_known

    def queue(self, word: str) -> str | None:
        return _unknown("queue", word, self.queues)

    def pool(self, word: str) -> str | None:
        return _unknown("pool", word, self.pools)

    def system(self, word: str) -> str | None:
        return _unknown("system", word, self.systems)

    def routine(self, word: str) -> str | None:
        return _unknown("routine", word, self.routines)

    def system_or_part(self, word: str) -> str | None:
        """``vault``, or ``vault/shelf`` for one part of it."""
        name, slash, part = word.partition("/")
        if slash and not part:
            return f"{word!r} names no part of the system behind its slash"
        return self.system(name)

    def system_or_routine(self, word: str) -> str | None:
        if word in self.systems or word in self.routines:
            return None
        return f"no system or routine is called {word!r}: {advise(word, [*self.systems, *self.routines])}"

    def entry(self, word: str) -> str | None:
        """An arrival entry; where some entries are wrong themselves, theirs may be a name that is not known yet."""
        return _unknown("arrival entry", word, self.entries) if self._all_entries_known else None

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
        count = self.entries.get(entry, {}).get("count", 1 if "at" in self.entries.get(entry, {}) else None)
        if isinstance(count, int) and number > count:
            return f"{entry!r} has {count} {'job' if count == 1 else 'jobs'}, and none with the number {number}"
        return None

    def worker_or_pool(self, word: str) -> str | None:
        if word in self.pools:
            return None
        return self._worker(word, "worker or pool")

    def worker(self, word: str) -> str | None:
        return self._worker(word, "worker")

    def worker_of(self, pool: str, word: str) -> str | None:
        """A worker of just this pool."""
        name, _, _ = word.rpartition("-")
        if name != pool:
            return f"{word!r} is no worker of the pool {pool!r}: {self._workers(pool)}"
        return self._worker(word, "worker")

    def _worker(self, word: str, what: str) -> str | None:
        pool, _, digits = word.rpartition("-")
        number = int(digits) if digits.isdecimal() and digits.isascii() and digits[0] != "0" else 0
        if pool in self.pools and number:
            count = self._count(pool)
            return None if count is None or number <= count else f"there is no worker {word!r}: {self._workers(pool)}"
        if pool in self.pools:
            return f"{word!r} is no {what}: {self._workers(pool)}"
        if near := nearest(word, self.pools):
            return f"no {what} is called {word!r}: did you mean {near!r}?"
        if near := nearest(pool, self.pools):
            return f"no {what} is called {word!r}: did you mean {near + '-' + digits!r}?"
        return f"no {what} is called {word!r}: pools are {', '.join(self.pools)}"

    def _count(self, pool: str) -> int | None:
        settings = self.pools[pool]
        count = settings.get("count") if isinstance(settings, Mapping) else None
        return count if isinstance(count, int) else None

    def _workers(self, pool: str) -> str:
        count = self._count(pool)
        if count == 0:
            return f"the pool {pool!r} has no workers"
        return f"workers of {pool!r} are called {pool}-1" + (f" to {pool}-{count}" if count != 1 else "")


def _unknown(what: str, word: str, known: Mapping[str, Any]) -> str | None:
    return None if word in known else f"no {what} is called {word!r}: {advise(word, known)}"


def names_in(data: Mapping[str, Any], clock: Clock) -> Names:
    """Collect the names that plain data defines."""
    sections = {name: _mapping(data.get(name)) for name in ("queues", "pools", "systems", "routines")}
    entries: dict[str, Mapping[str, Any]] = {}
    all_known = True
    for _, entry in expand(data, ("arrivals", "*")):
        label = label_of(entry, clock)
        if label is None:
            all_known = False
        else:
            entries.setdefault(label, entry)
    return Names(sections, entries, all_known)


def label_of(entry: Any, clock: Clock) -> str | None:
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
