"""The page for developers keeps up with the tree."""

import importlib
import re
from pathlib import Path

import emulator

ROOT = Path(emulator.__file__).parent.parent
PAGE = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def folders(of: Path) -> set[str]:
    return {
        f"{of.relative_to(ROOT)}/{path.name}/" for path in of.iterdir() if path.is_dir() and path.name[0] not in "_."
    }


def test_every_folder_is_explained() -> None:
    """Each part of the package and each folder of tests has its line in the tables."""
    explained = set(re.findall(r"^\| `((?:emulator|tests)/\S*/)`", PAGE, re.MULTILINE))
    assert folders(ROOT / "emulator") | folders(ROOT / "tests") <= explained
    assert {name for name in explained if not (ROOT / name).is_dir()} <= {"emulator/experiment/", "emulator/testing/"}


def test_every_generated_page_says_how_it_is_made() -> None:
    """Each page that a command makes names it, and the command stands in the list of those that renew pages."""
    listed = dict(re.findall(r"^python (?:-m )?(\S+) > (docs/\S+)$", PAGE, re.MULTILINE))
    made = {}
    for page in sorted((ROOT / "docs").rglob("*.md")):
        if found := re.search(
            r"`python (?:-m )?(emulator\.\S+|docs/make/\S+)`", page.read_text("utf-8").split("\n## ")[0]
        ):
            made[found[1]] = str(page.relative_to(ROOT))
    assert made.items() <= listed.items()
    for module in listed:
        importlib.import_module(Path(module).stem if module.startswith("docs/") else module)
