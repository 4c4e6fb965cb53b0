"""Exports are what their formats ask, as independent readers read them, and tell what the log tells.

Readers: the packages cloudevents (CloudEvents 1.0), prometheus_client (OpenMetrics 1.0), opentelemetry-proto (the
protobuf definitions of OTLP) and junitparser (test results in XML, of which there is no standard: the element names
checked here are those that it and common build servers read; from memory). Rules quoted are from the specifications:
"CloudEvents - Version 1.0.2", "OpenMetrics 1.0", "OpenTelemetry Protocol" (JSON encoding), RFC 4180; from memory.
"""

import base64
import csv
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import exported_night
import pytest
from cloudevents.core.formats.json import JSONFormat
from google.protobuf import json_format
from junitparser import Failure, JUnitXml, Skipped
from opentelemetry.proto.trace.v1.trace_pb2 import Status, TracesData
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from emulator.errors import InputError
from emulator.experiment.run import run
from emulator.measure.catalogue import MEASURES
from emulator.measure.figures import Figures
from emulator.measure.fold import NightFold
from emulator.measure.night import ATTEMPTS, FINISHED, FIRST_OUT, SUBMITTED
from emulator.record.events import Row
from emulator.record.meta import RunMeta
from emulator.report.exporting import FORMATS, recorded
from emulator.scenario.clock import Clock
from emulator.show.exports.recorded import Recorded, attempts_of, plain

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HOSTILE = "=1+1\x00\x1b[2J\u202e<b>]]>&\"'\\\n\r\t\x7f\x9b\ufffe\ud800\u00e9"
CLEANED = "=1+1\ufffd\ufffd[2J\ufffd<b>]]>&\"'\\\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\u00e9"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """The small night of the golden files."""
    return exported_night.night(tmp_path_factory.mktemp("night"))


def hostile() -> Recorded:
    """A night whose every name is hostile, put together by hand: no scenario file may hold such names."""
    worker, said = HOSTILE, {"said": HOSTILE}
    rows: tuple[Row, ...] = (
        (0, "run_began", 0, 0, "", 1),
        (0, "worker_changed", 0, 0, worker, "idle", "", 1),
        (1, "submitted", 0, 1, "", "queued", HOSTILE, HOSTILE, HOSTILE, 1, HOSTILE, 0, "", 0),
        (2, "handed_out", 3, 1, worker, 1, 1, 90, 1),
        (2, "work_began", 4, 1, worker, 1, 1),
        (3, "part_finished", 5, 1, worker, 1, 1, HOSTILE, HOSTILE, False),
        (4, "effect_landed", 5, 1, worker, 1, 1, HOSTILE, HOSTILE, True),
        (4, "fault_began", 0, 0, worker, "freeze", HOSTILE, 1, HOSTILE),
        (5, "work_stopped", 8, 1, worker, 1, 1, "said", said),
        (6, "attempt_ended", 9, 1, worker, 1, 1, "error", "said", 6, said),
        (6, "finished", 10, 1, "", "failed", "attempts_used_up", "said", 1, said),
        (9, "run_ended", 0, 0, ""),
    )
    fold = NightFold(9, pools={worker: HOSTILE})
    fold.feed_all(rows)
    about = RunMeta(seed=1, scenario_text=HOSTILE, scenario_name=HOSTILE, variant=HOSTILE)
    clock = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
    return Recorded(HOSTILE, about, clock, rows, fold.close(), (), True, {})


def text(form: str, of: Recorded) -> str:
    return "".join(FORMATS[form](of))


# -- all formats ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", list(FORMATS))
def test_the_golden_bytes_of_each_export(form: str, small: Recorded) -> None:
    """Each export of the small night is the same to the byte as the one that is kept (a pin)."""
    assert text(form, small).encode() == exported_night.golden(form).read_bytes()


@pytest.mark.parametrize("form", list(FORMATS))
def test_no_export_tells_a_terminal_what_to_do(form: str) -> None:
    """Whatever names hold, no export holds a control character but the ends of its own lines, and all are UTF-8."""
    found = text(form, hostile()).encode().decode()
    ends = "\r\n" if form.endswith("csv") else "\n"
    assert sorted({one for one in found if one < " " or "\x7f" <= one <= "\x9f"}) == sorted(set(ends))


# -- CloudEvents ------------------------------------------------------------------------------------------------------


def cloudevents(of: Recorded) -> list[Any]:
    """Read the batch with the reader, which refuses what is no valid event, and hold the lines to be the same."""
    batch = json.loads(text("cloudevents", of))
    lines = text("cloudevents-lines", of).splitlines()
    assert [json.loads(line) for line in lines] == batch
    return [JSONFormat().read(None, line) for line in lines]


def test_cloudevents_tell_every_event(small: Recorded) -> None:
    """Each event is one CloudEvent: its number, kind, virtual time, subject, cause and details."""
    for event, found in zip(small.events(), cloudevents(small), strict=True):
        assert found.get_attributes() == {
            "specversion": "1.0",
            "id": str(event.number),
            "source": f"/queuedrill/night/{small.key}",
            "type": f"queuedrill.{event.kind}",
            "time": small.clock.local(event.at).astimezone(UTC),
            **({"subject": small.job(event.job) or event.worker} if event.job or event.worker else {}),
            **({"cause": str(event.cause)} if event.cause else {}),
            "tick": str(event.at),
            **({"worker": event.worker} if event.worker else {}),
            "datacontenttype": "application/json",
        }
        assert found.get_data() == {**({"job": event.job} if event.job else {}), **event.details}


TRACED = """
title: Plates as they came
starts: 2026-06-12T21:30:00
lasts: 1h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night], heartbeat: 30s}}
routines: {copy: {queue: night, parts: [{name: read, takes: 4m}]}}
arrivals: [{routine: copy, name: plates, trace: plates.csv}]
variants: {two workers: {pools.dome.count: 2}}
"""


def test_two_different_events_never_share_source_and_id(tmp_path: Path) -> None:
    """CloudEvents 1.0.2, "id": producers must ensure that source and id are unique for each distinct event.

    Nights that differ in the mode of heartbeats, the seed, the variant, or in a file that the scenario names, have
    sources of their own; the same night run again has the same one.
    """
    ways: dict[str, tuple[str, dict[str, Any]]] = {
        "as written": ("+5m", {}),
        "again": ("+5m", {}),
        "another file": ("+6m", {}),
        "simulated": ("+5m", {"heartbeats": "simulated"}),
        "seed": ("+5m", {"seed": 2}),
        "variant": ("+5m", {"variant": "two workers"}),
    }
    sources = {}
    for name, (comes, more) in ways.items():
        folder = tmp_path / name
        folder.mkdir()
        (folder / "plates.csv").write_text(f"at\n{comes}\n", "utf-8")
        (folder / "night.yaml").write_text(TRACED, "utf-8")
        run(folder / "night.yaml", log=folder / "night.qdlog", **more)
        [sources[name]] = {json.loads(line)["source"] for line in text_of_lines(folder / "night.qdlog")}
    assert sources.pop("again") == sources["as written"]
    assert len(set(sources.values())) == len(sources) == 5


def test_a_night_that_broke_off_is_told_from_the_whole_one(small: Recorded) -> None:
    """What was written of a run that did not finish is another night than the finished one: its end is not known."""
    assert replace(small, digest="", finished=False).key != small.key


def text_of_lines(log: Path) -> list[str]:
    return text("cloudevents-lines", recorded(log)).splitlines()


def test_cloudevents_keep_the_rules_for_attributes() -> None:
    """Names are of a-z and 0-9 and at most 20 long; strings hold no control characters, halves or non-characters."""
    forbidden = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
    for event in json.loads(text("cloudevents", hostile())):
        event.pop("data", None)
        assert [name for name in event if not re.fullmatch("[a-z0-9]{1,20}", name)] == []
        assert [value for value in event.values() if not value or forbidden.search(value)] == []


def test_a_night_without_events_is_an_empty_batch(small: Recorded) -> None:
    """A batch is a JSON array even when there is nothing in it."""
    assert text("cloudevents", replace(small, rows=())) == "[]\n"


# -- OpenMetrics ------------------------------------------------------------------------------------------------------


def families(of: Recorded) -> dict[str, Any]:
    return {family.name: family for family in text_string_to_metric_families(text("openmetrics", of))}


def test_openmetrics_tell_figures_and_verdicts(small: Recorded) -> None:
    """Every figure that there is has its value, in seconds or as a share; each requirement is in its state."""
    found = families(small)
    figures = Figures(small.night)
    shown = {
        name.removeprefix("queuedrill_figure_"): [(s.labels["bound"], s.value) for s in family.samples]
        for name, family in found.items()
        if name.startswith("queuedrill_figure_")
    }
    units = {"time": ("_seconds", 1_000_000), "share": ("_ratio", 1)}
    expected = {}
    for name, measure in MEASURES.items():
        figure = figures.get(name)
        if figure.value is not None:
            suffix, per = units.get(measure.unit, ("", 1))
            value = round(figure.value) / per if measure.unit == "time" else float(f"{figure.value:.9g}")
            expected[name + suffix] = [("more than" if figure.more_than else "exact", value)]
    assert shown == expected
    states = [
        (sample.labels["requirement"], sample.labels["queuedrill_requirement"])
        for sample in found["queuedrill_requirement"].samples
        if sample.value
    ]
    words = {True: "met", False: "missed", None: "not_judged"}
    assert states == [(one.requirement, words[one.met]) for one in small.judged]


def test_openmetrics_count_over_virtual_time(small: Recorded) -> None:
    """Counts end at what the events add up to; states of workers change when the events say so."""
    begins = small.clock.local(0).timestamp()

    def points(name: str, **labels: str) -> list[tuple[float, float]]:
        family = families(small)[name]
        wanted = [sample for sample in family.samples if labels.items() <= sample.labels.items()]
        return [(float(sample.timestamp) - begins, sample.value) for sample in wanted]

    # By hand: copied from 21:31, frozen at 21:37, lost 90 s after the heartbeat of 21:36:30, resubmitted at 21:42, done
    # after four minutes and twice two at 21:50; the zombie goes on at 21:47 and is told at once; the long one at 21:56.
    assert points("queuedrill_jobs", state="running") == [(60, 1), (480, 0), (720, 1), (1200, 0), (1560, 1)]
    assert points("queuedrill_jobs_submitted", routine="copy") == [(60, 1), (720, 2)]
    assert points("queuedrill_jobs_finished", state="failed") == [(480, 1)]
    assert points("queuedrill_attempts_ended", outcome="lease_lost") == [(480, 1)]
    assert points("queuedrill_effects_landed") == [(1080, 1), (1200, 2)]
    assert points("queuedrill_attempts_under_way", worker="dome-1") == [(60, 1), (1020, 0), (1560, 1)]
    states = {state: points("queuedrill_worker_in_state", worker="dome-1", state=state) for state in ("idle", "busy")}
    assert states == {
        "idle": [(0, 1), (60, 0), (1020, 1), (1560, 0)],
        "busy": [(60, 1), (420, 0), (1560, 1)],
    }
    assert points("queuedrill_worker_in_state", state="frozen") == [(420, 1), (1020, 0)]


def test_openmetrics_hold_hostile_names() -> None:
    """A label reads back as the name with what cannot be shown replaced; the text ends with its mark."""
    [info] = families(hostile())["queuedrill_run"].samples
    assert info.labels["title"] == CLEANED
    assert text("openmetrics", hostile()).endswith("\n# EOF\n")


# -- test results -----------------------------------------------------------------------------------------------------


def test_requirements_are_test_results(small: Recorded) -> None:
    """One test case for each requirement: passed, failed with the sentence and the jobs, or skipped with the reason."""
    open_one = replace(small.judged[3], met=None, sentence="It cannot be judged on this night.")
    small = replace(small, judged=(*small.judged[:3], open_one))
    suites = JUnitXml.fromstring(text("junit", small).encode())
    [suite] = suites
    assert (suite.name, suite.tests, suite.failures, suite.errors, suite.skipped) == (plain(small.title), 4, 1, 0, 1)
    found = [(case.name, [(type(one), one.message, one.text) for one in case.result]) for case in suite]
    missed, skipped = small.judged[1], small.judged[3]
    assert found == [
        ("unfinished exactly 1", []),
        (
            "done_share at least 100 %",
            [
                (
                    Failure,
                    missed.sentence,
                    f"{missed.sentence}\nFound: 33.3 %.\nJobs that show why, the worst first:\n"
                    "plates#1 (job 1)\nlongs#1 (job 3)",
                )
            ],
        ),
        ("unsafe_repeats at most 0", []),
        ("lost_while_healthy at most 0, in 90 % of nights", [(Skipped, skipped.sentence, None)]),
    ]


def test_requirements_that_read_the_same_have_names_of_their_own(small: Recorded) -> None:
    """Readers tell test cases apart by their names: a second one of the same words has a number behind it."""
    root = ET.fromstring(text("junit", replace(small, judged=(small.judged[0], small.judged[0]))).encode())
    assert [case.get("name") for case in root.iter("testcase")] == ["unfinished exactly 1", "unfinished exactly 1 (2)"]


def test_xml_holds_hostile_names(small: Recorded) -> None:
    """XML 1.0 cannot hold control characters at all; what it cannot hold is replaced, and markup reads back as text."""
    missed = replace(small.judged[1], sentence=HOSTILE, requirement=HOSTILE)
    root = ET.fromstring(text("junit", replace(hostile(), judged=(replace(missed, evidence=(1,)),))).encode())
    [case] = root.iter("testcase")
    [failure] = case
    assert (case.get("name"), case.get("classname"), failure.get("message")) == (CLEANED, CLEANED, CLEANED)
    assert (failure.text or "").splitlines()[-1] == f"{CLEANED}#1 (job 1)"


# -- spans ------------------------------------------------------------------------------------------------------------


def spans(of: Recorded) -> list[Any]:
    """Read spans with the protobuf definitions; OTLP writes ids in hexadecimal where JSON of protobuf has base64."""
    data = json.loads(text("otlp", of))

    def ids(value: Any) -> Any:
        if isinstance(value, list):
            return [ids(one) for one in value]
        if not isinstance(value, dict):
            return value
        return {
            key: base64.b64encode(bytes.fromhex(one)).decode() if key.endswith(("traceId", "panId")) else ids(one)
            for key, one in value.items()
        }

    [resource] = json_format.ParseDict(ids(data), TracesData()).resource_spans
    [scope] = resource.scope_spans
    return list(scope.spans)


def attributes(of: Any) -> dict[str, Any]:
    return {one.key: getattr(one.value, one.value.WhichOneof("value")) for one in of.attributes}


def check_spans(of: Recorded) -> list[Any]:
    """Hold what every trace must be: ids of their size and once only, parents and links there, no time backwards."""
    found = spans(of)
    by_id = {span.span_id: span for span in found}
    assert len(by_id) == len(found)
    for span in found:
        assert (len(span.trace_id), len(span.span_id), any(span.trace_id), any(span.span_id)) == (16, 8, True, True)
        assert span.start_time_unix_nano <= span.end_time_unix_nano
        if span.parent_span_id:
            parent = by_id[span.parent_span_id]
            assert (parent.trace_id, parent.start_time_unix_nano <= span.start_time_unix_nano) == (span.trace_id, True)
        assert [link for link in span.links if by_id[link.span_id].trace_id != link.trace_id] == []
    roots = [span.trace_id for span in found if not span.parent_span_id]
    assert len(set(roots)) == len(roots) == 1 + len(of.night)
    numbers = sorted(attributes(event)["queuedrill.event"] for span in found for event in span.events)
    shown_as_spans = {"fault_began", "fault_ended", "broker_down", "broker_up", "action_taken"}
    assert numbers == [event.number for event in of.events() if event.kind not in shown_as_spans]
    return found


def test_spans_tell_jobs_attempts_and_parts(small: Recorded) -> None:
    """A trace for the night with its fault and action, one for each job, in it attempts, in those parts; in order."""
    found = check_spans(small)
    by_id = {span.span_id: span.name for span in found}
    begins = round(small.clock.local(0).timestamp()) * 1_000_000_000

    def minutes(nanoseconds: int) -> float:
        return (nanoseconds - begins) / 60_000_000_000

    shown = [
        (
            by_id.get(span.parent_span_id, ""),
            span.name,
            minutes(span.start_time_unix_nano),
            minutes(span.end_time_unix_nano),
            Status.StatusCode.Name(span.status.code).removeprefix("STATUS_CODE_"),
            [by_id[link.span_id] for link in span.links],
        )
        for span in found
    ]
    night = f"night: {small.title}"
    again = "plates#1 (resubmitted as job 2)"
    assert shown == [
        ("", night, 0, 60, "UNSET", []),
        (night, "fault freeze", 7, 17, "UNSET", []),
        (night, "action run again", 12, 12, "UNSET", []),
        ("", "plates#1", 1, 8, "ERROR", ["attempt 1"]),
        ("plates#1", "attempt 1", 1, 17, "ERROR", ["fault freeze"]),
        ("attempt 1", "read", 1, 5, "UNSET", []),
        ("attempt 1", "write", 5, 17, "UNSET", []),
        ("", again, 12, 20, "OK", ["plates#1", "action run again", "attempt 1"]),
        (again, "attempt 1", 12, 20, "OK", []),
        ("attempt 1", "read", 12, 16, "UNSET", []),
        ("attempt 1", "write north", 16, 18, "UNSET", []),
        ("attempt 1", "write", 18, 20, "UNSET", []),
        ("", "longs#1", 26, 60, "UNSET", []),
        ("longs#1", "attempt 1", 26, 60, "UNSET", []),
        ("attempt 1", "wait", 26, 60, "UNSET", []),
    ]


def test_the_same_night_has_the_same_ids_and_another_has_others(small: Recorded) -> None:
    """Ids are digests of scenario, seed and what a span is of: not one is shared with the night of another seed."""
    ids = {span.span_id for span in spans(small)}
    others = {span.span_id for span in spans(replace(small, about=replace(small.about, seed=2)))}
    assert (len(ids), len(ids & others)) == (15, 0)


def test_a_fault_that_hit_nothing_has_a_span_of_no_length(small: Recorded) -> None:
    """It ends where it began; the event that tells so is one of the night's."""
    fault = "freeze", "faults[0]", 1, "dome-1"
    rows = (
        (0, "run_began", 0, 0, "", 1),
        (4, "fault_began", 0, 0, "dome-1", *fault),
        (4, "fault_missed", 2, 0, "dome-1", *fault, "was_off_or_frozen"),
        (9, "run_ended", 0, 0, ""),
    )
    fold = NightFold(9)
    fold.feed_all(rows)
    found = replace(small, rows=rows, night=fold.close())
    night, span = spans(found)
    assert (span.name, span.end_time_unix_nano - span.start_time_unix_nano) == ("fault freeze", 0)
    assert [event.name for event in night.events] == ["run_began", "fault_missed", "run_ended"]


def test_spans_hold_hostile_names() -> None:
    """Every name reads back whole from spans, but for the half of a pair that no text can hold."""
    found = check_spans(hostile())
    whole = HOSTILE.replace("\ud800", "\ufffd")
    [attempt] = [span for span in found if span.name == "attempt 1"]
    assert attributes(attempt)["queuedrill.worker"] == whole


@pytest.mark.parametrize("starts", ["1969-12-31T12:00:00", "2554-08-01T00:00:00"])
def test_a_night_beyond_the_times_of_spans_is_refused(small: Recorded, starts: str) -> None:
    """Times of spans are from 1970 to 2554; a night outside is refused by name, not written wrongly."""
    beyond = replace(small, clock=Clock(datetime.fromisoformat(starts), "UTC"))
    with pytest.raises(InputError, match=f"night.yaml: spans tell .* the night begins on {starts[:10]}"):
        text("otlp", beyond)


# -- tables -----------------------------------------------------------------------------------------------------------


def rows(form: str, of: Recorded) -> Iterator[dict[str, str]]:
    found = text(form, of)
    assert found.count("\r\n") == found.count("\n") == found.count("\r")
    return csv.DictReader(io.StringIO(found, newline=""), strict=True)


def check_tables(of: Recorded) -> None:
    """Hold the tables against the night: each job and attempt has its row, times and counts are the night's."""
    night = of.night
    for job, row in enumerate(rows("jobs-csv", of), night.first):
        final = night.final_of(job)
        assert (int(row["job"]), row["name"], row["attempts"]) == (
            job,
            night.name_of(job),
            str(night.value(job, ATTEMPTS)),
        )
        assert row["state"] == final.state or final.state == "unfinished"
        for name, column in (("submitted", SUBMITTED), ("first_handed_out", FIRST_OUT), ("finished", FINISHED)):
            tick = night.value(job, column)
            shown = of.clock.tick_of(datetime.fromisoformat(row[name])) if row[name] else -1
            assert (name, shown) == (name, tick)
    assert len(list(rows("jobs-csv", of))) == len(night)
    outcomes: dict[str, int] = {}
    for row in rows("attempts-csv", of):
        outcomes[row["outcome"]] = outcomes.get(row["outcome"], 0) + 1
    for one in ("handed_back", "second_hand_out"):  # which no figure counts as attempts
        outcomes.pop(one, None)
    counted: dict[str, int] = {}
    for (_, _, outcome), cell in night.cells.items():
        if cell.attempts:
            counted[outcome] = counted.get(outcome, 0) + cell.attempts
    assert outcomes == counted


def test_tables_tell_jobs_and_attempts(small: Recorded) -> None:
    """Each job and each attempt of the small night has its row."""
    check_tables(small)
    assert [row["outcome"] for row in rows("attempts-csv", small)] == ["lease_lost", "ok", "in_progress"]


def test_tables_hold_hostile_names() -> None:
    """A text that a spreadsheet would compute has an apostrophe in front, and reads back whole otherwise."""
    [job], [attempt] = rows("jobs-csv", hostile()), rows("attempts-csv", hostile())
    assert (job["routine"], attempt["worker"], attempt["why"]) == (f"'{CLEANED}",) * 3


# -- the ready scenarios ----------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["worker-lost-mid-run", "handed-out-twice", "rerun-while-zombie-returns", "lost-results", "surge-refused"]
)
def test_nights_with_faults_are_exported_whole(name: str, tmp_path: Path) -> None:
    """Readers take every export of a night with faults, and its counts are the night's."""
    run(SCENARIOS / f"{name}.yaml", log=tmp_path / "night.qdlog")
    found = recorded(tmp_path / "night.qdlog")
    check_spans(found)
    check_tables(found)
    assert len(cloudevents(found)) == len(found.rows)
    samples = [sample for family in families(found).values() for sample in family.samples]
    ended = sum(1 for one in attempts_of(found) if one.outcome not in ("handed_back", "second_hand_out", "in_progress"))
    last = {
        tuple(sample.labels.items()): sample.value
        for sample in samples
        if sample.name == "queuedrill_attempts_ended_total"
    }
    assert sum(last.values()) == ended
    suites = list(JUnitXml.fromstring(text("junit", found).encode()))
    judged = [of for of in (found.judged, found.also_true) if of]  # what has to hold, and what is true of the lesson
    assert [suite.failures for suite in suites] == [sum(one.met is False for one in of) for of in judged]
