"""Which random number does an entity get for a purpose? One that its key fixes, whoever else draws.

The law: a uniform is a function of (seed, purpose, entity, three numbers) and of nothing else. No generator is shared
or used up in order, so job 17's second attempt takes the same time under every variant, and a routine that is added
leaves every other draw as it was. The key goes through BLAKE2b (RFC 7693), keyed with the seed; every field of the
message has a fixed width, because joined text would make (1, 23) and (12, 3) one key.

A new purpose takes the next free number. The numbers and the layout of the message are fixed for ever: a change
would redraw every scenario in the world.
"""

from collections.abc import Callable
from enum import IntEnum
from hashlib import blake2b
from struct import Struct
from typing import Final

from emulator.world.numerics import exponential, geometric, whole

__all__ = ["Draws", "Entities", "Purpose", "entity_key", "exponential", "geometric", "whole"]

_STEP: Final = 2.0**-53
_pack: Final = Struct("<QQqqq").pack
_number: Final = int.from_bytes
_SEEDS: Final = 2**64
_HEADS: Final = tuple(b"i" + size.to_bytes(8, "little") for size in range(10))
_ZERO: Final = _HEADS[1] + b"\0"


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

    __slots__ = ("_copy", "drawn", "seed")

    def __init__(self, seed: int) -> None:
        if not 0 <= seed < _SEEDS:
            raise ValueError(f"the seed {seed} is out of range: give a whole number from 0 to {_SEEDS - 1}")
        self.seed = seed
        self.drawn = False
        begun = blake2b(digest_size=8, key=seed.to_bytes(8, "little"), person=b"uniform draw")

        def first() -> blake2b:
            self.drawn, self._copy = True, begun.copy
            return begun.copy()

        self._copy = first  # from the second draw on nothing is noted any more: it would cost each of them

    def uniform(self, purpose: int, entity: int, n1: int = 0, n2: int = 0, n3: int = 0) -> float:
        """Give the uniform of a key, a multiple of 2**-53 with 0 <= u < 1.

        Args:
            purpose: a ``Purpose``.
            entity: what ``entity_key`` made, or any whole number from 0 to 2**64 - 1.
            n1, n2, n3: what tells the draws of one purpose and entity apart, each of 64 bits with a sign.
        """
        state = self._copy()
        state.update(_pack(purpose, entity, n1, n2, n3))
        return (_number(state.digest(), "little") >> 11) * _STEP

    def row(self, purpose: int, entity: int, n1: int = 0, n2: int = 0) -> Callable[[int], float]:
        """Give the uniforms of one key as a function of their place (``n3``), as ``sample`` of a distribution wants.

        >>> draws = Draws(1)
        >>> draws.row(Purpose.PART_TIME, 5, 2)(3) == draws.uniform(Purpose.PART_TIME, 5, 2, 0, 3)
        True
        """
        uniform = self.uniform
        return lambda place: uniform(purpose, entity, n1, n2, place)


def entity_key(*parts: str | int) -> int:
    """Make the 64-bit key of an entity from what names it; equal parts make equal keys, in any process.

    Each part goes in with its type and its length, so that ("a", "bc") and ("ab", "c"), or 1 and "1", differ.

    >>> entity_key("plate-copy", 17) == entity_key("plate-copy", 17)
    True
    >>> entity_key("plate-copy", 1, 7) == entity_key("plate-copy", 17)
    False
    """
    return Entities().key(*parts)


class Entities:
    """Makes the keys of entities that begin alike, faster than one by one.

    >>> Entities("plate-copy").key(17) == entity_key("plate-copy", 17)
    True
    """

    __slots__ = ("_copy", "_state")

    def __init__(self, *parts: str | int) -> None:
        self._state = blake2b(digest_size=8, person=b"entity key")
        self._add(self._state, parts)
        self._copy = self._state.copy

    def key(self, *parts: str | int) -> int:
        """Make the key of what these parts name, after those that all have alike."""
        state = self._state.copy()
        self._add(state, parts)
        return int.from_bytes(state.digest(), "little")

    def numbered(self, number: int) -> int:
        """Give ``key(number, 0)``, for a number from 0 on; in fewer steps.

        >>> jobs = Entities("job", "plates"); jobs.numbered(300) == jobs.key(300, 0)
        True
        """
        size = number.bit_length() // 8 + 1
        state = self._copy()
        state.update(_HEADS[size] + number.to_bytes(size, "little") + _ZERO)
        return _number(state.digest(), "little")

    @staticmethod
    def _add(state: blake2b, parts: tuple[str | int, ...]) -> None:
        for part in parts:
            if isinstance(part, str):
                kind, data = b"s", part.encode("utf-8", "surrogatepass")
            else:
                kind, data = b"i", part.to_bytes(part.bit_length() // 8 + 1, "little", signed=True)
            state.update(kind + len(data).to_bytes(8, "little") + data)
