"""Replications made by hand, for tests of comparisons."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from emulator.measure.comparison.analysis import Compared, conclude
from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.wanted import PlayedNight, Reading


def readings(values: Sequence[float | Reading | None]) -> dict[int, Reading]:
    """Give readings by seed, from 1 on."""
    return {seed: one if isinstance(one, Reading) else Reading(one) for seed, one in enumerate(values, 1)}


def more(value: float) -> Reading:
    """Give a reading of which only 'more than' is known."""
    return Reading(value, True)


def played(
    variants: Mapping[str, Mapping[str, Sequence[float | Reading | None]]],
    held: Mapping[str, Sequence[tuple[bool | None, ...]]] | None = None,
) -> list[PlayedNight]:
    """Give nights by variant and figure, with seeds from 1 on."""
    nights = []
    for variant, figures in variants.items():
        by_figure = {text: readings(values) for text, values in figures.items()}
        count = len(next(iter(by_figure.values())))
        for seed in range(1, count + 1):
            answers = held[variant][seed - 1] if held else ()
            nights.append(PlayedNight(variant, seed, {t: by_figure[t][seed] for t in by_figure}, answers))
    return nights


def compared(nights: Iterable[PlayedNight], variants: Sequence[str], /, **keys: Any) -> Comparison:
    """Conclude from nights, with the trade-off of failed against overlap unless said otherwise."""
    given: dict[str, Any] = {
        "title": "Plates",
        "files": ("plates.yaml",),
        "variants": variants,
        "baseline": variants[0],
        "first_seed": 1,
        "nights": 5,
        "confidence": 0.95,
        "stopped": "All nights were run.",
        "measures": ("failed",),
        "trade_off": ("failed", "failed"),
        "requirements": {},
        "lost": (),
        "versions": {"program": "0"},
        "played": nights,
    }
    return conclude(Compared(**{**given, **keys}))
