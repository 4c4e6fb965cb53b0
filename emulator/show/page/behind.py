"""What is behind each number of the page? The jobs that show it, and the events that were counted.

A number on the page is a link to its line in the list that is written here. What no job shows by itself, such as the
backlog, leads to the picture that draws it.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from emulator.measure.catalogue import find
from emulator.measure.evidence import evidence
from emulator.measure.figures import Figures
from emulator.measure.night import FINAL
from emulator.measure.words import write
from emulator.show.html import folded, text
from emulator.show.phrases import spoken

__all__ = ["Behind"]

_AT_WORK: Final = ("work_began", "work_stopped")
_KINDS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "attempts": ("handed_out",),
        "attempts_per_job": ("handed_out",),
        "backlog_mean": ("submitted", "handed_out"),
        "backlog_peak": ("submitted", "handed_out"),
        "detection_delay_median": ("attempt_ended",),
        "detection_delay_p90": ("attempt_ended",),
        "done_share": ("finished",),
        "drain_time": ("submitted", "handed_out"),
        "calls_per_second_peak": ("call_ended",),
        "effect_age_longest": ("effect_landed", "finished"),
        "effects_after_end": ("effect_landed", "finished"),
        "effects_landed": ("effect_landed",),
        "effects_refused": ("effect_refused",),
        "late_effects": ("effect_landed",),
        "makespan": ("finished",),
        "overlap": _AT_WORK,
        "overlapping_jobs": _AT_WORK,
        "partial_effects": ("effect_landed", "finished"),
        "unsafe_repeats_across_jobs": ("effect_landed",),
        "unsafe_repeats": ("effect_landed",),
        "stale_refused": ("stale_refused",),
        "utilisation": _AT_WORK,
        "wasted_share": _AT_WORK,
        "wasted_work": _AT_WORK,
    }
)
"""The kinds of the events that a figure is counted from."""

_DRAWN: Final = ("backlog_mean", "backlog_peak", "drain_time", "utilisation")
"""Figures that the picture draws."""
_MOST: Final = 5


class Behind:
    """The numbers of one page, each with what is behind it; ``number`` writes one, ``section`` lists them all."""

    def __init__(self, figures: Figures) -> None:
        self._figures = figures
        self._asked: dict[str, str] = {}
        self._jobs: dict[str, tuple[int, ...]] = {}
        for name in _KINDS:
            if found := evidence(figures.selection, name, -1)[:_MOST]:
                self._jobs[name] = found
        self._counts: dict[int, tuple[str, list[int], int]] = {}
        self._ends: dict[tuple[str, str], list[int]] = {}
        night = figures.night
        for job, code in enumerate(night.column(FINAL), night.first):
            end = night.finals[code]
            some = self._ends.setdefault((end.state, end.sub_state), [])
            if len(some) < _MOST:
                some.append(job)

    def jobs(self) -> list[int]:
        """Name the jobs that show some figure; the page lists their events."""
        ends = (jobs for (state, _), jobs in self._ends.items() if state != "done")
        return [job for jobs in (*self._jobs.values(), *ends) for job in jobs]

    def ended(self, state: str, sub_state: str, count: int) -> str:
        """Write how many jobs ended so, as a link."""
        if not count:
            return "0"
        said = f"{state}: {spoken(sub_state)}" if sub_state else state
        place = list(self._ends).index((state, sub_state))
        self._counts[place] = (said, self._ends[state, sub_state], count)
        return f'<a href="#end-{place}">{count}</a>'

    def number(self, name: str, written: str | None = None) -> str:
        """Write a figure as a link to what is behind it."""
        said = text(write(self._figures.get(name))) if written is None else written
        if name != "utilisation":
            self._asked.setdefault(name, said)
        else:
            self._asked.setdefault(name, "")
        return f'<a href="#figure-{name}">{said}</a>'

    def section(self, job: Callable[[int], str]) -> str:
        """List what is behind the numbers that were written; ``job`` writes a job's name as a link."""
        items = "".join(self._item(name, said, job) for name, said in sorted(self._asked.items()))
        for place, (said, jobs, count) in sorted(self._counts.items()):
            more = f" and {count - len(jobs)} more" if count > len(jobs) else ""
            named = ", ".join(map(job, jobs))
            items += f'<li id="end-{place}">jobs {text(said)}: {count}; {named}{more}.</li>'
        return folded(
            "What is behind the numbers",
            "<p>Each is counted from events of the log: <code>queuedrill trail LOG --kind KINDS</code> lists them, "
            f"<code>queuedrill story LOG JOB</code> tells of one job.</p><ul>{items}</ul>",
            "figures",
        )

    def _item(self, name: str, said: str, job: Callable[[int], str]) -> str:
        value = f": {said}" if said else ""
        parts = [f"events <code>{','.join(_KINDS[name])}</code>"]
        if jobs := self._jobs.get(name):
            more = ", and perhaps more" if len(jobs) == _MOST else ""
            parts.insert(0, f"seen in {', '.join(map(job, jobs))}{more}")
        elif name in _DRAWN:
            parts.insert(0, 'drawn <a href="#night">in the picture</a>')
        return f'<li id="figure-{name}">{find(name).label}{value}; {"; ".join(parts)}.</li>'
