"""Do the parameters of routines and arrivals fit each other, and does every {name} in a template mean one of them?"""

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from emulator.scenario.messages import Found
from emulator.scenario.names import Loc, Names, expand
from emulator.scenario.shape import shown
from emulator.scenario.spelling import advise

__all__ = ["names_in_template", "wrong_parameters"]

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
