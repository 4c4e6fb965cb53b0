"""Scenario text: YAML 1.2 core schema, places, and what is refused."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.errors import Problem, ScenarioError
from emulator.scenario import text as text_module
from emulator.scenario.text import Document, read, read_bytes


@pytest.fixture(params=["with libyaml", "without"])
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Run a test on the C parser and on the pure one."""
    monkeypatch.setattr(
        text_module, "_PARSER", yaml.CSafeLoader if request.param == "with libyaml" else yaml.SafeLoader
    )
    return str(request.param)


def value_of(scalar: str) -> Any:
    return read(f"key: {scalar}\n").data["key"]


def mistakes(source: str | bytes) -> list[str]:
    raw = source.encode() if isinstance(source, str) else source
    with pytest.raises(ScenarioError) as refused:
        read_bytes(raw, "night.yaml")
    return [str(problem) for problem in refused.value.problems]


@pytest.mark.parametrize(
    "scalar",
    ["22:40", "no", "on", "y", "Yes", "off", "2026-03-29", "2026-06-12T21:30:00", "1_000", "<<", "=", "tRue", "nULL",
     "0o8", "0xg", "1:30:00", "+", "-", ".", "1.2.3", "e5", "1e", "+0x1F", "٣", "inf", "nan", ".infinity", "a b"],
)  # fmt: skip
def test_what_other_versions_of_yaml_convert_stays_text(parser: str, scalar: str) -> None:
    """A plain scalar that the core schema does not name is text, as it stands."""
    assert value_of(scalar if scalar != "-" else '"-"') == scalar


@pytest.mark.parametrize(
    ("scalar", "value"),
    [
        ("0o17", 15),
        ("0x1F", 31),
        ("017", 17),
        ("-12", -12),
        ("+12", 12),
        ("0", 0),
        ("9" * 30, int("9" * 30)),
        ("1e3", 1000.0),
        ("1.5", 1.5),
        ("-.5", -0.5),
        ("1.", 1.0),
        ("+1.5E-3", 0.0015),
        ("true", True),
        ("False", False),
        ("FALSE", False),
        ("null", None),
        ("~", None),
        ("", None),
        ('"12"', "12"),
        ("'true'", "true"),
        ('! "12"', "12"),
        ("!!str 12", "12"),
        ("!!int 12", 12),
        ("!!float 1.5", 1.5),
        ("!!bool true", True),
        ("!!null ~", None),
        ("!!seq [1]", [1]),
        ("!!map {a: 1}", {"a": 1}),
        ('"a\\tb\\u00e9"', "a\tbé"),
        ("|\n  two\n  lines\n", "two\nlines\n"),
        ("[1, [a, {b: c}], ~]", [1, ["a", {"b": "c"}], None]),
    ],
)
def test_scalars_follow_the_core_schema(parser: str, scalar: str, value: Any) -> None:
    """Numbers, truth values, null, quoted text and core tags are what YAML 1.2's core schema says, type included."""
    found = value_of(scalar)
    assert (type(found), found) == (type(value), value)


def test_keys_are_text_and_merge_keys_are_keys(parser: str) -> None:
    """Keys keep their text, and << is a key like any other."""
    assert read("1: a\ntrue: b\n~: c\n<<: {d: e}\n!!str f: g\n").data == {
        "1": "a",
        "true": "b",
        "~": "c",
        "<<": {"d": "e"},
        "f": "g",
    }


def test_aliases_unfold(parser: str) -> None:
    """An alias gives the same data again."""
    assert read("a: &x {b: 1}\nc: *x\nd: [*x, *x]\n").data == {"a": {"b": 1}, "c": {"b": 1}, "d": [{"b": 1}, {"b": 1}]}


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_byte_order_mark_and_line_ends_change_nothing(parser: str, mark: bytes, end: str) -> None:
    """With or without a byte order mark and with any line end, the data and the places are the same."""
    document = read_bytes(mark + "title: Plåtarkiv\npools:\n  dome: {count: 3}\n".replace("\n", end).encode(), "x")
    assert document.data == {"title": "Plåtarkiv", "pools": {"dome": {"count": 3}}}
    assert [document.place(loc) for loc in (("title",), ("pools",), ("pools", "dome", "count"))] == [
        (1, 8),
        (3, 3),
        (3, 17),
    ]


def test_directive_and_document_markers_are_accepted(parser: str) -> None:
    """A version directive and the markers of one document are no mistake."""
    assert read("%YAML 1.2\n---\na: 1\n...\n").data == {"a": 1}


PLACES = """\
title: Plåtarkiv
queues:
  night: {lease: 90s, retry: {first: 20s}}
arrivals:
  - {routine: copy, at: "22:00"}
  - routine: copy
    at: "23:00"
"""


@pytest.mark.parametrize(
    ("loc", "place", "key_place", "path"),
    [
        ((), (1, 1), (1, 1), ""),
        (("title",), (1, 8), (1, 1), "title"),
        (("queues", "night"), (3, 10), (3, 3), "queues.night"),
        (("queues", "night", "lease"), (3, 18), (3, 11), "queues.night.lease"),
        (("queues", "night", "retry", "first"), (3, 38), (3, 31), "queues.night.retry.first"),
        (("queues", "night", "a-tag", "retry", "after[x()]", "first"), (3, 38), (3, 31), "queues.night.retry.first"),
        (("queues", "night", "capacity"), (3, 10), (3, 3), "queues.night"),
        (("arrivals", 0), (5, 5), (5, 5), "arrivals.0"),
        (("arrivals", 1, "at"), (7, 9), (7, 5), "arrivals.1.at"),
        (("arrivals", 7, "at"), (5, 3), (4, 1), "arrivals"),
        (("arrivals", "x", 0), (5, 5), (5, 5), "arrivals.0"),
        (("title", "x"), (1, 8), (1, 1), "title"),
    ],
)  # fmt: skip
def test_places_are_found_by_path(
    parser: str, loc: tuple[str | int, ...], place: tuple[int, int], key_place: tuple[int, int], path: str
) -> None:
    """A path gives the place of value and key; what is not in the file is passed over."""
    document = read(PLACES)
    assert (document.place(loc), document.key_place(loc), document.path(loc)) == (place, key_place, path)


def test_problems_are_put_at_value_or_key() -> None:
    """A message lands at the value, or at the key when it is about the key."""
    document = read_bytes(PLACES.encode(), "night.yaml")
    assert document.problem(("queues", "night", "lease"), "m") == Problem(
        "night.yaml", 3, 18, "queues.night.lease", "m"
    )
    for at_key in (
        document.problem(("queues", "night", "lease"), "m", at_key=True),
        document.problem(("queues", "night", "lease", "[key]"), "m"),
    ):
        assert at_key == Problem("night.yaml", 3, 11, "queues.night.lease", "m")


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("a: 1\nb: 2\na: 3\n", ["3:1: a: the key 'a' stands here twice, first in line 1, column 1: keep one"]),
        ('1: x\n"1": y\n', ["2:1: 1: the key '1' stands here twice, first in line 1, column 1: keep one"]),
        (
            "q:\n  n: {lease: 1s, lease: 2s}\n",
            ["2:18: q.n.lease: the key 'lease' stands here twice, first in line 2, column 7: keep one"],
        ),
        ("a: !!python/name:os.system x\n", ["1:4: a: the tag !!python/name:os.system means nothing here: remove it"]),
        ("a: !mine 5\n", ["1:4: a: the tag !mine means nothing here: remove it"]),
        ("a: !mine {b: 1}\n", ["1:4: a: the tag !mine means nothing here: remove it"]),
        ("a: !!set {b}\n", ["1:4: a: the tag !!set means nothing here: remove it"]),
        ("a: !!seq {b: 1}\n", ["1:4: a: the tag !!seq means nothing here: remove it"]),
        ("!mine a: 1\n", ["1:1: a: the tag !mine means nothing on a key: remove it"]),
        ("a: !!int x\n", ["1:4: a: the tag !!int means nothing here: remove it"]),
        ("a: !!float 1\n", ["1:4: a: the tag !!float means nothing here: remove it"]),
        ("a: !!binary aGk=\n", ["1:4: a: the tag !!binary means nothing here: remove it"]),
        ("a: !!timestamp 2026-01-01\n", ["1:4: a: the tag !!timestamp means nothing here: remove it"]),
        ("? [a, b]\n: 1\n", ["1:3: a key is one word or text, not a list or mapping"]),
        ("a: .inf\n", ["1:4: a: .inf is not a finite number: write a number, or put it in quotes for a text"]),
        ("a: [-.Inf, .NaN]\n", [
            "1:5: a.0: -.Inf is not a finite number: write a number, or put it in quotes for a text",
            "1:12: a.1: .NaN is not a finite number: write a number, or put it in quotes for a text",
        ]),
        ("a: 1e999\n", ["1:4: a: 1e999 is not a finite number: it is too large"]),
        (f"a: {'9' * 31}\n", ["1:4: a: a number of 31 digits: at most 30, or put it in quotes for a text"]),
        (f"a: {'9' * 10_000}\n", ["1:4: a: a number of 10000 digits: at most 30, or put it in quotes for a text"]),
        ('a: "x\\0"\n', ["1:4: a: a text with the control character U+0000: remove it"]),
        ('a: "\\e[31m"\n', ["1:4: a: a text with the control character U+001B: remove it"]),
        ('"a\\x07": 1\n', ["1:1: a key with the control character U+0007: remove it"]),
        ("a: &x [*x]\n", ["1:4: a.0: this holds an alias of itself: write it out"]),
        ("a: &x {b: {c: *x}}\n", ["1:4: a.b.c: this holds an alias of itself: write it out"]),
        ("a: 1\n---\nb: 2\n", ["2:1: a second document starts here: one scenario per file"]),
        ("", ["1:1: the file is empty: write keys such as title:, starts:, lasts:"]),
        ("# only a comment\n", ["1:1: the file is empty: write keys such as title:, starts:, lasts:"]),
        ("---\n", ["2:1: the file is empty: write keys such as title:, starts:, lasts:"]),
        ("[]\n", ["1:1: the file is empty: write keys such as title:, starts:, lasts:"]),
        ("- a\n", ["1:1: the file is not a mapping at the top: write keys such as title:, starts:, lasts:"]),
        ("just words\n", ["1:1: the file is not a mapping at the top: write keys such as title:, starts:, lasts:"]),
        ("a: 1\nb: &x .inf\nc: [*x, *x]\n", [
            "2:4: b: .inf is not a finite number: write a number, or put it in quotes for a text",
        ]),
    ],
)  # fmt: skip
def test_mistakes_are_refused_at_their_place(parser: str, source: str, expected: list[str]) -> None:
    """Each mistake of the text is refused once, at its line and column, with what to do."""
    assert mistakes(source) == [f"night.yaml:{line}" for line in expected]


def test_all_mistakes_are_reported_in_the_order_of_the_file(parser: str) -> None:
    """One reading reports every mistake, from top to bottom."""
    source = "a: .nan\nb: {x: !t 1, x: 2}\nc:\n  - 1e999\na: 2\n"
    assert mistakes(source) == [
        "night.yaml:1:4: a: .nan is not a finite number: write a number, or put it in quotes for a text",
        "night.yaml:2:8: b.x: the tag !t means nothing here: remove it",
        "night.yaml:2:14: b.x: the key 'x' stands here twice, first in line 2, column 5: keep one",
        "night.yaml:4:5: c.0: 1e999 is not a finite number: it is too large",
        "night.yaml:5:1: a: the key 'a' stands here twice, first in line 1, column 1: keep one",
    ]


def test_endless_mistakes_are_cut(parser: str) -> None:
    """After a hundred mistakes reading stops."""
    assert len(mistakes("a:\n" + "  - .inf\n" * 500)) == 100


@pytest.mark.parametrize(
    ("source", "place", "word"),
    [
        ("a: 'x\n", "2:1", "unexpected end of stream"),
        ("a: b: c\n", "1:5", "mapping values are not allowed"),
        ("a: *nowhere\n", "1:4", "undefined alias"),
        ("a: [1, 2\n", "2:1", "expected ',' or ']'"),
        ("å: [é, ]]\n", "1:9", "expected "),
    ],
)
def test_broken_yaml_is_refused_at_its_place(parser: str, source: str, place: str, word: str) -> None:
    """What the parser cannot read is one mistake with a place, never a traceback."""
    (mistake,) = mistakes(source)
    assert mistake.startswith(f"night.yaml:{place}: this is not valid YAML: ")
    assert word in mistake


def test_tabs_are_named_as_such(parser: str) -> None:
    """A tab used to indent is refused with the advice to use spaces."""
    (mistake,) = mistakes("a:\n\tb: 1\n")
    assert mistake.startswith("night.yaml:2:1: this is not valid YAML: found character")
    assert mistake.endswith("(indent with spaces, not with tabs)")


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (b"a: 1\nb: \xff\n", "night.yaml:2:4: byte 0xff is not UTF-8: save the file as UTF-8"),
        ("a: é\nb: ".encode() + b"\xe9\n", "night.yaml:2:4: byte 0xe9 is not UTF-8: save the file as UTF-8"),
        ("a: 1\n".encode("utf-16"), "night.yaml:1:4: NUL byte: this is a binary file or not UTF-8; a scenario is YAML "
            "text in UTF-8"),
        (b"a: 1\n\0", "night.yaml:2:1: NUL byte: this is a binary file or not UTF-8; a scenario is YAML text in UTF-8"),
        (b"a: 1\nb: \x07\n", "night.yaml:2:4: control character U+0007: remove it"),
        (b"a: 1\r\nb: \x1b[1m\r\n", "night.yaml:2:4: control character U+001B: remove it"),
        (b"a: " + b"x" * 2_000_000, "night.yaml: is too large: a scenario has at most 2 MB"),
    ],
)  # fmt: skip
def test_what_is_no_text_is_refused(parser: str, raw: bytes, expected: str) -> None:
    """Binary files, other encodings, control characters and huge files are refused before they are parsed."""
    assert mistakes(raw) == [expected]


def test_a_file_at_the_size_limit_is_read() -> None:
    """Two million bytes are accepted."""
    assert len(read_bytes(b"a: " + b"x" * 1_999_997, "big.yaml").data["a"]) == 1_999_997


@pytest.mark.parametrize("count", [1, 3])
def test_every_control_character_is_reported(count: int) -> None:
    """Each control character has its own message."""
    assert mistakes("a: \x07\n" * count) == [
        f"night.yaml:{line}:4: control character U+0007: remove it" for line in range(1, count + 1)
    ]


@pytest.mark.slow
def test_an_alias_bomb_is_refused(parser: str) -> None:
    """A text whose aliases unfold to a hundred million values is refused in bounded work."""
    bomb = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n"
    bomb += "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 8))
    assert mistakes(bomb) == ["night.yaml:1:1: the file unfolds to more than 200,000 values: use fewer aliases"]


@pytest.mark.parametrize(
    ("opening", "closing", "depth"),
    [("[", "]", 48), ("[", "]", 300), ("[", "]", 700), ("[", "", 1500), ("{a: ", "}", 300)],
)
@pytest.mark.slow
def test_deep_nesting_is_refused(parser: str, opening: str, closing: str, depth: int) -> None:
    """Up to 50 levels are read; deeper ones are refused, whether or not they close."""
    source = f"a: {opening * depth}{closing * depth}\n"
    if depth == 48:
        assert list(read(source).data) == ["a"]
        return
    (mistake,) = mistakes(source)
    assert mistake.endswith("lists and mappings stand inside each other too deep: at most 50 levels")
    assert mistake.startswith("night.yaml:1:")


@pytest.mark.parametrize("source", ["- " * 100_000 + "x\n", "[" * 100_000])
def test_deep_blocks_are_refused(source: str) -> None:
    """A hundred thousand nested lists end in a message, however they are written, and not the process."""
    (mistake,) = mistakes(source)
    assert mistake.endswith("too deep: at most 50 levels")


def test_the_fiftieth_level_is_the_last() -> None:
    """The limit of nesting is exact: the top mapping and 49 lists are read, one more is not."""
    assert read(f"a: {'[' * 49}{']' * 49}\n").data != {}
    assert mistakes(f"a: {'[' * 50}{']' * 50}\n")[0].startswith("night.yaml:1:53: a.0.0.")


# Sources


def test_files_are_read_by_path(tmp_path: Path) -> None:
    """A path, as an object or as text, leads to the file, whose name is in the messages."""
    path = tmp_path / "night.yaml"
    path.write_text("title: x\n")
    for source in (path, str(path)):
        assert (read(source).data, read(source).name) == ({"title": "x"}, str(path))
    path.write_text("a: .inf\n")
    with pytest.raises(ScenarioError, match=r"night\.yaml:1:4: wrong-yaml: a: \.inf is not a finite number"):
        read(path)


@pytest.mark.parametrize("source", ["a: 1\nb: 2", "a: 1\rb: 2", "a: 1\r\nb: 2\r\n"])
def test_a_text_with_a_line_break_is_read_as_it_is(source: str) -> None:
    """A text of more than one line is the scenario itself."""
    assert read(source) == Document("scenario", {"a": 1, "b": 2}, None)


def test_a_text_that_no_encoding_holds_is_refused() -> None:
    """Half a surrogate pair in a text is refused like a file that is not UTF-8."""
    with pytest.raises(ScenarioError, match=r"^scenario:1:4: unreadable: byte 0xed is not UTF-8"):
        read("a: \ud800\n")


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda tmp_path: tmp_path / "missing.yaml", "No such file or directory"),
        (lambda tmp_path: tmp_path, "it is a folder: name a file in it"),
        (lambda tmp_path: "a: 1", "No such file or directory"),
        (lambda tmp_path: "nul\0.yaml", "embedded null byte"),
    ],
)
def test_files_that_cannot_be_read_are_refused(tmp_path: Path, make: Callable[[Path], Any], reason: str) -> None:
    """A file that is missing or no file is one problem with the reason, never a traceback."""
    source = make(tmp_path)
    with pytest.raises(ScenarioError) as refused:
        read(source)
    assert refused.value.problems == (Problem(str(source), 0, 0, "", f"cannot be read: {reason}"),)


# Against another reader


TEXT = st.text(
    st.characters(exclude_categories=("Cc", "Cs"), exclude_characters="\u2028\u2029\ufeff\ufffe\uffff"), max_size=8
)
PLAIN = (
    st.none() | st.booleans() | st.integers(-(10**20), 10**20) | st.floats(allow_nan=False, allow_infinity=False) | TEXT
)
TREE = st.dictionaries(
    TEXT, st.recursive(PLAIN, lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner), max_leaves=10)
)


@pytest.mark.slow
@settings(max_examples=50)
@given(TREE)
def test_json_reads_as_itself(tree: dict[str, Any]) -> None:
    """Every JSON object reads as the data it stands for, JSON being a part of YAML 1.2."""
    assert read_bytes(json.dumps(tree, ensure_ascii=False, indent=1).encode(), "x").data == tree


@pytest.mark.slow
@given(st.text(alphabet="a1:-[]{},&*!|>'\"#%@`?~ \n\t.eé", max_size=30))
def test_no_text_raises_anything_else(source: str) -> None:
    """Any text gives plain data or a ScenarioError with at least one placed problem, with either parser."""
    for parser in (yaml.CSafeLoader, yaml.SafeLoader):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(text_module, "_PARSER", parser)
            try:
                assert type(read_bytes(source.encode(), "x").data) is dict
            except ScenarioError as refused:
                assert refused.problems[0].line >= 1
