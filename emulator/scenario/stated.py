"""What a scenario says in full: with every default, the values it states and their sources, the effects its jobs leave.

What counts is what could be measured: numbers and durations below the sections that describe the world. What is asked
of the night, names, texts, times of day and choices do not count. A value with a source counts once, whatever it holds.

A value that could be measured (a number, a duration) and says nothing of where it comes from has no source. Names,
texts, times of day and choices have none to give.

The text that ``resolved`` writes is a scenario file itself: read again, it gives an equal scenario. Values whose
default is "none" are left out, since nothing stands for them, and so are keys that do not belong to an entry's kind.

The law: only what the scenario states. A target that is made of the job's own name or number is another one for each
job, so that nothing can be said of it before its job comes; it is left out.
"""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import yaml

from emulator.records import record
from emulator.scenario.clock import Clock
from emulator.scenario.fault_kinds import FAULT_KEYS, FAULT_KINDS
from emulator.scenario.load import Loaded
from emulator.scenario.messages import SOURCES, Loc, Provenance, original, path_in, rewrap, unwrap
from emulator.scenario.models.arrivals import ARRIVAL_KEYS, SOME_WAYS_ONLY
from emulator.scenario.models.faults import ACTION_KEYS, OF_ALL_KINDS
from emulator.scenario.models.routines import OF_EFFECTS
from emulator.scenario.names import ready_value, value_in_trace
from emulator.scenario.references import names_in_template
from emulator.scenario.spelling import parse_duration
from emulator.scenario.text import read_bytes
from emulator.scenario.written import is_list_change, value_at

if TYPE_CHECKING:
    from emulator.scenario.models.arrivals import Arrival
    from emulator.scenario.models.routines import Part, Routine
    from emulator.scenario.models.scenario import Scenario

__all__ = [
    "CHOICE",
    "DEFAULT",
    "NOT_STATED",
    "UNKNOWN",
    "WITHOUT",
    "Aim",
    "Assumed",
    "Stated",
    "Varied",
    "aims",
    "measurable",
    "old_sources",
    "resolved",
    "source_counts",
    "stated",
    "varied",
]


WITHOUT: Final = "without a source"
"""Under which name values are counted that say nothing of where they come from."""

_OF_THE_WORLD: Final = ("queues", "pools", "systems", "access", "routines", "arrivals", "faults")


def source_counts(loaded: Loaded) -> dict[str, int]:
    """Count the stated values of a scenario by their source, in the order of ``SOURCES``; those without one come last.

    >>> import emulator
    >>> source_counts(emulator.from_settings({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {"lease": "90s"}},
    ...     "pools": {"dome": {"count": 2, "serves": ["night"]}}, "routines": {"copy": {"queue": "night", "parts": [
    ...         {"name": "copy", "takes": {"value": {"median": "4m", "p95": "9m"}, "from": "guess"}}]}},
    ...     "arrivals": [{"routine": "copy", "count": 10, "at": "21:30"}],
    ... }))
    {'guess': 1, 'without a source': 3}
    """
    counts = Counter(told.source for told in loaded.said.values())
    world = [key for key in _OF_THE_WORLD if key in loaded.data]
    without = sum(1 for key in world for _ in _bare(loaded.data[key], (key,), loaded.said))
    found = {source: counts[source] for source in SOURCES if counts[source]}
    return {**found, WITHOUT: without} if without else found


def _bare(value: Any, loc: Loc, said: Mapping[Loc, Any]) -> Iterator[Loc]:
    """List the numbers and durations at and below a path that stand under no source."""
    if loc in said:
        return
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _bare(item, (*loc, key), said)
    elif isinstance(value, list | tuple):
        for place, item in enumerate(value):
            yield from _bare(item, (*loc, place), said)
    elif measurable(value):
        yield loc


def measurable(value: Any) -> bool:
    """Say whether a value is one that could be measured: a number or a duration.

    >>> measurable(3), measurable("90s"), measurable("21:30"), measurable(True)
    (True, True, False, False)
    """
    return _is_number(value) or (isinstance(value, str) and _is_duration(value))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_duration(text: str) -> bool:
    if not text[:1].isdigit() and not text.startswith("P"):
        return False
    try:
        parse_duration(text)
    except ValueError:
        return False
    return True


def old_sources(loaded: Loaded, before: date) -> list[tuple[Loc, str, date]]:
    """List the values whose source is of an earlier day, in file order: path, kind of source, day."""
    return [
        (loc, told.source, told.on) for loc, told in loaded.said.items() if told.on is not None and told.on < before
    ]


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


@record
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


@record
class Varied:
    """What one variant sets.

    Attributes:
        variant: its name.
        values: by dotted path, each value as it is written. What a list gains or loses stands with the variant that
            changes it alone; the other paths are the same for every variant.
    """

    variant: str
    values: Mapping[str, str]


@record
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


_LOOKS_LIKE_A_NUMBER: Final = re.compile(r"[-+.]?[0-9]")
_DURATION: Final = re.compile(r"(?:\d+(?:d|h|m|s|ms|us))+")
_MARK: Final = "\ue000"
"""Stands behind each moment until the text is written: other texts look like one too. No printable text has it."""
_MOMENT: Final = re.compile(rf"\+([0-9a-z]+){_MARK}$")


class _Writer(yaml.SafeDumper):
    """Writes each scalar on one line, and quotes what YAML 1.1 and 1.2 would read differently."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _text(writer: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    moment = _MOMENT.fullmatch(text)
    plain = _DURATION.fullmatch(text) or not _LOOKS_LIKE_A_NUMBER.match(text)
    quoted = not moment and not (plain and text.isprintable())
    return writer.represent_scalar("tag:yaml.org,2002:str", text, style='"' if quoted else None)


_Writer.add_representer(str, _text)


def resolved(loaded: Loaded, *, places: bool = True) -> str:
    """Write a scenario as YAML with every default filled in; moments have the clock time in a comment behind them.

    Where a scenario is based on another file, or something was set on the command line, each value that is no default
    has its place in a comment too, unless ``places`` is false.
    """
    data = loaded.scenario.model_dump(
        mode="json",
        by_alias=True,
        exclude_none=True,
        context={"clock": loaded.clock, "behind": _MARK},
        exclude={"variants", "combine", "questions"},
    )
    for key in ("variants", "combine", "questions"):
        if loaded.data.get(key):
            data[key] = loaded.data[key]  # as written: each is validated on top of the rest
    _leave_out(data)
    short = _short(rewrap(data, loaded.said))
    text = yaml.dump(
        short, Dumper=_Writer, sort_keys=False, allow_unicode=True, width=2**31 - 1, default_flow_style=False
    )
    lines = text.splitlines()
    whole = [_with_clock_time(_visible(line), loaded.clock) for line in lines]
    if places and len(loaded.written.layers) > 1:
        for number, place in _places("\n".join(whole), loaded).items():
            whole[number] += ("," if lines[number].endswith(_MARK) else "  #") + f" {place}"
    return "".join(f"{line}\n" for line in whole)


def _visible(line: str) -> str:
    """Escape what is not printed, such as marks of direction; ``_text`` has put quotes around it."""
    if line.isprintable():
        return line
    return "".join(one if one.isprintable() or one == _MARK else f"\\U{ord(one):08X}" for one in line)


def _places(text: str, loaded: Loaded) -> dict[int, str]:
    """Say of each line, by its number from 0, where the value that ends in it was written; of defaults nothing."""
    document = read_bytes(text.encode(), "resolved")
    data, said, _ = unwrap(document.data)
    found = {}
    for loc in _leaves(data, ()):
        if path_in(loaded.data, loc) == loc:
            place = loaded.written.place(loaded.data, loc)
            where = f"{place.name}:{place.line}" if place.line else " ".join(place.name.split())
            line, _ = document.place(original(loc, said))
            found[line - 1] = _visible(where)
    return found


def _leaves(data: Any, loc: Loc) -> Iterator[Loc]:
    items = list(data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ())
    if not items:
        yield loc
    for key, value in items:
        yield from _leaves(value, (*loc, key))


def _leave_out(data: dict[str, Any]) -> None:
    """Take out the defaults of keys that say nothing where they stand."""
    for entries, keys in ((data["faults"], FAULT_KEYS), (data["actions"], ACTION_KEYS)):
        for entry in entries:
            kind = next(kind for kind in keys if kind in entry)
            for key in [key for key in entry if key not in (kind, *OF_ALL_KINDS, *keys[kind])]:
                del entry[key]
    for entry in data["arrivals"]:
        way = next(way for way in ARRIVAL_KEYS if way in entry)
        for key in SOME_WAYS_ONLY.intersection(entry).difference(ARRIVAL_KEYS[way]):
            del entry[key]
    for routine in data["routines"].values():
        for part in routine["parts"]:
            for key in [key for key in OF_EFFECTS if "effect" not in part and key in part]:
                del part[key]


def _short(value: Any) -> Any:
    """Write constant distributions as the duration alone."""
    if isinstance(value, dict):
        if list(value) == ["constant"] and isinstance(value["constant"], str):
            return value["constant"]
        return {key: _short(item) for key, item in value.items()}
    return [_short(item) for item in value] if isinstance(value, list) else value


def _with_clock_time(line: str, clock: Clock) -> str:
    found = _MOMENT.search(line)
    if found is None:
        return line
    return f"{line.removesuffix(_MARK)}  # {clock.local(parse_duration(found[1])):%Y-%m-%d %H:%M:%S}"


UNKNOWN: Final = -(2**62)
"""The tick as of which a result is that nobody knows of."""

_OF_THE_JOB: Final = ("job", "number")


class Aim(NamedTuple):
    """What the jobs of an arrival entry are to leave: an effect on targets.

    ``since``: as of which tick the last good result before the start is (0 or below), ``UNKNOWN`` where nobody says.
    """

    entry: str
    effect: str
    targets: tuple[str, ...]
    since: int = UNKNOWN


def aims(loaded: "Loaded", scenario: "Scenario | None" = None) -> tuple[Aim, ...]:
    """List them, in the order of the file; ``scenario``: one of its variants instead.

    Raises:
        ScenarioError: for a line of a trace that is wrong.
    """
    found: dict[Aim, None] = {}
    scenario = scenario or loaded.scenario
    for arrival in scenario.arrivals:
        for routine, parameters, key in _jobs(loaded, scenario, arrival):
            by_effect: dict[str, tuple[list[str], list[int]]] = {}
            for part in routine.parts:
                if part.effect is not None:
                    targets, since = by_effect.setdefault(part.effect, ([], []))
                    targets += _targets(part, parameters, key)
                    since.append(UNKNOWN if part.since is None else part.since)
            for effect, (targets, since) in by_effect.items():
                if targets:
                    found[Aim(arrival.label, effect, tuple(dict.fromkeys(targets)), min(since))] = None
    return tuple(found)


_Job = tuple["Routine", Mapping[str, Any], str | None]
"""The routine, the parameters, and the exclusive key: "" for none, None for one that is another for each job."""


def _jobs(loaded: "Loaded", scenario: "Scenario", arrival: "Arrival") -> Iterator[_Job]:
    """Give each different job of an arrival entry that leaves an effect."""
    if not any(part.effect is not None for routine in scenario.routines.values() for part in routine.parts):
        return
    kinds = scenario.routines[arrival.routine].parameters
    stated = {name: ready_value(name, value, kinds.get(name)) for name, value in arrival.parameters.items()}
    if arrival.trace is None:
        routine = scenario.routines[arrival.routine]
        yield routine, stated, _filled(arrival.key or routine.key or "", stated)
        return
    from emulator.scenario.traces import read_arrivals  # most jobs come without a trace

    for line in read_arrivals(loaded.folder / arrival.trace, loaded.clock):
        routine = scenario.routines[line.routine or arrival.routine]
        kinds = routine.parameters
        told = {name: value_in_trace(name, text, kinds[name]) for name, text in line.parameters if name in kinds}
        parameters = {**{name: value for name, value in stated.items() if name in kinds}, **told}
        yield routine, parameters, line.key or _filled(arrival.key or routine.key or "", parameters)


def _targets(part: "Part", parameters: Mapping[str, Any], key: str | None) -> Iterator[str]:
    elements = [str(one) for one in parameters.get(part.for_each, ())] if part.for_each is not None else [""]
    for element in elements:
        if part.target is None:
            target = element or key
        else:
            target = _filled(part.target, {**parameters, "element": element, "key": key})
        if target:
            yield target


def _filled(template: str, values: Mapping[str, Any]) -> str | None:
    """Fill the names of a template in; None where one of them is another for each job."""
    for name in names_in_template(template):
        if name in _OF_THE_JOB and name not in values:
            return None
        if values.get(name, "") is None:
            return None
        template = template.replace(f"{{{name}}}", str(values.get(name, f"{{{name}}}")))
    return template
