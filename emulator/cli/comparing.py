"""What do the commands that run many nights share: their options, where they write, how they end?"""

import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emulator.cli.outcomes import MET, MISSED, UNDECIDED

if TYPE_CHECKING:
    from emulator.measure.comparison.outcome import Outcome

__all__ = [
    "check_apart",
    "check_new",
    "check_writable",
    "exit_code",
    "names",
    "overwrite",
    "processes",
    "undecided",
    "write_text",
]

processes = click.option(
    "--processes",
    type=click.IntRange(1, 1_024),
    metavar="N",
    help="Run nights in so many processes (default: one for each processor).",
)

undecided = click.option(
    "--undecided",
    type=click.Choice(["0", "1", "4"]),
    default="4",
    callback=lambda _context, _option, code: int(code),
    help="Exit code where too few nights decide (4).",
)

overwrite = click.option(
    "--overwrite", is_flag=True, help="Let what is written take the place of files that are there."
)


def names(text: str | None) -> list[str] | None:
    """Take a list apart that has commas between its items; None if it was not given."""
    return None if text is None else [name.strip() for name in text.split(",") if name.strip()]


def check_apart(written: Iterable[str | None], read: Iterable[str | Path]) -> None:
    """Make sure that nothing is written over what is read, nor two things into one file, by whichever names.

    Raises:
        click.ClickException: for the first that would be.
    """
    from emulator.experiment.writing import same_file

    taken: list[tuple[str | Path, str]] = [(path, "is what is read: name another file to write to.") for path in read]
    for path in written:
        if path is None or (os.path.exists(path) and not os.path.isfile(path)):  # a device takes all that comes
            continue
        for other, said in taken:
            if same_file(path, other):
                raise click.UsageError(f"{path} {said}")
        taken.append((path, "is named twice: give each a file of its own."))


def check_new(paths: Iterable[str | None], overwrite: bool) -> None:
    """Make sure that no file is replaced that nobody said may be.

    Raises:
        click.ClickException: for the first that is there, or where --overwrite says nothing.
    """
    written = [path for path in paths if path is not None]
    if overwrite and not written:
        raise click.UsageError("--overwrite says what may become of files: name one to write too.")
    for path in written:
        if not overwrite and os.path.isfile(path):  # a device takes all that comes
            raise click.UsageError(f"{path}: there is a file already: give --overwrite, or another name.")


def check_writable(paths: Iterable[str | None]) -> None:
    """Find out before the work whether files can be written after it.

    Raises:
        click.ClickException: for the first that cannot be.
    """
    for path in paths:
        if path is None:
            continue
        place = Path(path)
        there = place.exists()
        try:
            if there and not place.is_file() and not place.is_dir() and os.access(place, os.W_OK):
                continue  # whoever reads a pipe would take its being opened and closed for the whole
            with open(path, "ab"):
                pass
            if not there:
                place.unlink()
        except OSError as error:
            raise click.UsageError(f"{path} cannot be written: {error.strerror}; name another file.") from None


def write_text(path: str | None, text: str) -> None:
    """Write a text to a file, if one was named.

    Raises:
        click.ClickException: when it cannot be written, such as on a full disk.
    """
    if path is None:
        return
    from emulator.experiment.writing import write_whole

    try:
        write_whole(path, text)
    except OSError as error:
        raise click.UsageError(f"{path} cannot be written: {error.strerror}; name another file.") from None


def exit_code(outcome: "Outcome", undecided: int = UNDECIDED) -> int:
    """Give the exit code of what many nights came to.

    Args:
        outcome: how they came out.
        undecided: the code where they are too few to decide: 4, unless --undecided says otherwise.
    """
    if outcome == "open":
        return undecided
    return MISSED if outcome == "bad" else MET
