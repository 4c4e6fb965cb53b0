"""Computes figures of a night by formulas, and compares each with the simulation.

A formula holds for a world that is simpler than most nights. So each is asked of one queue and the pool that serves it,
and where the scenario is not what the formula supposes, it is refused by name, with what stands in the way. Beside a
value stands the mean of the nights that were played, with its interval of 95 %: they agree where they differ by no more
than a tenth, or the value lies within the interval.

Nothing here says how many workers to have, or how often to save a state: those are rules of thumb, or suppose what a
scenario does not state.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from emulator.measure.comparison.intervals import student_interval
from emulator.measure.comparison.wanted import PlayedNight
from emulator.outlook.stations import NotValidError, Station, stations
from emulator.scenario.load import Loaded
from emulator.scenario.models import Scenario

__all__ = [
    "ClosedForm",
    "chance_of_losses_in_a_row",
    "detection_delay",
    "drain_time",
    "erlang_c",
    "executed_with_restarts",
    "figures_needed",
    "formulas",
    "mmc_wait",
    "polled_wait",
]

_MEMORY: Final = "from memory, not checked against the original"
_NEAR: Final = 0.1


@dataclass(frozen=True, slots=True)
class ClosedForm:
    """A figure by formula, beside the simulated one.

    Attributes:
        name: of the formula.
        of: the queue that it is asked of.
        source, holds_for: where it comes from, and of which world it is true.
        unit: time (ticks), share, ratio or count.
        value: what it gives; None where it is refused.
        refused: what stands in the way; "" where nothing does.
        measure: the figure that it is held against.
        simulated, low, high: the mean of that figure over the nights played, and its interval; None without any.
        bound: "least" where the formula gives no more than a lower bound; else "".
        agrees: whether the two agree; None where there is nothing to compare.
    """

    name: str
    of: str
    source: str
    holds_for: str
    unit: str
    value: float | None
    refused: str
    measure: str
    simulated: float | None
    low: float | None
    high: float | None
    bound: str
    agrees: bool | None


# -- the formulas -----------------------------------------------------------------------------------------------------


def erlang_c(servers: int, load: float) -> float:
    """Give the probability that a job waits in M/M/c.

    Args:
        servers: how many, 1 or more.
        load: offered, in servers; below their number.

    Raises:
        NotValidError: for a load of all servers or more, which has no steady state.

    >>> round(erlang_c(2, 1.5), 4)
    0.6429
    """
    if load >= servers:
        raise NotValidError(f"a load of {load:.3g} on {servers} workers has no steady state: the wait grows all night")
    blocked = 1.0
    for number in range(1, servers + 1):
        blocked = load * blocked / (number + load * blocked)
    return servers * blocked / (servers - load * (1 - blocked))


def mmc_wait(servers: int, load: float, work: float, cv2: float = 1.0) -> float:
    """Give the mean wait in M/M/c; with other work than exponential the approximation (1 + cv2) / 2 times as much.

    Args:
        servers, load: as ``erlang_c`` takes them.
        work: its mean.
        cv2: the squared coefficient of variation of the work; 1 for exponential.

    >>> round(mmc_wait(2, 1.5, 4.0), 4)
    5.1429
    """
    return erlang_c(servers, load) * work / (servers - load) * (1 + cv2) / 2


def polled_wait(servers: int, load: float, work: float, cv2: float, poll: float) -> float:
    """Give the mean wait where idle workers ask every ``poll``: of n idle ones the first asks after poll / (n + 1).

    >>> round(polled_wait(1, 0.001, 1.0, 1.0, 30.0), 1)
    15.0
    """
    wait = mmc_wait(servers, load, work, cv2)
    weights = [load**number / math.factorial(number) for number in range(servers)]
    busy = erlang_c(servers, load)
    whole = math.fsum(weights)
    for number, weight in enumerate(weights):
        wait += (1 - busy) * weight / whole * poll / (servers - number + 1)
    return wait


def drain_time(backlog: float, servers: int, work: float, rate: float) -> float:
    """Give the time in which a backlog drains: free workers first take a job each, the rest goes as spare work allows.

    Args:
        backlog: jobs that wait when work goes on.
        servers: workers, all of them free then.
        work: mean work of a job.
        rate: at which more jobs come.

    Raises:
        NotValidError: for workers that cannot keep up.

    >>> round(drain_time(40, 4, 3, 1), 6)
    108.0
    """
    spare = servers / work - rate
    if spare <= 1e-12:
        raise NotValidError(
            f"a load of {rate * work:.3g} on {servers} workers leaves nothing to spare: the backlog never drains"
        )
    return max(0.0, backlog - servers) / spare


def detection_delay(lease: float, heartbeat: float, lost: float) -> float:
    """Give the mean time from a worker's end until its lease is over: L - h/2 - h*q/(1-q).

    >>> detection_delay(90, 20, 0.0), round(detection_delay(50, 20, 0.1), 3)
    (80.0, 37.778)
    """
    return lease - heartbeat / 2 - heartbeat * lost / (1 - lost)


def chance_of_losses_in_a_row(trials: int, row: int, lost: float) -> float:
    """Give the probability that in so many trials some ``row`` in a row are lost.

    >>> round(chance_of_losses_in_a_row(3, 2, 0.5), 3)  # LLL, LLW, WLL of eight
    0.375
    """
    if trials < row:
        return 0.0
    none = [1.0] * row
    for number in range(row, trials + 1):
        before = none[number - row - 1] if number > row else 1.0
        step = (1 - lost if number > row else 1.0) * lost**row * before
        none.append(none[-1] - step)
    return 1 - none[trials]


def executed_with_restarts(work: float, variance: float, gap: float) -> float:
    """Give the mean work executed until a job is done that starts over at each failure: M * (exp(W / M) - 1).

    Args:
        work: mean work of a job.
        variance: of it; the work is taken as normal.
        gap: M, the mean time between failures of its worker, exponential.

    >>> round(executed_with_restarts(120, 0, 240), 2)
    155.69
    """
    return gap * math.expm1(work / gap + variance / (2 * gap * gap))


# -- asked of a scenario ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Form:
    """One formula: what is told of it, and how it is asked of a station."""

    name: str
    source: str
    holds_for: str
    unit: str
    measure: Callable[[Station], str]
    ask: Callable[[Station], float]
    bound: str = ""
    compared: Callable[[Station, float], float] | None = None  # from the simulated figure


def _offered(station: Station) -> float:
    station.must_have_a_rate()
    station.must_repeat_nothing()
    return station.rate * station.work


def _waits(station: Station) -> float:
    station.must_be_plain()
    station.must_be_poisson()
    if station.poll:
        raise NotValidError("idle workers poll: see the wait with polling")
    return mmc_wait(station.workers, station.rate * station.work, station.work, station.cv2)


def _polled(station: Station) -> float:
    station.must_be_plain()
    station.must_be_poisson()
    if not station.poll:
        raise NotValidError("workers do not poll: they are handed work at once")
    if station.rate * station.poll > 0.5:
        raise NotValidError(
            f"{station.rate * station.poll:.2g} jobs come in one interval of polling: they no longer wait one by one"
        )
    return polled_wait(station.workers, station.rate * station.work, station.work, station.cv2, station.poll)


def _drains(station: Station) -> float:
    station.must_have_a_rate()
    outage = station.outage()
    return drain_time(station.rate * outage, station.workers, station.work, station.rate)


def _noticed(station: Station) -> float:
    station.must_renew()
    station.must_stop_at_any_phase()
    return detection_delay(station.lease, station.heartbeat, station.lost)


def _lost_at_work(station: Station) -> float:
    """Give the leases that healthy workers lose: of each job as often as all heartbeats within a lease are lost."""
    station.must_renew()
    if not station.lost:
        raise NotValidError("no heartbeat is lost")
    row = math.ceil(station.lease / station.heartbeat) - 1
    jobs = station.jobs()
    lost = 0.0
    for work in station.works():
        whole, rest = divmod(work / station.heartbeat, 1)  # one more heartbeat falls into it as often as the rest says
        chance = (1 - rest) * chance_of_losses_in_a_row(int(whole), row, station.lost)
        chance += rest * chance_of_losses_in_a_row(int(whole) + 1, row, station.lost)
        if chance > 0.5:
            raise NotValidError("most attempts at long work lose their lease: the night ends before its jobs are done")
        lost += chance * (1 - chance**station.attempts) / (1 - chance)
    return jobs * lost / len(station.works())


def _repeated(station: Station) -> float:
    gap, _ = station.must_start_over()
    return 1 - station.work / executed_with_restarts(station.work, station.variance, gap)


def _bound(station: Station) -> float:
    gap, down = station.must_start_over()
    each = executed_with_restarts(station.work, station.variance, gap)
    return station.jobs() * each * (1 + down / gap) / station.workers


_FORMS: Final = (
    _Form(
        "offered load",
        f"Erlang 1917; {_MEMORY}",
        "jobs that come at one rate, and work that is never repeated",
        "ratio",
        lambda station: f"executed for queue {station.queue}",
        _offered,
        compared=lambda station, executed: executed / station.window,
    ),
    _Form(
        "wait in M/M/c, times (1 + cv2) / 2",
        f"Erlang 1917; Lee and Longton 1959 for other work than exponential; {_MEMORY}",
        "one Poisson entry at one rate, equal workers that are handed work at once, no faults, in the steady state: a "
        "window of many relaxation times",
        "time",
        lambda station: f"wait_mean for queue {station.queue}",
        _waits,
    ),
    _Form(
        "wait with polling",
        "as above, and elementary: the first of n + 1 parts that n random moments cut an interval into",
        "as above, and at most one job in two intervals of polling",
        "time",
        lambda station: f"wait_mean for queue {station.queue}",
        _polled,
    ),
    _Form(
        "drain time after an outage of the broker",
        f"Newell, Applications of Queueing Theory, 1982; {_MEMORY}",
        "jobs at an even rate through an outage that is longer than a job, and workers that can keep up",
        "time",
        lambda station: f"drain_time for queue {station.queue}",
        _drains,
    ),
    _Form(
        "time until a lost worker is noticed, L - h/2 - h*q/(1-q)",
        f"elementary; Chen, Toueg and Aguilera 2002; {_MEMORY}",
        "workers that stop for longer than a lease, at moments that have nothing to do with their heartbeats; each "
        "heartbeat is lost by itself",
        "time",
        lambda _: "detection_delay_mean",
        _noticed,
    ),
    _Form(
        "leases lost at work",
        f"Feller, volume 1, section XIII.7; {_MEMORY}",
        "each heartbeat is lost by itself, and every job is done in the end",
        "count",
        lambda station: f"lost_while_healthy for queue {station.queue}",
        _lost_at_work,
    ),
    _Form(
        "share of work repeated, work starts over",
        f"Duda 1983; {_MEMORY}",
        "failures at exponential gaps from the end of the last, and work that is drawn once and starts over",
        "share",
        lambda station: f"wasted_share for queue {station.queue}",
        _repeated,
    ),
    _Form(
        "least makespan, work starts over",
        f"Duda 1983, and that no worker does more than work all the time; {_MEMORY}",
        "as above; all jobs come at once, and workers fail idle or not",
        "time",
        lambda station: f"makespan for queue {station.queue}",
        _bound,
        "least",
    ),
)


def figures_needed(scenario: Scenario) -> list[str]:
    """Name the figures that have to be read of each night."""
    return list(dict.fromkeys(form.measure(station) for station in stations(scenario) for form in _FORMS))


def formulas(loaded: Loaded, nights: Sequence[PlayedNight]) -> tuple[ClosedForm, ...]:
    """Ask every formula of every queue, and compare with nights of the scenario as it is.

    Args:
        loaded: the scenario.
        nights: played, with the figures of ``figures_needed``.
    """
    return tuple(_all(loaded, nights))


def _all(loaded: Loaded, nights: Sequence[PlayedNight]) -> Iterator[ClosedForm]:
    for station in stations(loaded.scenario):
        for form in _FORMS:
            yield _asked(form, station, nights)


def _asked(form: _Form, station: Station, nights: Sequence[PlayedNight]) -> ClosedForm:
    measure = form.measure(station)
    said = partial(ClosedForm, form.name, station.queue, form.source, form.holds_for, form.unit)
    try:
        value = form.ask(station)
    except NotValidError as error:
        return said(None, str(error), measure, None, None, None, form.bound, None)
    read = [one.readings[measure].value for one in nights if measure in one.readings]
    seen = [float(one) for one in read if one is not None]
    if form.compared is not None:
        seen = [form.compared(station, one) for one in seen]
    if not seen:
        return said(value, "", measure, None, None, None, form.bound, None)
    mean = math.fsum(seen) / len(seen)
    interval = student_interval(seen, 0.95)
    low, high = (mean, mean) if interval is None else (max(0.0, interval.low or 0.0), interval.high or mean)
    if not any(seen) and form.unit == "count":
        high = -math.log(0.025) / len(seen)  # of a Poisson count that was 0 every time
    near = low <= value <= high or abs(value - mean) <= _NEAR * abs(mean)
    agrees = value <= high if form.bound else near
    return said(value, "", measure, mean, low, high, form.bound, agrees)
