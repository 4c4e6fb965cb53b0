"""``queuedrill reproduce``: run what a log records once more, and say whether the events are identical."""

import click

from emulator.cli.folders import allow_folder
from emulator.cli.outcomes import MET, MISSED
from emulator.cli.streams import tell

__all__ = ["reproduce"]


@click.command(short_help="Run what a log records once more, and compare the events.")
@click.argument("log", metavar="LOG")
@allow_folder
def reproduce(log: str, allow_folders: tuple[str, ...]) -> int:
    """Run the scenario and seed that a LOG records once more, and compare every event.

    Exit code: 0 the events are identical, 1 they differ, 2 the log or a file that the run read cannot be used.
    """
    from emulator.cli.progress import progress
    from emulator.experiment.reproduce import reproduce as run_again

    with progress(log) as told:
        found = run_again(log, allow_folders=allow_folders, progress=told)
    for line in found.in_words():
        tell(line)
    return MET if found.identical else MISSED
