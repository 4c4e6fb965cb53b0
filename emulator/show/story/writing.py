"""How does a story become sentences, a text for a terminal, and JSON for programs?

The law: every sentence carries the numbers of the events that it rests on, and for each of them and of what else led to
it the chain of causes back to an arrival, an action, a fault or the start of the run. What another setting would have
changed comes last, without a clock time. The same story gives the same bytes.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

from emulator.measure.story.facts import Fact, Piece, Story
from emulator.scenario.clock import Clock
from emulator.show.layout import Page
from emulator.show.story.of_jobs import SENTENCES as OF_JOBS
from emulator.show.story.of_jobs import Say
from emulator.show.story.of_requirements import SENTENCES as OF_REQUIREMENTS
from emulator.show.story.of_workers import SENTENCES as OF_WORKERS
from emulator.show.story.other_settings import say_change
from emulator.show.story.wording import Wording, named

__all__ = ["Paragraph", "Sentence", "as_json", "as_text", "lines", "paragraphs", "sentences"]

_SENTENCES: Final[dict[str, dict[str, Say]]] = {
    "job": dict(OF_JOBS),
    "worker": dict(OF_WORKERS),
    "requirement": dict(OF_REQUIREMENTS),
}
_MOST_SHOWN: Final = 4
_TIMELESS: Final = frozenset({"verdict", "rest", "sum"})
"""What is told of the whole run, and so without a clock time."""

Chain = Callable[[int], tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence of a story.

    Attributes:
        at: the tick.
        text: in plain words.
        events: numbers of the events that it rests on, the one that tells of it first.
        causes: chains of events: the first event, and each further one that led to it, back to its root.
        fact: what it tells, in numbers.
    """

    at: int
    text: str
    events: tuple[int, ...]
    causes: tuple[tuple[int, ...], ...]
    fact: Fact


def sentences(story: Story, clock: Clock, chain: Chain) -> list[Sentence]:
    """Tell a story in sentences, in order.

    Args:
        story: its facts.
        clock: the scenario's clock.
        chain: gives the causes of an event, back to its root.
    """
    wording = Wording(clock)
    say = _SENTENCES[story.kind]
    found = []
    for fact in story.facts:
        text = say_change(fact.values) if fact.what == "change" else say[fact.what](fact, wording)
        causes = tuple(chain(event) for event in dict.fromkeys((*fact.events[:1], *fact.because)))
        found.append(Sentence(fact.at, text, fact.events, causes, fact))
    return found


def lines(story: Story, clock: Clock) -> list[tuple[int, str, str, int]]:
    """Give (tick, clock time, text, first event) of each sentence, for a page; a change has no clock time."""
    wording = Wording(clock)
    say = _SENTENCES[story.kind]
    return [
        (fact.at, "", say_change(fact.values), fact.events[0])
        if fact.what == "change"
        else (fact.at, wording.time(fact.at), say[fact.what](fact, wording), fact.events[0] if fact.events else 0)
        for fact in story.facts
    ]


class Paragraph(NamedTuple):
    """One paragraph of a story, as a terminal and a page show it.

    Attributes:
        kind: title; day, what follows is of that day; said, at a clock time; plain, of the whole run; heading, what
            follows is what another setting would have changed; changed; end, why there is no more.
        time: the clock time of what is said; else "".
        text: in plain words, with the numbers of its events in brackets.
    """

    kind: Literal["title", "day", "said", "plain", "heading", "changed", "end"]
    time: str
    text: str


def paragraphs(story: Story, told: Iterable[Sentence], clock: Clock) -> Iterator[Paragraph]:
    """Give a story as every screen and page shows it, word for word."""
    wording = Wording(clock)
    yield Paragraph("title", "", _title(story))
    day, changes = "", []
    for one in told:
        if one.fact.what == "change":
            changes.append(one)
            continue
        said = f"{one.text} {_events(one)}".rstrip()
        if one.fact.what in _TIMELESS:
            yield Paragraph("plain", "", said)
            continue
        if (today := wording.day(one.at)) != day:
            day = today
            yield Paragraph("day", "", day)
        yield Paragraph("said", wording.time(one.at), said)
    if changes:
        yield Paragraph("heading", "", "What another setting would have changed")
        for one in changes:
            yield Paragraph("changed", "", f"{one.text} {_events(one)}")
    if not story.finished:
        until = wording.time(story.until)
        yield Paragraph(
            "end", "", f"The log ends at {until}, before its run was finished: what came then is not known."
        )


def as_text(story: Story, told: Iterable[Sentence], clock: Clock) -> Page:
    """Write a story for a terminal: what it is about, then each sentence with its clock time and its events."""
    page = Page()
    for kind, time, text in paragraphs(story, told, clock):
        if kind == "title":
            page.say(text, "heading")
        elif kind == "day":
            page.say(text, "small")
        elif kind == "said":
            page.say(f"{time}  {text}", indent=0, hanging=10)
        elif kind == "plain":
            page.say(text)
        elif kind == "heading":
            page.heading(text)
        elif kind == "changed":
            page.say(text, indent=2)
        else:
            page.blank()
            page.say(text, "bad")
    return page


def _title(story: Story) -> str:
    if story.kind == "job":
        return f"The story of {named(story.name)}, job {story.number}"
    if story.kind == "worker":
        return f"The story of {named(story.name)}"
    return f"Requirement {story.number}: {named(story.name)}"


def _events(one: Sentence) -> str:
    """Name the events of a sentence, in brackets."""
    if not one.events:
        return ""
    shown = ", ".join(map(str, one.events[:_MOST_SHOWN]))
    return f"[{shown}, ...]" if len(one.events) > _MOST_SHOWN else f"[{shown}]"


def as_json(story: Story, told: Iterable[Sentence], clock: Clock) -> dict[str, Any]:
    """Give a story as plain data for ``json.dumps``; ticks are microseconds from the start."""
    wording = Wording(clock)
    return {
        "format": "queuedrill-story/2",
        "of": story.kind,
        "name": story.name,
        **({"job": story.number} if story.kind == "job" else {}),
        **({"requirement": story.number} if story.kind == "requirement" else {}),
        "zone": clock.zone,
        "run_finished": story.finished,
        "known_until": story.until,
        "sentences": [
            {
                "at": one.at,
                "time": wording.stamp(one.at),
                "what": one.fact.what,
                "text": one.text,
                "events": list(one.events),
                "causes": [list(chain) for chain in one.causes],
                "facts": {name: _plain(value) for name, value in one.fact.values.items()},
            }
            for one in told
        ],
    }


def _plain(value: Any) -> Any:
    if isinstance(value, Piece):
        return {
            "begin": value.begin,
            "end": value.end,
            "reason": value.reason,
            "events": list(value.events),
            "workers": list(value.workers),
        }
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    return dict(value) if isinstance(value, dict) else value
