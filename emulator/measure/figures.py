"""Works out each figure of the catalogue, for a whole night or for a part of it.

A selection picks out the part of a night that ``Where`` names and keeps what several figures share: the samples of
times, the backlog over time.
"""

import math
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from functools import partial
from operator import sub
from types import MappingProxyType
from typing import Final

from emulator.errors import InputError
from emulator.measure.ages import Age, ages
from emulator.measure.backlog import Profile, over_time, profile
from emulator.measure.catalogue import FILTERS, QUANTILES, SAMPLES, find
from emulator.measure.estimate import Figure, Sample
from emulator.measure.night import (
    ATTEMPTS,
    DONE,
    DUE,
    EFFECTS,
    FAMILY,
    FINAL,
    FINISHED,
    FIRST_OUT,
    HEALTHY,
    IN_PROGRESS,
    KEPT,
    KIND,
    NUMBER,
    ORDINAL,
    RUN,
    SUBMITTED,
    UNFINISHED,
    WORKER,
    LostLease,
    Night,
    Repeat,
    Silence,
)
from emulator.measure.occurrences import Asked
from emulator.records import record
from emulator.timeline.ticks import HOUR, SECOND

__all__ = [
    "DONE_AND_THERE",
    "THERE",
    "Figures",
    "Selection",
    "Where",
    "densest",
    "figure",
    "part_of",
]


# What is marked of a family.
THERE: Final = 1
DONE_AND_THERE: Final = 3


@record
class Where:
    """Which part of a night a figure is about; what is None does not restrict it."""

    routine: str | None = None
    queue: str | None = None
    entry: str | None = None
    pool: str | None = None
    effect: str | None = None
    target: str | None = None
    set_of: str | None = None

    def given(self) -> dict[str, str]:
        """Give the restrictions that are there, by name."""
        return {name: value for name in FILTERS if (value := getattr(self, name)) is not None}

    def words(self) -> str:
        """Write it as people read it, to stand behind the label of a figure: ``" for queue night"``; "" for all."""
        given = [f"{'the set of' if name == 'set_of' else name} {value}" for name, value in self.given().items()]
        return f" for {' and '.join(given)}" if given else ""


def part_of(requirement: Asked) -> Where:
    """Give the part of a night that a requirement on a figure is about."""
    return Where(*(getattr(requirement, name) for name in FILTERS))


class Selection:
    """The part of a night that ``where`` names."""

    def __init__(self, night: Night, where: Where | None = None) -> None:
        self.night = night
        self.where = where or Where()
        self._kinds = frozenset(
            code
            for code, kind in enumerate(night.kinds)
            if self.where.routine in (None, kind.routine)
            and self.where.queue in (None, kind.queue)
            and self.where.entry in (None, kind.entry)
        )
        self._places = self._chosen()
        self._columns: dict[int, array[int]] = {}
        self._samples: dict[str, Sample] = {}
        self._profiles: dict[str, Profile] = {}
        self._families: bytes | None = None

    # -- jobs -----------------------------------------------------------------------------------------------------

    def _chosen(self) -> list[int] | None:
        """Give the places in the table of the jobs that are asked for; None for all of them."""
        if not self.where.given():
            return None
        workers = {code for code, worker in enumerate(self.night.workers) if self._in_pool(worker)}
        if self.where.pool is None:
            workers.add(-1)  # handed to nobody
        pairs = zip(self.night.column(KIND), self.night.column(WORKER), strict=True)
        return [place for place, (kind, worker) in enumerate(pairs) if kind in self._kinds and worker in workers]

    def _in_pool(self, worker: str) -> bool:
        return self.where.pool is None or self.night.pools.get(worker) == self.where.pool

    def column(self, column: int) -> "array[int]":
        """Give one number of each job that is asked for, in the order of their numbers."""
        if self._places is None:
            return self.night.column(column)  # quickly read, and long: not kept
        if column not in self._columns:
            values = self.night.column(column)
            self._columns[column] = array(values.typecode, [values[place] for place in self._places])
        return self._columns[column]

    def ended(self, *sub_states: str) -> int:
        """Count the failed jobs with one of these sub-states."""
        codes = {
            code for code, final in enumerate(self.night.finals) if final[0] == "failed" and final[1] in sub_states
        }
        return sum(1 for final in self.column(FINAL) if final in codes)

    def refused(self) -> int:
        """Count the submissions that were refused."""
        return len(self.refused_at())

    def refused_at(self) -> list[int]:
        """List the ticks of the submissions that were refused."""
        return [job.at for job in self.night.refused if self._matches(job.kind)]

    def _matches(self, kind: tuple[str, str, str]) -> bool:
        return all(
            wanted in (None, found)
            for wanted, found in zip((self.where.routine, self.where.queue, self.where.entry), kind, strict=True)
        )

    def families(self) -> bytes:
        """Mark each family at the place of its first job: ``THERE``, or ``DONE_AND_THERE`` if a job of it is done."""
        if self._families is None:
            marks, first = bytearray(len(self.night)), self.night.first
            finals = self.column(FINAL)
            if not self.night.table.families and len(finals) == len(marks):  # each is one of its own
                self._families = bytes([DONE_AND_THERE if final == DONE else THERE for final in finals])
                return self._families
            for family, final in zip(self.column(FAMILY), finals, strict=True):
                marks[family - first] |= DONE_AND_THERE if final == DONE else THERE
            self._families = bytes(marks)
        return self._families

    # -- times ----------------------------------------------------------------------------------------------------

    def sample(self, base: str) -> Sample:
        """Give the sample of one of the times in ``SAMPLES``."""
        if base not in self._samples:
            makers = {"wait": self._waits, "run_time": self._runs, "turnaround": self._turnarounds}
            self._samples[base] = makers.get(base, self._detections)()
        return self._samples[base]

    def _waits(self) -> Sample:
        """Give the waits, cut off for jobs that were not handed out."""
        ended, cut_off, horizon = array("q"), array("q"), self.night.horizon
        dues, outs = self.column(DUE), self.column(FIRST_OUT)
        if _all_there(dues) and _all_there(outs):
            return Sample([*map(sub, outs, dues)], ())
        for due, out, finished in zip(dues, outs, self.column(FINISHED), strict=True):
            if due < 0:
                continue  # never due: it has not begun to wait
            if out >= 0:
                ended.append(out - due)
            else:
                cut_off.append((finished if finished >= 0 else horizon) - due)
        return Sample(ended, cut_off)

    def ended_waiting(self) -> int:
        """Count the waits that were cut off because the job ended before it was handed out, not by the horizon."""
        columns = zip(self.column(DUE), self.column(FIRST_OUT), self.column(FINISHED), strict=True)
        return sum(due >= 0 and out < 0 and finished >= 0 for due, out, finished in columns)

    def _runs(self) -> Sample:
        """Give the run times of ok attempts, cut off for those in progress."""
        ended, cut_off = array("q"), array("q")
        runs, ends = self.column(RUN), self.column(FINISHED)
        if _all_there(runs) and _all_there(ends):
            return Sample(runs, ())
        for run, finished in zip(runs, ends, strict=True):
            if run >= 0:
                (ended if finished >= 0 else cut_off).append(run)
        return Sample(ended, cut_off)

    def _turnarounds(self) -> Sample:
        """Give the turnarounds of jobs that are done, cut off for those unfinished."""
        ended, cut_off, horizon = array("q"), array("q"), self.night.horizon
        came, ends, finals = self.column(SUBMITTED), self.column(FINISHED), self.column(FINAL)
        if finals.count(DONE) == len(finals):
            return Sample([*map(sub, ends, came)], ())
        for submitted, finished, final in zip(came, ends, finals, strict=True):
            if final == DONE:
                ended.append(finished - submitted)
            elif final == UNFINISHED:
                cut_off.append(horizon - submitted)
        return Sample(ended, cut_off)

    def _detections(self) -> Sample:
        """Give the detection delays, cut off where the lease had not ended."""

        def chosen(found: Iterable[tuple[int, str, int]]) -> list[int]:
            return [delay for kind, worker, delay in found if kind in self._kinds and self._in_pool(worker)]

        return Sample(chosen(self.night.detections), chosen(self.night.undetected))

    # -- what is not told job by job ------------------------------------------------------------------------------

    def profile(self, which: str) -> Profile:
        """Give how many jobs were ``waiting`` or ``held`` over time."""
        if which not in self._profiles:
            intervals = self.night.waiting if which == "waiting" else self.night.held
            self._profiles[which] = profile((intervals[kind] for kind in sorted(self._kinds)), self.night.horizon)
        return self._profiles[which]

    def waiting_at(self, count: int) -> tuple[int, ...]:
        """Give how many jobs waited at so many moments, evenly apart from the start to the end."""
        return over_time((self.night.waiting[kind] for kind in sorted(self._kinds)), self.night.horizon, count)

    def attempts(self, *outcomes: str) -> int:
        """Count attempts with one of these outcomes; with none named, all of them."""
        return sum(
            cell.attempts
            for (kind, worker, outcome), cell in self.night.cells.items()
            if kind in self._kinds and self._in_pool(worker) and (not outcomes or outcome in outcomes)
        )

    def executed(self, *, without: tuple[str, ...] = ()) -> int:
        """Add up the ticks executed over the slots taken, in attempts with any outcome but these."""
        takes = [self.night.takes_slots.get(kind.routine, 1) for kind in self.night.kinds]
        return sum(
            cell.executed * takes[kind]
            for (kind, worker, outcome), cell in self.night.cells.items()
            if kind in self._kinds and self._in_pool(worker) and outcome not in without
        )

    def slot_time(self) -> int:
        """Add up the ticks for which slots were on."""
        night = self.night
        return sum(on * night.slots.get(worker, 1) for worker, on in night.on_time.items() if self._in_pool(worker))

    def of_jobs(self, by_job: Mapping[int, int]) -> dict[int, int]:
        """Keep what is about jobs that are asked for."""
        return {job: value for job, value in by_job.items() if self.night.value(job, KIND) in self._kinds}

    def of_kinds(self, by_kind: Mapping[tuple[int, str], int]) -> int:
        """Add up what is about kinds that are asked for."""
        return sum(value for (kind, _), value in by_kind.items() if kind in self._kinds)

    def stale(self) -> int:
        """Count stale refusals; what concerned a job that never was counts only when nothing is left out."""
        night, everything = self.night, not self.where.given()
        found = night.stale.items()
        return sum(n for (job, _), n in found if (night.value(job, KIND) in self._kinds if job else everything))

    def lost_while_healthy(self) -> int:
        """Count leases lost by workers at work."""
        return sum(1 for one in self.lost() if one.delay == HEALTHY)

    def lost(self) -> list[LostLease]:
        """Give the lost leases of jobs that are asked for."""
        return [one for one in self.night.lost if self.night.value(one.job, KIND) in self._kinds]

    def repeats(self) -> list[Repeat]:
        """Give the effects that landed more than once within a family and must not."""
        return [repeat for repeat in self.night.repeats if self.night.value(repeat.job, KIND) in self._kinds]

    def incomplete(self) -> list[int]:
        """Give the families that left an effect and of which no job is done."""
        marks, first = self.families(), self.night.first
        left = {
            family
            for family, effects in zip(self.column(FAMILY), self.column(EFFECTS), strict=True)
            if effects and marks[family - first] == THERE
        }
        return sorted(left)

    def silences(self) -> dict[str, Silence]:
        """Give the longest silence of each worker that is asked for."""
        return {worker: one for worker, one in self.night.silences.items() if self._in_pool(worker)}

    def ages(self) -> list[Age]:
        """Give the longest age of the last good result on each target, or of each set, that is asked for."""
        where = self.where
        parts = {"effect": where.effect, "target": where.target, "set_of": where.set_of}
        return ages(self.night.results, self.night.aims, self.night.horizon, **parts)

    def late_occurrences(self) -> list[int]:
        """Give the first jobs of occurrences that were submitted after they were due."""
        dues = [self.night.occurrences.get(kind.entry, ()) for kind in self.night.kinds]
        if not any(dues):
            return []
        columns = (self.column(NUMBER), self.column(FAMILY), self.column(KIND), self.column(ORDINAL))
        return [
            number
            for number, family, kind, ordinal, submitted in zip(*columns, self.column(SUBMITTED), strict=True)
            if 0 < ordinal <= len(due := dues[kind]) and submitted > due[ordinal - 1] and number == family
        ]


def _all_there(ticks: "array[int]") -> bool:
    """Say whether a thing has happened to every job: then a sample is made at one go."""
    return not ticks or min(ticks) >= 0


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


def densest(times: Sequence[int], within: int) -> tuple[int, int]:
    """Give the most of these ticks that lie in any stretch [t, t + within), and the place of the first of them.

    Args:
        times: in ascending order.
        within: the length of the stretch, above 0.

    >>> densest([0, 5, 9, 10, 14], 10), densest([], 10)
    ((4, 1), (0, 0))
    """
    most, place, last = 0, 0, 0
    for first, begin in enumerate(times):
        while last < len(times) and times[last] < begin + within:
            last += 1
        if last - first > most:
            most, place = last - first, first
    return most, place
