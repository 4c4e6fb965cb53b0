"""Whether the parts of a scenario fit: all that is named is defined, and each {name} in a template means something.

The law: these checks read the plain data and skip what has another form than they expect, because the models tell
that. So references are judged even in a file with other mistakes.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from typing import Any, Final

from emulator.errors import InputError, ScenarioError
from emulator.scenario.clock import Clock, zone_names
from emulator.scenario.fault_kinds import FAULT_TABLE, WORKER_KINDS
from emulator.scenario.files import Folders
from emulator.scenario.messages import Found, Loc, shown
from emulator.scenario.names import Names, expand, names_in
from emulator.scenario.spelling import advise, renamed

__all__ = [
    "names_in_template",
    "wrong_parameters",
    "wrong_references",
]


_KINDS: Final = {"list": "a list of texts or numbers", "text": "a text", "number": "a number"}


def names_in_template(template: str) -> list[str]:
    """List the names in braces of a template, in order.

    >>> names_in_template("{volume}/{element}")
    ['volume', 'element']
    """
    return re.findall(r"\{([^{}]+)\}", template)


def wrong_parameters(data: Mapping[str, Any], names: Names) -> list[Found]:
    """Tell what is wrong with parameters and templates in plain data."""
    return [*_in_routines(names), *_in_arrivals(data, names)]


def _parameters(routine: Any) -> Mapping[str, str]:
    found = routine.get("parameters") if isinstance(routine, Mapping) else None
    return {name: str(kind) for name, kind in found.items()} if isinstance(found, Mapping) else {}


def _unknown(template: Any, known: list[str]) -> str | None:
    if isinstance(template, str):
        for name in names_in_template(template):
            if name not in known:
                return f"nothing is filled in for {{{name}}}: {advise(name, known)}"
    return None


def _in_routines(names: Names) -> Iterator[Found]:
    for routine, settings in names.routines.items():
        known = list(_parameters(settings))
        if not isinstance(settings, Mapping):
            continue
        if wrong := _unknown(settings.get("key"), known):
            yield Found(("routines", routine, "key"), wrong)
        for loc, part in expand({"routines": {routine: settings}}, ("routines", routine, "parts", "*")):
            if not isinstance(part, Mapping):
                continue
            yield from _growing(loc, part, routine, _parameters(settings))
            each = part.get("for_each")
            extra = ["key", "job", *(["element"] if each is not None else [])]
            if wrong := _unknown(part.get("target"), known + extra):
                yield Found((*loc, "target"), wrong)
            if isinstance(each, str) and _parameters(settings).get(each) != "list":
                lists = [name for name in known if _parameters(settings)[name] == "list"]
                yield Found((*loc, "for_each"), f"{each!r} is no list parameter of {routine!r}: {advise(each, lists)}")


def _growing(loc: Loc, part: Mapping[str, Any], routine: str, parameters: Mapping[str, str]) -> Iterator[Found]:
    """A time that grows with the work needs a parameter of the right kind, and just one where none is named."""
    takes = part.get("takes")
    if not isinstance(takes, Mapping):
        return
    for key, kind in (("per_element", "list"), ("per_unit", "number")):
        if key not in takes:
            continue
        fit = [name for name, what in parameters.items() if what == kind]
        of = takes.get("of")
        if isinstance(of, str) and parameters.get(of) != kind:
            yield Found((*loc, "takes", "of"), f"{of!r} is no {kind} parameter of {routine!r}: {advise(of, fit)}")
        elif of is None and len(fit) != 1:
            many = "there is none" if not fit else f"say which with `of`: {', '.join(fit)}"
            yield Found((*loc, "takes", key), f"`{key}` wants a {kind} parameter of {routine!r}: {many}")


def _in_arrivals(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    for loc, entry in expand(data, ("arrivals", "*")):
        if not isinstance(entry, Mapping) or not isinstance(entry.get("routine"), str):
            continue
        routine = names.routines.get(entry["routine"])
        if not isinstance(routine, Mapping):
            continue
        known = _parameters(routine)
        given = entry.get("parameters")
        given = given if isinstance(given, Mapping) else {}
        for name, value in given.items():
            where = (*loc, "parameters", name)
            if name not in known:
                hint = advise(name, known) if known else "it has none"
                yield Found(where, f"the routine {entry['routine']!r} has no parameter {name!r}: {hint}", True)
            elif known[name] in _KINDS and not _fits(value, known[name]):
                yield Found(where, f"found {shown(value)}: the parameter {name!r} is {_KINDS[known[name]]}")
        yield from _in_templates(entry, loc, routine, list(known))
        if "trace" not in entry:
            for what, name in _needed(entry, routine):
                if name in known and name not in given:
                    yield Found(loc, f"the parameter {name!r} is not given, and {what} is made of it")


def _in_templates(entry: Mapping[str, Any], loc: Any, routine: Mapping[str, Any], known: list[str]) -> Iterator[Found]:
    of_traces = ["job"] if "trace" in entry else []
    for key, more in (("key", of_traces), ("idempotency_key", ["number", *of_traces])):
        if wrong := _unknown(entry.get(key), known + more):
            yield Found((*loc, key), wrong)


def _needed(entry: Mapping[str, Any], routine: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """List what the templates that these jobs use are called, and the names in each."""
    templates = [
        ("the key", entry.get("key") or routine.get("key")),
        ("its idempotency key", entry.get("idempotency_key")),
    ]
    for _, part in expand(routine, ("parts", "*")):
        if isinstance(part, Mapping):
            templates.append((f"the target of {part.get('name')!r}", part.get("target")))
    for what, template in templates:
        if isinstance(template, str):
            for name in names_in_template(template):
                yield what, name


def _fits(value: Any, kind: str) -> bool:
    if kind == "list":
        return isinstance(value, list) and all(_fits(item, "text") or _fits(item, "number") for item in value)
    if kind == "text":
        return isinstance(value, str)
    return isinstance(value, int | float) and not isinstance(value, bool)


Question = Callable[[Names, str], str | None]

_NAMED: Final = ("queue", "worker_or_pool", "system", "system_or_routine", "job", "entry")
"""What a fault may be aimed at by one name, each a question of ``Names``."""

_USES: Final[tuple[tuple[str, Question], ...]] = (
    ("pools.*.serves.*", Names.queue),
    ("routines.*.queue", Names.queue),
    ("routines.*.parts.*.calls", Names.system_or_part),
    ("routines.*.parts.*.effect_in", Names.system),
    ("arrivals.*.routine", Names.routine),
    ("arrivals.*.after.entry", Names.entry),
    ("arrivals.*.after.*.entry", Names.entry),
    ("arrivals.*.after.any_of.*.entry", Names.entry),
    ("access.*.who", Names.worker_or_pool),
    ("access.*.to", Names.system_or_part),
    ("credentials.*.who", Names.worker_or_pool),
    ("credentials.*.to", Names.system_or_part),
    *((f"faults.*.{name}", getattr(Names, kind.of)) for name, kind in FAULT_TABLE.items() if kind.of in _NAMED),
    ("faults.*.access_to", Names.system_or_part),
    ("actions.*.run_again", Names.job),
    ("actions.*.withdraw", Names.job),
    ("actions.*.hold", Names.job),
    ("actions.*.release", Names.job),
    ("actions.*.suspend", Names.job),
    ("actions.*.resume", Names.job),
    ("actions.*.hold_queue", Names.queue),
    ("actions.*.release_queue", Names.queue),
    ("actions.*.new_version", Names.routine),
    ("must_hold.*.routine", Names.routine),
    ("also_true.*.routine", Names.routine),
    ("must_hold.*.queue", Names.queue),
    ("also_true.*.queue", Names.queue),
    ("must_hold.*.pool", Names.pool),
    ("also_true.*.pool", Names.pool),
    ("must_hold.*.entry", Names.entry),
    ("also_true.*.entry", Names.entry),
    ("must_hold.*.each_occurrence_of", Names.entry),
    ("also_true.*.each_occurrence_of", Names.entry),
    ("must_hold.*.effect", Names.effect),
    ("also_true.*.effect", Names.effect),
    ("must_hold.*.set_of", Names.entry),
    ("also_true.*.set_of", Names.entry),
    ("must_hold.*.starts_after_end_of", Names.entry),
    ("also_true.*.starts_after_end_of", Names.entry),
)
"""Where a name is used, and the question that it must pass."""

_WORKER_TARGETS: Final = (*(f"faults.*.{kind}" for kind in WORKER_KINDS), "actions.*.drain")

_HOLDERS: Final = (dict, list)
_MOST_NAMED: Final = 10

_UNITS: Final = {"time": "a duration such as 90s or 1h30m", "share": "a share from 0 to 1"}


def wrong_references(data: Mapping[str, Any], clock: Clock, folders: Folders) -> list[Found]:
    """Tell everything in plain data that names what is not there, or that cannot be as it is said."""
    names = names_in(data, clock)
    checks = (
        _uses,
        _targets,
        _own_workers,
        _same_names,
        _same_labels,
        _same_item_names,
        _zones,
        _prerequisites,
        _entries_used,
        _traced,
        _factors,
        _slots,
    )
    found = [wrong for check in checks for wrong in check(data, names)]
    found += wrong_parameters(data, names)
    found += _measures(data)
    found += _preferred(data)
    found += _facts(data)
    found += _trace_files(data, clock, folders)
    found += _files_of_nights(data, folders)
    if data.get("growth"):
        from emulator.scenario.schedules import wrong_growth  # few scenarios grow

        found += wrong_growth(data)
    return found


def _uses(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    for pattern, question in _USES:
        for loc, word in expand(data, tuple(pattern.split("."))):
            if isinstance(word, str) and (wrong := question(names, word)):
                yield Found(loc, wrong)


def _targets(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    """Workers and pools that a fault or an action is aimed at: a name, a list of names, or some of a pool."""
    for pattern in _WORKER_TARGETS:
        for loc, target in expand(data, tuple(pattern.split("."))):
            words: list[tuple[Loc, Any]] = [(loc, target)]
            if isinstance(target, list):
                words = [((*loc, place), word) for place, word in enumerate(target)]
            for where, word in words:
                if isinstance(word, str) and (wrong := names.worker_or_pool(word)):
                    yield Found(where, wrong)
            if isinstance(target, Mapping) and isinstance(pool := target.get("pool"), str):
                if wrong := names.pool(pool):
                    yield Found((*loc, "pool"), wrong)
                elif wrong := names.too_many(pool, target.get("some")):
                    yield Found((*loc, "some"), wrong)


def _own_workers(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    """Workers that differ from their pool, or whose equipment changes, must be workers of that pool."""
    for loc, _ in expand(data, ("pools", "*", "per_worker", "*")):
        if wrong := names.worker_of(str(loc[1]), str(loc[3])):
            yield Found(loc, wrong, True)
    for loc, word in expand(data, ("pools", "*", "equipment_changes", "*", "workers", "*")):
        if isinstance(word, str) and (wrong := names.worker_of(str(loc[1]), word)):
            yield Found(loc, wrong)


def _same_names(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    for pool in names.pools:
        other, _, digits = pool.rpartition("-")
        if other in names.pools and digits.isdecimal() and names.worker(pool) is None:
            yield Found(("pools", pool), f"{pool!r} is the name of a worker of the pool {other!r} already", True)
    for loc, name in expand(data, ("pools", "*", "workers", "*")):
        if not isinstance(name, str):
            continue
        other, _, digits = name.rpartition("-")
        if name in names.pools:
            yield Found(loc, f"{name!r} is the name of a pool already")
        elif names.workers[name] != loc[1]:
            yield Found(loc, f"{name!r} is the name of a worker of the pool {names.workers[name]!r} already")
        elif other in names.pools and digits.isdecimal() and names.is_numbered(other, name):
            yield Found(loc, f"{name!r} is the name of a worker of the pool {other!r} already")


def _same_item_names(data: Mapping[str, Any], _names: Names) -> Iterator[Found]:
    """Paths and draws know an item of a list by its name, so no other may have it."""
    for key in ("faults", "actions", "access", "credentials", "must_hold", "also_true"):
        first: dict[str, int] = {}
        for loc, name in expand(data, (key, "*", "name")):
            if isinstance(name, str) and first.setdefault(name, loc[1]) != loc[1]:  # type: ignore[arg-type]  # its place
                yield Found(loc, f"{key}.{first[name]} is called {name!r} already: give this another name")


def _slots(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    """Some worker that serves its queue must have as many slots as a job takes."""
    for loc, slots in expand(data, ("routines", "*", "takes_slots")):
        queue = data["routines"][loc[1]].get("queue")
        serving = [pool for _, pool in expand(data, ("pools", "*")) if _serves(pool, queue)]
        most = [_most_slots(pool) for pool in serving]
        if most and isinstance(slots, int) and all(found is not None and found < slots for found in most):
            has = max(found for found in most if found is not None)
            yield Found(
                loc,
                f"its jobs take {slots} slots, and no worker that serves {queue!r} has more than {has}: "
                "give a worker more `slots`, or let the jobs take fewer",
            )


def _serves(pool: Any, queue: Any) -> bool:
    serves = pool.get("serves") if isinstance(pool, Mapping) else None
    return isinstance(serves, list) and queue in serves


def _most_slots(pool: Mapping[str, Any]) -> int | None:
    """Give the slots of the worker of a pool that has most, None if that is not to be told."""
    common = pool.get("slots", 1)
    own = [slots for _, slots in expand(pool, ("per_worker", "*", "slots"))]
    workers = pool.get("workers")
    count = len(workers) if isinstance(workers, list) else pool.get("count")
    found = own if isinstance(count, int) and 0 < count <= len(own) else [*own, common]
    return max(found) if all(isinstance(slots, int) for slots in found) else None


def _zones(data: Mapping[str, Any], _names: Names) -> Iterator[Found]:
    known = zone_names()
    windows = (("pools", "*", "power", "zone"), ("pools", "*", "power", "*", "zone"))
    for loc, zone in (found for pattern in windows for found in expand(data, pattern)):
        if isinstance(zone, str) and zone not in known:
            yield Found(loc, f"{zone!r} is no time zone: {advise(zone, known)}")


def _same_labels(_data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    first: dict[str, Loc] = {}
    for loc, label in names.labels.items():
        if label is not None and first.setdefault(label, loc) != loc:
            before = ".".join(map(str, first[label]))
            yield Found(loc, f"this entry would be called {label!r}, and so is {before}: give it another `name`")


def _prerequisites(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    """No job may wait for itself, over however many entries, nor for a job that its entry does not have."""
    labels = {loc[1]: label for loc, label in names.labels.items()}
    waits: dict[str, dict[str, Loc]] = {label: {} for label in labels.values() if label is not None}
    for pattern in _BEFORES:
        for loc, before in expand(data, ("arrivals", "*", *pattern)):
            if not isinstance(before, Mapping) or not isinstance(before.get("entry"), str):
                continue
            if (label := labels[loc[1]]) is not None:
                waits[label].setdefault(before["entry"], (*loc, "entry"))
            if isinstance(before.get("number"), int) and (wrong := names.too_high(before["entry"], before["number"])):
                yield Found((*loc, "number"), wrong)
    yield from _circles(waits)


_BEFORES: Final = (("after",), ("after", "*"), ("after", "any_of", "*"))


def _circles(waits: Mapping[str, Mapping[str, Loc]]) -> Iterator[Found]:
    """Find entries that wait for themselves, each circle once; without recursion, for chains may be long."""
    done: set[str] = set()
    for start in waits:
        trail: dict[str, Iterator[str]] = {start: iter(waits[start])} if start not in done else {}
        while trail:
            label = next(reversed(trail))
            before = next(trail[label], None)
            if before is None:
                done.add(label)
                del trail[label]
            elif before in trail:
                row = list(trail)
                circle = row[row.index(before) :]
                chain = " after ".join([*circle[:_MOST_NAMED], *["..."] * (len(circle) > _MOST_NAMED), before])
                yield Found(waits[before][circle[1 % len(circle)]], f"jobs would wait for themselves: {chain}")
            elif before not in done and before in waits:
                trail[before] = iter(waits[before])


def _entries_used(data: Mapping[str, Any], names: Names) -> Iterator[Found]:
    """Occurrences belong to entries that recur, surges to entries that have a rate."""
    for pattern, ways, what in (
        (("also_true", "*", "each_occurrence_of"), ("recurs",), "does not recur: only entries with `recurs` do"),
        (("must_hold", "*", "each_occurrence_of"), ("recurs",), "does not recur: only entries with `recurs` do"),
        (("faults", "*", "surge"), ("per_hour", "every", "gaps"), "has no rate: only per_hour, every and gaps have"),
    ):
        for loc, word in expand(data, pattern):
            entry = names.entries.get(word) if isinstance(word, str) else None
            if entry is not None and not any(way in entry for way in ways):
                yield Found(loc, f"the arrival entry {word!r} {what}")


def _traced(data: Any, names: Names) -> Iterator[Found]:
    """Only what a part takes can come from a trace, and then all jobs of the routine must."""
    for loc in _paths_to("traced", data, ()):
        if not (len(loc) == 6 and loc[0] == "routines" and loc[2] == "parts" and loc[4] == "takes"):
            if loc[0] not in ("variants", "arrivals") or "gaps" in loc or "again_after" in loc:
                yield Found(loc, "only what a part `takes` can come from a trace")
            continue
        for label, entry in names.entries.items():
            if entry.get("routine") == loc[1] and "trace" not in entry:
                yield Found(loc, f"the arrival entry {label!r} brings jobs of this routine without a trace")


def _factors(data: Any, names: Names) -> Iterator[Found]:
    """A factor that something varies with is defined, and each that is defined is used."""
    used = set()
    for key in ("varies_with", "errors_vary_with"):
        for loc in _paths_to(key, data, ()):
            word = _at(data, loc)
            if isinstance(word, str) and loc[0] not in ("variants", "questions"):
                used.add(word)
                if wrong := names.factor(word):
                    yield Found(loc, wrong)
    for loc, _ in expand(data, ("varies", "*")):
        if loc[1] not in used and not data.get("variants") and not data.get("based_on"):
            yield Found(loc, f"nothing varies with {loc[1]!r}: say `varies_with: {loc[1]}` where it is to count")


def _at(data: Any, loc: Loc) -> Any:
    for part in loc:
        data = data[part]
    return data


def _paths_to(key: str, data: Any, loc: Loc) -> Iterator[Loc]:
    if isinstance(data, Mapping):
        if key in data:
            yield (*loc, key)
        for name, value in data.items():
            if isinstance(value, _HOLDERS):
                yield from _paths_to(key, value, (*loc, name))
    elif isinstance(data, list):
        for place, value in enumerate(data):
            yield from _paths_to(key, value, (*loc, place))


def _measures(data: Mapping[str, Any]) -> Iterator[Found]:
    from emulator.measure.catalogue import FILTERS, MEASURES  # light, but only asked for where a requirement stands

    asked = [*expand(data, ("must_hold", "*")), *expand(data, ("also_true", "*"))]
    for loc, requirement in asked:
        name = requirement.get("measure") if isinstance(requirement, Mapping) else None
        if not isinstance(name, str):
            continue
        measure = MEASURES.get(name)
        if measure is None:
            said = renamed(name, MEASURES) or f"no figure is called {name!r}: {advise(name, MEASURES)}"
            yield Found((*loc, "measure"), said)
            continue
        if not measure.better and requirement.get("not_worse_by") is not None:
            yield Found(
                (*loc, "not_worse_by"), f"of {name} neither more nor less is better: give `at_most` or the like"
            )
        for key in ("at_least", "at_most", "exactly", "not_worse_by"):
            bound = requirement.get(key)
            if isinstance(bound, str | int | float) and not isinstance(bound, bool):
                fits = isinstance(bound, str) == (measure.unit == "time")
                if not fits or (measure.unit == "share" and isinstance(bound, int | float) and not 0 <= bound <= 1):
                    wanted = _UNITS.get(measure.unit, "a number")
                    yield Found((*loc, key), f"found {bound!r}: {name} is a {measure.unit}, so {wanted} is wanted")
        for key in FILTERS:
            if key in requirement and key not in measure.by:
                by = ", ".join(measure.by)
                yield Found(
                    (*loc, key), f"{name} cannot be told by {key}, only {f'by {by}' if by else 'for the whole night'}"
                )


def _facts(data: Mapping[str, Any]) -> Iterator[Found]:
    """A fact of the lesson is about one night alone."""
    for loc, fact in expand(data, ("also_true", "*")):
        for key in ("in_share", "not_worse_by"):
            if isinstance(fact, Mapping) and fact.get(key) is not None:
                yield Found((*loc, key), f"a fact is judged on one night: `{key}` belongs to `must_hold`", True)


def _preferred(data: Mapping[str, Any]) -> Iterator[Found]:
    """What is preferred are figures of which one side is better, each named once."""
    from emulator.measure.catalogue import MEASURES

    seen = set()
    for loc, name in expand(data, ("prefer", "*")):
        if not isinstance(name, str):
            continue
        measure = MEASURES.get(name)
        if measure is None:
            said = renamed(name, MEASURES) or f"no figure is called {name!r}: {advise(name, MEASURES)}"
            yield Found(loc, said)
        elif not measure.better:
            yield Found(loc, f"of {name} neither more nor less is better: name another figure")
        elif name in seen:
            yield Found(loc, f"{name} stands here twice: name each figure once")
        seen.add(name)


def _files_of_nights(data: Mapping[str, Any], folders: Folders) -> Iterator[Found]:
    """A file of past nights must be there, and have the factor in every night."""
    for loc, name in expand(data, ("varies", "*", "one_of_nights")):
        if not isinstance(name, str) or not name:
            continue
        if wrong := folders.check(name):
            yield Found(loc, wrong)
            continue
        from emulator.scenario.files import OF_ROUTINE, factor_in, past_nights  # few scenarios have one

        factor = str(loc[1])
        try:
            told = past_nights(folders.own / name)
            if not told.rows:
                raise InputError(f"{name}: holds no night: its first line names factors, each further line is a night")
            whole = [at for at, row in enumerate(told.rows) if row.get(factor) != ""] or range(len(told.rows))
            for night in whole:
                factor_in(told, night, factor, name)
            for column in [it for it in told.names if it.startswith(factor + OF_ROUTINE)]:
                for night in [at for at, row in enumerate(told.rows) if row[column]]:
                    factor_in(told, night, column, name)
        except InputError as error:
            yield Found(loc, str(error))


def _trace_files(data: Mapping[str, Any], clock: Clock, folders: Folders) -> Iterator[Found]:
    """A trace must be there, and its beginning be readable; the rest is read as the night goes on."""
    for loc, name in expand(data, ("arrivals", "*", "trace")):
        if not isinstance(name, str) or not name:
            continue
        if wrong := folders.check(name):
            yield Found(loc, wrong)
            continue
        from emulator.scenario.traces import read_arrivals  # few scenarios have a trace

        try:
            with closing(read_arrivals(folders.own / name, clock)) as lines:
                next(lines, None)
        except ScenarioError as error:
            yield Found(loc, f"this trace is wrong: {error.problems[0]}", code="wrong-trace")
