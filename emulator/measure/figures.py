"""What does each figure of the catalogue come to, for a whole night or for a part of it?"""

import math
from collections.abc import Callable, Mapping
from fractions import Fraction
from functools import partial
from types import MappingProxyType
from typing import Final

from emulator.errors import InputError
from emulator.measure.bursts import densest
from emulator.measure.catalogue import QUANTILES, SAMPLES, find
from emulator.measure.estimate import Figure
from emulator.measure.night import (
    ATTEMPTS,
    DONE,
    FAMILY,
    FINAL,
    FINISHED,
    IN_PROGRESS,
    KEPT,
    NUMBER,
    SUBMITTED,
    UNFINISHED,
    Night,
)
from emulator.measure.selection import DONE_AND_THERE, Selection, Where
from emulator.timeline.ticks import HOUR, SECOND

__all__ = ["Figures", "figure"]


class Figures:
    """The figures of a night, or of the part of it that ``where`` names; each is computed when it is asked for."""

    def __init__(self, night: Night, where: Where | None = None) -> None:
        self.night = night
        self.where = where or Where()
        self.selection = Selection(night, self.where)

    def get(self, name: str) -> Figure:
        """Compute the figure of that name.

        Raises:
            InputError: for an unknown name, or one that cannot be told for the part of the night that is asked for.
        """
        measure = find(name)
        for filter_name in self.where.given():
            if filter_name not in measure.by:
                allowed = f"by {', '.join(measure.by)} only" if measure.by else "for the whole night only"
                raise InputError(f"{name} cannot be told by {filter_name}: it is told {allowed}")
        return FIGURES[name](self.selection)


def figure(night: Night, name: str, where: Where | None = None) -> Figure:
    """Compute one figure of a night. See ``Figures.get``."""
    return Figures(night, where).get(name)


def _mean(base: str, of: Selection) -> Figure:
    sample = of.sample(base)
    unfinished = len(sample.cut_off)
    return Figure(sample.mean(), "time", unfinished > 0, "mean restricted to the horizon", len(sample), unfinished)


def _quantile(base: str, share: Fraction, of: Selection) -> Figure:
    sample = of.sample(base)
    value, more_than = sample.quantile(share) or (None, False)
    return Figure(value, "time", more_than, "product-limit", len(sample), len(sample.cut_off))


def _longest(base: str, of: Selection) -> Figure:
    sample = of.sample(base)
    unfinished = len(sample.cut_off)
    return Figure(sample.longest(), "time", unfinished > 0, "longest seen", len(sample), unfinished)


def _makespan(of: Selection) -> Figure:
    submitted, finished = of.column(SUBMITTED), of.column(FINISHED)
    if not submitted:
        return Figure(None, "time", estimator="difference")
    unfinished = sum(1 for end in finished if end < 0)
    end = of.night.horizon if unfinished else max(finished)
    return Figure(end - min(submitted), "time", unfinished > 0, "difference", len(submitted), unfinished)


def _drain(of: Selection) -> Figure:
    found = of.profile("waiting")
    if not found.peak:
        return Figure(0, "time", estimator="difference")
    end = of.night.horizon if found.emptied is None else found.emptied
    return Figure(end - found.peak_at, "time", found.emptied is None, "difference", found.peak)


def _in_system(of: Selection) -> Figure:
    horizon = of.night.horizon
    finished = of.column(FINISHED)
    area = sum(end if end >= 0 else horizon for end in finished) - sum(of.column(SUBMITTED))
    return Figure(area / horizon if horizon else None, "ratio", estimator="area", n=len(finished))


def _area(of: Selection, *which: str) -> Figure:
    area, horizon = sum(of.profile(name).area for name in which), of.night.horizon
    return Figure(area / horizon if horizon else None, "ratio", estimator="area")


def _count(number: int, of: int = 0) -> Figure:
    return Figure(number, "count", n=of)


def _share(part: int, whole: int) -> Figure:
    return Figure(part / whole if whole else None, "share", estimator="quotient", n=whole)


def _ratio(part: int, whole: int) -> Figure:
    return Figure(part / whole if whole else None, "ratio", estimator="quotient", n=whole)


def _final(code: int) -> Callable[[Selection], Figure]:
    return lambda of: _count(of.column(FINAL).count(code), len(of.column(FINAL)))


def _failed(of: Selection) -> Figure:
    codes = of.column(FINAL)
    failed = len(codes) - codes.count(DONE) - codes.count(UNFINISHED)
    return _count(failed - of.ended("withdrawn"), len(codes))


def _outcome(outcome: str) -> Callable[[Selection], Figure]:
    return lambda of: _count(of.attempts(outcome), of.attempts())


def _wasted(of: Selection) -> int:
    return of.executed(without=("ok", KEPT, IN_PROGRESS))


def _families_done(of: Selection) -> Figure:
    families = of.families()
    return _share(families.count(DONE_AND_THERE), len(families) - families.count(0) + of.refused())


def _families(of: Selection) -> Figure:
    families = of.families()
    return _count(len(families) - families.count(0))


def _offered(of: Selection) -> Figure:
    stated = of.night.offered_load
    pools = [of.where.pool] if of.where.pool is not None else sorted(stated)
    found = [stated[pool] for pool in pools if pool in stated]
    return Figure(math.fsum(found) if found else None, "ratio", estimator="as stated")


def _worker_hours(of: Selection) -> Figure:
    planned = of.night.planned_on
    pools = [of.where.pool] if of.where.pool is not None else sorted(planned)
    found = [planned[pool] for pool in pools if pool in planned]
    return Figure(sum(found) / HOUR if found else None, "ratio", estimator="as planned")


def _skipped(of: Selection) -> Figure:
    return _count(sum(1 for one in of.night.skipped if of.where.entry in (None, one.entry)))


def _silence(of: Selection) -> Figure:
    found = [one.longest for one in of.silences().values()]
    return Figure(max(found, default=None), "time", estimator="longest", n=len(found))


def _effect_age(of: Selection) -> Figure:
    found = of.ages()
    unknown = sum(age.at_least for age in found)
    longest = found[0].longest if found else None
    return Figure(longest, "time", unknown > 0, "longest", len(found), unknown)


def _calls_peak(of: Selection) -> Figure:
    calls = of.night.calls.values()
    most = max((densest(sorted(times), SECOND)[0] for times in calls), default=0)
    return _count(most, sum(map(len, calls)))


def _registry() -> dict[str, Callable[[Selection], Figure]]:
    found: dict[str, Callable[[Selection], Figure]] = {}
    for base in SAMPLES:
        found[f"{base}_mean"] = partial(_mean, base)
        found[f"{base}_longest"] = partial(_longest, base)
        for name, per_cent in QUANTILES.items():
            found[f"{base}_{name}"] = partial(_quantile, base, Fraction(per_cent, 100))
    return found | {
        "makespan": _makespan,
        "drain_time": _drain,
        "backlog_peak": lambda of: _count(of.profile("waiting").peak),
        "backlog_mean": lambda of: _area(of, "waiting"),
        "held_peak": lambda of: _count(of.profile("held").peak),
        "held_mean": lambda of: _area(of, "held"),
        "jobs_in_queue": lambda of: _area(of, "waiting", "held"),
        "jobs_in_system": _in_system,
        "throughput": lambda of: _ratio(of.column(FINAL).count(DONE) * HOUR, of.night.horizon),
        "accepted": lambda of: _count(len(of.column(NUMBER))),
        "refused": lambda of: _count(of.refused()),
        "done": _final(DONE),
        "failed": _failed,
        "withdrawn": lambda of: _count(of.ended("withdrawn"), len(of.column(FINAL))),
        "expired": lambda of: _count(of.ended("expired"), len(of.column(FINAL))),
        "unfinished": _final(UNFINISHED),
        "done_share": lambda of: _share(of.column(FINAL).count(DONE), len(of.column(FINAL)) + of.refused()),
        "refused_share": lambda of: _share(of.refused(), len(of.column(FINAL)) + of.refused()),
        "resubmission_groups": _families,
        "resubmission_groups_done_share": _families_done,
        "resubmitted": lambda of: _count(sum(map(int.__ne__, of.column(NUMBER), of.column(FAMILY)))),
        "attempts": lambda of: _count(of.attempts()),
        "attempts_per_job": lambda of: _ratio(of.attempts(), sum(1 for n in of.column(ATTEMPTS) if n)),
        "attempts_ok": _outcome("ok"),
        "attempts_error": _outcome("error"),
        "attempts_permanent_error": _outcome("permanent_error"),
        "attempts_time_limit": _outcome("time_limit"),
        "lost_leases": _outcome("lease_lost"),
        "lost_while_healthy": lambda of: _count(of.lost_while_healthy()),
        "stale_refused": lambda of: _count(of.stale()),
        "overlap": lambda of: Figure(sum(of.of_jobs(of.night.overlap).values()), "time", estimator="added"),
        "overlapping_jobs": lambda of: _count(len(of.of_jobs(of.night.overlap))),
        "executed": lambda of: Figure(of.executed(), "time", estimator="added"),
        "wasted_work": lambda of: Figure(_wasted(of), "time", estimator="added"),
        "wasted_share": lambda of: _share(_wasted(of), of.executed()),
        "silence_longest": _silence,
        "utilisation": lambda of: _share(of.executed(), of.slot_time()),
        "offered_load": _offered,
        "worker_hours": _worker_hours,
        "effects_landed": lambda of: _count(of.of_kinds(of.night.landed)),
        "effects_refused": lambda of: _count(of.of_kinds(of.night.refused_effects)),
        "unsafe_repeats": lambda of: _count(len(of.repeats())),
        "unsafe_repeats_across_jobs": lambda of: _count(len(of.night.shared)),
        "late_effects": lambda of: _count(sum(of.of_jobs(of.night.late).values())),
        "effects_after_end": lambda of: _count(sum(of.of_jobs(of.night.after_end).values())),
        "calls_per_second_peak": _calls_peak,
        "effect_age_longest": _effect_age,
        "partial_effects": lambda of: _count(len(of.incomplete())),
        "occurrences_skipped": _skipped,
        "occurrences_late": lambda of: _count(len(of.late_occurrences())),
        "faults_missed": lambda of: _count(len(of.night.faults_missed)),
    }


FIGURES: Final[Mapping[str, Callable[[Selection], Figure]]] = MappingProxyType(_registry())
"""How each figure of the catalogue is computed, by its name."""
