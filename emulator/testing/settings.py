"""What is a scenario for a test, when only what matters to the test is said?

Whatever a file must say and a test leaves out is filled in here, in one place: a title, a start, a length, a queue, a
pool, and a routine for each handler. Everything else has the defaults of the scenario file.
"""

from collections.abc import Collection, Mapping
from datetime import timedelta
from fractions import Fraction
from math import isfinite
from typing import Any, Final

from emulator.errors import InputError
from emulator.scenario.durations import LONGEST, parse_duration
from emulator.scenario.given import loaded_from
from emulator.scenario.load import Loaded, from_settings
from emulator.testing.mistakes import NO_WORK
from emulator.timeline.ticks import DAY, from_seconds

__all__ = ["Lasting", "completed", "loaded_for", "ticks_of"]

Lasting = str | float | timedelta
"""A duration: ``"1h30m"``, seconds, or a ``timedelta``."""

_FILLED_IN: Final = {
    "title": "a test",
    "starts": "2026-01-01T00:00:00",
    "lasts": "30d",
    "queues": {"night": {}},
}
_QUEUE: Final = {"lease": "90s", "retry": {}}
_RETRY: Final = {"attempts_in_all": 4}


def ticks_of(duration: Lasting | object) -> int:
    """Give a duration (``Lasting``) in ticks.

    Raises:
        InputError: when it is none, or negative.

    >>> ticks_of("1m30s"), ticks_of(1.5), ticks_of(timedelta(minutes=2))
    (90000000, 1500000, 120000000)
    """
    try:
        if isinstance(duration, str):
            return parse_duration(duration)
        if isinstance(duration, timedelta):
            ticks = duration // timedelta(microseconds=1)
        elif isinstance(duration, int | float | Fraction) and not isinstance(duration, bool) and isfinite(duration):
            ticks = from_seconds(float(duration))
        else:
            raise ValueError(f"{duration!r} is not a duration: give '90s', seconds, or a timedelta")
        if ticks < 0:
            raise ValueError(f"{duration!r} is negative: give a duration of 0 or more")
        if ticks > LONGEST:
            raise ValueError(f"{duration!r} is too long: at most 100 years ({LONGEST // DAY}d)")
    except (ValueError, OverflowError) as wrong:
        raise InputError(str(wrong)) from None
    return ticks


def completed(settings: Mapping[str, Any], routines: Collection[str]) -> dict[str, Any]:
    """Fill in what a scenario needs and a test did not say; ``routines`` are the names of those with handlers.

    >>> settings = completed({"queues": {"slow": {"lease": "10m"}}}, ["copy"])
    >>> settings["pools"], settings["routines"]["copy"]["queue"]
    ({'workers': {'count': 1, 'serves': ['slow'], 'poll': '0s', 'heartbeat': '30s'}}, 'slow')
    >>> settings["queues"]
    {'slow': {'lease': '10m', 'retry': {'attempts_in_all': 4}}}
    """
    whole = {**_FILLED_IN, "arrivals": [], **settings}
    queues = list(whole["queues"]) if isinstance(whole["queues"], Mapping) else []
    if isinstance(whole["queues"], Mapping):
        whole["queues"] = {name: _queue(queue) for name, queue in whole["queues"].items()}
    if "pools" not in whole:
        whole["pools"] = {"workers": {"count": 1}}
    if isinstance(whole["pools"], Mapping):
        filled = {"serves": queues, "poll": "0s", "heartbeat": "30s"}
        whole["pools"] = {
            name: {**({"count": 1} if "count" not in pool else {}), **pool, **_missing(filled, pool)}
            if isinstance(pool, Mapping)
            else pool
            for name, pool in whole["pools"].items()
        }
    given = whole.get("routines", {})
    if isinstance(given, Mapping):
        whole["routines"] = {
            name: _routine(given.get(name, {}), queues, name in routines) for name in dict.fromkeys((*given, *routines))
        }
    return whole


def _queue(given: Any) -> Any:
    if not isinstance(given, Mapping):
        return given
    whole = {**given, **_missing(_QUEUE, given)}
    if isinstance(whole["retry"], Mapping):
        whole["retry"] = {**whole["retry"], **_missing(_RETRY, whole["retry"])}
    return whole


def _missing(filled: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in filled.items() if key not in given}


def _routine(given: Any, queues: list[str], has_handler: bool) -> Any:
    if not isinstance(given, Mapping) or not has_handler:
        return given
    stands_in = {"queue": queues[0] if queues else "", "parts": [{"name": "handler", "takes": "0s"}]}
    return {**given, **_missing(stands_in, given)}


def loaded_for(scenario: Any, settings: Mapping[str, Any], routines: Collection[str]) -> Loaded:
    """Load the scenario that an emulator was given: a file, settings, what ``load`` gave, or keyword settings alone.

    Raises:
        ScenarioError: with every mistake in it.
        InputError: when a scenario and keyword settings are given together, a handler has no routine, or there is
            neither a handler nor a routine.
    """
    if scenario is None:
        return _from_settings(settings, routines)
    if settings:
        raise InputError(
            f"a scenario and the settings {', '.join(settings)} are given: put them into the scenario, or leave it out"
        )
    loaded = _from_settings(scenario, routines) if isinstance(scenario, Mapping) else loaded_from(scenario)
    for name in routines:
        if name not in loaded.scenario.routines:
            known = ", ".join(loaded.scenario.routines)
            raise InputError(f"{loaded.name}: there is no routine {name!r} for a handler: it has {known}")
    return loaded


def _from_settings(settings: Mapping[str, Any], routines: Collection[str]) -> Loaded:
    whole = completed(settings, routines)
    if not whole["routines"]:
        raise InputError(NO_WORK)
    return from_settings(whole)
