"""Loads the laws and tests of statistics from scipy, only when asked."""

from typing import Any

from emulator.errors import InputError

__all__ = ["check_installed", "special", "stats"]


def stats() -> Any:
    """Give ``scipy.stats``.

    Raises:
        InputError: scipy is not installed.
    """
    check_installed()
    import scipy.stats  # type: ignore[import-untyped]  # it ships no types

    return scipy.stats


def special() -> Any:
    """Give ``scipy.special``; see :func:`stats`."""
    check_installed()
    import scipy.special  # type: ignore[import-untyped]

    return scipy.special


def check_installed() -> None:
    """Make sure that numpy and scipy are there, before a long read and not after it.

    Raises:
        InputError: one of them is not installed.
    """
    try:
        import numpy as np  # noqa: F401
        import scipy  # noqa: F401
    except ImportError as error:
        raise InputError(
            "learning from past jobs needs numpy and scipy, which are not installed: "
            "python -m pip install '.[stats]' in the folder of queuedrill"
        ) from error
