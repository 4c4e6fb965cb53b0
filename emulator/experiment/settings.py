"""The settings that are compared, with the user's own retry policies, packed for other processes.

A setting is a scenario that was read and validated once, and perhaps the user's own retry policies. What travels is
what a night needs of it, packed once: another process neither reads nor validates anything.
"""

import hashlib
import json
import pickle
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, Final

from emulator.broker.rules import RetryCase, RetryPolicy, Verdict
from emulator.errors import InputError
from emulator.experiment.night import Stated, stated_of
from emulator.record.meta import files_of
from emulator.scenario.load import Loaded, plain, varied
from emulator.scenario.models.pools import Retry
from emulator.scenario.stated import resolved
from emulator.scenario.written import Layer, Settings, Written

__all__ = [
    "AskedPolicy",
    "Setting",
    "answer_of",
    "check_asked",
    "check_policy",
    "check_travels",
    "packed_policies",
    "setting_of",
]


def check_policy(who: str, policy: Any) -> None:
    """Make sure that something can decide on retries.

    Args:
        who: names it in messages.
        policy: what was given.

    Raises:
        InputError: for a class in the place of an object, or what has no method ``decide``.

    >>> check_policy("the retry policy of queue 'night'", 5)
    Traceback (most recent call last):
    ...
    emulator.errors.InputError: the retry policy of queue 'night' is a value of type int, which cannot decide: give an \
object with `def decide(self, case): ...` that returns an `emulator.Verdict`
    """
    if isinstance(policy, type):
        raise InputError(f"{who} is the class {policy.__name__}: give an object, `{policy.__name__}()`")
    if not callable(getattr(policy, "decide", None)):
        kind, name = type(policy).__name__, getattr(policy, "__name__", None)
        said = f"the {kind} {name}" if isinstance(name, str) else f"a value of type {kind}"
        raise InputError(
            f"{who} is {said}, which cannot decide: give an object with `def decide(self, case): ...` that returns an "
            "`emulator.Verdict`"
        )


def check_asked(who: str, queue: str, retry: Retry) -> None:
    """Make sure that the limits of a queue, which stand beside a policy, let it be asked.

    Raises:
        InputError: when no attempt is followed by another, whatever it says.
    """
    if retry.attempts_in_all == 1:
        raise InputError(
            f"{who} is never asked, because the scenario allows 1 attempt in all: give "
            f"`queues.{queue}.retry.attempts_in_all` more, such as 5"
        )


def answer_of(who: str, policy: RetryPolicy, case: RetryCase) -> Verdict:
    """Ask a policy.

    Raises:
        InputError: when what it answers is no verdict.
    """
    verdict = policy.decide(case)
    if not isinstance(verdict, Verdict):
        raise InputError(f"{who} answered {verdict!r}: return an `emulator.Verdict`")
    return verdict


@dataclass(frozen=True, slots=True)
class AskedPolicy:
    """A retry policy of the user's own, as a night asks it: what is no verdict ends the night, and says so."""

    queue: str
    policy: RetryPolicy

    def decide(self, case: RetryCase) -> Verdict:
        """Ask it."""
        return answer_of(f"the retry policy of queue {self.queue}", self.policy, case)


_KEPT: Final = 256


@dataclass(frozen=True, eq=False)
class Setting:
    """One setting of a comparison.

    Attributes:
        name: of the variant.
        file: the name of the scenario, for messages.
        text: the scenario as it was read; "" for settings made in Python, and in another process.
        patch: dotted paths and their values, as JSON.
        scenario: the scenario under this setting; in another process, as much of it as a night needs.
        policies: the user's own retry policies, by queue.
        moments: at how many moments of each night its backlog is read; 0: at none.
    """

    name: str
    file: str
    text: str = field(repr=False)
    patch: str
    scenario: Loaded = field(repr=False)
    policies: Mapping[str, RetryPolicy] = field(default_factory=dict)
    moments: int = 0

    def loaded(self) -> Loaded:
        """Give the scenario under this setting."""
        return self.scenario

    @cached_property
    def stated(self) -> Stated:
        """What the scenario states of each of its nights; worked out once in each process."""
        return stated_of(self.scenario)

    def fingerprint(self) -> str:
        """Give a hash of what the scenario and its files say: equal scenarios in different spelling have one."""
        own = [(queue, type(policy).__qualname__) for queue, policy in sorted(self.policies.items())]
        said = json.dumps([resolved(self.scenario, places=False), own, files_of(self.scenario)])
        return hashlib.sha256(said.encode()).hexdigest()

    @cached_property
    def _packed(self) -> bytes:
        bare = replace(
            self.scenario,
            text="",
            provenance={},
            variants={},
            patches={},
            questions=(),
            data={},
            said={},
            written=Written((Layer(Settings(self.file, {}), {}),)),
            bases={},
        )
        return pickle.dumps((self.name, self.file, self.patch, bare, self.moments), pickle.HIGHEST_PROTOCOL)

    def __reduce__(self) -> tuple[Any, ...]:
        return _with_policies, (self._packed, self.policies)


@lru_cache(maxsize=_KEPT)
def _unpacked(packed: bytes) -> Setting:
    name, file, patch, scenario, moments = pickle.loads(packed)
    return Setting(name, file, "", patch, scenario, {}, moments)


def _with_policies(packed: bytes, policies: Mapping[str, RetryPolicy]) -> Setting:
    """Give a setting that came from another process; what came before is not unpacked again."""
    setting = _unpacked(packed)
    return replace(setting, policies=policies) if policies else setting


def check_travels(setting: Setting) -> None:
    """Make sure that a setting can be sent to another process.

    Raises:
        InputError: when a retry policy of the user's own cannot.
    """
    try:
        pickle.dumps(setting)
    except Exception as error:
        raise InputError(
            f"{setting.name}: its retry policy cannot travel to another process ({error}): define its class at the top "
            "of a module, or run nights in this process alone (processes=1)"
        ) from None


def packed_policies(settings: Iterable[Setting]) -> dict[str, bytes]:
    """Give the retry policies of the user's own as they are sent to another process, by the words that name each.

    Raises:
        InputError: when a policy cannot be sent.
    """
    found = {}
    for setting in settings:
        if setting.policies:
            check_travels(setting)
        for queue, policy in setting.policies.items():
            found[f"{_policy_named(setting.name, queue)}, {type(policy).__qualname__}"] = pickle.dumps(policy)
    return found


def setting_of(loaded: Loaded, name: str, patch: Mapping[str, Any] | None = None) -> Setting:
    """Make a setting of a scenario that was read, and a patch; values that decide on retries are policies.

    Raises:
        InputError: for a policy that is put where no retry policy stands, is no object, or is never asked.
        ScenarioError: with every mistake that the patch makes.
    """
    kept, policies = dict(patch or {}), {}
    for path, value in (patch or {}).items():
        if callable(getattr(value, "decide", None)):
            parts = path.split(".")
            if len(parts) != 3 or parts[0] != "queues" or parts[2] != "retry":
                raise InputError(f"{name}: {path} takes no retry policy: write queues.NAME.retry")
            if parts[1] not in loaded.scenario.queues:
                raise InputError(f"{name}: there is no queue {parts[1]!r}: it has {', '.join(loaded.scenario.queues)}")
            check_policy(_policy_named(name, parts[1]), value)
            policies[parts[1]] = value
            del kept[path]
    changes = plain(kept)  # in its order: one change may be of what another has made
    scenario = replace(loaded, folders=replace(loaded.folders, own=loaded.folders.own.absolute()))
    if changes:
        scenario = varied(scenario, changes, name)
    made = Setting(name, loaded.name, loaded.text, json.dumps(changes), scenario, policies)
    queues = scenario.scenario.queues
    for queue in policies:
        check_asked(_policy_named(name, queue), queue, queues[queue].retry)
    return made


def _policy_named(setting: str, queue: str) -> str:
    return f"{setting}: the retry policy of queue {queue!r}"
