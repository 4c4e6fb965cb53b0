"""Evidence of a run: what it holds, in which form, and what a scenario that was changed since is told."""

import hashlib
import json
import math
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from small_place import Ended

from emulator.version import VERSION

SCENARIO = """\
title: Plates
starts: 2026-06-12T22:00:00
lasts: 2h
queues:
  night: {lease: {value: 90s, from: measured, on: 2026-05-01, n: 40}, retry: {attempts_in_all: 3}}
pools: {dome: {count: 2, serves: [night]}}
routines:
  copy: {queue: night, parts: [{name: copy, takes: {median: 4m, p95: 9m}}]}
arrivals:
  - {name: nightly, routine: copy, count: 10, at: "22:00"}
  - {name: late, routine: copy, trace: late.csv}
must_hold:
  - {measure: done_share, at_least: 1}
"""
TRACE = "at\n22:30\n"


Call = Callable[..., Ended]
Made = Callable[..., dict[str, Any]]


@pytest.fixture
def evidence(place: Path, queuedrill: Call) -> Made:
    """Run the scenario, and read the evidence of it."""
    (place / "plates.yaml").write_text(SCENARIO, "utf-8")
    (place / "late.csv").write_text(TRACE, "utf-8")

    def made(*more: str) -> dict[str, Any]:
        code, _, err = queuedrill("run", "plates.yaml", "--evidence", "evidence.json", "--quiet", *more)
        assert (code, err) == (4 if "--nights" in more else 0, "")  # 30 nights are too few to tell
        found: dict[str, Any] = json.loads(Path("evidence.json").read_text("utf-8"))
        return found

    return made


def test_it_tells_what_was_run_on_what_and_what_came_of_it(place: Path, queuedrill: Call, evidence: Made) -> None:
    found = evidence("--seed", str(2**63 - 1), "--log", "night.db", "--page", "night.html")
    scenario, outputs = found["scenario"], found["outputs"]
    assert (found["seeds"], found["result"]["seed"]) == ([str(2**63 - 1)], str(2**63 - 1))  # no double holds them
    assert found["versions"]["program"] == VERSION
    assert found["command"] == f"queuedrill run plates.yaml --seed {2**63 - 1}"
    assert (scenario["text"], scenario["sha256"]) == (SCENARIO, hashlib.sha256(SCENARIO.encode()).hexdigest())
    assert scenario["files"] == {"late.csv": hashlib.sha256(TRACE.encode()).hexdigest()}
    assert scenario["values"]["queues"]["night"]["lease"] == "1m30s"
    assert scenario["sources"] == {"queues.night.lease": "measured, on 2026-05-01, n 40"}
    assert outputs == {
        what: {"path": name, "sha256": hashlib.sha256((place / name).read_bytes()).hexdigest()}
        for what, name in (("log", "night.db"), ("page", "night.html"))
    }
    assert found["result"]["figures"]["done"]["value"] == 11
    assert [one["met"] for one in found["result"]["requirements"]] == [True]


def test_it_is_canonical_json_with_the_digest_of_all_but_the_digest(
    place: Path, queuedrill: Call, evidence: Made
) -> None:
    """RFC 8785; the reference is the library ``rfc8785``, and the published examples below hold that."""
    found = evidence()
    assert Path("evidence.json").read_bytes() == rfc8785.dumps(found) + b"\n"
    rest = {key: value for key, value in found.items() if key != "sha256"}
    assert found["sha256"] == hashlib.sha256(rfc8785.dumps(rest)).hexdigest()


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("444b1ae4d6e2ef4f", "999999999999999900000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555556", "333333333.3333334"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
    ],
)
def test_numbers_are_those_of_the_published_table(bits: str, text: str) -> None:
    """RFC 8785, appendix B (from memory, not checked against the original): a double's bits, and how it is written."""
    [number] = struct.unpack(">d", bytes.fromhex(bits))
    assert math.isfinite(number)
    assert rfc8785.dumps(number).decode() == text


def test_keys_stand_in_the_published_order() -> None:
    """RFC 8785, 3.2.3 (from memory, not checked against the original): by UTF-16 code units."""
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    written = json.loads(rfc8785.dumps(dict.fromkeys(keys, 0)))
    assert list(written) == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


def test_many_nights_name_every_seed(place: Path, queuedrill: Call, evidence: Made) -> None:
    found = evidence("--nights", "30", "--seed", "5", "--processes", "1")
    assert found["seeds"] == [str(seed) for seed in range(5, 35)]
    assert found["command"] == "queuedrill run plates.yaml --nights 30 --seed 5"
    assert found["result"]["nights"] == 30


def test_what_belongs_to_it_is_told(place: Path, queuedrill: Call, evidence: Made) -> None:
    evidence("--log", "night.db", "--page", "night.html")
    shown = queuedrill("check", "plates.yaml", "--verify", "evidence.json")
    assert (shown.code, shown.out.splitlines()) == (
        0,
        [
            "All 5 things that evidence.json is about are what they were.",
            "  the evidence evidence.json: as it was",
            "  the scenario plates.yaml: as it was",
            "  the file late.csv: as it was",
            "  the log night.db: as it was",
            "  the page night.html: as it was",
        ],
    )


def test_what_does_not_belong_to_it_is_told(place: Path, queuedrill: Call, evidence: Made) -> None:
    found = evidence("--log", "night.db", "--page", "night.html")
    found["result"]["figures"]["done"]["value"] = 12
    Path("evidence.json").write_text(json.dumps(found), "utf-8")
    Path("late.csv").write_text("at\n22:31\n", "utf-8")
    Path("plates.yaml").write_text(SCENARIO + "# later\n", "utf-8")
    Path("night.html").unlink()
    with open("night.db", "ab") as file:
        file.write(b"\0")
    shown = queuedrill("check", "plates.yaml", "--verify", "evidence.json")
    assert (shown.code, " ".join(shown.out.split())) == (
        1,
        "5 of 5 things do not belong to evidence.json. "
        "the evidence evidence.json: it was changed after it was written "
        "the scenario plates.yaml: it is not the text that was run "
        "the file late.csv: its content is not what it was "
        "the log night.db: its content is not what was written then "
        "the page night.html: it is not there",
    )


def test_what_has_changed_since_is_told_in_words(place: Path, queuedrill: Call, evidence: Made) -> None:
    evidence()
    assert queuedrill("check", "plates.yaml", "--against", "evidence.json").code == 0
    later = SCENARIO.replace("90s, from: measured", "2m, from: guess").replace("- {name: late", "- {name: later")
    later += "faults:\n  - {power_off: dome-1, at: '22:30'}\nheartbeats: simulated\n"
    Path("plates.yaml").write_text(later, "utf-8")
    shown = queuedrill("check", "plates.yaml", "--against", "evidence.json")
    told = [line for line in shown.out.splitlines() if line.startswith("  ") and not line.startswith("    ")]
    assert (shown.code, shown.out.split(" since")[0]) == (1, "plates.yaml: 6 changes")
    assert [line.strip().partition(",")[0] for line in told] == [
        "heartbeats: computed then",
        "queues.night.lease: 1m30s then",
        "arrivals.later: new",
        "arrivals.late: no more",
        "faults: [] then",
        "the source of queues.night.lease: measured",
    ]


def test_every_other_byte_is_a_change(place: Path, queuedrill: Call, evidence: Made) -> None:
    """A key that stands twice, another order or another encoding of the same content is not what was written."""
    evidence()
    content = Path("evidence.json").read_bytes()
    for other in (b'{"result":1,' + content[1:], content.replace(b":", b": ", 1), content.decode().encode("utf-16")):
        Path("other.json").write_bytes(other)
        shown = queuedrill("check", "plates.yaml", "--verify", "other.json")
        assert (shown.code, "it was changed after it was written" in shown.out) == (1, True)


def test_what_was_set_on_the_command_line_belongs_to_it(place: Path, queuedrill: Call, evidence: Made) -> None:
    evidence("--change", "lasts=3h")
    assert queuedrill("check", "plates.yaml", "--verify", "evidence.json", "--change", "lasts=3h").code == 0
    shown = queuedrill("check", "plates.yaml", "--verify", "evidence.json")
    assert (shown.code, "--change lasts=3h then, nothing now" in " ".join(shown.out.split())) == (1, True)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (
            "parts: [{name: copy, takes: 1m}, {name: drop, takes: 2m}]",
            "parts: [{name: drop, takes: 2m}, {name: copy, takes: 1m}]",
            "the order of routines.copy.parts: copy, drop then, drop, copy now",
        ),
        (
            'faults: [{power_off: dome-1, at: "22:30", name: "1"}, {freeze: dome-1, at: "22:40", lasts: 1m}]',
            'faults: [{power_off: dome-2, at: "22:30", name: "1"}, {freeze: dome-1, at: "22:40", lasts: 1m}]',
            "faults.0.power_off: dome-1 then, dome-2 now",
        ),
        ("# today", "# tomorrow", "the text of the file: it is another, though every value is the same"),
    ],
)
def test_no_change_is_passed_over(
    place: Path, queuedrill: Call, evidence: Made, before: str, after: str, told: str
) -> None:
    """Not the order of parts, not an item whose name is a number, not a comment."""
    whole = "parts: [{name: copy, takes: {median: 4m, p95: 9m}}]"
    text = SCENARIO.replace(whole, before) if before.startswith("parts") else f"{SCENARIO}{before}\n"
    Path("plates.yaml").write_text(text, "utf-8")
    queuedrill("run", "plates.yaml", "--evidence", "evidence.json", "--quiet")
    Path("plates.yaml").write_text(text.replace(before, after), "utf-8")
    shown = queuedrill("check", "plates.yaml", "--against", "evidence.json")
    assert (shown.code, told in " ".join(shown.out.split())) == (1, True)


@pytest.mark.parametrize("path", ["x" * 5000, ".", "a\0b"])
def test_an_output_that_cannot_be_read_is_told_with_the_rest(
    place: Path, queuedrill: Call, evidence: Made, path: str
) -> None:
    found = evidence("--log", "night.db")
    found["outputs"]["log"]["path"] = path
    Path("evidence.json").write_text(json.dumps(found), "utf-8")
    shown = queuedrill("check", "plates.yaml", "--verify", "evidence.json")
    assert (shown.code, "it cannot be read as a file" in " ".join(shown.out.split())) == (1, True)
    assert "the file late.csv: as it was" in shown.out


@pytest.mark.parametrize("what", ["half a letter", "nested"])
def test_evidence_that_no_run_has_written_is_refused(place: Path, queuedrill: Call, evidence: Made, what: str) -> None:
    found = evidence()
    nested: Any = 1
    for _ in range(300):
        nested = [nested]
    found["scenario"]["values"] = {"\ud800": 1} if what == "half a letter" else {"deep": nested}
    Path("evidence.json").write_text(json.dumps(found), "utf-8")
    for option in ("--verify", "--against"):
        shown = queuedrill("check", "plates.yaml", option, "evidence.json")
        assert (shown.code, "is no evidence of a run" in " ".join(shown.err.split())) == (2, True)


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (["check", "plates.yaml", "--verify", "nothing.json"], "nothing.json cannot be read"),
        (["check", "plates.yaml", "--verify", "late.csv"], "late.csv is no evidence of a run"),
        (["check", "plates.yaml", "--against", "plates.json"], "plates.json is no evidence of a run"),
        (["check", "plates.yaml", "--against", "/dev/zero"], "/dev/zero cannot be read"),
        (["check", "plates.yaml", "plates.yaml", "--verify", "e.json"], "are about one FILE"),
        (["check", "plates.yaml", "--resolved", "--against", "e.json"], "are about one FILE"),
        (["run", "plates.yaml", "plates.yaml", "--evidence", "e.json"], "--evidence is of one FILE"),
        (["run", "plates.yaml", "--evidence", "plates.yaml"], "there is a file already"),
        (["run", "plates.yaml", "--evidence", "plates.yaml", "--overwrite"], "plates.yaml is what is read"),
        (["run", "plates.yaml", "--evidence", "nowhere/e.json"], "nowhere/e.json cannot be written"),
        (["run", "plates.yaml", "--evidence", "e", "--page", "e"], "e is named twice"),
    ],
)
def test_wrong_input_is_told(place: Path, queuedrill: Call, evidence: Made, words: list[str], wrong: str) -> None:
    Path("plates.json").write_text('{"format": "evidence of a run, 1", "scenario": []}', "utf-8")
    shown = queuedrill(*words)
    assert shown.code == 2
    assert wrong in " ".join(shown.err.split())
    assert Path("plates.yaml").read_text("utf-8") == SCENARIO
