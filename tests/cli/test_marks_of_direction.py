"""No text of a scenario turns the direction of what stands around it: not in a terminal, nor in any file.

The marks are those with the property Bidi_Control in the Unicode Character Database (Unicode Standard Annex 9).
"""

import base64
import re
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

Call = Callable[..., tuple[int, str, str]]

MARKS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
SCENARIO = f"""\
title: "A night of {MARKS}copies"
about: "Copies {MARKS}of plates"
starts: 2026-06-12T21:30:00
lasts: 1h
queues: {{night: {{lease: 90s}}}}
pools: {{dome: {{count: 1, serves: [night], heartbeat: 20s}}}}
routines:
  copy:
    queue: night
    parameters: {{plates: list, volume: text}}
    key: "{{volume}}"
    parts: [{{name: read, takes: 4m, for_each: plates, effect: copied, target: "{{volume}} {{element}}"}}]
arrivals:
  - {{routine: copy, name: plates, count: 2, at: "21:35", parameters: {{plates: ["n{MARKS}1"], volume: "v{MARKS}2"}}}}
  - {{routine: copy, name: late, at: "22:28", parameters: {{plates: ["s{MARKS}1"], volume: "v{MARKS}2"}}}}
must_hold:
  - {{measure: done_share, at_least: 1}}
  - {{measure: failed, at_most: 0}}
variants:
  two: {{pools.dome.count: 2}}
"""


@pytest.fixture
def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(SCENARIO, "utf-8")
    return tmp_path


def marks_in(text: str) -> list[str]:
    """Give the marks that stand in a text as they are, not as escapes; those packed in a page count too."""
    packed = re.findall(r">(?![0-9a-f]{64}<)([A-Za-z0-9+/=]{40,})<", text)  # a digest is no packed text
    unpacked = [zlib.decompress(base64.b64decode(block), -15).decode("utf-8", "replace") for block in packed]
    return [mark for mark in MARKS if any(mark in one for one in (text, *unpacked))]


@pytest.mark.slow
@pytest.mark.parametrize(
    "command",
    [
        "run night.yaml",
        "run night.yaml --quiet",
        "run night.yaml --json",
        "run night.yaml --page out",
        "run night.yaml --nights 2 --processes 1",
        "run night.yaml --nights 2 --processes 1 --json",
        "run night.yaml --nights 2 --processes 1 --page out",
        "check night.yaml",
        "check --resolved night.yaml",
        "watch night.yaml",
        "compare night.yaml --nights 2 --processes 1",
        "compare night.yaml --nights 2 --processes 1 --quiet",
        "compare night.yaml --nights 2 --processes 1 --json",
        "compare night.yaml --nights 2 --processes 1 --csv out --markdown out2 --page out3 --pictures out4",
        "size night.yaml --by pools.dome.count --from 1 --to 2 --nights 2 --processes 1",
        "size night.yaml --by pools.dome.count --from 1 --to 2 --nights 2 --processes 1 --json",
        "hunt night.yaml --tries 2",
        "hunt night.yaml --tries 2 --json",
        "story night.qdlog plates#2",
        "story night.qdlog plates#2 --json",
        "story night.qdlog --requirement 1",
        "page night.qdlog -o out",
        "trail night.qdlog",
        "reproduce night.qdlog",
        *(
            f"export night.qdlog --as {form}"
            for form in ("cloudevents", "cloudevents-lines", "openmetrics", "junit", "otlp", "jobs-csv", "attempts-csv")
        ),
    ],
)
def test_no_output_holds_a_mark_of_direction(night: Path, queuedrill: Call, command: str) -> None:
    """Whatever a command prints or writes of a night whose texts are full of marks, there is no mark in it."""
    if "qdlog" in command:
        assert queuedrill("run", "night.yaml", "--log", "night.qdlog", "--quiet")[0] == 1
    before = set(night.rglob("*"))
    code, out, err = queuedrill(*command.split())
    assert code in (0, 1), err
    written = [path.read_text("utf-8") for path in sorted(set(night.rglob("*")) - before) if path.is_file()]
    assert out + "".join(written)
    assert marks_in("".join([out, err, *written])) == []


def test_what_check_resolved_prints_keeps_the_texts(night: Path, queuedrill: Call) -> None:
    """Marks are written as escapes there, so that the scenario is the same when it is read again."""
    Path("again.yaml").write_text(queuedrill("check", "--resolved", "night.yaml")[1], "utf-8")
    from emulator.scenario.load import load

    assert load("again.yaml").scenario == load("night.yaml").scenario
    assert load("again.yaml").scenario.title == f"A night of {MARKS}copies"


def test_a_mistake_is_told_without_marks(night: Path, queuedrill: Call) -> None:
    """A message that quotes what stands in the file quotes no mark as it is."""
    Path("night.yaml").write_text(SCENARIO.replace("lease: 90s", f'"le{MARKS}ase": 90s'), "utf-8")
    code, out, err = queuedrill("check", "night.yaml")
    assert (code, out, marks_in(err)) == (2, "", [])
    assert err.startswith("night.yaml:5:")


@pytest.mark.parametrize("title", ["a\\nb", "a\\u2028b", " "])
def test_a_title_is_one_line(night: Path, queuedrill: Call, title: str) -> None:
    """A title of more lines, or of none, is refused at its line and column."""
    said = SCENARIO.replace(f"A night of {MARKS}copies", title)
    Path("night.yaml").write_text(said, "utf-8")
    wanted = "a text is wanted" if title == " " else "2 lines stand here: one line is wanted"
    assert queuedrill("check", "night.yaml") == (2, "", f"night.yaml:1:8: wrong-value: title: {wanted}\n")


def test_a_title_may_be_folded_in_the_file(night: Path, queuedrill: Call) -> None:
    """YAML ends a folded text with a line end, which is no line of its own."""
    Path("night.yaml").write_text(SCENARIO.replace(f'"A night of {MARKS}copies"', ">\n  A night\n  of copies"), "utf-8")
    assert "A night of copies" in queuedrill("run", "night.yaml")[1]
