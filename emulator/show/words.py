"""Words for events, states, reasons and faults: one table, in one tense.

``watch`` tells of a night as it goes by, a page lists the events of a job, a story tells of what is over: all of them
fill in the words that ``record.kinds`` declares, so that one thing is said in one way. A story also tells facts that
rest on several events; only those have words of their own, in ``emulator.show.story``.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.words import duration, number, value, why_in_words
from emulator.record.event_view import AT, KIND, WORKER
from emulator.record.events import Row, details_of, reason_of
from emulator.record.kinds import KINDS
from emulator.record.reasons import GOES_ON, Reason, Why
from emulator.scenario.fault_kinds import FAULT_TABLE
from emulator.scenario.spelling import parse_duration
from emulator.timeline.ticks import say

__all__ = [
    "BY_DETAIL",
    "EVENTS",
    "STATES",
    "fault_words",
    "in_words",
    "listed",
    "planned_words",
    "spoken",
    "then",
    "told",
]


EVENTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        key: words
        for name, kind in KINDS.items()
        for key, words in ((name, kind.words), *((f"{name}:{value}", words) for value, words in kind.told.items()))
    }
)
"""The words for each kind of event; ``kind:value`` where a detail of ``BY_DETAIL`` has that value. See ``KINDS``."""

BY_DETAIL: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {name: kind.chosen_by for name, kind in KINDS.items() if kind.chosen_by}
)
"""The details whose value may choose words of its own, the first first."""

STATES: Final[Mapping[str, str]] = MappingProxyType(
    {
        key.partition(":")[2]: pattern.partition("[")[0]
        for key, pattern in EVENTS.items()
        if key.startswith("worker_changed:") and key.partition(":")[2] not in ("out", "back", GOES_ON)
    }
)
"""The words for the state that a worker enters, without the reason."""

_UNNAMED: Final = MappingProxyType({"job": "a job", "system": "the system"})
"""What a thing is called where its name is not known."""
_GROUP: Final = re.compile(r"\[([^]]*)\]")
_SLOT: Final = re.compile(r"\{(\w+)([@~]|#\w+)?\}")
_WITH_HYPHEN: Final = MappingProxyType(
    {"brown_out": "brown-out", "hand_back": "hand-back", "second_hand_out": "second hand-out"}
)


def spoken(kind: str) -> str:
    """Write a word of data, such as a kind of fault, a state or an outcome, as people read it.

    >>> spoken("power_off"), spoken("lease_lost"), spoken("brown_out")
    ('power off', 'lease lost', 'brown-out')
    """
    return _WITH_HYPHEN.get(kind) or kind.replace("_", " ")


def then(key: str, **values: object) -> str:
    """Fill in the pattern of a key of ``EVENTS``, with a capital at the beginning and nothing at the end.

    Args:
        key: the kind, or ``kind:value``.
        values: what is known, already in words.

    >>> then("handed_out", worker="dome-1", job="it"), then("queue_held", queue="night")
    ('dome-1 took it', 'A person held the queue night')
    """
    return _filled(EVENTS[key], values, str)


def told(row: Row, name: str, clock: Callable[[int], str], *, omit: str = "") -> str:
    """Tell one event in a sentence, with nothing at the end.

    Args:
        row: as it was emitted.
        name: what its job is called; "" for none.
        clock: writes a tick as a clock time.
        omit: a detail that is left out where it stands in brackets.

    >>> told((5, "queue_held", 0, 0, "", "night"), "", str)
    'A person held the queue night'
    >>> told((5, "finished", 0, 3, "", "done", "", "", 2), "plates#3", str)
    'plates#3 was done after 2 attempts'
    """
    kind = row[KIND]
    values: dict[str, Any] = details_of(row)
    keys = [f"{kind}:{values[detail]}" for detail in BY_DETAIL.get(kind, ())]
    pattern = next((EVENTS[key] for key in keys if key in EVENTS), EVENTS[kind])
    values["worker"], values["job"] = row[WORKER], name
    if "why" in values:
        values["why"] = why_in_words(*reason_of(row))
    if values.get("due") == row[AT]:
        values["due"] = ""  # it may be taken at once
    return _filled(pattern, values, clock, omit)


def _filled(pattern: str, values: Mapping[str, Any], clock: Callable[[int], str], omit: str = "") -> str:
    def known(slot: re.Match[str]) -> bool:
        value = values.get(slot[1], "")
        return slot[1] != omit and value != "" and not (value == 0 and (slot[2] or "").startswith("#"))

    def fill(slot: re.Match[str]) -> str:
        how, value = slot[2] or "", values.get(slot[1], "")
        if value == "":
            return _UNNAMED.get(slot[1], "")
        if how == "@":
            return clock(value)
        if how == "~":
            return spoken(str(value))
        return f"{value} {how[1:]}{'' if value == 1 else 's'}" if how else str(value)

    def group(found: re.Match[str]) -> str:
        return found[1] if all(known(slot) for slot in _SLOT.finditer(found[1])) else ""

    pattern = _GROUP.sub(group, pattern)
    text, first = _SLOT.sub(fill, pattern), _SLOT.match(pattern)
    named = first is not None and values.get(first[1], "") != ""
    return text if named else text[:1].upper() + text[1:]


_MOST_NAMED: Final = 3

_WORDS: Final[Mapping[Why, Callable[..., str]]] = MappingProxyType(
    {
        Why.FINAL: lambda state, sub_state: f"it is {state}" + (f": {sub_state}" if sub_state else ""),
        Why.AT_WORK: "worker {} has it".format,
        Why.SUSPENDED: "worker {} has it, suspended".format,
        Why.BY_PERSON: "a person holds it".format,
        Why.NOT_DUE: lambda ticks: f"it is due in {say(ticks)}",
        Why.NO_ALLOWANCE: "it waits for the allowance of retries of queue {}".format,
        Why.PAUSING: lambda ticks: f"its pause ends in {say(ticks)}",
        Why.PREREQUISITE: lambda *jobs: _waits_for([job for job in jobs if job], 0 in jobs),
        Why.QUEUE_HELD: "a person holds queue {}".format,
        Why.QUEUE_FULL: "queue {} runs as many jobs as it may: {}".format,
        Why.KEY_BUSY: lambda key, *jobs: f"key {key} is busy with job {', '.join(map(str, jobs))}",
        Why.TOO_FEW_SLOTS: lambda slots: f"it takes {slots} slots, and no worker that may take it has so many",
        Why.NOT_EQUIPPED: lambda *requires: f"no worker has all of: {', '.join(requires)}",
        Why.WAITS: "it waits for a worker".format,
    }
)


def in_words(reasons: Iterable[Reason]) -> str:
    """Say every reason, parted by semicolons.

    >>> in_words([Reason(Why.BY_PERSON), Reason(Why.NOT_DUE, (90_000_000,))])
    'a person holds it; it is due in 1m30s'
    """
    return "; ".join(_said(_WORDS[why], values) for why, values in reasons)


def _waits_for(jobs: Sequence[int], more: bool) -> str:
    if not jobs:
        return "the job before it has not come yet"
    named = ", ".join(map(str, jobs[:_MOST_NAMED])) + (
        f" and {len(jobs) - _MOST_NAMED} more" if len(jobs) > _MOST_NAMED else ""
    )
    return f"it waits for job{'s' if len(jobs) > 1 else ''} {named}" + (
        ", and for one that has not come yet" if more else ""
    )


def _said(words: Callable[..., str], values: tuple[Any, ...]) -> str:
    return words(*values)


_VERB: Final = re.compile(r"\[(\w+)\|(\w+)\]")


def listed(names: Sequence[str], most: int = 3) -> str:
    """Name some things, and count the rest.

    >>> listed(["a", "b"]), listed(["a", "b", "c", "d", "e"])
    ('a and b', 'a, b and 3 more')
    """
    shown = list(names) if len(names) <= most else [*names[: most - 1], f"{len(names) - most + 1} more"]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def fault_words(kind: str, who: Sequence[str]) -> str:
    """Say what a kind of fault does to those that it hits.

    >>> fault_words("power_off", ["dome-2"]), fault_words("freeze", ["dome-1", "dome-2"])
    ('dome-2 loses power', 'dome-1 and dome-2 freeze')
    """
    says = FAULT_TABLE[kind].says if kind in FAULT_TABLE else f"{kind} of {{who}}"
    pattern = _VERB.sub(lambda verb: verb[1 if len(who) == 1 else 2], says)
    return pattern.replace("{who}", listed(who))


def planned_words(entry: Mapping[str, Any], clock: Any = None) -> str:
    """Say a fault as it stands in a scenario file, such as one that a hunt found.

    Args:
        entry: the fault: ``{"power_off": "dome-1", "at": "+31m", "back_after": "25m"}``.
        clock: the scenario's clock, for the time of day.

    >>> planned_words({"power_off": "dome-1", "at": "+31m", "back_after": "25m"})
    'dome-1 loses power 31 min after the start, for 25 min'
    >>> planned_words({"lose_heartbeats": "dome-1", "at": "+0s", "share": 0.5})
    'heartbeats of dome-1 are lost (50 %) from the start, to the end'
    """
    kind = next(iter(entry))
    target = entry[kind]
    text = fault_words(kind, [str(target)])
    more = [f"{value(entry['share'], 'share')}"] if entry.get("share", 1.0) != 1.0 else []
    more += [f"{number(entry['factor'])} times as slow"] if "factor" in entry else []
    more += [f"{number(entry['to'])} times its speed"] if "to" in entry else []
    more += [str(entry["tool"])] if "tool" in entry else []
    more += [f"{entry['direction']} only"] if "direction" in entry else []
    text += f" ({', '.join(more)})" if more else ""
    at = parse_duration(str(entry["at"]).removeprefix("+"))
    once = kind in ("power_off", "freeze", "hand_out_twice")
    text += f" {'at' if once else 'from'} the start" if at == 0 else f" {duration(at)} after the start"
    if clock is not None and at:
        text += f" ({clock.local(at):%H:%M})"
    lasts = entry.get("lasts", entry.get("back_after"))
    if lasts is not None:
        return f"{text}, for {duration(parse_duration(str(lasts)))}"
    ends = {"hand_out_twice": "", "power_off": ", and stays off"}
    return text + ends.get(kind, ", to the end")
