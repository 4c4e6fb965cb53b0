"""What a scenario is under each of its variants and questions, or with values set on the command line.

A variant names values by dotted paths (``queues.night.retry.first``; an item of a list by its name, else by its number
from 0) and gives each another value, or takes it back to its default by null; a mapping with ``add`` or ``remove``
changes a list. A variant that is based on another changes what comes of that one. ``combine`` gives each of several
paths a list of values: every combination of them is a variant too, named by its values (``lease 30s + count 2``), save
the one that is the scenario as it stands. A question is a change that has words in place of a name. Since the scenario
itself is right, whatever is wrong under a variant is that variant's doing, and is told at the path that made it.

``--change queues.night.lease=5m`` reads as if the file said so, and so does ``--add 'faults: {freeze: dome-1, ...}'``.
The variants and questions of the file are applied on top, as always.

The law: a variant is held against the scenario as written, key by key. It is a what-if when a key that differs is about
faults, about how much work comes, how long it takes or how often it fails, or about how systems answer. Whoever writes
the file may say otherwise: ``candidate: true`` or ``candidate: false`` in the variant.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import product
from typing import Any, Final, NamedTuple

from emulator.errors import InputError, Problem, ScenarioError
from emulator.scenario import load, text
from emulator.scenario.files import Folders
from emulator.scenario.load import FewerWorkers, Loaded
from emulator.scenario.messages import Found, Loc, has_free_keys, keys_at, node_at, resolve, shown
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import advise
from emulator.scenario.written import (
    Change,
    Layer,
    Origin,
    Settings,
    Woven,
    Written,
    is_list_change,
    place_of,
    settled,
    takes_a_list,
)

__all__ = [
    "AS_WRITTEN",
    "COMPARING",
    "Asked",
    "Variants",
    "added",
    "changed",
    "changed_keys",
    "changes_the_world",
    "check_effect",
    "chosen",
    "patch_of",
    "patched",
    "said_candidate",
    "set_to",
    "value_at",
    "variants_of",
    "with_changes",
]


AS_WRITTEN: Final = "as written"
"""The name of the scenario as it stands, where it is compared with its variants."""

COMPARING: Final = ("variants", "combine", "baseline", "questions", "based_on")
"""The keys that are about variants, or about files: no variant changes them."""

_MOST: Final = 100
_BASED_ON: Final = "based_on"
_CANDIDATE: Final = "candidate"


class Asked(NamedTuple):
    """A question, the patch that it asks about, and the scenario under it."""

    ask: str
    patch: Mapping[str, Any]
    scenario: Scenario


class Variants(NamedTuple):
    """The variants of a scenario that are right: by name, the scenario under each and the patch that makes it.

    The patch of one that is based on another has all that both change. ``asked`` are the questions that are right.
    """

    scenarios: dict[str, Scenario]
    patches: dict[str, Mapping[str, Any]]
    asked: list[Asked]


def said_candidate(data: Mapping[str, Any], variant: str) -> bool | None:
    """Say what a variant of plain data says of itself: it may be recommended, or it is a what-if; None: nothing."""
    said: bool | None = ((data.get("variants") or {}).get(variant) or {}).get(_CANDIDATE)
    return said


def chosen(loaded: "load.Loaded", variant: str) -> str:
    """Give the name of the variant that is asked for; "" for the scenario itself, by its name or by "".

    Raises:
        InputError: when there is no such variant; the message gives the nearest.
    """
    if variant in ("", AS_WRITTEN):
        return ""
    if variant not in loaded.patches:
        known = advise(variant, (AS_WRITTEN, *loaded.patches)) if loaded.patches else "it has none"
        raise InputError(f"{loaded.name}: there is no variant {variant!r}: {known}")
    return variant


def variants_of(data: Mapping[str, Any], scenario: Scenario, folders: Folders) -> tuple[Variants, list[Found]]:
    """Apply every variant and question to a scenario that is right: what comes of it, and what is wrong with them."""
    work = _Work(data, folders)
    for name in scenario.variants:
        work.variant(name, ())
    if AS_WRITTEN in scenario.variants:
        what = f"{AS_WRITTEN!r} is the scenario itself: give the variant another name"
        work.wrong.append(Found(("variants", AS_WRITTEN), what, True))
    own = scenario.model_copy(update={"variants": {}, "combine": {}, "baseline": None, "questions": ()})
    in_order = Variants({}, {}, [])
    for name in scenario.variants:
        if name in work.right:
            in_order.patches[name], in_order.scenarios[name] = work.right[name]
    for name, patch, places in _combined(data.get("combine") or {}, work.wrong, len(scenario.variants)):
        if name in in_order.scenarios:
            what = f"this makes a variant {name!r}, and there is one of that name already"
            work.wrong.append(Found(("combine",), what))
            continue
        found = work.apply([patch])
        work.wrong += [_in_the_lists(it, places) for it in found.wrong]
        if found.scenario is not None and found.scenario != own:
            in_order.scenarios[name], in_order.patches[name] = found.scenario, patch
    names = [AS_WRITTEN, *in_order.scenarios]
    if scenario.baseline is not None and scenario.baseline not in names and not work.wrong:
        what = f"there is no variant {scenario.baseline!r}: {advise(scenario.baseline, names)}"
        work.wrong.append(Found(("baseline",), what, code="wrong-reference"))
    for place, question in enumerate(scenario.questions):
        here: Loc = ("questions", place)
        if question.ask in [asked.ask for asked in in_order.asked]:
            work.wrong.append(Found((*here, "ask"), "this is asked already: ask each question once"))
        elif question.ask == AS_WRITTEN:
            what = f"{AS_WRITTEN!r} is the scenario itself: put the question in other words"
            work.wrong.append(Found((*here, "ask"), what))
        elif made := work.one(data["questions"][place]["change"], (*here, "change"), ()):
            in_order.asked.append(Asked(question.ask, *made))
    return in_order, list(dict.fromkeys(work.wrong))


class _Made(NamedTuple):
    """What came of some patches: the data, the scenario (None if something is wrong) and what is wrong."""

    woven: Woven
    scenario: Scenario | None
    wrong: list[Found]


class _Work:
    """Variants under way: ``right`` has those that came out right, ``wrong`` all that is wrong with the others."""

    def __init__(self, data: Mapping[str, Any], folders: Folders) -> None:
        self._data = {key: value for key, value in data.items() if key not in COMPARING}
        self._variants: Mapping[str, Any] = data.get("variants") or {}
        self._folders = folders
        self._fewer = FewerWorkers(self._data)
        self._seen: set[str] = set()
        self.right: dict[str, tuple[Mapping[str, Any], Scenario]] = {}
        self.wrong: list[Found] = []

    def variant(self, name: str, waiting: tuple[str, ...]) -> None:
        """Apply one variant, after the one that it is based on."""
        if name not in self._seen:
            self._seen.add(name)
            if made := self.one(self._variants[name], ("variants", name), (*waiting, name)):
                self.right[name] = made

    def one(
        self, said: Mapping[str, Any], here: Loc, waiting: tuple[str, ...]
    ) -> tuple[Mapping[str, Any], Scenario] | None:
        """Apply what a variant or a question says; its whole patch and the scenario, None if something is wrong."""
        ours = {_BASED_ON, _CANDIDATE} if here[0] == "variants" else {_BASED_ON}
        own = {path: value for path, value in said.items() if path not in ours}
        if _CANDIDATE in ours and not isinstance(said.get(_CANDIDATE, True), bool):
            what = f"found {shown(said[_CANDIDATE])}: true (it may be recommended) or false (a what-if) is wanted"
            self.wrong.append(Found((*here, _CANDIDATE), what))
            return None
        base: Mapping[str, Any] = {}
        if _BASED_ON in said:
            name = said[_BASED_ON]
            if wrong := self._wrong_base(name, waiting):
                self.wrong.append(Found((*here, _BASED_ON), wrong, code="wrong-reference"))
                return None
            self.variant(name, waiting)
            if name not in self.right:
                return None  # which is told where that one is written
            base = self.right[name][0]
        found = self.apply([base, own] if base else [own])
        for it in found.wrong:
            loc = it.loc or ((_BASED_ON,) if base else ())
            self.wrong.append(Found((*here, *loc), *it[1:]))
        return None if found.scenario is None else (_composed(base, own, found.woven), found.scenario)

    def _wrong_base(self, name: Any, waiting: tuple[str, ...]) -> str:
        if not isinstance(name, str):
            return f"found {shown(name)}: the name of a variant is wanted"
        if name not in self._variants:
            hint = advise(name, self._variants) if self._variants else "there are none"
            return f"there is no variant {name!r} to be based on: {hint}"
        if name in waiting:
            circle = " on ".join(f"{one!r}" for one in (*waiting[waiting.index(name) :], name))
            return f"variants would be based on themselves: {circle}"
        return ""

    def apply(self, patches: list[Mapping[str, Any]]) -> _Made:
        """Apply patches one after another; what is wrong is told by the paths of the last."""
        woven, wrong = Woven(self._data), list[Found]()
        for layer, patch in enumerate(patches, 1):
            wrong = changed(woven, patch, layer)
        if wrong:
            return _Made(woven, None, wrong)
        scenario, found = load.checked(self._fewer.pruned(woven.data), self._folders)
        found = [it for it in found if not self._fewer.excuses(woven.data, it)]
        wrong = [_at_the_patch(it, woven, patches[-1], len(patches)) for it in found]
        return _Made(woven, None if wrong else scenario, wrong)


def _composed(base: Mapping[str, Any], own: Mapping[str, Any], woven: Woven) -> Mapping[str, Any]:
    """Give one patch that does what two do one after the other; ``woven`` is what came of them.

    A list that both change is told whole: its items may be named by their places, which the second has moved.
    """
    made = dict(base)
    for path, value in own.items():
        if is_list_change(value) and path not in base:
            made[path] = value
            continue
        made = {other: it for other, it in made.items() if other != path and not other.startswith(f"{path}.")}
        loc, _ = _led(woven, path, False) if is_list_change(value) else (None, "")
        made[path] = value if loc is None else woven.at(loc)
    return made


def _combined(
    lists: Mapping[str, Any], wrong: list[Found], others: int
) -> Iterator[tuple[str, dict[str, Any], dict[str, int]]]:
    """Give every combination: its name, its patch, and which value of each list it takes."""
    for path, values in lists.items():
        if not values:
            wrong.append(Found(("combine", path), "an empty list makes no combination: give at least one value"))
    if (many := math.prod(map(len, lists.values()))) + others > _MOST:
        wrong.append(Found(("combine",), f"this makes {many:,} combinations: at most {_MOST} variants are compared"))
        return
    short = {path: _told_apart(path, lists) for path in lists}
    for places in product(*(range(len(values)) for values in lists.values())) if lists else ():
        chosen = dict(zip(lists, places, strict=True))
        patch = {path: lists[path][place] for path, place in chosen.items()}
        yield " + ".join(f"{short[path]} {_in_words(value)}" for path, value in patch.items()), patch, chosen


def _told_apart(path: str, paths: Iterable[str]) -> str:
    """Give the shortest end of a path that no other path ends with."""
    parts = path.split(".")
    for many in range(1, len(parts)):
        end = ".".join(parts[-many:])
        if not any(other != path and f".{other}".endswith(f".{end}") for other in paths):
            return end
    return path


def _in_words(value: Any) -> str:
    """Write a value on one line; a mapping by its values, which say most."""
    if isinstance(value, Mapping):
        return "(" + ", ".join(f"{key} {_in_words(item)}" for key, item in value.items()) + ")"
    if isinstance(value, list):
        return "(" + ", ".join(map(_in_words, value)) + ")"
    return "none" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def _in_the_lists(it: Found, places: Mapping[str, int]) -> Found:
    """Tell a mistake under a combination at the value of the list that made it."""
    path = str(it.loc[0]) if it.loc else ""
    if path not in places or it.at_key:
        return Found(("combine", *it.loc), *it[1:])
    return Found(("combine", path, places[path], *it.loc[1:]), it.told(), code=it.code)


def patched(data: Mapping[str, Any], patch: Mapping[str, Any]) -> tuple[dict[str, Any], list[Found]]:
    """Give plain data with some values changed, and what is wrong with the patch, told by the paths in it.

    The changed data has no variants of its own, and nothing that is about them.
    """
    woven = Woven({key: value for key, value in data.items() if key not in COMPARING})
    found = changed(woven, patch)
    return woven.data, found


def changed(woven: Woven, patch: Mapping[str, Any], layer: int = 1) -> list[Found]:
    """Change some values, each where its dotted path leads: what is wrong with the patch, told by the paths in it."""
    found: list[Found] = []
    for path, value in patch.items():
        loc, wrong = _led(woven, path, value is None)
        if wrong:
            found.append(Found((path,), wrong, True, code="unknown-key"))
        elif loc is None:
            continue  # what has its default already
        else:
            found += _at_the_end(woven, loc, path, value, layer)
    return found


def value_at(data: Mapping[str, Any], path: str) -> Any:
    """Give the value that a dotted path leads to in plain data; None if it is not stated, or leads nowhere."""
    woven = Woven({key: value for key, value in data.items() if key not in COMPARING})
    loc, _ = _led(woven, path, True)
    if loc is None:
        return None
    holder = woven.at(loc[:-1])
    return holder.get(loc[-1]) if isinstance(holder, dict) else holder[loc[-1]]


def _at_the_end(woven: Woven, loc: Loc, path: str, value: Any, layer: int) -> list[Found]:
    """Change the one value to which a path leads."""
    holder, key = woven.at(loc[:-1]), loc[-1]
    of_list = isinstance(holder, list)
    stands = holder[key] if of_list else holder.get(key)
    if value is None:
        if of_list:
            what = f"an item of a list has no default: to take it out, write {{remove: [{path.rpartition('.')[2]}]}}"
            return [Found((path,), what)]
        woven.take_back(loc)
        return []
    may_replace = bool(keys_at(loc)) and not is_list_change(value)  # a mapping may stand in place of the list
    if isinstance(value, Mapping) and takes_a_list(loc, stands) and not may_replace:
        if not is_list_change(value):
            return [Found((path,), "found a mapping: a list is wanted, or a mapping with `add`, `remove` or both")]
        wrong = woven.change_list(loc, value, Origin(layer, (path,)))
        return [Found((path, *where), what) for where, what in wrong]
    if is_list_change(value) and all(isinstance(items, list) for items in value.values()):
        return [Found((path,), "`add` and `remove` change a list, and none stands here")]
    woven.put(loc, value, Origin(layer, (path,)))
    return []


def _led(woven: Woven, path: str, taken_back: bool) -> tuple[Loc | None, str]:
    """Follow a path: where it leads (None: a value that is to be taken back is not stated), and what is wrong with it.

    What is not stated on the way is made.
    """
    inner: Any = woven.data
    loc: Loc = ()
    parts = path.split(".")
    for place, part in enumerate(parts):
        last = place == len(parts) - 1
        known = keys_at(loc)
        before = ".".join(parts[:place]) or "the scenario"
        if isinstance(inner, list):
            number = place_of(inner, part)
            if number is None:
                return None, f"{before} has {len(inner)} items, counted from 0, and none is called {part!r}"
            loc = (*loc, number)
        elif isinstance(inner, dict) and known:
            if part not in known or path.split(".")[0] in COMPARING:
                allowed = [key for key in known if key not in COMPARING or loc]
                return None, f"there is no {part!r} in {before}: {advise(part, allowed)}"
            loc = (*loc, part)
            if not last and inner.get(part) is None:
                if taken_back:
                    return None, ""
                inner[part] = [] if "items" in _plain_node(loc) else {}
        elif isinstance(inner, dict) and has_free_keys(resolve(node_at(loc))):
            if not last and part not in inner:
                return None, f"there is no {part!r} in {before}: {advise(part, inner) if inner else 'it is empty'}"
            loc = (*loc, part)
        else:
            return None, f"{before} is one value, nothing lies below it"
        if not last:
            inner = inner[loc[-1]]
    return loc, ""


def _plain_node(loc: Loc) -> Mapping[str, Any]:
    node = resolve(node_at(loc))
    for choice in node.get("anyOf", ()):
        if choice.get("type") != "null":
            return resolve(choice)
    return node


def _at_the_patch(it: Found, woven: Woven, patch: Mapping[str, Any], last: int) -> Found:
    """Tell a mistake under a patch, the last of the layers, at the path in it that made it, or that is nearest."""
    layer, where = woven.origin(it.loc)
    if layer == last:
        return Found(where, it.told(), it.at_key, False, it.counts, it.code)
    loc = list(map(str, it.loc))

    def shared(path: str) -> int:
        parts = path.split(".")
        alike = 0
        while alike < min(len(parts), len(loc)) and parts[alike] == loc[alike]:
            alike += 1
        return alike

    nearest = max(patch, key=shared, default=None)
    if nearest is None:
        return Found((), it.told(), code=it.code)
    many = len(nearest.split("."))
    if shared(nearest) == many == len(loc):
        return Found((nearest,), it.told(), it.at_key, False, it.counts, it.code)
    return Found((nearest,), f"under this variant {'.'.join(loc)} is wrong: {it.told()}", code=it.code)


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


Key = tuple[str | int, ...]

_COMING: Final = frozenset(
    ("count", "per_hour", "every", "gaps", "again_after", "trace", "parameters", "batch", "late_by")
)
"""Keys of an arrival entry that say how much comes."""
_ANYWHERE: Final = frozenset(("takes", "error_share", "permanent_error_share", "fails_after", "answers_in", "outages"))
"""Keys that say how long work takes, how often it fails, and how systems answer, wherever they stand."""
_NOT_COMPARED: Final = frozenset(
    ("title", "about", "brief", "variants", "combine", "baseline", "prefer", "meant_to_miss")
)
"""Keys of a scenario of which no variant is a change."""


def changed_keys(base: Scenario, other: Scenario) -> tuple[Key, ...]:
    """Give the keys in which two scenarios differ; a list of another length is one key."""
    return tuple(_differ(_plain(base), _plain(other), ()))


def _plain(scenario: Scenario) -> dict[str, Any]:
    return {key: value for key, value in scenario.model_dump().items() if key not in _NOT_COMPARED}


def _differ(one: Any, other: Any, loc: Key) -> Iterator[Key]:
    if one == other:
        return
    if isinstance(one, dict) and isinstance(other, dict):
        for key in dict.fromkeys([*one, *other]):
            if key not in one or key not in other:
                yield (*loc, key)
            else:
                yield from _differ(one[key], other[key], (*loc, key))
    elif isinstance(one, tuple | list) and isinstance(other, tuple | list) and len(one) == len(other):
        for place, (item, its) in enumerate(zip(one, other, strict=True)):
            yield from _differ(item, its, (*loc, place))
    else:
        yield loc


def changes_the_world(key: Key) -> bool:
    """Say whether a key is about the world, which nobody chooses.

    >>> changes_the_world(("queues", "night", "lease")), changes_the_world(("faults", 0, "how"))
    (False, True)
    >>> changes_the_world(("arrivals", 0, "count")), changes_the_world(("pools", "dome", "count"))
    (True, False)
    """
    if key[0] == "faults":
        return True
    if key[0] == "arrivals" and (len(key) < 3 or key[2] in _COMING):
        return True
    return any(part in _ANYWHERE for part in key[1:])
