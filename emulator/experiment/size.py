"""Which is the smallest value that is large enough, or the largest that is not too large?

Each value is run on the same nights; the shares decide.
"""

from collections.abc import Sequence
from concurrent.futures import Executor
from typing import Any, Final

from emulator.errors import InputError
from emulator.experiment.comparison_plan import seed_from
from emulator.experiment.comparison_result import SizingResult
from emulator.experiment.executors import open_workers
from emulator.experiment.night import Progress
from emulator.experiment.replications import Replications
from emulator.experiment.settings import setting_of
from emulator.measure.comparison.intervals import check_confidence
from emulator.measure.comparison.replication import PlayedNight
from emulator.measure.comparison.sizing import SizedRequirement, conclude_sizing
from emulator.measure.comparison.tables import check_scipy
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.scenario.arguments import FLAG, FUNCTION, NUMBER, TEXT, WHOLE, listed, may_be, must_be
from emulator.scenario.fewer_workers import absent_workers
from emulator.scenario.given import AnyScenario, loaded_from
from emulator.scenario.load import AnyFolders
from emulator.scenario.models.requirements import Requirement
from emulator.scenario.planned_hours import planned_on
from emulator.scenario.variants import value_at
from emulator.timeline.ticks import HOUR

__all__ = ["size"]

_MOST_VALUES: Final = 100
_SHARE: Final = 0.95


def size(
    scenario: AnyScenario,
    *,
    by: str,
    values: Sequence[Any] | None = None,
    first: int | None = None,
    last: int | None = None,
    step: int = 1,
    largest: bool = False,
    share: float | None = None,
    nights: int = 200,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
    allow_folders: AnyFolders = (),
) -> SizingResult:
    """Find the smallest value with which all requirements hold at once in at least the asked share of nights.

    Every value is tried, on the same draws, so that an answer that is not monotone is seen.

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        by: the dotted path of what is set, such as ``pools.dome.count``.
        values: what it is set to, the smallest first, 100 values at most;
        first, last, step: or whole numbers from the one to the other. Of a list parameter of an arrival entry a whole
            number is so many elements.
        largest: look for the largest value that holds instead, such as of jobs that come.
        share: in what share of nights all requirements must hold, above 0 and at most 1; by default the largest
            ``in_share`` that a requirement asks for, else 0.95. A larger ``in_share`` goes before it.
        nights: nights with each value, from 1 to 1,000,000.
        confidence: of all intervals together.
        first_seed, processes, executor, progress, allow_folders: as for ``compare``.

    Raises:
        ScenarioError: with every mistake in the scenario, or that a value makes.
        InputError: for arguments out of range, or a scenario that requires nothing.

    >>> import emulator
    >>> answer = emulator.size({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [
    ...         {"name": "copy", "takes": {"median": "4m", "p95": "9m"}}]}},
    ...     "arrivals": [{"routine": "copy", "count": 12, "at": "21:30"}],
    ...     "must_hold": [{"measure": "makespan", "at_most": "45m"}],
    ... }, by="pools.dome.count", first=1, last=4, share=0.8, nights=100, processes=1)
    >>> answer.smallest, answer.monotone
    (2, True)
    """
    must_be(TEXT, by=by)
    must_be(WHOLE, step=step, nights=nights)
    must_be(FLAG, largest=largest)
    must_be(NUMBER, confidence=confidence)
    may_be(WHOLE, first=first, last=last)
    may_be(NUMBER, share=share)
    may_be(FUNCTION, progress=progress)
    check_confidence(confidence)
    check_scipy()
    loaded = loaded_from(scenario, allow_folders)
    asked = [one for one in loaded.scenario.must_hold if has_bound(one)]
    if not asked:
        raise InputError(f"{loaded.name}: nothing is required of a night: give `must_hold` what has to be true")
    if share is not None and not 0 < share <= 1:
        raise InputError(f"a share of {share:g} is out of range: give one such as 0.95")
    if not 1 <= nights <= 1_000_000:
        raise InputError(f"{nights} nights are out of range: give a number from 1 to 1,000,000")
    tried = _values(values, first, last, step)
    listed_so = value_at(loaded.data, by) if ".parameters." in by else None
    settings = [setting_of(loaded, f"{by} = {value}", {by: _of_length(value, listed_so)}) for value in tried]
    seed = seed_from(loaded.scenario.seed, first_seed)
    with open_workers(settings, processes, executor) as workers:
        run = Replications(settings, (), seed, workers, nights, progress=progress)
        played = run.run(nights)
    if failed := next((one for one in played if one.failure), None):
        raise InputError(f"the night with {failed.variant} and seed {failed.seed} failed to run: {failed.failure}")
    found = conclude_sizing(
        title=loaded.title,
        changes=tuple(map(str, loaded.changes)),
        file=loaded.name,
        path=by,
        share=_asked_share(share, [one.in_share for one in asked if one.in_share is not None]),
        confidence=confidence,
        nights=nights,
        first_seed=seed,
        values=tried,
        absent=tuple(
            (value, absent)
            for value, setting in zip(tried, settings, strict=True)
            if (absent := absent_workers(setting.loaded().scenario))
        ),
        random=any(one.drawn for one in played),
        requirements=[
            [
                _requirement(one, place, [night for night in played if night.variant == setting.name])
                for place, one in enumerate(setting.loaded().scenario.must_hold)
                if has_bound(one)
            ]
            for setting in settings
        ],
        worker_hours=[
            sum(planned_on(setting.loaded().scenario, setting.loaded().clock).values()) / HOUR for setting in settings
        ],
        searched="largest" if largest else "smallest",
        held=[[(one.seed, _all_of(one)) for one in played if one.variant == setting.name] for setting in settings],
    )
    return SizingResult.of(found)


def _of_length(value: Any, stands: Any) -> Any:
    """Give a list of so many elements where a list stands: the first of it, then others that are named by numbers."""
    if not isinstance(stands, list) or not isinstance(value, int) or isinstance(value, bool) or value < 0:
        return value
    return [*stands[:value], *(f"element {number}" for number in range(len(stands) + 1, value + 1))]


def _asked_share(share: float | None, in_shares: Sequence[float]) -> float:
    if share is None:
        return max(in_shares, default=_SHARE)
    return max([share, *in_shares])


def _values(values: Sequence[Any] | None, first: int | None, last: int | None, step: int) -> list[Any]:
    if values is not None:
        if first is not None or last is not None:
            raise InputError("values and a range are given: choose one")
        found = listed("values", values)
    else:
        if first is None or last is None:
            raise InputError("which values? give `first` and `last`, or `values`")
        if step < 1 or last < first:
            raise InputError(f"from {first} to {last} by {step} there is nothing: give a range that goes up")
        _check_number((last - first) // step + 1)
        found = list(range(first, last + 1, step))
    _check_number(len(found))
    if len({str(value) for value in found}) < len(found):
        raise InputError("a value is given twice: give each once")
    return found


def _check_number(values: int) -> None:
    if not 1 <= values <= _MOST_VALUES:
        raise InputError(f"{values:,} values are out of range: try 1 to {_MOST_VALUES}")


def _requirement(asked: Requirement, place: int, nights: Sequence[PlayedNight]) -> SizedRequirement:
    judged = [held for night in nights if (held := night.held[place]) is not None]
    return SizedRequirement(say_requirement(asked), words_of(asked), sum(judged), len(judged))


def _all_of(night: PlayedNight) -> bool | None:
    judged = [held for held in night.held if held is not None]
    return all(judged) if judged else None
