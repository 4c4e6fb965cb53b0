"""Plays nights and makes the table of values from which whoever is on call has to worry.

The law: every figure comes from nights that were played, and says from how many. The table is made from quiet nights:
made from all nights that fit, it would have to let pass what survived faults look like, and find fewer bad ones.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Final

from emulator.errors import InputError
from emulator.experiment.comparison_plan import seed_from
from emulator.experiment.settings import setting_of
from emulator.experiment.watched_nights import open_watch
from emulator.measure.comparison.intervals import check_scipy
from emulator.measure.signals import STEP, Signal, WatchedNight, signals_of
from emulator.outlook.found import Found, Growth, Help, found_of, growth_of, helps_of
from emulator.outlook.table import (
    MOST_SIGNALS,
    Sets,
    Table,
    choose_signals,
    fewest,
    fewest_sure,
    hours_of,
    sets_of,
    shapes_of,
    table_of,
)
from emulator.record.meta import program_version
from emulator.scenario.arguments import FUNCTION, WHOLE, may_be, must_be
from emulator.scenario.clock import Clock, zone_data_version
from emulator.scenario.fault_kinds import FAULT_KINDS
from emulator.scenario.load import Loaded
from emulator.scenario.models.faults import kind_of
from emulator.scenario.spelling import advise
from emulator.scenario.stated import Assumed
from emulator.scenario.variants import AS_WRITTEN
from emulator.show.settings import assumed
from emulator.timeline.ticks import DAY

__all__ = ["Thresholds", "TooFewNights", "share_from", "thresholds"]

MOST_NIGHTS: Final = 100_000
_LONGEST: Final = 7 * DAY
_CALIBRATION: Final = Fraction(2, 5)
"""Of the quiet nights, so many give the limit."""
_SHARES: Final = (Fraction(1, 1000), Fraction(1, 5))

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class TooFewNights:
    """There are too few quiet nights for the promise.

    Attributes:
        share: of false alarms that was asked for.
        played: nights. quiet: those without a fault. calibration: those that would give the limit.
        needed: how many of the last it takes at least.
        nights: how many nights will probably do.
    """

    share: Fraction
    played: int
    quiet: int
    calibration: int
    needed: int
    nights: int


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The table, and all that is known of it.

    Attributes:
        title, file, versions, clock: of the scenario and the program.
        changes: what was set on the command line.
        first_seed, nights: the nights as written: their first seed, and how many.
        played: how many nights were played in all, with more work and with other answers too.
        sets: the nights by what they were used for.
        table: the thresholds.
        candidates: how many signals there are to choose from.
        chosen: whether signals were chosen by nights.
        named: the signals that were asked for by name; None for none.
        found: what the table finds in the nights of the report.
        varied: whether quiet nights differ at all.
        asked: whether the scenario states any requirement.
        growth: up to how much more work it holds; None where it was not tried.
        helps: what the questions of the scenario would save.
        assumed: what the nights rest on.
        fault_names: what each fault is called, by its place in the scenario.
    """

    title: str
    file: str
    versions: Mapping[str, str]
    clock: Clock
    changes: Sequence[str]
    first_seed: int
    nights: int
    played: int
    sets: Sets
    table: Table
    candidates: int
    chosen: bool
    named: Sequence[str] | None
    found: Found
    varied: bool
    asked: bool
    growth: Growth | None
    helps: Sequence[Help]
    assumed: Assumed
    fault_names: Mapping[str, str]


def share_from(text: str) -> Fraction:
    """Read a share of false alarms: a per cent or a fraction, from 0.1 % to 20 %.

    Raises:
        InputError: for anything else.

    >>> share_from("1%"), share_from("0.05")
    (Fraction(1, 100), Fraction(1, 20))
    """
    plain = text.strip()
    try:
        share = Fraction(plain.rstrip("%").strip()) / (100 if plain.endswith("%") else 1)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"{text!r} is no share of nights: write 1% or 0.01") from None
    if not _SHARES[0] <= share <= _SHARES[1]:
        raise InputError(f"{text} of false alarms is out of range: give a share from 0.1% to 20%, such as 1%")
    return share


def thresholds(
    loaded: Loaded,
    *,
    share: Fraction = Fraction(1, 100),
    nights: int = 1_000,
    signals: Sequence[str] | None = None,
    more_work: int = 100,
    helps: bool = True,
    first_seed: int | None = None,
    processes: int | None = None,
    progress: Progress | None = None,
) -> Thresholds | TooFewNights:
    """Make one table of thresholds for all signals of a scenario.

    Args:
        loaded: the scenario.
        share: of quiet nights that may alarm at most.
        nights: how many nights are played as written, from 10 to 100,000.
        signals: the names of those to watch; by default all, and at most six, chosen by nights that are used for
            nothing else.
        more_work: how many quiet nights are played with each growth of the work; 0: none.
        helps: whether the questions of the scenario are asked of bad nights.
        first_seed: the seed of the first night; by default the scenario's.
        processes: how many processes play nights; by default one for each processor.
        progress: told the share that is done, from 0 to 1.

    Raises:
        InputError: for arguments out of range, an unknown signal, a night that is too short or too long, and where no
            night is quiet.
    """
    check_scipy()
    must_be(WHOLE, nights=nights, more_work=more_work)
    may_be(FUNCTION, progress=progress)
    scenario = loaded.scenario
    if not 10 <= nights <= MOST_NIGHTS:
        raise InputError(f"{nights} nights are out of range: give a number from 10 to {MOST_NIGHTS:,}")
    if not 0 <= more_work <= MOST_NIGHTS:
        raise InputError(
            f"{more_work} quiet nights with more work are out of range: give a number from 0 to {MOST_NIGHTS:,}"
        )
    if not STEP <= scenario.lasts <= _LONGEST:
        raise InputError(f"{loaded.name}: thresholds are made for nights that last from 5 min to 7 d")
    every = signals_of(scenario.queues)
    wanted = _wanted(loaded.name, signals, every)
    choosing = signals is None and len(every) > MOST_SIGNALS
    seed = seed_from(scenario.seed, first_seed)
    setting, hours = setting_of(loaded, AS_WRITTEN), hours_of(loaded.clock, scenario.lasts)
    with ExitStack() as stack:
        watch = stack.enter_context(open_watch(processes))
        told = _Told(nights * (2 if more_work or loaded.questions else 1), progress)
        played = watch.nights(setting, range(seed, seed + nights), told)
        sets = sets_of(played, choice=choosing)
        too_few = _too_few(loaded.name, share, played, sets)
        if too_few is not None:
            return too_few
        shapes = shapes_of(wanted, sets.shape, hours)
        if choosing:
            shapes = choose_signals(shapes, hours, [night for night in sets.choice if night.missed_at is not None])
        table = table_of(shapes, hours, sets.calibration, share)
        found = found_of(table, sets.report, _names(loaded))
        quiet = len([night for night in played if night.is_quiet]) / nights
        growth = None
        if more_work:
            growth = growth_of(loaded, table, watch, told, seed + nights, ceil(more_work / quiet))
        bad = [night for night in sets.report if night.missed_at is not None]
        answers = helps_of(loaded, table, watch, told, bad) if helps else ()
    return Thresholds(
        title=loaded.title,
        file=loaded.name,
        versions={"program": program_version(), "zone data": zone_data_version()},
        clock=loaded.clock,
        changes=tuple(map(str, loaded.changes)),
        first_seed=seed,
        nights=nights,
        played=watch.played,
        sets=sets,
        table=table,
        candidates=len(every),
        chosen=choosing,
        named=signals,
        found=found,
        varied=any(night.samples != sets.shape[0].samples for night in sets.shape),
        asked=bool(scenario.must_hold),
        growth=growth,
        helps=answers,
        assumed=assumed(loaded),
        fault_names=_names(loaded),
    )


class _Told:
    """Tells the share of nights that are played; how many there will be in all is known only roughly."""

    def __init__(self, roughly: int, progress: Progress | None) -> None:
        self._roughly, self._progress, self._played = roughly, progress, 0

    def __call__(self, more: int) -> None:
        self._played += more
        if self._progress is not None:
            self._progress(min(1.0, self._played / self._roughly))


def _wanted(file: str, names: Sequence[str] | None, every: Sequence[Signal]) -> list[tuple[int, Signal]]:
    """Give the signals that are to be watched, each with its place."""
    known = {signal.name: (place, signal) for place, signal in enumerate(every)}
    for name in names or ():
        if name not in known:
            raise InputError(f"{file}: there is no signal {name!r}: {advise(name, tuple(known))}")
    if names is not None and not names:
        raise InputError("no signal is named: name at least one, or leave it out")
    return [known[name] for name in known if names is None or name in names]


def _too_few(file: str, share: Fraction, played: Sequence[WatchedNight], sets: Sets) -> TooFewNights | None:
    quiet = sum(night.is_quiet for night in played)
    if not quiet:
        raise InputError(
            f"{file}: a fault struck in each of the {len(played):,} nights, and thresholds are made from nights "
            "without one: say with `share_of_nights` in which share of nights each fault is there"
        )
    needed = fewest(share)
    if len(sets.calibration) >= needed and len(sets.shape) > 1:
        return None
    enough = fewest_sure(share) / _CALIBRATION * len(played) / quiet
    return TooFewNights(
        share, len(played), quiet, len(sets.calibration), needed, _rounded_up(enough * Fraction(21, 20))
    )


def _rounded_up(nights: Fraction) -> int:
    """Round up to two digits, so that a few faults more do not make it too few again."""
    digits = 10 ** max(0, len(str(ceil(nights))) - 2)
    return int(ceil(nights / digits) * digits)


def _names(loaded: Loaded) -> dict[str, str]:
    """Give what each fault is called, by its place: its name, else its kind, with its place where others share that."""
    kinds = [fault.name or str(kind_of(fault, FAULT_KINDS)).replace("_", " ") for fault in loaded.scenario.faults]
    return {
        f"faults[{place}]": f"{kind} (faults[{place}])" if kinds.count(kind) > 1 else kind
        for place, kind in enumerate(kinds)
    }
