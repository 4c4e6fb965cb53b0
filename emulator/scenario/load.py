"""Makes a scenario of what a person wrote, a file or settings, or a list of everything that is wrong with it.

``--change queues.night.lease=5m`` reads as if the file said so, and so does ``--add 'faults: {freeze: dome-1, ...}'``.
The variants and questions of the file are applied on top, as always.

The law: all mistakes come at once, each at its line and column. What is looked at, in this order: the text (YAML),
where values come from (wrappers are taken off), the models, what the parts say of each other, the variants. What the
parts say of each other is read from the plain data, so that a mistake in one place does not hide those in another.
"""

import math
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from emulator.errors import InputError, Problem, ScenarioError
from emulator.records import field, record
from emulator.scenario import text
from emulator.scenario.arguments import FOLDER, MAPPING, PATH, TEXT, must_be
from emulator.scenario.clock import Clock
from emulator.scenario.files import Folders, folders_of
from emulator.scenario.messages import MOST_TOLD, Found, Loc, Provenance, found_by_validation, shown
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.references import wrong_references
from emulator.scenario.traces import with_times
from emulator.scenario.variants import Asked, FewerWorkers, variants_of
from emulator.scenario.written import (
    Change,
    Layer,
    Origin,
    Place,
    Settings,
    Source,
    Woven,
    Written,
    changed,
    is_list_change,
    patched,
    settled,
    with_bases,
)
from emulator.timeline.ticks import say

__all__ = [
    "AnyFolders",
    "AnyScenario",
    "Loaded",
    "added",
    "check_effect",
    "from_settings",
    "load",
    "load_text",
    "load_within",
    "loaded_from",
    "patch_of",
    "set_to",
    "varied",
    "with_changes",
]


_WITH_CHANGES = ("variants", "combine", "baseline", "questions")
_DEEPEST = 50
_MOST_DIGITS = 30
_FOUND = "found "
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
_STARTS = re.compile(r"\d{4}-\d\d-\d\d(?:[Tt ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?)?", re.ASCII)
# Stands in for a start that is wrong; early enough that hardly any time in a file lies before it or a century after.
_WHATEVER = datetime(1950, 1, 1)  # noqa: DTZ001 - a local time; the clock knows the zone


AnyFolders = Iterable[str | os.PathLike[str]]
"""Paths of folders, in a list or the like: ``["../traces"]``."""


@record
class Loaded:
    """A scenario that was read and is right, with what it was read from; made by ``load`` and its like.

    Attributes:
        scenario: the whole scenario as an object, its fields named like the keys of the file, times in ticks.
        name: the file as it was given, or another name for messages.
        text: the text as it was read ("" for settings made in Python).
        folders: where the files that it names may lie.
        provenance: where values come from, by dotted path.
        clock: the scenario's clock: local time to ticks and back.
        variants: the scenario under each of its variants, by name; those that ``combine`` makes come last.
        patches: for each variant the dotted paths that it changes and their values, with those of the variant that it
            is based on.
        questions: what is asked of the night: for each the words, the patch, and the scenario under it.
        data: the plain data behind the scenario, wrappers taken off.
        said: where values come from, by path.
        written: where each value was written: in which file, or on the command line.
        changes: what was set on the command line, each the option (``change`` or ``add``) and its text.
        bases: the texts of the files that it is based on, by their paths from the scenario's folder.
    """

    scenario: Scenario
    name: str
    text: str
    folders: Folders
    provenance: Mapping[str, Provenance]
    clock: Clock = field(compare=False)
    variants: Mapping[str, Scenario]
    patches: Mapping[str, Mapping[str, Any]]
    questions: Sequence["Asked"]
    data: Mapping[str, Any] = field(repr=False)
    said: Mapping[tuple[str | int, ...], Provenance] = field(repr=False)
    written: Written = field(repr=False, compare=False)
    changes: tuple[Change, ...] = ()
    bases: Mapping[str, str] = field(default_factory=dict, repr=False)

    @property
    def title(self) -> str:
        """The scenario's title, with what was set on the command line."""
        return (
            f"{self.scenario.title}, with {' '.join(map(str, self.changes))}" if self.changes else self.scenario.title
        )

    @property
    def path(self) -> Path:
        """The scenario's file; a name in the folder if it was no file."""
        return Path(self.name)

    @property
    def folder(self) -> Path:
        """The folder from which the paths of the files that it names count."""
        return self.folders.own

    def place(self, loc: Sequence[str | int] | str) -> str:
        """Write the place of a value as ``file:line:column``, or the file alone when it has none."""
        return str(self.written.place(self.data, loc.split(".") if isinstance(loc, str) else loc))


def load(path: Path | str, *, allow_folders: AnyFolders = ()) -> Loaded:
    """Read a scenario file (YAML 1.2), and check it whole; nothing is run.

    Args:
        path: the file. The files that it refers to are regular files below its folder.
        allow_folders: folders below which they may lie too.

    Raises:
        InputError: when one of those folders is not there.
        ScenarioError: with every mistake in it, each at its line and column; when the file cannot be read.

    >>> import emulator
    >>> emulator.load("no-such-file.yaml")
    Traceback (most recent call last):
    ...
    emulator.errors.ScenarioError: no-such-file.yaml: unreadable: cannot be read: No such file or directory
    """
    must_be(PATH, path=path)
    document = text.read(Path(path))
    return _load(document, document.text, Folders(Path(path).parent, folders_of(allow_folders)))


def load_text(
    written: str, name: str = "scenario", *, folder: Path | str = ".", allow_folders: AnyFolders = ()
) -> Loaded:
    """Read a scenario from a text, as ``load`` does from a file.

    Args:
        written: the text, in YAML.
        name: what messages call it.
        folder: where the files that it refers to are looked for: regular files below it.
        allow_folders: folders below which they may lie too.

    Raises:
        InputError: when one of those folders is not there.
        ScenarioError: with every mistake in it, each at its line and column.

    >>> import emulator
    >>> emulator.load_text("title: A quiet night")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    emulator.errors.ScenarioError: scenario:1:1: missing-key: starts: `starts` is missing: Local time at which it ...
    """
    must_be(TEXT, written=written, name=name)
    must_be(FOLDER, folder=folder)
    return load_within(written, name, Folders(Path(folder), folders_of(allow_folders)))


def load_within(written: str, name: str, folders: Folders, bases: Mapping[str, str] | None = None) -> Loaded:
    """Read a scenario from a text, as ``load_text`` does, with its files in stated folders.

    ``bases`` are the texts of the files that it is based on, as ``Loaded`` has them; by default they are read.
    """
    return _load(text.read_bytes(written.encode("utf-8", "surrogatepass"), name), written, folders, bases)


def from_settings(
    settings: Mapping[str, Any],
    name: str = "settings",
    *,
    folder: Path | str = ".",
    allow_folders: AnyFolders = (),
) -> Loaded:
    """Make a scenario of settings in Python: the keys and values of a file; durations may be ``timedelta`` too.

    Args:
        settings: what the file would hold.
        name: what messages call it.
        folder: where the files that it refers to are looked for: regular files below it.
        allow_folders: folders below which they may lie too.

    Raises:
        InputError: when one of those folders is not there.
        ScenarioError: with every mistake in it, by path.

    >>> import emulator
    >>> emulator.from_settings({"title": "A quiet night"})  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    emulator.errors.ScenarioError: settings: missing-key: starts: `starts` is missing: Local time at which it ...
    """
    must_be(MAPPING, settings=settings)
    must_be(TEXT, name=name)
    must_be(FOLDER, folder=folder)
    return _load(Settings(name, plain(settings)), "", Folders(Path(folder), folders_of(allow_folders)))


def varied(loaded: Loaded, patch: Mapping[str, Any], name: str = "variant") -> Loaded:
    """Give a scenario with some values changed, as one of its variants would: dotted paths and their new values.

    What a variant or a question of the scenario changes was validated with it, and is not validated again.

    Raises:
        ScenarioError: with every mistake that the change makes, by path.
    """
    data, found = patched(loaded.data, plain(patch))
    if found:
        raise ScenarioError([Problem(name, 0, 0, ".".join(map(str, it.loc)), it.told(), it.code) for it in found])
    fewer = FewerWorkers(loaded.data)
    source = Settings(f"{loaded.name} ({name})", fewer.pruned(data))
    whole, known = with_bases(source, loaded.folders), _known(loaded, patch, name)
    made = _whole(source.name, "", loaded.folders, whole.data, whole.written, whole.wrong, fewer=fewer, known=known)
    return replace(made, changes=loaded.changes, bases=loaded.bases)


def _known(loaded: Loaded, patch: Mapping[str, Any], name: str) -> Scenario | None:
    """Give the scenario under a variant or a question of this name, if the patch is that one's."""
    if loaded.patches.get(name) == patch:
        return loaded.variants[name]
    return next((it.scenario for it in loaded.questions if it.ask == name and it.patch == patch), None)


def _load(
    source: Source,
    written: str,
    folders: Folders,
    bases: Mapping[str, str] | None = None,
) -> Loaded:
    whole = with_bases(source, folders, bases)
    made = _whole(source.name, written, folders, whole.data, whole.written, whole.wrong)
    return replace(made, bases=whole.bases)


def again(loaded: Loaded, data: dict[str, Any], written: Written, changes: tuple[Change, ...]) -> Loaded:
    """Give a scenario as its data were changed by what was set on the command line.

    Raises:
        ScenarioError: with every mistake that this makes.
    """
    made = _whole(loaded.name, loaded.text, loaded.folders, data, written, [], changes)
    return replace(made, bases=loaded.bases)


def _whole(
    name: str,
    text: str,
    folders: Folders,
    data: dict[str, Any],
    written: Written,
    problems: list["_Placed"],
    changes: tuple[Change, ...] = (),
    fewer: FewerWorkers | None = None,
    known: Scenario | None = None,
) -> Loaded:
    """Make a scenario of plain data, or tell everything that is wrong with it; ``known``: what was validated before."""
    scenario, clock, found = _checked(data, folders) if known is None else (known, _clock(data)[0], [])
    found = [it for it in found if fewer is None or not fewer.excuses(data, it)]
    variants: dict[str, Scenario] = {}
    patches: dict[str, Mapping[str, Any]] = {}
    asked: list[Asked] = []
    if scenario is not None and not found and not problems and not data.keys().isdisjoint(_WITH_CHANGES):
        (variants, patches, asked), found = variants_of(data, scenario, partial(checked, folders=folders))
    problems += [(written.place(data, it.loc, at_key=it.at_key), it) for it in found]
    if problems or scenario is None:
        raise ScenarioError(_in_order(problems, name, changes))
    said = written.said(data)
    paths = {".".join(map(str, loc)): told for loc, told in said.items()}
    return Loaded(scenario, name, text, folders, paths, clock, variants, patches, asked, data, said, written, changes)


def checked(data: dict[str, Any], folders: Folders) -> tuple[Scenario | None, list[Found]]:
    """Validate plain data whole: the scenario (None if the models refuse it), and all that is wrong with it."""
    scenario, _, found = _checked(data, folders)
    return scenario, found


def _checked(data: dict[str, Any], folders: Folders) -> tuple[Scenario | None, Clock, list[Found]]:
    """Validate plain data whole; what a value has to be is told once, by whoever knows what it is for."""
    clock, found = _clock(data)
    data, unread = with_times(data, folders)
    found += unread
    scenario, more = validated(data, clock)
    exact = [it._replace(code=_of_reference(it)) for it in wrong_references(data, clock, folders)]
    told = {it.loc for it in exact if it.message.startswith(_FOUND)}
    found += [it for it in more if it.loc not in told or not it.message.startswith(_FOUND)]
    return scenario, clock, [*found, *exact, *(_played_too_often(scenario, clock) if scenario else ())]


def _of_reference(it: Found) -> str:
    """Give the code of what looks at names: where a value is not even a name, that is what is wrong."""
    return it.code if it.code != "wrong-value" or it.message.startswith(_FOUND) else "wrong-reference"


def _played_too_often(scenario: Scenario, clock: Clock) -> Iterator[Found]:
    """Tell the recurrences that come too often to be played."""
    for place, arrival in enumerate(scenario.arrivals):
        if arrival.recurs is None:
            continue
        ends = scenario.lasts if arrival.ends is None else min(arrival.ends, scenario.lasts)
        from emulator.scenario.recurrence import too_often  # most scenarios do not recur

        wishes = arrival.at_changes
        if wrong := too_often(
            arrival.recurs, clock, ends, from_tick=arrival.begins, excluded=arrival.excludes, at_changes=wishes
        ):
            yield Found(("arrivals", place, "recurs"), wrong)


def validated(data: Any, clock: Clock) -> tuple[Scenario | None, list[Found]]:
    """Validate plain data against the models alone."""
    try:
        return Scenario.model_validate(data, context={"clock": clock}), []
    except ValidationError as error:
        return None, found_by_validation(data, error.errors(include_url=False))


def _clock(data: Mapping[str, Any]) -> tuple[Clock, list[Found]]:
    """Make the clock; where start or zone are wrong, any other, so that the times can be looked at nevertheless."""
    starts, zone = data.get("starts"), data.get("zone", "UTC")
    found: list[Found] = []
    when, where = _WHATEVER, "UTC"
    if isinstance(starts, str):
        try:
            if not _STARTS.fullmatch(starts) and not re.fullmatch(_STARTS.pattern + r"(?:[Zz]|[+-]\d\d:?\d\d)", starts):
                raise ValueError
            local = datetime.fromisoformat(starts.upper())
        except ValueError:
            what = f"found {shown(starts)}: a local time such as 2026-06-12T21:30:00 is wanted"
            found.append(Found(("starts",), what))
        else:
            try:
                when = Clock(local, "UTC").starts
            except ValueError as error:  # it has an offset, or is out of range
                found.append(Found(("starts",), str(error)))
    if isinstance(zone, str):
        try:
            Clock(when, zone)
            where = zone
        except ValueError as error:
            found.append(Found(("zone",), str(error)))
    return Clock(when, where), found


_Placed = tuple[Place, Found]


def _in_order(problems: list[_Placed], name: str, changes: Sequence[Change]) -> list[Problem]:
    """Put problems in file order, say each once, and no more than a person can read.

    Files that were right by themselves are wrong only with what was set on the command line.
    """
    only_with = f" (only with {' '.join(map(str, changes))})" if changes else ""
    once: dict[Any, _Placed] = {}
    for place, it in problems:  # two who look at one value may find the same
        once.setdefault((place, it.loc, it.message), (place, it))
    problems = sorted(once.values(), key=lambda placed: (placed[0].layer, *placed[0][2:]))
    told = [
        Problem(*place[1:], ".".join(map(str, it.loc)), it.told() + (only_with if place.line else ""), it.code)
        for place, it in problems[:MOST_TOLD]
    ]
    more = sum(it.counts for _, it in problems[MOST_TOLD:])
    return told if more <= 0 else [*told, Problem(name, 0, 0, "", f"and {more} more mistakes")]


def plain(value: Any, loc: tuple[str | int, ...] = ()) -> Any:
    """Make settings plain data, such as a file could hold: timedelta becomes a duration, dates become local times."""
    if len(loc) <= _DEEPEST:
        if isinstance(value, Mapping):
            return {plain(str(key), loc): plain(item, (*loc, str(key))) for key, item in value.items()}
        if isinstance(value, list | tuple):
            return [plain(item, (*loc, place)) for place, item in enumerate(value)]
        if isinstance(value, timedelta):
            return say(value // timedelta(microseconds=1))
        if isinstance(value, date):
            return value.isoformat()
        if isinstance(value, str) and not _CONTROL.search(value):
            return value
        if value is None or isinstance(value, bool) or (isinstance(value, float) and math.isfinite(value)):
            return value
        if isinstance(value, int):
            if abs(value) < 10**_MOST_DIGITS:
                return value
            message = f"found a number of more than {_MOST_DIGITS} digits: at most {_MOST_DIGITS} are taken"
            raise ScenarioError([Problem("settings", 0, 0, ".".join(map(str, loc)), message, "wrong-value")])
    what = f"a value of type {type(value).__name__}"
    if isinstance(value, str | float):
        what = shown(value)
    message = f"found {what}: mappings, lists, texts, finite numbers, durations and dates are wanted"
    raise ScenarioError([Problem("settings", 0, 0, ".".join(map(str, loc[:_DEEPEST])), message, "wrong-value")])


AnyScenario = str | os.PathLike[str] | Mapping[str, Any] | Loaded
"""The path of a scenario file, its settings as a mapping (the keys and values of a file), or what ``load`` gave."""


def loaded_from(scenario: AnyScenario, allow_folders: AnyFolders = ()) -> Loaded:
    """Give the scenario that somebody named, in whichever way.

    Raises:
        ScenarioError: with every mistake in it.
        InputError: when it is none of these, or was loaded before other folders were allowed.
    """
    if isinstance(scenario, Loaded):
        if folders_of(allow_folders):
            raise InputError("allow_folders: give them to `load`, which has read this scenario's files already")
        return scenario
    if isinstance(scenario, str | os.PathLike):
        return load(Path(scenario), allow_folders=allow_folders)
    if isinstance(scenario, Mapping):
        return from_settings(scenario, allow_folders=allow_folders)
    raise InputError(f"{scenario!r} is no scenario: give a file's path, settings, or what `load` gave")


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
    return again(loaded, woven.data, written, tuple(made))


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
