"""What is the value of a function to fifty digits and more, the same on every machine?

The law: only ``decimal``, whose exp, ln, sqrt and division are correctly rounded by its specification (its power is
not, and is not used). Slow, some 10 us to 10 ms a call: ``numerics`` comes here only when floats cannot decide, and
distributions when they are built. Call these inside ``with exactly():``, which also keeps a caller's own decimal
settings out.
"""

from contextlib import AbstractContextManager
from decimal import (
    ROUND_HALF_EVEN,
    Context,
    Decimal,
    DivisionByZero,
    InvalidOperation,
    Overflow,
    localcontext,
)
from typing import Final

__all__ = ["HALF", "exactly", "gamma_cdf", "gamma_function", "hazard", "normal_cdf"]

_DIGITS: Final = 60
_NEGLIGIBLE: Final = Decimal("1e-65")
_FAR: Final = Decimal(12)
_LARGE: Final = Decimal(180)

HALF: Final = Decimal("0.5")
_TWO_PI: Final = Decimal("6.2831853071795864769252867665590057683943387987502116419498891846")
"""A test computes it anew. Constants are written out: arithmetic here would run in the importer's decimal context."""


def exactly() -> AbstractContextManager[Context]:
    """Open a context of sixty digits that depends on no setting of the process."""
    return localcontext(
        Context(
            prec=_DIGITS,
            rounding=ROUND_HALF_EVEN,
            Emin=-999_999,
            Emax=999_999,
            capitals=1,
            clamp=0,
            flags=[],
            traps=[DivisionByZero, InvalidOperation, Overflow],
        )
    )


def hazard(u: float) -> Decimal:
    """Give -ln(1 - u), how far an exponential of mean 1 has come at the share u."""
    return -(1 - Decimal(u)).ln()


def normal_cdf(z: Decimal) -> Decimal:
    """Give the share of the standard normal below z, to an absolute 1e-55; beyond 12 deviations it is 0 or 1.

    The series is 1/2 + density(z) * (z + z^3/3 + z^5/(3*5) + ...): all terms of one sign, nothing cancels.
    """
    if abs(z) > _FAR:  # 1e-33 is left there, far below the smallest uniform
        return Decimal(int(z > 0))
    square = z * z
    term = total = z
    odd = 1
    while abs(term) > _NEGLIGIBLE:
        odd += 2
        term = term * square / odd
        total += term
    return HALF + total * (-square / 2).exp() / _TWO_PI.sqrt()


def _lower_gamma(shape: Decimal, x: Decimal) -> Decimal:
    """Give the integral of t^(shape-1) exp(-t) from 0 to x > 0, by its series of positive terms."""
    term = total = 1 / shape
    below = shape
    while term > total * _NEGLIGIBLE:
        below += 1
        term = term * x / below
        total += term
    return total * (shape * x.ln() - x).exp()


def gamma_function(shape: Decimal) -> Decimal:
    """Give the gamma function of a number above 0, to a relative 1e-50 up to 10,000.

    >>> with exactly():
    ...     print(round(gamma_function(Decimal(5)), 40))
    24.0000000000000000000000000000000000000000
    """
    factor = Decimal(1)
    while shape >= 2:
        shape -= 1
        factor *= shape
    while shape < 1:
        factor /= shape
        shape += 1
    return factor * _lower_gamma(shape, _LARGE)  # above 180 only 1e-76 is left of it


def gamma_cdf(shape: Decimal, x: Decimal, whole_gamma: Decimal) -> Decimal:
    """Give the share of the gamma distribution of scale 1 below x > 0; ``whole_gamma`` is gamma_function(shape)."""
    return _lower_gamma(shape, x) / whole_gamma
