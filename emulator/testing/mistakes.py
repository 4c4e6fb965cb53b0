"""What does somebody get wrong first who puts the emulator around code, and what is to be written instead?

Everything here is asked before an emulation begins, so that a slip is told at the line that holds it, and not by jobs
that fail for no visible reason.
"""

import inspect
from collections.abc import Callable, Iterable, Mapping
from datetime import date, time, timedelta
from decimal import Decimal
from enum import Enum
from pathlib import PurePath
from typing import Any, Final
from uuid import UUID

from emulator.broker.rules import RetryCase, RetryPolicy, Verdict
from emulator.errors import InputError
from emulator.experiment.own_policies import answer_of, check_asked, check_policy
from emulator.scenario.arguments import TEXT, WHOLE, may_be
from emulator.scenario.models.queues import Queue
from emulator.scenario.models.scenario import Scenario
from emulator.scenario.spelling import advise, nearest

__all__ = [
    "AWAITED",
    "NOT_ENTERED",
    "NO_WORK",
    "WatchedPolicy",
    "check_arguments",
    "check_condition",
    "check_plain",
    "check_submission",
    "coroutine_functions",
    "policies",
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
