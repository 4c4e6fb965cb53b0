"""The commands ``sleep``, ``timeout`` and ``date`` in virtual time: what their arguments ask for.

Their usual options are those of POSIX and of common practice on Linux; any other is refused by its name, so that no
script is judged by something that it did not ask for.
"""

import re
import signal
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

__all__ = ["Limit", "UnusualError", "date_text", "limit", "sleep_ticks"]

_UNITS: Final = {"": 1, "s": 1, "m": 60, "h": 3600, "d": 86400}
_MICRO: Final = 1_000_000
_LONGEST: Final = 100 * 365 * 86400 * _MICRO


class UnusualError(ValueError):
    """An option or argument that the stand-in does not know; the message names it."""


def _ticks(text: str) -> int:
    found = re.fullmatch(r"(\d+(?:\.\d*)?|\.\d+)([smhd]?)", text, re.ASCII)
    if found is None:
        if text in ("inf", "infinity"):
            return _LONGEST
        raise UnusualError(f"{text!r} is no time: a number is wanted, with s, m, h or d behind it or none")
    return min(_LONGEST, round(float(found[1]) * _UNITS[found[2]] * _MICRO))


def sleep_ticks(arguments: Sequence[str]) -> int:
    """Give how long ``sleep`` sleeps, in ticks: the sum of its arguments.

    >>> sleep_ticks(["1.5", "2m"])
    121500000
    """
    if not arguments:
        raise UnusualError("a time is missing")
    return sum(map(_ticks, arguments))


@dataclass(frozen=True, slots=True)
class Limit:
    """What ``timeout`` was asked for.

    Attributes:
        ticks: the limit; 0 for none.
        number: the signal that it sends then.
        command: the command and its arguments.
    """

    ticks: int
    number: int
    command: tuple[str, ...]


def limit(arguments: Sequence[str]) -> Limit:
    """Read the arguments of ``timeout``.

    >>> limit(["-s", "KILL", "30", "store", "put"])
    Limit(ticks=30000000, number=9, command=('store', 'put'))
    """
    number, left = int(signal.SIGTERM), list(arguments)
    while left and left[0].startswith("-") and left[0] != "-":
        option = left.pop(0)
        if option == "--":
            break
        name, _, value = option.partition("=")
        if name in ("-s", "--signal"):
            value = value or (left.pop(0) if left else "")
            number = _signal(value)
        elif option.startswith("-s") and not option.startswith("--"):
            number = _signal(option[2:])
        elif option not in ("-f", "--foreground"):
            raise UnusualError(f"{option} is not known here: -s SIGNAL and --foreground are")
    if len(left) < 2:
        raise UnusualError("a time and a command are wanted")
    return Limit(_ticks(left[0]), number, tuple(left[1:]))


def _signal(text: str) -> int:
    if text.isdecimal() and 1 <= int(text) <= 64:
        return int(text)
    name = text.upper().removeprefix("SIG")
    try:
        return int(signal.Signals[f"SIG{name}"])
    except KeyError:
        raise UnusualError(f"{text!r} is no signal: a number or a name such as TERM or KILL is wanted") from None


_DEFAULT: Final = "%a %b %e %H:%M:%S %Z %Y"
_FORMS: Final = {"date": "%Y-%m-%d", "hours": "%Y-%m-%dT%H+00:00", "minutes": "%Y-%m-%dT%H:%M+00:00"}
_SECONDS: Final = "%Y-%m-%dT%H:%M:%S+00:00"
_NAMES: Final = set("aAbBcCdDeFgGhHIjklmMnNpPrRsSTuUVwWxXyYzZt%")


def date_text(arguments: Sequence[str], now: datetime) -> str:
    """Give what ``date`` prints: the time in UTC, as the script's environment says (TZ=UTC).

    >>> date_text(["+%F %T"], datetime(2026, 6, 12, 22, 0, tzinfo=UTC))
    '2026-06-12 22:00:00'
    """
    form, moment, left = _DEFAULT, now.astimezone(UTC), list(arguments)
    while left:
        option = left.pop(0)
        if option in ("-u", "--utc", "--universal"):
            continue
        if option.startswith("+"):
            form = option[1:]
        elif option in ("-I", "--iso-8601"):
            form = _FORMS["date"]
        elif option in ("-Iseconds", "--iso-8601=seconds"):
            form = _SECONDS
        elif (
            option.startswith(("-I", "--iso-8601=")) and option.removeprefix("-I").removeprefix("--iso-8601=") in _FORMS
        ):
            form = _FORMS[option.removeprefix("-I").removeprefix("--iso-8601=")]
        elif option in ("-R", "--rfc-email"):
            form = "%a, %d %b %Y %H:%M:%S +0000"
        elif option in ("-d", "--date") and left:
            moment = _moment(left.pop(0), moment)
        elif option.startswith("--date="):
            moment = _moment(option.partition("=")[2], moment)
        else:
            raise UnusualError(f"{option} is not known here: -u, -I, -R, -d @SECONDS and +FORMAT are")
    return _formatted(form, moment)


def _moment(text: str, now: datetime) -> datetime:
    if found := re.fullmatch(r"@(\d{1,11})", text, re.ASCII):
        return datetime.fromtimestamp(int(found[1]), UTC)
    words = {"now": timedelta(), "today": timedelta(), "yesterday": timedelta(days=-1), "tomorrow": timedelta(days=1)}
    if text in words:
        return now + words[text]
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UnusualError(f"-d {text!r} is not known here: @SECONDS, yesterday, tomorrow or 2026-06-12 are") from None
    return moment.replace(tzinfo=moment.tzinfo or UTC).astimezone(UTC)


def _formatted(form: str, moment: datetime) -> str:
    def one(found: re.Match[str]) -> str:
        flag, name = found[1], found[2]
        if name not in _NAMES:
            raise UnusualError(f"%{flag}{name} is not known here")
        own = {
            "N": f"{moment.microsecond:06d}000",
            "s": str(int(moment.timestamp())),
            "n": "\n",
            "t": "\t",
            "e": f"{moment.day:2d}",
            "k": f"{moment.hour:2d}",
            "l": f"{(moment.hour - 1) % 12 + 1:2d}",
            "z": "+0000",
            "Z": "UTC",
            "P": moment.strftime("%p").lower(),
        }
        text = own[name] if name in own else moment.strftime("%" + name)
        return (text.lstrip("0") or "0") if flag == "-" else text

    return re.sub(r"%([-_0^]?)(.)", one, form, flags=re.DOTALL)
