"""What does a summary need to know of a run beside its events?"""

import shlex
from collections.abc import Iterable, Mapping

from emulator.measure.night import Night
from emulator.measure.verdict import Judged, WallClock
from emulator.measure.words import duration, pair, write
from emulator.records import field, record
from emulator.scenario.clock import Clock
from emulator.scenario.models.arrivals import Arrival
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
    "verdict",
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
