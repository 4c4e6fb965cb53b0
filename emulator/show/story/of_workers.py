"""In which words is each fact about a worker told?"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from emulator.measure.reasons import why_in_words
from emulator.measure.story.facts import Fact
from emulator.measure.words import duration, number
from emulator.record.reasons import FINISHED, GOES_ON
from emulator.show.phrases import STATES, spoken, then
from emulator.show.story.of_jobs import Say
from emulator.show.story.wording import Wording, listed, named, number_of

__all__ = ["SENTENCES"]

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


SENTENCES: Final[Mapping[str, Say]] = MappingProxyType(
    {
        "declared_lost": _declared_lost,
        "equipped": _equipped,
        "fault": _fault,
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
