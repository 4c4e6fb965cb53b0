"""Turns a uniform into a whole number of ticks that is the same on every machine.

The law: + - * / and sqrt of floats are the same everywhere (IEEE 754), the C library's exp, log, log1p and pow are not;
their last bits differ between libraries and versions. So nothing here is "the float, rounded". The result is, by
definition, the exact quantile of the stated parameters, rounded to the nearest whole number (halves up):

1. a float comes with a bound on its error, in which the C library may be wrong by eight units in the last place
   (good ones err by less than one);
2. if every number within the bound rounds to the same tick, that is the tick;
3. if not, which is rare, sixty digits decide on which side of the half the quantile lies.

Gamma has no closed form; there the question of step 3, "does the quantile reach tick n?", is "is the share below
n - 1/2 at most u?", asked in floats first, again with a bound on the error, and the inversion only guesses where to
ask. Every use of the C library is in this file, under the names imported here: a test bends them.

Tried and dropped: rounding to multiples coarser than a tick (moves the ties, does not remove them); hoping that
doubles are "good enough" (they part about once in 10^5 draws of an hour).

What decides exactly uses only ``decimal``, whose exp, ln, sqrt and division are correctly rounded by its specification
(its power is not, and is not used). It is slow, some 10 us to 10 ms a call. Call it inside ``with exactly():``, which
also keeps a caller's own decimal settings out.
"""

from collections.abc import Callable, Sequence
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
from fractions import Fraction
from math import exp, floor, fsum, log, log1p, pow, sqrt
from typing import Final

__all__ = [
    "HALF",
    "LONGEST",
    "erlang",
    "exactly",
    "exponential",
    "gamma",
    "gamma_cdf",
    "gamma_function",
    "geometric",
    "hazard",
    "lognormal",
    "normal_cdf",
    "normal_quantile",
    "weibull",
    "whole",
]

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


LONGEST: Final = 2**52
"""The longest duration that a draw gives, in ticks: some 142 years; what would be longer is cut to it."""

_LIBM: Final = 2.0**-49
_FOUR_LIBM: Final = 4 * _LIBM
"""How far a result of the C library may be off, relative: eight units in the last place."""

_MANTISSA: Final = 2.0**53


def whole(u: float, low: int, high: int) -> int:
    """Give a whole number from low to high, both included, each as likely as any other; exact.

    >>> [whole(u, 1, 3) for u in (0.0, 0.4, 0.999)]
    [1, 2, 3]
    """
    return low + (int(u * _MANTISSA) * (high - low + 1) >> 53)


def _climb(guess: int, reaches: Callable[[int], bool]) -> int:
    """Give the largest n that is reached, given that 0 is and that what reaches n reaches every lower number."""
    step = 1
    if guess <= 0 or reaches(guess):
        low = max(guess, 0)
        while reaches(low + step):
            low += step
            step += step
        high = low + step
    else:
        high = guess
        while high > step and not reaches(high - step):
            high -= step
            step += step
        low = max(high - step, 0)
    while high - low > 1:
        middle = (low + high) // 2
        if reaches(middle):
            low = middle
        else:
            high = middle
    return low


def _settle(value: float, error: float, reaches: Callable[[int], bool]) -> int:
    """Round a value that is known up to an error; ``reaches(n)`` tells exactly whether it is n - 1/2 or more."""
    tick = floor(value - error + 0.5)
    if tick >= LONGEST:
        return LONGEST
    if tick == floor(value + error + 0.5):
        return tick
    with exactly():
        return min(_climb(tick, reaches), LONGEST)


def geometric(u: float, p: float) -> int:
    """Give how many successes come before the first loss, when each of a row is lost with the share p.

    Raises:
        ValueError: unless 0 < p <= 1.

    >>> [geometric(u, 0.5) for u in (0.0, 0.5, 0.75, 0.8749)]
    [0, 1, 2, 2]
    """
    if not 0 < p <= 1:
        raise ValueError(f"the share of losses {p} is out of range: give more than 0, at most 1")
    if p == 1:
        return 0

    def reaches(n: int) -> bool:  # the share of more than n in a row, (1-p)^n, is not below 1-u
        if n <= 53:  # only here can the two be equal: beyond, the power has more than 53 binary digits
            return 1 - Fraction(u) <= (1 - Fraction(p)) ** n
        return hazard(u) >= n * hazard(p)

    value = log1p(-u) / log1p(-p)
    return _settle(value - 0.5, (value + 1) * 4 * _LIBM, reaches)


def exponential(u: float, mean_ticks: int) -> int:
    """Give the exponential of a mean, in ticks.

    >>> exponential(0.5, 60_000_000)
    41588831
    """
    shifted = 0.5 - mean_ticks * log1p(-u)
    tick = int(shifted)
    error = shifted * _FOUR_LIBM
    if error < shifted - tick < 1.0 - error and tick < LONGEST:  # nearly always: a half is farther off than the error
        return tick
    return _settle_exponential(u, mean_ticks, error)


def _settle_exponential(u: float, mean_ticks: int, error: float) -> int:
    return _settle(-mean_ticks * log1p(-u), error, lambda n: mean_ticks * hazard(u) >= n - HALF)


def erlang(uniforms: Sequence[float], mean_ticks: int) -> int:
    """Give the sum of as many exponentials as there are uniforms; the mean is that of the sum, in ticks."""

    def reaches(n: int) -> bool:
        survival = Decimal(1)
        for u in uniforms:
            survival *= 1 - Decimal(u)
        return -mean_ticks * survival.ln() >= len(uniforms) * (n - HALF)

    value = -mean_ticks * fsum([log1p(-u) for u in uniforms]) / len(uniforms)
    return _settle(value, value * 2 * _LIBM, reaches)


def weibull(u: float, shape: float, scale: float, exact_scale: Decimal) -> int:
    """Give the Weibull of a shape (0.01 or more) and a scale in ticks, as the nearest float and exactly.

    The bound: pow is off by _LIBM; the rounding of 1/shape and the error of the log act through the exponent, where
    |log of the hazard| is at most 37 for any uniform.
    """
    if u == 0:
        return 0

    def reaches(n: int) -> bool:
        return Decimal(shape) * ((n - HALF) / exact_scale).ln() <= hazard(u).ln()

    power = 1 / shape
    value = scale * pow(-log1p(-u), power)
    return _settle(value, value * (2 + 8 * power) * _LIBM, reaches)


def lognormal(u: float, median: float, spread: float, exact_median: Decimal, exact_spread: Decimal) -> int:
    """Give the lognormal of a median in ticks and a spread (the deviation of its log), as floats and exactly.

    The bound: the exponent spread * z is off by a relative 2**-45, which is more than both of its factors can be
    (a test holds the normal quantile to it), and exp by _LIBM.
    """
    if u == 0:
        return 0

    def reaches(n: int) -> bool:
        return normal_cdf(((n - HALF) / exact_median).ln() / exact_spread) <= Decimal(u)

    exponent = spread * normal_quantile(u)
    value = median * exp(exponent)
    return _settle(value, value * (2 + 16 * abs(exponent)) * _LIBM, reaches)


def gamma(u: float, shape: float, mean_ticks: int, crest: float, whole_gamma: Decimal) -> int:
    """Give the gamma of a shape (0.01 to 10,000) and a mean in ticks.

    Args:
        u: the uniform.
        shape: the shape a; the scale is mean / a.
        mean_ticks: the mean.
        crest: a^a exp(-a) / gamma_function(a + 1), the nearest float.
        whole_gamma: gamma_function(a).
    """
    if u == 0:
        return 0

    def reaches(n: int) -> bool:
        share, _, error = _gamma_share(n - 0.5, shape, mean_ticks, crest)
        if abs(share - u) > error:
            return share < u
        with exactly():
            x = (n - HALF) / mean_ticks * Decimal(shape)
            return gamma_cdf(Decimal(shape), x, whole_gamma) <= Decimal(u)

    return min(_climb(_guess_gamma(u, shape, mean_ticks, crest), reaches), LONGEST)


def _gamma_share(ticks: float, shape: float, mean: int, crest: float) -> tuple[float, float, float]:
    """Give the share of the gamma distribution below a time above 0, its slope by log time, and the share's error.

    With t = time / mean and x = a t, the share is crest * exp(-a (t - 1 - log t)) * (1 + x/(a+1) + x^2/((a+1)(a+2))
    + ...). Written so, nothing large cancels: what the exponent's parts can be off by is a (|t - 1| + |log t|)
    times _LIBM, and each term of the sum adds at most some units in the last place.
    """
    t = ticks / mean
    away = (ticks - mean) / mean
    log_t = log1p(away) if t > 0.5 else log(t)
    slope = shape * crest * exp(-shape * (away - log_t))
    x, below = shape * t, shape
    total = term = 1.0
    terms = 0
    while term > total * 1e-18:
        below += 1.0
        term *= x / below
        total += term
        terms += 1
    share = slope / shape * total
    return share, slope, share * _LIBM * (4 + 2 * shape * (abs(away) + abs(log_t)) + terms)


def _guess_gamma(u: float, shape: float, mean: int, crest: float) -> int:
    """Guess the tick of the gamma quantile; usually right, and a wrong guess costs time only.

    Starts from the cube rule of Wilson and Hilferty (1931), or for shapes up to 1 from the power law near 0 and the
    exponential tail, and improves that by Halley's rule on the logarithm of the time.
    """
    if shape > 1:
        ninth = 1 / (9 * shape)
        t = pow(max(1 - ninth + normal_quantile(u) * sqrt(ninth), 0.01), 3.0)
    else:
        near = 1 - shape * (0.253 + 0.12 * shape)
        t = (pow(u / near, 1 / shape) if u < near else 1 - log((1 - u) / (1 - near))) / shape
    step, rounds = 1.0, 0
    while abs(step) > 1e-5 and rounds < 20:
        rounds += 1
        if t * mean < 0.25:
            return 0
        share, slope, error = _gamma_share(t * mean, shape, mean, crest)
        if slope == 0 or abs(share - u) <= error:  # floats have no more to say
            break
        newton = (share - u) / slope
        step = newton / (1 - 0.5 * max(-1.0, min(1.0, newton * shape * (1 - t))))
        t *= exp(-max(-1.0, min(1.0, step)))
    return floor(t * mean + 0.5)


def normal_quantile(p: float) -> float:
    """Give the standard normal quantile of a share 0 < p < 1, to a relative 2**-46 and better.

    Rational approximations of Wichura, Algorithm AS 241 (PPND16), Applied Statistics 37 (1988) 477-484; only
    + - * / and sqrt, and a log beyond the middle 85 %.

    >>> round(normal_quantile(0.95), 12)
    1.644853626951
    """
    q = p - 0.5
    if abs(q) <= 0.425:
        r = 0.180625 - q * q
        return q * _ratio(_MIDDLE, r)
    r = sqrt(-log(p if q < 0 else 1 - p))
    z = _ratio(_SIDE, r - 1.6) if r <= 5 else _ratio(_TAIL, r - 5)
    return -z if q < 0 else z


def _ratio(coefficients: tuple[tuple[float, float], ...], r: float) -> float:
    """Give the ratio of two polynomials whose coefficients stand side by side, highest power first."""
    above = below = 0.0
    for a, b in coefficients:
        above = above * r + a
        below = below * r + b
    return above / below


_MIDDLE: Final = (
    (2.5090809287301226727e3, 5.2264952788528545610e3),
    (3.3430575583588128105e4, 2.8729085735721942674e4),
    (6.7265770927008700853e4, 3.9307895800092710610e4),
    (4.5921953931549871457e4, 2.1213794301586595867e4),
    (1.3731693765509461125e4, 5.3941960214247511077e3),
    (1.9715909503065514427e3, 6.8718700749205790830e2),
    (1.3314166789178437745e2, 4.2313330701600911252e1),
    (3.3871328727963666080e0, 1.0),
)
_SIDE: Final = (
    (7.74545014278341407640e-4, 1.05075007164441684324e-9),
    (2.27238449892691845833e-2, 5.47593808499534494600e-4),
    (2.41780725177450611770e-1, 1.51986665636164571966e-2),
    (1.27045825245236838258e0, 1.48103976427480074590e-1),
    (3.64784832476320460504e0, 6.89767334985100004550e-1),
    (5.76949722146069140550e0, 1.67638483018380384940e0),
    (4.63033784615654529590e0, 2.05319162663775882187e0),
    (1.42343711074968357734e0, 1.0),
)
_TAIL: Final = (
    (2.01033439929228813265e-7, 2.04426310338993978564e-15),
    (2.71155556874348757815e-5, 1.42151175831644588870e-7),
    (1.24266094738807843860e-3, 1.84631831751005468180e-5),
    (2.65321895265761230930e-2, 7.86869131145613259100e-4),
    (2.96560571828504891230e-1, 1.48753612908506148525e-2),
    (1.78482653991729133580e0, 1.36929880922735805310e-1),
    (5.46378491116411436990e0, 5.99832206555887937690e-1),
    (6.65790464350110377720e0, 1.0),
)
