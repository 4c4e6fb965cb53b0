"""No decision reads a sentence: what is made for people is not compared with other sentences, nor searched for words.

What a walk over the source can tell: no text of several words is compared with, looked for, or taken for a key of a
``match``, unless it is a code, that is a value which a ``Literal`` or an ``Enum`` of the package names; and nothing is
looked for in what is called a sentence (``why``, ``reasons``, ...) or in the text of an error. What it cannot tell:
whether a code of one word, or with a name, stands where a user may write, and whether a sentence hides behind a name
of another kind. The behaviour is tested where it matters: ``test_world_stuck.py``, ``test_story_by_hand.py``.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "emulator"
SOURCES = sorted(PACKAGE.rglob("*.py"))
ERROR = "(an error as text)"
SENTENCES = frozenset(("explanation", "explanations", "reason", "reasons", "sentence", "sentences", "why", ERROR))
"""What names of sentences are called; a list of codes goes by another name."""
SEARCHES = frozenset(("startswith", "endswith", "find", "index", "count", "removeprefix", "removesuffix", "partition"))

EXEMPT = {
    ("scenario/text.py", "but found another document"): "the parser of YAML tells its mistakes in words alone",
    ("scenario/text.py", "nesting depth"): "the parser of YAML tells its mistakes in words alone",
    ("records.py", "typing.ClassVar"): "how Python writes that an annotation is of the class itself",
    ("scenario/arguments.py", " at 0x"): "how Python writes where an object without words of its own lies",
}
"""(file, text) -> why it is no sentence of ours, or cannot be had otherwise."""


def texts(node: ast.AST) -> Iterator[str]:
    """Give the texts that stand in an expression as they are: alone, or as items."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.Tuple | ast.List | ast.Set):
        for item in node.elts:
            yield from texts(item)
    elif isinstance(node, ast.JoinedStr):
        yield "".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))


def has_words(text: str) -> bool:
    return " " in text.strip()


def codes_of(tree: ast.Module) -> Iterator[str]:
    """Give the values that a module's literals and enumerations name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Subscript) and ast.unparse(node.value).endswith("Literal"):
            yield from texts(node.slice)
        elif isinstance(node, ast.ClassDef) and any(ast.unparse(base).endswith("Enum") for base in node.bases):
            for inner in node.body:
                if isinstance(inner, ast.Assign):
                    yield from texts(inner.value)


def compared(tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    """Give (line, text, with what) of each text that something is compared with or searched for."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            for place, side in enumerate(sides):
                other = sides[1 - place] if len(sides) == 2 else node
                is_search = place == 0 and isinstance(node.ops[0], ast.In | ast.NotIn)
                for text in texts(side):
                    yield node.lineno, text, named(other) if is_search else ""
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in SEARCHES:
            for text in (text for argument in node.args for text in texts(argument)):
                yield node.lineno, text, named(node.func.value)
        elif isinstance(node, ast.MatchValue):
            for text in texts(node.value):
                yield node.value.lineno, text, ""


def named(node: ast.AST) -> str:
    """Say what something is called, "" for what has no name."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        return node.attr
    if isinstance(node, ast.Subscript):
        return next(texts(node.slice), "")
    if isinstance(node, ast.Call):
        return ERROR if named(node.func) in ("str", "in_words") else named(node.func)
    return ""


def wrong(source: str, codes: frozenset[str], file: str = "") -> list[tuple[int, str]]:
    """Give (line, text) of what a source decides by sentences."""
    found = []
    for line, text, sought_in in compared(ast.parse(source)):
        is_sentence = has_words(text) and text not in codes
        is_searched = sought_in in SENTENCES and any(character.isalpha() for character in text)
        if (is_sentence or is_searched) and (file, text) not in EXEMPT:
            found.append((line, text))
    return found


@pytest.fixture(scope="module")
def codes() -> frozenset[str]:
    return frozenset(code for path in SOURCES for code in codes_of(ast.parse(path.read_text("utf-8"))))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_decides_by_a_sentence(path: Path, codes: frozenset[str]) -> None:
    assert wrong(path.read_text("utf-8"), codes, path.relative_to(PACKAGE).as_posix()) == []


def test_every_exemption_is_needed(codes: frozenset[str]) -> None:
    """What is exempt stands where it is said to, and would be told."""
    for file, text in EXEMPT:
        source = (PACKAGE / file).read_text("utf-8")
        assert text in [told for _, told in wrong(source, codes)], (file, text)


@pytest.mark.parametrize(
    "source",
    [
        'if "no worker" in why: pass',
        'if "by_person" in job.why: pass',
        'if why.startswith("lost leases: "): pass',
        'if str(error).startswith("the"): pass',
        'if row["why"] == "the job fails every time": pass',
        'if one.requirement.startswith("each one"): pass',
        'if name in ("one thing", "another"): pass',
        'if why == f"attempts in all: {most}": pass',
        'match told:\n    case "it is over": pass',
    ],
)
def test_the_walk_finds_such_decisions(source: str) -> None:
    """Each way in which a sentence has decided, or could, is found."""
    assert len(wrong(source, frozenset())) == 1


@pytest.mark.parametrize(
    "source",
    [
        'if state == "queued held": pass',
        'if why == "withdrawn": pass',
        'if " " in name: pass',
        'said = "no worker is there" if worker else ""',
        "if Why.NOT_EQUIPPED in reasons: pass",
    ],
)
def test_the_walk_leaves_codes_alone(source: str) -> None:
    """Codes are compared, sentences are made."""
    assert wrong(source, frozenset(("queued held",))) == []
