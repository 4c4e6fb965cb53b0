"""Is every compared difference known as exactly as was asked?

``5%`` asks that the interval of each difference, which holds for all of them together, reaches at most 5 % of the
baseline's true mean to either side. Nobody knows that mean, so the intervals are held to a little less of the one that
was seen: the share divided by 1 plus itself, 4.76 % for 5 % (A. M. Law, Simulation Modeling and Analysis, the section
on a specified precision of an estimate, from memory: if an estimate lies within g / (1 + g) of itself from the true
mean, it lies within g of the true mean from it). ``makespan=2m,wait_p90=30s``
asks it for the figures that are named alone, in their own units. With one variant there are no differences: then the
intervals of the means are held to it.

Whoever runs nights until this is reached stops more readily where the spread happens to look small, so that the
intervals cover a little less often than they claim; they come to it as the precision grows finer (Chow and Robbins,
Annals of Mathematical Statistics 36, 1965). Looked at after each night, 95 % intervals of a normal figure that needs
20 to 100 nights covered in 89 to 92 % of simulated cases from the second night on, in 93 to 95 % from the tenth on.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from emulator.errors import InputError
from emulator.measure.comparison.planning import nights_by_ratio
from emulator.measure.comparison.result import Comparison, Interval
from emulator.measure.comparison.saying import called
from emulator.measure.comparison.wanted import label_of, wanted
from emulator.measure.words import difference, value
from emulator.scenario.durations import parse_duration
from emulator.scenario.spelling import advise

__all__ = ["Precision", "TooWide", "precision", "reached", "too_wide"]


@dataclass(frozen=True, slots=True)
class Precision:
    """How exactly differences are to be known.

    Attributes:
        relative: half the width of an interval, as a share of the baseline's true mean; None when figures are named.
        absolute: half the width of the interval of each figure that is named, in ticks for a time.
    """

    relative: float | None = None
    absolute: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TooWide:
    """One figure that is not known as exactly as was asked.

    Attributes:
        measure: the text that names the figure.
        variant: the variant.
        half: half the width of its interval; None when it is open or there is none yet.
        asked: what was asked for.
        about: about how many nights it would take; None when that cannot be told.
        sentence: all of that in one sentence.
    """

    measure: str
    variant: str
    half: float | None
    asked: float
    about: int | None
    sentence: str


def precision(text: str, measures: Sequence[str]) -> Precision:
    """Read what was asked for; ``measures`` are the texts of the compared figures.

    Raises:
        InputError: for anything that is no precision, or names a figure that is not compared.

    >>> precision("5%", ["makespan"])
    Precision(relative=0.05, absolute={})
    >>> precision("makespan=2m", ["makespan", "failed"]).absolute
    {'makespan': 120000000}
    >>> precision("2m", ["makespan"])
    Traceback (most recent call last):
    emulator.errors.InputError: the precision '2m' is not understood: write 5%, or makespan=2m,failed=0.5
    """
    plain = text.strip()
    if plain.endswith("%") and "=" not in plain:
        return Precision(relative=_positive(plain[:-1], plain, text) / 100)
    known = [wanted(measure).text for measure in measures]
    absolute: dict[str, float] = {}
    for part in plain.split(","):
        name, equals, amount = part.rpartition("=")
        if not equals:
            raise _not_understood(text)
        figure = wanted(name.strip())
        if figure.text not in known:
            raise InputError(f"the precision {text!r}: {figure.text} is not compared: {advise(figure.text, known)}")
        if figure.text in absolute:
            raise InputError(f"the precision {text!r} names {figure.text} twice: name it once")
        if figure.measure.unit != "time":
            absolute[figure.text] = _positive(amount, part, text)
            continue
        try:
            absolute[figure.text] = parse_duration(amount.strip())
        except ValueError as error:
            raise InputError(f"the precision {text!r}: {error}") from None
        if not absolute[figure.text]:
            raise InputError(f"the precision {text!r}: {part.strip()!r} is nothing: give more than 0")
    return Precision(absolute=absolute)


def _positive(number: str, part: str, text: str) -> float:
    try:
        found = float(number)
    except ValueError:
        raise _not_understood(text) from None
    if not 0 < found < float("inf"):
        raise InputError(f"the precision {text!r}: {part.strip()!r} is out of range: give more than 0")
    return found


def _not_understood(text: str) -> InputError:
    return InputError(f"the precision {text!r} is not understood: write 5%, or makespan=2m,failed=0.5")


def reached(asked: Precision, comparison: Comparison) -> bool:
    """Say whether every interval is as narrow as was asked."""
    return not too_wide(asked, comparison)


def too_wide(asked: Precision, comparison: Comparison) -> tuple[TooWide, ...]:
    """Give what is not known as exactly as was asked, in the order of the comparison."""
    base = {one.measure: one for one in comparison.spreads if one.variant == comparison.baseline}
    found = []
    for measure, variant, unit, n, interval in _intervals(comparison):
        middle = base[measure].mean
        if asked.relative is None and measure not in asked.absolute:
            continue
        share = None if asked.relative is None else asked.relative / (1 + asked.relative)
        limit = asked.absolute.get(measure, 0.0) if share is None else share * abs(middle or 0.0)
        half = None if interval is None else _half(interval)
        if half is None or half > limit:
            found.append(_too_wide(measure, variant, unit, n, half, limit))
    return tuple(found)


def _intervals(comparison: Comparison) -> Iterator[tuple[str, str, str, int, Interval | None]]:
    for one in comparison.differences:
        if one.n or not one.absent:  # what no pair of nights gives cannot be known any better
            yield one.measure, one.variant, one.unit, one.n, one.together
    if len(comparison.variants) == 1:
        for it in comparison.spreads:
            if it.n or not it.absent:
                yield it.measure, it.variant, it.unit, it.n, it.mean_interval


def _half(interval: Interval) -> float | None:
    return None if interval.low is None or interval.high is None else (interval.high - interval.low) / 2


def _too_wide(measure: str, variant: str, unit: str, n: int, half: float | None, limit: float) -> TooWide:
    who = f"{called(variant)}: {label_of(measure)}"
    if half is None:
        return TooWide(measure, variant, None, limit, None, f"{who} has no interval with two ends yet.")
    seen = f"{who} is known to within {difference(half, unit)}"
    if not limit:
        why = "the baseline's mean is 0, so no share of it can be reached: ask for an amount"
        return TooWide(measure, variant, half, limit, None, f"{seen}; {why}.")
    about = nights_by_ratio(n, half, limit)
    said = f"{seen}, {difference(limit, unit)} was asked: about {value(about, 'count')} nights would do"
    return TooWide(measure, variant, half, limit, about, f"{said}.")
