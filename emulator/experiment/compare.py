"""Runs the settings of a scenario, or of several, over many nights; compares them and answers the scenario's questions.

``compare`` takes one scenario with its variants, or several files; ``nights`` takes one scenario alone. Both run every
setting on the same draws, night by night, and conclude from them.
"""

import asyncio
import json
import os
import shlex
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from emulator.errors import InputError
from emulator.experiment.comparison_plan import MOST_NIGHTS, ComparisonPlan, of_scenarios, of_variants
from emulator.experiment.comparison_plan import plan as plan_of
from emulator.experiment.comparison_result import ComparisonResult
from emulator.experiment.executors import open_workers
from emulator.experiment.night import Progress
from emulator.experiment.replications import Replications, Seen, looks
from emulator.experiment.settings import setting_of
from emulator.measure.comparison.intervals import check_scipy, load_scipy
from emulator.measure.comparison.paired import Precision, too_wide
from emulator.measure.comparison.paired import precision as read_precision
from emulator.measure.comparison.preference import DEFAULT_PREFER
from emulator.measure.comparison.questions import Answers, answers_of
from emulator.measure.comparison.result import CutShort
from emulator.measure.comparison.wanted import PlayedNight
from emulator.record.results_file import ResultsFile
from emulator.scenario.arguments import FLAG, FUNCTION, PATH, TEXT, WHOLE, may_be, must_be
from emulator.scenario.load import AnyFolders, AnyScenario, Loaded, loaded_from
from emulator.scenario.variants import AS_WRITTEN, chosen
from emulator.scenario.written import Change
from emulator.show.comparison.words import SoFar, comparison_so_far

__all__ = [
    "StoppedComparison",
    "answer_questions",
    "carry_out",
    "compare",
    "compare_async",
    "nights",
]


_AT_MOST: Final = 1_000
_MOMENTS: Final = 97
"""Of one night: its backlog is read so often, every five minutes of eight hours."""
_MOST_BACKLOGS: Final = 10_000
"""Of more nights no backlog is kept, for the memory that it takes."""


def compare(
    scenario: AnyScenario | Sequence[AnyScenario],
    *,
    variants: Sequence[str] | Mapping[str, Mapping[str, Any]] | None = None,
    baseline: str | None = None,
    nights: int | None = None,
    precision: str | None = None,
    at_most: int | None = None,
    measures: Sequence[str] | None = None,
    prefer: Sequence[str] | None = None,
    trade_off: tuple[str, str] | None = None,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    cluster: str | None = None,
    results: str | os.PathLike[str] | None = None,
    resume: bool = False,
    progress: Progress | None = None,
    so_far: SoFar | None = None,
    allow_folders: AnyFolders = (),
) -> ComparisonResult:
    """Compare the variants of a scenario, or several scenarios, over many nights on the same draws.

    Args:
        scenario: a file's path, settings as a mapping, what ``load`` gave; or a list of them. Those of a list are
            compared as they stand, and the first is the baseline unless one is named.
        variants: the names of those to compare, by default all of the scenario; or a mapping from names to patches
            (dotted paths and their values, and ``candidate`` as in a file). For ``queues.NAME.retry`` a value may be
            your own object with a method ``decide``; the limits of the file still stand beside it.
        baseline: the variant that the others are compared with; by default what the scenario says, else the scenario
            as written.
        nights: so many nights of each, from 1 to 1,000,000. By default as many as show every requirement of a variant
            that never misses one: 36 for one candidate, 42 for two, 53 for six where every night is asked for; 30 at
            least, 1,000 at most.
        precision: instead, as many as it takes: ``"5%"`` of the baseline's true mean, or ``"makespan=2m"``.
        at_most: with ``precision``, nights of each at most; by default 1,000.
        measures: figures to compare, such as ``wait_p90 for queue night``; by default those of the requirements, and
            makespan, done_share, turnaround_p90, lost_leases, wasted_work, unsafe_repeats.
        prefer: the figures by which to choose among several variants that keep all requirements, the most important
            first; by default what the scenario says, else worker_hours, done_share, makespan, wasted_work.
        trade_off: two figures for the trade-off; by default makespan and wasted_work.
        confidence: of every interval, and of all differences together; between 0 and 1.
        first_seed: the seed of the first night; by default the scenario's.
        processes: how many processes run nights; by default one for each processor, 1 is this process.
        executor: what runs them instead: anything with the interface of ``concurrent.futures.Executor``.
        cluster: the address of a Dask scheduler that runs them instead.
        results: a file that keeps nights as they come, so that a comparison that was cut off can go on.
        resume: go on from that file.
        progress: told the share that is done, from 0 to 1; what it raises ends the comparison.
        so_far: told, from time to time, in a few words what the nights that have been run say.
        allow_folders: folders below which the files that a scenario refers to may lie, beside its own folder.

    Raises:
        ScenarioError: with every mistake in a scenario or a variant.
        InputError: for arguments that are out of range, unknown, or do not go together. Also when scipy is missing, and
            when every night with a retry policy of your own failed to run.

    >>> import emulator
    >>> comparison = emulator.compare({
    ...     "title": "Copies", "starts": "2026-06-12T21:30:00", "lasts": "6h", "queues": {"night": {}},
    ...     "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    ...     "routines": {"copy": {"queue": "night", "parts": [
    ...         {"name": "copy", "takes": {"median": "4m", "p95": "9m"}}]}},
    ...     "arrivals": [{"routine": "copy", "count": 10, "at": "21:30"}],
    ... }, variants={"two": {"pools.dome.count": 2}}, measures=["makespan"], nights=20, processes=1)
    >>> comparison.variants, comparison.differences[0].effect
    (('as written', 'two'), 'better')
    """
    may_be(TEXT, baseline=baseline)
    if isinstance(scenario, str | os.PathLike | Mapping | Loaded) or not isinstance(scenario, Iterable):
        found, files, entrants = of_variants(loaded_from(scenario, allow_folders), variants, baseline)
    else:
        if variants is not None:
            raise InputError("several scenarios are compared as they stand: leave `variants` out")
        found, files, entrants = of_scenarios([loaded_from(one, allow_folders) for one in scenario], baseline)
    if len(found) < 2:
        raise InputError(
            f"{files[0]}: there is nothing to compare: give the scenario `variants` or `combine`, or more files"
        )
    plan = plan_of(found, files, measures, trade_off, confidence, first_seed, prefer, entrants)
    count, asked = _how_many(nights, precision, at_most, plan.nights_by_default())
    return carry_out(plan, count, asked, processes, executor, cluster, results, resume, progress, so_far)


def nights(
    scenario: AnyScenario,
    count: int,
    *,
    variant: str = "",
    measures: Sequence[str] | None = None,
    confidence: float = 0.95,
    first_seed: int | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
    so_far: SoFar | None = None,
    allow_folders: AnyFolders = (),
) -> ComparisonResult:
    """Run many nights of one scenario: in what share of them does each requirement hold?

    Args:
        scenario: a file's path, settings as a mapping, or what ``load`` gave.
        count: how many nights, from 1 to 1,000,000, with seeds that follow each other.
        variant: the name of one of its variants; by default the scenario as written.
        measures, confidence, first_seed, processes, executor, progress, so_far, allow_folders: as for
            ``compare``.

    Raises:
        ScenarioError, InputError: as for ``compare``.

    >>> import emulator
    >>> seen = emulator.nights({
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
    must_be(WHOLE, count=count)
    may_be(TEXT, variant=variant)
    loaded = loaded_from(scenario, allow_folders)
    variant = chosen(loaded, variant)
    setting = setting_of(loaded, variant or AS_WRITTEN, loaded.patches.get(variant))
    total, _ = _how_many(count, None, None, count)
    if total <= _MOST_BACKLOGS:
        setting = replace(setting, moments=_MOMENTS)
    plan = plan_of([setting], (loaded.name,), measures, None, confidence, first_seed)
    return carry_out(plan, total, None, processes, executor, progress=progress, so_far=so_far)


async def compare_async(scenario: AnyScenario | Sequence[AnyScenario], **options: Any) -> ComparisonResult:
    """Compare as ``compare`` does, in a thread, so that the event loop goes on meanwhile.

    Options and errors are those of ``compare``. If the wait is cancelled, the comparison is given up soon after; what a
    file of results holds by then is kept.

    >>> import asyncio, emulator
    >>> asyncio.run(emulator.compare_async("no-such-file.yaml"))
    Traceback (most recent call last):
    ...
    emulator.errors.ScenarioError: no-such-file.yaml: unreadable: cannot be read: No such file or directory
    """
    given_up = threading.Event()
    told: Progress | None = options.pop("progress", None)
    may_be(FUNCTION, progress=told)

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


class StoppedComparison(KeyboardInterrupt):  # like the interrupt that it stands for
    """A comparison was stopped by Ctrl-C when it had some nights of every setting.

    Attributes:
        result: what they say; its recommendation tells that it was cut short.
    """

    def __init__(self, result: ComparisonResult) -> None:
        super().__init__()
        self.result = result


class _GivenUpError(Exception):
    """Ends a comparison that nobody waits for any more."""


def _how_many(nights: int | None, precision: str | None, at_most: int | None, default: int) -> tuple[int, str | None]:
    """Give how many nights are run at most, and the precision that ends them before."""
    may_be(WHOLE, nights=nights, at_most=at_most)
    may_be(TEXT, precision=precision)
    if precision is None:
        if at_most is not None:
            raise InputError("at_most goes with a precision: give `precision`, or `nights` alone")
        count = default if nights is None else nights
    elif nights is not None:
        raise InputError("a precision and a number of nights are given: choose one")
    else:
        count = _AT_MOST if at_most is None else at_most
    if not 1 <= count <= MOST_NIGHTS:
        raise InputError(f"{count} nights are out of range: give a number from 1 to {MOST_NIGHTS:,}")
    return count, precision


def carry_out(
    plan: ComparisonPlan,
    count: int,
    asked: str | None = None,
    processes: int | None = None,
    executor: Executor | None = None,
    cluster: str | None = None,
    results: str | os.PathLike[str] | None = None,
    resume: bool = False,
    progress: Progress | None = None,
    so_far: SoFar | None = None,
) -> ComparisonResult:
    """Run the nights of a plan and conclude from them; ``asked`` is a precision, the rest is as for ``compare``."""
    check_scipy()
    may_be(PATH, results=results)
    may_be(FUNCTION, progress=progress, so_far=so_far)
    must_be(FLAG, resume=resume)
    if resume and results is None:
        raise InputError("to go on, the file of results has to be named: give `results` too")
    limit = None if asked is None else read_precision(asked, plan.measures)
    with ExitStack() as stack:
        file = None
        if results is not None:
            file = ResultsFile(Path(results), plan.identity(), resume=resume)
            stack.callback(file.close)
        workers = stack.enter_context(open_workers(plan.settings, processes, executor, cluster, meanwhile=load_scipy))
        kept_in = "" if results is None else os.fspath(results)
        run = Replications(plan.settings, plan.figures(), plan.first_seed, workers, count, file, kept_in, progress)
        if so_far is not None:
            run.seen = _tells(plan, count, so_far)
        try:
            return _conclude(plan, run, count, asked, limit)
        except KeyboardInterrupt as stopped:
            played, number = run.so_far()
            if not number:
                raise
            why = f"Stopped by Ctrl-C after {number:,} of {count:,} nights of each."
            found = plan.conclude(played, number, why, planned=count, cut_short="interrupted")
            raise StoppedComparison(found) from stopped


def _tells(plan: ComparisonPlan, count: int, so_far: SoFar) -> Seen:
    """Give what tells the answer so far."""

    def seen(played: list[PlayedNight], number: int) -> None:
        if text := comparison_so_far(plan.conclude(played, number, "", planned=count)):
            so_far(text)

    return seen


def _conclude(
    plan: ComparisonPlan, run: Replications, count: int, asked: str | None, limit: Precision | None
) -> ComparisonResult:
    """Run the nights, all of them or until enough is known, and conclude from them."""
    if limit is None:
        played = run.run(count)
        _check_policies(plan, played)
        return plan.conclude(played, count, "")
    for number in looks(count):
        played = run.run(number)
        _check_policies(plan, played)
        seen = plan.conclude(played, number, "")
        wide = too_wide(limit, seen)
        if not wide:
            why = f"Stopped after {number:,} nights of each: {asked} is reached."
            short: CutShort = "" if number == count else "precision_reached"
            return plan.conclude(played, number, why, planned=count, cut_short=short)
    why = f"Stopped at the limit of {count:,} nights of each: {asked} is not reached. {wide[0].sentence}"
    return plan.conclude(played, count, why)


def _check_policies(plan: ComparisonPlan, played: Sequence[PlayedNight]) -> None:
    """Make sure that each retry policy of the user's own has left a night to compare."""
    for setting in plan.settings:
        if not setting.policies:
            continue  # what is lost then is a defect of the emulator: the result names it
        nights = [one for one in played if one.variant == setting.name]
        if all(one.failure for one in nights):
            many = "its one night" if len(nights) == 1 else f"all {len(nights):,} nights"
            raise InputError(
                f"{setting.name}: {many} with a retry policy of your own failed to run, so there is nothing to "
                f"compare; with seed {nights[0].seed}: {nights[0].failure}"
            )


def answer_questions(
    loaded: Loaded,
    count: int,
    *,
    first_seed: int | None = None,
    processes: int | None = None,
    progress: Progress | None = None,
) -> Answers:
    """Run so many nights of a scenario as written and of each question, and say what they answer.

    Args:
        loaded: the scenario.
        count: how many nights of each, from 1 to 1,000,000, with seeds that follow each other.
        first_seed: by default the scenario's.
        processes: how many processes run nights; by default one for each processor.
        progress: told the share that is done.

    Raises:
        InputError: when the scenario asks nothing, or an argument is out of range.
    """
    must_be(WHOLE, count=count)
    if not 1 <= count <= MOST_NIGHTS:
        raise InputError(f"{count} nights are out of range: give a number from 1 to {MOST_NIGHTS:,}")
    if not loaded.questions:
        raise InputError(f"{loaded.name}: it asks no questions: give it `questions`, each with `ask` and `change`")
    patches: dict[str, Mapping[str, Any]] = {AS_WRITTEN: {}}
    patches |= {asked.ask: asked.patch for asked in loaded.questions}
    settings = [setting_of(loaded, name, patch) for name, patch in patches.items()]
    measures = loaded.scenario.prefer or DEFAULT_PREFER
    plan = plan_of(settings, (loaded.name,), measures, None, 0.95, first_seed)
    found = carry_out(plan, count, processes=processes, progress=progress)
    return answers_of(found, [_command(loaded, patch) for patch in patches.values()])


def _command(loaded: Loaded, patch: Mapping[str, Any]) -> str:
    """Give the command that runs one night with a patch; its seed is to be added."""
    set_so = [Change("change", f"{path}={json.dumps(value, ensure_ascii=False)}") for path, value in patch.items()]
    allowed = [f"--allow-folder {shlex.quote(str(folder))}" for folder in loaded.folders.allowed]
    return " ".join([f"queuedrill run {shlex.quote(loaded.name)}", *map(str, (*loaded.changes, *set_so)), *allowed])
