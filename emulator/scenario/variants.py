"""What is a scenario under each of its variants, and do the variants' dotted paths lead anywhere?

A variant names values by dotted paths (``queues.night.retry.first``; an item of a list by its name, else by its number
from 0) and gives each another value, or takes it back to its default by null; a mapping with ``add`` or ``remove``
changes a list. A variant that is based on another changes what comes of that one. ``combine`` gives each of several
paths a list of values: every combination of them is a variant too, named by its values (``lease 30s + count 2``), save
the one that is the scenario as it stands. A question is a change that has words in place of a name. Since the scenario
itself is right, whatever is wrong under a variant is that variant's doing, and is told at the path that made it.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import product
from typing import Any, Final, NamedTuple

from emulator.errors import InputError
from emulator.scenario import load
from emulator.scenario.fewer_workers import FewerWorkers
from emulator.scenario.files import Folders
from emulator.scenario.messages import Found
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.shape import has_free_keys, keys_at, node_at, resolve, shown
from emulator.scenario.spelling import advise
from emulator.scenario.woven import Loc, Origin, Woven, is_list_change, place_of, takes_a_list

__all__ = [
    "AS_WRITTEN",
    "COMPARING",
    "Asked",
    "Variants",
    "changed",
    "chosen",
    "patched",
    "said_candidate",
    "value_at",
    "variants_of",
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
