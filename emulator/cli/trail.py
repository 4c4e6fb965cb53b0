"""``queuedrill trail``: show the events of a log, or those of a run that goes on."""

import sys
from collections.abc import Iterator

import click

from emulator.cli.folders import allow_folder
from emulator.cli.outcomes import MET

__all__ = ["trail"]

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

    from emulator.experiment.trailing import trail_of
    from emulator.record.log_reader import fitting
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
