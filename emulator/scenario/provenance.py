"""Where does a value of a scenario come from: was it measured, or is it a guess?

Any value may be written ``{value: 40s, from: measured, on: 2026-05-01, n: 312}``. Such a wrapper is taken off before
validation, and what it says is kept beside the scenario, by the path of the value. ``plausible: [30s, 5m]`` gives the
two ends between which the value may lie, ``why`` a reason in words, ``history`` the digest of the files that it was
learnt from. Mappings whose keys are names of the writer's own (queues, pools, parameters) are never wrappers
themselves, so that something may be called ``value``.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final, NamedTuple

from emulator.scenario.messages import Found
from emulator.scenario.shape import shown
from emulator.scenario.spelling import advise

__all__ = ["SOURCES", "WRAPPER_KEYS", "Provenance", "original", "rewrap", "share_guessed", "unwrap"]

Loc = tuple[str | int, ...]

SOURCES: Final = ("measured", "documented", "agreed", "estimated", "guess")
"""Where a value may come from; ``guess`` is what the summary counts."""

WRAPPER_KEYS: Final = ("value", "from", "on", "n", "plausible", "why", "history")

_OF_NAMES: Final = (
    ("queues",),
    ("pools",),
    ("pools", "*", "per_worker"),
    ("systems",),
    ("routines",),
    ("routines", "*", "parameters"),
    ("arrivals", "*", "parameters"),
    ("variants",),
    ("variants", "*"),
    ("combine",),
    ("varies",),
    ("questions", "*", "change"),
)


class Provenance(NamedTuple):
    """Where one value comes from.

    Attributes:
        source: the kind of source.
        on: the day, or None.
        n: on how many observations it rests, or None.
        plausible: the two ends between which it may lie, as plain data; None where nobody said.
        why: the reason, in words; "" where none is given.
        history: the digest of the files that it was learnt from; "" where it was not.
    """

    source: str
    on: date | None = None
    n: int | None = None
    plausible: tuple[Any, Any] | None = None
    why: str = ""
    history: str = ""


def unwrap(data: Any) -> tuple[Any, dict[Loc, Provenance], list[Found]]:
    """Take every wrapper off: the plain data, what the wrappers said by path, and what was wrong with them.

    The mistakes are told by paths in the data as it was written.

    >>> data, said, wrong = unwrap({"lasts": {"value": "6h", "from": "guess", "plausible": ["5h", "8h"]}})
    >>> data, said["lasts",].source, said["lasts",].plausible, wrong
    ({'lasts': '6h'}, 'guess', ('5h', '8h'), [])
    """
    said: dict[Loc, Provenance] = {}
    found: list[Found] = []
    return _unwrap(data, (), (), said, found), said, found


def _unwrap(data: Any, loc: Loc, written: Loc, said: dict[Loc, Provenance], found: list[Found]) -> Any:
    """``loc`` is the path without wrappers, ``written`` the path with them."""
    if isinstance(data, list):
        return [_unwrap(item, (*loc, i), (*written, i), said, found) for i, item in enumerate(data)]
    if not isinstance(data, dict):
        return data
    if "value" in data and loc and not any(_matches(loc, pattern) for pattern in _OF_NAMES):
        if loc in said:
            found.append(Found(written, "this value says twice where it comes from: keep one"))
        said[loc] = _read(data, written, found)
        return _unwrap(data["value"], loc, (*written, "value"), said, found)
    return {key: _unwrap(value, (*loc, key), (*written, key), said, found) for key, value in data.items()}


def _matches(loc: Loc, pattern: tuple[str, ...]) -> bool:
    return len(loc) == len(pattern) and all(want in ("*", part) for part, want in zip(loc, pattern, strict=True))


def _read(wrapper: Mapping[str, Any], written: Loc, found: list[Found]) -> Provenance:
    for key in wrapper:
        if key not in WRAPPER_KEYS:
            found.append(Found((*written, key), f"unknown key {shown(key)}: {advise(key, WRAPPER_KEYS)}", True))
    source, on, n = wrapper.get("from"), wrapper.get("on"), wrapper.get("n")
    if source is None:
        found.append(Found(written, f"where does this value come from? give `from`: {', '.join(SOURCES)}"))
    elif source not in SOURCES:
        hint = advise(source, SOURCES) if isinstance(source, str) else f"allowed are: {', '.join(SOURCES)}"
        found.append(Found((*written, "from"), f"found {shown(source)}: {hint}"))
    day = _day(on)
    if on is not None and day is None:
        found.append(Found((*written, "on"), f"found {shown(on)}: a date such as 2026-05-01 is wanted"))
    if n is not None and (isinstance(n, bool) or not isinstance(n, int) or n < 1):
        found.append(Found((*written, "n"), f"found {shown(n)}: a whole number of observations from 1 on is wanted"))
    ends = wrapper.get("plausible")
    if ends is not None and (not isinstance(ends, list | tuple) or len(ends) != 2):
        found.append(Found((*written, "plausible"), f"found {shown(ends)}: two ends such as [30s, 5m] are wanted"))
        ends = None
    texts = {key: wrapper.get(key) for key in ("why", "history")}
    for key, text in texts.items():
        if text is not None and not isinstance(text, str):
            found.append(Found((*written, key), f"found {shown(text)}: a text is wanted"))
    plausible = None if ends is None else (ends[0], ends[1])
    return Provenance(str(source), day, n, plausible, str(texts["why"] or ""), str(texts["history"] or ""))


def _day(value: Any) -> date | None:
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII):
        try:
            return date.fromisoformat(value)
        except ValueError:
            return None
    return None


def original(loc: Sequence[str | int], said: Mapping[Loc, Provenance]) -> Loc:
    """Give the path at which a value was written: behind each wrapper on the way stands the key ``value``.

    >>> original(("queues", "night", "lease"), {("queues", "night", "lease"): Provenance("guess")})
    ('queues', 'night', 'lease', 'value')
    """
    path: list[str | int] = []
    for end, part in enumerate(loc, 1):
        path.append(part)
        if tuple(loc[:end]) in said:
            path.append("value")
    return tuple(path)


def rewrap(data: Any, said: Mapping[Loc, Provenance], loc: Loc = ()) -> Any:
    """Put the wrappers back on, as plain data that a scenario file may hold."""
    if isinstance(data, dict):
        data = {key: rewrap(value, said, (*loc, key)) for key, value in data.items()}
    elif isinstance(data, list | tuple):
        data = [rewrap(item, said, (*loc, i)) for i, item in enumerate(data)]
    if loc not in said:
        return data
    told = said[loc]
    wrapper = {
        "value": data,
        "from": told.source,
        "on": told.on.isoformat() if told.on else None,
        "n": told.n,
        "plausible": list(told.plausible) if told.plausible else None,
        "why": told.why or None,
        "history": told.history or None,
    }
    return {key: value for key, value in wrapper.items() if value is not None or key == "value"}


def share_guessed(said: Mapping[Any, Provenance]) -> float | None:
    """Say which share of the values with a stated source is a guess, from 0 to 1; None if none says its source.

    >>> share_guessed({"lasts": Provenance("guess"), "seed": Provenance("agreed")})
    0.5
    """
    if not said:
        return None
    return [told.source for told in said.values()].count("guess") / len(said)
