"""In which words is it told why a job waited?"""

from emulator.measure.story.facts import Fact, Piece
from emulator.measure.story.occupation import BUSY, IDLE, NONE_EQUIPPED, NONE_LARGE_ENOUGH, NONE_ON
from emulator.measure.words import duration
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
