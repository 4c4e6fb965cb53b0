"""How do tests of comparisons run the nights of a scenario's variants, and conclude from them?"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from emulator.experiment.night import run_night
from emulator.measure.comparison.conclude import conclude
from emulator.measure.comparison.replication import Replication
from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.wanted import needed, read
from emulator.measure.requirements import judge_all
from emulator.scenario.load import Loaded, from_settings, load, varied

AS_WRITTEN = "as written"
TRADE_OFF = ("makespan", "wasted_work")


def compare(
    scenario: Path | Mapping[str, Any],
    *,
    replications: int,
    measures: Sequence[str],
    variants: Sequence[str] | None = None,
    confidence: float = 0.95,
) -> Comparison:
    """Run the file as written and its variants (all of them by default) with seeds from 1 on, and conclude."""
    said = load(scenario) if isinstance(scenario, Path) else from_settings(scenario)
    names = [AS_WRITTEN, *(said.variants if variants is None else variants)]
    return concluded(said, {name: under(said, name) for name in names}, replications, measures, confidence)


def smallest(
    scenario: Path | Mapping[str, Any], *, by: str, first: int, last: int, replications: int
) -> tuple[int | None, dict[int, str]]:
    """Give the smallest value with which all requirements hold as asked, and the verdict for each value."""
    said = load(scenario) if isinstance(scenario, Path) else from_settings(scenario)
    values = {str(value): varied(said, {by: value}, str(value)) for value in range(first, last + 1)}
    found = concluded(said, values, replications, ["makespan"], 0.95)
    told = {int(each.variant): each.verdict for each in found.shares if each.requirement == "all requirements"}
    return next((value for value, verdict in told.items() if verdict == "holds"), None), dict(told)


def under(said: Loaded, name: str) -> Loaded:
    return said if name == AS_WRITTEN else varied(said, said.scenario.variants[name], name)


def concluded(
    said: Loaded, variants: Mapping[str, Loaded], replications: int, measures: Sequence[str], confidence: float
) -> Comparison:
    asked = {name: loaded.scenario.must_hold for name, loaded in variants.items()}
    figures = needed(measures, TRADE_OFF, asked)
    nights = []
    for seed in range(1, replications + 1):
        for name, loaded in variants.items():
            night = run_night(loaded, seed=seed).night
            on_its_own = [one.model_copy(update={"in_share": None}) for one in asked[name]]
            held = tuple(judged.met for judged in judge_all(night, on_its_own, loaded.clock))
            nights.append(Replication(name, seed, read(night, figures), held))
    return conclude(
        title=said.scenario.title,
        files=(said.name,),
        variants=list(variants),
        baseline=next(iter(variants)),
        first_seed=1,
        replications=replications,
        confidence=confidence,
        stopped="All nights were run.",
        measures=measures,
        trade_off=TRADE_OFF,
        requirements=asked,
        lost=(),
        versions={},
        nights=nights,
    )
