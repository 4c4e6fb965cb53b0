"""What do all the nights say together? The one place where a comparison is put together.

The law: only what was read of the nights counts, never the order in which they came, nor where they were run: nights
are sorted by seed and variant first, whole numbers are added exactly and others by ``math.fsum``.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import chain, pairwise
from math import fsum, inf

from emulator.errors import InputError
from emulator.measure.comparison.intervals import check_confidence
from emulator.measure.comparison.not_worse import not_worse
from emulator.measure.comparison.paired import Paired, Seen, compare_pairs, each_of, holm, pair_up
from emulator.measure.comparison.planning import nights_to_show
from emulator.measure.comparison.preference import does_fewer
from emulator.measure.comparison.recommend import Entrant, recommend
from emulator.measure.comparison.recommendation import CutShort
from emulator.measure.comparison.replication import PlayedNight, Reading
from emulator.measure.comparison.result import Comparison, Difference, Effect, Lost, Share, Spread
from emulator.measure.comparison.saying import say_difference, tidy
from emulator.measure.comparison.shares import shares
from emulator.measure.comparison.spreads import finite, spread
from emulator.measure.comparison.tables import scipy_version
from emulator.measure.comparison.tradeoff import DONE, check_directions, trade_points
from emulator.measure.comparison.wanted import Wanted, needed, of_requirement, wanted
from emulator.measure.estimate import deviation
from emulator.measure.verdict import Asked

__all__ = ["conclude"]

_WORTH_SEEING = 0.05  # of the baseline's mean


def conclude(
    *,
    title: str,
    files: Sequence[str],
    variants: Sequence[str],
    baseline: str,
    first_seed: int,
    nights: int,
    confidence: float,
    stopped: str,
    measures: Sequence[str],
    trade_off: tuple[str, str],
    requirements: Mapping[str, Sequence[Asked]],
    lost: Iterable[Lost],
    versions: Mapping[str, str],
    played: Iterable[PlayedNight],
    worth_seeing: Mapping[str, float] | None = None,
    entrants: Sequence[Entrant] | None = None,
    prefer: Sequence[str] = (),
    planned: int | None = None,
    cut_short: CutShort = "",
    changes: Sequence[str] = (),
) -> Comparison:
    """Put a comparison together.

    Args:
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

    Raises:
        InputError: when scipy is missing; for a confidence out of range, a figure that is not one, a trade-off of
            figures of which neither side is better, or nights that do not belong together.
    """
    check_confidence(confidence)
    if list(variants[:1]) != [baseline]:
        raise InputError(f"the baseline {baseline!r} must come first among the variants: {', '.join(variants)}")
    ordered = _ordered(played, variants)
    figures = {figure.text: figure for figure in needed(measures, trade_off, requirements)}
    liked = [wanted(text) for text in prefer] if len(variants) > 1 else []
    readings = _readings(ordered, figures, variants)
    spreads = {
        (text, variant): spread(text, variant, figure.unit, readings[text, variant].values(), confidence)
        for text, figure in figures.items()
        for variant in variants
    }
    compared = tuple(dict.fromkeys(wanted(text).text for text in measures))
    sizes = {wanted(text).text: size for text, size in (worth_seeing or {}).items()}
    held_to = {of_requirement(one) for asked in requirements.values() for one in asked if one.not_worse_by is not None}
    family = [text for text, figure in figures.items() if text in compared or figure in held_to]
    every = _readings(ordered, _also(figures, liked, ordered), variants)
    differences = _differences([figures[text] for text in family], variants, every, spreads, confidence, sizes)
    across, up = wanted(trade_off[0]), wanted(trade_off[1])
    check_directions(across, up)
    fine = {
        variant: [night for night in ordered if night.variant == variant and not night.failure] for variant in variants
    }
    unequal = tuple(_not_worse(variants[1:], requirements, differences))
    gone = _lost(lost, ordered, variants)
    entering = _entrants(variants) if entrants is None else entrants
    random = any(night.drawn for night in ordered)
    return Comparison(
        title=title,
        changes=tuple(changes),
        files=tuple(files),
        variants=tuple(variants),
        baseline=baseline,
        first_seed=first_seed,
        nights=nights,
        confidence=confidence,
        stopped=stopped,
        measures=compared,
        trade_off=(across.text, up.text),
        spreads=tuple(spreads[text, variant] for text in compared for variant in variants),
        differences=tuple(differences[text, variant] for text in compared for variant in variants[1:]),
        shares=tuple(
            chain.from_iterable(
                shares(
                    variant,
                    requirements.get(variant, ()),
                    fine[variant],
                    confidence,
                    candidates=sum(1 for one in entering if not one.what_if),
                    random=random,
                )
                for variant in variants
            )
        ),
        not_worse=unequal,
        points=trade_points(
            [spreads[across.text, variant] for variant in variants],
            [spreads[up.text, variant] for variant in variants],
            (across.measure.better, up.measure.better),
            [_mean_done(fine[variant]) for variant in variants],
        ),
        lost=gone,
        versions={**versions, "scipy": scipy_version()},
        recommendation=None
        if len(variants) < 2
        else recommend(
            entrants=entering,
            requirements=requirements,
            played=ordered,
            readings=every,
            not_worse=unequal,
            lost=gone,
            prefer=liked,
            compared=[figures[text] for text in compared],
            confidence=confidence,
            random=random,
            nights=nights,
            planned=nights if planned is None else planned,
            cut_short=cut_short,
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
