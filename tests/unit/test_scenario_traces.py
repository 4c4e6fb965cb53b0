"""Traces: arrivals from CSV and from the Standard Workload Format, line by line."""

import tracemalloc
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from emulator.errors import ScenarioError
from emulator.scenario.clock import Clock
from emulator.scenario.load import load, varied
from emulator.scenario.traces import Arrival, WorkloadJob, read_arrivals, read_csv, read_workload, workload_header
from emulator.timeline.ticks import HOUR, MINUTE, SECOND


def clock_at(text: str, zone: str) -> Clock:
    return Clock(datetime.fromisoformat(text), zone)


CLOCK = clock_at("2026-06-12T21:30:00", "America/Santiago")

Write = Callable[[str | bytes], Path]


@pytest.fixture
def csv_file(tmp_path: Path) -> Write:
    return lambda content: put(tmp_path / "arrivals.csv", content)


@pytest.fixture
def swf_file(tmp_path: Path) -> Write:
    return lambda content: put(tmp_path / "log.swf", content)


def put(path: Path, content: str | bytes) -> Path:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def refusal(read: Callable[[], Iterator[Any]], path: Path) -> str:
    with pytest.raises(ScenarioError) as refused:
        list(read())
    return "\n".join(map(str, refused.value.problems)).replace(str(path), path.name)


# CSV

ONE_KIND = "separate columns by commas, or all by semicolons, or all by tabs"
SAVE_AS = "save the file as UTF-8 (spreadsheets call it CSV UTF-8)"
OUTSIDE = "lies before the start of the scenario, or more than 100 years after it"


def test_csv_arrivals_carry_what_their_line_tells(csv_file: Write) -> None:
    """Every column reaches the arrival, in ticks and numbers; an empty cell says nothing."""
    path = csv_file(
        "at,routine,priority,key,takes,parameter.volumes,parameter.night\n"
        '21:40,plate-copy,5,vol-3,4m30s,"a, b",12\n'
        "\n"
        "+15m,,,,,,\n"
        '2026-06-13T06:00:00Z, plate-copy ,-1,"two\nlines",PT1H,,x\n'
    )
    assert list(read_csv(path, CLOCK)) == [
        Arrival(10 * MINUTE, 2, "plate-copy", 5, "vol-3", 270 * SECOND, (("volumes", "a, b"), ("night", "12"))),
        Arrival(15 * MINUTE, 4),
        Arrival(270 * MINUTE, 6, "plate-copy", -1, "two\nlines", HOUR, (("night", "x"),)),
    ]


def test_csv_seconds_are_rounded_to_the_tick(csv_file: Write) -> None:
    """Seconds from the start may have decimals, and are rounded to the nearest microsecond, halves to even."""
    path = csv_file("at_seconds\n0\n0.0000005\n0.0000015\n12.5\n90\n")
    assert [arrival.tick for arrival in read_csv(path, CLOCK)] == [0, 0, 2, 12_500_000, 90 * SECOND]


@pytest.mark.parametrize(
    "content", ["\ufeffat_seconds,key\r\n1,é\r\n", "at_seconds,key\n1,é", "\n\nat_seconds , key\n1,é\n,\n"]
)
def test_csv_forms_that_change_nothing(csv_file: Write, content: str) -> None:
    """Byte order mark, line ends, blank lines, blanks in the header and a missing last line end change nothing."""
    assert [(arrival.tick, arrival.key) for arrival in read_csv(csv_file(content), CLOCK)] == [(SECOND, "é")]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_columns_are_separated_as_in_the_header(csv_file: Write, mark: str) -> None:
    """Commas, semicolons and tabs are read alike; what a cell holds of the same mark stands in quotes."""
    lines = (("at_seconds", "parameter.plates", "key"), ("1", f'"a{mark}b"', "k"), ("2.5", "", ""))
    path = csv_file("\n" + "\n".join(mark.join(cells) for cells in lines))
    assert list(read_csv(path, CLOCK)) == [
        Arrival(SECOND, 3, key="k", parameters=(("plates", f"a{mark}b"),)),
        Arrival(2_500_000, 4),
    ]


def test_what_happened_then_is_read_too(csv_file: Write) -> None:
    """A job's own number, its outcome and its worker reach the arrival; empty cells say nothing."""
    path = csv_file("job,at_seconds,outcome,worker\nA-17,1,lease_lost,dome-2\n,2,,\n")
    assert list(read_csv(path, CLOCK)) == [
        Arrival(SECOND, 2, job="A-17", outcome="lease_lost", worker="dome-2"),
        Arrival(2 * SECOND, 3),
    ]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf_16_is_refused_by_name(csv_file: Write, swf_file: Write, encoding: str) -> None:
    """A file in UTF-16, with or without a byte order mark, is refused with the way out."""
    refused = f":1:1: this file is in UTF-16: {SAVE_AS}"
    path = csv_file("at_seconds\n1\n".encode(encoding))
    assert refusal(lambda: read_csv(path, CLOCK), path) == f"arrivals.csv{refused}"
    path = swf_file("1 0 0 60\n".encode(encoding))
    assert refusal(lambda: read_workload(path), path) == f"log.swf{refused}"


def test_only_a_trace_knows_a_job_s_own_number() -> None:
    """`{job}` in an entry without a trace is refused, whatever it is to make."""
    quiet = load(Path(__file__).parent / "right" / "quiet.yaml")
    for key in ("key", "idempotency_key"):
        with pytest.raises(ScenarioError, match=rf"arrivals.0.{key}: nothing is filled in for {{job}}"):
            varied(quiet, {f"arrivals.nightly.{key}": "{job}"})


def test_a_csv_file_with_a_header_alone_has_no_arrivals(csv_file: Write) -> None:
    """A header without lines below is an empty trace."""
    assert list(read_arrivals(csv_file("at,routine\n"), CLOCK)) == []


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", ": the file is empty: its first line names columns such as at,routine"),
        ("\n , \n", ": the file is empty: its first line names columns such as at,routine"),
        ("at,rotine\n", ":1:4: the column 'rotine' is not known: did you mean 'routine'?"),
        (
            "at,volume\n",
            ":1:4: the column 'volume' is not known: "
            "allowed are: at, at_seconds, job, key, outcome, parameter.NAME, priority, routine, takes, worker",
        ),
        ("at,parameter.\n", ":1:4: the column 'parameter.' is not known: did you mean 'parameter.NAME'?"),
        ("at;routine,key\n", f":1:1: the column 'at;routine' is not known: {ONE_KIND}"),
        ("at\troutine;key\n", f":1:1: the column 'at\\troutine' is not known: {ONE_KIND}"),
        (
            "sep=;\nat;routine\n",
            ":1:1: the column 'sep=' is not known: take this line away, the separator is told by the header",
        ),
        (
            "at_seconds;key\n12,5;a\n",
            ":2:1: column at_seconds: '12,5' is no number here, it has a decimal comma: write 12.5 for 12,5",
        ),
        (
            'at_seconds,takes\n12,"1,5h"\n',
            ":2:4: column takes: '1,5h' is no number here, it has a decimal comma: write 12.5 for 12,5",
        ),
        ("at_seconds,outcome\n1,okay\n", ":2:3: column outcome: 'okay' is not known: did you mean 'ok'?"),
        (
            "at_seconds,outcome\n1,lost\n",
            ":2:3: column outcome: 'lost' is not known: "
            "allowed are: error, lease_lost, ok, permanent_error, time_limit",
        ),
        ("at_seconds,job\n1," + "9" * 201 + "\n", ":2:3: column job: more than 200 characters"),
        ("at_seconds,worker\n1," + "w" * 201 + "\n", ":2:3: column worker: more than 200 characters"),
        ("at,at\n", ":1:4: the column 'at' stands there twice: keep one"),
        ("at,parameter.x,parameter.x\n", ":1:16: the column 'parameter.x' stands there twice: keep one"),
        ("routine\n", ":1:1: one of the columns at and at_seconds is needed, and not both"),
        ("at,at_seconds\n", ":1:1: one of the columns at and at_seconds is needed, and not both"),
        ("at,key\n21:40\n", ":2:1: 1 cells, but the header names 2 columns"),
        ("at,key\n21:40,a\n\n21:50,b,c\n", ":4:1: 3 cells, but the header names 2 columns"),
        ("at\n25:00\n", ":2:1: column at: '25:00' is not a time: no calendar and no clock shows it"),
        ("at,key\n,a\n", ':2:1: column at: \'\' is not a time: write "21:40", "+2h30m" or 2026-06-12T21:40:00'),
        (
            "at\n2026-06-12T21:00:00\n",
            f":2:1: column at: '2026-06-12T21:00:00' {OUTSIDE}",
        ),
        ("at_seconds\nsoon\n", ":2:1: column at_seconds: 'soon' is not a number of seconds, such as 90 or 12.5"),
        ("at_seconds\nnan\n", ":2:1: column at_seconds: 'nan' is not a number of seconds, such as 90 or 12.5"),
        ("at_seconds\n1e3\n", ":2:1: column at_seconds: '1e3' is not a number of seconds, such as 90 or 12.5"),
        (
            "at_seconds\n-1\n",
            f":2:1: column at_seconds: '-1' {OUTSIDE}",
        ),
        (
            "at_seconds\n9999999999\n",
            f":2:1: column at_seconds: '9999999999' {OUTSIDE}",
        ),
        (
            "at,takes\n21:40,90\n",
            ":2:7: column takes: '90' is not a duration: write 90s, 1h30m, 500ms or PT30S",
        ),
        ("at,priority\n21:40,high\n", ":2:7: column priority: 'high' is not a whole number"),
        ("at,priority\n21:40,1.5\n", ":2:7: column priority: '1.5' is not a whole number"),
        ('at\n"21:40\n', ":2:1: this is not valid CSV: unexpected end of data"),
        ('at\n"21:40"x\n', ":2:1: this is not valid CSV: ',' expected after '\"'"),
        (b"at\n21:40\n\xff\n", f":3:1: this line is not UTF-8: {SAVE_AS}"),
        (b"at\n21:40\n\0\n", ":3:1: NUL byte: this is a binary file"),
        ("at\n" + "x" * 100_001, ":2:1: this line is longer than 100,000 bytes"),
    ],
)
def test_wrong_csv_lines_are_refused_with_their_number(csv_file: Write, content: str | bytes, message: str) -> None:
    """The first wrong line of a CSV trace is refused with its number, its column and what to write."""
    path = csv_file(content)
    assert refusal(lambda: read_csv(path, CLOCK), path) == f"arrivals.csv{message}"


def test_arrivals_before_a_wrong_line_are_given(csv_file: Write) -> None:
    """A trace is a stream: what stands before a mistake has been given when it is found."""
    given = read_arrivals(csv_file("at_seconds\n1\n2\nx\n"), CLOCK)
    assert [next(given).tick, next(given).tick] == [SECOND, 2 * SECOND]
    with pytest.raises(ScenarioError, match=r"arrivals\.csv:4:1: wrong-trace: column at_seconds: 'x'"):
        next(given)


def test_arrivals_out_of_order_are_refused(csv_file: Write) -> None:
    """Equal times are in order; a time before the one above is refused at its line."""
    path = csv_file("at_seconds\n5\n5\n4.999999\n")
    expected = "arrivals.csv:4:1: this arrival is earlier than the one before: sort the file by time"
    assert refusal(lambda: read_arrivals(path, CLOCK), path) == expected


# Standard Workload Format

HEADER = """\
; Version: 2.2
; Computer: Plate scanner
;
; UnixStartTime: 749458803
; MaxProcs: 128
; StartTime: Fri Oct 01 00:00:03 1993
; Note: first
; Note:   second
;       and more of it
"""


def record(job: int, submit: str, **given: str) -> str:
    """Write one record whose other fields are unknown: wait, run, allocated, requested, status."""
    fields = [str(job), submit] + ["-1"] * 16
    for name, place in (("wait", 3), ("run", 4), ("allocated", 5), ("cpu", 6), ("requested", 8), ("status", 11)):
        fields[place - 1] = given.get(name, "-1")
    return " ".join(fields) + "\n"


def test_workload_records_are_read_whole(swf_file: Write) -> None:
    """The fields of a record reach the job by their place, times in ticks, -1 as None."""
    path = swf_file(HEADER + "  7  100 \t 2.5 1451 128 3.25 -1 64 3600 -1 1 4 5 6 0 1 -1 -1\n")
    assert list(read_workload(path)) == [
        WorkloadJob(
            line=10,
            number=7,
            submitted=100 * SECOND,
            waited=2_500_000,
            ran=1451 * SECOND,
            processors=128,
            requested_processors=64,
            requested_time=HOUR,
            status=1,
            user=4,
            group=5,
            application=6,
            queue=0,
        )
    ]


def test_what_a_record_does_not_know_is_none(swf_file: Write) -> None:
    """Every field but the job number may be unknown."""
    (job,) = read_workload(swf_file(record(1, "-1")))
    assert job == WorkloadJob(1, 1, *[None] * 11)


def test_workload_headers_are_read(swf_file: Write) -> None:
    """Labelled comments at the head are given by label, repeated ones joined, and nothing after the first record."""
    path = swf_file(HEADER + "\n" + record(1, "0") + "; MaxProcs: 1\n")
    assert workload_header(path) == {
        "Version": "2.2",
        "Computer": "Plate scanner",
        "UnixStartTime": "749458803",
        "MaxProcs": "128",
        "StartTime": "Fri Oct 01 00:00:03 1993",
        "Note": "first\nsecond",
    }
    assert workload_header(swf_file("; MaxJobs: 0\n")) == {"MaxJobs": "0"}


def test_workload_arrivals(swf_file: Write) -> None:
    """A record is an arrival with its run time and processors, asked for or else given; parts of a job are none."""
    path = swf_file(
        HEADER
        + record(1, "0", run="1451", allocated="128", requested="64", status="1")
        + "; a comment between, and a blank line\n\n"
        + record(2, "1460.5", run="0", allocated="32", status="0")
        + record(2, "1460.5", run="10", status="2")
        + record(2, "-1", run="10", status="3")
        + record(2, "-1", run="10", status="4")
        + record(3, "2000", status="5").replace(" ", "\t")
    )
    assert list(read_arrivals(path, CLOCK)) == [
        Arrival(0, 10, takes=1451 * SECOND, parameters=(("processors", "64"),), job="1"),
        Arrival(1_460_500_000, 13, takes=0, parameters=(("processors", "32"),), job="2"),
        Arrival(2000 * SECOND, 17, job="3"),
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("1 2 3\n", ":1:1: 3 fields: a record of this format has 18"),
        (record(1, "0").strip() + " 0\n", ":1:1: 19 fields: a record of this format has 18"),
        (
            record(1, "0") + record(2, "soon"),
            ":2:3: field 2 (submit time): 'soon' is not a number (-1 stands for unknown)",
        ),
        (record(1, "0", cpu="nan"), ":1:14: field 6 (average CPU time): 'nan' is not a number (-1 stands for unknown)"),
        (record(1, "0", requested="1.5"), ":1:20: field 8 (requested processors): '1.5' is not a whole number"),
        (record(1, "99999999999"), ":1:3: field 2 (submit time): more than 100 years"),
        (record(-1, "0"), ":1:1: field 1 (job number): a job needs one"),
        (record(1, "-1"), ":1:1: the submit time (field 2) is unknown: a job needs one"),
        (
            record(1, "5") + record(2, "4"),
            ":2:1: this arrival is earlier than the one before: sort the file by time",
        ),
    ],
)
def test_wrong_records_are_refused_with_their_line(swf_file: Write, content: str, message: str) -> None:
    """The first wrong record of a log is refused with its line, its field and what is wrong."""
    path = swf_file(content)
    assert refusal(lambda: read_arrivals(path, CLOCK), path) == f"log.swf{message}"


def test_whole_numbers_may_be_written_with_decimals(swf_file: Write) -> None:
    """Some logs write 64.0 for 64."""
    (job,) = read_workload(swf_file(record(1, "0", requested="64.0")))
    assert job.requested_processors == 64


# Both


@pytest.mark.parametrize("name", ["trace.txt", "trace", "trace.swf.gz"])
def test_other_files_are_refused(tmp_path: Path, name: str) -> None:
    """The ending of the name tells the format, and other endings are refused."""
    ending = Path(name).suffix
    with pytest.raises(
        ScenarioError,
        match=rf"{name}: wrong-trace: a trace of the kind '{ending}' is not known: name it \.csv or \.swf$",
    ):
        read_arrivals(tmp_path / name, CLOCK)


@pytest.mark.parametrize("name", ["missing.csv", "missing.SWF"])
def test_a_missing_file_is_refused(tmp_path: Path, name: str) -> None:
    """A file that cannot be read is one problem with the reason."""
    path = tmp_path / name
    assert refusal(lambda: read_arrivals(path, CLOCK), path) == f"{name}: cannot be read: No such file or directory"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "head", "line"),
    [("t.csv", "at_seconds,key\n", "{},a" + " " * 300), ("t.swf", "; x\n", "{0} {0}" + " -1" * 16 + " " * 300)],
)
def test_a_trace_is_never_held_in_memory(tmp_path: Path, name: str, head: str, line: str) -> None:
    """A trace of a megabyte takes a fraction of that at a time."""
    path = put(tmp_path / name, head + "".join(line.format(n) + "\n" for n in range(3_500)))
    tracemalloc.start()
    count = sum(1 for _ in read_arrivals(path, CLOCK))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (count, peak < 300_000, path.stat().st_size > 1_000_000) == (3_500, True, True)
