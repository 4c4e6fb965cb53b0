"""Writes a night as CSV, CloudEvents 1.0, test results in XML and OpenMetrics text.

**CSV**: lines end as RFC 4180 says. Times are those of the scenario's clock with their offset from UTC, durations are
seconds; a cell is empty where a thing has not happened by the end of the run. What is unfinished has a row like any
other. Work is counted as the figure ``executed`` counts it, which is its sum: without the time in which it stood still
(frozen, suspended), and of an attempt in progress up to the end of the run.

**CloudEvents**: each event of the night is one: ``id`` is its number, ``source`` the night, ``type`` its kind, ``time``
the virtual time, ``subject`` the job, else the worker, that it is about, ``data`` its details. Three attributes more
are extensions: ``cause``, the id of the event that led to it; ``tick``, the microseconds since the night began (as a
string: an integer attribute has 32 bits); ``worker``.

**XML**: there is no standard for test results; what is written keeps to what the common readers agree on:
``testsuites`` with one ``testsuite``, one ``testcase`` for each requirement, in it ``failure`` for a missed one and
``skipped`` for one that this night could not decide (of a log that breaks off before its run was finished: for every
one). Facts under ``also_true`` have a ``testsuite`` of their own. Times are left out of test cases: no requirement
takes any. The night's own length, in virtual time, stands in the properties.

**OpenMetrics**: virtual time is the timestamp. Counts that change in the night (jobs by state, ends of attempts, states
of workers, effects) have a point at each change; figures, requirements and what is known of the run have one, at the
end. A figure that there was nothing to take from is left out; one that is known to be more than a bound says so in its
label ``bound``.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any, Final
from xml.etree import ElementTree as ET

from emulator.measure.catalogue import MEASURES
from emulator.measure.figures import Figures
from emulator.measure.night import ATTEMPTS, DUE, EFFECTS, FAMILY, FINISHED, FIRST_OUT, ORDINAL, RUN, SUBMITTED, WORKER
from emulator.measure.occurrences import Judged
from emulator.measure.words import why_in_words, write
from emulator.record.event_view import EventView, views
from emulator.record.events import Event
from emulator.record.history import History, Job
from emulator.show.exports.recorded import (
    Recorded,
    as_json,
    attempts_of,
    cell,
    local_time,
    plain,
    seconds,
    unix_microseconds,
    utc_time,
)
from emulator.show.meta import verdict

__all__ = [
    "attempts_csv",
    "cloudevents_batch",
    "cloudevents_lines",
    "jobs_csv",
    "openmetrics",
    "results_xml",
]


_JOBS: Final = (
    "job",
    "name",
    "routine",
    "queue",
    "entry",
    "ordinal",
    "resubmitted_from",
    "state",
    "sub_state",
    "why",
    "attempts",
    "last_worker",
    "effects",
    "submitted",
    "due",
    "first_handed_out",
    "finished",
    "wait_seconds",
    "run_seconds",
    "turnaround_seconds",
    "overlap_seconds",
)
_ATTEMPTS: Final = (
    "job",
    "name",
    "attempt",
    "token",
    "worker",
    "outcome",
    "why",
    "handed_out",
    "work_began",
    "work_stopped",
    "work_stopped_why",
    "ended",
    "parts_finished",
    "lease_seconds",
    "work_seconds",
    "routine",
    "submitted",
)


def jobs_csv(recorded: Recorded) -> Iterator[str]:
    """Give the rows of all jobs; ``resubmitted_from`` is the first of the jobs that were resubmitted, if one was."""
    night = recorded.night
    jobs = recorded.history().jobs
    yield _line(_JOBS)
    for job in range(night.first, night.first + len(night)):
        routine, queue, entry = night.kind_of(job)
        value = {column: night.value(job, column) for column in (SUBMITTED, DUE, FIRST_OUT, FINISHED, RUN, WORKER)}
        final = night.final_of(job)
        state = jobs[job].state
        yield _line(
            (
                str(job),
                cell(night.name_of(job)),
                cell(routine),
                cell(queue),
                cell(entry),
                str(night.value(job, ORDINAL)),
                str(first) if (first := night.value(job, FAMILY)) != job else "",
                state,
                cell(final.sub_state),
                cell(why_in_words(final.why, dict(final.values))),
                str(night.value(job, ATTEMPTS)),
                cell(night.workers[value[WORKER]]) if value[WORKER] >= 0 else "",
                str(night.value(job, EFFECTS)),
                *(_time(recorded, value[column]) for column in (SUBMITTED, DUE, FIRST_OUT, FINISHED)),
                _between(value[DUE], value[FIRST_OUT]),
                seconds(value[RUN]) if value[RUN] >= 0 and state == "done" else "",
                _between(value[SUBMITTED], value[FINISHED]) if state == "done" else "",
                seconds(night.overlap.get(job, 0)),
            )
        )


def attempts_csv(recorded: Recorded) -> Iterator[str]:
    """Give the rows of all attempts, in the order in which they began."""
    yield _line(_ATTEMPTS)
    for one in attempts_of(recorded):
        yield _line(
            (
                str(one.job),
                cell(recorded.job(one.job)),
                str(one.number),
                str(one.token),
                cell(one.worker),
                cell(one.outcome),
                cell(why_in_words(*one.why)),
                *(_time(recorded, tick) for tick in (one.handed_out, one.began, one.stopped)),
                cell(why_in_words(*one.stopped_why)),
                _time(recorded, one.ended),
                str(sum(part.finished for part in one.parts)),
                _between(one.handed_out, one.ended),
                _seconds(one.executed(recorded.night.horizon)),
                cell(recorded.night.kind_of(one.job)[0]),
                _time(recorded, recorded.night.value(one.job, SUBMITTED)),
            )
        )


def _time(recorded: Recorded, tick: int) -> str:
    return local_time(recorded.clock, tick) if tick >= 0 else ""


def _seconds(ticks: int) -> str:
    return seconds(ticks) if ticks >= 0 else ""


def _between(begin: int, end: int) -> str:
    return seconds(end - begin) if begin >= 0 and end >= 0 else ""


def _line(cells: Sequence[str]) -> str:
    file = io.StringIO()
    csv.writer(file).writerow(cells)
    return file.getvalue()


def cloudevents_batch(recorded: Recorded) -> Iterator[str]:
    """Give the events as one JSON array (media type ``application/cloudevents-batch+json``), an event on each line."""
    before = "["
    for text in _each(recorded):
        yield f"{before}\n{text}"
        before = ","
    yield "[]\n" if before == "[" else "\n]\n"


def cloudevents_lines(recorded: Recorded) -> Iterator[str]:
    """Give each event as a line that is a JSON object (media type ``application/cloudevents+json``)."""
    return (f"{text}\n" for text in _each(recorded))


def _each(recorded: Recorded) -> Iterator[str]:
    source = f"/queuedrill/night/{recorded.key}"
    return (as_json(_attributes(recorded, source, event)) for event in recorded.events())


def _attributes(recorded: Recorded, source: str, event: Event) -> dict[str, Any]:
    found: dict[str, Any] = {
        "specversion": "1.0",
        "id": str(event.number),
        "source": source,
        "type": f"queuedrill.{event.kind}",
        "time": utc_time(recorded.clock, event.at),
    }
    if subject := plain(recorded.job(event.job) or event.worker):
        found["subject"] = subject
    if event.cause:
        found["cause"] = str(event.cause)
    found["tick"] = str(event.at)
    if event.worker:
        found["worker"] = plain(event.worker)
    about = {"job": event.job} if event.job else {}
    return {**found, "datacontenttype": "application/json", "data": {**about, **event.details}}


def results_xml(recorded: Recorded) -> Iterator[str]:
    """Give the requirements as XML."""
    root = ET.Element("testsuites", {"name": "queuedrill", **_counts((*recorded.judged, *recorded.also_true))})
    title = plain(recorded.title)
    suite = ET.SubElement(root, "testsuite", {"name": title, **_counts(recorded.judged)})
    properties = ET.SubElement(suite, "properties")
    for name, value in _properties(recorded):
        ET.SubElement(properties, "property", {"name": name, "value": plain(value)})
    _add_cases(suite, title, recorded, recorded.judged)
    if recorded.also_true:
        facts = f"{title}: also true"
        suite = ET.SubElement(root, "testsuite", {"name": facts, **_counts(recorded.also_true)})
        _add_cases(suite, facts, recorded, recorded.also_true)
    ET.indent(root)
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield ET.tostring(root, "unicode") + "\n"


def _counts(judged: Sequence[Judged]) -> dict[str, str]:
    return {
        "tests": str(len(judged)),
        "failures": str(sum(one.met is False for one in judged)),
        "errors": "0",
        "skipped": str(sum(one.met is None for one in judged)),
    }


def _add_cases(suite: ET.Element, of: str, recorded: Recorded, judged: Sequence[Judged]) -> None:
    seen: dict[str, int] = {}
    for one in judged:
        seen[one.requirement] = again = seen.get(one.requirement, 0) + 1
        name = one.requirement if again == 1 else f"{one.requirement} ({again})"
        case = ET.SubElement(suite, "testcase", {"classname": of, "name": plain(name)})
        if one.met is False:
            failure = ET.SubElement(case, "failure", {"type": "missed", "message": plain(one.sentence)})
            failure.text = _evidence(recorded, one)
        elif one.met is None:
            ET.SubElement(case, "skipped", {"message": plain(one.sentence)})


def _properties(recorded: Recorded) -> Iterator[tuple[str, str]]:
    about = recorded.about
    yield "verdict", recorded.breaks_off or verdict(recorded.judged)[1]
    yield "scenario", about.scenario_name
    yield "seed", str(about.seed)
    yield "variant", about.variant
    if about.changes:
        yield "changes of the command line", " ".join(map(str, about.changes))
    yield "night begins", local_time(recorded.clock, 0)
    yield "night lasts, seconds of virtual time", seconds(recorded.night.horizon)
    yield "finished", "yes" if recorded.finished else "no"
    yield "program version", about.program_version
    yield "zone data version", about.zone_data_version


def _evidence(recorded: Recorded, one: Judged) -> str:
    """Say what was found, and name the jobs that show why, each on a line."""
    lines = [one.sentence, f"Found: {write(one.found)}."]
    if one.evidence:
        lines.append("Jobs that show why, the worst first:")
        lines += [f"{recorded.job(job)} (job {job})" for job in one.evidence]
    return "\n".join(plain(line) for line in lines)


_VERDICTS: Final = ("met", "missed", "not_judged")
_COUNTED: Final = {
    "queued": "queued",
    "requeued": "queued",
    "queued_held": "held",
    "requeued_held": "held",
    "running": "running",
    "suspended": "running",
}
Labels = tuple[tuple[str, str], ...]
Series = dict[Labels, list[tuple[int, int]]]
"""Labels -> (tick, value) at each change."""


def openmetrics(recorded: Recorded) -> Iterator[str]:
    """Give the night as OpenMetrics 1.0 text (media type ``application/openmetrics-text``)."""
    yield from _Text(recorded).all()
    yield "# EOF\n"


class _Text:
    def __init__(self, recorded: Recorded) -> None:
        self._recorded = recorded
        self._begins = unix_microseconds(recorded.clock, 0)
        self._ends = recorded.night.horizon

    def all(self) -> Iterator[str]:
        about = self._recorded.about
        yield from self._head("queuedrill_run", "info", "What the run was made of.")
        made_of = {
            "title": self._recorded.title,
            "scenario": about.scenario_name,
            "seed": str(about.seed),
            "variant": about.variant,
            "finished": "yes" if self._recorded.finished else "no",
            "program_version": about.program_version,
            "zone_data_version": about.zone_data_version,
        }
        yield self._sample("queuedrill_run_info", tuple(made_of.items()), "1", self._ends)
        yield from self._requirements()
        yield from self._figures()
        yield from self._over_time()

    def _requirements(self) -> Iterator[str]:
        name = "queuedrill_requirement"
        yield from self._head(name, "stateset", "Whether each requirement is met.")
        for number, one in enumerate(self._recorded.judged, 1):
            now = {True: "met", False: "missed", None: "not_judged"}[one.met]
            labels = (("number", str(number)), ("requirement", one.requirement))
            for state in _VERDICTS:
                yield self._sample(name, (*labels, (name, state)), str(int(state == now)), self._ends)

    def _figures(self) -> Iterator[str]:
        figures = Figures(self._recorded.night)
        for measure in MEASURES.values():
            figure = figures.get(measure.name)
            if figure.value is None:
                continue
            unit = {"time": "seconds", "share": "ratio"}.get(measure.unit, "")
            name = f"queuedrill_figure_{measure.name}" + (f"_{unit}" if unit else "")
            yield from self._head(name, "gauge", measure.says, unit)
            value = figure.value
            text = seconds(round(value)) if unit == "seconds" else f"{value:.9g}"
            bound = "more than" if figure.more_than else "exact"
            yield self._sample(name, (("bound", bound),), text, self._ends)

    def _over_time(self) -> Iterator[str]:
        fold = _OverTime()
        for event in views(self._recorded.rows):
            fold.feed(event)
        says = "Unfinished jobs by queue and state; suspended ones count as running."
        yield from self._points("queuedrill_jobs", "gauge", says, fold.jobs)
        yield from self._points("queuedrill_jobs_submitted", "counter", "Jobs accepted.", fold.submitted)
        yield from self._points("queuedrill_jobs_finished", "counter", "Jobs that came to an end.", fold.finished)
        yield from self._points("queuedrill_attempts_ended", "counter", "Attempts by outcome.", fold.attempts)
        yield from self._points("queuedrill_effects_landed", "counter", "Effects that landed.", fold.effects)
        yield from self._points("queuedrill_stale_refused", "counter", "Stale requests refused.", fold.stale)
        says = "Attempts that each worker works on."
        yield from self._points("queuedrill_attempts_under_way", "gauge", says, fold.work)
        # The type for it would be a set of states, but a common reader drops most points of one that changes.
        says = "1 while a worker is in a state, else 0."
        yield from self._points("queuedrill_worker_in_state", "gauge", says, fold.workers)

    def _points(self, name: str, kind: str, says: str, series: Series) -> Iterator[str]:
        yield from self._head(name, kind, says)
        sample = f"{name}_total" if kind == "counter" else name
        for labels, points in series.items():
            for at, value in points:
                yield self._sample(sample, labels, str(value), at)

    def _head(self, name: str, kind: str, says: str, unit: str = "") -> Iterator[str]:
        yield f"# TYPE {name} {kind}\n"
        if unit:
            yield f"# UNIT {name} {unit}\n"
        yield f"# HELP {name} {_quoted(says)}\n"

    def _sample(self, name: str, labels: Labels, value: str, at: int) -> str:
        shown = ",".join(f'{label}="{_quoted(text)}"' for label, text in labels)
        return f"{name}{{{shown}}} {value} {seconds(self._begins + at)}\n"


class _OverTime:
    """Follows what changes in the night."""

    def __init__(self) -> None:
        self.jobs: Series = {}
        self.submitted: Series = {}
        self.finished: Series = {}
        self.attempts: Series = {}
        self.effects: Series = {}
        self.stale: Series = {}
        self.work: Series = {}
        self.workers: Series = {}
        self._night = History()
        self._counted: dict[int, str] = {}
        self._states: dict[str, str] = {}

    def feed(self, event: EventView) -> None:
        self._night.take(event)
        at, kind, worker = event.at, event.kind, (("worker", event.worker),)
        if kind == "submitted":
            _add(self.submitted, self._labels(event.job), at)
        elif kind == "finished":
            ended = ("state", event.state), ("sub_state", event.sub_state)
            _add(self.finished, (*self._labels(event.job), *ended), at)
        elif kind == "attempt_ended":
            _add(self.attempts, (*worker, ("outcome", event.outcome)), at)
        elif kind == "effect_landed":
            _add(self.effects, (("effect", event.effect),), at)
        elif kind == "stale_refused":
            _add(self.stale, (("what", event.what),), at)
        elif kind in ("work_began", "work_stopped"):
            _add(self.work, worker, at, 1 if kind == "work_began" else -1)
            self._follow_worker(at, event.worker)
        elif kind == "worker_changed":
            self._follow_worker(at, event.worker)
        if event.job:
            self._count(at, self._night.jobs[event.job])

    def _follow_worker(self, at: int, worker: str) -> None:
        """Note a worker's state; events tell idle and busy apart by what it works on, not by a change of state."""
        known = self._night.worker(worker)
        now = known.changes[-1].state if known.changes else "idle"
        if now in ("idle", "busy"):
            now = "busy" if known.works else "idle"
        before = self._states.get(worker, "")
        if before != now:
            self._states[worker] = now
            for state, change in ((before, -1), (now, 1)):
                if state:
                    _add(self.workers, (("worker", worker), ("state", state)), at, change)

    def _labels(self, job: int) -> Labels:
        came = self._night.jobs[job].submission
        return ("queue", came.queue), ("routine", came.routine)

    def _count(self, at: int, job: Job) -> None:
        before, state = self._counted.get(job.number, ""), _COUNTED.get(job.state, "")
        if before == state:
            return
        self._counted[job.number] = state
        for one, change in ((before, -1), (state, 1)):
            if one:
                _add(self.jobs, (("queue", job.submission.queue), ("state", one)), at, change)


def _add(series: Series, labels: Labels, at: int, change: int = 1) -> None:
    """Add to the last value; several changes at one instant are one point."""
    points = series.setdefault(labels, [])
    value = (points[-1][1] if points else 0) + change
    if points and points[-1][0] == at:
        points[-1] = at, value
        if len(points) > 1 and points[-2][1] == value:
            points.pop()  # it came and went within the instant
    else:
        points.append((at, value))


def _quoted(text: str) -> str:
    """Write a text as the value of a label, or as help."""
    return plain(text).replace("\\", "\\\\").replace('"', '\\"')
