"""How are texts, times and numbers written so that every reader of an export takes them as they are meant?

Names are the scenario's, and may hold what a format or a program would take for a command:

- control characters, halves of surrogate pairs, what Unicode calls no character and marks that turn the direction of
  what follows become U+FFFD in XML, OpenMetrics, CSV and attributes of CloudEvents, which cannot hold (or should not
  show) them; JSON holds them as escapes;
- a cell of a CSV file that begins with ``=``, ``+``, ``-``, ``@``, a tab or a return, which spreadsheets would take
  for a formula, gets an apostrophe in front. Only texts do; numbers and times never begin so.
"""

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from emulator.scenario.clock import Clock
from emulator.timeline.ticks import SECOND

__all__ = ["as_json", "cell", "local_time", "plain", "seconds", "unix_microseconds", "utc_time"]

_TURNING: Final = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"  # Bidi_Control in the Unicode Character Database
_UNFIT: Final = re.compile(f"[\x00-\x1f\x7f-\x9f{_TURNING}\u2028\u2029\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
_SURROGATE: Final = re.compile("[\ud800-\udfff]")
_encode = json.JSONEncoder(ensure_ascii=True, allow_nan=False, check_circular=False, separators=(",", ":")).encode
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def plain(text: str) -> str:
    r"""Replace what a text of an open format cannot hold.

    >>> plain("dome\x1b[2J")
    'dome\ufffd[2J'
    """
    return _UNFIT.sub("\ufffd", text)


def cell(text: str) -> str:
    """Write a text as a cell of a CSV file.

    >>> cell("=1+1"), cell("dome-1")
    ("'=1+1", 'dome-1')
    """
    return plain("'" + text if text.startswith(_FORMULA) else text)


def as_json(value: Any) -> str:
    r"""Write JSON in ASCII alone, without blanks: what is no ASCII, and every control character, is an escape.

    Half a surrogate pair becomes U+FFFD, since readers of JSON disagree on it (RFC 8259, section 8.2).

    >>> as_json({"who": "dome\x7f"})
    '{"who":"dome\\u007f"}'
    """
    text = _encode(value)
    if "\\ud" in text:  # perhaps half a pair, which is rare: it is looked for only now
        text = _encode(_whole(value))
    return text.replace("\x7f", "\\u007f")


def _whole(value: Any) -> Any:
    if isinstance(value, str):
        return _SURROGATE.sub("\ufffd", value)
    if isinstance(value, dict):
        return {_whole(key): _whole(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_whole(inner) for inner in value]
    return value


def local_time(clock: Clock, tick: int) -> str:
    """Write a tick as the scenario's clock shows it, with the offset from UTC and microseconds (ISO 8601).

    >>> from datetime import datetime
    >>> local_time(Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"), 1)
    '2026-06-12T21:30:00.000001-04:00'
    """
    return clock.local(tick).isoformat(timespec="microseconds")


def utc_time(clock: Clock, tick: int) -> str:
    """Write a tick as RFC 3339 has it, in UTC, whose offset is whole in every year.

    >>> from datetime import datetime
    >>> utc_time(Clock(datetime(2026, 6, 12, 21, 30), "America/Santiago"), 1)
    '2026-06-13T01:30:00.000001Z'
    """
    return clock.local(tick).astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def unix_microseconds(clock: Clock, tick: int) -> int:
    """Give a tick as microseconds since 1970 in UTC; what lies before is negative.

    >>> from datetime import datetime
    >>> unix_microseconds(Clock(datetime(1970, 1, 1), "UTC"), 1_500_000)
    1500000
    """
    return tick + (clock.local(0) - _EPOCH) // _MICROSECOND


def seconds(ticks: int) -> str:
    """Write ticks as seconds, exactly.

    >>> seconds(1_500_000), seconds(-1)
    ('1.500000', '-0.000001')
    """
    whole, rest = divmod(abs(ticks), SECOND)
    return f"{'-' if ticks < 0 else ''}{whole}.{rest:06d}"
