"""How is a drafted scenario written, so that a person sees at each value where it comes from?

A value that was learnt or guessed is a :class:`Stated`: it is written in the wrapper of the scenario format, and what
else there is to say of it stands in a comment above it. The plain data are the same without wrappers.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

__all__ = ["Stated", "flow", "plain_of", "stated_in", "yaml_lines"]

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
