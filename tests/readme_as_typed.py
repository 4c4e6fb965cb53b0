"""Runs what README.md tells a reader to type, in its order: ``python tests/readme_as_typed.py first`` or ``rest``.

``first`` is the first block, which makes the environment. ``rest`` is the others in one shell, up to the tests, whose
command continuous integration runs by itself. What stands below a command is compared with what it prints; a file
that a sentence says to save is saved. It ends with 1 at the first difference, and says which.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path

FENCED = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
SAVED = re.compile(r"Save this as `(\S+)` in an empty folder outside this one, and run `([^`]+)` there:\s*$")
MARK = "--- the next command ---"


def steps(page: str) -> list[tuple[str, str | None]]:
    """Give the commands that a page tells to type, each with the output that it shows; None where it shows none."""
    found: list[tuple[str, str | None]] = []
    for block in FENCED.finditer(page.partition("<!-- test command -->")[0]):
        kind, text = block[1], block[2]
        if kind == "sh":
            found.append((text.strip(), None))
        elif kind == "console":
            command, _, shown = text.removeprefix("$ ").partition("\n")
            found.append((command, shown))
        elif kind == "python":
            folder, name, command = Path(), "of-readme.py", "python of-readme.py"
            if said := SAVED.search(page[: block.start()]):
                folder = Path(tempfile.mkdtemp(prefix="queuedrill-readme."))
                name, command = said[1], f"(cd {folder} && {said[2]} && rm -rf {folder})"
            (folder / name).write_text(text, "utf-8")
            found.append((command, None))
    return found


def _lines(text: str) -> list[str]:
    return [line.rstrip() for line in text.rstrip().split("\n")]


def _is_shown(shown: str, output: str) -> bool:
    """Say whether an output is what is shown below its command; a line ``...`` there stands for any lines."""
    pattern = "".join(r"(?:.*\n)*" if line == "..." else re.escape(line) + r"\n" for line in _lines(shown))
    return re.fullmatch(pattern, "".join(f"{line}\n" for line in _lines(output))) is not None


def main(which: str) -> int:
    """Run one part, and give the exit code."""
    every = steps(Path("README.md").read_text("utf-8"))
    wanted = every[:1] if which == "first" else every[1:]
    script = f"\necho '{MARK}'\n".join(command for command, _ in wanted)
    ended = subprocess.run(["bash", "-euo", "pipefail", "-c", script], stdout=subprocess.PIPE, text=True, check=False)
    printed = ended.stdout.split(f"{MARK}\n")
    for (command, shown), output in zip(wanted, printed, strict=False):
        print(f"$ {command}\n{output}", end="")
        if shown is not None and not _is_shown(shown, output):
            print(f"README.md shows something else below {command}:\n{shown}")
            return 1
    return ended.returncode


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
