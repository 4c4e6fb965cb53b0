"""The commands that read a log, or tell of one night: ``story``, ``trail``, ``page``, ``export``, ``reproduce``."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emulator.cli.options import MET, MISSED, Given, allow_folder, check_apart, set_values, tell

if TYPE_CHECKING:
    from emulator.report.storytelling import Told

__all__ = [
    "export",
    "page",
    "reproduce",
    "story",
    "trail",
]


@click.command(short_help="Tell what happened to a job, a worker or a requirement, and why.")
@click.argument("log", metavar="FILE")
@click.argument("job", metavar="JOB", required=False)
@click.option("--worker", metavar="NAME", help="Tell of this worker instead of a job.")
@click.option("--requirement", metavar="N", help="Tell of this requirement instead: its place from 1, or its measure.")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Of a scenario: the night with this seed.")
@click.option("--variant", metavar="NAME", help="Of a scenario: the night of this variant.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with the events behind each sentence.")
@set_values
def story(
    log: str,
    job: str | None,
    worker: str | None,
    requirement: str | None,
    variant: str | None,
    given: Given,
) -> int:
    """Tell in plain sentences what became of a JOB (its number, or its entry and number, such as plates#3).

    FILE is a log of a night, or a scenario (.yaml): then the night with --seed and --variant is run first. Each
    sentence has its clock time and, in brackets, the events that it rests on. With --worker or --requirement the story
    is that of a worker or a requirement.
    """
    import json

    from emulator.report import storytelling
    from emulator.show.story import writing

    asked = [whose for whose in (job, worker, requirement) if whose is not None]
    if len(asked) != 1:
        raise click.UsageError("whose story? Give one of: JOB, --worker NAME, --requirement N.")
    if log.lower().endswith((".yaml", ".yml")):
        told = _of_scenario(log, job, worker, requirement, variant or "", given)
    elif given.seed is not None or variant is not None or given.change or given.add:
        raise click.UsageError(
            f"--seed, --variant, --change and --add choose a night of a scenario: {log} is no .yaml file."
        )
    elif worker is not None:
        told = storytelling.story_of_worker(log, worker, allow_folders=given.allow_folders)
    elif requirement is not None:
        told = storytelling.story_of_requirement(log, requirement, allow_folders=given.allow_folders)
    else:
        told = storytelling.story_of_job(log, asked[0], allow_folders=given.allow_folders)
    if given.as_json:
        click.echo(json.dumps(writing.as_json(told.story, told.sentences, told.clock), indent=2))
    else:
        writing.as_text(told.story, told.sentences, told.clock).write(sys.stdout)
    return MET


def _of_scenario(
    file: str,
    job: str | None,
    worker: str | None,
    requirement: str | None,
    variant: str,
    given: Given,
) -> "Told":
    from emulator.cli.progress import progress
    from emulator.experiment.night import run_night
    from emulator.report.storytelling import story_of_night

    with progress(file) as told:
        night = run_night(
            given.read(file, variant),
            seed=given.seed,
            variant=variant,
            keep_events=True,
            progress=told,
        )
    return story_of_night(night, job=job, worker=worker, requirement=requirement)


_WAIT = 0.2  # seconds between two looks at a run that goes on


@click.command(short_help="Show the events of a log, filtered; follow a run that goes on.")
@click.argument("log", metavar="LOG")
@click.option("--job", metavar="JOB", help="Of this job alone: its number, or its entry and number, such as plates#3.")
@click.option("--worker", metavar="NAME", help="Of this worker alone.")
@click.option("--kind", "kinds", metavar="A,B", multiple=True, help="Of these kinds alone, such as handed_out.")
@click.option("--from", "from_", metavar="TIME", help="From then on: 21:40, +2h30m or 2026-06-12T21:40:00.")
@click.option("--until", metavar="TIME", help="Before then.")
@click.option("--causes", is_flag=True, help="Show also the events that led to them, back to the first.")
@click.option("--follow", is_flag=True, help="Go on as the run goes on, until it is finished.")
@click.option(
    "--as", "form", type=click.Choice(["table", "jsonl", "csv"]), default="table", show_default=True, help="Write so."
)
@allow_folder
def trail(
    log: str,
    job: str | None,
    worker: str | None,
    kinds: tuple[str, ...],
    from_: str | None,
    until: str | None,
    causes: bool,
    follow: bool,
    form: str,
    allow_folders: tuple[str, ...],
) -> int:
    """Show the events that a LOG holds, in order, each with the number of the event that led to it.

    Every condition that is given must hold. Times are those of the scenario's clock.
    """
    from time import sleep

    from emulator.record.log_reader import fitting
    from emulator.report.storytelling import trail_of
    from emulator.show.trail import TrailWriter

    if follow and causes:
        raise click.UsageError("--follow shows events as they come, --causes looks back from the last: leave one out.")
    wanted = [kind.strip() for given in kinds for kind in given.split(",") if kind.strip()]
    found = trail_of(log, job=job, worker=worker, kinds=wanted, from_=from_, until=until, allow_folders=allow_folders)
    number, tick = found.log.last()
    if follow:
        number, tick = max(number, 10**6), max(tick, found.ends)
    out = sys.stdout
    writer = TrailWriter(form, found.clock, found.jobs.name, (number, tick), terminal=out.isatty())  # type: ignore[arg-type]  # click has checked it

    def pause() -> None:
        out.flush()
        sleep(_WAIT)

    def lines() -> Iterator[str]:
        with fitting(log):
            for number, row in found.followed(pause) if follow else found.events(causes=causes):
                yield writer.of(number, row)

    out.write(writer.head())
    shown = False
    for line in lines():
        out.write(line)
        shown = True
    if not shown:
        click.echo(f"{log}: no event is as asked", err=True)
    if not (follow or found.log.finished):
        click.echo(found.log.in_words(), err=True)
    return MET


@click.command(short_help="Show a log as one HTML page that needs no network.")
@click.argument("log", metavar="LOG")
@click.option("-o", "--output", metavar="PATH", default="page.html", show_default=True, help="Write the page here.")
@click.option("--overwrite", is_flag=True, help="Let the page take the place of a file that is there.")
@allow_folder
def page(log: str, output: str, overwrite: bool, allow_folders: tuple[str, ...]) -> int:
    """Show what a LOG records as one HTML file, which opens in a browser without any network.

    The verdict and the requirements come first, then the night on one axis, then times, attempts, the worst jobs and
    the events behind them. The same log gives the same bytes.
    """
    from emulator.errors import InputError
    from emulator.report.paging import page_of_log, write_page

    check_apart((output,), (log,))
    path = Path(output)
    if path.exists() and not overwrite:
        raise InputError(f"{output}: there is a file already: give --overwrite, or another name with -o")
    write_page(page_of_log(log, allow_folders=allow_folders), path)
    click.echo(output)
    return MET


@click.command(short_help="Give a log to other programs, in an open format.")
@click.argument("log", metavar="LOG")
@click.option(
    "--as",
    "form",
    type=click.Choice(["cloudevents", "cloudevents-lines", "openmetrics", "junit", "otlp", "jobs-csv", "attempts-csv"]),
    required=True,
    help="The format.",
)
@click.option("-o", "--output", metavar="PATH", help="Write to this file instead of standard output.")
@click.option("--overwrite", is_flag=True, help="Let it take the place of a file that is there.")
@allow_folder
def export(log: str, form: str, output: str | None, overwrite: bool, allow_folders: tuple[str, ...]) -> int:
    """Give what a LOG records to other programs, in an open format.

    Times are virtual ones, and the same log gives the same bytes.

    cloudevents: every event, as a JSON batch of CloudEvents 1.0; cloudevents-lines: one on each line. openmetrics:
    counts and figures, as OpenMetrics text. junit: the requirements, as test results in XML. otlp: jobs, attempts and
    parts, as OpenTelemetry spans in OTLP JSON. jobs-csv, attempts-csv: a row for each.
    """
    from emulator.report.exporting import pieces, write_export

    if output is None:
        if overwrite:
            raise click.UsageError("--overwrite says what may become of a file: give -o too.")
        for piece in pieces(log, form, allow_folders):
            sys.stdout.write(piece)
        return MET
    write_export(log, form, Path(output), overwrite=overwrite, allow_folders=allow_folders)
    click.echo(output)
    return MET


@click.command(short_help="Run what a log records once more, and compare the events.")
@click.argument("log", metavar="LOG")
@allow_folder
def reproduce(log: str, allow_folders: tuple[str, ...]) -> int:
    """Run the scenario and seed that a LOG records once more, and compare every event.

    Exit code: 0 the events are identical, 1 they differ, 2 the log or a file that the run read cannot be used.
    """
    from emulator.cli.progress import progress
    from emulator.report.reproduce import reproduce as run_again

    with progress(log) as told:
        found = run_again(log, allow_folders=allow_folders, progress=told)
    for line in found.in_words():
        tell(line)
    return MET if found.identical else MISSED
