"""For each value of one number, which is the smallest value of another that is large enough, or the largest that fits?

Each pair is run on the same nights, as ``size`` does with one number.
"""

from collections.abc import Sequence
from concurrent.futures import Executor
from typing import Any

from emulator.errors import InputError
from emulator.experiment.comparison_plan import seed_from
from emulator.experiment.comparison_result import FrontierResult
from emulator.experiment.night import Progress
from emulator.experiment.size import Trial, asked_of, check_number, of_length, try_each, values_from
from emulator.measure.comparison.frontier import Frontier, conclude_frontier
from emulator.measure.comparison.intervals import check_confidence
from emulator.measure.comparison.tables import check_scipy
from emulator.scenario.arguments import FLAG, FUNCTION, NUMBER, WHOLE, listed, may_be, must_be, texts
from emulator.scenario.load import AnyFolders, AnyScenario, loaded_from
from emulator.scenario.variants import changes_the_world
from emulator.show.comparison.so_far import SoFar, frontier_so_far

__all__ = ["frontier"]


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
    patches = [
        (f"{first} = {x}, {second} = {y}", {first: of_length(loaded, first, x), second: of_length(loaded, second, y)})
        for x, y in tried
    ]
    seed = seed_from(loaded.scenario.seed, first_seed)

    def conclude(trial: Trial, count: int) -> Frontier:
        return conclude_frontier(
            title=loaded.title,
            changes=tuple(map(str, loaded.changes)),
            file=loaded.name,
            paths=(first, second),
            share=asked,
            confidence=confidence,
            nights=count,
            first_seed=seed,
            pairs=tried,
            absent=tuple((pair, absent) for pair, absent in zip(tried, trial.absent, strict=True) if absent),
            random=trial.random,
            requirements=trial.requirements,
            worker_hours=trial.worker_hours,
            searched="largest" if largest else "smallest",
            held=trial.held,
            choose=not changes_the_world(tuple(first.split("."))),
        )

    def seen(trial: Trial, count: int) -> None:
        if so_far is not None:
            so_far(frontier_so_far(conclude(trial, count)))

    trial = try_each(loaded, patches, seed, nights, processes, executor, progress, None if so_far is None else seen)
    return FrontierResult.of(conclude(trial, nights))


def _two_paths(by: tuple[str, str]) -> tuple[str, str]:
    found = texts("by", by)
    if len(found) != 2 or found[0] == found[1]:
        raise InputError(f"by: two different dotted paths are needed, not {', '.join(map(repr, found)) or 'none'}")
    return found[0], found[1]
