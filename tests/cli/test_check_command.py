"""``queuedrill check`` and ``queuedrill schema``: what they say of scenarios."""

import json
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
import yaml
from small_place import SCENARIO, Ended

from emulator.scenario.load import load

Call = Callable[..., Ended]


def test_a_right_scenario_is_told_with_its_margin(queuedrill: Call) -> None:
    """A scenario without mistakes and hazards says so, with the heartbeats that may be lost: ceil(90 / 20) - 2 = 3."""
    words = (
        "fits.yaml is correct, with no known hazard.\n"
        "  Queue night, pool dome: a lease survives 3 lost heartbeats in a row.\n"
        "  Stated values: 6 without a source.\n\n"
        "More: --resolved   --older-than TIME\n"
    )
    assert queuedrill("check", "fits.yaml") == (0, words, "")


def test_a_hazard_is_named_and_no_mistake(queuedrill: Call) -> None:
    """A hazard is named at its line, with its code, and leaves the exit code at 0."""
    text = Path("fits.yaml").read_text()
    Path("short.yaml").write_text(text.replace("lease: 90s", "lease: 60s"))
    code, out, err = queuedrill("check", "short.yaml")
    assert (code, err, out) == (
        0,
        "",
        "short.yaml is correct. 1 setting may spoil the night.\n"
        "  Queue night, pool dome: a lease survives 1 lost heartbeat in a row.\n"
        "  Stated values: 6 without a source.\n"
        "\n"
        "short.yaml:5:25: few-heartbeats: queues.night.lease: a lease of 1m with a\n"
        "  heartbeat every 20s (pool dome) survives 1 lost heartbeat in a row; 3 or more\n"
        "  are advisable: a lease above 1m20s would do.\n"
        "\n"
        "These hazards do not change the exit code (0). Judge them with:\n"
        "  queuedrill run short.yaml --nights 40\n\nMore: --resolved   --older-than TIME\n",
    )


RECORDED = """\
title: Jobs as a workload log tells them
starts: 2026-06-12T21:30:00
lasts: LASTS
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night], heartbeat: 20s}}
routines: {recorded: {queue: night, parts: [{name: do, takes: {traced: true}}]}}
arrivals: [{routine: recorded, trace: log.swf}]
"""
UNKNOWN = "log.swf:3:1: wrong-trace: no time stands here, and the part 'do' of 'recorded' takes it\n"


@pytest.mark.parametrize("command", ["check", "run"])
@pytest.mark.parametrize(("lasts", "told"), [("1h", UNKNOWN), ("2m", "")], ids=["within", "beyond"])
def test_an_unknown_run_time_is_told_by_check_as_by_run(queuedrill: Call, command: str, lasts: str, told: str) -> None:
    """A run time of -1 means that it is unknown (Standard Workload Format, field 4), and a part that takes the time of
    the log has none: ``check`` refuses the line, in the words of ``run``; one after the end is read by neither."""
    unknown = " ".join(["-1"] * 14)
    jobs = [f"{job} {at} -1 {ran} {unknown}" for job, at, ran in ((1, 60, 30), (2, 120, -1), (3, 180, 30))]
    Path("log.swf").write_text("; Version: 2\n" + "\n".join(jobs) + "\n")
    Path("recorded.yaml").write_text(RECORDED.replace("LASTS", lasts))
    code, _, err = queuedrill(command, "recorded.yaml")
    assert (code, err) == (2 if told else 0, told)


def test_a_resolved_scenario_is_the_same_scenario(queuedrill: Call) -> None:
    """``--resolved`` prints a scenario file with every default filled in, which runs as the one it came from does."""
    code, out, err = queuedrill("check", "--resolved", "fits.yaml")
    assert (code, err, out.splitlines()[:2]) == (0, "", ["# fits.yaml", "title: One copy"])
    assert "respects_retry_after: true" in out
    Path("whole.yaml").write_text(out)
    assert load("whole.yaml").scenario == load("fits.yaml").scenario


def test_what_looks_like_a_time_and_is_none_gets_no_clock_time(queuedrill: Call) -> None:
    """``--resolved`` writes the clock time behind moments alone, and other texts as they are, however they look."""
    text = Path("fits.yaml").read_text()
    Path("odd.yaml").write_text(text.replace("{count: 1,", '{count: 1, equipped_with: ["+99999999h", "+2h"],'))
    code, out, err = queuedrill("check", "--resolved", "odd.yaml")
    assert (code, err) == (0, "")
    assert [line.strip() for line in out.splitlines() if "+" in line] == [
        '- "+99999999h"',
        '- "+2h"',
        "joins: +0s  # 2026-06-12 21:30:00",
        "at: +5m  # 2026-06-12 21:35:00",
    ]


@pytest.mark.slow
def test_a_recurrence_that_comes_too_often_is_a_mistake(queuedrill: Call) -> None:
    """What the program will not play for its number of occurrences is the input's fault, told at its place."""
    text = Path("fits.yaml").read_text()
    text = text.replace("lasts: 2h", "lasts: 500d").replace('count: 2, at: "21:35"', 'recurs: "* * * * *"')
    Path("often.yaml").write_text(text)
    said = "often.yaml:8:36: wrong-value: arrivals.0.recurs: '* * * * *' comes more than 600,000 times in this span"
    said += ": make it rarer"
    assert queuedrill("check", "often.yaml") == (2, "", f"{said}\n")


def test_every_mistake_is_named(queuedrill: Call) -> None:
    """A wrong scenario ends with 2, its mistakes on standard error as ``run`` tells them."""
    assert queuedrill("check", "wrong.yaml") == queuedrill("run", "wrong.yaml")
    assert queuedrill("check", "wrong.yaml", "fits.yaml")[0] == 2


@pytest.mark.slow
@pytest.mark.parametrize("file", ["fits.yaml", "misses.yaml"])
def test_the_schema_takes_what_the_program_takes(queuedrill: Call, file: str) -> None:
    """The schema is a JSON Schema, and a right scenario keeps to it."""
    code, out, err = queuedrill("schema")
    schema = json.loads(out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert (code, err) == (0, "")
    data = yaml.load(Path(file).read_text(), yaml.BaseLoader)
    jsonschema.Draft202012Validator(schema).validate(_typed(data))


def _typed(data: object) -> object:
    """Read plain YAML as YAML 1.2 does: whole numbers and truth values, and everything else as text."""
    if isinstance(data, dict):
        return {key: _typed(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_typed(value) for value in data]
    return {"true": True, "false": False}.get(str(data), int(str(data)) if str(data).isdigit() else data)


def test_the_schema_finds_an_unknown_key(queuedrill: Call) -> None:
    """An editor that has the schema marks a key that the format does not know."""
    schema = json.loads(queuedrill("schema")[1])
    wrong = _typed(yaml.load(Path("wrong.yaml").read_text(), yaml.BaseLoader))
    found = sorted(error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(wrong))
    assert any("'lsts' was unexpected" in message for message in found)


SOURCED = SCENARIO.replace("lease: 90s", "lease: {value: 90s, from: measured, on: 2001-02-03, n: 9}").replace(
    "takes: 10m", "takes: {value: {median: 4m, p95: 9m}, from: guess, on: 2999-01-01}"
)
"""Two values with a source; count (twice), poll and heartbeat have none, and what is asked is no value of the world."""


def test_the_values_of_a_scenario_are_counted_by_their_source(queuedrill: Call) -> None:
    Path("sourced.yaml").write_text(SOURCED)
    assert "  Stated values: 1 measured, 1 guess, 4 without a source.\n" in queuedrill("check", "sourced.yaml").out
    assert "  Stated values: 6 without a source.\n" in queuedrill("check", "fits.yaml").out
    told = queuedrill("run", "sourced.yaml", "--all").out
    assert "Stated values: 1 measured, 1 guess, 4 without a source.\n" in told
    said = json.loads(queuedrill("run", "sourced.yaml", "--json").out)
    assert said["sources"] == {"measured": 1, "guess": 1, "without a source": 4}


def test_old_sources_are_named_at_their_place(queuedrill: Call) -> None:
    """Exit code 0; what has no day is not old, and neither is what is of a later one."""
    Path("sourced.yaml").write_text(SOURCED)
    code, out, _ = queuedrill("check", "--older-than", "90d", "sourced.yaml")
    assert (code, "sourced.yaml:5:33: old-source: measured on 2001-02-03, before " in out) == (0, True)
    assert out.count("old-source") == 1
    assert "old-source" not in queuedrill("check", "--older-than", "9000d", "fits.yaml").out
    code, out, err = queuedrill("check", "--older-than", "soon", "sourced.yaml")
    assert (code, out) == (2, "")
    assert "--older-than: 'soon' is not a duration: write 90s, 1h30m, 500ms or PT30S" in err


def test_the_trace_of_a_variant_is_read_too(queuedrill: Call) -> None:
    """``check`` refuses what ``run --variant`` refuses, at the line of the trace."""
    Path("right.csv").write_text("at\n21:40\n21:50\n")
    Path("late.csv").write_text("at\n21:40\n21:35\n")
    text = SCENARIO.replace('{routine: copy, count: 2, at: "21:35"}', "{routine: copy, trace: right.csv}")
    Path("traced.yaml").write_text(
        text + "variants: {two: {pools.dome.count: 2}, late: {arrivals.0.trace: late.csv}}\n"
    )
    wrong = "late.csv:3:1: wrong-trace: this arrival is earlier than the one before: sort the file by time\n"
    assert queuedrill("run", "traced.yaml", "--variant", "late")[::2] == (2, wrong)
    assert queuedrill("check", "traced.yaml")[::2] == (2, wrong)
