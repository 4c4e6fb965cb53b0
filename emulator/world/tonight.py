"""What is drawn for tonight as a whole: by how much is it more or less of everything, and which faults are there?

Each factor of `varies` is drawn once for a night, by a key of its own: replication k draws the same factors under each
variant. A factor multiplies what says `varies_with`: rates and counts of arrivals, durations, error shares, gaps of
faults. A borrowed night may tell what a factor was for one routine alone: then that multiplies what the routine says.
A fault or an action with `share_of_nights` is there or not, by a key that leaves that share out.
So a night is a scenario without `varies`, with shares of 0 or 1, and nothing that runs knows of other nights.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, TypeVar

from emulator.scenario.files import OF_ROUTINE, factor_in, past_nights
from emulator.scenario.load import Loaded
from emulator.scenario.models import Action, Arrival, Distribution, Fault, Part, Rates, Scenario
from emulator.scenario.models.scenario import Factor
from emulator.world.actions import action_keys
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.fault_times import fault_keys, is_there
from emulator.world.sampling import Gamma, Lognormal

__all__ = ["factors_of", "tonight"]

_FINE: Final = 1_000_000_000
"""A factor is drawn as a whole number of billionths, by the laws that draw durations."""


def tonight(loaded: Loaded, draws: Draws) -> tuple[Loaded, dict[str, float]]:
    """Give the scenario of one night, and the factors that were drawn for it.

    A scenario in which nothing is drawn for a whole night is given back as it is.

    Args:
        loaded: the scenario.
        draws: of the night.

    Raises:
        InputError: a file of past nights cannot be read, or lacks a column.
    """
    scenario, factors = loaded.scenario, {}
    if scenario.varies:
        factors = factors_of(loaded, draws)
        scenario = _multiplied(scenario, factors)
    update = {
        **_there("faults", loaded.scenario.faults, scenario.faults, fault_keys, draws),
        **_there("actions", loaded.scenario.actions, scenario.actions, action_keys, draws),
    }
    if update:
        scenario = scenario.model_copy(update=update)
    return (loaded if scenario is loaded.scenario else replace(loaded, scenario=scenario)), factors


_Item = TypeVar("_Item", Fault, Action)


def _there(
    key: str,
    stated: Sequence[_Item],
    items: Sequence[_Item],
    keys_of: Callable[[Sequence[_Item]], list[int]],
    draws: Draws,
) -> dict[str, Any]:
    """Say of each fault or action whether it is there tonight: its share becomes 0 or 1."""
    if all(item.share_of_nights in (0, 1) for item in stated):
        return {}
    return {
        key: tuple(
            item.model_copy(update={"share_of_nights": float(is_there(item, entity, draws))})
            for item, entity in zip(items, keys_of(stated), strict=True)
        )
    }


def factors_of(loaded: Loaded, draws: Draws) -> dict[str, float]:
    """Draw the factors of one night.

    Args:
        loaded: the scenario.
        draws: of the night.

    Returns:
        The factors by name. What one is for a routine alone in a borrowed night stands beside it, as ``pace:copy``.
    """
    found: dict[str, float] = {}
    for name, factor in loaded.scenario.varies.items():
        if factor.one_of_nights is None:
            found[name] = _drawn(name, factor, draws)
        else:
            found.update(_borrowed(loaded, name, factor.one_of_nights, draws))
    return found


def _borrowed(loaded: Loaded, name: str, file: str, draws: Draws) -> Iterator[tuple[str, float]]:
    """Yield what a factor was in one past night, in general and for each routine of which the night tells it."""
    found = past_nights(loaded.folder / file)
    of_file = [key for key, it in loaded.scenario.varies.items() if it.one_of_nights == file]
    # A night without a run has no pace: it has nothing to borrow, and is not drawn.
    whole = [at for at, row in enumerate(found.rows) if all(row.get(key) != "" for key in of_file)]
    places = whole or range(len(found.rows))
    # All factors of one file are those of one night: the file is the entity, not the factor.
    night = places[int(draws.uniform(Purpose.NIGHT_FACTOR, entity_key("nights", file)) * len(places))]
    yield name, factor_in(found, night, name, file)
    for routine in loaded.scenario.routines:
        if found.rows[night].get(own := name + OF_ROUTINE + routine):
            yield own, factor_in(found, night, own, file)


def _drawn(name: str, factor: Factor, draws: Draws) -> float:
    assert factor.cv is not None
    uniform = draws.uniform(Purpose.NIGHT_FACTOR, entity_key("factor", name))
    mean = round(factor.mean * _FINE)
    if factor.law == "gamma":
        return Gamma(1 / factor.cv**2, mean).at(uniform) / _FINE
    return Lognormal.of_mean(mean, factor.cv).at(uniform) / _FINE


def _multiplied(scenario: Scenario, factors: Mapping[str, float]) -> Scenario:
    """Make the scenario of a night with these factors."""
    changed: dict[str, Any] = {field: _walked(getattr(scenario, field), factors) for field in _WHERE}
    changed["routines"] = {
        name: _walked(routine, {key: factors.get(key + OF_ROUTINE + name, times) for key, times in factors.items()})
        for name, routine in scenario.routines.items()
    }
    return scenario.model_copy(update={**changed, "varies": {}})


_WHERE: Final = ("arrivals", "systems", "faults", "actions", "access", "pools")
"""The parts of a scenario, beside routines, in which something may vary with a factor."""


def _walked(value: Any, factors: Mapping[str, float]) -> Any:
    if isinstance(value, Distribution):
        return value if value.varies_with is None else value.times(factors[value.varies_with])
    if isinstance(value, tuple):
        return tuple(_walked(item, factors) for item in value)
    if isinstance(value, dict):
        return {key: _walked(item, factors) for key, item in value.items()}
    if not hasattr(type(value), "model_fields"):
        return value
    update = {}
    for name in type(value).model_fields:
        old = getattr(value, name)
        new = _walked(old, factors)
        if new is not old and new != old:
            update[name] = new
    if isinstance(value, Arrival) and value.varies_with is not None:
        update.update(_more(value, factors[value.varies_with]))
    if isinstance(value, Part) and value.errors_vary_with is not None:
        factor = factors[value.errors_vary_with]
        update["error_share"] = min(1.0, value.error_share * factor)
    return value.model_copy(update=update) if update else value


def _more(arrival: Arrival, factor: float) -> dict[str, Any]:
    """What an entry brings in a night with that factor; its name, which draws are keyed by, stays."""
    said: dict[str, Any] = {"name": arrival.label}
    if arrival.per_hour is not None:
        rate = arrival.per_hour
        said["per_hour"] = rate.times(factor) if isinstance(rate, Rates) else rate * factor
    else:
        said["count"] = max(1, round((arrival.count or 1) * factor))
    return said
