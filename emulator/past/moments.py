"""Reads the moments in a column of text, in the form that it recognises from the whole column.

A form is recognised from the whole column, never cell by cell: `03.04.2026` says nothing by itself, and a column with
one `13.04.2026` in it says all. Where a column leaves it open whether day or month comes first, the order by which the
moments span less time wins, and is told as a guess. The law: nothing is repaired. A local time that occurs twice (the
hour after which clocks were set back) is read as its first occurrence and counted as doubtful; one that never occurs
likewise; a cell that is no moment is counted and stays empty.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["BLANKS", "Form", "Moments", "form_named", "nearly_moments", "read_moments", "recognise"]

BLANKS: Final = frozenset({"", "-", "--", "null", "none", "n/a", "na", "nan", "nat", "\\n", "?", "never"})
"""What stands in a cell that says nothing, in small letters."""

_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_CLOCK: Final = r"(?P<clock>\d{1,2}:\d{2}(?::\d{2})?(?:[.,]\d{1,9})?)(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
_ZONE: Final = r"\s*(?P<zone>Z|UTC|GMT|[+-](?:0\d|1[0-4])(?::?[0-5]\d)?)?(?:\s*\[[\w/+-]+\])?"
_NUMBERS: Final = re.compile(rf"(?P<date>\d{{1,4}}[./-]\d{{1,2}}[./-]\d{{1,4}})(?:[T\s,]+{_CLOCK}{_ZONE})?")
_WORDS: Final = re.compile(
    rf"(?:[A-Za-z]{{3,9}},?\s+)?(?P<date>(?:\d{{1,2}}[\s-][A-Za-z]{{3,9}}|[A-Za-z]{{3,9}}\s+\d{{1,2}}),?[\s-]\d{{2,4}})"
    rf"(?:[T\s,]+{_CLOCK}{_ZONE})?"
)
_PACKED: Final = re.compile(r"(?P<date>(?:19|20)\d{6})[T\s]?(?P<clock>\d{6}|\d{4})?(?P<half>)(?P<zone>Z)?")
_COUNTED: Final = re.compile(r"\d{9,10}(?:[.,]\d{1,9})?|\d{12,13}|\d{15,16}")
_SAMPLE: Final = 2_000
_EPOCH: Final = date(1970, 1, 1).toordinal()
_DAY: Final = 86_400
_STEP: Final = 900
_PAST_HOUR: Final = {f"{minute:02d}:{second:02d}": minute * 60 + second for minute in range(60) for second in range(60)}
_FRACTION: Final = (".", ",")
_EARLIEST, _LATEST = 315_532_800.0, 4_102_444_800.0  # 1980 and 2100: outside, a number is no moment

_ORDERS: Final = {
    "year month day": (0, 1, 2),
    "day month year": (2, 1, 0),
    "month day year": (2, 0, 1),
}


@dataclass(frozen=True, slots=True)
class Form:
    """How a column writes moments.

    Attributes:
        kind: ``numbers``, ``words`` (of months), ``packed``, ``counted`` (seconds, or parts of them, since 1970), or
            ``workload`` (as in a workload log, whose reader knows them).
        order: in which order year, month and day stand; empty where it cannot matter.
        why: why this one.
        guess: whether the column left another order open.
    """

    kind: str
    order: str = ""
    why: str = ""
    guess: bool = False

    @property
    def name(self) -> str:
        """Name the form as the file of columns does, such as ``day month year``."""
        return self.order or next(name for name, form in _NAMED.items() if form.kind == self.kind)


def form_named(name: str) -> Form | None:
    """Give the form of that name; None where there is none."""
    if name in _ORDERS:
        return Form("numbers", name)
    return _NAMED.get(name)


_NAMED: Final = {
    "month in words": Form("words"),
    "yyyymmdd": Form("packed"),
    "since 1970": Form("counted"),
    "workload log": Form("workload"),
}


@dataclass(slots=True)
class Moments:
    """The moments of a column: seconds since 1970 in UTC, not a number where the cell tells none.

    Attributes:
        seconds: one for each row.
        unread: the rows whose cell is neither blank nor a moment.
        doubtful: whether a row's local time occurs twice, or never.
    """

    seconds: "NDArray[np.float64]"
    unread: list[int]
    doubtful: "NDArray[np.bool_]"


def recognise(cells: Sequence[str]) -> Form | None:
    """Tell in which form a column writes moments, or None if it does not: nine of ten filled cells must fit."""
    step = max(1, len(cells) // _SAMPLE)
    filled = [cell for cell in map(str.strip, cells[::step]) if cell.lower() not in BLANKS]
    if not filled:
        return None
    enough = 0.9 * len(filled)
    if sum(1 for cell in filled if _COUNTED.fullmatch(cell) and _counted(cell) is not None) >= enough:
        return Form("counted", why="numbers that count from 1970")
    for kind, pattern in (("packed", _PACKED), ("words", _WORDS)):
        if sum(1 for cell in filled if _split(pattern, cell, kind)) >= enough:
            return Form(
                kind, why={"packed": "year, month and day without separators", "words": "months in words"}[kind]
            )
    if sum(1 for cell in filled if _NUMBERS.fullmatch(cell)) < enough:
        return None
    return _ordered(cells)


def nearly_moments(cells: Sequence[str]) -> tuple[int, int, int] | None:
    """Of a column that is none of moments, tell how many cells look like one, of how many, and the first that does not.

    None where fewer than half of them do.
    """
    filled = [at for at, cell in enumerate(cells) if cell.strip().lower() not in BLANKS]
    other = [
        at
        for at in filled
        if not any(
            (match := pattern.fullmatch(cells[at].strip())) and _exists(match["date"], kind)
            for pattern, kind in ((_NUMBERS, "numbers"), (_WORDS, "words"), (_PACKED, "packed"))
        )
    ]
    like = len(filled) - len(other)
    return (like, len(filled), other[0]) if other and 2 * like >= len(filled) else None


def _exists(text: str, kind: str) -> bool:
    """Whether there is such a date, in any order of day and month."""
    forms = [Form(kind, order) for order in _ORDERS] if kind == "numbers" else [Form(kind)]
    return any(_date(text, form) is not None for form in forms)


def _ordered(cells: Sequence[str]) -> Form | None:
    """Decide the order of year, month and day by every date that the column holds."""
    dates = {match["date"] for cell in cells if (match := _NUMBERS.fullmatch(cell.strip()))}
    spans: dict[str, int] = {}
    most = (0, "")
    for order in _ORDERS:
        days = [_days(text, order) for text in dates]
        read = [day for day in days if day is not None]
        most = max(most, (len(read), order))
        if len(read) >= 0.98 * len(days):
            spans[order] = max(read) - min(read)
    if not spans:
        # A date that no calendar shows must not hide all others.
        count, order = most
        why = f"by it {count} of {len(dates)} dates exist, by another order fewer"
        return Form("numbers", order, why, guess=True) if count >= 0.9 * len(dates) else None
    if len(spans) == 1:
        (order,) = spans
        return Form("numbers", order, "no other order gives dates that exist")
    order = min(spans, key=lambda each: spans[each])
    others = sorted(span for each, span in spans.items() if each != order)
    return Form(
        "numbers", order, f"by it the dates span {spans[order]} days, by the other order {others[0]}", guess=True
    )


def _days(text: str, order: str) -> int | None:
    """Count the days since 1970 of a date of numbers; None if there is no such date."""
    parts = re.split(r"[./-]", text)
    year, month, day = (parts[at] for at in _ORDERS[order])
    if len(year) not in (2, 4) or len(month) > 2 or len(day) > 2:
        return None
    return _ordinal(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day))


def _ordinal(year: int, month: int, day: int) -> int | None:
    try:
        return date(year, month, day).toordinal() - _EPOCH
    except ValueError:
        return None


def _split(pattern: re.Pattern[str], cell: str, kind: str) -> re.Match[str] | None:
    match = pattern.fullmatch(cell)
    return match if match and _date(match["date"], Form(kind)) is not None else None


def _date(text: str, form: Form) -> int | None:
    if form.kind == "numbers":
        return _days(text, form.order)
    if form.kind == "packed":
        return _ordinal(int(text[:4]), int(text[4:6]), int(text[6:8]))
    words = [part for part in re.split(r"[\s,-]+", text) if part]
    month = next((part for part in words if part[0].isalpha()), "")
    if month[:3].lower() not in _MONTHS or len(words) != 3:
        return None
    day, year = (int(part) for part in words if part != month)
    return _ordinal(year + (2000 if year < 100 else 0), _MONTHS.index(month[:3].lower()) + 1, day)


def _clock(text: str, half: str) -> float | None:
    """Count the seconds since midnight; None if there is no such time of day."""
    if ":" not in text:
        text = ":".join(text[at : at + 2] for at in range(0, len(text), 2))
    parts = text.replace(",", ".").split(":")
    hour, minute, second = int(parts[0]), int(parts[1].partition(".")[0]), float(parts[2]) if len(parts) > 2 else 0.0
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half in "pP" else 0)
    if hour > 24 or minute > 59 or second >= 61 or (hour == 24 and (minute or second)):
        return None
    return hour * 3600 + minute * 60 + second


def _counted(cell: str) -> float | None:
    """Read a number that counts from 1970: seconds, or thousandths or millionths of one by its length."""
    number = float(cell.replace(",", "."))
    whole = len(cell.replace(",", ".").partition(".")[0])
    seconds = number / (1 if whole <= 10 else 1e3 if whole <= 13 else 1e6)
    return seconds if _EARLIEST <= seconds < _LATEST else None


def read_moments(cells: Iterable[str], form: Form, zone: str) -> Moments:
    """Read a column's moments.

    Args:
        cells: the column.
        form: in which form, as :func:`recognise` tells it.
        zone: the zone of the local times that state none, such as ``America/Santiago``.
    """
    import numpy as np

    read = _Reader(form, zone).read
    seconds: list[float] = []
    unread: list[int] = []
    doubtful: list[int] = []
    nothing = float("nan")
    known: dict[tuple[str, str, int], tuple[float, bool] | None] = {}
    for at, raw in enumerate(cells):
        # A quarter of an hour is read once and its seconds are added: zones change their clocks at quarters at most.
        colon = raw.find(":")
        past = _PAST_HOUR.get(raw[colon + 1 : colon + 6])
        if past is None or raw[colon + 6 : colon + 7] in _FRACTION:
            found = read(raw.strip())
        else:
            key = (raw[:colon], raw[colon + 6 :], past // _STEP)
            if key not in known:
                known[key] = read(f"{key[0]}:{key[2] * 15:02d}:00{key[1]}".strip())
            start = known[key]
            found = start and (start[0] + past % _STEP, start[1])
        if found is None:
            if raw.strip().lower() not in BLANKS:
                unread.append(at)
            seconds.append(nothing)
            continue
        seconds.append(found[0])
        if found[1]:
            doubtful.append(at)
    flags = np.zeros(len(seconds), dtype=bool)
    flags[doubtful] = True
    return Moments(np.array(seconds, dtype=float), unread, flags)


class _Reader:
    """Reads one cell at a time in a stated form."""

    def __init__(self, form: Form, zone: str) -> None:
        self._form = form
        self._pattern = {"numbers": _NUMBERS, "words": _WORDS, "packed": _PACKED}.get(form.kind)
        self._local = _Local(zone)
        self._days: dict[str, int | None] = {}

    def read(self, cell: str) -> tuple[float, bool] | None:
        """Give the seconds since 1970 and whether the local time is doubtful; None where the cell is no moment."""
        if self._pattern is None:
            counted = _counted(cell) if _COUNTED.fullmatch(cell) else None
            return None if counted is None else (counted, False)
        match = self._pattern.fullmatch(cell)
        if match is None:
            return None
        text, clock, half, offset = match.group("date", "clock", "half", "zone")
        if text not in self._days:
            self._days[text] = _date(text, self._form)
        day, time = self._days[text], 0.0 if clock is None else _clock(clock, half or "")
        if day is None or time is None:
            return None
        moment = day * _DAY + time
        if offset:
            return moment - _offset(offset), False
        shift, doubtful = self._local.shift(moment)
        return moment - shift, doubtful


def _offset(text: str) -> float:
    if text in ("Z", "UTC", "GMT"):
        return 0.0
    digits = text[1:].replace(":", "").ljust(4, "0")
    return (1 if text[0] == "+" else -1) * (int(digits[:2]) * 3600 + int(digits[2:]) * 60)


class _Local:
    """How far a zone's clocks are ahead of UTC at a local time, a quarter of an hour at once."""

    def __init__(self, zone: str) -> None:
        self._zone = ZoneInfo(zone)
        self._known: dict[int, tuple[float, bool]] = {}

    def shift(self, seconds: float) -> tuple[float, bool]:
        quarter = int(seconds // _STEP)
        found = self._known.get(quarter)
        if found is None:
            wall = datetime(1970, 1, 1, tzinfo=UTC).replace(tzinfo=None) + timedelta(seconds=quarter * _STEP)
            first, second = (wall.replace(tzinfo=self._zone, fold=fold).utcoffset() for fold in (0, 1))
            assert first is not None and second is not None
            found = self._known[quarter] = (first.total_seconds(), first != second)
        return found
