"""The commands that compare many nights on the same draws: ``queuedrill compare``, ``size`` and ``guesses``."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emulator.cli.options import (
    Given,
    check_apart,
    check_new,
    check_writable,
    exit_code,
    names,
    overwrite,
    page_width,
    processes,
    set_values,
    tell,
    tell_json,
    undecided,
    write_text,
)

if TYPE_CHECKING:
    from emulator.experiment.comparison_result import ComparisonResult, FrontierResult, SizingResult
    from emulator.scenario.load import Loaded
    from emulator.show.svg import Theme

__all__ = [
    "compare",
    "guesses",
    "size",
]


@click.command(short_help="Compare variants, or scenarios, over many nights.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option(
    "--variants",
    metavar="A,B",
    multiple=True,
    help="Compare these variants only (default: all). May be given more than once, for names with commas too.",
)
@click.option("--baseline", metavar="NAME", help="Compare with this one (default: the scenario as written).")
@click.option(
    "--nights", type=click.IntRange(1, 1_000_000), metavar="N", help="Run so many nights of each (as many as decide)."
)
@click.option("--precision", metavar="P", help="Run until differences are known to 5%, or to makespan=2m,failed=0.5.")
@click.option(
    "--at-most", type=click.IntRange(1, 1_000_000), metavar="N", help="With --precision, at most so many (1000)."
)
@click.option("--measures", metavar="A,B", help="Compare these figures, such as 'makespan,wait_p90 for queue night'.")
@click.option("--prefer", metavar="A,B", help="Choose by these figures, first to last (what the file says).")
@click.option("--trade-off", metavar="A,B", help="Set these two figures against each other (makespan,wasted_work).")
@click.option("--confidence", type=float, default=0.95, metavar="C", help="Confidence of all intervals (0.95).")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Run nights on the Dask cluster of this scheduler. Trust it first: it can run code here.",
)
@click.option("--results", metavar="PATH", help="Keep nights in this file as they come.")
@click.option("--resume", is_flag=True, help="Go on with the nights that --results has.")
@click.option("--all", "everything", is_flag=True, help="Print every figure, not the first screen alone.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--csv", "csv_path", metavar="PATH", help="Write a row for each figure and variant, too.")
@click.option("--markdown", "markdown_path", metavar="PATH", help="Write a short form for a pull request, too.")
@click.option("--pictures", metavar="FOLDER", help="Write the pictures as SVG files into this folder, too.")
@click.option(
    "--theme",
    type=click.Choice(["both", "light", "dark"]),
    help="With --pictures: both (as the viewer wants it) or one.",
)
@click.option("--page", metavar="PATH", help="Write the comparison as one HTML page, too.")
@overwrite
@undecided
@click.option("--quiet", is_flag=True, help="Print the verdict alone, and no progress.")
@set_values
def compare(
    files: tuple[str, ...],
    variants: tuple[str, ...],
    baseline: str | None,
    nights: int | None,
    precision: str | None,
    at_most: int | None,
    measures: str | None,
    prefer: str | None,
    trade_off: str | None,
    confidence: float,
    cluster: str | None,
    results: str | None,
    resume: bool,
    everything: bool,
    csv_path: str | None,
    markdown_path: str | None,
    pictures: str | None,
    theme: "Theme | None",
    page: str | None,
    overwrite: bool,
    given: Given,
) -> int:
    """Compare the variants of FILE, or several FILEs as they stand, over many nights on the same draws.

    The same files and seed give the same result, wherever nights are run. The exit code is 0 if a variant is
    recommended, 1 if none qualifies, and 4 if there are too few nights to decide.
    """
    if resume and results is None:
        raise click.UsageError("--resume goes on with a file of results: give --results too.")
    if precision is not None and nights is not None:
        raise click.UsageError("--precision and --nights both say how many nights: choose one.")
    if at_most is not None and precision is None:
        raise click.UsageError("--at-most is the limit of --precision: give that too.")
    if variants and len(files) > 1:
        raise click.UsageError("--variants are those of one FILE: several are compared as they stand.")
    if theme is not None and pictures is None:
        raise click.UsageError("--theme is how the files of --pictures look: give that too.")
    if variants and not any(names(text) for text in variants):
        raise click.UsageError("--variants names none: name some, or leave it out for all.")
    both = names(trade_off)
    if both is not None and len(both) != 2:
        raise click.UsageError("--trade-off takes two figures, with a comma between them.")
    check_apart((results, csv_path, markdown_path, page), files)
    from emulator.show.comparison.pictures import NAMES

    drawn = [str(Path(pictures) / name) for name in NAMES] if pictures is not None else []
    check_new((csv_path, markdown_path, page, *drawn), overwrite)
    check_writable((csv_path, markdown_path, page))

    from emulator.cli.progress import progress
    from emulator.experiment.compare import StoppedComparison
    from emulator.experiment.compare import compare as work
    from emulator.measure.comparison.shares import outcome_of
    from emulator.show.comparison.exports import as_csv, as_markdown, comparison_json, sentence
    from emulator.show.comparison.screens import comparison_page

    def show(found: "ComparisonResult") -> None:
        if given.as_json:
            tell_json({"files": list(files), **comparison_json(found)})
        elif given.quiet:
            tell(sentence(found))
        else:
            comparison_page(found, everything=everything, width=page_width()).write(sys.stdout)

    if pictures is not None:
        try:
            Path(pictures).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise click.UsageError(f"{pictures} cannot be made: {error.strerror}; name another folder.") from None
        check_writable(drawn)
    try:
        read = [given.read(file) for file in files]
        with progress("comparing", quiet=given.quiet, of="the nights") as told:
            found = work(
                read[0] if len(read) == 1 else read,
                variants=_named(variants, read[0]) if variants else None,
                baseline=baseline,
                nights=nights,
                precision=precision,
                at_most=at_most,
                measures=names(measures),
                prefer=names(prefer),
                trade_off=None if both is None else (both[0], both[1]),
                confidence=confidence,
                first_seed=given.seed,
                processes=given.processes if cluster is None else None,
                cluster=cluster,
                results=results,
                resume=resume,
                progress=told,
                so_far=None if told is None else told.so_far,
            )
    except KeyboardInterrupt as stopped:
        if isinstance(stopped, StoppedComparison):
            show(stopped.result)
        if results is not None:
            click.echo(f"what is done is kept in {results}: give --resume to go on", err=True)
        else:
            click.echo("nothing is kept: with --results PATH a comparison can go on with --resume", err=True)
        raise
    show(found)
    write_text(csv_path, as_csv(found))
    write_text(markdown_path, as_markdown(found))
    if page is not None:
        write_text(page, found.page())
    if pictures is not None:
        from emulator.show.comparison.pictures import pictures as draw

        for name, picture in draw(found, theme or "both").items():
            write_text(str(Path(pictures) / name), picture)
    return exit_code(outcome_of(found), given.undecided)


def _named(given: Sequence[str], loaded: "Loaded") -> list[str]:
    """Take names of variants apart: a text that is one name is taken for it, any other has commas between names."""
    from emulator.scenario.variants import AS_WRITTEN

    known = (AS_WRITTEN, *loaded.patches)
    found = ([text.strip()] if text.strip() in known else names(text) or [] for text in given)
    return [name for some in found for name in some]


def _plain(text: str) -> Any:
    """Take a value as YAML does: a whole number or a number is one, anything else a text."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


@click.command(short_help="Find the smallest value that is large enough.")
@click.argument("file", metavar="FILE")
@click.option(
    "--by",
    required=True,
    multiple=True,
    metavar="PATH",
    help="What is set, by its dotted path: pools.dome.count. Given twice: the smallest second for each first.",
)
@click.option("--from", "first", type=int, multiple=True, metavar="N", help="Try whole numbers from this one")
@click.option("--to", "last", type=int, multiple=True, metavar="N", help="to this one")
@click.option("--step", type=click.IntRange(min=1), multiple=True, metavar="N", help="by this step (1).")
@click.option(
    "--values",
    multiple=True,
    metavar="A,B",
    help="Or try these, the smallest first, such as 30s,1m,5m; once for each --by.",
)
@click.option("--largest", is_flag=True, help="Look for the largest value that holds, such as of jobs.")
@click.option("--share", type=float, metavar="S", help="In this share of nights (what the file asks, else 0.95).")
@click.option("--confidence", type=float, default=0.95, metavar="C", help="Confidence of all intervals (0.95).")
@click.option("--nights", type=click.IntRange(1, 1_000_000), default=200, metavar="N", help="Nights with each (200).")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option(
    "--all", "everything", is_flag=True, help="Print every value and requirement, not the first screen alone."
)
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@click.option("--csv", "csv_path", metavar="PATH", help="Write a row for each value and requirement, too.")
@overwrite
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
def size(
    file: str,
    by: tuple[str, ...],
    first: tuple[int, ...],
    last: tuple[int, ...],
    step: tuple[int, ...],
    values: tuple[str, ...],
    largest: bool,
    share: float | None,
    confidence: float,
    nights: int,
    everything: bool,
    csv_path: str | None,
    overwrite: bool,
    given: Given,
) -> int:
    """Find the smallest value with which all requirements of FILE hold at once in enough nights, or the largest.

    With --by twice: find the smallest second value for each first one, and the pair to take. Every value is tried on
    the same draws. The exit code is 0 if one is found, 1 if every value misses too often, and 4 if there are too few
    nights to decide.
    """
    tried = _tried(by, first, last, step, values)
    check_apart((csv_path,), (file,))
    check_new((csv_path,), overwrite)
    check_writable((csv_path,))

    from emulator.cli.progress import progress
    from emulator.measure.comparison.shares import outcome_of_size
    from emulator.show.comparison.exports import sizes_csv

    loaded = given.read(file)
    options: dict[str, Any] = {
        "largest": largest,
        "share": share,
        "nights": nights,
        "confidence": confidence,
        "first_seed": given.seed,
        "processes": given.processes,
    }
    found: SizingResult | FrontierResult
    with progress("trying sizes", quiet=given.quiet, of="the nights") as told:
        options |= {"progress": told, "so_far": None if told is None else told.so_far}
        if len(by) == 1:
            from emulator.experiment.size import size as one_number

            found = one_number(loaded, by=by[0], values=tried[0], **options)
        else:
            from emulator.experiment.size import frontier as two_numbers

            found = two_numbers(loaded, by=(by[0], by[1]), values=(tried[0], tried[1]), **options)
    if given.as_json:
        tell_json(found.as_json())
    elif given.quiet:
        tell(found.sentence)
    else:
        found.summary(everything=everything, width=page_width()).write(sys.stdout)
    write_text(csv_path, sizes_csv(found))
    return exit_code(outcome_of_size(found), given.undecided)


def _tried(
    by: tuple[str, ...], first: tuple[int, ...], last: tuple[int, ...], step: tuple[int, ...], values: tuple[str, ...]
) -> list[list[Any]]:
    """Give the values to try for each path: those of --values, or of the ranges."""
    if len(by) > 2:
        raise click.UsageError("--by is given once or twice: search for one number, or for two.")
    for path in by:
        if not path.strip() or not path.isprintable():
            raise click.UsageError(f"--by {path!r} is no path: write one such as pools.dome.count.")
    if len(set(by)) < len(by):
        raise click.UsageError(f"--by {by[0]} is given twice: name another number, or give it once.")
    if values and (first or last or step):
        raise click.UsageError("--values and --from, --to, --step both say which values: choose one way.")
    times = "once" if len(by) == 1 else "twice, in the order of --by"
    if values:
        if len(values) != len(by):
            raise click.UsageError(f"--values has to be given {times}.")
        return [[_plain(one) for one in names(text) or ()] for text in values]
    if not first and not last:
        raise click.UsageError("which values? give --from and --to, or --values.")
    if len(first) != len(by) or len(last) != len(by):
        raise click.UsageError(f"--from and --to have to be given {times}.")
    if step and len(step) != len(by):
        raise click.UsageError(f"--step has to be given {times}, or left out.")
    from emulator.experiment.size import values_from

    return [values_from(None, *each) for each in zip(first, last, step or (1,) * len(by), strict=True)]


@click.command(short_help="Tell on which guessed values the verdicts rest.")
@click.argument("file", metavar="FILE")
@click.option("--pairs", is_flag=True, help="Screen every pair of guesses, at all combinations of their ends.")
@click.option("--confidence", type=float, default=0.95, metavar="C", help="Confidence of each interval (0.95).")
@click.option(
    "--nights", type=click.IntRange(1, 1_000_000), default=60, metavar="N", help="Nights of each combination (60)."
)
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
def guesses(
    file: str,
    pairs: bool,
    confidence: float,
    nights: int,
    given: Given,
) -> int:
    """Play FILE with the values that it marks as guesses at both ends of what is plausible for them.

    Each guess is tried alone, then all at once at the ends that go against a verdict. If that flips the verdict, the
    smallest set of guesses that flips it is looked for. Ends are stated as
    {value: 90s, from: guess, plausible: [30s, 5m]}; without that, half the value and twice the value are tried.

    The exit code is 0 if no verdict rests on a guess, 1 if one does, and 4 if there are too few nights to decide or
    nothing could be judged.
    """
    from emulator.cli.progress import progress
    from emulator.experiment.guesses import guesses as work
    from emulator.show.comparison.questions import guesses_json, guesses_page

    with progress("trying guesses", quiet=given.quiet, of="this step") as told:
        found = work(
            given.read(file),
            pairs=pairs,
            nights=nights,
            confidence=confidence,
            first_seed=given.seed,
            processes=given.processes,
            progress=told,
        )
    if given.as_json:
        tell_json(guesses_json(found))
    elif given.quiet:
        tell(found.sentence)
    else:
        guesses_page(found, width=page_width()).write(sys.stdout)
    return exit_code(found.outcome, given.undecided)
