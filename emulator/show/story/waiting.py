"""In which words is it told why a job waited?"""

from emulator.measure.story.facts import Fact, Piece
from emulator.measure.story.occupation import BUSY, IDLE, NONE_EQUIPPED, NONE_ON
from emulator.measure.words import duration
from emulator.show.phrases import PHRASES
from emulator.show.story.wording import Wording, listed, named, number_of

__all__ = ["say_waited"]


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
    if len(lengths) == 1:
        why = _reason(next(iter(first.values())), fact)
    else:
        why = "; ".join(f"for {duration(lengths[reason])} {_reason(piece, fact)}" for reason, piece in first.items())
    text = f"It waited {took} for a worker{until}: {why}."
    if v["before"]:
        who = named(v["able"][0]) if len(v["able"]) == 1 else "these workers"
        text += f" Meanwhile {who} took {number_of(v['before'], 'other job')}."
    return text


def _reason(piece: Piece, fact: Fact) -> str:
    v = fact.values
    able = v["able"]
    queue = named(v["queue"])
    if piece.reason == BUSY:
        if len(able) == 1:
            return f"{named(able[0])}, the only worker that can take it, was busy"
        return "every worker that was on and could take it was busy"
    if piece.reason == IDLE:
        asks = f"; each asks every {duration(v['poll'])}" if v["poll"] else ""
        return f"a worker was idle and had not asked for it yet{asks}"
    if piece.reason == NONE_ON:
        if len(able) == 1:
            return f"{named(able[0])}, the only worker that can take it, was not on or could not be reached"
        return f"of the {len(able)} workers that can take it none was on and could be reached"
    return {
        "broker down": PHRASES["broker_down"].then,
        "queue held": PHRASES["queue_held"].then.format(queue=queue),
        "queue full": f"the queue {queue} ran as many jobs as it may",
        "key busy": f"another job with the key {named(v['key'])} was running",
        "none serves": f"no worker serves the queue {queue}",
        NONE_EQUIPPED: f"no worker was equipped with {listed(v['requires'])}",
    }[piece.reason]
