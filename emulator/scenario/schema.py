"""The JSON Schema of a scenario file, for editors.

The schema is made from the models; nothing is said twice. It is a little more generous than the models: it knows
nothing of what values say of each other (names, windows, the keys of each kind of fault), because an editor is to help
while a file is being written. Of a file that is based on another it does not ask for what that one may say, and lists
may be changed. ``check`` tells the rest.
"""

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from emulator.scenario.fault_kinds import FAULT_KINDS
from emulator.scenario.messages import SOURCES, resolve, shape
from emulator.scenario.models.arrivals import ARRIVAL_KEYS
from emulator.scenario.models.faults import ACTION_KINDS
from emulator.scenario.values import KINDS
from emulator.timeline.ticks import say

__all__ = ["SHIPPED", "said_default", "schema", "schema_text"]

SHIPPED: Final = Path(__file__).with_name("scenario.schema.json")
"""The copy that is shipped, for editors that want a file."""

_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
_PROVENANCE: Final = {
    "description": "A value with where it comes from.",
    "type": "object",
    "properties": {
        "value": {"description": "The value itself."},
        "from": {"description": "Where it comes from.", "enum": list(SOURCES)},
        "on": {"description": "The day, such as 2026-05-01.", "type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"},
        "n": {"description": "On how many observations it rests.", "type": "integer", "minimum": 1},
        "plausible": {"description": "Its two ends, such as [30s, 5m].", "type": "array", "minItems": 2, "maxItems": 2},
        "why": {"description": "The reason, in words.", "type": "string"},
        "history": {"description": "The digest of the files that it was learnt from.", "type": "string"},
    },
    "required": ["value", "from"],
    "additionalProperties": False,
}
_ONE_OF_KINDS: Final = {"Fault": FAULT_KINDS, "Action": ACTION_KINDS, "Arrival": tuple(ARRIVAL_KEYS)}
_LIST_CHANGE: Final = {
    "description": "What changes a list of the file that this one is based on: `add` and `remove`, each a list.",
    "type": "object",
    "propertyNames": {"enum": ["add", "remove"]},
    "additionalProperties": {"type": "array"},
}
_SOURCED: Final = "-sourced"
_ZERO: Final = {"const": 0}


def schema() -> dict[str, Any]:
    """Give the JSON Schema (2020-12) of a scenario file; a value may stand in the wrapper that says its source.

    >>> schema()["anyOf"][0]["required"]
    ['title', 'starts', 'lasts', 'queues', 'pools', 'routines', 'arrivals']
    """
    whole = _whole()
    definitions = {
        name: _definition(name, node, whole) for name, node in shape()["$defs"].items() if name != "Scenario"
    }
    definitions |= {**_kinds(), "list-change": _LIST_CHANGE}
    sourced = {name + _SOURCED: _or_sourced({"$ref": f"#/$defs/{name}"}) for name in definitions}
    return {
        "$schema": _DIALECT,
        "title": "queuedrill scenario",
        **_object(resolve(shape())),
        "anyOf": [{"required": resolve(shape())["required"]}, {"required": ["based_on"]}],
        "$defs": {**dict(sorted((definitions | sourced).items())), "provenance": _PROVENANCE},
    }


def schema_text() -> str:
    """Write the schema as it is shipped."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def _whole() -> set[str]:
    """Name the models that no file states in part: the items of lists, and what is one value."""
    items = [node["items"].get("$ref", "") for node in _nodes(shape()) if "items" in node]
    return {"Distribution", "Target", *(ref.removeprefix("#/$defs/") for ref in items)}


def _definition(name: str, node: Mapping[str, Any], whole: set[str]) -> dict[str, Any]:
    found = _object(node)
    if name in whole and "required" in node:
        found["required"] = node["required"]
    if name in _ONE_OF_KINDS:
        found["oneOf"] = [{"required": [kind]} for kind in _ONE_OF_KINDS[name]]
    return found


def _object(node: Mapping[str, Any]) -> dict[str, Any]:
    """Give the schema of a mapping with fixed keys, each of whose values may be wrapped."""
    kept = {key: node[key] for key in ("description", "type") if key in node}
    kept["properties"] = {key: _described(below) for key, below in node["properties"].items()}
    return {**kept, "additionalProperties": False}


def _described(node: Mapping[str, Any]) -> dict[str, Any]:
    """Give the schema of one value with its description and default beside it."""
    beside = {"description": node["description"]} if "description" in node else {}
    default = said_default(node)
    if default is not None and default != {}:
        beside["default"] = default
    of_names = "patternProperties" in node or node.get("type") == "object"
    return {**beside, **(_plain(node) if of_names else _wrapped(_plain(node)))}


def _wrapped(node: dict[str, Any]) -> dict[str, Any]:
    """Give the schema of a value that may stand in a wrapper."""
    if node.get("type") == "null":
        return node
    if "anyOf" in node:
        return {"anyOf": [_wrapped(choice) for choice in node["anyOf"]]}
    if "$ref" in node:
        return {"$ref": node["$ref"] + _SOURCED}
    return _or_sourced(node)


def _or_sourced(node: dict[str, Any]) -> dict[str, Any]:
    taken_back = {"type": "null"}  # in a file that is based on another
    return {"anyOf": [node, {"$ref": "#/$defs/provenance", "properties": {"value": node}}, taken_back]}


def _plain(node: Mapping[str, Any]) -> dict[str, Any]:
    """Give the schema of a value without its wrapper; what is in it may be wrapped."""
    if "kind" in node:
        return {"$ref": f"#/$defs/{node['kind']}"}
    if "$ref" in node:
        name = node["$ref"].removeprefix("#/$defs/")
        return {"$ref": "#/$defs/" + ("distribution" if name == "Distribution" else name)}
    if "anyOf" in node:
        return {"anyOf": [_plain(choice) for choice in node["anyOf"]]}
    kept = {key: value for key, value in node.items() if key not in ("title", "default", "description")}
    for key in ("items", "additionalProperties"):
        if isinstance(kept.get(key), Mapping):
            kept[key] = _wrapped(_plain(kept[key]))
    if "items" in kept and kept.get("type") == "array" and "prefixItems" not in kept:
        return {"anyOf": [kept, {"$ref": "#/$defs/list-change"}]}
    if "prefixItems" in kept:
        kept["prefixItems"] = [_wrapped(_plain(item)) for item in kept["prefixItems"]]
    if "patternProperties" in kept:
        below = kept["patternProperties"]
        kept["patternProperties"] = {pattern: _wrapped(_plain(value)) for pattern, value in below.items()}
        kept["additionalProperties"] = False
    return kept


def said_default(node: Mapping[str, Any]) -> Any:
    """Give a default as a person would write it; None if there is none, {} for a mapping of its own defaults."""
    default = node.get("default")
    if isinstance(default, dict):
        constant: str | None = default.get("constant")  # dumped already
        return {} if constant is None else constant
    kinds = {choice.get("kind") for choice in node.get("anyOf", (node,))}
    if kinds & {"duration", "positive-duration", "span"} and isinstance(default, int):
        return say(default)
    if kinds & {"moment", "early-moment", "end-date"} and isinstance(default, int):
        return "+" + say(default)
    return default


def _kinds() -> dict[str, Any]:
    """Give the definitions of values that are not JSON's own."""
    found: dict[str, Any] = {}
    for node in _nodes(shape()):
        if "kind" in node:
            found[node["kind"]] = _of_kind(node)
    found["distribution"] = {
        "description": KINDS["distribution"],
        "anyOf": [{"$ref": "#/$defs/duration"}, {"$ref": "#/$defs/Distribution"}],
    }
    name = {"$ref": "#/$defs/name"}
    found["worker-target"] = {
        "description": KINDS["worker-target"],
        "anyOf": [name, {"type": "array", "items": _wrapped(name), "minItems": 1}, {"$ref": "#/$defs/Target"}],
    }
    return found


def _of_kind(node: Mapping[str, Any]) -> dict[str, Any]:
    kind = node["kind"]
    text = {key: value for key, value in node.items() if key in ("pattern", "minLength", "maxLength")}
    choices: list[dict[str, Any]] = [{"type": "string", **text}]
    if kind in ("duration", "moment", "early-moment", "end-date"):
        choices.append(_ZERO)
    if kind == "bound":
        choices.append({"type": "number"})
    said = {"description": KINDS[kind]}
    return {**said, **choices[0]} if len(choices) == 1 else {**said, "anyOf": choices}


def _nodes(node: Any) -> list[Mapping[str, Any]]:
    if isinstance(node, Mapping):
        return [node, *(inner for value in node.values() for inner in _nodes(value))]
    return [inner for item in node for inner in _nodes(item)] if isinstance(node, list) else []


if __name__ == "__main__":  # pragma: no cover - how the shipped copy is made anew; a test holds it fresh
    sys.stdout.write(schema_text())
