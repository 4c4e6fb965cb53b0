"""Refuses an argument of the loop that is not of the kind it has to be."""

from typing import Final

__all__ = ["NUMBER", "must_be"]

NUMBER: Final = (int, float)


def must_be(kinds: type | tuple[type, ...], instead: str, **given: object) -> None:
    """Refuse an argument that is of none of these kinds; True and False are no numbers.

    Args:
        kinds: those that it may be of.
        instead: what to give, as the error says it.
        given: the argument, by its name.

    Raises:
        ValueError: with its name, its value and what to give.

    >>> must_be(int, "a whole number", turns="many")
    Traceback (most recent call last):
    ...
    ValueError: turns='many': give a whole number
    """
    for name, value in given.items():
        if not isinstance(value, kinds) or (isinstance(value, bool) and kinds is not bool):
            raise ValueError(f"{name}={value!r}: give {instead}")
