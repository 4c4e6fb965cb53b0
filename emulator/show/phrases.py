"""How are the words for events, for states of workers and for words of data filled in: one table, in one tense?

``watch`` tells of a night as it goes by, a page lists the events of a job, a story tells of what is over: all of them
fill in the words that ``record.kinds`` declares, so that one thing is said in one way. A story also tells facts that
rest on several events; only those have words of their own, in ``emulator.show.story``.
"""

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.reasons import why_in_words
from emulator.record.event_view import AT, KIND, WORKER
from emulator.record.events import Row, details_of, reason_of
from emulator.record.kinds import KINDS
from emulator.record.reasons import GOES_ON

__all__ = ["BY_DETAIL", "EVENTS", "STATES", "spoken", "then", "told"]

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
