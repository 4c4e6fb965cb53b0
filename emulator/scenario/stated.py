"""Which values does a scenario state, under which names do people read them, and where does each come from?

A value that could be measured (a number, a duration) and says nothing of where it comes from has no source. Names,
texts, times of day and choices have none to give.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from emulator.scenario.load import Loaded
from emulator.scenario.models.faults import FAULT_KINDS
from emulator.scenario.provenance import Provenance
from emulator.scenario.sources import measurable
from emulator.scenario.variants import value_at
from emulator.scenario.woven import is_list_change

__all__ = ["CHOICE", "DEFAULT", "NOT_STATED", "Assumed", "Stated", "Varied", "stated", "varied"]

NOT_STATED: Final = "source not stated"
CHOICE: Final = "a choice"
DEFAULT: Final = "by default"

_PARTS: Final = {
    "queues": ("queues", "queue"),
    "pools": ("pools", "pool"),
    "systems": ("systems", "system"),
    "access": ("access", "access"),
    "routines": ("jobs", "routine"),
    "arrivals": ("jobs", "arrivals of"),
    "faults": ("faults", "fault"),
}
"""Each part of a scenario: what it is counted as, and what one of its entries is called."""
_NAMED_BY: Final = ("name", "routine", "system", "step")

Loc = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Stated:
    """One value of a scenario.

    Attributes:
        part: queues, pools, systems, access, jobs (routines and arrivals) or faults.
        entry: what it belongs to: ``queue night``, ``arrivals of plates``, ``fault 1: dome-1 loses power``.
        what: what it is called there.
        value: as it is written.
        source: a kind of source with its day and number of observations, ``NOT_STATED``, ``CHOICE`` or ``DEFAULT``.
    """

    part: str
    entry: str
    what: str
    value: str
    source: str


@dataclass(frozen=True, slots=True)
class Varied:
    """What one variant sets.

    Attributes:
        variant: its name.
        values: by dotted path, each value as it is written. What a list gains or loses stands with the variant that
            changes it alone; the other paths are the same for every variant.
    """

    variant: str
    values: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Assumed:
    """What nights rest on.

    Attributes:
        date: the local day and time at which a night starts, and how long it lasts.
        lasts: how long a night lasts, in ticks.
        hours: full hours on the local clock within it, each as its tick and the time that it shows.
        zone: the time zone, with the offset from universal time at the start.
        clock_changes: each change of the clock within a night, in words.
        files: (name, SHA-256) of each file; the digest is "" for settings that came from no file.
        changes: what was set on the command line.
        values: each stated value with its source.
        varied: each variant, the baseline first, with the values of every key that some variant changes.
    """

    date: str
    zone: str
    clock_changes: tuple[str, ...]
    files: tuple[tuple[str, str], ...]
    changes: tuple[str, ...]
    values: tuple[Stated, ...]
    varied: tuple[Varied, ...] = ()
    lasts: int = 0
    hours: tuple[tuple[int, str], ...] = ()


def stated(loaded: Loaded, faults: Sequence[str]) -> Iterator[Stated]:
    """List the values of a scenario, in file order within each part.

    Args:
        loaded: the scenario, under the variant that is run.
        faults: what each planned fault is called, in the scenario's order.
    """
    for part, (called, entry_called) in _PARTS.items():
        section = loaded.data.get(part)
        if not section:
            continue
        entries = section.items() if isinstance(section, Mapping) else enumerate(section)
        for key, entry in entries:
            if part == "faults":
                name = f"{int(key) + 1}: {faults[int(key)]}"
            elif part == "arrivals":
                name = loaded.scenario.arrivals[int(key)].label
            else:
                name = str(key) if isinstance(section, Mapping) else str(int(key) + 1)
            of = _Of(called, f"{entry_called} {name}")
            yield from _below(of, "", entry, (part, key), loaded.said)
            yield from _defaults(loaded, of, str(key), entry)


class _Of(NamedTuple):
    part: str
    entry: str


def _defaults(loaded: Loaded, of: _Of, name: str, entry: Any) -> Iterator[Stated]:
    """Name what decides most about losses where the file leaves it to the default."""
    if of.part == "queues" and not (isinstance(entry, Mapping) and entry.get("retry")):
        yield Stated(*of, "retry", "none: one attempt in all", DEFAULT)
    for owner, key in (("queues", "lease"), ("pools", "heartbeat")):
        if of.part == owner and not (isinstance(entry, Mapping) and key in entry):
            ticks = getattr(getattr(loaded.scenario, owner)[name], key)
            yield Stated(*of, key, f"{ticks / 1_000_000:g}s", DEFAULT)


def _below(of: _Of, what: str, value: Any, loc: Loc, said: Mapping[Loc, Provenance]) -> Iterator[Stated]:
    """List the values at and below a path; what has a source stands as one value."""
    told = said.get(loc)
    if told is None and isinstance(value, Mapping):
        for key, item in value.items():
            if key == "name" or (len(loc) == 2 and of.part == "faults" and key in FAULT_KINDS):
                continue  # said by the name of the entry
            words = str(key).replace("_", " ")
            yield from _below(of, f"{what}, {words}" if what else words, item, (*loc, key), said)
    elif told is None and isinstance(value, Sequence) and any(isinstance(item, Mapping | list) for item in value):
        for place, item in enumerate(value):
            yield from _below(of, f"{what} {_called(item, place)}".strip(), item, (*loc, place), said)
    else:
        yield Stated(*of, what, _written(value), _source(told, value))


def varied(settings: Mapping[str, tuple[Mapping[str, Any], Mapping[str, Any]]]) -> tuple[Varied, ...]:
    """List what each variant sets of all that some variant changes.

    Args:
        settings: of each variant, by name: the dotted paths that it changes with their values, and its whole data.
    """
    paths = list(dict.fromkeys(path for patch, _ in settings.values() for path in patch))
    lists = {path for patch, _ in settings.values() for path, value in patch.items() if is_list_change(value)}
    found = []
    for name, (patch, data) in settings.items():
        its = [path for path in paths if path in patch or path not in lists]
        values = {path: patch[path] if path in patch else value_at(data, path) for path in its}
        said = {path: DEFAULT if value is None else _written(value) for path, value in values.items()}
        found.append(Varied(name, said))
    return tuple(found)


def _called(item: Any, place: int) -> str:
    if isinstance(item, Mapping):
        for key in _NAMED_BY:
            if isinstance(item.get(key), str):
                return f"'{item[key]}'"
    return str(place + 1)


def _written(value: Any) -> str:
    """Write a value about as a file does, on one line."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{str(key).replace('_', ' ')} {_written(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(map(_written, value)) or "none"
    return "none" if value is None else str(value)


def _source(told: Provenance | None, value: Any) -> str:
    if told is None:
        items = value if isinstance(value, list | tuple) else [value]
        return NOT_STATED if any(map(measurable, items)) else CHOICE
    on = "" if told.on is None else f" on {told.on.isoformat()}"
    return f"{told.source}{on}" + ("" if told.n is None else f", {told.n:,} observations")
