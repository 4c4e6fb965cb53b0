"""What went wrong in a night, in a dozen lines at most? What befell it, what came of that, and whose story to read.

Every number is read from the folded night; nothing is told of what is fine.
"""

from collections.abc import Iterator, Sequence

from emulator.measure.figures import Figures
from emulator.measure.night import DONE, FINAL, HEALTHY, NOT_KNOWN, UNFINISHED, Night, SeenFault
from emulator.measure.reasons import why_in_words
from emulator.measure.verdict import Judged
from emulator.measure.words import duration, write
from emulator.show.fault_words import fault_words, listed
from emulator.show.layout import Page
from emulator.show.meta import RunMeta
from emulator.show.phrases import spoken

__all__ = ["troubles", "unfinished_jobs", "why_unfinished"]

_MOST_FAULTS = 3


def troubles(page: Page, night: Night, judged: Sequence[Judged], meta: RunMeta) -> None:
    """Write what went wrong."""
    page.heading("What went wrong")
    befell = [*_faults(night, meta), *_actions(night, meta)]
    for when, text in befell:
        page.say(f"{when} {text}", indent=2, hanging=4)
    if not befell:
        page.say(f"No fault. {_backlog(night)}", indent=2, hanging=4)
    for text in (*_lost(night), *_effects(night), *_ends(night, meta)):
        page.say(text, indent=2, hanging=4)
    _stories(page, night, judged, meta)


def _faults(night: Night, meta: RunMeta) -> Iterator[tuple[str, str]]:
    """Give the faults by their entries in the scenario: when, and what became of whom."""
    entries: dict[str, list[SeenFault]] = {}
    for one in night.faults:
        entries.setdefault(one.place, []).append(one)
    for several in list(entries.values())[:_MOST_FAULTS]:
        first = several[0]
        who = list(dict.fromkeys(one.target for one in several))
        text = fault_words(first.fault, who)
        if len({one.at for one in several}) > 1:
            text += f": {len(several)} times, the last at {meta.time(several[-1].at)}"
        elif first.ended >= 0:
            text += f" for {duration(first.ended - first.at)}, until {meta.time(first.ended)}"
        yield meta.time(first.at), f"{text}."
    if (more := len(entries) - _MOST_FAULTS) > 0:
        yield "and", f"{more} more entr{'y' if more == 1 else 'ies'} of `faults`: --all"
    for missed in night.faults_missed[:1]:
        many = len(night.faults_missed)
        more_words = f" {many - 1} more hit nothing either." if many > 1 else ""
        yield (
            meta.time(missed.at),
            f"A fault ({spoken(missed.fault)}) hit nothing: {why_in_words(missed.why)}.{more_words}",
        )


def _actions(night: Night, meta: RunMeta) -> Iterator[tuple[str, str]]:
    for one in night.actions[:2]:
        yield meta.time(one.at), f"A person acted: {spoken(one.action)}{f' {one.target}' if one.target else ''}."
    if (more := len(night.actions) - 2) > 0:
        yield "and", f"{more} more action{'' if more == 1 else 's'} of people."


def _lost(night: Night) -> Iterator[str]:
    lost = night.lost
    if not lost:
        return
    healthy = sum(1 for one in lost if one.delay == HEALTHY)
    delays = sorted(one.delay for one in lost if one.delay >= 0)
    unknown = sum(1 for one in lost if one.delay == NOT_KNOWN)
    text = "1 lease was lost" if len(lost) == 1 else f"{len(lost):,} leases were lost"
    if healthy:
        by = "by a healthy worker" if healthy == 1 else "by healthy workers"
        text += f", {by}" if healthy == len(lost) else f", {healthy:,} of them {by}"
    if delays:
        least, most = duration(delays[0]), duration(delays[-1])
        span = least if least == most else f"{least} to {most}"
        subject = (
            "it was"
            if len(lost) == 1
            else "each was"
            if len(delays) == len(lost)
            else "1 was"
            if len(delays) == 1
            else f"{len(delays):,} were"
        )
        text += f"; {subject} noticed after {span}"
    if unknown:
        text += f"; {unknown} had not begun"
    yield f"{text}."


def _effects(night: Night) -> Iterator[str]:
    if night.repeats:
        first, more = night.repeats[0], len(night.repeats) - 1
        and_more = f" {more} more effect{'' if more == 1 else 's'} too." if more else ""
        where = f"{first.times} times on {first.target}, from {night.name_of(first.job)}"
        yield f"The effect '{first.effect}' landed {where}.{and_more}"
    if night.shared:
        (effect, target), times = next(iter(night.shared.items()))
        yield f"The effect '{effect}' landed {times} times on {target}, from unrelated jobs."


def _ends(night: Night, meta: RunMeta) -> Iterator[str]:
    codes = night.column(FINAL)
    failed: dict[str, int] = {}
    for code, final in enumerate(night.finals):
        if code not in (DONE, UNFINISHED) and final.sub_state != "withdrawn" and (count := codes.count(code)):
            name = spoken(final.sub_state) or "no reason given"
            failed[name] = failed.get(name, 0) + count
    if failed:
        count = sum(failed.values())
        why = listed([f"{name} ({many:,})" if len(failed) > 1 else name for name, many in failed.items()])
        yield f"{count:,} job{'' if count == 1 else 's'} failed: {why}."
    if night.refused:
        many = len(night.refused)
        first = night.refused[0]
        were = " was" if many == 1 else "s were"
        yield f"{many:,} job{were} refused: {why_in_words(first.why, first.values)}."
    if night.skipped:
        many = len(night.skipped)
        were = " was" if many == 1 else "s were"
        yield f"{many:,} occurrence{were} skipped: {why_in_words(night.skipped[0].why)}."
    if unfinished := unfinished_jobs(night, meta):
        job, stuck, why = unfinished[0]
        were = "1 job was" if len(unfinished) == 1 else f"{len(unfinished):,} jobs were"
        yield f"{were} unfinished; {night.name_of(job)}: {why_unfinished(stuck, why)}."
    if meta.nothing_came:
        yield f"No job came from {listed(meta.nothing_came)}."


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


def _backlog(night: Night) -> str:
    figures = Figures(night)
    peak = figures.get("backlog_peak").value
    if not peak:
        return "No job waited."
    jobs = "1 job was" if peak == 1 else f"{peak:,.0f} jobs were"
    drained = figures.get("drain_time")
    if drained.more_than or drained.value is None:
        return f"At most {jobs} queued, and the queue was not empty again before the end."
    return f"At most {jobs} queued; the queue was empty {write(drained)} later."


def _stories(page: Page, night: Night, judged: Sequence[Judged], meta: RunMeta) -> None:
    """Name the jobs that show why a requirement was missed, or a job that lost its lease, and how to read its story."""
    missed = [(place, one) for place, one in enumerate(judged, 1) if one.met is False]
    shows = next(((place, one) for place, one in missed if one.evidence), None)
    if shows is not None:
        names = [night.name_of(job).partition(" (")[0] for job in shows[1].evidence]
        page.say(
            f"{_capital(shows[1].said or shows[1].about or shows[1].asks)}: see {listed(names)}.", indent=2, hanging=4
        )
        _command(page, meta, _named(night, shows[1].evidence[0]))
    elif missed:
        _command(page, meta, f"--requirement {missed[0][0]}")
    elif night.lost:
        _command(page, meta, _named(night, night.lost[0].job))


def _named(night: Night, job: int) -> str:
    """Name a job for a command: by its entry and number, or by its number where a shell needs quotes."""
    name = night.name_of(job)
    return name if all(letter.isalnum() or letter in "#-_." for letter in name) else str(job)


def _command(page: Page, meta: RunMeta, whose: str) -> None:
    if command := meta.command("story", whose):
        page.command(command)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
