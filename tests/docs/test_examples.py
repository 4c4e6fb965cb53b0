"""Everything that the pages and the docstrings show is run, and does what they say."""

import doctest
import importlib
import os
import shutil
import sys
from pathlib import Path

import markdown_blocks
import pytest
from markdown_blocks import ConsoleParser, FileParser, PythonParser, TraceParser, commands, matches
from sybil import Document

import emulator

ROOT = Path(emulator.__file__).parent.parent
PAGES = sorted(
    str(path.relative_to(ROOT))
    for path in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md"))
    if path.exists()
)
MODULES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "emulator").rglob("*.py")
    if path.stem != "__main__"
) + sorted(path.stem for path in (ROOT / "docs" / "make").glob("*.py"))


def environment() -> dict[str, str]:
    """Give what the shown commands find: this interpreter's commands first, a plain terminal of 100 columns."""
    kept = {name: value for name, value in os.environ.items() if name in ("HOME", "LANG", "TMPDIR")}
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)])
    return {**kept, "PATH": path, "COLUMNS": "100", "NO_COLOR": "1", "PYTHONUTF8": "1"}


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES)
def test_pages_show_what_happens(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each block of Python on a page runs, and each queuedrill command prints and ends as shown."""
    if (ROOT / "scenarios").exists():
        shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    monkeypatch.chdir(tmp_path)
    for example in Document.parse(
        str(ROOT / page), FileParser(), TraceParser(), PythonParser(), ConsoleParser(environment())
    ).examples():
        example.evaluate()


@pytest.mark.parametrize("module", [*MODULES, "markdown_blocks"])
def test_docstrings_show_what_happens(module: str) -> None:
    """Each example in a docstring gives what stands below it."""
    loaded = markdown_blocks if module == "markdown_blocks" else importlib.import_module(module)
    result = doctest.testmod(loaded)
    assert result.failed == 0


def run_page(tmp_path: Path, text: str) -> None:
    page = tmp_path / "page.md"
    page.write_text(text)
    for example in Document.parse(str(page), FileParser(), PythonParser(), ConsoleParser(environment())).examples():
        example.evaluate()


@pytest.mark.parametrize(
    "block",
    [
        "```python\nassert 1 + 1 == 3\n```\n",
        "```python\n>>> 1 + 1\n3\n```\n",
        "```python\ndef test_sum():\n    assert 1 + 1 == 3\n```\n\n```python\ndef test_sum():\n    assert True\n```\n",
        "```console\n$ queuedrill() { echo met; }; queuedrill\nmissed\n```\n",
        "```console\n$ queuedrill() { return 1; }; queuedrill\n```\n",
        "```console\n$ queuedrill() { return 1; }; queuedrill\n$ echo $?\n0\n```\n",
        "```console\n$ queuedrill() { return 1; }; queuedrill\n$ true\n```\n",
    ],
)
def test_an_example_that_does_not_hold_is_found(block: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A block that fails, prints something else or ends otherwise than shown fails its page."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(AssertionError):
        run_page(tmp_path, block)


@pytest.mark.parametrize(
    "block",
    [
        "```python\nx = 2\n```\n\n```python\nassert x == 2\n```\n",
        "```python\ndef test_sum():\n    assert 1 + 1 == 2\n```\n",
        "```console\n$ queuedrill() { printf 'a  \\nb\\nc\\n'; }; queuedrill\na\n...\nc\n```\n",
        "```console\n$ queuedrill() { return 1; }; queuedrill\n$ echo $?\n1\n```\n",
        "```console\n$ rm -rf not-run\n```\n",
        "```yaml\n# a.yaml\nb: 1\n```\n\n```console\n$ queuedrill() { cat a.yaml; }; queuedrill\n# a.yaml\nb: 1\n```\n",
    ],
)
def test_an_example_that_holds_passes(block: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A block that does what is shown passes; commands that are not queuedrill's are left alone."""
    monkeypatch.chdir(tmp_path)
    run_page(tmp_path, block)


def test_helpers_read_commands_and_outputs() -> None:
    """A block is cut into commands with their outputs, and an output is compared whole."""
    assert list(commands("$ a\n1\n$ b \\\n  c\n2\n3\n")) == [("a", "1\n"), ("b \\\n  c", "2\n3\n")]
    assert not matches("1\n2\n", "1\n")
