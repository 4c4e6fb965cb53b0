"""``queuedrill watch``: see one night go by, with keys for its speed."""

import sys
from pathlib import Path

import click

from emulator.cli.comparing import exit_code
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.outcomes import INTERRUPTED
from emulator.cli.run import finite

__all__ = ["watch"]


@click.command(short_help="Watch one night go by, with keys for its speed.")
@click.argument("file", metavar="FILE")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Use this seed, not the scenario's.")
@click.option("--variant", metavar="NAME", default="", help="Watch this variant of the scenario.")
@click.option(
    "--speed",
    type=float,
    metavar="X",
    callback=finite,
    help="Begin at X times real time; by default the night takes a minute or two.",
)
@click.option("--log", metavar="PATH", help="Write every event to a new SQLite file.")
@click.option("--overwrite", is_flag=True, help="Let the log take the place of an earlier one.")
@click.option("--structured", is_flag=True, help="With --log: say that it is written as a line of key=value.")
@click.option("--plain", is_flag=True, help="Write a line for each notable event, as where there is no terminal.")
@set_values
@allow_folder
def watch(
    file: str,
    seed: int | None,
    variant: str,
    speed: float | None,
    log: str | None,
    overwrite: bool,
    structured: bool,
    plain: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
) -> int:
    """Watch one night of a scenario FILE go by: its workers, its backlog, its faults and its last events.

    Keys: space pauses and goes on, + and - change the speed, n goes to the next event, f to the next fault, e straight
    to the end, q stops. Then the summary follows, as after `run`: the same file and seed give the same night, whatever
    keys are pressed.

    Where there is no terminal, or with --plain, each notable event is a line, as fast as possible unless --speed is
    given.
    """
    from emulator.experiment.watching import StoppedError, told_night, watch_night

    if overwrite and log is None:
        raise click.UsageError("--overwrite says what may become of a log: give --log too.")
    loaded = read_changed(file, allow_folders, change, add, variant)
    path = None if log is None else Path(log)
    if plain or not _on_terminal():
        result = told_night(loaded, _write, seed=seed, variant=variant, log=path, overwrite=overwrite, speed=speed)
        click.echo()
    else:
        from emulator.cli.terminal import Terminal

        try:
            with Terminal() as terminal:
                result = watch_night(
                    loaded, terminal, seed=seed, variant=variant, log=path, overwrite=overwrite, speed=speed
                )
        except StoppedError as stopped:
            when = f"{loaded.clock.local(stopped.at):%H:%M:%S}"
            click.echo(f"queuedrill: stopped at {when}, before the night was over: nothing is judged", err=True)
            return INTERRUPTED
    result.summary().write(sys.stdout)
    if result.log is not None:
        from emulator.cli.logs import say_written

        say_written(result.log, result.seed, structured=structured)
    return exit_code(result.outcome)


def _on_terminal() -> bool:
    try:
        from emulator.cli.terminal import has_terminal
    except (ImportError, AttributeError):  # a system that lacks the terminals (termios) or signals that are needed
        return False
    return has_terminal()


def _write(line: str) -> None:
    sys.stdout.write(line)
    sys.stdout.flush()
