"""How is a figure written for people who are tired? Two units of time at most, shares in per cent, few digits."""

from typing import Final

from emulator.measure.estimate import Figure
from emulator.timeline.ticks import DAY, HOUR, MILLISECOND, MINUTE, SECOND, say

__all__ = ["difference", "duration", "number", "pair", "value", "write"]

_TENTH: Final = SECOND // 10


def duration(ticks: float) -> str:
    """Write a duration, rounded (halves up): ``1 h 12 min``, ``4 min 5 s``, ``3.2 s``, ``250 ms``.

    >>> [duration(ticks) for ticks in (4_320_000_000, 3_599_600_000, 59_960_000, 3_200_000, 250_000, 12, 0)]
    ['1 h 12 min', '1 h', '1 min', '3.2 s', '250 ms', '12 us', '0 s']
    """
    whole = round(ticks)
    if whole < 0:
        return "-" + duration(-whole)
    if whole == 0:
        return "0 s"
    if whole < MILLISECOND:
        return f"{whole} us"
    if (milliseconds := _rounded(whole, MILLISECOND)) < 1000:
        return f"{milliseconds} ms"
    if (tenths := _rounded(whole, _TENTH)) < 600:
        return f"{tenths // 10} s" if tenths % 10 == 0 else f"{tenths // 10}.{tenths % 10} s"
    if (seconds := _rounded(whole, SECOND)) < 3600:
        return _two(seconds, 60, "min", "s")
    if (minutes := _rounded(whole, MINUTE)) < 1440:
        return _two(minutes, 60, "h", "min")
    return _two(_rounded(whole, HOUR), DAY // HOUR, "d", "h")


def _rounded(ticks: int, unit: int) -> int:
    return (ticks + unit // 2) // unit


def _two(count: int, of: int, big: str, small: str) -> str:
    most, rest = divmod(count, of)
    return f"{most} {big}" if not rest else f"{most} {big} {rest} {small}"


def number(value: float, digits: int = 3) -> str:
    """Write a number: a whole one in full, any other with so many significant digits, never with an exponent.

    >>> number(1204), number(4.875), number(0.00001234), number(1204.5)
    ('1204', '4.88', '0.0000123', '1204')
    """
    if value == int(value):
        return str(int(value))
    if abs(value) >= 10**digits:
        return str(round(value))
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{value:.20f}"
        leading = len(text.split(".")[1]) - len(text.split(".")[1].lstrip("0"))
        text = f"{value:.{min(20, leading + digits)}f}"
    return text


def _share(value: float) -> str:
    """Write a share in per cent; only what is everything is 100 %, only what is nothing is 0 %."""
    for digits in (1, 2, 4, 7):
        text = f"{value * 100:.{digits}f}".rstrip("0").rstrip(".")
        if (text != "100" or value == 1) and (text != "0" or value == 0):
            return f"{text} %"
    return "just under 100 %" if value > 0.5 else "just over 0 %"


def value(amount: float, unit: str) -> str:
    """Write one value of a unit.

    >>> value(0.995, "share"), value(0.9999, "share"), value(90_000_000, "time"), value(3, "count")
    ('99.5 %', '99.99 %', '1 min 30 s', '3')
    """
    if unit == "time":
        return duration(amount)
    return _share(amount) if unit == "share" else number(amount)


def difference(amount: float, unit: str) -> str:
    """Write how far two values of a unit are apart; shares are apart by percentage points.

    >>> difference(0.05, "share"), difference(0.01, "share"), difference(90_000_000, "time")
    ('5 percentage points', '1 percentage point', '1 min 30 s')
    """
    if unit != "share":
        return value(amount, unit)
    points = number(float(f"{amount * 100:.9g}"))
    return f"{points} percentage point{'' if points == '1' else 's'}"


def write(figure: Figure) -> str:
    """Write a figure: ``more than 6 h``, ``99.5 %``, ``none`` when there is nothing to take it from."""
    if figure.value is None:
        return "none"
    text = value(figure.value, figure.unit)
    return f"more than {text}" if figure.more_than else text


def pair(found: float, bound: float, unit: str) -> tuple[str, str]:
    """Write two values to be compared: more exactly than usual if they would read the same and are not.

    >>> pair(900_000_001, 900_000_000, "time")
    ('15m1us', '15m')
    >>> pair(0.98999, 0.99, "share")
    ('0.98999', '0.99')
    """
    texts = value(found, unit), value(bound, unit)
    if texts[0] != texts[1] or found == bound:
        return texts
    if unit == "time" and round(found) != round(bound):
        return say(round(found)), say(round(bound))
    return f"{found:.9g}", f"{bound:.9g}"
