"""Fits the share of nights that meet a requirement as something grows, and finds where it falls too low.

The share is fitted smoothly and not as monotone: a queue that is full refuses jobs, and figures get better. The fit is
a penalised logistic regression on cubic B-splines with a penalty on second differences (P-splines: Eilers and Marx,
Statistical Science 11, 1996; from memory). How smooth it is, is chosen by the marginal likelihood in Laplace's
approximation. With so strong a penalty that it cannot bend it is the usual logistic curve.

What is not ruled out at a place is found by the likelihood ratio: the fit is held at the asked share there, and what
that costs is compared with the quantile of a chi-squared with one degree of freedom (Wilks 1938; from memory). Standard
errors would not do: where every night met the requirement they have no bound. The first place that is not clearly above
the share, and the first that is clearly below, are the ends of the interval of the first crossing, each end for itself.

The whole range is fitted first, then the part of it around the crossing, up to where everything is clear on both sides:
there the fit may bend as it does there.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from emulator.measure.comparison.intervals import normal_quantile

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Crossing", "Played", "ShareCurve", "ShareFit", "fit_share", "share_curve"]

_SEGMENTS: Final = 10
_WEAK: Final = 1e-3
"""The precision of what the penalty leaves free: a logit of 30 is as likely as 3, so it takes no part."""
_SMOOTH: Final = tuple(10.0**power for power in (-1, -0.5, 0, 0.5, 1, 1.5, 2, 3, 4, 6))
_FIRM: Final = 1e7
_STEPS: Final = 60
_COARSE: Final = 40
_OPEN: Final = 1.96
_CLEAR: Final = 3.0
"""Roots of the ratio: below the first a place is open, from the second on nothing is."""
_FEWEST: Final = 60
_LARGEST: Final = 30.0


class Played(NamedTuple):
    """Nights at one place: in how many of those that were judged the requirement was met."""

    at: float
    held: int
    judged: int


class Crossing(NamedTuple):
    """Places where a share falls below what is asked; each None where that does not happen.

    Attributes:
        first: the first at which the fitted share is below.
        low: the first at which it is not clearly above.
        high: the first at which it is clearly below.
    """

    first: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class ShareFit:
    """A fitted share over places from ``low`` to ``high``; made by ``fit_share``."""

    low: float
    high: float
    _points: "tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]"
    _penalty: "NDArray[np.float64]"
    _beta: "NDArray[np.float64]"
    _best: float

    def share(self, at: float) -> float:
        """Give the fitted share at a place."""
        return 1 / (1 + math.exp(-self._logit(at)))

    def _logit(self, at: float) -> float:
        row = _basis([at], self.low, self.high)[0]
        return max(-_LARGEST, min(_LARGEST, float(row @ self._beta)))

    def root(self, at: float, share: float) -> float:
        """Give the signed root of the likelihood ratio of a share at a place: above 0 where the fit is higher.

        Args:
            at: the place.
            share: above 0 and below 1.
        """
        wanted = math.log(share / (1 - share))
        row = _basis([at], self.low, self.high)[0]
        _, held = _fitted(self._points, self._penalty, self._beta, (row, wanted))
        ratio = max(0.0, 2 * (self._best - held))
        return math.copysign(math.sqrt(ratio), self._logit(at) - wanted)


@dataclass(frozen=True, slots=True)
class ShareCurve:
    """A share over places, fitted in the whole range, and more closely where it crosses; made by ``share_curve``."""

    _asked: float
    _whole: ShareFit
    _closer: ShareFit | None

    def _fit(self, at: float) -> ShareFit:
        return self._closer if self._closer is not None and self._closer.low <= at <= self._closer.high else self._whole

    def share(self, at: float) -> float:
        """Give the fitted share at a place."""
        return self._fit(at).share(at)

    def root(self, at: float) -> float:
        """Give how clearly the share is above what is asked at a place, or below (less than 0); see ``ShareFit``."""
        return self._fit(at).root(at, self._asked)

    def crossing(self, places: Sequence[float], confidence: float) -> Crossing:
        """Find where the share first falls below what is asked, among some places.

        Args:
            places: those that are looked at, in order.
            confidence: of the interval.
        """
        quantile = normal_quantile(1 - (1 - confidence) / 2)
        roots: dict[int, float] = {}

        def root(place: int) -> float:
            if place not in roots:
                roots[place] = self.root(places[place])
            return roots[place]

        def first_below(bound: float) -> float | None:
            """Look at some places, then at all between two of which the second is below the bound."""
            coarse = sorted({*range(0, len(places), max(1, len(places) // _COARSE)), len(places) - 1})
            for before, after in zip([-1, *coarse], coarse, strict=False):
                if root(after) < bound:
                    low, high = before, after  # at `low` it is not below, as far as was looked
                    while high - low > 1:
                        middle = (low + high) // 2
                        low, high = (low, middle) if root(middle) < bound else (middle, high)
                    return float(places[high])
            return None

        if not places:
            return Crossing(None, None, None)
        return Crossing(first_below(0.0), first_below(quantile), first_below(-quantile))


def fit_share(played: Sequence[Played], low: float, high: float) -> ShareFit:
    """Fit the share to nights.

    Args:
        played: nights by place; several entries of one place are added up. At least one night was judged.
        low, high: the places between which the fit holds, ``low`` below ``high``.

    >>> round(fit_share([Played(at, 20 - 2 * at, 20) for at in range(11)], 0, 10).share(5), 2)
    0.5
    """
    import numpy as np

    together: dict[float, tuple[int, int]] = {}
    for one in played:
        held, judged = together.get(one.at, (0, 0))
        together[one.at] = (held + one.held, judged + one.judged)
    places = sorted(at for at, (_, judged) in together.items() if judged)
    rows = _basis(places, low, high)
    counts = np.array([together[at] for at in places], dtype=float).reshape(-1, 2)
    points = (rows, counts[:, 0], counts[:, 1])
    size = rows.shape[1]
    bends = np.diff(np.eye(size), n=2, axis=0)
    best = None
    for smooth in _SMOOTH:
        penalty = smooth * bends.T @ bends + _WEAK * np.eye(size)
        beta, reached = _fitted(points, penalty, np.zeros(size))
        weights = _weights(points, beta)
        sign, inner = np.linalg.slogdet(points[0].T @ (points[0] * weights[:, None]) + penalty)
        evidence = reached + 0.5 * float(np.linalg.slogdet(penalty)[1]) - 0.5 * float(sign * inner)
        if best is None or evidence > best[0]:
            best = (evidence, penalty, beta, reached)
    assert best is not None
    return ShareFit(low, high, points, *best[1:])


def share_curve(played: Sequence[Played], low: float, high: float, asked: float) -> ShareCurve:
    """Fit the share to nights: in the whole range, then in the part of it that begins and ends where all is clear.

    Args:
        played, low, high: as ``fit_share`` takes them.
        asked: the share that is asked for, above 0 and below 1.

    >>> curve = share_curve([Played(at, 20 - 2 * at, 20) for at in range(11)], 0, 10, 0.65)
    >>> round(curve.share(5), 2), curve.crossing([float(at) for at in range(11)], 0.95).first
    (0.5, 4.0)
    """
    whole = fit_share(played, low, high)
    places = [low + (high - low) * number / _COARSE for number in range(_COARSE + 1)]
    roots = [whole.root(at, asked) for at in places]
    begin = next((number for number, root in enumerate(roots) if root < _OPEN), None)
    if begin is None:
        return ShareCurve(asked, whole, None)
    end = next((number for number, root in enumerate(roots) if root < -_OPEN), _COARSE)
    near = max((number for number in range(begin) if roots[number] >= _CLEAR), default=0)
    far = min((number for number in range(end, _COARSE + 1) if roots[number] <= -_CLEAR), default=_COARSE)
    wide = far - near  # a window without room beside it would be fitted without the nights that make its ends clear
    near, far = max(0, near - wide), min(_COARSE, far + wide)
    close = [one for one in played if places[near] <= one.at <= places[far]]
    if far <= near or (near, far) == (0, _COARSE) or sum(one.judged for one in close) < _FEWEST:
        return ShareCurve(asked, whole, None)
    return ShareCurve(asked, whole, fit_share(close, places[near], places[far]))


def _basis(places: Sequence[float], low: float, high: float) -> "NDArray[np.float64]":
    """Give the cubic B-splines on even knots at some places, a row each."""
    import numpy as np

    scaled = [min(max((at - low) / (high - low), 0.0), 1.0) * _SEGMENTS for at in places]
    rows = np.zeros((len(places), _SEGMENTS + 3))
    for row, at in zip(rows, scaled, strict=True):
        segment = min(int(at), _SEGMENTS - 1)
        u = at - segment
        row[segment : segment + 4] = (
            (1 - u) ** 3 / 6,
            (3 * u**3 - 6 * u**2 + 4) / 6,
            (-3 * u**3 + 3 * u**2 + 3 * u + 1) / 6,
            u**3 / 6,
        )
    return rows


def _weights(points: Any, beta: Any) -> Any:
    import numpy as np

    rows, _, judged = points
    share = 1 / (1 + np.exp(-np.clip(rows @ beta, -_LARGEST, _LARGEST)))
    return judged * share * (1 - share)


def _fitted(points: Any, penalty: Any, begin: Any, hold: "tuple[Any, float] | None" = None) -> tuple[Any, float]:
    """Give the coefficients that fit best, and the penalised log-likelihood that they reach, by Newton's steps.

    ``hold``: a row and the logit at which it is held.
    """
    import numpy as np

    rows, held, judged = points

    def reached(beta: Any) -> float:
        logit = rows @ beta
        likelihood = held @ logit - judged @ np.logaddexp(0.0, logit)
        return float(likelihood - 0.5 * beta @ penalty @ beta)

    def aimed(beta: Any) -> float:
        return reached(beta) - (0.0 if hold is None else 0.5 * _FIRM * (float(hold[0] @ beta) - hold[1]) ** 2)

    beta, now = begin, aimed(begin)
    for _ in range(_STEPS):
        logit = rows @ beta
        share = 1 / (1 + np.exp(-np.clip(logit, -500, 500)))
        slope = rows.T @ (held - judged * share) - penalty @ beta
        curve = rows.T @ (rows * (judged * share * (1 - share))[:, None]) + penalty
        if hold is not None:
            slope = slope - _FIRM * (float(hold[0] @ beta) - hold[1]) * hold[0]
            curve = curve + _FIRM * np.outer(hold[0], hold[0])
        step = np.linalg.solve(curve, slope)
        size = 1.0
        while size > 1e-6 and aimed(beta + size * step) < now:  # a step too far is halved
            size /= 2
        beta = beta + size * step
        before, now = now, aimed(beta)
        if now - before < 1e-9:
            break
    return beta, reached(beta)
