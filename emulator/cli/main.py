"""The command line: lists the commands, calls one, and ends the program with its exit code.

The law: results alone go to standard output, everything else to standard error. A command's module imports nothing
heavy before the command is called, so that help and mistakes answer at once. The exit code is

- 0: all requirements are met, or there was nothing to judge;
- 1: a requirement is missed, or the events of a reproduced run differ;
- 2: the input is wrong: arguments, scenario or log; or the output cannot be written, as on a full disk;
- 3: a defect of the program itself;
- 130 after Ctrl-C, 141 when whoever read the output has gone (128 and the number of the signal, as shells have it).
"""

import sys
from collections.abc import Sequence
from functools import partial
from importlib import import_module
from typing import Any, Final, NoReturn

import click

from emulator.cli.options import (
    INTERRUPTED,
    NOBODY_READS,
    WRONG_INPUT,
    complain,
    complain_by,
    guarded,
    let_go,
    open_closed_streams,
)
from emulator.version import VERSION

__all__ = ["COMMANDS", "answer", "main", "program"]


_MODULES: Final = {
    "check": ("check", "schema"),
    "compare": ("compare", "guesses", "size"),
    "hunt": ("hunt", "rerun"),
    "logs": ("export", "page", "reproduce", "story", "trail"),
    "outlook": ("brief", "forecast", "thresholds"),
    "past": ("drift", "hindcast", "sketch"),
    "run": ("run", "watch"),
}
COMMANDS: Final = {name: module for module, names in _MODULES.items() for name in names}
"""Each command with the module that it is made in, which is loaded when the command is asked for."""


class _Program(click.Group):
    """A group whose commands give their exit code, and that ends cleanly when it is interrupted."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load a command, or give None for another name."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(f"emulator.cli.{COMMANDS[cmd_name]}"), cmd_name)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command, and give its exit code."""
        try:
            code = guarded(lambda: super(_Program, self).invoke(ctx) or 0)
            sys.stdout.flush()
        except KeyboardInterrupt:
            complain("queuedrill: stopped by Ctrl-C")
            return INTERRUPTED
        return code


@click.group(cls=_Program, name="queuedrill", context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, message="queuedrill %(version)s")
def program() -> None:
    """Rehearse a night of unattended jobs on emulated workers, in virtual time.

    A rehearsal is a model: it supports and does not replace the organisation's own change control. Nothing in a
    scenario file runs a command or touches a network.

    Exit code: 0 all requirements are met, 1 one is missed, 2 the input is wrong, 3 a defect of this program.
    """


program.commands.update(dict.fromkeys(COMMANDS, click.Command(None)))  # names alone, for what is spelled like one


def help_module() -> str:
    """Write the module that holds the help of the program, as terminals of 80 and more columns show it."""
    with program.make_context("queuedrill", [], resilient_parsing=True, terminal_width=78) as context:
        text = program.get_help(context)
    return f'''"""The help of the program; made by ``python -m emulator.cli.main``."""

HELP = """\\
{text}
"""
'''


def answer(arguments: Sequence[str]) -> int:
    """Run the program with the given arguments, and give its exit code."""
    try:
        code = program.main(list(arguments), "queuedrill", standalone_mode=False)
        sys.stdout.flush()
        return int(code or 0)
    except click.Abort as stopped:  # click's word for Ctrl-C where no command runs yet
        raise KeyboardInterrupt from stopped
    except click.ClickException as wrong:
        complain_by(partial(wrong.show, sys.stderr))
        return WRONG_INPUT
    except (BrokenPipeError, SystemExit):  # click leaves so when nobody reads its help
        let_go(1)
        return NOBODY_READS
    except OSError as error:
        let_go(1)
        complain(f"queuedrill: the output cannot be written: {error.strerror}: send it to another place")
        return WRONG_INPUT


def main() -> NoReturn:
    """Run the program as the command line says, and end the process."""
    open_closed_streams()
    sys.exit(answer(sys.argv[1:]))


if __name__ == "__main__":  # pragma: no cover - one line, and the test calls help_module itself
    sys.stdout.write(help_module())
