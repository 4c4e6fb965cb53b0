"""Words for facts about jobs, why they waited and what another setting would have changed.

Short, concrete, active; it may be read at three in the morning. ``SENTENCES`` has a function for each kind of fact. A
name is the scenario's, and may hold anything: what a terminal would take for a command is written as a JSON escape, as
in the trail, and a name that would fill the page is cut (the JSON form of a story has it whole).
"""

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.story.facts import Fact, Piece
from emulator.measure.story.occupation import BUSY, IDLE, NONE_EQUIPPED, NONE_LARGE_ENOUGH, NONE_ON
from emulator.measure.words import duration, number, why_in_words
from emulator.record.reasons import (
    FINISHED,
    FORGOTTEN,
    GOES_ON,
    LINK_RESTORED,
    POWER_LOST,
    PROGRAM_DIED,
    TIME_LIMIT,
    WITHDRAWN_BY_PERSON,
    WORKER_SILENT,
)
from emulator.scenario.clock import Clock
from emulator.show.layout import columns
from emulator.show.trail import escaped
from emulator.show.words import STATES, spoken, then
from emulator.timeline.ticks import SECOND

__all__ = [
    "SENTENCES",
    "Say",
    "Wording",
    "listed",
    "named",
    "number_of",
    "say_change",
    "say_waited",
    "times",
    "up_to",
]


_WIDE: Final = 60


def named(text: object) -> str:
    r"""Write a name.

    >>> named("dome-1"), named("dome\x1b[2J"), named("x" * 100) == "x" * 57 + "..."
    ('dome-1', 'dome\\u001b[2J', True)
    """
    shown = escaped(str(text)[: 4 * _WIDE])
    if len(str(text)) <= 4 * _WIDE and columns(shown) <= _WIDE:
        return shown
    shown = shown[: _WIDE - 3]
    while columns(shown) > _WIDE - 3:
        shown = shown[:-1]
    return shown + "..."


def listed(names: Iterable[object], more: int = 0) -> str:
    """Write a list of names.

    >>> listed(["a", "b", "c"]), listed(["a", "b"], more=3)
    ('a, b and c', 'a, b and 3 more')
    """
    written = [named(name) for name in names]
    if more:
        return f"{', '.join(written)} and {more} more"
    return " and ".join(filter(None, (", ".join(written[:-1]), written[-1]))) if written else "nothing"


def number_of(count: int, one: str, many: str = "") -> str:
    """Write a count with its noun.

    >>> number_of(1, "job"), number_of(3, "job")
    ('1 job', '3 jobs')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


def times(count: int) -> str:
    """Write an ordinal number.

    >>> [times(count) for count in (2, 3, 4, 11, 21)]
    ['2nd', '3rd', '4th', '11th', '21st']
    """
    ending = "th" if 10 < count % 100 < 20 else {1: "st", 2: "nd", 3: "rd"}.get(count % 10, "th")
    return f"{count}{ending}"


def up_to(ticks: int) -> str:
    """Write a duration that must not be written too short: from a second on in whole seconds, rounded up.

    >>> up_to(132_000_001), up_to(132_000_000), up_to(1_500)
    ('2 min 13 s', '2 min 12 s', '1500 us')
    """
    if ticks < SECOND:
        return f"{ticks} us"
    if ticks < 60 * 60 * SECOND:
        return duration(-(-ticks // SECOND) * SECOND)
    return duration(-(-ticks // (60 * SECOND)) * 60 * SECOND)


class Wording:
    """Writes moments beside a sentence that has a clock time of its own."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def at(self, tick: int, beside: int) -> str:
        """Write a moment: its clock time, cut to the second; on another day than ``beside`` with the date."""
        local, other = self._clock.local(tick), self._clock.local(beside)
        text = f"{local:%H:%M:%S}"
        return text if local.date() == other.date() else f"{text} on {local.date()}"

    def stamp(self, tick: int) -> str:
        """Write a moment for programs: RFC 3339, in the scenario's zone."""
        return self._clock.local(tick).isoformat()

    def time(self, tick: int) -> str:
        """Write a clock time, cut to the second."""
        return f"{self._clock.local(tick):%H:%M:%S}"

    def day(self, tick: int) -> str:
        """Write the day of a moment, with the zone and its distance from UTC."""
        local = self._clock.local(tick)
        return f"{local.date()}, {self._clock.zone} (UTC{local.isoformat(timespec='microseconds')[26:]})"


def say_waited(fact: Fact, w: Wording) -> str:
    """Tell for how long a job waited for a worker, and why: each reason with its time, in their order."""
    v = fact.values
    pieces: tuple[Piece, ...] = v["pieces"]
    took = duration(v["end"] - v["begin"])
    until = f", until {w.at(v['end'], fact.at)}" if v["ended"] else ", to the end"
    lengths: dict[str, int] = {}
    first: dict[str, Piece] = {}
    for piece in pieces:
        lengths[piece.reason] = lengths.get(piece.reason, 0) + piece.end - piece.begin
        first.setdefault(piece.reason, piece)
    text = f"It waited {took} for a worker{until}"
    if len(lengths) == 1:
        text += f": {_reason(next(iter(first.values())), fact)}."
    else:
        text += (
            "".join(f". For {duration(lengths[reason])} {_reason(one, fact)}" for reason, one in first.items()) + "."
        )
    if v["before"]:
        who = named(v["able"][0]) if len(v["able"]) == 1 else "these workers"
        text += f" Meanwhile {who} took {number_of(v['before'], 'other job')}."
    return text


def _reason(piece: Piece, fact: Fact) -> str:
    v = fact.values
    able = v["able"]
    queue = named(v["queue"])
    if piece.reason == BUSY and v["slots"] > 1:
        return f"no worker that could take it had {v['slots']} free slots at once"
    if piece.reason == BUSY:
        if len(able) == 1:
            return f"{named(able[0])}, the only worker that can take it, was busy"
        return "every worker that was on and could take it was busy"
    if piece.reason == IDLE:
        if v["poll"]:
            return f"an idle worker had not polled yet; each polls every {duration(v['poll'])}"
        return "the request of an idle worker had not reached the broker yet"
    if piece.reason == NONE_ON:
        if len(able) == 1:
            return f"{named(able[0])}, the only worker that can take it, was not on or could not be reached"
        return f"of the {len(able)} workers that can take it none was on and could be reached"
    return {
        "broker down": "the broker was down",
        "queue held": f"a person had the queue {queue} on hold",
        "queue full": f"the queue {queue} ran as many jobs as it may",
        "key busy": f"another job with the key {named(v['key'])} was running",
        "none serves": f"no worker serves the queue {queue}",
        NONE_LARGE_ENOUGH: f"no worker of the queue {queue} has {v['slots']} slots",
        NONE_EQUIPPED: f"no worker was equipped with {listed(v['requires'])}",
    }[piece.reason]


Say = Callable[[Fact, Wording], str]


def _came(fact: Fact, _: Wording) -> str:
    v = fact.values
    where = f"queue {named(v['queue'])}, routine {named(v['routine'])}"
    where += f", key {named(v['key'])}" if v["key"] else ""
    where += f", priority {v['priority']}" if v["priority"] else ""
    if v["resubmitted_from"]:
        return f"A person resubmitted job {v['resubmitted_from']}: this is the new job ({where})."
    if v["by"] == "fault_ended":
        return f"Submitted late by {named(v['entry'])} (arrivals), because the broker had been down: {where}."
    if v["by"] == "fault_began":
        return f"Submitted by a fault ({spoken(v['of'])}) for {named(v['entry'])} (arrivals): {where}."
    return f"Submitted by {named(v['entry'])} (arrivals): {where}."


def _repeated(fact: Fact, _: Wording) -> str:
    return then("submission_repeated", job="It", idempotency_key=named(fact.values["key"])) + "."


def _held(fact: Fact, w: Wording) -> str:
    v = fact.values
    reason, ends = v["reason"], v["end"] >= 0
    until = f" for {duration(v['end'] - v['begin'])}, until {w.at(v['end'], fact.at)}" if ends else " from then on"
    if reason == "not_due":
        return f"It was held{until}: it was not due before."
    if reason == "prerequisite":
        last = f"the last of {named(v['last_of'])}" if v["last_of"] else ""
        other = named(v["job"]) if v["job"] else last or "what goes before it"
        other += f", {last}," if last and v["job"] else ""
        return f"It was held{until}: {other} had to end first."
    if reason == "pausing":
        waits = "; the allowance of retries was used up" if v["allowance"] else ""
        return f"It paused{until}, before attempt {v['attempt']}{waits}."
    held = then("held:by_person", job="it")
    return f"{held}{until}." if ends else f"{held}, and nobody released it."


def _taken(fact: Fact, w: Wording) -> str:
    v = fact.values
    kind = "a lease" if v["renewed"] else "a fixed lease"
    text = f"{then('handed_out', worker=named(v['worker']), job='it')}: "
    text += f"attempt {v['attempt']}, token {v['token']}, {kind} of "
    text += f"{duration(v['lease'])} until {w.at(v['until'], fact.at)}."
    if v["began"] < 0:
        return f"{text} It never began to work."
    return text if v["began"] == fact.at else f"{text} It began to work at {w.at(v['began'], fact.at)}."


def _doubled(fact: Fact, _: Wording) -> str:
    v = fact.values
    return f"A double hand-out: {named(v['worker'])} got the lease of {named(v['first'])} too (token {v['token']})."


def _forgotten(fact: Fact, _: Wording) -> str:
    v = fact.values
    return then("lease_forgotten", token=f"{v['token']} (a fault)", worker=named(v["worker"])) + "."


def _parts(fact: Fact, _: Wording) -> str:
    v = fact.values
    what = named(v["part"]) + (f" ({named(v['element'])})" if v["element"] else "")
    if v["count"] == 1:
        return f"{named(v['worker'])} finished its part {what}."
    return f"{named(v['worker'])} had finished {v['count']} parts, the last {what}."


def _beats(fact: Fact, w: Wording) -> str:
    v = fact.values
    until = w.at(v["until"], fact.at)
    if v["count"] > 1:
        return f"The last of {v['count']} heartbeats of {named(v['worker'])} renewed the lease, until {until}."
    return f"The last heartbeat of {named(v['worker'])} that got through renewed the lease, until {until}."


_TROUBLES: Final = MappingProxyType(
    {
        ("off", POWER_LOST): "{worker} lost its power{fault}{work}.",
        ("off", PROGRAM_DIED): "The program of {worker} died{fault}{work}.",
        ("frozen", ""): STATES["frozen"] + "{fault}: it stood still.",
        ("busy", GOES_ON): "{worker} went on as if no time had passed.",
        ("idle", GOES_ON): "{worker} went on as if no time had passed.",
        ("busy", LINK_RESTORED): "{worker} could be reached again.",
        ("idle", LINK_RESTORED): "{worker} could be reached again.",
    }
)


def _trouble(fact: Fact, _: Wording) -> str:
    v = fact.values
    words = _TROUBLES.get((v["state"], v["why"]))
    fault = " (a fault)" if v["fault"] else ""
    work = f", and its work on attempt {v['attempt']} was gone" if len(fact.events) > 1 else ""
    if words is None and v["state"] == "cut_off":
        which = {"out": "to", "back": "from"}.get(v["why"], "to or from")
        words = f"{{worker}} was cut off{{fault}}: no message got through {which} the broker, and it worked on."
    elif words is None:
        words = STATES[v["state"]] + ("{fault}: {why}{work}." if v["why"] else "{fault}{work}.")
    filled = {"worker": named(v["worker"]), "fault": fault, "work": work, "why": named(why_in_words(v["why"]))}
    return words.format(**filled)


def _speed(fact: Fact, _: Wording) -> str:
    worker, speed = named(fact.values["worker"]), number(fact.values["speed"])
    return then("worker_speed_changed", worker=worker, speed=speed) + " from then on."


def _unanswered(fact: Fact, w: Wording) -> str:
    v = fact.values
    text = then("outcome_unanswered", worker=named(v["worker"])) + ": "
    if v["lost"]:
        lost = number_of(v["lost"], "message was", "messages were")
        return f"{text}{lost} lost, the last at {w.at(v['last'], fact.at)}."
    return text + ("the broker was down." if v["down"] else "none came in time.")


def _ended(fact: Fact, _: Wording) -> str:
    v = fact.values
    worker, took = named(v["worker"]), duration(v["took"])
    if v["outcome"] == "ok":
        kept = "; its heartbeats had kept the lease" if v["kept"] else ""
        return f"{worker} handed in the outcome of attempt {v['attempt']} after {took}: ok{kept}."
    why = f" ({named(why_in_words(v['why'], v['values']))})" if v["why"] else ""
    if v["outcome"] == "time_limit":
        why = "" if v["why"] == TIME_LIMIT else why
        return f"The broker ended attempt {v['attempt']} on {worker} after {took}: time limit{why}."
    return f"Attempt {v['attempt']} on {worker} ended after {took}: {spoken(v['outcome'])}{why}."


_LOST: Final = MappingProxyType(
    {
        "off": "{worker} had been off since {since}",
        "frozen": "{worker} had stood still since {since}",
        "cut_off": "{worker} had been cut off since {since}",
        "unanswered": "{worker} had stopped working on it at {since}, and no heartbeat named it any more",
        "never_began": "{worker} never began to work on it",
        "fixed": "a fixed lease is not renewed, and the work took longer",
        "heartbeats_lost": "heartbeats of {worker} were lost (a fault) from {since} on",
        "no_heartbeat": "no heartbeat of {worker} got through in time, though it was at work",
    }
)


def _lost(fact: Fact, w: Wording) -> str:
    v = fact.values
    worker = named(v["worker"])
    if v["how"] == WITHDRAWN_BY_PERSON:
        return f"Attempt {v['attempt']} on {worker} was over: the job was withdrawn."
    if v["how"] == FORGOTTEN:
        return f"Attempt {v['attempt']} on {worker} counted as lost, and the job went back to its queue at once."
    since = w.at(v["since"], fact.at) if v["since"] >= 0 else ""
    because = _LOST[v["how"]].format(worker=worker, since=since)
    if v["why"] == WORKER_SILENT:
        heard = f" since {w.at(v['last'], fact.at)}" if v["last"] >= 0 else ""
        text = (
            f"The broker had heard nothing of {worker}{heard} and ended its lease (attempt {v['attempt']}): {because}."
        )
    else:
        text = f"The lease of {worker} ran out and was lost (attempt {v['attempt']}): {because}."
        if v["last"] == v["handed_out"] and v["how"] not in ("fixed", "never_began"):
            text += " No heartbeat had renewed it."
    if v["late"] > 0:
        text += f" It had been due to end {duration(v['late'])} before, while the broker was down."
    return text


def _handed_back(fact: Fact, _: Wording) -> str:
    return then("handed_back", worker=named(fact.values["worker"]), job="it") + "; the attempt does not count."


def _learnt(fact: Fact, _: Wording) -> str:
    v = fact.values
    text = then("worker_notified:lease_lost", worker=named(v["worker"]), token=v["token"])
    if not v["stopped"]:
        return text + "."
    return text + (
        f", and stopped: it had worked {duration(v['worked'])} without it." if v["worked"] else ", and stopped."
    )


def _worked_on(fact: Fact, _: Wording) -> str:
    v = fact.values
    late = f"{duration(v['after'])} after the lease was over" if v["after"] else "as the lease was over"
    why = named(why_in_words(v["why"], v["values"]))
    why = named(why_in_words(v["why"], v["values"]))
    if v["why"] == FINISHED:
        return f"{named(v['worker'])} finished its work on attempt {v['attempt']}, {late}."
    return f"{named(v['worker'])} stopped its work on attempt {v['attempt']}, {late}: {why}."


def _stopped_itself(fact: Fact, _: Wording) -> str:
    v = fact.values
    return f"{named(v['worker'])} stopped by itself: its own clock said that the lease had ended."


def _refused(fact: Fact, _: Wording) -> str:
    v = fact.values
    return then("stale_refused", what=spoken(v["what"]), worker=named(v["worker"]), token=v["token"]) + "."


def _works_still(fact: Fact, _: Wording) -> str:
    v = fact.values
    if not v["worked"]:
        return f"The work of {named(v['worker'])} on it stood still from then on, to the end of what the log tells."
    return f"{named(v['worker'])} worked on without a lease from then on, to the end of what the log tells."


def _served_late(fact: Fact, _: Wording) -> str:
    v = fact.values
    return then("call_served_late", system=named(v["system"]), attempt=v["attempt"]) + "."


def _overlap(fact: Fact, w: Wording) -> str:
    v = fact.values
    who = listed(v["workers"])
    why = {
        "doubled": "they had the same lease",
        "forgotten": "the broker had forgotten the first lease",
        "zombie": f"{named(v['workers'][0])} did not know yet that its lease was over",
    }[v["how"]]
    return f"For {duration(v['end'] - v['begin'])}, until {w.at(v['end'], fact.at)}, {who} worked on it at once: {why}."


def _left(fact: Fact, _: Wording) -> str:
    v = fact.values
    who = "It" if v["ok"] else f"Attempt {v['attempt']}"
    more = v["count"] - len(v["targets"])
    many = "effect" if len(v["effects"]) == 1 else "effects"
    effects = listed(f"'{one}'" for one in v["effects"])
    return f"{who} left the {many} {effects} on {listed(v['targets'], more=more)}."


def _landed(fact: Fact, _: Wording) -> str:
    v = fact.values
    does, again = "left", ""
    if v["again"]:
        does, again = "repeated", f" ({times(v['times'])} time, not safe to repeat)"
    text = f"{named(v['worker'])} {does} the effect '{named(v['effect'])}' on {named(v['target'])}{again}"
    if v["late"]:
        text += f", after its lease (token {v['token']}) had expired"
        text += f"; {named(v['system'])} took it all the same" if v["system"] else ""
    return text + "."


def _effect_refused(fact: Fact, _: Wording) -> str:
    v = fact.values
    names = {key: named(v[key]) for key in ("effect", "target", "worker")}
    names["why"] = why_in_words(v["why"])
    return then("effect_refused", system=named(v["system"]) if v["system"] else "The system", **names) + "."


def _effect_found(fact: Fact, _: Wording) -> str:
    v = fact.values
    return then("effect_found", **{key: named(v[key]) for key in ("worker", "effect", "target")}) + "."


def _middle(fact: Fact, _: Wording) -> str:
    v = fact.values
    outcomes = ", ".join(f"{count} {spoken(outcome) or 'unfinished'}" for outcome, count in v["outcomes"].items())
    return f"Attempts {v['first']} to {v['last']} are told together: {outcomes}."


def _finished(fact: Fact, _: Wording) -> str:
    v = fact.values
    after = f"{duration(v['took'])} after submission"
    tries = f", in {number_of(v['attempts'], 'attempt')}" if v["attempts"] else ""
    if v["state"] == "done":
        return f"It was done, {after}{tries}."
    if v["sub_state"] == "withdrawn":
        return f"{then('finished:withdrawn', job='it')}, {after}{tries}: it failed (withdrawn)."
    if v["sub_state"] == "prerequisite_failed" and v["before"]:
        return f"It failed, {after} (prerequisite failed): {named(v['before'])}, which goes before it, had failed."
    why = f": {named(why_in_words(v['why'], v['values']))}" if v["why"] else ""
    return f"It failed, {after}{tries} ({spoken(v['sub_state'])}){why}."


def _unfinished(fact: Fact, _: Wording) -> str:
    v = fact.values
    by = f" on {named(v['worker'])}" if v["worker"] else ""
    when = "when the run ended" if v["over"] else "at the last event that is known"
    return f"It was unfinished {when}, {duration(v['took'])} after submission: {spoken(v['state'])}{by}."


def _resubmitted(fact: Fact, _: Wording) -> str:
    return f"A person resubmitted it as job {fact.values['job']}."


def _then(kind: str) -> Say:
    return lambda fact, _: then(kind, worker=named(fact.values["worker"]), job="it") + "."


SENTENCES: Final[Mapping[str, Say]] = MappingProxyType(
    {
        "beats": _beats,
        "came": _came,
        "doubled": _doubled,
        "effect_found": _effect_found,
        "effect_refused": _effect_refused,
        "ended": _ended,
        "finished": _finished,
        "forgotten": _forgotten,
        "handed_back": _handed_back,
        "held": _held,
        "landed": _landed,
        "learnt": _learnt,
        "left": _left,
        "lost": _lost,
        "middle": _middle,
        "overlap": _overlap,
        "parts": _parts,
        "resubmitted": _resubmitted,
        "refused": _refused,
        "renewal_refused": _refused,
        "repeated": _repeated,
        "resume_asked": _then("resume_requested"),
        "resumed": _then("resumed"),
        "served_late": _served_late,
        "speed": _speed,
        "stopped_itself": _stopped_itself,
        "suspend_asked": _then("suspend_requested"),
        "suspended": _then("suspended"),
        "taken": _taken,
        "trouble": _trouble,
        "unanswered": _unanswered,
        "unfinished": _unfinished,
        "waited": say_waited,
        "worked_on": _worked_on,
        "works_still": _works_still,
    }
)
"""The words of each kind of fact about a job; those of ``change`` are in ``emulator.show.story.of_jobs``."""


def say_change(v: Mapping[str, Any]) -> str:
    """Tell which setting would have changed a story, beyond which value, and what it would have changed."""
    names = {key: named(value) if isinstance(value, str) else value for key, value in v.items()}
    names["beyond"] = up_to(v["longer_than"]) if "longer_than" in v else ""
    who, name = v.get("where", ("queues", ""))
    names["where"] = f"{_WHO[who]} {named(name)}"
    names["was"] = duration(v["was"]) if "was" in v else ""
    names["requires"] = listed(v.get("requires", ()))
    return _WORDS[v["setting"]].format(**names)


_WHO: Final = MappingProxyType({"queues": "queue", "routines": "routine", "arrivals": "arrivals"})

_WORDS: Final = MappingProxyType(
    {
        "lease": "With a lease longer than {beyond} in the {where} (it is {was}), attempt {attempt} would not "
        "have lost it.",
        "fenced": "With `fenced: {value}`, the system {system} would have refused the late effect '{effect}'.",
        "matches_equipment": "With `matches_equipment: true`, the queue {queue} would not have handed it to {worker}.",
        "attempts_in_all": "With `attempts_in_all` above {above} in the {where}, it would have been tried again.",
        "lost_leases_at_most": "With `lost_leases_at_most` above {above} in the {where}, it would have been "
        "tried again, if its attempts in all allowed that.",
        "start_within": "With a `start_within` longer than {beyond} in the queue {queue}, it would have waited on.",
        "total_limit": "With a `total_limit` longer than {beyond} in the {where}, it would have gone on.",
        "time_limit.after": "With a time limit of more than {beyond} in the {where}, its attempt would have gone on.",
        "time_limit.at_most": "With `at_most` above {above} for the time limit of the {where}, it would have "
        "been tried again.",
        "if_failed": "With `if_failed: go_on`, {name} would have gone on without that job.",
        "allowance.when_empty": "With `when_empty: wait`, the queue {queue} would have let it wait for another retry.",
        "equipped_with": "A worker of the queue {queue} equipped with {requires} could have taken it.",
    }
)
