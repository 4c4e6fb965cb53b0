"""Has a worker what a job requires? Equipment may carry a version, and a requirement the lowest version that will do.

``tape`` and ``tape 2.1`` are equipment, ``tape`` and ``tape>=2.1`` are requirements. Versions are whole numbers parted
by dots and compared number by number, a missing one counting as 0: 2.10 is above 2.9, and 2 is 2.0.
"""

import re
from collections.abc import Iterable
from typing import Final

__all__ = ["Offer", "equipment_of", "meets", "read_equipment", "read_requirement", "slots_of"]

Offer = frozenset[str] | tuple[frozenset[str], int]
"""What a worker offers a job: its equipment, with the number of its free slots where that is not 1."""

Version = tuple[int, ...]

_VERSION: Final = re.compile(r"\d+(?:\.\d+)*", re.ASCII)


def _version(text: str) -> Version:
    """Turn ``2.1.0`` into (2, 1): zeros at the end say nothing."""
    numbers = [int(number) for number in text.split(".")]
    while numbers and not numbers[-1]:
        numbers.pop()
    return tuple(numbers)


def read_equipment(item: str) -> tuple[str, Version | None]:
    """Split a piece of equipment into its name and version, None if it carries none.

    >>> read_equipment("tape 2.1"), read_equipment("wide bay")
    (('tape', (2, 1)), ('wide bay', None))
    """
    name, blank, rest = item.rpartition(" ")
    if blank and name.strip() and _VERSION.fullmatch(rest):
        return name.strip(), _version(rest)
    return item, None


def read_requirement(requirement: str) -> tuple[str, Version | None]:
    """Split a requirement into the name and the lowest version that will do, None if any will.

    >>> read_requirement("tape>=2.1"), read_requirement("tape")
    (('tape', (2, 1)), ('tape', None))
    """
    name, sign, rest = requirement.partition(">=")
    if sign and name.strip() and _VERSION.fullmatch(rest.strip()):
        return name.strip(), _version(rest.strip())
    return requirement, None


def equipment_of(offer: Offer) -> frozenset[str]:
    """Give the equipment of an offer."""
    return offer[0] if isinstance(offer, tuple) else offer


def slots_of(offer: Offer) -> int:
    """Give the number of free slots of an offer.

    >>> slots_of(frozenset()), slots_of((frozenset(), 3))
    (1, 3)
    """
    return offer[1] if isinstance(offer, tuple) else 1


def meets(requires: Iterable[str], equipment: Iterable[str]) -> bool:
    """Say whether the equipment has every requirement. Equipment without a version meets none that names one.

    >>> meets(["tape>=2.9"], ["tape 2.10"]), meets(["tape>=2"], ["tape"])
    (True, False)
    """
    has: dict[str, list[Version | None]] = {}
    for item in equipment:
        name, version = read_equipment(item)
        has.setdefault(name, []).append(version)
        if version is not None:
            has.setdefault(item, []).append(None)  # a requirement may also name the item as it stands
    for requirement in requires:
        name, lowest = read_requirement(requirement)
        versions = has.get(name)
        if versions is None:
            return False
        if lowest is not None and not any(version is not None and version >= lowest for version in versions):
            return False
    return True
