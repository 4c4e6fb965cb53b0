"""How is a fault said in plain words, on a first screen and in the answer of a hunt?"""

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from emulator.measure.words import duration, number, value
from emulator.scenario.durations import parse_duration
from emulator.scenario.fault_kinds import FAULT_TABLE

__all__ = ["fault_words", "listed", "planned_words"]

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
    pattern = _VERB.sub(
        lambda verb: verb[1 if len(who) == 1 else 2],
        FAULT_TABLE[kind].says if kind in FAULT_TABLE else f"{kind} of {{who}}",
    )
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
