"""Where do the quantiles of Student, binomial and beta distributions come from? From scipy, loaded only when asked.

The law: no other module of the program imports scipy. Numerical code of our own for such tables is not wanted.
"""

from importlib.util import find_spec
from math import isnan
from typing import Any, Final

from emulator.errors import InputError

__all__ = [
    "beta_quantile",
    "binomial_cdf",
    "check_scipy",
    "load_scipy",
    "normal_quantile",
    "scipy_version",
    "student_cdf",
    "student_power",
    "student_quantile",
]


_MISSING: Final = (
    "intervals need scipy, which is not installed: python -m pip install '.[stats]' in the folder of queuedrill"
)


def _scipy() -> Any:
    try:
        import scipy  # type: ignore[import-untyped]  # it ships no types
        import scipy.special  # type: ignore[import-untyped]
    except ImportError:
        raise InputError(_MISSING) from None
    return scipy


def check_scipy() -> None:
    """Make sure that scipy is there, without loading it: who needs intervals at the end asks before any night is run.

    Raises:
        InputError: when it is not installed.
    """
    if find_spec("scipy") is None:
        raise InputError(_MISSING)


def load_scipy() -> None:
    """Load scipy, which takes as long as a hundred short nights: while other processes run them, it costs nothing.

    Raises:
        InputError: when it cannot be loaded.
    """
    _scipy()


def scipy_version() -> str:
    """Give the version of scipy, which results record.

    Raises:
        InputError: when scipy is not installed; so does every other function here.
    """
    return str(_scipy().__version__)


def student_quantile(share: float, degrees: float) -> float:
    """Give the value that Student's t with so many degrees of freedom does not exceed with probability ``share``.

    >>> round(student_quantile(0.975, 9), 4)
    2.2622
    """
    return float(_scipy().special.stdtrit(degrees, share))


def student_cdf(value: float, degrees: float) -> float:
    """Give the probability that Student's t with so many degrees of freedom is at most ``value``."""
    return float(_scipy().special.stdtr(degrees, value))


def student_power(critical: float, degrees: float, shift: float) -> float:
    """Give the probability that a noncentral t is above ``critical`` or below ``-critical``; ``shift`` is not negative.

    >>> student_power(2.2622, 9, 0.0) < 0.051
    True
    """
    special = _scipy().special

    def below(value: float) -> float:
        found = float(special.nctdtr(degrees, shift, value))
        return 0.0 if isnan(found) else found  # scipy gives no number where it is far below 1e-15

    return 1 - below(critical) + below(-critical)


def normal_quantile(share: float) -> float:
    """Give the value that a standard normal variable does not exceed with probability ``share``."""
    return float(_scipy().special.ndtri(share))


def beta_quantile(share: float, a: float, b: float) -> float:
    """Give the value that a beta variable does not exceed with probability ``share``."""
    return float(_scipy().special.betaincinv(a, b, share))


def binomial_cdf(successes: int, trials: int, share: float) -> float:
    """Give the probability of at most so many successes (0 for fewer than none) in independent trials.

    >>> binomial_cdf(-1, 2, 0.5), binomial_cdf(1, 2, 0.5), binomial_cdf(2, 2, 0.5)
    (0.0, 0.75, 1.0)
    """
    return 0.0 if successes < 0 else float(_scipy().special.bdtr(successes, trials, share))
