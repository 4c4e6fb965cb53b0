"""``queuedrill brief``: what a board that decides on a change has to know, on two printed pages at most."""

from pathlib import Path

import click

from emulator.cli.comparing import check_apart, check_writable, exit_code, processes, undecided, write_text
from emulator.cli.folders import allow_folder, read_changed, set_values
from emulator.cli.streams import tell, tell_json

__all__ = ["brief"]


@click.command(short_help="Write a page for a board that decides on a change.")
@click.argument("file", metavar="FILE")
@click.option("-o", "--output", metavar="PATH", default="brief.html", show_default=True, help="Write the page here.")
@click.option("--overwrite", is_flag=True, help="Let the page take the place of a file that is there.")
@click.option(
    "--nights", type=click.IntRange(1, 1_000_000), default=100, metavar="N", help="Nights of each question (100)."
)
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the first night (the scenario's).")
@processes
@click.option("--json", "as_json", is_flag=True, help="Print all of it as one line of JSON, too.")
@undecided
@click.option("--quiet", is_flag=True, help="Print the answer alone, and no progress.")
@set_values
@allow_folder
def brief(
    file: str,
    output: str,
    overwrite: bool,
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
    """Play nights of FILE, of its `questions` and of its guesses, and write what a board has to know as one page.

    The page has at most 500 words, and prints on at most two sides of A4. What does not fit is in --json. The
    question, the scope, the way back and the owner of the risk are those of `brief:` in FILE, or "not stated".

    The exit code is 0 if every requirement is met, 1 if one is missed, and 4 if there are too few nights to decide.
    """
    from emulator.cli.progress import progress
    from emulator.errors import InputError
    from emulator.outlook.brief import brief as work
    from emulator.outlook.brief_page import answer_sentence, brief_document, brief_json

    check_apart((output,), (file,))
    if Path(output).exists() and not overwrite:
        raise InputError(f"{output}: there is a file already: give --overwrite, or another name with -o")
    check_writable((output,))
    loaded = read_changed(file, allow_folders, change, add)
    with progress("rehearsing", quiet=quiet, of="the nights") as told:
        found = work(loaded, nights=nights, first_seed=seed, processes=processes, progress=told)
    write_text(output, brief_document(found))
    if as_json:
        tell_json(brief_json(found))
    else:
        tell(answer_sentence(found))
        if not quiet:
            tell(output)
    return exit_code(found.outcome, undecided)
