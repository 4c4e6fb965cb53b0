"""Learns all that past nights show: run times, schedules, rates, and how much nights differ.

The order matters: run times first, with workers' speeds and nights' pace divided out; then what comes by the clock.
What is left comes at random, at rates that change over the night and between kinds of days; last, by how much nights
differ in what comes. A routine of which too little was seen is named and left out.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from emulator.errors import InputError
from emulator.past.attempts import OK
from emulator.past.durations import Retries, RunTimes, Share, error_shares, find_retries, follows_ends, run_times
from emulator.past.figures import figures_of, horizon_of, kind_of_day
from emulator.past.nights import Nights
from emulator.past.schedules import (
    LIKELY,
    SURE,
    Days,
    Piece,
    Schedule,
    change_points,
    days_of,
    find_schedules,
    spread_of_nights,
)
from emulator.past.workers import Losses, Polling, Pool, find_losses, find_polling, find_pools

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Learnt", "Random", "learn"]

_LEAST_NIGHTS: Final = 5
_LEAST_JOBS: Final = 5


@dataclass(frozen=True, slots=True)
class Random:
    """What comes of a routine at random: the rates of each kind of day, from so many jobs in so many nights.

    Attributes:
        routine: its place among the routines.
        days: whether kinds of days differ.
        pieces: the rates over the night, for each kind of day: ``weekday`` and ``weekend``, or ``every day``.
        jobs: from how many jobs.
        middle: between how many jobs 90 % of the nights had.
    """

    routine: int
    days: Days
    pieces: dict[str, list[Piece]]
    jobs: int
    middle: tuple[float, float]


@dataclass(slots=True)
class Learnt:
    """What past nights tell.

    Attributes:
        nights: what it was learnt from.
        run_times: how long attempts run.
        schedules: what comes by the clock, by routine.
        random: what comes at random, by routine.
        demand: for each night, what came at random, as a factor on what was to be expected.
        demand_cv: by how much that factor varies between nights, beyond chance.
        shares: the share of failed attempts, by routine.
        retries: how jobs are tried again.
        pools: the workers; ``rare`` those left out because they were hardly seen.
        rare: see there.
        polling: how often idle workers ask.
        losses: how often workers are lost at work.
        closed_loop: the share of submissions that follow an end at once, beyond chance.
        left_out: routines of which too little was seen.
        figures: the figures of each night.
    """

    nights: Nights
    run_times: RunTimes
    schedules: dict[int, list[Schedule]]
    random: dict[int, Random]
    demand: "NDArray[np.float64]"
    demand_cv: float
    shares: list[Share]
    retries: Retries
    pools: list[Pool]
    rare: list[int]
    polling: Polling
    losses: Losses
    closed_loop: float
    left_out: list[int]
    figures: "dict[str, NDArray[np.float64]]"


def learn(nights: Nights) -> Learnt:
    """Learn what past nights tell.

    Raises:
        InputError: too few nights, or no attempt with begin and end.
    """
    import numpy as np

    if len(nights) < _LEAST_NIGHTS:
        told = "1 night is" if len(nights) == 1 else f"{len(nights)} nights are"
        raise InputError(f"{told} too few to learn from: give an export of at least {_LEAST_NIGHTS}")
    times = run_times(nights)
    if not times.durations:
        raise InputError(f"{', '.join(nights.attempts.files)}: no run time can be learnt: {_why_none(nights)}")
    ran = {it.routine for it in times.durations}
    # In an hour that comes twice or never nobody knows at which time of the night a job came.
    first = nights.first[~nights.attempts.doubtful[nights.first]]
    of = nights.attempts.routine[first]
    schedules: dict[int, list[Schedule]] = {}
    left: dict[int, tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]] = {}
    left_out = []
    came, expected = np.zeros(len(nights)), np.zeros(len(nights))
    for routine in range(len(nights.attempts.routines)):
        own = of == routine
        if own.sum() < _LEAST_JOBS or routine not in ran:
            left_out.append(routine)
            continue
        night, offset = nights.night[first][own], nights.offset[first][own]
        schedules[routine], rest = find_schedules(night, offset, nights.dates, float(nights.window.lasts))
        if rest.sum() < max(_LEAST_JOBS, 0.02 * len(nights)):
            continue
        counts = np.bincount(night[rest], minlength=len(nights)).astype(float)
        left[routine] = night[rest], offset[rest], counts
    known = any(days_of(counts, nights.dates).differ for _, _, counts in left.values())
    # One question about all of them together asks for less: a difference that is left out is wrong every weekend.
    together = sum((counts for _, _, counts in left.values()), np.zeros(len(nights)))
    known = known or days_of(together, nights.dates, LIKELY).differ
    random = {routine: _at_random(routine, *of, nights, LIKELY if known else SURE) for routine, of in left.items()}
    for routine, found in random.items():
        counts, days = left[routine][2], found.days
        came += counts
        if days.differ:
            expected += [days.weekends if kind_of_day(day) == "weekend" else days.weekdays for day in nights.dates]
        else:  # by the one rate that is drafted
            expected += float(np.mean(counts))
    demand = np.divide(came, expected, out=np.ones(len(nights)), where=expected > 0)
    pools, rare = find_pools(nights)
    return Learnt(
        nights,
        times,
        schedules,
        random,
        demand,
        spread_of_nights(came, np.maximum(expected, 1e-9), 2 if known else 1) if came.sum() else 0.0,
        error_shares(nights),
        find_retries(nights),
        pools,
        rare,
        find_polling(nights),
        find_losses(nights),
        follows_ends(nights),
        left_out,
        figures_of(nights, times.pace, horizon_of(nights)),
    )


def _why_none(nights: Nights) -> str:
    """Say why no attempt tells a run time."""
    import numpy as np

    it = nights.attempts
    whole = np.isfinite(it.begun) & np.isfinite(it.ended)
    if not whole.any():
        return "no attempt has a begin and an end; look at the file of columns"
    if not (whole & (it.outcome == OK)).any():
        return "no attempt with a begin and an end went well; look at the words of outcome in the file of columns"
    if not (it.ended > it.begun).any():
        return "every attempt ends when it begins; look at the columns of begin and end in the file of columns"
    return "no attempt that went well ends after its begin, in an hour that comes once; give more nights"


def _at_random(
    routine: int,
    night: "NDArray[np.int64]",
    offset: "NDArray[np.float64]",
    counts: "NDArray[np.float64]",
    nights: Nights,
    sure: float,
) -> Random:
    """Learn the rates of what comes at random: one shape over the night, and its height by kind of day."""
    import numpy as np

    days = days_of(counts, nights.dates, sure)
    lasts = float(nights.window.lasts)
    pieces = change_points(offset, len(nights), lasts)
    middle = (float(np.quantile(counts, 0.05)), float(np.quantile(counts, 0.95)))
    if not days.differ:
        return Random(routine, days, {"every day": pieces}, len(night), middle)
    mean = float(np.mean(counts))
    heights = {"weekday": days.weekdays / mean, "weekend": days.weekends / mean}
    by_kind = {
        kind: [Piece(it.begins, it.until, it.per_hour * height, it.jobs) for it in pieces]
        for kind, height in heights.items()
    }
    return Random(routine, days, by_kind, len(night), middle)
