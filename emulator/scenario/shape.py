"""What may stand at which place of a scenario, in plain words?

The shape is the models' own JSON Schema, in which values that are not JSON's own (durations, moments, names) carry
their ``kind``. Messages, the shipped schema and the reference page all read it: none can disagree with the models.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType
from typing import Any, Final

from emulator.scenario.models.faults import Target
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.values import KINDS

__all__ = [
    "Node",
    "has_free_keys",
    "is_of_keys",
    "is_one_value",
    "keys_at",
    "node_at",
    "of_names",
    "resolve",
    "shape",
    "shown",
    "words",
]

Node = Mapping[str, Any]

_NOTHING: Final[Node] = MappingProxyType({})
_DISTRIBUTION: Final = "#/$defs/Distribution"
_MOST_KEYS: Final = 8


@cache
def shape() -> Node:
    """Give the JSON Schema of the models as pydantic makes it, once."""
    from pydantic.json_schema import models_json_schema  # not needed for a file that is right and has no variants

    references, definitions = models_json_schema([(Scenario, "validation"), (Target, "validation")])
    found: Node = _any_of({**references[Scenario, "validation"], **definitions})
    return MappingProxyType(found)


def _any_of(node: Any) -> Any:
    """Write the choices of a union whose forms are told apart as any other choices, all of them in one list."""
    if isinstance(node, list):
        return [_any_of(item) for item in node]
    if not isinstance(node, dict):
        return node
    found = {key: _any_of(value) for key, value in node.items() if key not in ("oneOf", "discriminator")}
    choices = [_any_of(choice) for choice in (*node.get("oneOf", ()), *node.get("anyOf", ()))]
    if choices:
        found["anyOf"] = [
            inner for choice in choices for inner in (choice["anyOf"] if [*choice] == ["anyOf"] else [choice])
        ]
    return found


def resolve(node: Node) -> Node:
    """Follow a reference; the other keys of the node (its description and default) stay in force."""
    if "$ref" not in node:
        return node
    target = shape()["$defs"][node["$ref"].removeprefix("#/$defs/")]
    return {**target, **{key: value for key, value in node.items() if key != "$ref"}}


def node_at(loc: Sequence[str | int], root: Node | None = None) -> Node:
    """Give the shape of what may stand at a path; of the nearest known value around it if the path leads nowhere.

    ``root`` is the shape of the whole file, by default of a scenario; any other must be free of references.
    """
    node = resolve(shape() if root is None else root)
    for part in loc:
        node = _step(node, part) or node
    return node


def keys_at(loc: Sequence[str | int], root: Node | None = None) -> tuple[str, ...]:
    """List the keys that a mapping at a path may have; none if it may not be a mapping or its keys are names."""
    return tuple(_properties(node_at(loc, root)))


def _properties(node: Node) -> Node:
    for choice in node.get("anyOf", (node,)):
        target = choice.get("kind") == "worker-target"
        found: Node = resolve({"$ref": "#/$defs/Target"} if target else choice).get("properties", _NOTHING)
        if found:
            return found
    return _NOTHING


def _step(node: Node, part: str | int) -> Node | None:
    for choice in node.get("anyOf", (node,)):
        candidate = resolve(choice)
        if isinstance(part, int):
            below = candidate.get("items", (candidate.get("prefixItems") or (None,))[0])
        else:
            below = _properties(candidate).get(part, of_names(candidate))
        if isinstance(below, Mapping):
            return resolve(below)
    return None


def of_names(node: Node) -> Node | None:
    """Give the shape of the values of a mapping whose keys are names; None for any other node."""
    below = next(iter(node.get("patternProperties", _NOTHING).values()), node.get("additionalProperties"))
    return below if isinstance(below, Mapping) else None


def has_free_keys(node: Node) -> bool:
    """Say whether a mapping's keys are chosen by whoever writes it: names of things, or of parameters."""
    return of_names(node) is not None or node.get("additionalProperties") is True


def is_of_keys(node: Node) -> bool:
    """Say whether only a mapping with keys of its own may stand at a node; a distribution is none."""
    choices = [choice for choice in resolve(node).get("anyOf", (node,)) if choice.get("type") != "null"]
    found = resolve(choices[0])
    return len(choices) == 1 and not _is_distribution(choices[0]) and "properties" in found and "kind" not in found


def is_one_value(loc: Sequence[str | int]) -> bool:
    """Say whether a mapping at a path is one value, such as a distribution, and not a group of keys."""
    node = node_at(loc)
    return any(_is_distribution(choice) or "kind" in choice for choice in node.get("anyOf", (node,)))


def _is_distribution(node: Node) -> bool:
    return node.get("$ref") == _DISTRIBUTION or node.get("title") == "Distribution"


def words(node: Node) -> str:
    """Say in plain words what may stand at a node: ``a whole number from 1 to 1000``."""
    if _is_distribution(node):
        return KINDS["distribution"]
    node = resolve(node)
    if "kind" in node:
        return KINDS[node["kind"]]
    if "anyOf" in node:
        choices = dict.fromkeys(words(choice) for choice in node["anyOf"] if choice.get("type") != "null")
        return " or ".join(choices)
    allowed = [*node.get("enum", ()), *([node["const"]] if "const" in node else [])]
    if allowed:
        return (" or " if len(allowed) < 3 else ", ").join(shown(word).strip("'") for word in allowed)
    if "properties" in node:
        keys = list(node["properties"])
        return f"a mapping with keys such as {', '.join(keys[:_MOST_KEYS])}"
    kind = node.get("type")
    if kind == "object":
        below = resolve(of_names(node) or _NOTHING)
        values = words(below) if below.get("type") == "string" else "mappings" if below else "values"
        return f"a mapping from names to {values}"
    if kind == "array":
        return _list_words(node)
    name = {"integer": "a whole number", "number": "a number", "boolean": "true or false", "string": "text"}
    return name.get(str(kind), "a value") + _range(node)


def _list_words(node: Node) -> str:
    if "prefixItems" in node:
        return f"a list of {len(node['prefixItems'])}, each {words(node['prefixItems'][0])}"
    least = " with at least one entry" if node.get("minItems") else ""
    of = "one of " if "enum" in node["items"] else ""
    if "properties" in resolve(node["items"]) and "Distribution" not in node["items"].get("$ref", ""):
        return f"a list{least}, each a mapping"
    return f"a list{least}, each {of}{words(node['items'])}"


def _range(node: Node) -> str:
    low, above, high = node.get("minimum"), node.get("exclusiveMinimum"), node.get("maximum")
    if "exclusiveMaximum" in node:
        high = node["exclusiveMaximum"] - 1
    if node.get("maxLength"):
        return f" of at most {node['maxLength']} characters"
    if above is not None:
        return f" above {above:g}" + (f", at most {high:g}" if high is not None else "")
    if low is not None and high is not None:
        return f" from {_plain(low)} to {_plain(high)}"
    return f", at least {_plain(low)}" if low is not None else ""


def _plain(number: float) -> str:
    return f"{number:g}" if isinstance(number, float) else str(number)


def shown(value: Any) -> str:
    """Show what was found, short enough for one line."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a mapping" if value else "an empty mapping"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
