"""What does a tired person read after a run? The verdict first, then the figures that it rests on.

The law: the input is a night, the judged requirements and what is known of the run; no clock, no name of a machine, so
the same input gives the same text. Every line keeps within 80 columns.
"""

from collections.abc import Sequence
from typing import Final

from emulator.measure.catalogue import find
from emulator.measure.figures import Figures
from emulator.measure.night import DONE, FINAL, UNFINISHED, Night
from emulator.measure.reasons import why_in_words
from emulator.measure.selection import Where
from emulator.measure.verdict import Judged
from emulator.measure.words import duration, value, write
from emulator.show.layout import Page, Role
from emulator.show.meta import SMALL_PRINT, RunMeta, one_night, verdict
from emulator.show.phrases import spoken
from emulator.show.worst import worst_jobs

__all__ = ["EFFECTS", "final_states", "summary", "unfinished_jobs", "waits_cut_short", "why_unfinished"]

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
_EVIDENCE: Final = 3
"""So many jobs are named beside a missed requirement."""
REFUSED: Final = "refused by the broker"
"""What is said of jobs that were not accepted."""
NOTHING_CAME: Final = "Arrivals without a job"
"""The heading above the arrival entries that submitted no job."""


def summary(night: Night, judged: Sequence[Judged], meta: RunMeta) -> Page:
    """Write the summary of one run. ``Page.as_text()`` gives it as text, ``Page.write(file)`` shows it.

    Args:
        night: the folded run.
        judged: its requirements, judged.
        meta: what is known of the run beside its events.
    """
    page = Page()
    figures = Figures(night)
    fits, sentence = verdict(tuple(judged))
    page.say(sentence, "" if fits is None else "good" if fits else "bad")
    page.blank()
    page.say(f"{meta.title}. {duration(night.horizon)} in virtual time, seed {meta.seed}.")
    _requirements(page, night, judged)
    _jobs(page, night, figures)
    _times(page, figures)
    _attempts(page, figures)
    _effects(page, night, figures)
    _backlog(page, figures)
    _pools(page, night)
    _named(page, night, meta)
    _nothing_came(page, meta)
    _faults(page, night)
    _closing(page, meta)
    return page


def _requirements(page: Page, night: Night, judged: Sequence[Judged]) -> None:
    if not judged:
        return
    page.heading("Requirements")
    words: dict[bool | None, tuple[str, Role]] = {
        True: ("met", "good"),
        False: ("missed", "bad"),
        None: ("not judged", ""),
    }
    rows = [[one.asks, _found(one), words[one.met][0]] for one in judged]
    page.table([["must hold", "found", "verdict"], *rows], roles=["", *(words[one.met][1] for one in judged)])
    for one in judged:
        if one.met is not True:
            names = [night.name_of(job) for job in one.evidence[:_EVIDENCE]]
            more = " and more" if len(one.evidence) > _EVIDENCE else ""
            page.say(one.sentence + (f" See {', '.join(names)}{more}." if names else ""), indent=2, hanging=4)


def _found(one: Judged) -> str:
    if one.of_occurrences and one.found.value is not None:
        return f"{one.found.n - int(one.found.value)} of {one.found.n} in time"
    return write(one.found)


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


def unfinished_jobs(night: Night, meta: RunMeta) -> list[tuple[int, bool, str]]:
    """List unfinished jobs, stuck ones first: number, whether it is stuck, and why it is not done."""
    pairs = enumerate(night.column(FINAL), night.first)
    jobs = [job for job, final in pairs if final == UNFINISHED]
    rows = [(job, job in meta.stuck, meta.explanations.get(job, "not done when the run ended")) for job in jobs]
    return sorted(rows, key=lambda row: (not row[1], row[0]))


def why_unfinished(stuck: bool, why: str) -> str:
    """Say why a job is not done.

    >>> why_unfinished(True, "a person holds it")
    'stuck, nothing that is still to come can move it: a person holds it'
    """
    return f"stuck, nothing that is still to come can move it: {why}" if stuck else why


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


def _closing(page: Page, meta: RunMeta) -> None:
    page.blank()
    if meta.guessed:
        share = value(meta.guessed / meta.stated, "share")
        page.say(
            f"{meta.guessed} of {meta.stated} stated values ({share}) are guesses: "
            "measure them before you rely on this."
        )
    page.say(one_night(meta.seed))
    page.say(meta.again, indent=2)
    page.blank()
    page.say(SMALL_PRINT, "small")
