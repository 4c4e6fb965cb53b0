"""Draws random numbers by key, so that no draw depends on another; turns them into times by distributions.

The law: a uniform is a function of (seed, purpose, entity, number, attempt, place) and of nothing else. No generator
is shared or used up in order, so job 17's second attempt takes the same time under every variant, and a routine that
is added leaves every other draw as it was. The key goes through BLAKE2b (RFC 7693), keyed with the seed; every field
of the message has a fixed width, because joined text would make (1, 23) and (12, 3) one key.

Eight neighbouring numbers share a block: one hash of 64 bytes over their key, whose eight words are their uniforms.
What has a number in a row (the jobs of an entry, its gaps, a worker's heartbeats and requests) is drawn so; anything
else (an occurrence of a recurrence, a resubmitted job, a call, a fault) has an entity and so a block of its own.

A new purpose takes the next free number. The numbers and the layout of the message are fixed for ever: a change
would redraw every scenario in the world.

A distribution of times turns such numbers into ticks. It is an immutable value, built once; it asks for a fixed number
of uniforms (``uniforms``), turns them by the inverse of its distribution function, and gives whole ticks, never
negative, never above ``LONGEST``. More uniform means more time, so that settings compared on the same draws stay
comparable. Parameters are times in whole ticks and plain numbers; what follows from them (a scale from a mean) is
worked out in ``decimal``, the same everywhere. Wrong parameters raise ValueError when the distribution is built.
"""

from collections.abc import Callable
from enum import IntEnum
from fractions import Fraction
from hashlib import blake2b
from struct import Struct
from typing import ClassVar, Final, Protocol

from emulator.records import record
from emulator.world.numerics import LONGEST, exponential, geometric, whole

__all__ = [
    "Distribution",
    "Draw",
    "Draws",
    "OneUniform",
    "Purpose",
    "check_number",
    "check_ticks",
    "checked_share",
    "entity_key",
    "exponential",
    "geometric",
    "numbers_key",
    "squared_ratio",
    "whole",
]


_STEP: Final = 2.0**-53
_pack: Final = Struct("<QQqqq").pack
_words: Final = Struct("<8Q").unpack
_number: Final = int.from_bytes
_SEEDS: Final = 2**64
_KEPT: Final = 512
"""So many blocks are kept at most, for their other seven uniforms; which are kept decides nothing."""
_PLACE: Final = 40
"""Bits below the place of a uniform within one sample, where one number tells the samples of a job apart."""


class Purpose(IntEnum):
    """What a draw is for; two purposes of one entity are independent of each other."""

    ARRIVAL_GAP = 1
    """The time from one arrival of an entry to the next."""
    PART_TIME = 2
    """How much work a part of a job is."""
    PARAMETER = 3
    """Which value a parameter of a job takes."""
    HEARTBEAT_JITTER = 4
    """How far a heartbeat lies from its place on the grid."""
    HEARTBEAT_LOSS = 5
    """How many heartbeats get through before one is lost."""
    MESSAGE_LOSS = 6
    """Whether one message on a link is lost."""
    MESSAGE_DELAY = 7
    """How long one message is under way."""
    POLL_OFFSET = 8
    """Where within its poll interval a worker asks for work."""
    RETRY_JITTER = 9
    """How the pause before a retry is spread."""
    FAULT_GAP = 10
    """The time from one occurrence of a fault to the next."""
    FAULT_REPAIR = 11
    """How long an occurrence of a fault lasts."""
    FAULT_TARGET = 12
    """The rank by which a fault that hits a share chooses whom it hits."""
    SYSTEM_ANSWER = 13
    """How long a system takes to answer a call."""
    CALL_ERROR = 14
    """Whether a call to a system ends in an error."""
    PROPAGATION_DELAY = 15
    """How long a grant takes to be in force."""
    BOOT_TIME = 16
    """How long a worker takes to boot."""
    CLOCK_OFFSET = 17
    """How far a worker's clock is off at the start."""
    CLOCK_DRIFT = 18
    """How fast a worker's clock drifts."""
    OUTCOME = 19
    """Whether an attempt fails by chance."""
    TIE_ORDER = 20
    """The order of things due at one instant, where that is to be shuffled."""
    REPLICATION = 21
    """The seed of one replication among many."""
    HANDLER = 22
    """What the user's own handler asks for."""
    GENERATION = 23
    """What a generator of scenarios or of faults asks for."""
    ASK_AGAIN = 24
    """How the pause before a part asks a system again is spread."""
    NIGHT_FACTOR = 25
    """By how much a night is more or less of something than others."""
    FAILS_AFTER = 26
    """After which time a part fails."""
    POLL_EVERY = 27
    """How often one idle worker asks, where that is drawn."""
    BATCH = 28
    """How many jobs come at one arrival."""
    LATENESS = 29
    """How much later than it is due an occurrence comes."""
    OF_THIS_NIGHT = 30
    """Whether a fault or an action that is there in some nights is there in this one."""
    FAULT_STRENGTH = 31
    """How strong a fault or an action is: a factor, a share, a speed, a number of workers."""


class Draws:
    """Gives uniforms by key: the same key has the same uniform in every process, on every machine.

    Args:
        seed: a whole number from 0 to 2**64 - 1.

    Attributes:
        seed: see above.
        drawn: whether anything was drawn yet. If nothing was in a whole night, every seed gives that very night.

    Raises:
        ValueError: for any other seed.

    >>> job = entity_key("plate-copy", 17)
    >>> draws = Draws(seed=1)
    >>> draws.uniform(Purpose.PART_TIME, job, 2) == Draws(seed=1).uniform(Purpose.PART_TIME, job, 2)
    True
    >>> draws.uniform(Purpose.PART_TIME, job, 2) == draws.uniform(Purpose.PART_TIME, job, 3)
    False
    """

    __slots__ = ("_blocks", "_copy", "seed")

    def __init__(self, seed: int) -> None:
        if not 0 <= seed < _SEEDS:
            raise ValueError(f"the seed {seed} is out of range: give a whole number from 0 to {_SEEDS - 1}")
        self.seed = seed
        self._copy = blake2b(digest_size=64, key=seed.to_bytes(8, "little"), person=b"uniform block").copy
        self._blocks: dict[tuple[int, int, int, int, int], tuple[int, ...]] = {}

    @property
    def drawn(self) -> bool:
        """Say whether anything was drawn."""
        return bool(self._blocks)

    def uniform(self, purpose: int, entity: int, number: int = 0, attempt: int = 0, place: int = 0) -> float:
        """Give the uniform of a key, a multiple of 2**-53 with 0 <= u < 1.

        Args:
            purpose: a ``Purpose``.
            entity: what ``entity_key`` made, or any whole number from 0 to 2**64 - 1.
            number: which of a row of its kind: eight neighbours share a block; 0 for what is in no row.
            attempt, place: what else tells draws apart.

        Each of the numbers has 64 bits with a sign. Work that is drawn once for all attempts is that of attempt 0.
        """
        key = (purpose, entity, number >> 3, attempt, place)
        words = self._blocks.get(key)
        if words is None:
            if len(self._blocks) >= _KEPT:
                self._blocks.clear()
            state = self._copy()
            state.update(_pack(*key))
            words = self._blocks[key] = _words(state.digest())
        return (words[number & 7] >> 11) * _STEP

    def row(
        self, purpose: int, entity: int, number: int = 0, attempt: int = 0, which: int = 0
    ) -> Callable[[int], float]:
        """Give the uniforms of one sample as a function of their place, as ``sample`` of a distribution wants.

        The first is that of ``uniform`` with ``which``, a number below 2**40, as the place.

        >>> draws = Draws(1)
        >>> draws.row(Purpose.PART_TIME, 5, 2, 0, 3)(0) == draws.uniform(Purpose.PART_TIME, 5, 2, 0, 3)
        True
        """
        uniform = self.uniform
        return lambda place: uniform(purpose, entity, number, attempt, which + (place << _PLACE))


def entity_key(*parts: str | int) -> int:
    """Make the 64-bit key of an entity from what names it; equal parts make equal keys, in any process.

    Each part goes in with its type and its length, so that ("a", "bc") and ("ab", "c"), or 1 and "1", differ.

    >>> entity_key("plate-copy", 17) == entity_key("plate-copy", 17)
    True
    >>> entity_key("plate-copy", 1, 7) == entity_key("plate-copy", 17)
    False
    """
    state = blake2b(digest_size=8, person=b"entity key")
    for part in parts:
        if isinstance(part, str):
            kind, data = b"s", part.encode("utf-8", "surrogatepass")
        else:
            kind, data = b"i", part.to_bytes(part.bit_length() // 8 + 1, "little", signed=True)
        state.update(kind + len(data).to_bytes(8, "little") + data)
    return _number(state.digest(), "little")


def numbers_key(*numbers: int) -> int:
    """Make the key of an entity that numbers alone name: the first from 0 to 2**64 - 1, each of the rest with a sign.

    >>> numbers_key(7, 1, 23) == numbers_key(7, 12, 3)
    False
    """
    packed = Struct(f"<Q{len(numbers) - 1}q").pack(*numbers)
    return _number(blake2b(packed, digest_size=8, person=b"numbers key").digest(), "little")


Draw = Callable[[int], float]
"""Gives the i-th uniform (0 <= u < 1, i from 0) of the key that a sample belongs to."""

_LEAST_SHARE: Final = 2.0**-53


class Distribution(Protocol):
    """What every distribution of times can do.

    Attributes:
        uniforms: how many uniforms one sample asks for, at the places 0, 1, ...
    """

    @property
    def uniforms(self) -> int: ...

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        """Give a time in ticks; only a trace looks at the ordinal."""
        ...

    def quantile(self, p: float) -> int:
        """Give the time in ticks that a share p, 0 <= p < 1, does not exceed.

        Raises:
            ValueError: for any other share, or one above 0 yet below 2**-53, which no uniform can be.
        """
        ...

    def p95(self) -> int:
        """Give the time that 95 % do not exceed, in ticks."""
        ...

    def least(self) -> int:
        """Give the shortest possible time, in ticks."""
        ...

    def expectation(self) -> float:
        """Give the mean in ticks, before the rounding to ticks and the cut at ``LONGEST``."""
        ...

    def cv2(self) -> float:
        """Give the squared coefficient of variation: variance over squared mean; 0 where the mean is 0."""
        ...


@record
class OneUniform:
    """What the distributions with one uniform share: a sample is a quantile."""

    uniforms: ClassVar[int] = 1

    def at(self, u: float) -> int:
        """Give the time at a uniform, in ticks."""
        raise NotImplementedError

    def made(self) -> Callable[[float], int]:
        """Give ``at`` for many draws."""
        return self.at

    def sample(self, draw: Draw, ordinal: int = 0) -> int:
        return self.at(draw(0))

    def quantile(self, p: float) -> int:
        return self.at(checked_share(p))

    def p95(self) -> int:
        return self.at(0.95)

    def least(self) -> int:
        return self.at(0.0)


def checked_share(p: float) -> float:
    if p == 0 or _LEAST_SHARE <= p < 1:
        return p
    raise ValueError(f"there is no quantile of the share {p}: give 0, or from 2**-53 to below 1")


def squared_ratio(variance: Fraction, mean: Fraction) -> float:
    return float(variance / (mean * mean)) if mean else 0.0


def check_ticks(who: str, what: str, ticks: int, at_least: int) -> None:
    if not (isinstance(ticks, int) and at_least <= ticks <= LONGEST):
        raise ValueError(f"{who} has the {what} {ticks}: give whole ticks from {at_least} to {LONGEST}")


def check_number(who: str, what: str, number: float, low: float, high: float) -> None:
    if not low <= number <= high:
        raise ValueError(f"{who} has the {what} {number}: give a number from {low} to {high}")
