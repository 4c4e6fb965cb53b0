"""Holds what a summary needs to know of a run beside its events, and sums up what went wrong in a night.

Every number is read from the folded night; nothing is said of what is fine.
"""

import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence

from emulator.measure.figures import Figures
from emulator.measure.night import DONE, FINAL, HEALTHY, NOT_KNOWN, UNFINISHED, Night, SeenFault
from emulator.measure.occurrences import Judged, WallClock
from emulator.measure.words import duration, pair, why_in_words, write
from emulator.records import field, record
from emulator.scenario.clock import Clock
from emulator.scenario.models.arrivals import Arrival
from emulator.show.layout import Page
from emulator.show.words import fault_words, listed, spoken
from emulator.timeline.ticks import DAY

__all__ = [
    "NOT_RANDOM",
    "ONE_LINE",
    "SMALL_PRINT",
    "RunMeta",
    "all_of",
    "breaks_off",
    "factors_in_words",
    "facts",
    "found_of",
    "nothing_came_of",
    "one_night",
    "sources_in_words",
    "troubles",
    "unfinished_jobs",
    "verdict",
    "why_unfinished",
]


SMALL_PRINT = (
    "A rehearsal is a model: it supports and does not replace the organisation's own change control, restore tests and "
    "the judgement of whoever is responsible for the systems."
)

NOT_RANDOM = "Nothing in it is random: every night is like this one."

ONE_LINE = "A rehearsal is a model; it does not replace your own change control."
"""The small print of a first screen."""


@record
class RunMeta:
    """What the summary says of the run itself.

    Attributes:
        title: of the scenario.
        seed: of this night.
        again: the command that runs it again, exactly.
        sources: how many of the scenario's values come from which source, those without one last.
        guessed: how many of the scenario's values are marked as guesses; stated: of how many that say where they
            come from or could.
        explanations: unfinished job -> why it is not done. stuck: those that nothing pending could ever move.
        nothing_came: the arrival entries of which no job came before the end.
        versions: what the run was made with (program, zone data), by name.
        also_true: the facts of the lesson, judged on this night.
        changes: what was set on the command line, each as the option was given.
        breaks_off: where its log ends, in a sentence, if that is before the run was finished; else "".
        file: the scenario file as it was named; "" for settings that came from no file.
        variant: the name of its variant; "" for the scenario as written.
        allowed: folders that were allowed for the files of the scenario.
        clock: the scenario's clock; without one a time is counted from the start.
        random: whether anything in the night was drawn by chance; if not, every seed gives this night.
    """

    title: str
    seed: int
    again: str
    sources: Mapping[str, int] = field(default_factory=dict)
    guessed: int = 0
    stated: int = 0
    explanations: Mapping[int, str] = field(default_factory=dict)
    stuck: frozenset[int] = frozenset()
    nothing_came: tuple[str, ...] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    breaks_off: str = ""
    also_true: tuple[Judged, ...] = ()
    changes: tuple[str, ...] = ()
    file: str = ""
    variant: str = ""
    allowed: tuple[str, ...] = ()
    clock: Clock | None = field(default=None, compare=False)
    random: bool = True

    def command(self, verb: str, *words: str, seeded: bool = True) -> str:
        """Give a command about this night: ``queuedrill story plates.yaml plates#3 --seed 1``; "" without a file."""
        if not self.file:
            return ""
        found = ["queuedrill", verb, shlex.quote(self.file), *words]
        found += ["--variant", shlex.quote(self.variant)] if self.variant else []
        found += ["--seed", str(self.seed)] if seeded else []
        found += self.changes
        for folder in self.allowed:
            found += ["--allow-folder", shlex.quote(folder)]
        return " ".join(found)

    def time(self, tick: int) -> str:
        """Write a moment as a time of day, from a day after the start on with the day of the week."""
        if self.clock is None:
            return f"+{duration(tick)}"
        return f"{self.clock.local(tick):{'%a %H:%M' if tick >= DAY else '%H:%M'}}"


def nothing_came_of(arrivals: Iterable[Arrival], night: Night) -> tuple[str, ...]:
    """Give the arrival entries that were to bring jobs, and of which none came in a night, in their order."""
    came = {kind.entry for kind in night.kinds} | {job.kind.entry for job in night.refused}
    came |= {occurrence.entry for occurrence in night.skipped}
    return tuple(arrival.label for arrival in arrivals if arrival.count != 0 and arrival.label not in came)


def verdict(judged: tuple[Judged, ...]) -> tuple[bool | None, str]:
    """Say whether the night fits (None: not judged), and the sentences that say so, the answer first.

    >>> verdict(())
    (None, 'No requirement is stated, so whether the night fits is not judged.')
    """
    missed = [one for one in judged if one.met is False]
    met = sum(1 for one in judged if one.met)
    left = len(judged) - len(missed) - met
    rest = f" {left} could not be judged on this night." if left else ""
    of = f"{len(judged)} requirement{'s' if len(judged) != 1 else ''}"
    if missed:
        return False, f"The night does not fit: {_why(missed[0])}. {len(missed)} of {of} missed.{rest}"
    if met:
        return True, f"The night fits: {met} of {of} met.{rest}" if left else f"The night fits: {all_of(met)} met."
    if judged:
        return None, f"Whether the night fits is not judged: none of {of} could be judged on this night."
    return None, "No requirement is stated, so whether the night fits is not judged."


def factors_in_words(factors: Mapping[str, float]) -> str:
    """Say by how much a night differs from a usual one, in one sentence; "" where nothing of it was drawn.

    >>> factors_in_words({"demand": 1.234567, "pace": 0.9})
    'Drawn for this night: demand 1.23, pace 0.9 (1 is usual).'
    """
    if not factors:
        return ""
    said = ", ".join(f"{name} {times:.3g}" for name, times in factors.items())
    return f"Drawn for this night: {said} (1 is usual)."


def facts(also_true: tuple[Judged, ...]) -> str:
    """Say that facts of the lesson are not true of a night, in one sentence; "" when none is untrue.

    >>> facts(())
    ''
    """
    wrong = sum(1 for one in also_true if one.met is False)
    if not wrong:
        return ""
    of = "the one fact" if len(also_true) == 1 else f"{wrong} of {len(also_true)} facts"
    return f"Under also_true, {of} {'is' if wrong == 1 else 'are'} not true of this night."


def _why(one: Judged) -> str:
    """Say how one requirement was missed: what was found, and what was asked."""
    about = one.about or one.asks
    if one.of_occurrences or not one.limit:
        seen = f"{about}: {found_of(one)}"
    else:
        is_ = "are" if one.found.unit == "count" else "is"  # what is counted is named in the plural
        seen = f"{about} {is_} {found_of(one)}, {one.limit} asked"
    return f"{one.said} was missed ({seen})" if one.said else seen


def found_of(one: Judged) -> str:
    """Write what was found for a requirement, more exactly than usual if it would read like what was asked."""
    found = one.found
    if one.of_occurrences and found.value is not None:
        return f"{found.n - int(found.value)} of {found.n} in time"
    if found.value is None or one.bound is None:
        return write(found)
    return ("more than " if found.more_than else "") + pair(found.value, one.bound, found.unit)[0]


def sources_in_words(counts: Mapping[str, int]) -> str:
    """Write where the stated values come from.

    >>> sources_in_words({"measured": 2, "guess": 1, "without a source": 23})
    '2 measured, 1 guess, 23 without a source'
    """
    many = {"guess": "guesses"}
    return ", ".join(f"{count} {many.get(source, source) if count > 1 else source}" for source, count in counts.items())


def one_night(seed: int, *, random: bool = True) -> str:
    """Say that one night is one draw, and that the command to run it again follows.

    >>> one_night(1)
    'One night (seed 1). Other seeds differ: judge many with --nights. To run it again:'
    >>> one_night(1, random=False)
    'Nothing in it is random: every night is like this one. To run it again:'
    """
    if not random:
        return f"{NOT_RANDOM} To run it again:"
    return f"One night (seed {seed}). Other seeds differ: judge many with --nights. To run it again:"


def breaks_off(clock: WallClock, ends: int, lasts: int) -> str:
    """Say that the last event of a log, at a tick, is not the end of its run, and what follows from that."""
    return (
        f"The log ends at {clock.local(ends):%Y-%m-%d %H:%M:%S}, after {duration(ends)} of {duration(lasts)}, "
        "before its run was finished: nothing is judged."
    )


def all_of(count: int) -> str:
    """Name all requirements, as the beginning of a sentence that ends in ``met``.

    >>> [all_of(count) for count in (1, 2, 3)]
    ['the one requirement is', 'both requirements', 'all 3 requirements']
    """
    if count <= 2:
        return "the one requirement is" if count == 1 else "both requirements"
    return f"all {count} requirements"


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
