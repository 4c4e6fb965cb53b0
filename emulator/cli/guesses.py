"""``queuedrill guesses``: on which guessed values do the verdicts of a scenario rest?"""

import sys

import click

from emulator.cli.comparing import exit_code, processes, undecided
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.streams import page_width, tell, tell_json

__all__ = ["guesses"]


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
@allow_folder
def guesses(
    file: str,
    pairs: bool,
    confidence: float,
    nights: int,
    seed: int | None,
    processes: int | None,
    as_json: bool,
    undecided: int,
    quiet: bool,
    change: tuple[str, ...],
    add: tuple[str, ...],
    allow_folders: tuple[str, ...],
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
    from emulator.show.comparison.guesses import guesses_json, guesses_page

    with progress("trying guesses", quiet=quiet, of="this step") as told:
        found = work(
            read_changed(file, allow_folders, change, add),
            pairs=pairs,
            nights=nights,
            confidence=confidence,
            first_seed=seed,
            processes=processes,
            progress=told,
        )
    if as_json:
        tell_json(guesses_json(found))
    elif quiet:
        tell(found.sentence)
    else:
        guesses_page(found, width=page_width()).write(sys.stdout)
    return exit_code(found.outcome, undecided)
