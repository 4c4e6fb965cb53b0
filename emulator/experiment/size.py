"""Searches for the smallest value of a number that is large enough, or the largest that fits; also for two numbers.

Each value, or pair of values, is run on the same nights; the shares decide.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any, Final, TypeVar

from emulator.errors import InputError
from emulator.experiment.comparison_plan import seed_from
from emulator.experiment.comparison_result import FrontierResult, SizingResult
from emulator.experiment.executors import open_workers
from emulator.experiment.night import Progress
from emulator.experiment.replications import Replications
from emulator.experiment.settings import Setting, setting_of
from emulator.measure.comparison.intervals import check_confidence, check_scipy, load_scipy
from emulator.measure.comparison.sizing import (
    Frontier,
    Search,
    SizedRequirement,
    Sizing,
    conclude_frontier,
    conclude_sizing,
)
from emulator.measure.comparison.wanted import PlayedNight
from emulator.measure.requirements import has_bound, say_requirement, words_of
from emulator.scenario.arguments import FLAG, FUNCTION, NUMBER, TEXT, WHOLE, listed, may_be, must_be, texts
from emulator.scenario.load import AnyFolders, AnyScenario, Loaded, loaded_from
from emulator.scenario.models.scenario import Requirement
from emulator.scenario.variants import absent_workers, changes_the_world
from emulator.scenario.written import value_at
from emulator.show.comparison.words import SoFar, frontier_so_far, size_so_far
from emulator.timeline.ticks import HOUR

__all__ = ["asked_of", "check_number", "frontier", "of_length", "size", "values_from"]

Answer = TypeVar("Answer", Sizing, Frontier)


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
    so_far: SoFar | None = None,
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
        first_seed, processes, executor, progress, so_far, allow_folders: as for ``compare``.

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
    may_be(FUNCTION, progress=progress, so_far=so_far)
    check_confidence(confidence)
    check_scipy()
    loaded = loaded_from(scenario, allow_folders)
    asked = asked_of(loaded, share, nights)
    tried = values_from(values, first, last, step)
    search = _search(loaded, (by,), tried, asked, nights, confidence, largest=largest)
    search = replace(search, first_seed=seed_from(loaded.scenario.seed, first_seed))
    told = None if so_far is None else lambda sizing: so_far(size_so_far(sizing))
    return SizingResult.of(_carry_out(search, loaded, conclude_sizing, told, processes, executor, progress))


def asked_of(loaded: Loaded, share: float | None, nights: int) -> float:
    """Give the share of nights in which all requirements must hold, for arguments that are in range."""
    asked = [one for one in loaded.scenario.must_hold if has_bound(one)]
    if not asked:
        raise InputError(f"{loaded.name}: nothing is required of a night: give `must_hold` what has to be true")
    if share is not None and not 0 < share <= 1:
        raise InputError(f"a share of {share:g} is out of range: give one such as 0.95")
    if not 1 <= nights <= 1_000_000:
        raise InputError(f"{nights} nights are out of range: give a number from 1 to 1,000,000")
    in_shares = [one.in_share for one in asked if one.in_share is not None]
    return max(in_shares, default=_SHARE) if share is None else max([share, *in_shares])


def _search(
    loaded: Loaded,
    paths: tuple[str, ...],
    values: Sequence[Any],
    share: float,
    nights: int,
    confidence: float,
    *,
    largest: bool,
) -> Search:
    """Begin a search: nothing is tried yet."""
    return Search(
        title=loaded.title,
        changes=tuple(map(str, loaded.changes)),
        file=loaded.name,
        paths=paths,
        share=share,
        confidence=confidence,
        nights=nights,
        first_seed=loaded.scenario.seed,
        values=values,
        searched="largest" if largest else "smallest",
        choose=not changes_the_world(tuple(paths[0].split("."))),
    )


def _carry_out(
    search: Search,
    loaded: Loaded,
    conclude: Callable[[Search], Answer],
    told: Callable[[Answer], None] | None,
    processes: int | None,
    executor: Executor | None,
    progress: Progress | None,
) -> Answer:
    """Run the same nights with each value, and conclude; ``told`` is told, from time to time, the answer so far.

    Raises:
        InputError: when a night failed to run.
    """
    settings = []
    for value in search.values:
        each = dict(zip(search.paths, value if len(search.paths) > 1 else (value,), strict=True))
        name = ", ".join(f"{path} = {one}" for path, one in each.items())
        settings.append(setting_of(loaded, name, {path: of_length(loaded, path, one) for path, one in each.items()}))

    def seen(played: list[PlayedNight], count: int) -> None:
        if told is not None:
            told(conclude(_tried(search, settings, played, count)))

    tells = None if told is None else seen
    with open_workers(settings, processes, executor, meanwhile=load_scipy) as workers:
        replications = Replications(
            settings, (), search.first_seed, workers, search.nights, progress=progress, seen=tells
        )
        played = replications.run(search.nights)
    if failed := next((one for one in played if one.failure), None):
        raise InputError(f"the night with {failed.variant} and seed {failed.seed} failed to run: {failed.failure}")
    return conclude(_tried(search, settings, played, search.nights))


def _tried(search: Search, settings: Sequence[Setting], played: Sequence[PlayedNight], count: int) -> Search:
    """Give a search with what was played for it: setting by setting, so many nights of each."""
    nights = [played[place * count : (place + 1) * count] for place in range(len(settings))]
    scenarios = [setting.loaded().scenario for setting in settings]
    return replace(
        search,
        nights=count,
        held=[[(one.seed, _all_of(one)) for one in its] for its in nights],
        requirements=[
            [_requirement(one, place, its) for place, one in enumerate(scenario.must_hold) if has_bound(one)]
            for scenario, its in zip(scenarios, nights, strict=True)
        ],
        worker_hours=[sum(setting.stated.planned_on.values()) / HOUR for setting in settings],
        absent=tuple(
            (value, absent)
            for value, scenario in zip(search.values, scenarios, strict=True)
            if (absent := absent_workers(scenario))
        ),
        random=any(one.drawn for one in played),
    )


def of_length(loaded: Loaded, path: str, value: Any) -> Any:
    """Give a list of so many elements where a list stands: the first of it, then others that are named by numbers."""
    stands = value_at(loaded.data, path) if ".parameters." in path else None
    if not isinstance(stands, list) or not isinstance(value, int) or isinstance(value, bool) or value < 0:
        return value
    return [*stands[:value], *(f"element {number}" for number in range(len(stands) + 1, value + 1))]


def values_from(values: Sequence[Any] | None, first: int | None, last: int | None, step: int) -> list[Any]:
    """Give the values to try, each once: those that are listed, or whole numbers from one to another."""
    if values is not None:
        if first is not None or last is not None:
            raise InputError("values and a range are given: choose one")
        found = listed("values", values)
    else:
        if first is None or last is None:
            raise InputError("which values? give `first` and `last`, or `values`")
        if step < 1 or last < first:
            raise InputError(f"from {first} to {last} by {step} there is nothing: give a range that goes up")
        check_number((last - first) // step + 1)
        found = list(range(first, last + 1, step))
    check_number(len(found))
    if len({str(value) for value in found}) < len(found):
        raise InputError("a value is given twice: give each once")
    return found


def check_number(count: int, what: str = "values") -> None:
    """Make sure that so many values, or pairs, are tried at least and at most."""
    if not 1 <= count <= _MOST_VALUES:
        raise InputError(f"{count:,} {what} are out of range: try 1 to {_MOST_VALUES}")


def _requirement(asked: Requirement, place: int, nights: Sequence[PlayedNight]) -> SizedRequirement:
    judged = [held for night in nights if not night.failure and (held := night.held[place]) is not None]
    return SizedRequirement(say_requirement(asked), words_of(asked), sum(judged), len(judged))


def _all_of(night: PlayedNight) -> bool | None:
    judged = [held for held in night.held if held is not None]
    return all(judged) if judged else None


def frontier(
    scenario: AnyScenario,
    *,
    by: tuple[str, str],
    values: tuple[Sequence[Any], Sequence[Any]],
    largest: bool = False,
    share: float | None = None,
    nights: int = 200,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
    so_far: SoFar | None = None,
    allow_folders: AnyFolders = (),
) -> FrontierResult:
    """Find, for each value of one number, the smallest of another with which all requirements hold at once.

    Every pair is tried, on the same draws.

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        by: the dotted paths of the two that are set, such as ``("pools.dome.count", "queues.night.lease")``.
        values: what each is set to, the smallest first; 100 pairs at most. Of a list parameter of an arrival entry a
            whole number is so many elements.
        largest: look for the largest value of the second number instead, such as of jobs that come.
        share, nights, confidence, first_seed, processes, executor, progress, so_far, allow_folders: as for
            ``size``.

    Raises:
        ScenarioError: with every mistake in the scenario, or that a pair makes.
        InputError: for arguments out of range, or a scenario that requires nothing.

    >>> import emulator
    >>> answer = emulator.frontier({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    ...     "arrivals": [{"name": "plates", "routine": "copy", "count": 6, "at": "21:30"}],
    ...     "must_hold": [{"measure": "makespan", "at_most": "35m"}],
    ... }, by=("arrivals.plates.count", "pools.dome.count"), values=([3, 6, 9], [1, 2, 3]), nights=2, processes=1)
    >>> [(one.first, one.second) for one in answer.points]
    [(3, 1), (6, 2), (9, 3)]
    """
    first, second = _two_paths(by)
    must_be(WHOLE, nights=nights)
    must_be(FLAG, largest=largest)
    must_be(NUMBER, confidence=confidence)
    may_be(NUMBER, share=share)
    may_be(FUNCTION, progress=progress, so_far=so_far)
    check_confidence(confidence)
    check_scipy()
    loaded = loaded_from(scenario, allow_folders)
    asked = asked_of(loaded, share, nights)
    both = [values_from(some, None, None, 1) for some in listed("values", values)]
    if len(both) != 2:
        raise InputError("values: give two lists, one for each path of `by`")
    tried = [(x, y) for x in both[0] for y in both[1]]
    check_number(len(tried), "pairs")
    search = _search(loaded, (first, second), tried, asked, nights, confidence, largest=largest)
    search = replace(search, first_seed=seed_from(loaded.scenario.seed, first_seed))
    told = None if so_far is None else lambda pairs: so_far(frontier_so_far(pairs))
    return FrontierResult.of(_carry_out(search, loaded, conclude_frontier, told, processes, executor, progress))


def _two_paths(by: tuple[str, str]) -> tuple[str, str]:
    found = texts("by", by)
    if len(found) != 2 or found[0] == found[1]:
        raise InputError(f"by: two different dotted paths are needed, not {', '.join(map(repr, found)) or 'none'}")
    return found[0], found[1]
