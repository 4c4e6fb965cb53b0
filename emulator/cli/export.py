"""``queuedrill export``: give what a log records to other programs, in a format that they know."""

import sys
from pathlib import Path

import click

from emulator.cli.folders import allow_folder
from emulator.cli.outcomes import MET

__all__ = ["export"]


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
    from emulator.experiment.exporting import pieces, write_export

    if output is None:
        if overwrite:
            raise click.UsageError("--overwrite says what may become of a file: give -o too.")
        for piece in pieces(log, form, allow_folders):
            sys.stdout.write(piece)
        return MET
    write_export(log, form, Path(output), overwrite=overwrite, allow_folders=allow_folders)
    click.echo(output)
    return MET
