"""The scenario of a test from what matters to the test, and the mistakes that are made first in saying it.

Everything here is asked before an emulation begins, so that a slip is told at the line that holds it, and not by jobs
that fail for no visible reason.

Whatever a file must say and a test leaves out is filled in here, in one place: a title, a start, a length, a queue, a
pool, and a routine for each handler. Everything else has the defaults of the scenario file.
"""

import inspect
from collections.abc import Callable, Collection, Iterable, Mapping
from datetime import date, time, timedelta
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from math import isfinite
from pathlib import PurePath
from typing import Any, Final, TypedDict
from uuid import UUID

from emulator.broker.rules import RetryCase, RetryPolicy, Verdict
from emulator.errors import InputError
from emulator.experiment.settings import answer_of, check_asked, check_policy
from emulator.measure.invariants import Burst, Never, broken
from emulator.scenario.arguments import TEXT, WHOLE, listed, may_be
from emulator.scenario.load import Loaded, from_settings, loaded_from
from emulator.scenario.models.pools import Queue
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import LONGEST, advise, nearest, parse_duration
from emulator.timeline.ticks import DAY, from_seconds

__all__ = [
    "AWAITED",
    "NOT_ENTERED",
    "NO_WORK",
    "CallBurst",
    "Lasting",
    "WatchedPolicy",
    "check_arguments",
    "check_condition",
    "check_plain",
    "check_submission",
    "completed",
    "coroutine_functions",
    "loaded_for",
    "policies",
    "ticks_of",
    "watched",
]


AWAITED: Final = "an emulator is not awaited but entered: write `async with Emulator(...) as emu:` and use `emu` inside"

NOT_ENTERED: Final = "the emulator is not entered: write `async with Emulator(...) as emu:` and use `emu` inside"

NO_WORK: Final = (
    "the emulator was given no work, neither handlers nor routines: give your own code, such as "
    '`Emulator(handlers={"copy": copy})` with `async def copy(work): ...`, or modelled work, such as '
    '`Emulator(routines={"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "5m"}]}})`'
)

_OWN: Final = ("by_hand", "grace", "handlers", "interleave", "never", "programs", "retry", "scenario", "seed")
_MOST_SEED: Final = 2**63 - 1


def coroutine_functions(what: str, given: Any, sample: str, plural: str) -> dict[str, Callable[[Any], Any]]:
    """Give the functions of a test by name, each of them a coroutine function of one argument.

    Args:
        what: handler or program.
        given: what the test gave.
        sample: how one is written.
        plural: the name of the argument.

    Raises:
        InputError: for anything else, with what to write.

    >>> coroutine_functions("program", {"dome": print}, "main(client)", "programs")
    Traceback (most recent call last):
    ...
    emulator.errors.InputError: the program of 'dome' is no coroutine function: write `async def main(client): ...`
    """
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        name = sample.partition("(")[0]
        raise InputError(f'{plural}: found {_said(given)}: give a mapping, such as `{plural}={{"{name}": {name}}}`')
    for name, function in given.items():
        call = getattr(function, "__call__", function)  # noqa: B004  # an object may be called too
        if inspect.iscoroutine(function):
            function.close()
            raise InputError(
                f"the {what} of {name!r} is a coroutine, which can run only once: give the function itself, without ()"
            )
        if not (inspect.iscoroutinefunction(function) or inspect.iscoroutinefunction(call)):
            blocks = ", and for code that blocks `await work.outside(it)` inside" if what == "handler" else ""
            raise InputError(
                f"the {what} of {name!r} is no coroutine function: write `async def {sample}: ...`{blocks}"
            )
        try:
            inspect.signature(function).bind(None)
        except TypeError:
            argument = sample.partition("(")[2].rstrip(")")
            raise InputError(
                f"the {what} of {name!r} cannot be called with {argument!r} alone, as it will be: write "
                f"`async def {sample}: ...`"
            ) from None
    return dict(given)


def policies(given: Any, queues: Mapping[str, Queue]) -> "dict[str, WatchedPolicy]":
    """Give the retry policies of a test, by queue.

    Raises:
        InputError: for a queue that there is not, or what cannot decide, or is never asked.
    """
    if given is not None and not isinstance(given, Mapping):
        raise InputError(f'retry: found {_said(given)}: give a mapping from queues, such as `retry={{"night": Own()}}`')
    found = {}
    for queue, policy in (given or {}).items():
        if queue not in (known := tuple(queues)):
            raise InputError(f"there is no queue {queue!r} for a retry policy: {advise(str(queue), known)}")
        who = f"the retry policy of queue {queue!r}"
        check_policy(who, policy)
        check_asked(who, queue, queues[queue].retry)
        found[queue] = WatchedPolicy(queue, policy)
    return found


class WatchedPolicy:
    """A retry policy of a test's own: what it raises fails the job, which says so, and is kept to be looked at.

    Attributes:
        failures: what it raised, or answered that is no verdict.
    """

    def __init__(self, queue: str, policy: RetryPolicy) -> None:
        self._who = f"the retry policy of queue {queue}"
        self._policy = policy
        self.failures: list[Exception] = []

    def decide(self, case: RetryCase) -> Verdict:
        """Ask the policy."""
        try:
            verdict = answer_of("it", self._policy, case)
            if type(verdict.pause) is not int or verdict.pause < 0:
                raise InputError(
                    f"it answered a pause of {verdict.pause!r}: a pause is a whole number of microseconds, 0 or more"
                )
        except Exception as error:
            self.failures.append(error)
            return Verdict(False, why=f"{self._who} raised {type(error).__name__}: {error}")
        return verdict


def check_condition(condition: Any) -> str:
    """Look at what a test waits for, and give the words that name it.

    Raises:
        InputError: for what is no plain function.
    """
    if not callable(condition):
        raise InputError(
            f"{condition!r} is no condition: give a function, `await emu.until(lambda: ...)`; to wait for a job, "
            "write `await job`"
        )
    code = getattr(condition, "__code__", None)
    where = f" ({code.co_filename}:{code.co_firstlineno})" if code is not None else ""
    said = f"the condition {getattr(condition, '__qualname__', repr(condition))}{where}"
    if inspect.iscoroutinefunction(condition):
        raise InputError(f"{said} is async: give a plain function that only looks")
    return said


_PLAIN: Final = (str, bytes, int, float, complex, Decimal, date, time, timedelta, PurePath, UUID, Enum, type(None))
_DEEPEST: Final = 100


def check_plain(routine: str, parameters: Mapping[str, Any]) -> None:
    """Look at the parameters of a job: plain data, which a message could carry to a worker.

    Raises:
        InputError: for anything else, with the place at which it stands.

    >>> check_plain("copy", {"plates": ["a", {"b": object()}]})
    Traceback (most recent call last):
    ...
    emulator.errors.InputError: the parameter plates[1]['b'] of copy is a value of type object, which no message could \
carry to a worker: give texts, numbers, dates, and lists and mappings of these
    """
    for name, value in parameters.items():
        _check_plain(routine, name, value, 0)


def _check_plain(routine: str, place: str, value: Any, depth: int) -> None:
    if type(value) is str or isinstance(value, _PLAIN):
        return
    inside: Iterable[tuple[Any, Any]]
    if isinstance(value, Mapping):
        for key in value:
            _check_plain(routine, f"{place} (a key of it)", key, depth + 1)
        inside = value.items()
    elif isinstance(value, list | tuple):
        inside = enumerate(value)
    elif isinstance(value, set | frozenset):
        inside = (("...", item) for item in value)
    else:
        raise InputError(
            f"the parameter {place} of {routine} is {_said(value)}, which no message could carry to a worker: give "
            "texts, numbers, dates, and lists and mappings of these"
        )
    if depth > _DEEPEST:
        raise InputError(
            f"the parameter {place[:60]} ... of {routine} is more than {_DEEPEST} levels deep, or holds itself"
        )
    for key, item in inside:
        _check_plain(routine, f"{place}[{key if key == '...' else repr(key)}]", item, depth + 1)


def check_submission(key: Any, priority: Any, idempotency_key: Any, after: Any) -> None:
    """Look at what a job is submitted with, before a job of it is made.

    Raises:
        InputError: for the first that is of the wrong kind.
    """
    may_be(TEXT, key=key, idempotency_key=idempotency_key)
    may_be(WHOLE, priority=priority)
    if after is not None and not (isinstance(after, str) or hasattr(after, "reaches")):
        raise InputError(f"after: found {_said(after)}: give the job's handle, or its name, such as 'copy#1'")


def check_arguments(scenario: Any, settings: Mapping[str, Any], seed: Any) -> None:
    """Look for the slips that would come out as strange mistakes of a scenario.

    Raises:
        InputError: for handlers given as a scenario, a misspelt argument, or a seed that is none.
    """
    if isinstance(scenario, Mapping) and scenario and all(map(callable, scenario.values())):
        raise InputError("the first argument is a scenario: give handlers by their name, `Emulator(handlers={...})`")
    for name in settings:
        if name not in Scenario.model_fields and nearest(name, (*_OWN, *Scenario.model_fields)) in _OWN:
            raise InputError(f"there is no argument {name!r} of the emulator: {advise(name, _OWN)}")
    if seed is not None and not (type(seed) is int and 0 <= seed <= _MOST_SEED):
        raise InputError(f"seed={seed!r}: give a whole number from 0 to 2**63 - 1")


def _said(value: Any) -> str:
    """Say what somebody gave, without addresses in memory."""
    name = getattr(value, "__name__", None)
    kind = type(value).__name__
    return f"the {kind} {name}" if isinstance(name, str) else f"a value of type {kind}"


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
