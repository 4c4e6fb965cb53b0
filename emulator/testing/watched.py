"""What must never happen while an emulation goes on, as a test says it?"""

from collections.abc import Collection, Iterable, Mapping
from typing import Any, TypedDict

from emulator.errors import InputError
from emulator.measure.invariants import Burst, Never, broken
from emulator.scenario.arguments import listed
from emulator.scenario.spelling import advise
from emulator.testing.settings import Lasting, ticks_of

__all__ = ["CallBurst", "watched"]


class CallBurst(TypedDict):
    """Too many calls close together: ``{"calls": "archive", "more_than": 20, "within": "1s"}``.

    Calls count from when they begin, whatever their outcome, once that is known.

    Attributes:
        calls: the system.
        more_than: so many may begin within the stretch, and no more.
        within: the length of the stretch, above 0.
    """

    calls: str
    more_than: int
    within: Lasting


def watched(never: Iterable[Never | CallBurst], systems: Collection[str]) -> tuple[str | Burst, ...]:
    """Give what is to be watched for.

    Args:
        never: as the test says it.
        systems: which systems there are.

    Raises:
        InputError: for a name that is not known, a system that there is not, or a burst that is none.

    >>> watched([{"calls": "archive", "more_than": 20, "within": "1s"}], ["archive"])
    (Burst(system='archive', more_than=20, within=1000000),)
    """
    found: list[str | Burst] = []
    for one in listed("never", never):
        if isinstance(one, Mapping):
            found.append(_burst(one, systems))
        elif isinstance(one, str):
            found.append(one)
        else:
            raise InputError(f"never: found a value of type {type(one).__name__} in the list: give texts, or {_SAMPLE}")
    broken((), found)
    return tuple(found)


_SAMPLE = '{"calls": "archive", "more_than": 20, "within": "1s"}'


def _burst(given: Mapping[str, Any], systems: Collection[str]) -> Burst:
    if set(given) != set(CallBurst.__annotations__):
        raise InputError(f"never: found the keys {', '.join(map(repr, given)) or 'none'}: give {_SAMPLE}")
    system, most, within = given["calls"], given["more_than"], ticks_of(given["within"])
    if system not in systems:
        known = advise(str(system), tuple(systems)) if systems else "there is none at all"
        raise InputError(f"never: there is no system {system!r}: {known}")
    if type(most) is not int or most < 0:
        raise InputError(f"never: more_than={most!r}: give a whole number of calls, 0 or more")
    if not within:
        raise InputError("never: within is 0: give a stretch of time above 0, such as '1s'")
    return Burst(system, most, within)
