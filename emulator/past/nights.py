"""Sorts attempts into nights, and computes how far into its night each job came.

A night begins at a time of day and lasts a stated time, as ``18:00+14h``. Recurring work keeps to the clock on the
wall, so offsets into a night count on the wall clock, also in a night in which the clocks change; durations elsewhere
are elapsed time.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from emulator.errors import InputError
from emulator.past.attempts import Attempts, tell
from emulator.scenario.spelling import parse_duration
from emulator.timeline.ticks import SECOND

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["YEARS", "NightWindow", "Nights", "nights_of", "parse_night"]

_FORM: Final = re.compile(r"(\d{1,2}):(\d{2})\+(\w[\w ]*)")
_DAY: Final = 86_400
YEARS: Final = (1900, 9000)
"""The first and the last year of which a scenario may be."""
_QUARTER: Final = 900


@dataclass(frozen=True, slots=True)
class NightWindow:
    """When a night begins on the wall clock, in seconds after midnight, and how many seconds it lasts there."""

    begins: int
    lasts: int

    @property
    def text(self) -> str:
        """Write it as the command line takes it."""
        hours, rest = divmod(self.lasts, 3600)
        return f"{self.begins // 3600:02d}:{self.begins // 60 % 60:02d}+{f'{hours}h' if not rest else f'{self.lasts}s'}"


def parse_night(text: str) -> NightWindow:
    """Read ``18:00+14h``.

    Raises:
        InputError: it is written otherwise, or lasts longer than a day.
    """
    wrong = f"--night {text!r}: write the time at which a night begins and how long it lasts, such as 18:00+14h"
    match = _FORM.fullmatch(text.strip())
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:
        raise InputError(wrong)
    try:
        lasts = parse_duration(match[3]) / SECOND
    except ValueError as error:
        raise InputError(f"{wrong}: {error}") from error
    if not 60 <= lasts <= _DAY:
        raise InputError(f"--night {text!r}: a night lasts from 1m to 24h")
    return NightWindow(int(match[1]) * 3600 + int(match[2]) * 60, int(lasts))


@dataclass(slots=True)
class Nights:
    """The attempts of past nights.

    Attributes:
        attempts: those whose jobs came in a night.
        window: what a night is.
        zone: the zone of the wall clock.
        dates: the date on which each night began, in order; nights without a job between the first and the last too.
        starts: when each began, in seconds since 1970 in UTC.
        night: for each attempt, the place of its night.
        offset: for each attempt, how far into the night its job came, in seconds on the wall clock.
        first: the attempts that are the first of their jobs: one for each job.
    """

    attempts: Attempts
    window: NightWindow
    zone: str
    dates: list[date]
    starts: "NDArray[np.float64]"
    night: "NDArray[np.int64]"
    offset: "NDArray[np.float64]"
    first: "NDArray[np.intp]"

    def __len__(self) -> int:
        """Count the nights."""
        return len(self.dates)

    def until(self, day: date) -> "Nights":
        """Give the nights that began before that date."""
        return self._picked([at for at, it in enumerate(self.dates) if it < day])

    def since(self, day: date) -> "Nights":
        """Give the nights that began on that date or later."""
        return self._picked([at for at, it in enumerate(self.dates) if it >= day])

    def _picked(self, kept: list[int]) -> "Nights":
        import numpy as np

        low, high = (kept[0], kept[-1] + 1) if kept else (0, 0)
        rows = (self.night >= low) & (self.night < high)
        chosen = np.flatnonzero(rows)
        places = np.cumsum(rows) - 1
        first = places[self.first[rows[self.first]]]
        return Nights(
            self.attempts.pick(chosen),
            self.window,
            self.zone,
            self.dates[low:high],
            self.starts[low:high],
            self.night[chosen] - low,
            self.offset[chosen],
            first,
        )


def nights_of(attempts: Attempts, window: NightWindow, zone: str) -> Nights:
    """Put the attempts into nights; what came outside every night is left out and counted.

    Raises:
        InputError: no job came in any night, or one came in a year of which no scenario can be.
    """
    import numpy as np

    # A day is kept free at both ends, for the zone.
    low, high = (np.datetime64(day, "s").astype(float) for day in (f"{YEARS[0]}-01-02", f"{YEARS[1]}-12-30"))
    if (wrong := np.flatnonzero((attempts.submitted < low) | (attempts.submitted > high))).size:
        at = wrong[0]
        year = np.datetime64(int(attempts.submitted[at]), "s").astype("M8[Y]")
        raise InputError(
            f"{attempts.files[attempts.file[at]]}:{attempts.line[at]}: a job came in the year {year}, and years run "
            f"from {YEARS[0]} to {YEARS[1]}: look at the column of its moments"
        )

    wall = attempts.submitted + _shifts(attempts.submitted, zone)
    day = np.floor((wall - window.begins) / _DAY).astype(np.int64)
    offset = wall - window.begins - day * _DAY
    inside = offset < window.lasts
    if not inside.any():
        raise InputError(f"no job came in a night {window.text} ({zone}): state --night and --zone as they are")
    if not inside.all():
        tell(attempts, ~inside, "outside every night")
    kept = attempts.pick(inside)
    day, offset = day[inside], offset[inside]
    # A job that is tried again belongs to the night in which it came: all its attempts share its submission.
    earliest, latest = int(day.min()), int(day.max())
    epoch = date(1970, 1, 1)
    dates = [epoch + timedelta(days=each) for each in range(earliest, latest + 1)]
    begins = timedelta(seconds=window.begins)
    starts = [(datetime(it.year, it.month, it.day, tzinfo=ZoneInfo(zone)) + begins).timestamp() for it in dates]
    job = kept.job
    order = np.lexsort((kept.number, job))
    firsts = order[np.concatenate([[True], job[order][1:] != job[order][:-1]])]
    return Nights(kept, window, zone, dates, np.array(starts), day - earliest, offset, np.sort(firsts))


def _shifts(seconds: "NDArray[np.float64]", zone: str) -> "NDArray[np.float64]":
    """How far the zone's clocks are ahead of UTC at each moment, a quarter of an hour at once."""
    import numpy as np

    quarters, inverse = np.unique(np.floor(seconds / _QUARTER), return_inverse=True)
    known = ZoneInfo(zone)
    shifts = []
    for quarter in quarters.tolist():
        shift = datetime.fromtimestamp(quarter * _QUARTER, UTC).astimezone(known).utcoffset()
        assert shift is not None
        shifts.append(shift.total_seconds())
    return np.array(shifts)[inverse]
