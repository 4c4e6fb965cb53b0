"""Writes what the page says in words, tables and curves; all of it is readable without a script.

A number on the page is a link to its line in the list of what is behind it: the jobs that show it, and the events that
were counted. What no job shows by itself, such as the backlog, leads to the picture that draws it.
"""

from collections.abc import Callable, Mapping, Sequence
from html import escape
from itertools import groupby
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from emulator.measure.catalogue import find
from emulator.measure.figures import Figures, Selection, Where, part_of
from emulator.measure.night import FINAL, Night
from emulator.measure.occurrences import Asked, Judged
from emulator.measure.requirements import evidence
from emulator.measure.words import duration, value, why_in_words, write
from emulator.record.event_view import view
from emulator.show.html import clean, folded, text, unbroken
from emulator.show.html import name as _name
from emulator.show.html import table as _table
from emulator.show.html import text as _text
from emulator.show.meta import SMALL_PRINT, factors_in_words, facts, unfinished_jobs, verdict, why_unfinished
from emulator.show.settings import head_block, settings_block
from emulator.show.story.writing import Paragraph
from emulator.show.summary import EFFECTS, NOTHING_CAME, REFUSED, final_states, waits_cut_short, worst_jobs
from emulator.show.svg import MOST, Bound, Curve, both_widths, cumulative
from emulator.show.words import spoken, told

if TYPE_CHECKING:
    from emulator.show.page.document import Material

__all__ = [
    "PICTURE",
    "Behind",
    "curve",
    "drawn",
    "sections",
]


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


_SHARES: Final = {"median": 0.5, "p90": 0.9, "p95": 0.95, "p99": 0.99, "longest": 1.0}


def curve(night: Night, base: str, title: str, requirements: Sequence[Asked]) -> str:
    """Draw the share of jobs that had ended their wait or turnaround after so long, and give the same as a table.

    Args:
        base: ``wait`` or ``turnaround``.
        title: what it is called, with a capital letter.
        requirements: of the scenario; those on this time are drawn in as lines with a word.
    """
    sample = Selection(night).sample(base)
    if not len(sample):
        return f"<h3>{escape(title)}</h3><p>No job had one.</p>"
    figures = Figures(night)
    picture = both_widths(lambda narrow: drawn(night, base, title, requirements, narrow=narrow))
    told = _told(figures, base, title)
    head = "".join(f'<th scope="col">{name}</th>' for name in ("", "median", "p90", "p99", "longest"))
    cells = "".join(
        f"<td>{escape(write(figures.get(f'{base}_{name}')))}</td>" for name in ("median", "p90", "p99", "longest")
    )
    ended = Selection(night).ended_waiting() if base == "wait" else 0
    cut = len(sample.cut_off) - ended
    by = [f"{cut} {'was' if cut == 1 else 'were'} cut off by the end of the run"] if cut else []
    by += [waits_cut_short(ended)] if ended else []
    count = "it counts" if cut + ended == 1 else "they count"
    left = f" {' and '.join(by)}; {count} as longer than that." if by else ""
    return (
        f"<h3>{escape(title)}</h3>{picture}"
        f"<p>{escape(told)} Of {len(sample)} job{'' if len(sample) == 1 else 's'}.{left}</p>"
        f'<div class="wide"><table><caption>{escape(title)} of jobs</caption><thead><tr>{head}</tr></thead>'
        f'<tbody><tr><th scope="row">{escape(title)}</th>{cells}</tr></tbody></table></div>'
    )


def drawn(
    night: Night, base: str, title: str, requirements: Sequence[Asked], *, narrow: bool, styled: bool = False
) -> str:
    """Draw the curve of all jobs, and of each part of the night that a requirement on this time is about."""
    sample = Selection(night).sample(base)
    about = [(one, name) for one in requirements if (name := _share_of(one, base))]
    parts = [where for where in dict.fromkeys(part_of(one) for one, _ in about) if where != Where()]
    seen = [Curve("all jobs", sample.ended, sample.cut_off)]
    for where in [] if styled else parts[: MOST - 1]:
        part = Selection(night, where).sample(base)
        if len(part):
            seen.append(Curve(_said(where), part.ended, part.cut_off))
    bounds = [
        Bound(
            bound, _SHARES.get(name), f"{find(one.measure or '').label} {words} {duration(bound)}{part_of(one).words()}"
        )
        for one, name in about
        for words, bound in (("at most", one.at_most), ("at least", one.at_least))
        if bound is not None
    ]
    told = _told(Figures(night), base, title)
    return cumulative(f"{title}, as a cumulative curve", told, seen, bounds, "time", narrow=narrow, styled=styled)


def _told(figures: Figures, base: str, title: str) -> str:
    half, most = write(figures.get(f"{base}_median")), write(figures.get(f"{base}_p90"))
    return f"{title}: half within {half}, 9 of 10 within {most}."


def _said(where: Where) -> str:
    return " and ".join(f"{word} {name}" for word, name in where.given().items())


def _share_of(one: Asked, base: str) -> str:
    """Name the quantile of this time, or the mean, that a requirement is about; "" if it is about something else."""
    found, _, name = (one.measure or "").rpartition("_")
    return name if found == base and (name in _SHARES or name == "mean") else ""


_BUTTONS: Final = (
    ("earlier", "←", "earlier"),
    ("later", "→", "later"),
    ("closer", "+", "zoom in"),
    ("wider", "\N{MINUS SIGN}", "zoom out"),
    ("whole", "whole night", "the whole night"),
    ("before", "\N{LEFTWARDS ARROW} attempt", "the previous attempt in this lane"),
    ("after", "attempt \N{RIGHTWARDS ARROW}", "the next attempt in this lane"),
)

PICTURE: Final = (
    '<section id="night"><h2>The night on one axis</h2>'
    '<p id="hint">Drag to move. To zoom, click the picture, then scroll (or scroll with Ctrl held). With the keyboard: '
    "← → move, + - zoom, 0 shows the whole night, ↑ ↓ choose a lane, N and P an attempt in it, F and Shift+F a fault "
    "or an action. Enter opens the story of an attempt's job, Esc closes it.</p>"
    '<form id="filters" aria-label="Which attempts are shown">'
    '<label>Routine <select id="routine"><option value="">all</option></select></label>'
    '<label>Worker <select id="worker"><option value="">all</option></select></label>'
    '<label>Outcome <select id="outcome"><option value="">all</option></select></label>'
    '<output id="shown" for="routine worker outcome"></output></form>'
    '<div class="buttons" role="group" aria-label="Move in the picture">'
    + "".join(f'<button type="button" id="{name}" aria-label="{told}">{sign}</button>' for name, sign, told in _BUTTONS)
    + "</div>"
    '<div id="axis" role="application" tabindex="0" aria-label="The night: jobs by state, systems, and a lane for each '
    'worker" aria-describedby="hint">'
    '<canvas id="above" role="img" aria-label="Faults and actions, jobs by state, calls to systems over time"></canvas>'
    '<canvas id="upper" role="img" aria-label="Lanes of workers with their attempts and leases"></canvas>'
    '<div id="story" hidden tabindex="-1" aria-labelledby="storyname"><h3 id="storyname"></h3>'
    '<button type="button" id="close">close</button><div id="told"></div></div>'
    '<canvas id="lower" role="img" aria-label="Lanes of the workers below the open story"></canvas></div>'
    '<label id="lanes" hidden>Lanes from <input id="first" type="range" min="0" max="0" value="0"></label>'
    '<p id="left"></p>'
    '<p id="tell" aria-live="polite">Hover over or choose an attempt for details.</p>'
    '<ul id="legend" aria-label="What the patterns mean"></ul>'
    '<p id="beats"></p>'
    '<h3 id="faults">Faults and actions</h3><ol id="marks" class="many" aria-labelledby="faults"></ol>'
    '<details class="job"><summary><h3>State at a chosen time</h3></summary>'
    '<p><label for="moment">Time</label> <input id="moment" type="range" min="0" max="1000" value="0"> '
    '<output id="clock" for="moment"></output></p>'
    '<div class="beside"><div class="wide" role="region" aria-label="Queues at this time" tabindex="0">'
    "<table><caption>Queues at this time</caption><thead><tr>"
    '<th scope="col">queue</th><th scope="col">queued</th><th scope="col">held</th><th scope="col">running</th>'
    '</tr></thead><tbody id="queues"></tbody></table></div>'
    '<div class="wide" role="region" aria-label="Workers at this time" tabindex="0">'
    "<table><caption>Workers at this time</caption><thead><tr>"
    '<th scope="col">worker</th><th scope="col">state</th><th scope="col">works on</th></tr></thead>'
    '<tbody id="workers"></tbody></table></div></div></details>'
    "<noscript><p>The picture needs a script; the rest of this page works without one.</p></noscript></section>"
)


_ONE_OF_MANY: Final = "in virtual time; one night of many: other seeds differ."
_MOST_STORIES: Final = 40
_MOST_EVENTS: Final = 200
_MOST_LISTED: Final = 10
_TAGS: Final = {"title": "h4", "heading": "h4"}
"""Of the paragraphs of a story that are more than plain ones."""


def sections(of: "Material") -> tuple[str, frozenset[int]]:
    """Write the body of the page, and name the jobs whose events it lists."""
    night, figures = of.night, Figures(of.night)
    worst, behind = worst_jobs(night), Behind(figures)
    shown = (*(job for one in of.judged for job in one.evidence), *(one.job for one in worst), *behind.jobs())
    named = list(dict.fromkeys(shown))
    named = named[:_MOST_STORIES]
    listed = frozenset(named)
    fits, sentence = (None, of.meta.breaks_off) if of.meta.breaks_off else verdict(of.judged)
    sentence = " ".join(filter(None, (sentence, facts(of.meta.also_true))))
    drawn = factors_in_words(night.factors)
    look = "" if fits is None else " fits" if fits else " fails"
    parts = [
        '<a class="skip" href="#requirements">To the requirements</a>',
        f"<header><p>{_text(of.meta.title)}</p><h1 class='verdict{look}'>{unbroken(sentence)}</h1>",
        f"<p>{' '.join(filter(None, (f'{duration(night.horizon)} {_ONE_OF_MANY}', _text(drawn))))}</p>",
        f"{head_block(of.assumed, f'seed {of.meta.seed}', of.meta.versions, of.meta.again)}</header><main>",
        _requirements(night, of.judged, listed),
        PICTURE,
        _worst(of, listed),
        "" if of.assumed is None else settings_block(of.assumed),
        _times(of, behind),
        _attempts(night, figures, behind),
        _jobs(night, figures, behind),
        _workers(night, behind),
        behind.section(lambda job: _job(night, job, listed)),
        _events(of, named),
        _closing(of),
        "</main>",
    ]
    return "\n".join(part for part in parts if part), listed


def _job(night: Night, job: int, listed: frozenset[int]) -> str:
    name = _name(night.name_of(job))
    return f'<a href="#job-{job}">{name}</a>' if job in listed else name


def _requirements(night: Night, judged: Sequence[Judged], listed: frozenset[int]) -> str:
    words = {True: "met", False: "missed", None: "not judged"}
    rows, sentences = [], []
    for number, one in enumerate(judged, 1):
        found = _text(write(one.found))
        if one.of_occurrences and one.found.value is not None:
            found = f"{one.found.n - int(one.found.value)} of {one.found.n} in time"
        jobs = ", ".join(_job(night, job, listed) for job in one.evidence)
        if one.met is not True:
            found = f'<a href="#requirement-{number}">{found}</a>'
            seen = f" See {jobs}." if jobs else ""
            sentences.append(f'<li id="requirement-{number}">{_text(one.sentence)}{seen}</li>')
        word = words[one.met]
        rows.append([_text(one.asks), found, f'<span class="{word.replace(" ", "-")}">{word}</span>'])
    table = _table("What must hold, and what was found", ("must hold", "found", "verdict"), rows) if rows else ""
    return (
        f'<section id="requirements"><h2>Requirements</h2>{table or "<p>None is stated.</p>"}'
        + (f"<ul>{''.join(sentences)}</ul>" if sentences else "")
        + "</section>"
    )


def _times(of: "Material", behind: Behind) -> str:
    return folded(
        "Waiting and turnaround",
        curve(of.night, "wait", "Wait", of.requirements)
        + curve(of.night, "turnaround", "Turnaround", of.requirements)
        + f"<p>Makespan: {behind.number('makespan')}.</p>",
    )


def _attempts(night: Night, figures: Figures, behind: Behind) -> str:
    get = behind.number
    by_outcome: dict[str, list[int]] = {}
    for (_, _, outcome), cell in night.cells.items():
        found = by_outcome.setdefault(outcome, [0, 0])
        found[0] += cell.attempts
        found[1] += cell.executed
    rows = [
        [_text(spoken(outcome)), _behind("outcome", spoken(outcome), str(count)), duration(executed)]
        for outcome, (count, executed) in sorted(by_outcome.items(), key=lambda pair: (-pair[1][0], pair[0]))
    ]
    lost = figures.get("lost_leases").value
    noticed = (
        ""
        if figures.get("detection_delay_median").value is None
        else (
            f" Half of the losses were noticed within {get('detection_delay_median')}, 9 of 10 within "
            f"{get('detection_delay_p90')}."
        )
    )
    per_job = (
        ""
        if figures.get("attempts_per_job").value is None
        else f", {get('attempts_per_job')} for each job that had one"
    )
    wasted = "" if figures.get("wasted_share").value is None else f" ({get('wasted_share')} of all executed)"
    sentences = [
        f"There {'was' if figures.get('attempts').value == 1 else 'were'} {get('attempts')} "
        f"{_noun(figures, 'attempts', 'attempt')}{per_job}.",
        f"{_behind('outcome', 'lease lost', str(lost))} ended because the lease was lost.{noticed}"
        if lost
        else "No lease was lost.",
        f"Two workers were at one job for {get('overlap')}, in {get('overlapping_jobs')} "
        f"{_noun(figures, 'overlapping_jobs', 'job')}.",
        f"Stale requests refused: {get('stale_refused')}. Wasted work: {get('wasted_work')}{wasted}.",
    ]
    effects = [[find(name).label, get(name)] for name in EFFECTS]
    table = _table("Attempts by outcome", ("outcome", "attempts", "executed"), rows) if rows else ""
    landed = _table("Effects", ("effects", "how many"), effects) if night.landed or night.refused_effects else ""
    return folded(
        "Attempts and losses",
        f'<p>{" ".join(sentences)}</p><div class="beside">{table}{landed}</div>'
        '<div id="behind" hidden tabindex="-1"><h3></h3><p></p><ul></ul></div>',
        "attempts",
    )


def _noun(figures: Figures, name: str, noun: str) -> str:
    """Give the noun that follows a count."""
    return noun if figures.get(name).value == 1 else f"{noun}s"


def _behind(what: str, which: str, number: str) -> str:
    """Write a number as a link to the attempts behind it, which the script lists."""
    return f'<a href="#behind" data-{what}="{_text(which)}">{number}</a>'


def _jobs(night: Night, figures: Figures, behind: Behind) -> str:
    rows = [
        [
            _text(sub_state if sub_state == "withdrawn" else f"{state}: {spoken(sub_state)}" if sub_state else state),
            behind.ended(state, sub_state, count),
        ]
        for state, sub_state, count in final_states(night)
    ]
    if night.refused:
        rows.append([REFUSED, str(len(night.refused))])
    if night.skipped:
        rows.append(["occurrences skipped", str(len(night.skipped))])
    backlog = [
        ["peak", f"{behind.number('backlog_peak')} {_noun(figures, 'backlog_peak', 'job')}"],
        ["drained after", behind.number("drain_time")],
        ["on average", f"{behind.number('backlog_mean')} {_noun(figures, 'backlog_mean', 'job')}"],
    ]
    return folded(
        "Jobs and backlog",
        '<div class="beside">'
        + _table("Jobs by how they ended", ("end", "jobs"), rows)
        + _table("Backlog", ("backlog", "found"), backlog)
        + f"</div><p>Done: {behind.number('done_share')} of all submitted jobs (refused ones included).</p>",
    )


def _workers(night: Night, behind: Behind) -> str:
    rows = []
    for pool in sorted(set(night.pools.values())):
        figures = Figures(night, Where(pool=pool))
        count = sum(1 for other in night.pools.values() if other == pool)
        load = _text(write(figures.get("offered_load"))) if night.offered_load.get(pool) else "not stated"
        busy = behind.number("utilisation", _text(write(figures.get("utilisation"))))
        rows.append([_name(pool), str(count), busy, load])
    if not rows:
        return ""
    table = _table("Pools of workers", ("pool", "workers", "utilisation", "offered load"), rows)
    return folded("Workers", table)


def _worst(of: "Material", listed: frozenset[int]) -> str:
    night = of.night
    worst = "".join(f"<li>{_job(night, one.job, listed)}: {_text(one.why)}</li>" for one in worst_jobs(night))
    unfinished = unfinished_jobs(night, of.meta)
    left = "".join(
        f"<li>{_job(night, job, listed)}: {_text(why_unfinished(stuck, why))}</li>"
        for job, stuck, why in unfinished[:_MOST_LISTED]
    )
    more = len(unfinished) - _MOST_LISTED
    html = "<section><h2>The worst jobs</h2>" + (f"<ul>{worst}</ul>" if worst else "<p>There were no jobs.</p>")
    if left:
        html += f"<h3>Unfinished</h3><ul>{left}</ul>" + (f"<p>And {more} more.</p>" if more > 0 else "")
    if of.meta.nothing_came:
        idle = "".join(f"<li>{_name(entry)}: none before the end</li>" for entry in of.meta.nothing_came[:_MOST_LISTED])
        html += f"<h3>{NOTHING_CAME}</h3><ul>{idle}</ul>"
    if night.faults_missed:
        missed = "".join(
            f"<li>{_text(one.fault)} of {_name(one.target)} at +{duration(one.at)}: {_text(why_in_words(one.why))}</li>"
            for one in night.faults_missed[:_MOST_LISTED]
        )
        html += f"<h3>Faults that hit nothing</h3><ul>{missed}</ul>"
    return html + "</section>"


def _events(of: "Material", named: Sequence[int]) -> str:
    """List the events of the jobs that the page names."""
    wanted: dict[int, list[str]] = {job: [] for job in named}
    left = dict.fromkeys(named, 0)
    for number, row in of.rows:
        event = view(number, row)
        lines = wanted.get(event.job)
        if lines is None:
            continue
        if len(lines) >= _MOST_EVENTS:
            left[event.job] += 1
            continue
        words = _text(told(row, clean(of.night.name_of(event.job)), lambda tick: _clock(of, tick)) + ".")
        cause = f' <a href="#event-{event.cause}">because of {event.cause}</a>' if event.cause else ""
        lines.append(
            f'<li id="event-{number}"><time>{_clock(of, event.at)}</time> {words} <small>{number}{cause}</small></li>'
        )
    if not wanted:
        return ""
    held = "".join(lines_ for lines in wanted.values() for lines_ in lines)
    parts = []
    for job, lines in wanted.items():
        more = f"<p>And {left[job]} more events.</p>" if left[job] else ""
        story = _story(of.stories.get(job, ()))
        parts.append(
            f'<details class="job" id="job-{job}"><summary><h3>{_name(of.night.name_of(job))}</h3></summary>'
            f"{story}<h4>Its events</h4><ol>{''.join(lines)}</ol>{more}</details>"
        )
    return folded("The jobs and the events behind it", _without_dead_links("".join(parts), held))


def _story(told: Sequence[Paragraph]) -> str:
    """Write the story of a job, as the command line tells it."""
    parts = []
    for listed, several in groupby(told, key=lambda one: one.kind in ("said", "changed")):
        if listed:
            items = (f"<li>{f'<time>{one.time}</time> ' if one.time else ''}{_text(one.text)}</li>" for one in several)
            parts.append(f"<ul>{''.join(items)}</ul>")
        else:
            parts += [f"<{(tag := _TAGS.get(one.kind, 'p'))}>{_text(one.text)}</{tag}>" for one in several]
    return f'<div class="story">{"".join(parts)}</div>' if parts else ""


def _without_dead_links(html: str, held: str) -> str:
    """Turn links to events that the page does not list into plain words."""
    import re

    there = set(re.findall(r'id="event-(\d+)"', held))

    def keep(link: re.Match[str]) -> str:
        return link[0] if link[1] in there else f"because of {link[1]}"

    return re.sub(r'<a href="#event-(\d+)">because of \d+</a>', keep, html)


def _clock(of: "Material", tick: int) -> str:
    local = of.clock.local(tick)
    day = (local.date() - of.clock.local(0).date()).days
    return f"{f'day {day + 1} ' if day else ''}{local:%H:%M:%S}"


def _closing(of: "Material") -> str:
    guessed = ""
    if of.meta.guessed:
        share = value(of.meta.guessed / of.meta.stated, "share")
        guessed = (
            f"<p>{of.meta.guessed} of {of.meta.stated} stated values ({share}) are guesses: measure them before you "
            "rely on this.</p>"
        )
    return f"<section>{guessed}<p><small>{SMALL_PRINT}</small></p></section>"
