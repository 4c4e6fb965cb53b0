"""The options that commands share, and what they do with them: set values, what may be written, give an exit code."""

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emulator.cli.outcomes import MET, MISSED, UNDECIDED

if TYPE_CHECKING:
    from emulator.measure.comparison.shares import Outcome
    from emulator.scenario.load import Loaded

__all__ = [
    "allow_folder",
    "check_apart",
    "check_new",
    "check_writable",
    "exit_code",
    "names",
    "overwrite",
    "processes",
    "read_changed",
    "set_values",
    "undecided",
    "write_text",
]


allow_folder = click.option(
    "--allow-folder",
    "allow_folders",
    type=click.Path(exists=True, file_okay=False),
    metavar="DIR",
    multiple=True,
    help="Let a scenario name files below this folder too (may be given more than once).",
)
"""A scenario's files lie below its own folder; somebody who trusts it may allow others."""


def set_values(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that set values of its scenario; they are the parameters ``change`` and ``add``."""
    add = click.option(
        "--add",
        metavar="LIST: ITEM",
        multiple=True,
        help="Add to a list, such as 'faults: {freeze: dome-1, at: \"23:00\"}' (may be given more than once).",
    )
    change = click.option(
        "--change",
        metavar="PATH=VALUE",
        multiple=True,
        help="Set a value, such as queues.night.lease=5m (may be given more than once).",
    )
    return change(add(command))


def read_changed(
    file: str, allow_folders: Sequence[str], change: Sequence[str], add: Sequence[str], variant: str = ""
) -> "Loaded":
    """Read a scenario with what was set on the command line, for the run of one variant or of all.

    Raises:
        ScenarioError: with every mistake in the file, or in what was set.
        InputError: when the variant sets one of those values itself.
    """
    from emulator.scenario.load import load

    loaded = load(file, allow_folders=allow_folders)
    if not change and not add:
        return loaded
    from emulator.scenario.load import check_effect, with_changes

    loaded = with_changes(loaded, [*(("change", text) for text in change), *(("add", text) for text in add)])
    check_effect(loaded, variant)
    return loaded


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
    from emulator.report.writing import same_file

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
    from emulator.report.writing import write_whole

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
