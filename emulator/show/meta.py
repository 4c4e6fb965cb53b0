"""What does a summary need to know of a run beside its events?"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from emulator.measure.night import Night
from emulator.measure.verdict import Judged, WallClock
from emulator.measure.words import duration
from emulator.scenario.models.arrivals import Arrival

__all__ = ["SMALL_PRINT", "RunMeta", "all_of", "breaks_off", "nothing_came_of", "one_night", "verdict"]

SMALL_PRINT = (
    "A rehearsal is a model: it supports and does not replace the organisation's own change control, restore tests and "
    "the judgement of whoever is responsible for the systems."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMeta:
    """What the summary says of the run itself.

    Attributes:
        title: of the scenario.
        seed: of this night.
        again: the command that runs it again, exactly.
        guessed: how many of the scenario's values are marked as guesses; stated: of how many that say where they
            come from or could.
        explanations: unfinished job -> why it is not done. stuck: those that nothing pending could ever move.
        nothing_came: the arrival entries of which no job came before the end.
        versions: what the run was made with (program, zone data), by name.
        changes: what was set on the command line, each as the option was given.
        breaks_off: where its log ends, in a sentence, if that is before the run was finished; else "".
    """

    title: str
    seed: int
    again: str
    guessed: int = 0
    stated: int = 0
    explanations: Mapping[int, str] = field(default_factory=dict)
    stuck: frozenset[int] = frozenset()
    nothing_came: tuple[str, ...] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    breaks_off: str = ""
    changes: tuple[str, ...] = ()


def nothing_came_of(arrivals: Iterable[Arrival], night: Night) -> tuple[str, ...]:
    """Give the arrival entries that were to bring jobs, and of which none came in a night, in their order."""
    came = {kind.entry for kind in night.kinds} | {job.kind.entry for job in night.refused}
    came |= {occurrence.entry for occurrence in night.skipped}
    return tuple(arrival.label for arrival in arrivals if arrival.count != 0 and arrival.label not in came)


def verdict(judged: tuple[Judged, ...]) -> tuple[bool | None, str]:
    """Say whether the night fits (None: not judged), and the sentence that says so.

    >>> verdict(())
    (None, 'No requirement is stated, so whether the night fits is not judged.')
    """
    missed = sum(1 for one in judged if one.met is False)
    met = sum(1 for one in judged if one.met)
    left = len(judged) - missed - met
    rest = f" {left} could not be judged on this night." if left else ""
    of = f"{len(judged)} requirement{'s' if len(judged) != 1 else ''}"
    if missed:
        return False, f"The night does not fit: {missed} of {of} missed.{rest}"
    if met:
        return True, f"The night fits: {met} of {of} met.{rest}" if left else f"The night fits: {all_of(met)} met."
    if judged:
        return None, f"Whether the night fits is not judged: none of {of} could be judged on this night."
    return None, "No requirement is stated, so whether the night fits is not judged."


def one_night(seed: int) -> str:
    """Say that one night is one draw, and that the command to run it again follows.

    >>> one_night(1)
    'One night (seed 1). Other seeds differ: judge many with --nights. To run it again:'
    """
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
