"""What a scenario is under each of its variants and questions, and which of them change the world.

A variant names values by dotted paths (``queues.night.retry.first``; an item of a list by its name, else by its number
from 0) and gives each another value, or takes it back to its default by null; a mapping with ``add`` or ``remove``
changes a list. A variant that is based on another changes what comes of that one. ``combine`` gives each of several
paths a list of values: every combination of them is a variant too, named by its values (``lease 30s + count 2``), save
the one that is the scenario as it stands. A question is a change that has words in place of a name. Since the scenario
itself is right, whatever is wrong under a variant is that variant's doing, and is told at the path that made it.

A fault that is aimed at ``dome-2`` has nobody to hit where ``pools.dome.count`` is 1. That is no slip of the pen: the
run tells it (``fault_missed``, ``action_refused``), and a search for the right number of workers goes on.

The law: a variant is held against the scenario as written, key by key. It is a what-if when a key that differs is about
faults, about how much work comes, how long it takes or how often it fails, or about how systems answer. Whoever writes
the file may say otherwise: ``candidate: true`` or ``candidate: false`` in the variant.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from emulator.errors import InputError
from emulator.scenario.fault_kinds import WORKER_KINDS
from emulator.scenario.messages import Found, Loc, shown
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.names import Names
from emulator.scenario.spelling import advise
from emulator.scenario.written import (
    COMPARING,
    Woven,
    _led,
    changed,
    is_list_change,
)

if TYPE_CHECKING:
    from emulator.scenario.load import Loaded

__all__ = [
    "AS_WRITTEN",
    "Asked",
    "FewerWorkers",
    "Variants",
    "absent_workers",
    "changed_keys",
    "changes_the_world",
    "chosen",
    "said_candidate",
    "variants_of",
]


AS_WRITTEN: Final = "as written"
"""The name of the scenario as it stands, where it is compared with its variants."""


_MOST: Final = 100
_BASED_ON: Final = "based_on"
_CANDIDATE: Final = "candidate"


Checked = Callable[[dict[str, Any]], tuple[Scenario | None, list[Found]]]
"""Validates plain data whole: the scenario, None if the models refuse it, and all that is wrong with it."""


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


def chosen(loaded: "Loaded", variant: str) -> str:
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


def variants_of(data: Mapping[str, Any], scenario: Scenario, checked: Checked) -> tuple[Variants, list[Found]]:
    """Apply every variant and question to a scenario that is right: what comes of it, and what is wrong with them."""
    work = _Work(data, checked)
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

    def __init__(self, data: Mapping[str, Any], checked: Checked) -> None:
        self._data = {key: value for key, value in data.items() if key not in COMPARING}
        self._variants: Mapping[str, Any] = data.get("variants") or {}
        self._checked = checked
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
        scenario, found = self._checked(self._fewer.pruned(woven.data))
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


class FewerWorkers:
    """Excuses what names workers that a change has taken away; ``data`` is the scenario before it."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self._data = data

    @cached_property
    def _before(self) -> Names:
        return Names(self._data, {})

    def pruned(self, data: dict[str, Any]) -> dict[str, Any]:
        """Give changed data without the settings of single workers that are there no more."""
        after, pools = Names(data, {}), data.get("pools")
        gone = {
            name: [worker for worker in pool["per_worker"] if self._is_gone(str(worker), after)]
            for name, pool in (pools.items() if isinstance(pools, Mapping) else ())
            if isinstance(pool, Mapping) and isinstance(pool.get("per_worker"), Mapping)
        }
        if not isinstance(pools, Mapping) or not any(gone.values()):
            return data
        kept = {
            name: {**pool, "per_worker": {key: it for key, it in pool["per_worker"].items() if key not in gone[name]}}
            for name, pool in pools.items()
            if gone.get(name)
        }
        return {**data, "pools": {**pools, **kept}}

    def excuses(self, data: Mapping[str, Any], found: Found) -> bool:
        """Say whether a mistake in changed data is only that a worker is not there who was before."""
        after = Names(data, {})
        value: Any = data
        for part in found.loc:
            held: Any = value
            try:
                value = value[part]
            except (LookupError, TypeError):
                return False
        if found.loc and found.loc[-1] == "some" and isinstance(held, Mapping) and isinstance(held.get("pool"), str):
            pool = held["pool"]
            return self._before.too_many(pool, value) is None and after.too_many(pool, value) is not None
        return isinstance(value, str) and self._is_gone(value, after)

    def _is_gone(self, word: str, after: Names) -> bool:
        return self._before.worker(word) is None and after.worker(word) is not None


def absent_workers(scenario: Scenario) -> tuple[str, ...]:
    """Name the workers that faults and actions of a scenario are aimed at, and that are not there, each once."""
    known = {*scenario.pools, *(name for pool, model in scenario.pools.items() for name in model.names(pool))}
    aims: list[Any] = [getattr(fault, kind) for fault in scenario.faults for kind in WORKER_KINDS]
    aims += [action.drain for action in scenario.actions]
    named = [name for aim in aims for name in (aim if isinstance(aim, tuple) else (aim,)) if isinstance(name, str)]
    return tuple(dict.fromkeys(name for name in named if name not in known))
