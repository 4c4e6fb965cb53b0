"""Makes sentences of the facts of a story, a text for a terminal, and JSON for programs.

Every sentence carries the numbers of the events that it rests on, and for each of them and of what else led to it the
chain of causes back to an arrival, an action, a fault or the start of the run. What another setting would have changed
comes last, without a clock time. The same story gives the same bytes.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, Literal, NamedTuple

from emulator.measure.story.facts import Fact, Piece, Story
from emulator.measure.words import duration, number, why_in_words
from emulator.record.reasons import FINISHED, GOES_ON
from emulator.scenario.clock import Clock
from emulator.show.layout import Page
from emulator.show.story.of_jobs import SENTENCES as OF_JOBS
from emulator.show.story.of_jobs import Say, Wording, listed, named, number_of, say_change
from emulator.show.words import STATES, spoken, then, told

__all__ = [
    "OF_REQUIREMENTS",
    "OF_WORKERS",
    "Paragraph",
    "Sentence",
    "as_json",
    "as_text",
    "lines",
    "paragraphs",
    "sentences",
]


_BASES: Final = MappingProxyType(
    {"wait": "waited", "turnaround": "had a turnaround of", "run_time": "had a run time of"}
)


def _verdict(fact: Fact, _: Wording) -> str:
    return str(fact.values["sentence"])


def _time(fact: Fact, _: Wording) -> str:
    v = fact.values
    beyond = ", beyond what was asked" if v["beyond"] else ""
    return f"{named(v['name'])} {_BASES[v['base']]} {duration(v['time'])}{beyond}."


def _silence(fact: Fact, _: Wording) -> str:
    v = fact.values
    beyond = ", beyond what was asked" if v["beyond"] else ""
    return f"Up to here no heartbeat of {named(v['worker'])} had been heard for {duration(v['time'])}{beyond}."


def _effects(fact: Fact, _: Wording) -> str:
    v = fact.values
    who = named(v["name"]) + (" and the jobs resubmitted from it" if v["jobs"] > 1 else "")
    return f"{who} left {number_of(v['landings'], 'effect')}, the last here, on {listed(v['targets'])}."


def _age(fact: Fact, w: Wording) -> str:
    v = fact.values
    of = f" (a set of {number_of(v['targets'], 'target')})" if v["targets"] else ""
    beyond = ", beyond what was asked" if v["beyond"] else ""
    if v["as_of"] is None:
        since = "nobody says as of when it was before the start"
    else:
        since = f"it was as of {w.at(v['as_of'], fact.at)}"
    at_least = "at least " if v["at_least"] else ""
    return (
        f"The last good result of {named(v['effect'])} on {named(v['what'])}{of} was {at_least}{duration(v['age'])} "
        f"old here{beyond}: {since}."
    )


def _counted(fact: Fact, w: Wording) -> str:
    v = fact.values
    name = named(v["name"])
    text = told(tuple(named(one) if isinstance(one, str) else one for one in v["row"]), name, w.time) + "."
    return f"{name}: {text}" if v["name"] and name not in text else text


def _job(fact: Fact, _: Wording) -> str:
    v = fact.values
    return f"{named(v['name'])} is {spoken(v['state'])}" + (f" ({spoken(v['sub_state'])})." if v["sub_state"] else ".")


def _rest(fact: Fact, _: Wording) -> str:
    v = fact.values
    return f"And {number_of(v['count'], 'more ' + v['of'])}."


def _occurrence(fact: Fact, w: Wording) -> str:
    v = fact.values
    due = w.at(v["due"], fact.at)
    how = f"was done at {w.at(v['done'], fact.at)}" if v["done"] is not None else v["why_not"]
    return f"Occurrence {v['ordinal']} of {named(v['entry'])}, due at {due}, {how}."


def _order(fact: Fact, w: Wording) -> str:
    v = fact.values
    other = named(v["other"])
    ended = f"{other} ended at {w.at(v['ended'], fact.at)}" if v["ended"] is not None else f"{other} never ended"
    return f"{named(v['name'])} was started here; {ended}."


OF_REQUIREMENTS: Final[Mapping[str, Say]] = MappingProxyType(
    {
        "age": _age,
        "counted": _counted,
        "effects": _effects,
        "job": _job,
        "occurrence": _occurrence,
        "order": _order,
        "rest": _rest,
        "silence": _silence,
        "time": _time,
        "verdict": _verdict,
    }
)


_MORE: Final = MappingProxyType({"frozen": ", and stood still", "cut_off": ", and worked on"})
"""What a state means for the work."""


def _state(fact: Fact, _: Wording) -> str:
    v = fact.values
    if v["why"] == GOES_ON:
        return then(f"worker_changed:{GOES_ON}", worker="It") + "."
    text = STATES[v["state"]].format(worker="It") + _MORE.get(v["state"], "")
    return f"{text}: {named(why_in_words(v['why']))}." if v["why"] else f"{text}."


def _fault(fact: Fact, _: Wording) -> str:
    return f"A fault hit it: {spoken(fact.values['fault'])}."


def _fault_over(fact: Fact, _: Wording) -> str:
    return f"That fault ended: {spoken(fact.values['fault'])}."


def _fault_missed(fact: Fact, _: Wording) -> str:
    v = fact.values
    why = why_in_words(v["why"], v["values"])
    return then("fault_missed", fault=v["fault"], target=named(v["worker"]), why=why) + "."


def _told_by_person(fact: Fact, _: Wording) -> str:
    return f"A person told it: {spoken(fact.values['action'])}."


def _speed(fact: Fact, _: Wording) -> str:
    return then("worker_speed_changed", worker="It", speed=number(fact.values["value"])) + " from then on."


def _equipped(fact: Fact, _: Wording) -> str:
    has = listed(item for item in fact.values["value"].split(", ") if item)
    return then("equipment_changed", worker="It", equipped_with=has) + " from then on."


def _declared_lost(fact: Fact, w: Wording) -> str:
    return then("worker_declared_lost", worker="it", last_heard=w.at(fact.values["value"], fact.at)) + "."


def _messages_lost(fact: Fact, w: Wording) -> str:
    v = fact.values
    if v["count"] == 1:
        return "A message between it and the broker was lost."
    return f"{v['count']} messages between it and the broker were lost, the last at {w.at(v['last'], fact.at)}."


def _worked(fact: Fact, _: Wording) -> str:
    v = fact.values
    job = f"{named(v['name'])}, attempt {v['attempt']}, token {v['token']}"
    text = f"It took {job}" if v["own"] else f"A double hand-out gave it {job} too"
    if v["began"] < 0:
        text += ", and never began"
    elif v["took"] >= 0:
        text += f", and worked on it for {duration(v['worked'])}"
        text += (
            f" ({named(why_in_words(v['stopped'], v['stopped_values']))})" if v["stopped"] not in ("", FINISHED) else ""
        )
    else:
        text += f", and {'stood still with it' if v['stands'] else 'still worked on it'} at the end"
    if v["outcome"]:
        text += f": {spoken(v['outcome'])}"
        text += (
            f" ({named(why_in_words(v['why'], v['values']))})"
            if v["why"] and (v["why"], v["values"]) != (v["stopped"], v["stopped_values"])
            else ""
        )
    text += "."
    if v["after"] >= 0:
        text += (
            f" Of that, {duration(v['after'])} were without a lease." if v["after"] else " Its lease was over by then."
        )
    if v["refused"]:
        text += f" The broker refused its {listed(dict.fromkeys(map(spoken, v['refused'])))} as stale."
    return text


def _worked_well(fact: Fact, w: Wording) -> str:
    v = fact.values
    until = w.at(v["until"], fact.at)
    return f"It took {v['count']} jobs until {until}, {named(v['first'])} first and {named(v['last'])} last: all ok."


def _sum(fact: Fact, _: Wording) -> str:
    v = fact.values
    whose = "its" if v["lost"] == 1 else "their"
    text = f"In all it took {number_of(v['attempts'], 'attempt')}: {v['ok']} ended ok, {v['lost']} lost {whose} lease."
    return text + (f" It worked {duration(v['without'])} without a lease." if v["without"] else "")


OF_WORKERS: Final[Mapping[str, Say]] = MappingProxyType(
    {
        "declared_lost": _declared_lost,
        "equipped": _equipped,
        "fault": _fault,
        "fault_missed": _fault_missed,
        "fault_over": _fault_over,
        "messages_lost": _messages_lost,
        "speed": _speed,
        "state": _state,
        "sum": _sum,
        "told_by_person": _told_by_person,
        "worked": _worked,
        "worked_well": _worked_well,
    }
)


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
