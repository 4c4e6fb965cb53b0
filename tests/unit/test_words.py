"""Each kind of thing has its words in one place."""

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from emulator.record.events import DETAILS
from emulator.show.words import EVENTS

ROOT = Path(__file__).parents[2]
SHOW = sorted((ROOT / "emulator" / "show").rglob("*.py"))


def strings(tree: ast.AST) -> Iterator[str]:
    """Give the text of strings, those of templates with ``{}`` for what is filled in, without docstrings."""
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    parts: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts |= {id(one) for one in node.values}
            yield "".join(one.value if isinstance(one, ast.Constant) else "{}" for one in node.values)  # type: ignore[misc]
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs | parts:
            yield node.value


def test_each_kind_of_event_has_its_words_in_one_table() -> None:
    """They stand in the declaration of the kinds; no mapping of what is shown gives sentences to kinds of events."""
    assert {key.partition(":")[0] for key in EVENTS} == set(DETAILS)
    found = []
    for file in SHOW:
        for node in ast.walk(ast.parse(file.read_text())):
            if not isinstance(node, ast.Dict):
                continue
            for key, value in zip(node.keys, node.values, strict=True):
                kind = key.value if isinstance(key, ast.Constant) and isinstance(key.value, str) else ""
                if kind.partition(":")[0] in DETAILS and any(len(text.split()) > 2 for text in strings(value)):
                    found.append((file.name, kind))
    assert found == []


def test_no_sentence_stands_in_two_modules() -> None:
    """What several screens say is written once."""
    where: dict[str, set[str]] = defaultdict(set)
    for file in SHOW:
        for text in strings(ast.parse(file.read_text())):
            words = [word for word in text.split() if any(letter.isalpha() for letter in word)]
            if len(words) >= 4 and "<" not in text:
                where[" ".join(text.split())].add(str(file.relative_to(ROOT)))
    assert {text: files for text, files in where.items() if len(files) > 1} == {}
