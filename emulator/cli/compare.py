"""``queuedrill compare``: the variants of a scenario, or several scenarios, over many nights on the same draws."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emulator.cli.comparing import (
    check_apart,
    check_new,
    check_writable,
    exit_code,
    names,
    overwrite,
    processes,
    undecided,
    write_text,
)
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.streams import page_width, tell, tell_json

if TYPE_CHECKING:
    from emulator.experiment.comparison_result import ComparisonResult
    from emulator.scenario.load import Loaded
    from emulator.show.svg import Theme

__all__ = ["compare"]


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
@allow_folder
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
    seed: int | None,
    processes: int | None,
    cluster: str | None,
    results: str | None,
    resume: bool,
    everything: bool,
    as_json: bool,
    csv_path: str | None,
    markdown_path: str | None,
    pictures: str | None,
    theme: "Theme | None",
    page: str | None,
    overwrite: bool,
    undecided: int,
    quiet: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
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
    from emulator.measure.comparison.outcome import outcome_of
    from emulator.show.comparison.as_json import comparison_json
    from emulator.show.comparison.page import comparison_page
    from emulator.show.comparison.tables import as_csv, as_markdown
    from emulator.show.comparison.verdict import sentence

    def show(found: "ComparisonResult") -> None:
        if as_json:
            tell_json({"files": list(files), **comparison_json(found)})
        elif quiet:
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
        read = [read_changed(file, allow_folders, change, add) for file in files]
        with progress("comparing", quiet=quiet, of="the nights") as told:
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
                first_seed=seed,
                processes=processes if cluster is None else None,
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
    return exit_code(outcome_of(found), undecided)


def _named(given: Sequence[str], loaded: "Loaded") -> list[str]:
    """Take names of variants apart: a text that is one name is taken for it, any other has commas between names."""
    from emulator.scenario.variants import AS_WRITTEN

    known = (AS_WRITTEN, *loaded.patches)
    found = ([text.strip()] if text.strip() in known else names(text) or [] for text in given)
    return [name for some in found for name in some]
