"""In which words is an event told, while it happens and afterwards?

``watch`` tells of a night as it goes by, a story of one that is over: both take their words from here, so that one
thing is called by one name. What only one of them tells has its words there.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

__all__ = ["PHRASES", "STATES", "Phrase", "spoken", "then"]


class Phrase(NamedTuple):
    """The words for one kind of event: as it happens, and afterwards; ``{...}`` stand for what it carries."""

    now: str
    then: str


PHRASES: Final[Mapping[str, Phrase]] = MappingProxyType(
    {
        "broker_down": Phrase("the broker is down", "the broker was down"),
        "call_served_late": Phrase(
            "{system} serves the call of attempt {attempt} now: nobody waits for it any more",
            "{system} served the call of attempt {attempt} now: nobody waited for it any more",
        ),
        "effect_found": Phrase(
            "{worker} checks first: the effect {effect} is on {target} already; skipped",
            "{worker} checked first: the effect {effect} was on {target} already; skipped",
        ),
        "effect_refused": Phrase(
            "{system} refuses {effect} on {target} from {worker}: {why}",
            "{system} refused {effect} on {target} from {worker}: {why}",
        ),
        "equipment_changed": Phrase("{worker} is equipped with {has}", "{worker} was equipped with {has}"),
        "handed_back": Phrase("{worker} gives {job} back unstarted", "{worker} gave {job} back unstarted"),
        "handed_out": Phrase("{worker} takes {job}", "{worker} took {job}"),
        "held": Phrase("a person holds {job}", "a person held {job}"),
        "lease_forgotten": Phrase(
            "the broker forgets the lease with token {token}; {worker} does not know that",
            "the broker forgot the lease with token {token}; {worker} did not know that",
        ),
        "lease_lost": Phrase(
            "{worker} is told that its lease (token {token}) is lost",
            "{worker} was told that its lease (token {token}) was lost",
        ),
        "outcome_unanswered": Phrase(
            "{worker} has stopped and handed its outcome in, but gets no answer",
            "{worker} had stopped and handed its outcome in, but got no answer",
        ),
        "queue_held": Phrase("a person holds the queue {queue}", "a person held the queue {queue}"),
        "resume_requested": Phrase("a person asks to resume {job}", "a person asked to resume {job}"),
        "resumed": Phrase("{worker} resumes {job}", "{worker} resumed {job}"),
        "stale_refused": Phrase(
            "the broker refuses the {what} of {worker}: its token {token} is stale",
            "the broker refused the {what} of {worker}: its token {token} was stale",
        ),
        "submission_repeated": Phrase(
            "{job} is submitted again under the key {key}, and taken for the same job",
            "{job} was submitted again under the key {key}, and taken for the same job",
        ),
        "suspend_requested": Phrase("a person asks to suspend {job}", "a person asked to suspend {job}"),
        "suspended": Phrase("{worker} suspends {job}", "{worker} suspended {job}"),
        "withdrawn": Phrase("a person withdraws {job}", "a person withdrew {job}"),
        "worker_declared_lost": Phrase("the broker declares {worker} lost", "the broker declared {worker} lost"),
        "worker_speed_changed": Phrase("{worker} works at speed {speed}", "{worker} worked at speed {speed}"),
    }
)
"""The words for what both tell, by the kind of event (``lease_lost``: what a worker is told; ``withdrawn``: an end)."""

STATES: Final[Mapping[str, Phrase]] = MappingProxyType(
    {
        "off": Phrase("{worker} is off", "{worker} was off"),
        "booting": Phrase("{worker} is switched on", "{worker} was switched on"),
        "idle": Phrase("{worker} is ready for work", "{worker} was ready for work"),
        "busy": Phrase("{worker} is at work", "{worker} was at work"),
        "draining": Phrase(
            "{worker} takes nothing more, and finishes what it has",
            "{worker} took nothing more, and finished what it had",
        ),
        "frozen": Phrase("{worker} freezes", "{worker} froze"),
        "cut_off": Phrase("{worker} is cut off from the broker", "{worker} was cut off from the broker"),
    }
)
"""The words for the state that a worker enters."""


_WITH_HYPHEN: Final = MappingProxyType(
    {"brown_out": "brown-out", "hand_back": "hand-back", "second_hand_out": "second hand-out"}
)


def spoken(kind: str) -> str:
    """Write a word of data, such as a kind of fault, a state or an outcome, as people read it.

    >>> spoken("power_off"), spoken("lease_lost"), spoken("brown_out")
    ('power off', 'lease lost', 'brown-out')
    """
    return _WITH_HYPHEN.get(kind) or kind.replace("_", " ")


def then(kind: str, **values: object) -> str:
    """Tell an event of such a kind afterwards, with a capital at the beginning and nothing at the end.

    >>> then("handed_out", worker="dome-1", job="it"), then("queue_held", queue="night")
    ('dome-1 took it', 'A person held the queue night')
    """
    text = PHRASES[kind].then
    return (text if text.startswith("{") else text[0].upper() + text[1:]).format(**values)
