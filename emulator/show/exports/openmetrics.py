"""How does a night become OpenMetrics text, with virtual time as its timestamps?

Counts that change in the night (jobs by state, ends of attempts, states of workers, effects) have a point at each
change; figures, requirements and what is known of the run have one, at the end. A figure that there was nothing to take
from is left out; one that is known to be more than a bound says so in its label ``bound``.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from emulator.measure.catalogue import MEASURES
from emulator.measure.figures import Figures
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
_SETS_STATE: Final = {
    **dict.fromkeys(("submitted", "held", "hold_ended", "handed_back", "requeued", "finished"), ""),
    "handed_out": "running",
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
        for event in self._recorded.events():
            fold.feed(event.at, event.kind, event.job, event.worker, event.details)
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
        self._kinds: dict[int, tuple[str, str]] = {}
        self._counted: dict[int, str] = {}
        self._told: dict[str, str] = {}
        self._now: dict[str, str] = {}

    def feed(self, at: int, kind: str, job: int, worker: str, details: Mapping[str, object]) -> None:
        def of(*names: str) -> Labels:
            return tuple((name, str(details[name])) for name in names)

        if kind == "submitted":
            self._kinds[job] = str(details["queue"]), str(details["routine"])
            _add(self.submitted, self._labels(job), at)
        elif kind == "finished":
            _add(self.finished, (*self._labels(job), *of("state", "sub_state")), at)
        elif kind == "attempt_ended":
            _add(self.attempts, (("worker", worker), *of("outcome")), at)
        elif kind == "effect_landed":
            _add(self.effects, of("effect"), at)
        elif kind == "stale_refused":
            _add(self.stale, of("what"), at)
        elif kind in ("work_began", "work_stopped"):
            _add(self.work, (("worker", worker),), at, 1 if kind == "work_began" else -1)
            self._follow_worker(at, worker)
        elif kind == "worker_changed":
            self._told[worker] = str(details["state"])
            self._follow_worker(at, worker)
        if kind in _SETS_STATE:
            self._count(at, job, _COUNTED.get(_SETS_STATE[kind] or str(details["state"]), ""))

    def _follow_worker(self, at: int, worker: str) -> None:
        """Note a worker's state; events tell idle and busy apart by what it works on, not by a change of state."""
        now = self._told.get(worker, "idle")
        if now in ("idle", "busy"):
            working = self.work.get((("worker", worker),), [(0, 0)])[-1][1]
            now = "busy" if working else "idle"
        before = self._now.get(worker, "")
        if before != now:
            self._now[worker] = now
            for state, change in ((before, -1), (now, 1)):
                if state:
                    _add(self.workers, (("worker", worker), ("state", state)), at, change)

    def _labels(self, job: int) -> Labels:
        queue, routine = self._kinds[job]
        return ("queue", queue), ("routine", routine)

    def _count(self, at: int, job: int, state: str) -> None:
        before = self._counted.get(job, "")
        if before == state:
            return
        self._counted[job] = state
        queue = self._kinds[job][0]
        for one, change in ((before, -1), (state, 1)):
            if one:
                _add(self.jobs, (("queue", queue), ("state", one)), at, change)


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
