"""In which words is it told what another setting would have changed?"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

from emulator.measure.words import duration
from emulator.show.story.wording import listed, named, up_to

__all__ = ["say_change"]


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
