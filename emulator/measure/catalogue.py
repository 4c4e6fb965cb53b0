"""Lists the figures that a requirement can name, with what each means exactly.

The reference page is written from this list. It is light on purpose: checking the name of a figure loads nothing else.
"""

import sys
from types import MappingProxyType
from typing import Final, Literal

from emulator.errors import InputError
from emulator.measure.names import SHORT_LABELS, FigureName
from emulator.records import record
from emulator.scenario.spelling import advise

__all__ = [
    "FILTERS",
    "MEASURES",
    "OF_HEARTBEATS",
    "QUANTILES",
    "SAMPLES",
    "FigureName",
    "Measure",
    "find",
    "names",
    "reference_page",
]

OF_HEARTBEATS: Final = frozenset({"silence_longest"})
"""The figures that are read of simulated heartbeats."""

FILTERS: Final = ("routine", "queue", "entry", "pool", "effect", "target", "set_of")
"""The parts of a night by which some figure is told, in the order in which they are written."""

_JOB: Final = ("routine", "queue", "entry", "pool")
_KIND: Final = ("routine", "queue", "entry")
_POOL: Final = ("pool",)
_AGED: Final = ("effect", "target", "set_of")
_NIGHT: Final = ()

Better = Literal["lower", "higher", ""]
_LOW: Final = "lower"
_HIGH: Final = "higher"
_NEITHER: Final = ""

QUANTILES: Final = MappingProxyType({"median": 50, "p90": 90, "p95": 95, "p99": 99})
"""The quantiles of times, in per cent."""

_PRODUCT_LIMIT: Final = "product-limit estimate; a value that was seen; unfinished ones are cut off, not dropped"
_RESTRICTED: Final = "mean restricted to the horizon: unfinished ones count with the time they have had"
_LONGEST: Final = "the longest seen; 'more than' while any is unfinished"
_COUNTED: Final = "counted up to the horizon"
_ADDED: Final = "added up to the horizon"
_QUOTIENT: Final = "quotient of two figures up to the horizon"
_AREA: Final = "area under its curve, divided by the length of the run"


@record
class Measure:
    """One figure: its name, its label in words, what it means, its unit (time, share, count, ratio), its estimator.

    The name is typed, the label is read: it stands on screens, where the name would be a riddle.
    ``by`` lists the filters that a requirement on it may carry. ``better`` says which way a night is better when all
    else is the same; it is empty where neither is, because the figure tells how much was asked or done, not how well.
    """

    name: str
    label: str
    says: str
    unit: str
    estimator: str
    by: tuple[str, ...]
    better: Better


SAMPLES: Final = MappingProxyType(
    {
        "wait": "from when a job is submitted, or is due if it is held until then, to when it is first handed out. "
        "Hand-outs given back unstarted do not count. A job that ended without being handed out is cut off there",
        "run_time": "from when the work of a job's ok attempt began to when it stopped. "
        "The attempt in progress of an unfinished job is cut off",
        "turnaround": "from when a job is submitted to when it is done; a failed job has none and counts in `failed`",
        "detection_delay": "from when a worker stopped, died, froze or was cut off to when the lease that it held was "
        "lost. Leases lost by healthy workers are counted by `lost_while_healthy`",
    }
)
"""The times of which each has a mean, quantiles and a longest."""

_WORDS: Final = {"median": "Half", "p90": "90 %", "p95": "95 %", "p99": "99 %"}


_CALLED: Final = {"detection_delay": "time until a lost worker is noticed"}
"""What a time is called in a label, where that is not its name."""


def _times() -> list[Measure]:
    found = []
    for base, says in SAMPLES.items():
        title, called = base.replace("_", " "), _CALLED.get(base, base.replace("_", " "))
        found.append(
            Measure(f"{base}_mean", f"mean {called}", f"Mean {title}: {says}.", "time", _RESTRICTED, _JOB, _LOW)
        )
        for name, percent in QUANTILES.items():
            label = f"median {called}" if name == "median" else f"{percent}th percentile of {called}"
            words = f"{_WORDS[name]} of all have at most this {title}: {says}."
            found.append(Measure(f"{base}_{name}", label, words, "time", _PRODUCT_LIMIT, _JOB, _LOW))
        found.append(
            Measure(f"{base}_longest", f"longest {called}", f"Longest {title}: {says}.", "time", _LONGEST, _JOB, _LOW)
        )
    return found


_OTHERS: Final = (
    # -- the night as a whole -------------------------------------------------------------------------------------
    Measure(
        "makespan",
        "makespan",
        "From the first submission to the last end of a job; with anything unfinished it is 'more than' the run "
        "covers from the first submission, and no upper bound holds.",
        "time",
        "difference of two ticks",
        _JOB,
        _LOW,
    ),
    Measure(
        "drain_time",
        "time to drain the backlog",
        "From the first instant at which the backlog is at its peak to the next at which there is none; 'more than' "
        "when that does not come.",
        "time",
        "difference of two ticks",
        _KIND,
        _LOW,
    ),
    Measure(
        "backlog_peak",
        "most jobs in the backlog",
        "Most jobs that were queued or requeued, and not held, at one time; what comes and goes within one instant "
        "does not count.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "backlog_mean",
        "mean number of jobs in the backlog",
        "Jobs queued or requeued, and not held, on average over time.",
        "ratio",
        _AREA,
        _KIND,
        _LOW,
    ),
    Measure(
        "held_peak",
        "most jobs held at once",
        "Most jobs that were held at one time.",
        "count",
        _COUNTED,
        _KIND,
        _NEITHER,
    ),
    Measure(
        "held_mean", "mean number of held jobs", "Jobs held, on average over time.", "ratio", _AREA, _KIND, _NEITHER
    ),
    Measure(
        "jobs_in_queue",
        "mean number of queued or held jobs",
        "Jobs queued, requeued or held, on average over time (Lq).",
        "ratio",
        _AREA,
        _KIND,
        _LOW,
    ),
    Measure(
        "jobs_in_system",
        "mean number of unfinished jobs",
        "Unfinished jobs, on average over time (L).",
        "ratio",
        _AREA,
        _JOB,
        _LOW,
    ),
    Measure("throughput", "jobs done per hour", "Jobs done for each hour of the run.", "ratio", _QUOTIENT, _JOB, _HIGH),
    # -- jobs by how they ended -----------------------------------------------------------------------------------
    Measure(
        "accepted",
        "jobs accepted",
        "Jobs that the broker accepted, resubmitted jobs included.",
        "count",
        _COUNTED,
        _JOB,
        _NEITHER,
    ),
    Measure("refused", "jobs refused", "Submissions that the broker refused.", "count", _COUNTED, _KIND, _LOW),
    Measure("done", "jobs done", "Jobs that are done.", "count", _COUNTED, _JOB, _HIGH),
    Measure(
        "failed",
        "jobs failed",
        "Jobs that failed, without those that people withdrew.",
        "count",
        _COUNTED,
        _JOB,
        _LOW,
    ),
    Measure("withdrawn", "jobs withdrawn", "Jobs that people withdrew.", "count", _COUNTED, _JOB, _NEITHER),
    Measure(
        "expired",
        "jobs not started in time",
        "Jobs that failed because they were not started in time.",
        "count",
        _COUNTED,
        _JOB,
        _LOW,
    ),
    Measure(
        "unfinished", "jobs unfinished", "Jobs that had no final state at the horizon.", "count", _COUNTED, _JOB, _LOW
    ),
    Measure(
        "done_share",
        "share of jobs done",
        "Jobs done, of all accepted and refused; withdrawn jobs stay in.",
        "share",
        _QUOTIENT,
        _KIND,
        _HIGH,
    ),
    Measure(
        "refused_share",
        "share of jobs refused",
        "Submissions refused, of all accepted and refused.",
        "share",
        _QUOTIENT,
        _KIND,
        _LOW,
    ),
    Measure(
        "resubmission_groups",
        "jobs, counted with those resubmitted from them",
        "Groups of jobs: a job and all jobs resubmitted from it count as one.",
        "count",
        _COUNTED,
        _KIND,
        _NEITHER,
    ),
    Measure(
        "resubmission_groups_done_share",
        "share of jobs done, themselves or resubmitted",
        "Groups (a job and all jobs resubmitted from it) of which one job is done, of all groups and refused jobs.",
        "share",
        _QUOTIENT,
        _KIND,
        _HIGH,
    ),
    Measure("resubmitted", "jobs resubmitted", "Jobs that a person resubmitted.", "count", _COUNTED, _KIND, _NEITHER),
    # -- attempts -------------------------------------------------------------------------------------------------
    Measure(
        "attempts",
        "attempts",
        "Hand-outs that count: all but those given back unstarted.",
        "count",
        _COUNTED,
        _JOB,
        _NEITHER,
    ),
    Measure(
        "attempts_per_job", "attempts per job", "Attempts for each job that had one.", "ratio", _QUOTIENT, _KIND, _LOW
    ),
    Measure("attempts_ok", "attempts that ended ok", "Attempts that ended ok.", "count", _COUNTED, _JOB, _NEITHER),
    Measure(
        "attempts_error",
        "attempts that ended in an error",
        "Attempts that ended in an error.",
        "count",
        _COUNTED,
        _JOB,
        _LOW,
    ),
    Measure(
        "attempts_permanent_error",
        "attempts that ended in a permanent error",
        "Attempts that ended in a permanent error.",
        "count",
        _COUNTED,
        _JOB,
        _LOW,
    ),
    Measure(
        "attempts_time_limit",
        "attempts ended by a time limit",
        "Attempts that were ended by a time limit.",
        "count",
        _COUNTED,
        _JOB,
        _LOW,
    ),
    Measure(
        "lost_leases",
        "leases lost",
        "Attempts that ended with their lease lost, without those of withdrawn jobs.",
        "count",
        _COUNTED,
        _JOB,
        _LOW,
    ),
    Measure(
        "lost_while_healthy",
        "leases lost by healthy workers",
        "Leases lost by healthy workers: the worker was on, was not frozen and could be reached.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "stale_refused",
        "stale requests refused",
        "Requests that were refused because their token was no longer valid.",
        "count",
        _COUNTED,
        _KIND,
        _NEITHER,
    ),
    # -- work -----------------------------------------------------------------------------------------------------
    Measure(
        "overlap",
        "time of overlapping work",
        "Time during which a job is executed more than once at a time, added over jobs; frozen or suspended work is "
        "not executed.",
        "time",
        _ADDED,
        _KIND,
        _LOW,
    ),
    Measure(
        "overlapping_jobs",
        "jobs worked on twice at once",
        "Jobs that were executed more than once at a time.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "executed",
        "work executed",
        "Time for which workers executed work, added over slots.",
        "time",
        _ADDED,
        _JOB,
        _NEITHER,
    ),
    Measure(
        "wasted_work",
        "wasted work",
        "Time executed in attempts that did not end ok, or on a lease that was over. Attempts in "
        "progress do not count, nor do parts that later attempts need not repeat, unless their job has failed.",
        "time",
        _ADDED,
        _JOB,
        _LOW,
    ),
    Measure(
        "wasted_share", "share of work wasted", "Wasted work, of all time executed.", "share", _QUOTIENT, _JOB, _LOW
    ),
    Measure(
        "silence_longest",
        "longest silence of a worker",
        "The longest time for which the broker heard no heartbeat of a worker that it expected some of: since it "
        "registered, until it left or was shut down. A night that is asked for it simulates heartbeats; another has "
        "none.",
        "time",
        "longest seen",
        _POOL,
        _LOW,
    ),
    Measure(
        "utilisation",
        "utilisation of workers",
        "Time executed, of the time for which the slots were on (every state of a worker but off).",
        "share",
        _QUOTIENT,
        _POOL,
        _NEITHER,
    ),
    Measure(
        "offered_load",
        "offered load in workers",
        "The load that was stated, in workers' worth of work. Rates by the day and the hour count by their "
        "mean over the run.",
        "ratio",
        "as stated",
        _POOL,
        _NEITHER,
    ),
    Measure(
        "worker_hours",
        "planned worker-hours",
        "Hours for which workers are meant to be on, added up over the workers: by `count`, `joins` and `power`, "
        "whatever faults and people do. A worker that is woken on demand counts as on.",
        "ratio",
        "as planned",
        _POOL,
        _LOW,
    ),
    # -- effects --------------------------------------------------------------------------------------------------
    Measure(
        "effects_landed", "effects landed", "Effects that landed on their target.", "count", _COUNTED, _KIND, _NEITHER
    ),
    Measure(
        "effects_refused",
        "effects refused by a fence",
        "Effects that a fenced system refused.",
        "count",
        _COUNTED,
        _KIND,
        _NEITHER,
    ),
    Measure(
        "unsafe_repeats",
        "effects repeated that are not safe to repeat",
        "Effects not safe to repeat (checking first does not make them safe) that landed more than once on one target, "
        "counted across attempts and resubmitted jobs.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "unsafe_repeats_across_jobs",
        "effects repeated by unrelated jobs",
        "Effects not safe to repeat that landed on one target from jobs that have nothing to do with each other.",
        "count",
        _COUNTED,
        _NIGHT,
        _LOW,
    ),
    Measure(
        "late_effects",
        "effects after their lease had ended",
        "Effects that landed under a token that was no longer valid.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "effects_after_end",
        "effects after their job had ended",
        "Effects that landed after their job was done or had failed.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "effect_age_longest",
        "longest age of the last good result",
        "How old the newest good result on a target was at its oldest. It is as of when the part that made it began. "
        "Failures, refusals and effects found there reset nothing. Of a set (`set_of`) it counts from when its job is "
        "done, and is as old as the oldest member. 'More than' where nobody says what was there before (`since`).",
        "time",
        _LONGEST,
        _AGED,
        _LOW,
    ),
    Measure(
        "partial_effects",
        "jobs that left part of their effects",
        "Groups (a job and all jobs resubmitted from it) that left at least one effect and of which no job is done at "
        "the horizon.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    # -- systems --------------------------------------------------------------------------------------------------
    Measure(
        "calls_per_second_peak",
        "most calls to one system within a second",
        "Most calls to one system that began within any stretch of one second; calls that have no outcome yet, or "
        "whose caller died, do not count.",
        "count",
        _COUNTED,
        _NIGHT,
        _LOW,
    ),
    # -- recurrences and faults -----------------------------------------------------------------------------------
    Measure(
        "occurrences_skipped",
        "occurrences skipped",
        "Occurrences for which no job was submitted.",
        "count",
        _COUNTED,
        ("entry",),
        _LOW,
    ),
    Measure(
        "occurrences_late",
        "occurrences submitted late",
        "Occurrences whose job was submitted after they were due.",
        "count",
        _COUNTED,
        _KIND,
        _LOW,
    ),
    Measure(
        "faults_missed", "faults that hit nothing", "Faults that hit nothing.", "count", _COUNTED, _NIGHT, _NEITHER
    ),
)

MEASURES: Final = MappingProxyType({measure.name: measure for measure in (*_times(), *_OTHERS)})
"""Every figure, by its name."""


def names() -> tuple[str, ...]:
    """List the names of all figures, in the order of the reference page."""
    return tuple(MEASURES)


def find(name: str) -> Measure:
    """Look up a figure by its name.

    Raises:
        InputError: for an unknown name; the message gives the nearest one.

    >>> find("overlap").unit
    'time'
    >>> find("wait_p9")
    Traceback (most recent call last):
    emulator.errors.InputError: there is no figure 'wait_p9': did you mean 'wait_p90'?
    """
    if not isinstance(name, str):
        raise InputError(f"{name!r} names no figure: give its name as a text, such as 'makespan'")
    try:
        return MEASURES[name]
    except KeyError:
        raise InputError(f"there is no figure {name!r}: {advise(name, MEASURES)}") from None


def reference_page() -> str:
    """Write the reference page of all figures, in Markdown."""
    lines = [
        "# Figures",
        "",
        "What a requirement may name as its `measure`; on screens each is called by its label. This page is made from",
        "the program's own list",
        "(`python -m emulator.measure.catalogue`); do not edit it by hand.",
        "",
        "A time is stated as a duration (`90s`, `1h30m`), every other figure as a number. A quantile is the smallest",
        "value that at least that share does not exceed: definition 1 of Hyndman and Fan, and with unfinished jobs",
        "the product-limit estimate of Kaplan and Meier. Where the estimate cannot reach, the figure is 'more than'",
        "what was seen; a bound that it cannot show to hold is missed. A job belongs to the pool of the worker that",
        "it was handed to last. Of some figures neither side is better: a comparison says higher or lower of them, and",
        "no requirement can ask that they are not worse.",
        "",
        "| measure | label | short | what it is | unit | better | how it is found | may be told by |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for measure in MEASURES.values():
        by = ", ".join(measure.by) or "the whole night only"
        better = measure.better or "-"
        words = (f"`{measure.name}`", measure.label, SHORT_LABELS[measure.name], measure.says)
        cells = (*words, measure.unit, better, measure.estimator, by)
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls reference_page itself
    sys.stdout.write(reference_page())
