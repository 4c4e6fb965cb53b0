"""Variants that others dominate: no better on either of two figures, and worse on one.

By the means over nights, which are estimates: the intervals of the differences say how sure they are. A mean that is
only a lower bound can be beaten by a figure that is better than the bound, and never beats by being low itself. A
variant that fails jobs early may be good on both: the share of jobs done stands with each point, and decides nothing.
"""

from collections.abc import Sequence
from typing import Final

from emulator.errors import InputError
from emulator.measure.comparison.result import Spread, TradePoint
from emulator.measure.comparison.wanted import Wanted

__all__ = ["DEFAULT", "DONE", "check_directions", "trade_points"]

DEFAULT: Final = ("makespan", "wasted_work")
"""The two figures of the trade-off when none are named."""

DONE: Final = "done_share"
"""The figure that is told beside the two, whichever they are."""


def check_directions(across: Wanted, up: Wanted) -> None:
    """Make sure that of both figures one side is better.

    Raises:
        InputError: when of one neither is.
    """
    for figure in (across, up):
        if not figure.measure.better:
            raise InputError(f"{figure.text} cannot be traded off: neither more nor less of it is better")


def trade_points(
    across: Sequence[Spread], up: Sequence[Spread], better: tuple[str, str], done: Sequence[float | None]
) -> tuple[TradePoint, ...]:
    """Give one point for each variant, from the spreads of two figures in the same order of variants.

    Args:
        across: the first figure, of each variant.
        up: the second.
        better: for each of the two, ``lower`` or ``higher``.
        done: the mean share of jobs done of each variant.
    """
    pairs = list(zip(across, up, strict=True))
    return tuple(
        TradePoint(
            one.variant,
            one.mean,
            other.mean,
            tuple(rival[0].variant for rival in pairs if _beats(rival, (one, other), better)),
            one.more_than > 0,
            other.more_than > 0,
            share,
        )
        for (one, other), share in zip(pairs, done, strict=True)
    )


def _beats(rival: tuple[Spread, Spread], point: tuple[Spread, Spread], better: tuple[str, str]) -> bool:
    ahead = [_ahead(*sides) for sides in zip(rival, point, better, strict=True)]
    return all(one is not None and one >= 0 for one in ahead) and any(one is not None and one > 0 for one in ahead)


def _ahead(rival: Spread, point: Spread, better: str) -> float | None:
    """Say by how much a rival is ahead, at the least; None when that is not known."""
    if rival.mean is None or point.mean is None:
        return None
    if better == "lower":
        return None if rival.more_than else point.mean - rival.mean
    return None if point.more_than else rival.mean - point.mean
