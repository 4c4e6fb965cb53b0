"""How does a night become OpenMetrics text, with virtual time as its timestamps?

Counts that change in the night (jobs by state, ends of attempts, states of workers, effects) have a point at each
change; figures, requirements and what is known of the run have one, at the end. A figure that there was nothing to take
from is left out; one that is known to be more than a bound says so in its label ``bound``.
"""

from collections.abc import Iterator
from typing import Final

from emulator.measure.catalogue import MEASURES
from emulator.measure.figures import Figures
from emulator.record.event_view import EventView, views
from emulator.record.history import History, Job
from emulator.show.exports.plain import plain, seconds, unix_microseconds
from emulator.show.exports.recorded import Recorded

__all__ = ["openmetrics"]

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
