"""What does a scenario say in full, with every default filled in?

The text that ``resolved`` writes is a scenario file itself: read again, it gives an equal scenario. Values whose
default is "none" are left out, since nothing stands for them, and so are keys that do not belong to an entry's kind.
"""

import re
from collections.abc import Iterator
from typing import Any, Final

import yaml

from emulator.scenario import provenance
from emulator.scenario.clock import Clock
from emulator.scenario.durations import parse_duration
from emulator.scenario.load import Loaded
from emulator.scenario.messages import path_in
from emulator.scenario.models.arrivals import ARRIVAL_KEYS, SOME_WAYS_ONLY
from emulator.scenario.models.faults import ACTION_KEYS, FAULT_KEYS, OF_ALL_KINDS
from emulator.scenario.models.routines import OF_EFFECTS
from emulator.scenario.text import read_bytes
from emulator.scenario.woven import Loc

__all__ = ["resolved"]

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
    short = _short(provenance.rewrap(data, loaded.said))
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
    data, said, _ = provenance.unwrap(document.data)
    found = {}
    for loc in _leaves(data, ()):
        if path_in(loaded.data, loc) == loc:
            place = loaded.written.place(loaded.data, loc)
            where = f"{place.name}:{place.line}" if place.line else " ".join(place.name.split())
            line, _ = document.place(provenance.original(loc, said))
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
