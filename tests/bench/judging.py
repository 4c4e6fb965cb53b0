"""Judges a claim by a handful of paired measurements: how much, how widely spread, met or not.

The law: both sides of a claim are measured in the same round, a value is made of each round by itself, and only then is
the middle taken. What made the whole machine slow in one round thus spoils that round's value little, and the spread
shows what it did spoil.
"""

import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Claim", "Found", "Measured", "MismatchError", "Round", "Row", "as_fast", "found", "peak", "same"]


class MismatchError(Exception):
    """The two sides of a row did not do the same work, so that comparing their speed would say nothing."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One run of one side.

    Attributes:
        work: how much was done, in the row's unit.
        seconds: what it took, on the row's clock.
        peak: the most memory that the process held at a time, in bytes.
        facts: what else was counted, to check that the sides did the same work.
    """

    work: float
    seconds: float
    peak: int = 0
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def rate(self) -> float:
        """Work done in a second."""
        return self.work / self.seconds


Round = Mapping[str, Measured]
"""One run of each side, by the side's name."""


@dataclass(frozen=True, slots=True)
class Claim:
    """What a row wants to be true.

    Attributes:
        says: what is compared with what, in a few words.
        value: makes the claim's figure of one round.
        bar: what must be reached.
        aim: what is hoped for; None if there is no more than the bar.
        at_most: the figure is to be small instead of large.
        unit: stands behind the figure.
    """

    says: str
    value: Callable[[Round], float]
    bar: float
    aim: float | None = None
    at_most: bool = False
    unit: str = "times"


@dataclass(frozen=True, slots=True)
class Row:
    """One comparison.

    Attributes:
        name: by which ``--only`` names it.
        asks: the question that it answers.
        unit: in what work is counted.
        sides: what is measured by turns: each takes a scale from 0 to 1 and measures itself once.
        check: raises ``MismatchError`` when the sides of a round did not do the same work.
        claims: what must be true.
        clock: whose seconds they are.
    """

    name: str
    asks: str
    unit: str
    sides: Mapping[str, Callable[[float], Measured]]
    check: Callable[[Round], None]
    claims: Sequence[Claim]
    clock: str = "processor"


@dataclass(frozen=True, slots=True)
class Found:
    """A claim's figure over all rounds, and what it comes to."""

    claim: Claim
    median: float
    lowest: float
    highest: float
    runs: int

    @property
    def verdict(self) -> str:
        """Say how the median stands to bar and aim: ``aim met``, ``bar met``, ``met`` (no aim) or ``not met``."""
        claim = self.claim

        def reaches(wanted: float) -> bool:
            return self.median <= wanted if claim.at_most else self.median >= wanted

        if not reaches(claim.bar):
            return "not met"
        if claim.aim is None:
            return "met"
        return "aim met" if reaches(claim.aim) else "bar met"

    @property
    def shaky(self) -> bool:
        """Whether the bar lies within the spread, so that another day may say otherwise."""
        return self.lowest < self.claim.bar < self.highest


def found(claim: Claim, rounds: Sequence[Round]) -> Found:
    """Judge a claim by at least one round."""
    values = [claim.value(one) for one in rounds]
    return Found(claim, statistics.median(values), min(values), max(values), len(values))


def as_fast(one: str, other: str) -> Callable[[Round], float]:
    """Say how many times as fast one side is as another: the quotient of their rates in one round."""
    return lambda measured: measured[one].rate / measured[other].rate


def peak(side: str) -> Callable[[Round], float]:
    """Give the most memory that a side held, in MB (10**6 bytes)."""
    return lambda measured: measured[side].peak / 1e6


def same(measured: Round, *facts: str) -> None:
    """Check that some facts are equal on every side that has them.

    Raises:
        MismatchError: naming the fact and what each side found.
    """
    for fact in facts:
        told = {side: one.facts[fact] for side, one in measured.items() if fact in one.facts}
        if len(told) < 2 or len(set(told.values())) != 1:
            raise MismatchError(f"{fact} is not the same on every side: {told}")
