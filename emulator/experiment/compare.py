"""How are settings compared over many nights, in one call?

``compare`` takes one scenario with its variants, or several files; ``nights`` takes one scenario alone. Both run every
setting on the same draws, night by night, and conclude from them.
"""

import asyncio
import os
import platform
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.experiment.comparison_result import ComparisonResult
from emulator.experiment.executors import open_workers
from emulator.experiment.night import Progress
from emulator.experiment.replications import Replications, looks
from emulator.experiment.settings import Setting, setting_of
from emulator.measure.comparison.conclude import conclude
from emulator.measure.comparison.precision import precision as read_precision
from emulator.measure.comparison.precision import too_wide
from emulator.measure.comparison.replication import Replication
from emulator.measure.comparison.tradeoff import DEFAULT
from emulator.measure.comparison.wanted import check_names, default_figures, needed, wanted
from emulator.record.meta import program_version
from emulator.record.results_file import ResultsFile
from emulator.scenario.clock import zone_data_version
from emulator.scenario.load import Loaded, from_settings, load
from emulator.scenario.spelling import advise
from emulator.scenario.variants import AS_WRITTEN

__all__ = ["Scenario", "compare", "compare_async", "loaded_from", "nights"]

Scenario = str | os.PathLike[str] | Mapping[str, Any] | Loaded

_REPLICATIONS: Final = 30
_AT_MOST: Final = 1_000
_LIMIT: Final = 1_000_000


@dataclass(frozen=True)
class _Plan:
    """What is to be compared."""

    title: str
    files: tuple[str, ...]
    settings: tuple[Setting, ...]  # the baseline first
    measures: tuple[str, ...]
    trade_off: tuple[str, str]
    first_seed: int
    confidence: float

    def requirements(self) -> dict[str, Sequence[Any]]:
        """Give the requirements of each variant."""
        return {setting.name: setting.loaded().scenario.must_hold for setting in self.settings}

    def figures(self) -> list[str]:
        """Give all that is read of each night."""
        return [figure.text for figure in needed(self.measures, self.trade_off, self.requirements())]

    def identity(self) -> dict[str, str]:
        """Say what makes another comparison the same as this one."""
        return {
            "the scenario under its variants": " ".join(
                f"{setting.name}={setting.fingerprint()}" for setting in self.settings
            ),
            "the figures": ", ".join(self.figures()),
            "the first seed": str(self.first_seed),
            "the version of queuedrill": program_version(),
            "the version of the zone data": zone_data_version(),
        }

    def conclude(self, replications: Iterable[Replication], count: int, stopped: str) -> ComparisonResult:
        """Say what the nights say."""
        found = conclude(
            title=self.title,
            files=self.files,
            variants=[setting.name for setting in self.settings],
            baseline=self.settings[0].name,
            first_seed=self.first_seed,
            replications=count,
            confidence=self.confidence,
            stopped=stopped,
            measures=self.measures,
            trade_off=self.trade_off,
            requirements=self.requirements(),
            lost=(),
            versions={
                "program": program_version(),
                "zone data": zone_data_version(),
                "python": platform.python_version(),
            },
            nights=replications,
        )
        return ComparisonResult.of(found)


def compare(
    scenario: Scenario | Sequence[Scenario],
    *,
    variants: Sequence[str] | Mapping[str, Mapping[str, Any]] | None = None,
    baseline: str | None = None,
    replications: int | None = None,
    precision: str | None = None,
    at_most: int | None = None,
    measures: Sequence[str] | None = None,
    trade_off: tuple[str, str] | None = None,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    cluster: str | None = None,
    results: str | os.PathLike[str] | None = None,
    resume: bool = False,
    progress: Progress | None = None,
) -> ComparisonResult:
    """Compare the variants of a scenario, or several scenarios, over many nights on the same draws.

    Args:
        scenario: a file's path, settings as a mapping, what ``load`` gave; or a list of them, which are compared as
            they stand, the first being the baseline unless one is named.
        variants: the names of those to compare, by default all of the scenario; or a mapping from names to patches
            (dotted paths and their values; for ``queues.NAME.retry`` also your own object with a method ``decide``,
            beside which the limits of the file still stand).
        baseline: the variant that the others are compared with; by default what the scenario says, else the scenario
            as written.
        replications: so many nights of each; by default 30.
        precision: instead, as many as it takes: ``"5%"`` of the baseline's mean, or ``"makespan=2m"``.
        at_most: with ``precision``, nights of each at most; by default 1,000.
        measures: figures to compare, such as ``wait_p90 for queue night``; by default those of the requirements, and
            makespan, done_share, turnaround_p90, lost_leases, wasted_work, repeated_effects.
        trade_off: two figures for the trade-off; by default makespan and wasted_work.
        confidence: of every interval, and of all differences together.
        first_seed: the seed of the first replication; by default the scenario's.
        processes: how many processes run nights; by default one for each processor, 1 is this process.
        executor: what runs them instead: anything with the interface of ``concurrent.futures.Executor``.
        cluster: the address of a Dask scheduler that runs them instead.
        results: a file that keeps replications as they come.
        resume: go on from that file.
        progress: told the share that is done.

    Raises:
        ScenarioError: with every mistake in a scenario or a variant.
        InputError: for arguments that are out of range, unknown, or do not go together; when scipy is missing.

    >>> comparison = compare({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [
    ...         {"name": "copy", "takes": {"median": "4m", "p95": "9m"}}]}},
    ...     "arrivals": [{"routine": "copy", "count": 10, "at": "21:30"}],
    ... }, variants={"two": {"pools.dome.count": 2}}, measures=["makespan"], replications=20, processes=1)
    >>> comparison.variants, comparison.differences[0].effect
    (('as written', 'two'), 'better')
    """
    if isinstance(scenario, str | os.PathLike | Mapping | Loaded):
        found, files = _of_variants(loaded_from(scenario), variants, baseline)
    else:
        if variants is not None:
            raise InputError("several scenarios are compared as they stand: leave `variants` out")
        found, files = _of_files([loaded_from(one) for one in scenario], baseline)
    if len(found) < 2:
        raise InputError(
            f"{files[0]}: there is nothing to compare: give the scenario `variants` or `combine`, or more files"
        )
    plan = _plan(found, files, measures, trade_off, confidence, first_seed)
    count, asked = _how_many(replications, precision, at_most)
    return _carry_out(plan, count, asked, processes, executor, cluster, results, resume, progress)


def nights(
    scenario: Scenario,
    count: int,
    *,
    variant: str = "",
    measures: Sequence[str] | None = None,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> ComparisonResult:
    """Run many nights of one scenario: in what share of them does each requirement hold?

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        count: how many nights, with seeds that follow each other.
        variant: the name of one of its variants; by default the scenario as written.
        measures, confidence, first_seed, processes, executor, progress: as for ``compare``.

    Raises:
        ScenarioError, InputError: as for ``compare``.

    >>> seen = nights({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [
    ...         {"name": "copy", "takes": {"median": "4m", "p95": "9m"}}]}},
    ...     "arrivals": [{"routine": "copy", "count": 10, "at": "21:30"}],
    ...     "must_hold": [{"measure": "makespan", "at_most": "2h", "in_share": 0.8}],
    ... }, 100, processes=1)
    >>> seen.shares[0].verdict
    'holds'
    """
    loaded = loaded_from(scenario)
    if variant and variant != AS_WRITTEN and variant not in loaded.patches:
        raise InputError(f"{loaded.name}: there is no variant {variant!r}: {_known(variant, loaded)}")
    patch = loaded.patches.get(variant)
    setting = setting_of(loaded, variant or AS_WRITTEN, patch)
    plan = _plan([setting], (loaded.name,), measures, None, confidence, first_seed)
    total, _ = _how_many(count, None, None)
    return _carry_out(plan, total, None, processes, executor, None, None, False, progress)


async def compare_async(scenario: Scenario | Sequence[Scenario], **options: Any) -> ComparisonResult:
    """Compare as ``compare`` does, in a thread, so that the event loop goes on meanwhile.

    If the wait is cancelled, the comparison is given up soon after; what a file of results holds by then is kept.

    >>> asyncio.run(compare_async("no-such-file.yaml"))
    Traceback (most recent call last):
    ...
    emulator.errors.ScenarioError: no-such-file.yaml: cannot be read: No such file or directory
    """
    given_up = threading.Event()
    told: Progress | None = options.pop("progress", None)

    def on(share: float) -> None:
        if given_up.is_set():
            raise _GivenUpError
        if told is not None:
            told(share)

    try:
        return await asyncio.to_thread(compare, scenario, progress=on, **options)
    except asyncio.CancelledError:
        given_up.set()
        raise


class _GivenUpError(Exception):
    """Ends a comparison that nobody waits for any more."""


def loaded_from(scenario: Scenario) -> Loaded:
    """Give the scenario that somebody named, in whichever way.

    Raises:
        ScenarioError: with every mistake in it.
    """
    if isinstance(scenario, Loaded):
        return scenario
    return from_settings(scenario) if isinstance(scenario, Mapping) else load(Path(scenario))


def _of_variants(
    loaded: Loaded, variants: Sequence[str] | Mapping[str, Mapping[str, Any]] | None, baseline: str | None
) -> tuple[list[Setting], tuple[str, ...]]:
    """Give the settings that the variants of one scenario make, the baseline first."""
    patches: dict[str, Mapping[str, Any]] = {AS_WRITTEN: {}, **loaded.patches}
    if isinstance(variants, Mapping):
        if AS_WRITTEN in variants:
            raise InputError(f"{AS_WRITTEN!r} is the scenario itself: give the variant another name")
        patches = {AS_WRITTEN: {}, **variants}
        chosen = list(patches)
    else:
        chosen = list(dict.fromkeys(variants)) if variants is not None else list(patches)
    first = baseline or (loaded.scenario.baseline if loaded.scenario.baseline in patches else None) or AS_WRITTEN
    for name in (first, *chosen):
        if name not in patches:
            raise InputError(f"{loaded.name}: there is no variant {name!r}: {advise(name, tuple(patches))}")
    names = [first, *(name for name in chosen if name != first)]
    return [setting_of(loaded, name, patches[name]) for name in names], (loaded.name,)


def _of_files(scenarios: list[Loaded], baseline: str | None) -> tuple[list[Setting], tuple[str, ...]]:
    """Give the settings that several scenarios make as they stand, the baseline first."""
    if not scenarios:
        raise InputError("no scenario is given: name at least one")
    names: list[str] = []
    for loaded in scenarios:
        name, number = loaded.name, 2
        while name in names:
            name, number = f"{loaded.name} ({number})", number + 1
        names.append(name)
    if baseline is not None and baseline not in names:
        raise InputError(f"there is no scenario {baseline!r} for a baseline: {advise(baseline, names)}")
    ordered = sorted(zip(names, scenarios, strict=True), key=lambda pair: pair[0] != (baseline or names[0]))
    return [setting_of(loaded, name) for name, loaded in ordered], tuple(loaded.name for loaded in scenarios)


def _known(name: str, loaded: Loaded) -> str:
    return advise(name, tuple(loaded.patches)) if loaded.patches else "it has none"


def _plan(
    settings: Sequence[Setting],
    files: tuple[str, ...],
    measures: Sequence[str] | None,
    trade_off: tuple[str, str] | None,
    confidence: float,
    first_seed: int | None,
) -> _Plan:
    base = settings[0].loaded().scenario
    if measures is not None and not measures:
        raise InputError("no figure is compared: name at least one, or leave `measures` out")
    figures = [wanted(text) for text in measures] if measures is not None else list(default_figures(base.must_hold))
    both = trade_off or DEFAULT
    for setting in settings:
        check_names([*figures, *map(wanted, both)], setting.loaded().scenario)
    seed = base.seed if first_seed is None else first_seed
    if not 0 <= seed < 2**63 - _LIMIT:
        raise InputError(f"the first seed {seed} is out of range: give a whole number from 0 to {2**63 - _LIMIT - 1}")
    texts = tuple(dict.fromkeys(figure.text for figure in figures))
    return _Plan(base.title, files, tuple(settings), texts, both, seed, confidence)


def _how_many(replications: int | None, precision: str | None, at_most: int | None) -> tuple[int, str | None]:
    """Give how many replications are run at most, and the precision that ends them before."""
    if precision is None:
        if at_most is not None:
            raise InputError("at_most goes with a precision: give `precision`, or `replications` alone")
        count = _REPLICATIONS if replications is None else replications
    elif replications is not None:
        raise InputError("a precision and a number of replications are given: choose one")
    else:
        count = _AT_MOST if at_most is None else at_most
    if not 1 <= count <= _LIMIT:
        raise InputError(f"{count} replications are out of range: give a number from 1 to {_LIMIT:,}")
    return count, precision


def _carry_out(
    plan: _Plan,
    count: int,
    asked: str | None,
    processes: int | None,
    executor: Executor | None,
    cluster: str | None,
    results: str | os.PathLike[str] | None,
    resume: bool,
    progress: Progress | None,
) -> ComparisonResult:
    """Run the nights and conclude from them."""
    if resume and results is None:
        raise InputError("to go on, the file of results has to be named: give `results` too")
    limit = None if asked is None else read_precision(asked, plan.measures)
    with ExitStack() as stack:
        file = None
        if results is not None:
            file = ResultsFile(Path(results), plan.identity(), resume=resume)
            stack.callback(file.close)
        workers = stack.enter_context(open_workers(processes, executor, cluster))
        run = Replications(plan.settings, plan.figures(), plan.first_seed, workers, count, file, progress)
        if limit is None:
            return plan.conclude(run.run(count), count, f"{count:,} nights of each were asked for.")
        for number in looks(count):
            played = run.run(number)
            seen = plan.conclude(played, number, "")
            wide = too_wide(limit, seen)
            if not wide:
                return plan.conclude(played, number, f"Stopped after {number:,} nights of each: {asked} is reached.")
        why = f"Stopped at the limit of {count:,} nights of each: {asked} is not reached. {wide[0].sentence}"
        return plan.conclude(played, count, why)
