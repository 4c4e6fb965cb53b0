"""Runs what the pages show: blocks of Python, and commands with their output.

A block of commands is run by a shell in a folder of its page's own, with the scenarios beside it. What follows a
command up to the next one must be its output, where anything is shown at all; a line ``...`` stands for any number of
lines. A command succeeds unless ``$ echo $?`` shows otherwise.
"""

import doctest
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from sybil import Document, Example, Region
from sybil.parsers.markdown import CodeBlockParser, PythonCodeBlockParser

__all__ = ["ConsoleParser", "FileParser", "PythonParser", "TraceParser", "commands", "matches"]


class PythonParser:
    """Runs each block of Python in the namespace of its page; those that define tests are run by pytest instead.

    These are saved as a module each, and the last of them has one pytest run all. A block whose first line is
    ``# NAME.py`` is saved under that name, for the commands that follow.
    """

    def __init__(self) -> None:
        self._parse = PythonCodeBlockParser(doctest_optionflags=doctest.ELLIPSIS)

    def __call__(self, document: Document) -> Iterator[Region]:
        """Give the blocks, each with who runs it."""
        regions, last = list(self._parse(document)), None
        for region in regions:
            if re.match(r"# \w+\.py\n", str(region.parsed)):
                region.evaluator = save
            elif re.search(r"^(async )?def test_", str(region.parsed), re.MULTILINE):
                region.evaluator, last = save_tests, region
        if last is not None:
            last.evaluator = run_tests
        return iter(regions)


def save(example: Example) -> None:
    """Write the file that a block names."""
    Path(example.parsed[2:].split("\n", 1)[0]).write_text(example.parsed, "utf-8")


def save_tests(example: Example) -> None:
    """Write a block that defines tests as a module of its own."""
    Path(f"test_line_{example.line}.py").write_text(example.parsed, "utf-8")


def run_tests(example: Example) -> str | None:
    """Run this block that defines tests and all before it, as their reader would."""
    save_tests(example)
    files = sorted(str(file) for file in Path().glob("test_line_*.py"))
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *files]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    return None if done.returncode == 0 else f"the tests shown fail:\n{done.stdout}{done.stderr}"


class FileParser(CodeBlockParser):
    """Saves each ``yaml`` block whose first line is ``# NAME.yaml`` under that name, as its reader would."""

    language = "yaml"

    def evaluate(self, example: Example) -> None:
        """Write the file."""
        if name := re.match(r"# ([\w-]+\.yaml)\n", example.parsed):
            Path(name[1]).write_text(example.parsed, "utf-8")


class TraceParser:
    """Saves each ``csv`` or ``swf`` block that has a file's name behind its language, as its reader would."""

    def __call__(self, document: Document) -> Iterable[Region]:
        """Give the blocks."""
        found = re.finditer(r"^```(?:csv|swf) ([\w-]+\.\w+)\n(.*?)^```$", document.text, re.MULTILINE | re.DOTALL)
        return (Region(one.start(), one.end(), one.groups(), self.evaluate) for one in found)

    @staticmethod
    def evaluate(example: Example) -> None:
        """Write the file."""
        name, text = example.parsed
        Path(name).write_text(text, "utf-8")


class ConsoleParser(CodeBlockParser):
    """Runs each ``console`` block whose first command is ``queuedrill`` or ``pytest``."""

    language = "console"

    def __init__(self, environment: dict[str, str]) -> None:
        super().__init__()
        self._environment = environment

    def __call__(self, document: Document) -> Iterable[Region]:
        """Give the blocks that are to be run."""
        ours = ("$ queuedrill", "$ pytest")
        return (region for region in super().__call__(document) if str(region.parsed).startswith(ours))

    def evaluate(self, example: Example) -> str | None:
        """Run the commands of one block one by one, and say what is not as shown."""
        status, asked = 0, True
        for command, shown in commands(example.parsed):
            if command == "echo $?":
                output, asked = f"{status}\n", True
            else:
                if not asked and status != 0:
                    return f"a command before `{command}` ended with {status}, which is not shown by `echo $?`"
                done = subprocess.run(
                    ["bash", "-c", command],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.STDOUT,
                    env=self._environment,
                    text=True,
                    timeout=120,
                )
                output, status, asked = done.stdout, done.returncode, False
            if shown and not matches(output, shown):
                return f"`{command}` prints (exit code {status}):\n{output}\nand not, as is shown:\n{shown}"
        return (
            None if asked or status == 0 else f"the last command ended with {status}, not shown by `echo $?`:\n{output}"
        )


def commands(block: str) -> Iterator[tuple[str, str]]:
    r"""Give each command of a block with what is shown below it; a line ending in ``\`` goes on.

    >>> list(commands("$ a \\\n    b\n1\n2\n$ c\n"))
    [('a \\\n    b', '1\n2\n'), ('c', '')]
    """
    for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        lines = piece.splitlines(keepends=True)
        last = next(number for number, line in enumerate(lines) if not line.rstrip("\n").endswith("\\"))
        yield "".join(lines[: last + 1]).rstrip("\n"), "".join(lines[last + 1 :])


def matches(output: str, shown: str) -> bool:
    r"""Say whether an output is what is shown, blanks at the ends of lines aside.

    >>> matches("a  \nb\nc\n", "a\n...\nc\n"), matches("a\nb\n", "a\n")
    (True, False)
    """
    lines = [line.rstrip() for line in shown.rstrip().split("\n")]
    pattern = "".join(r"(?:.*\n)*?" if line == "..." else re.escape(line) + r"\n" for line in lines)
    printed = "".join(line.rstrip() + "\n" for line in output.rstrip().split("\n"))
    return re.fullmatch(pattern, printed) is not None
