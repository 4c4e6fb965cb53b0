"""Finds the keys of the format that a scenario uses, by walking it beside the JSON Schema."""

from collections.abc import Iterator
from typing import Any

__all__ = ["all_keys", "keys_used"]

Node = dict[str, Any]
Key = tuple[str, str]
"""What it is a key of (a definition of the schema, "" for the file itself), and the key."""


def all_keys(schema: Node) -> set[Key]:
    """Give every key that the schema knows."""
    found = {("", key) for key in schema["properties"]}
    for name, node in schema["$defs"].items():
        if not name.endswith("-sourced"):
            found |= {(name, key) for key in node.get("properties", {})}
    return found


def keys_used(schema: Node, settings: Node) -> set[Key]:
    """Give the keys that a scenario uses, those of values that say where they come from included."""
    return set(_walk(schema, schema, "", settings))


def _walk(schema: Node, node: Node, name: str, value: Any) -> Iterator[Key]:
    if isinstance(value, list):
        for each in value:
            for found, item in _choices(schema, node, name):
                if "items" in item:
                    yield from _walk(schema, item["items"], found, each)
        return
    if not isinstance(value, dict):
        return
    for found, choice in _choices(schema, node, name):
        known = choice.get("properties", {})
        named = next(iter(choice.get("patternProperties", {}).values()), choice.get("additionalProperties"))
        if isinstance(named, dict):  # a mapping from names
            for each in value.values():
                yield from _walk(schema, named, "", each)
        elif set(value) <= set(known):
            for key, each in value.items():
                yield found, key
                yield from _walk(schema, known[key], "", each)


def _choices(schema: Node, node: Node, name: str) -> Iterator[tuple[str, Node]]:
    """Give every form that a node may take, with the name of its definition."""
    if "$ref" in node:
        name = node["$ref"].rpartition("/")[2]
        yield from _choices(schema, schema["$defs"][name], name.removesuffix("-sourced"))
        if "properties" in node:  # a wrapper, of which only `value` is told beside the reference
            yield "provenance", {"properties": {**schema["$defs"]["provenance"]["properties"], **node["properties"]}}
    for word in ("anyOf", "oneOf", "allOf"):
        for each in node.get(word, ()):
            yield from _choices(schema, each, name)
    if "items" in node or (
        "$ref" not in node and {"properties", "patternProperties", "additionalProperties"} & set(node)
    ):
        yield name, node
