"""What commands share: options, where may be written, what is told, standard streams that fail, exit codes.

The law: a stream that was closed takes everything and keeps nothing, as if it had been sent to the null device. Results
that cannot be written are wrong input, as a file is that cannot be written; complaints that cannot be written change
no exit code.
"""

import errno
import os
import platform
import sys
import traceback
from collections.abc import Callable, Iterable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import click

from emulator.errors import InputError, ScenarioError

if TYPE_CHECKING:
    from emulator.measure.comparison.shares import Outcome
    from emulator.scenario.load import Loaded

__all__ = [
    "DEFECT",
    "INTERRUPTED",
    "MET",
    "MISSED",
    "NOBODY_READS",
    "UNDECIDED",
    "WRONG_INPUT",
    "Given",
    "allow_folder",
    "check_apart",
    "check_new",
    "check_writable",
    "complain",
    "complain_by",
    "each_file",
    "exit_code",
    "guarded",
    "is_of_output",
    "let_go",
    "names",
    "open_closed_streams",
    "overwrite",
    "page_width",
    "processes",
    "set_values",
    "tell",
    "tell_json",
    "undecided",
    "worst",
    "write_text",
]


_UNWRITABLE: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)


def open_closed_streams() -> None:
    """Open what was closed when the program began, before a file of its own could get that number and be written to."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)  # it gets the lowest number that is free: this one
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115  # it stays open to the end


def let_go(number: int) -> None:
    """Let a standard stream that failed take everything from now on, or the interpreter fails on it at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), number)


def is_of_output(error: BaseException) -> bool:
    """Say whether an error tells that a stream cannot be written; those of files of the program's own name the file."""
    return isinstance(error, OSError) and error.errno in _UNWRITABLE and error.filename is None


def page_width() -> int:
    """Say how wide tables may be: ``WIDE`` where the terminal is as wide, or COLUMNS in the environment says so."""
    from emulator.show.layout import WIDE, WIDTH

    given = os.environ.get("COLUMNS", "")
    try:
        wide = int(given) if given.isascii() and given.isdecimal() else os.get_terminal_size(1).columns
    except OSError:
        return WIDTH
    return WIDE if wide >= WIDE else WIDTH


def tell(text: str, *, err: bool = False) -> None:
    """Write lines, without what a terminal would take for a command or for a change of direction."""
    from emulator.show.layout import clean

    click.echo("\n".join(map(clean, text.split("\n"))), err=err)


def tell_json(value: Any) -> None:
    """Write a line of JSON, with escapes for what a terminal would not simply show."""
    import json

    from emulator.show.trail import escaped

    click.echo(escaped(json.dumps(value, ensure_ascii=False), for_json=True))


def complain(text: str) -> None:
    """Write to standard error, if that can be done."""
    complain_by(lambda: tell(text, err=True))


def complain_by(write: Callable[[], object]) -> None:
    """Do what writes to standard error, if that can be done."""
    try:
        write()
    except OSError:
        let_go(2)


MET: Final = 0
MISSED: Final = 1
WRONG_INPUT: Final = 2
DEFECT: Final = 3
UNDECIDED: Final = 4
INTERRUPTED: Final = 130
NOBODY_READS: Final = 141


def guarded(work: Callable[[], int]) -> int:
    """Do some work that gives an exit code; say on standard error what went wrong if it fails, without a traceback."""
    try:
        return work()
    except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
        raise
    except ScenarioError as error:
        complain(str(error))
        return WRONG_INPUT
    except InputError as error:
        complain(str(error))
        return WRONG_INPUT
    except Exception as error:
        if is_of_output(error):
            raise
        complain(_report(error))
        return DEFECT


def each_file(files: Iterable[str], work: Callable[[str], int]) -> int:
    """Do the work for each file, whatever becomes of the others, and give the worst exit code."""
    return worst(guarded(lambda file=file: work(file)) for file in files)  # type: ignore[misc]  # bound now


def worst(codes: Iterable[int]) -> int:
    """Give the worst of several exit codes: a defect, wrong input, missed, undecided, met.

    >>> worst([0, 4, 1]), worst([4, 0]), worst([])
    (1, 4, 0)
    """
    order = (DEFECT, WRONG_INPUT, MISSED, UNDECIDED)
    found = set(codes)
    return next((code for code in order if code in found), MET)


def _report(error: Exception) -> str:
    from emulator.record.meta import program_version
    from emulator.scenario.clock import zone_data_version

    said = " ".join(str(error).split()) or "no more is known"
    lines = [
        f"queuedrill has a defect, your input is not to blame: {type(error).__name__}: {said}",
        f"queuedrill {program_version()}, Python {platform.python_version()}, zone data {zone_data_version()}, "
        f"{sys.platform}",
        "Please report these lines, the command and the scenario to whoever maintains queuedrill.",
    ]
    if os.environ.get("QUEUEDRILL_TRACEBACK") == "1":
        lines.append("".join(traceback.format_exception(error)).rstrip())
    else:
        lines.append("With QUEUEDRILL_TRACEBACK=1 in the environment, where it happened is shown too.")
    return "\n".join(lines)


allow_folder = click.option(
    "--allow-folder",
    "allow_folders",
    type=click.Path(exists=True, file_okay=False),
    metavar="DIR",
    multiple=True,
    help="Let a scenario name files below this folder too (may be given more than once).",
)
"""A scenario's files lie below its own folder; somebody who trusts it may allow others."""


class Given(NamedTuple):
    """What a command shares with others, by their names on the command line; what it has not has its default."""

    seed: int | None = None
    processes: int | None = None
    as_json: bool = False
    undecided: int = UNDECIDED
    quiet: bool = False
    change: tuple[str, ...] = ()
    add: tuple[str, ...] = ()
    allow_folders: tuple[str, ...] = ()

    def read(self, file: str, variant: str = "") -> "Loaded":
        """Read a scenario with what was set on the command line, for the run of one variant or of all.

        Raises:
            ScenarioError: with every mistake in the file, or in what was set.
            InputError: when the variant sets one of those values itself.
        """
        from emulator.scenario.load import check_effect, load, with_changes

        loaded = load(file, allow_folders=self.allow_folders)
        changes = [*(("change", text) for text in self.change), *(("add", text) for text in self.add)]
        if changes:
            loaded = with_changes(loaded, changes)
            check_effect(loaded, variant)
        return loaded


def set_values(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options that set values of its scenario, and what it shares with others as ``given``."""

    @wraps(command)
    def called(**options: Any) -> int:
        shared = {name: options.pop(name) for name in Given._fields if name in options}
        return command(given=Given(**shared), **options)

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
    return change(add(allow_folder(called)))


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
