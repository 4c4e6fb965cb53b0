"""What is set on the command line: values by dotted path, and items that are added to lists.

``--change queues.night.lease=5m`` reads as if the file said so, and so does ``--add 'faults: {freeze: dome-1, ...}'``.
The variants and questions of the file are applied on top, as always.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from emulator.errors import InputError, Problem, ScenarioError
from emulator.scenario import load, text
from emulator.scenario.load import Loaded
from emulator.scenario.variants import changed
from emulator.scenario.woven import Loc, Origin, Woven, is_list_change
from emulator.scenario.written import Change, Layer, Settings, Written, settled

__all__ = ["added", "check_effect", "patch_of", "set_to", "with_changes"]


def patch_of(change: Change) -> Mapping[str, Any]:
    """Give what was set on the command line as a variant would write it.

    Raises:
        ScenarioError: when the text cannot be read.
    """
    return set_to(change.text) if change.option == "change" else added(change.text)


def set_to(written: str) -> dict[str, Any]:
    """Read ``PATH=VALUE``; the value is written as in a file, and none at all takes the path back to its default.

    Raises:
        ScenarioError: when it cannot be read.

    >>> set_to("queues.night.lease=5m"), set_to("pools.dome.count=3"), set_to("queues.night.retry=")
    ({'queues.night.lease': '5m'}, {'pools.dome.count': 3}, {'queues.night.retry': None})
    """
    path, sign, value = written.partition("=")
    if not sign or not path.strip():
        raise _wrong("change", written, "write PATH=VALUE, such as queues.night.lease=5m")
    return {path.strip(): _value("change", written, value)}


def added(written: str) -> dict[str, Any]:
    """Read ``LIST: ITEM``, or a list of items, written as in a file.

    Raises:
        ScenarioError: when it cannot be read.

    >>> added("faults: {freeze: dome-1, at: '23:00'}")
    {'faults': {'add': [{'freeze': 'dome-1', 'at': '23:00'}]}}
    """
    found = _value("add", written, written)
    if not isinstance(found, dict) or not found:
        raise _wrong(
            "add", written, "write a list and what is added to it, such as 'faults: {freeze: dome-1, at: \"23:00\"}'"
        )
    return {path: {"add": items if isinstance(items, list) else [items]} for path, items in found.items()}


def _value(option: str, written: str, value: str) -> Any:
    try:
        return text.read_value(value)
    except ScenarioError as error:
        raise _wrong(option, written, error.problems[0].message) from None


def _wrong(option: str, written: str, message: str) -> ScenarioError:
    return ScenarioError([Problem(str(Change(option, written)), 0, 0, "", message, "wrong-change")])


def with_changes(loaded: Loaded, changes: Iterable[Sequence[str]]) -> Loaded:
    """Give a scenario with what was set on the command line, as if its file said so.

    Args:
        loaded: the scenario, right as it stands.
        changes: each an option and its text, as a ``Change`` has them.

    Raises:
        InputError: when the scenario was changed so before.
        ScenarioError: with every mistake that the changes make, each where it was written.
    """
    made = [Change(*change) for change in changes]
    if not made:
        return loaded
    if loaded.changes:
        raise InputError(f"{loaded.name}: something was set on it already: give all of it at once")
    woven = Woven(loaded.data)
    first = len(loaded.written.layers)
    layers = list(loaded.written.layers)
    problems = []
    for number, change in enumerate(made, 1):
        patch = patch_of(change)
        layers.append(Layer(Settings(str(change), dict(patch)), {}))
        for it in changed(woven, patch, number):
            problems.append(Problem(str(change), 0, 0, _path(it.loc), it.told(), it.code))
    if problems:
        raise ScenarioError(problems)

    def origin(loc: Loc) -> Origin:
        layer, where = woven.origin(loc)
        return Origin(first + layer - 1, where) if layer else loaded.written.origin(where)

    written = Written(tuple(layers), settled(woven.data, origin))
    return load.again(loaded, woven.data, written, tuple(made))


def check_effect(loaded: Loaded, variant: str) -> None:
    """Make sure that a variant leaves something of all that was set on the command line.

    Raises:
        InputError: when the variant sets one of the values itself.
    """
    for change in loaded.changes:
        for path in patch_of(change):
            for other, value in loaded.patches.get(variant, {}).items():
                if f"{path}.".startswith(f"{other}.") and not is_list_change(value):
                    raise InputError(f"{change} has no effect: the variant {variant!r} sets {other} itself")


def _path(loc: Loc) -> str:
    return ".".join(map(str, loc))
