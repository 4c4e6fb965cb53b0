"""Writes the summary of a run as text and as JSON: the verdict first, then the figures and the worst jobs.

The input is a night, the judged requirements and what is known of the run; no clock, no name of a machine, so the same
input gives the same text. Every line keeps within 80 columns. Keys of the JSON object are stable.

Of the worst jobs first comes what must not happen twice and did, then what failed, what is unfinished, what was
executed twice at once, and last what took longest. A job is named once, with all that speaks against it.
"""

from collections.abc import Callable, Iterable, Sequence
from heapq import nsmallest
from typing import Any, Final, NamedTuple

from emulator.measure.catalogue import find, names
from emulator.measure.estimate import Figure
from emulator.measure.figures import Figures, Where
from emulator.measure.night import (
    ATTEMPTS,
    DONE,
    FINAL,
    FINISHED,
    HEALTHY,
    NUMBER,
    SUBMITTED,
    UNFINISHED,
    LostLease,
    Night,
)
from emulator.measure.occurrences import Judged
from emulator.measure.words import duration, value, why_in_words, write
from emulator.show.layout import WIDTH, Page, Role, as_sentence
from emulator.show.meta import (
    NOT_RANDOM,
    ONE_LINE,
    SMALL_PRINT,
    RunMeta,
    factors_in_words,
    facts,
    found_of,
    one_night,
    sources_in_words,
    troubles,
    unfinished_jobs,
    verdict,
    why_unfinished,
)
from emulator.show.words import spoken

__all__ = [
    "EFFECTS",
    "WorstJob",
    "as_json",
    "final_states",
    "summary",
    "waits_cut_short",
    "worst_jobs",
]


class WorstJob(NamedTuple):
    """A job's number, its name (``entry#number``), and why it is among the worst."""

    job: int
    name: str
    why: str


def worst_jobs(night: Night, most: int = 5) -> tuple[WorstJob, ...]:
    """Name the worst jobs of a night, ``most`` at most; equally bad ones in the order of their numbers."""
    found: dict[int, list[str]] = {}
    for chosen in (_repeated, _failed, _unfinished, _overlapping, _slowest):
        for job, why in chosen(night, most):
            if job in found or len(found) < most:
                found.setdefault(job, []).append(why)
    for job, whys in found.items():
        attempts = night.value(job, ATTEMPTS)
        if attempts > 1:
            whys.append(f"{attempts} attempts")
    return tuple(WorstJob(job, night.name_of(job), "; ".join(whys)) for job, whys in found.items())


def _repeated(night: Night, most: int) -> Iterable[tuple[int, str]]:
    for repeat in sorted(night.repeats, key=lambda repeat: -repeat.times)[:most]:
        yield repeat.job, f"{repeat.effect} landed {repeat.times} times on {repeat.target}"


def _failed(night: Night, most: int) -> Iterable[tuple[int, str]]:
    bad = {
        code: final
        for code, final in enumerate(night.finals)
        if code not in (UNFINISHED, DONE) and final.sub_state != "withdrawn"
    }
    rows = _rows(night, lambda final: final in bad)
    for _, job in nsmallest(most, ((-night.value(job, ATTEMPTS), job) for job in rows)):
        final = bad[night.value(job, FINAL)]
        yield (
            job,
            f"failed: {spoken(final.sub_state) or why_in_words(final.why, dict(final.values)) or 'no reason given'}",
        )


def _unfinished(night: Night, most: int) -> Iterable[tuple[int, str]]:
    rows = _rows(night, lambda final: final == UNFINISHED)
    for since, job in nsmallest(most, ((night.value(job, SUBMITTED), job) for job in rows)):
        yield job, f"unfinished after {duration(night.horizon - since)}"


def _overlapping(night: Night, most: int) -> Iterable[tuple[int, str]]:
    for ticks, job in nsmallest(most, ((-ticks, job) for job, ticks in night.overlap.items())):
        yield job, f"executed twice at once for {duration(-ticks)}"


def _slowest(night: Night, most: int) -> Iterable[tuple[int, str]]:
    rows = _rows(night, lambda final: final == DONE)
    times = ((night.value(job, SUBMITTED) - night.value(job, FINISHED), job) for job in rows)
    for ticks, job in nsmallest(most, times):
        yield job, f"done after {duration(-ticks)}"


def _rows(night: Night, wanted: Callable[[int], bool]) -> list[int]:
    pairs = zip(night.column(NUMBER), night.column(FINAL), strict=True)
    return [job for job, final in pairs if wanted(final)]


EFFECTS: Final = (
    "effects_landed",
    "effects_refused",
    "unsafe_repeats",
    "unsafe_repeats_across_jobs",
    "late_effects",
    "effects_after_end",
    "partial_effects",
)
"""The figures that tell of effects, in their order."""
_MOST: Final = 10
"""So many lines at most for what may be long."""
_MOST_ASKED: Final = 8
"""So many requirements at most on the first screen, those that were missed before others."""
_MOST_POOLS: Final = 2
_AT: Final = 15
"""The column in which figures begin."""
_EVIDENCE: Final = 3
"""So many jobs are named beside a missed requirement."""
REFUSED: Final = "refused by the broker"
"""What is said of jobs that were not accepted."""
NOTHING_CAME: Final = "Arrivals without a job"
"""The heading above the arrival entries that submitted no job."""


def summary(
    night: Night, judged: Sequence[Judged], meta: RunMeta, *, everything: bool = False, width: int = WIDTH
) -> Page:
    """Write the summary of one run. ``Page.as_text()`` gives it as text, ``Page.write(file)`` shows it.

    Args:
        night: the folded run.
        judged: its requirements, judged.
        meta: what is known of the run beside its events.
        everything: write all that is known, not the first screen alone.
        width: how wide tables may be.
    """
    page = Page(width=width)
    figures = Figures(night)
    fits, sentence = verdict(tuple(judged))
    page.say(f"{sentence} One night (seed {meta.seed}).", "" if fits is None else "good" if fits else "bad")
    if untrue := facts(meta.also_true):
        page.say(untrue, "bad")
    page.blank()
    page.say(" ".join(filter(None, (_title(meta, night), factors_in_words(night.factors)))))
    _requirements(page, night, judged, everything=everything)
    _also_true(page, meta)
    troubles(page, night, judged, meta)
    _figures(page, night, figures)
    if everything:
        _jobs(page, night, figures)
        _times(page, figures)
        _attempts(page, figures)
        _effects(page, night, figures)
        _backlog(page, figures)
        _pools(page, night)
        _named(page, night, meta)
        _nothing_came(page, meta)
        _faults(page, night)
    _closing(page, meta, everything=everything)
    return page


def _title(meta: RunMeta, night: Night) -> str:
    variant = f", variant '{meta.variant}'" if meta.variant else ""
    start = "" if meta.clock is None else f"From {meta.clock.local(0):%Y-%m-%d %H:%M}, {meta.clock.zone}, "
    return f"{as_sentence(meta.title + variant)} {start}{duration(night.horizon)} in virtual time."


def _requirements(page: Page, night: Night, judged: Sequence[Judged], *, everything: bool) -> None:
    if not judged:
        return
    words: dict[bool | None, tuple[str, Role]] = {
        True: ("met", "good"),
        False: ("missed", "bad"),
        None: ("not judged", ""),
    }
    shown = list(judged) if everything else [one for one in judged if one.met is not True][:_MOST_ASKED]
    shown += [one for one in judged if one.met is True][: max(0, _MOST_ASKED - len(shown))] if not everything else []
    shown = [one for one in judged if any(one is other for other in shown)]
    page.blank()
    rows = [[_about(one), one.limit, found_of(one), words[one.met][0]] for one in shown]
    roles: list[Role] = ["", *(words[one.met][1] for one in shown)]
    page.table([["requirement", "asked", "found", ""], *rows], right=[1, 2], roles=roles)
    if len(shown) < len(judged):
        page.say(f"and {len(judged) - len(shown)} more: --all", indent=2)
    for one in shown:
        if one.met is None or (one.met is False and (everything or one.of_occurrences or one.found.more_than)):
            names = [night.name_of(job) for job in one.evidence[:_EVIDENCE]]
            more = " and more" if len(one.evidence) > _EVIDENCE else ""
            page.say(one.sentence + (f" See {', '.join(names)}{more}." if names else ""), indent=2, hanging=4)


def _also_true(page: Page, meta: RunMeta) -> None:
    """Tell the facts of the lesson apart from the requirements."""
    if meta.also_true:
        page.blank()
    words = {True: "also true", False: "not true", None: "not judged"}
    for one in meta.also_true:
        role: Role = "bad" if one.met is False else ""
        page.say(f"{words[one.met]}: {_about(one)} {one.limit} ({found_of(one)})", role, indent=2, hanging=4)


def _about(one: Judged) -> str:
    about = one.about or one.asks
    return f"{one.said} ({about})" if one.said else about


def _figures(page: Page, night: Night, figures: Figures) -> None:
    """Write five lines of figures: how jobs ended, how long they took, what the workers did."""

    def get(name: str) -> str:
        return write(figures.get(name))

    page.heading("Figures")
    ends = [f"{count:,} {state}" for state, count in _ends(night) if count or state in ("done", "unfinished")]
    page.item("jobs", ", ".join(ends), at=_AT)
    for base in ("wait", "turnaround"):
        if figures.get(f"{base}_median").value is None:
            page.item(base, "none: no job came so far", at=_AT)
            continue
        p90 = figures.get(f"{base}_p90")
        most = "nine in ten " + (write(p90) if p90.more_than else f"at most {write(p90)}")
        page.item(base, f"median {get(f'{base}_median')}, {most}", at=_AT)
    pools = []
    for pool in sorted(set(night.pools.values())):
        workers = sum(1 for other in night.pools.values() if other == pool)
        pools.append(f"{workers} in {pool}, {write(Figures(night, Where(pool=pool)).get('utilisation'))} busy")
    if pools:
        page.item(
            "workers", "; ".join(pools[:_MOST_POOLS]) + ("; and more" if len(pools) > _MOST_POOLS else ""), at=_AT
        )
    share = figures.get("wasted_share").value
    wasted = get("wasted_work") + (f" ({get('wasted_share')} of all executed)" if share else "")
    page.item("wasted work", f"{wasted}; effects repeated unsafely: {get('unsafe_repeats')}", at=_AT)


def _ends(night: Night) -> list[tuple[str, int]]:
    found: dict[str, int] = {}
    for state, sub_state, count in final_states(night):
        name = sub_state if sub_state == "withdrawn" else state
        found[name] = found.get(name, 0) + count
    return [*found.items(), ("refused", len(night.refused)), ("skipped", len(night.skipped))]


def final_states(night: Night) -> list[tuple[str, str, int]]:
    """Count jobs by final state and sub-state: done, failed by sub-state (most first), withdrawn, unfinished."""
    codes = night.column(FINAL)
    failed: dict[str, int] = {}
    for code, final in enumerate(night.finals):
        if code not in (DONE, UNFINISHED):
            failed[final.sub_state] = failed.get(final.sub_state, 0) + codes.count(code)
    withdrawn = failed.pop("withdrawn", 0)
    rows = [("done", "", codes.count(DONE))]
    rows += [("failed", name, count) for name, count in sorted(failed.items(), key=lambda pair: (-pair[1], pair[0]))]
    rows += [("failed", "withdrawn", withdrawn)] if withdrawn else []
    return [*rows, ("unfinished", "", codes.count(UNFINISHED))]


def _jobs(page: Page, night: Night, figures: Figures) -> None:
    page.heading("Jobs")
    rows = []
    for state, sub_state, count in final_states(night):
        title = sub_state if sub_state == "withdrawn" else f"{state}: {spoken(sub_state)}" if sub_state else state
        rows.append([title, str(count)])
    if night.refused:
        rows.append([REFUSED, str(len(night.refused))])
    if night.skipped:
        rows.append(["occurrences skipped", str(len(night.skipped))])
    page.table(rows, right=[1])
    resubmitted = figures.get("resubmitted").value
    share = f"Done: {write(figures.get('done_share'))} of all submitted jobs (refused ones included)"
    if resubmitted:
        share += f"; resubmitted jobs counted with the first: {write(figures.get('resubmission_groups_done_share'))}"
    page.say(share + ".", indent=2, hanging=4)


def waits_cut_short(count: int) -> str:
    """Say how many waits were cut off because their job ended, which is not the end of the run.

    >>> waits_cut_short(1)
    '1 wait was cut off by the end of its job, which no worker had taken'
    """
    if count == 1:
        return "1 wait was cut off by the end of its job, which no worker had taken"
    return f"{count} waits were cut off by the end of their jobs, which no worker had taken"


def _times(page: Page, figures: Figures) -> None:
    page.heading("Times")
    names = ("median", "p90", "p99", "longest")
    rows = [["", *names]]
    cut_off, ended = 0, figures.selection.ended_waiting()
    for base, title in (("wait", "wait"), ("run_time", "run time"), ("turnaround", "turnaround")):
        found = [figures.get(f"{base}_{name}") for name in names]
        cut_off = max(cut_off, found[0].unfinished - (ended if base == "wait" else 0))
        rows.append([title, *(write(one).replace("more than ", "> ") for one in found)])
    page.table(rows, right=[1, 2, 3, 4])
    page.say(f"Makespan: {write(figures.get('makespan'))}.", indent=2)
    if cut_off or ended:
        were = "was" if cut_off == 1 else "were"
        by = [f"up to {cut_off} of these times {were} cut off by the end of the run"] if cut_off else []
        by += [waits_cut_short(ended)] if ended else []
        page.say(
            f"'> x' is 'more than x': {' and '.join(by)}; they are counted as such (product-limit estimate).",
            indent=2,
            hanging=4,
        )


def _attempts(page: Page, figures: Figures) -> None:
    page.heading("Attempts")

    def get(name: str) -> str:
        return write(figures.get(name))

    rows = [["attempts", f"{get('attempts')} ({get('attempts_per_job')} for each job that had one)"]]
    rows.append([find("lost_leases").label, get("lost_leases")])
    if figures.get("lost_while_healthy").value:
        rows.append(["  by healthy workers", get("lost_while_healthy")])
    if figures.get("detection_delay_median").value is not None:
        rows.append(
            ["  noticed after", f"{get('detection_delay_median')} (median), {get('detection_delay_p90')} (p90)"]
        )
    rows.append(["overlapping work", f"{get('overlap')} in {_jobs_word(figures, 'overlapping_jobs')}"])
    rows.append(["stale requests refused", get("stale_refused")])
    wasted = "" if figures.get("wasted_share").value is None else f" ({get('wasted_share')} of all executed)"
    rows.append(["wasted work", get("wasted_work") + wasted])
    page.table(rows)


def _jobs_word(figures: Figures, name: str) -> str:
    count = figures.get(name).value
    return "1 job" if count == 1 else f"{count} jobs"


def _effects(page: Page, night: Night, figures: Figures) -> None:
    if not night.landed and not night.refused_effects:
        return
    page.heading("Effects")
    page.table([[find(name).label, write(figures.get(name))] for name in EFFECTS], right=[1])
    for repeat in night.repeats[:_MOST]:
        words = f"{repeat.effect} landed {repeat.times} times on {repeat.target}, from {night.name_of(repeat.job)}"
        page.say(words, "bad", indent=2, hanging=4)
    _more(page, len(night.repeats))
    for (effect, target), times in list(night.shared.items())[:_MOST]:
        page.say(f"{effect} landed {times} times on {target}, from unrelated jobs", indent=2, hanging=4)
    _more(page, len(night.shared))


def _more(page: Page, count: int) -> None:
    if count > _MOST:
        page.say(f"and {count - _MOST} more", indent=2)


def _backlog(page: Page, figures: Figures) -> None:
    page.heading("Backlog")
    rows = [["peak", _jobs_word(figures, "backlog_peak")], ["drained after", write(figures.get("drain_time"))]]
    rows.append(["on average", f"{write(figures.get('backlog_mean'))} jobs"])
    page.table(rows)


def _pools(page: Page, night: Night) -> None:
    pools = sorted(set(night.pools.values()))
    if not pools:
        return
    page.heading("Workers")
    rows = [["pool", "workers", "utilisation", "offered load"]]
    for pool in pools:
        figures = Figures(night, Where(pool=pool))
        workers = sum(1 for other in night.pools.values() if other == pool)
        load = write(figures.get("offered_load")) if night.offered_load.get(pool) else "not stated"
        rows.append([pool, str(workers), write(figures.get("utilisation")), load])
    page.table(rows, right=[1, 2, 3])


def _named(page: Page, night: Night, meta: RunMeta) -> None:
    worst = worst_jobs(night)
    if worst:
        page.heading("Worst jobs")
        for one in worst:
            page.say(f"{one.name}: {one.why}", indent=2, hanging=4)
    unfinished = unfinished_jobs(night, meta)
    if unfinished:
        page.heading("Unfinished jobs")
        for job, stuck, why in unfinished[:_MOST]:
            words = f"{night.name_of(job)}: {why_unfinished(stuck, why)}"
            page.say(words, "bad" if stuck else "", indent=2, hanging=4)
        _more(page, len(unfinished))


def _nothing_came(page: Page, meta: RunMeta) -> None:
    if not meta.nothing_came:
        return
    page.heading(NOTHING_CAME)
    for entry in meta.nothing_came[:_MOST]:
        page.say(f"{entry}: none before the end", indent=2, hanging=4)
    _more(page, len(meta.nothing_came))


def _faults(page: Page, night: Night) -> None:
    if not night.faults_missed:
        return
    page.heading("Faults that hit nothing")
    for fault in night.faults_missed[:_MOST]:
        words = f"{fault.fault} of {fault.target} ({fault.place}) at +{duration(fault.at)}: {why_in_words(fault.why)}"
        page.say(words, indent=2, hanging=4)
    _more(page, len(night.faults_missed))


def _closing(page: Page, meta: RunMeta, *, everything: bool) -> None:
    page.blank()
    if meta.sources and (meta.guessed or everything):
        page.say(f"Stated values: {sources_in_words(meta.sources)}.")
    if meta.guessed:
        share = value(meta.guessed / meta.stated, "share")
        page.say(
            f"{meta.guessed} of {meta.stated} stated values ({share}) are guesses: "
            "measure them before you rely on this."
        )
    if everything:
        page.say(one_night(meta.seed, random=meta.random))
        page.command(meta.again)
        page.blank()
        page.say(SMALL_PRINT, "small")
        return
    if not meta.random:
        page.say(NOT_RANDOM)
    elif many := meta.command("run", "--nights 40", seeded=False):
        page.say("Other seeds differ. Judge many nights:")
        page.command(many)
    page.say(ONE_LINE, "small")
    page.more("--all", "--page FILE", "--json")


_UNITS: Final = {"time": "microseconds", "share": "0 to 1", "count": "whole number", "ratio": "number"}


def as_json(night: Night, judged: Sequence[Judged], meta: RunMeta) -> dict[str, Any]:
    """Give the summary of one run as plain data for ``json.dumps``; floats have 9 significant digits."""
    figures = Figures(night)
    fits, sentence = verdict(tuple(judged))
    pools = sorted(set(night.pools.values()))
    return {
        "format": "queuedrill-summary/2",
        "title": meta.title,
        "file": meta.file,
        "variant": meta.variant,
        "starts": None if meta.clock is None else f"{meta.clock.local(0):%Y-%m-%dT%H:%M:%S}",
        "zone": None if meta.clock is None else meta.clock.zone,
        "seed": meta.seed,
        **({"factors": dict(night.factors)} if night.factors else {}),
        "changes": list(meta.changes),
        "again": meta.again,
        "versions": dict(meta.versions),
        "units": dict(_UNITS),
        "lasts": night.horizon,
        "random": meta.random,
        "verdict": {
            "fits": fits,
            "sentence": sentence,
            "stated": len(judged),
            "met": sum(1 for one in judged if one.met),
            "missed": sum(1 for one in judged if one.met is False),
            "not_judged": sum(1 for one in judged if one.met is None),
        },
        "requirements": [_requirement(night, one) for one in judged],
        "also_true": [_requirement(night, one) for one in meta.also_true],
        "jobs": [
            {"state": state, "sub_state": sub_state, "count": count} for state, sub_state, count in final_states(night)
        ],
        "figures": {name: _figure(figures.get(name)) for name in names()},
        "pools": {
            pool: {"workers": sum(1 for other in night.pools.values() if other == pool)}
            | {name: _figure(Figures(night, Where(pool=pool)).get(name)) for name in ("utilisation", "offered_load")}
            for pool in pools
        },
        "unsafe_repeats": [
            {"effect": one.effect, "target": one.target, "times": one.times, **_job(night, one.job)}
            for one in night.repeats
        ],
        "unsafe_repeats_across_jobs": [
            {"effect": effect, "target": target, "times": times} for (effect, target), times in night.shared.items()
        ],
        "worst_jobs": [{**_job(night, one.job), "why": one.why} for one in worst_jobs(night)],
        "unfinished_jobs": [
            {**_job(night, job), "stuck": stuck, "why": why} for job, stuck, why in unfinished_jobs(night, meta)
        ],
        "arrivals_without_jobs": list(meta.nothing_came),
        "faults": [{**one._asdict(), "ended": one.ended if one.ended >= 0 else None} for one in night.faults],
        "faults_missed": [{**one._asdict(), "why": why_in_words(one.why)} for one in night.faults_missed],
        "actions": [one._asdict() for one in night.actions],
        "lost_leases": [_lost(night, one) for one in night.lost],
        "refused_jobs": [
            {
                "at": one.at,
                "entry": one.kind.entry,
                "name": f"{one.kind.entry}#{one.ordinal}",
                "why": why_in_words(one.why, one.values),
            }
            for one in night.refused
        ],
        "skipped_occurrences": [{**one._asdict(), "why": why_in_words(one.why)} for one in night.skipped],
        "guessed_values": {"guessed": meta.guessed, "stated": meta.stated},
        "sources": dict(meta.sources),
        "note": SMALL_PRINT,
    }


def _lost(night: Night, one: LostLease) -> dict[str, Any]:
    """Tell a lost lease: how long after its worker had gone it was noticed, if the worker had and that is known."""
    return {
        "at": one.at,
        **_job(night, one.job),
        "worker": one.worker,
        "healthy": one.delay == HEALTHY,
        "noticed_after": one.delay if one.delay >= 0 else None,
    }


def _requirement(night: Night, one: Judged) -> dict[str, Any]:
    return {
        "requirement": one.requirement,
        "label": one.asks,
        "met": one.met,
        "found": _figure(one.found),
        "bound": _rounded(one.bound),
        "sentence": one.sentence,
        "evidence": [_job(night, job) for job in one.evidence],
    }


def _job(night: Night, job: int) -> dict[str, Any]:
    return {"job": job, "name": night.name_of(job)}


def _figure(figure: Figure) -> dict[str, Any]:
    return {
        "value": _rounded(figure.value),
        "unit": figure.unit,
        "more_than": figure.more_than,
        "estimator": figure.estimator,
        "n": figure.n,
        "unfinished": figure.unfinished,
    }


def _rounded(number: float | None) -> float | None:
    return float(f"{number:.9g}") if isinstance(number, float) else number
