"""Puts a comparison together from the readings of all its nights; no other module does.

The law: only what was read of the nights counts, never the order in which they came, nor where they were run: nights
are sorted by seed and variant first, whole numbers are added exactly and others by ``math.fsum``.

Whether a variant is not worse than the baseline by more than was allowed comes from the interval of the difference that
holds for all differences together: it holds when the bad end of it is within what is allowed, it does not when even the
good end is beyond, else there are too few nights to decide. Few nights that all gave the same difference cannot tell
either, unless it is none.

How one figure spreads over the nights of one variant: a night whose value is only known to be more than its reading is
never dropped and never taken at its reading where that would flatter. For the mean it counts with its reading, which
makes the mean a lower bound; for order statistics it lies anywhere from its reading up, so a low end takes the readings
and a high end takes it for infinite.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import chain, pairwise
from math import fsum, inf
from typing import Final

from emulator.errors import InputError
from emulator.measure.catalogue import find
from emulator.measure.comparison.intervals import (
    Interval,
    check_confidence,
    kept_within,
    nights_to_show,
    ranks,
    scipy_version,
    student_interval,
)
from emulator.measure.comparison.paired import (
    Paired,
    Seen,
    called,
    compare_pairs,
    each_of,
    holm,
    nights,
    pair_up,
    reach,
    say_difference,
    sure,
    tidy,
    why_not,
)
from emulator.measure.comparison.preference import DONE, check_directions, does_fewer, trade_points
from emulator.measure.comparison.recommend import Candidates, Entrant, recommend
from emulator.measure.comparison.result import (
    Comparison,
    CutShort,
    Difference,
    Effect,
    Lost,
    Share,
    ShareVerdict,
    Spread,
)
from emulator.measure.comparison.shares import shares
from emulator.measure.comparison.wanted import PlayedNight, Reading, Wanted, label_of, needed, of_requirement, wanted
from emulator.measure.estimate import Unit, deviation, mean
from emulator.measure.occurrences import Asked
from emulator.measure.requirements import say_not_worse

__all__ = [
    "Compared",
    "conclude",
    "finite",
    "not_worse",
    "spread",
]


def not_worse(requirement: Asked, difference: Difference) -> Share:
    """Judge one requirement with ``not_worse_by`` by the difference of its figure."""
    assert requirement.measure is not None and requirement.not_worse_by is not None  # it has been checked
    text, words = say_not_worse(requirement)
    together = difference.together
    verdict: ShareVerdict = "undecided"
    too_few = difference.effect == "undecided" and together is not None and together.low == together.high
    if together is not None and not too_few:
        better, worse = _by_how_much_worse(together, find(requirement.measure).better)
        if worse is not None and worse <= requirement.not_worse_by:
            verdict = "holds"
        elif better is not None and better > requirement.not_worse_by:
            verdict = "does_not_hold"
    sentence = f"{called(difference.variant)}: {words}: {verdict.replace('_', ' ')}: {_seen(difference, verdict)}."
    return Share(text, difference.variant, 0, 0, None, None, verdict, sentence, label=words)


def _seen(difference: Difference, verdict: ShareVerdict) -> str:
    if difference.effect == "same":
        return f"it is the same in each of {nights(difference.n)}"
    if difference.together is None or verdict == difference.effect == "undecided":
        return why_not(difference)
    together = difference.together
    reaches = reach(together, difference.unit, difference.measure)
    return f"{label_of(difference.measure)} {reaches} ({sure(together.confidence)})"


def _by_how_much_worse(interval: Interval, better: str) -> tuple[float | None, float | None]:
    """Turn the interval of a difference into one of how much worse: its good end, then its bad end."""
    if better == "lower":
        return interval.low, interval.high
    return None if interval.high is None else -interval.high, None if interval.low is None else -interval.low


_MEDIAN: Final = Fraction(1, 2)
_P90: Final = Fraction(9, 10)


def finite(readings: Sequence[Reading], of: str) -> list[Reading]:
    """Put what is known for certain in the place of infinite readings: more than the largest finite one (or than 0).

    Raises:
        InputError: for a reading that is not a number, or below all bounds.
    """
    values = [one.value for one in readings if one.value is not None]
    if any(math.isnan(value) or value == -math.inf for value in values):
        raise InputError(f"a reading of {of} is not a number: a figure is finite, infinite or absent")
    most = max((value for value in values if value < math.inf), default=0)
    return [Reading(most, True) if one.value == math.inf else one for one in readings]


def spread(measure: str, variant: str, unit: Unit, readings: Iterable[Reading], confidence: float) -> Spread:
    """Describe the readings of one figure, given by ``finite``, in any order."""
    found = list(readings)
    known = [(one.value, one.more_than) for one in found if one.value is not None]
    values = sorted(value for value, _ in known)
    exact = sorted(value for value, more_than in known if not more_than)
    n, more_than = len(values), len(values) - len(exact)
    if not values:
        return Spread(measure, variant, unit, 0, len(found), 0, None, None, None, None, None, None, None, None, None)
    interval = student_interval(values, confidence)
    if interval is not None:  # no figure is below 0, no share above 1
        interval = kept_within(interval, min(0, values[0]), 1.0 if unit == "share" else math.inf)
    if interval is not None and more_than:
        interval = Interval(interval.low, None, confidence)
    median, p90 = math.ceil(n * _MEDIAN) - 1, math.ceil(n * _P90) - 1
    bounds = {
        "mean": more_than > 0,
        "median": exact[median : median + 1] != [values[median]],
        "p90": exact[p90 : p90 + 1] != [values[p90]],
        "least": exact[:1] != values[:1],
        "most": more_than > 0,
    }
    return Spread(
        measure=measure,
        variant=variant,
        unit=unit,
        n=n,
        absent=len(found) - n,
        more_than=more_than,
        mean=mean(values),
        mean_interval=interval,
        deviation=deviation(values) if n > 1 else None,
        median=values[median],
        median_interval=_by_ranks(values, exact, _MEDIAN, confidence),
        p90=values[p90],
        p90_interval=_by_ranks(values, exact, _P90, confidence),
        least=values[0],
        most=values[-1],
        lower_bounds=tuple(name for name, is_bound in bounds.items() if is_bound),
    )


def _by_ranks(values: Sequence[float], exact: Sequence[float], share: Fraction, confidence: float) -> Interval | None:
    """Give the interval of a quantile: ``values`` with cut-off ones at their readings, ``exact`` without them."""
    if len(values) < 2:
        return None
    low, high = ranks(len(values), share, confidence)
    return Interval(
        None if low is None else values[low - 1],
        None if high is None or high > len(exact) else exact[high - 1],
        confidence,
    )


_WORTH_SEEING = 0.05  # of the baseline's mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What was compared, and the nights that were played.

    Attributes:
        title: the scenario's title.
        files: the scenario files, as given.
        variants: the names of the variants, the baseline first.
        baseline: the name of the baseline.
        first_seed: the seed of the first night.
        nights: how many nights of each variant were asked for and run.
        confidence: of each interval for itself, and of all differences together; between 0 and 1.
        stopped: why no more nights were run.
        measures: the compared figures; each night has readings of them and of what else ``needed`` names.
        trade_off: the two figures of the trade-off view.
        requirements: of each variant, in the order of ``PlayedNight.held``.
        lost: nights that failed to run; nights with a ``failure`` are added.
        versions: of the program, of Python and of the zone data; that of scipy is added.
        played: the nights, in any order.
        worth_seeing: by figure, the size of a difference that planning asks about; by default a round amount near 5 %
            of the baseline's mean.
        entrants: the variants in file order, for the rule of recommendation; by default all may be recommended.
        prefer: the preferred measures, in order; each night has readings of them.
        planned: how many nights of each were to be run, if there are fewer.
        cut_short: why there are fewer.
        changes: what was set on the command line.
    """

    title: str
    files: Sequence[str]
    variants: Sequence[str]
    baseline: str
    first_seed: int
    nights: int
    confidence: float
    stopped: str
    measures: Sequence[str]
    trade_off: tuple[str, str]
    requirements: Mapping[str, Sequence[Asked]]
    lost: Iterable[Lost]
    versions: Mapping[str, str]
    played: Iterable[PlayedNight]
    worth_seeing: Mapping[str, float] | None = None
    entrants: Sequence[Entrant] | None = None
    prefer: Sequence[str] = ()
    planned: int | None = None
    cut_short: CutShort = ""
    changes: Sequence[str] = ()


def conclude(of: Compared) -> Comparison:
    """Put a comparison together.

    Raises:
        InputError: when scipy is missing; for a confidence out of range, a figure that is not one, a trade-off of
            figures of which neither side is better, or nights that do not belong together.
    """
    check_confidence(of.confidence)
    if list(of.variants[:1]) != [of.baseline]:
        raise InputError(f"the baseline {of.baseline!r} must come first among the variants: {', '.join(of.variants)}")
    ordered = _ordered(of.played, of.variants)
    figures = {figure.text: figure for figure in needed(of.measures, of.trade_off, of.requirements)}
    liked = [wanted(text) for text in of.prefer] if len(of.variants) > 1 else []
    readings = _readings(ordered, figures, of.variants)
    spreads = {
        (text, variant): spread(text, variant, figure.unit, readings[text, variant].values(), of.confidence)
        for text, figure in figures.items()
        for variant in of.variants
    }
    compared = tuple(dict.fromkeys(wanted(text).text for text in of.measures))
    sizes = {wanted(text).text: size for text, size in (of.worth_seeing or {}).items()}
    held_to = {
        of_requirement(one) for asked in of.requirements.values() for one in asked if one.not_worse_by is not None
    }
    family = [text for text, figure in figures.items() if text in compared or figure in held_to]
    every = _readings(ordered, _also(figures, liked, ordered), of.variants)
    differences = _differences([figures[text] for text in family], of.variants, every, spreads, of.confidence, sizes)
    across, up = wanted(of.trade_off[0]), wanted(of.trade_off[1])
    check_directions(across, up)
    fine = {
        variant: [night for night in ordered if night.variant == variant and not night.failure]
        for variant in of.variants
    }
    unequal = tuple(_not_worse(of.variants[1:], of.requirements, differences))
    gone = _lost(of.lost, ordered, of.variants)
    entering = _entrants(of.variants) if of.entrants is None else of.entrants
    random = any(night.drawn for night in ordered)
    return Comparison(
        title=of.title,
        changes=tuple(of.changes),
        files=tuple(of.files),
        variants=tuple(of.variants),
        baseline=of.baseline,
        first_seed=of.first_seed,
        nights=of.nights,
        confidence=of.confidence,
        stopped=of.stopped,
        measures=compared,
        trade_off=(across.text, up.text),
        spreads=tuple(spreads[text, variant] for text in compared for variant in of.variants),
        differences=tuple(differences[text, variant] for text in compared for variant in of.variants[1:]),
        shares=tuple(
            chain.from_iterable(
                shares(
                    variant,
                    of.requirements.get(variant, ()),
                    fine[variant],
                    of.confidence,
                    candidates=sum(1 for one in entering if not one.what_if),
                    random=random,
                )
                for variant in of.variants
            )
        ),
        not_worse=unequal,
        points=trade_points(
            [spreads[across.text, variant] for variant in of.variants],
            [spreads[up.text, variant] for variant in of.variants],
            (across.measure.better, up.measure.better),
            [_mean_done(fine[variant]) for variant in of.variants],
        ),
        lost=gone,
        versions={**of.versions, "scipy": scipy_version()},
        recommendation=None
        if len(of.variants) < 2
        else recommend(
            Candidates(
                entrants=entering,
                requirements=of.requirements,
                played=ordered,
                readings=every,
                not_worse=unequal,
                lost=gone,
                prefer=liked,
                compared=[figures[text] for text in compared],
                confidence=of.confidence,
                random=random,
                nights=of.nights,
                planned=of.nights if of.planned is None else of.planned,
                cut_short=of.cut_short,
            )
        ),
        played=ordered,
    )


def _entrants(variants: Sequence[str]) -> list[Entrant]:
    """Give every variant as one that may be recommended, the baseline first."""
    return [Entrant(name, min(place, 1)) for place, name in enumerate(variants)]


def _also(figures: Mapping[str, Wanted], prefer: Sequence[Wanted], nights: Sequence[PlayedNight]) -> dict[str, Wanted]:
    """Add the preferred figures, and the share of jobs done where it was read."""
    done = wanted(DONE)
    read = all(done.text in night.readings for night in nights if not night.failure)
    return {**figures, **{one.text: one for one in prefer}, **({done.text: done} if read else {})}


def _mean_done(nights: Sequence[PlayedNight]) -> float | None:
    """Give the mean share of jobs done, of the nights that have read it."""
    read = [night.readings[DONE].value for night in nights if DONE in night.readings]
    shares = [share for share in read if share is not None]
    return fsum(shares) / len(shares) if shares else None


def _ordered(nights: Iterable[PlayedNight], variants: Sequence[str]) -> tuple[PlayedNight, ...]:
    places = {variant: place for place, variant in enumerate(variants)}
    found = list(nights)
    for night in found:
        if night.variant not in places:
            raise InputError(f"a night under {night.variant!r} is none of this comparison: {', '.join(variants)}")
    found.sort(key=lambda night: (night.seed, places[night.variant]))
    for one, other in pairwise(found):
        if (one.seed, one.variant) == (other.seed, other.variant):
            raise InputError(f"the night with seed {one.seed} under {one.variant!r} is there twice: give it once")
    return tuple(found)


_Readings = dict[tuple[str, str], dict[int, Reading]]


def _readings(nights: Sequence[PlayedNight], figures: Mapping[str, Wanted], variants: Sequence[str]) -> _Readings:
    """Give the readings by figure and variant, then by seed; infinite ones replaced by what is known of them."""
    found: _Readings = {}
    for text in figures:
        for variant in variants:
            chosen = [night for night in nights if night.variant == variant and not night.failure]
            if missing := [night.seed for night in chosen if text not in night.readings]:
                raise InputError(f"the night with seed {missing[0]} under {variant!r} has no reading of {text}")
            values = finite([night.readings[text] for night in chosen], text)
            found[text, variant] = {night.seed: value for night, value in zip(chosen, values, strict=True)}
    return found


def _differences(
    figures: Sequence[Wanted],
    variants: Sequence[str],
    readings: _Readings,
    spreads: Mapping[tuple[str, str], Spread],
    confidence: float,
    sizes: Mapping[str, float],
) -> dict[tuple[str, str], Difference]:
    """Compare every figure of every variant with the baseline, as one family."""
    keys = [(figure, variant) for figure in figures for variant in variants[1:]]
    pairs = [pair_up(readings[figure.text, variant], readings[figure.text, variants[0]]) for figure, variant in keys]
    seen = [
        compare_pairs(one, confidence, len(keys), 1.0 if figure.unit == "share" else inf)
        for (figure, _), one in zip(keys, pairs, strict=True)
    ]
    adjusted = holm([one.p for one in seen])
    found = {}
    for (figure, variant), paired, one, p_together in zip(keys, pairs, seen, adjusted, strict=True):
        effect = _effect(figure, paired, one, p_together, confidence)
        if _is_cut_short(figure, effect, variant, variants[0], readings, each_of(confidence, len(keys))):
            effect = "not_compared"
        middle = spreads[figure.text, variants[0]].mean
        size = _size(figure, middle, one, sizes) if effect == "no_clear_difference" else None
        spread_seen = deviation(paired.differences) if size is not None else 0.0
        with_ = None if size is None else nights_to_show(size, spread_seen, each_of(confidence, len(keys)))
        bare = Difference(
            measure=figure.text,
            variant=variant,
            unit=figure.unit,
            n=paired.n,
            absent=paired.absent,
            at_least_pairs=paired.at_least,
            at_most_pairs=paired.at_most,
            unknown_pairs=paired.unknown,
            mean=one.mean,
            alone=one.alone,
            together=one.together,
            p=one.p,
            p_together=p_together,
            variance_ratio=one.variance_ratio,
            effect=effect,
            shows_with=with_,
            of_size=size,
            sentence="",
        )
        shown = with_ is not None and with_ <= paired.n
        found[figure.text, variant] = replace(bare, sentence=say_difference(bare, shown, paired.constant))
    return found


def _is_cut_short(
    figure: Wanted, effect: Effect, variant: str, baseline: str, readings: _Readings, confidence: float
) -> bool:
    """Say whether a time is shorter on the side that gets fewer jobs done."""
    if figure.unit != "time" or effect not in ("better", "worse"):
        return False
    shorter, longer = (variant, baseline) if effect == "better" else (baseline, variant)
    return does_fewer(shorter, longer, readings, confidence, random=True)


def _effect(figure: Wanted, pairs: Paired, seen: Seen, p_together: float | None, confidence: float) -> Effect:
    if seen.mean is None or p_together is None:
        return "undecided"
    if pairs.constant and seen.mean == 0:
        return "same"
    if p_together > 1 - confidence:
        seen_whole = pairs.known_below and pairs.known_above and not pairs.constant
        return "no_clear_difference" if seen_whole else "undecided"
    higher = seen.mean > 0
    if not figure.measure.better:
        return "higher" if higher else "lower"
    return "better" if higher == (figure.measure.better == "higher") else "worse"


def _size(figure: Wanted, middle: float | None, seen: Seen, sizes: Mapping[str, float]) -> float:
    """Give the size of a difference that is worth seeing: as asked, or a round amount near 5 % of the baseline's mean.

    It is never less than a fifth of what the interval reaches to either side: a rare thing's mean is so small that 5 %
    of it would ask for tens of thousands of nights. Where that mean is 0, half of what the interval reaches.
    """
    if figure.text in sizes:
        return sizes[figure.text]
    assert seen.together is not None and seen.together.low is not None and seen.together.high is not None
    reach = (seen.together.high - seen.together.low) / 2
    return tidy(max(abs(middle) * _WORTH_SEEING, reach / 5) if middle else reach / 2, figure.unit)


def _not_worse(
    variants: Sequence[str],
    requirements: Mapping[str, Sequence[Asked]],
    differences: Mapping[tuple[str, str], Difference],
) -> Iterable[Share]:
    for variant in variants:
        for one in requirements.get(variant, ()):
            figure = of_requirement(one)
            if one.not_worse_by is not None and figure is not None:
                yield not_worse(one, differences[figure.text, variant])


def _lost(lost: Iterable[Lost], nights: Sequence[PlayedNight], variants: Sequence[str]) -> tuple[Lost, ...]:
    failed = [Lost(night.variant, night.seed, night.failure) for night in nights if night.failure]
    told = {(one.seed, variants.index(one.variant)): one for one in (*failed, *lost)}
    return tuple(told[key] for key in sorted(told))
