"""Which exit code does an ending have, and what is said about it?"""

import os
import platform
import sys
import traceback
from collections.abc import Callable, Iterable
from typing import Final

import click

from emulator.cli.streams import complain, is_of_output
from emulator.errors import InputError, ScenarioError

__all__ = [
    "DEFECT",
    "INTERRUPTED",
    "MET",
    "MISSED",
    "NOBODY_READS",
    "UNDECIDED",
    "WRONG_INPUT",
    "each_file",
    "guarded",
    "worst",
]

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
