"""What does the page say in words and tables? Everything but the picture's own drawing, readable without a script."""

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final

from emulator.measure.catalogue import find
from emulator.measure.figures import Figures
from emulator.measure.night import Night
from emulator.measure.reasons import why_in_words
from emulator.measure.selection import Where
from emulator.measure.verdict import Judged
from emulator.measure.words import duration, value, write
from emulator.record.event_view import view
from emulator.show.html import clean, folded, unbroken
from emulator.show.html import name as _name
from emulator.show.html import table as _table
from emulator.show.html import text as _text
from emulator.show.meta import SMALL_PRINT, factors_in_words, facts, verdict
from emulator.show.page.behind import Behind
from emulator.show.page.curves import curve
from emulator.show.page.picture import PICTURE
from emulator.show.phrases import spoken, told
from emulator.show.settings import head_block, settings_block
from emulator.show.story.writing import Paragraph
from emulator.show.summary import EFFECTS, NOTHING_CAME, REFUSED, final_states
from emulator.show.troubles import unfinished_jobs, why_unfinished
from emulator.show.worst import worst_jobs

if TYPE_CHECKING:
    from emulator.show.page.document import Material

__all__ = ["sections"]

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
