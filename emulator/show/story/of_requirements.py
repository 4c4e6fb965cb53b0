"""In which words is each fact about a requirement told?"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from emulator.measure.story.facts import Fact
from emulator.measure.words import duration
from emulator.show.phrases import spoken, told
from emulator.show.story.of_jobs import Say
from emulator.show.story.wording import Wording, listed, named, number_of

__all__ = ["SENTENCES"]

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


SENTENCES: Final[Mapping[str, Say]] = MappingProxyType(
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
