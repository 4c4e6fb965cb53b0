"""Which options do the commands share that read a scenario, or the log of one?"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from emulator.scenario.load import Loaded

__all__ = ["allow_folder", "read_changed", "set_values"]

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
    from emulator.scenario.changes import check_effect, with_changes

    loaded = with_changes(loaded, [*(("change", text) for text in change), *(("add", text) for text in add)])
    check_effect(loaded, variant)
    return loaded
