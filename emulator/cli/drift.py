"""``queuedrill drift``: do new nights still belong with those that a draft was learnt from?"""

import sys

import click

from emulator.cli.comparing import undecided
from emulator.cli.outcomes import MET, MISSED
from emulator.cli.streams import page_width, tell, tell_json

__all__ = ["drift"]


@click.command(short_help="Tell whether new nights have left those of a draft.")
@click.argument("draft", metavar="DRAFT")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--columns", metavar="FILE", help="Meanings of the columns (the file beside DRAFT).")
@click.option("--nights", metavar="FILE", help="Figures of the past nights (the file beside DRAFT).")
@click.option("--night", metavar="TIME+LENGTH", help="When a night begins and how long it lasts, such as 18:00+14h.")
@click.option("--zone", metavar="ZONE", help="Zone of times that state none, such as America/Santiago.")
@click.option("--json", "as_json", is_flag=True, help="Print one line of JSON.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
def drift(
    draft: str,
    files: tuple[str, ...],
    columns: str | None,
    nights: str | None,
    night: str | None,
    zone: str | None,
    as_json: bool,
    undecided: int,
    quiet: bool,
) -> int:
    """Rank each new night of the exports FILE among the past nights of DRAFT, and tell when they have moved.

    The past nights stand in the file that sketch writes beside DRAFT (draft.nights.csv), the meanings of the columns in
    draft.columns.yaml. Nights of FILE that DRAFT was learnt from are skipped. Give whole nights.

    The exit code is 0 if nothing has moved, 1 if something has, and 4 if it cannot be told: too few nights, or nights
    that lean on the night before.
    """
    from emulator.cli.progress import progress
    from emulator.past.drift_files import drift_of_files
    from emulator.past.drift_page import drift_json, drift_page

    with progress("reading", quiet=quiet or as_json, of="the files") as told:
        found = drift_of_files(draft, files, columns=columns, nights=nights, night=night, zone=zone, progress=told)
    if as_json:
        tell_json(drift_json(found))
    elif quiet:
        tell(found.sentence)
    else:
        drift_page(found, width=page_width()).write(sys.stdout)
    if found.outcome == "unknown":
        return undecided
    return MISSED if found.outcome == "drift" else MET
