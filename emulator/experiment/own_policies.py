"""Is a retry policy of the user's own one, is it ever asked, and does it answer with a verdict?"""

from dataclasses import dataclass
from typing import Any

from emulator.broker.rules import RetryCase, RetryPolicy, Verdict
from emulator.errors import InputError
from emulator.scenario.models.pools import Retry

__all__ = ["AskedPolicy", "answer_of", "check_asked", "check_policy"]


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
