"""``queuedrill page``: show what a log records as one HTML file."""

from pathlib import Path

import click

from emulator.cli.comparing import check_apart
from emulator.cli.folders import allow_folder
from emulator.cli.outcomes import MET

__all__ = ["page"]


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
    from emulator.experiment.paging import page_of_log, write_page

    check_apart((output,), (log,))
    path = Path(output)
    if path.exists() and not overwrite:
        raise InputError(f"{output}: there is a file already: give --overwrite, or another name with -o")
    write_page(page_of_log(log, allow_folders=allow_folders), path)
    click.echo(output)
    return MET
