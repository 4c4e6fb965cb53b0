"""``queuedrill check``: is a scenario right, and what in it deserves a second look?"""

import click

from emulator.cli.folders import allow_folder
from emulator.cli.outcomes import MET, each_file
from emulator.cli.streams import tell

__all__ = ["check"]


@click.command(short_help="Read scenarios without running them, and name what is wrong.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--resolved", is_flag=True, help="Print each scenario whole instead: every default filled in.")
@allow_folder
def check(files: tuple[str, ...], resolved: bool, allow_folders: tuple[str, ...]) -> int:
    """Read each scenario FILE without running it, and name every mistake in it at its line and column.

    Then name the hazards: what is no mistake and may still spoil the night. Hazards leave the exit code at 0.
    What --resolved prints is a scenario file itself.
    """

    def one(file: str) -> int:
        from emulator.scenario.hazards import hazards, heartbeat_margins
        from emulator.scenario.load import load

        loaded = load(file, allow_folders=allow_folders)
        if any(entry.trace is not None for entry in loaded.scenario.arrivals):
            from emulator.world.trace_lines import check_traces  # few scenarios have a trace

            check_traces(loaded)
        if resolved:
            from emulator.scenario.resolved import resolved as whole

            click.echo(f"# {file}\n{whole(loaded)}", nl=False)
            return MET
        found = hazards(loaded)
        click.echo(f"{file}: no mistakes, {len(found) or 'no'} hazard{'' if len(found) == 1 else 's'}")
        for margin in heartbeat_margins(loaded):
            survived = f"{margin.survived} lost heartbeat{'' if margin.survived == 1 else 's'} in a row"
            if margin.survived < 0:
                survived = "not even regular heartbeats"
            click.echo(f"  queue {margin.queue}, pool {margin.pool}: a lease survives {survived}")
        for hazard in found:
            tell(f"{hazard} [{hazard.code}]")
        return MET

    return each_file(files, one)
