"""``queuedrill trail``: the events of a log, filtered, with their causes, in three forms, and of a run that goes on."""

import csv
import hashlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from small_place import SCENARIO, Ended

from emulator.cli.main import answer
from emulator.record.log_reader import open_log
from emulator.show.layout import columns


@pytest.fixture
def trail(faulty_log: Path, queuedrill: Callable[..., Ended]) -> Callable[..., Ended]:
    """Call ``trail night.db`` with arguments."""
    return partial(queuedrill, "trail", "night.db")


def test_the_trail_of_a_log_is_its_export(trail: Callable[..., Ended], faulty_log: Path) -> None:
    """As JSON Lines, the whole trail is the export whose digest the log keeps."""
    ended = trail("--as", "jsonl")
    assert (ended.code, ended.err) == (0, "")
    assert hashlib.sha256(ended.out.encode()).hexdigest() == open_log(faulty_log).digest


def test_a_table_tells_every_fact(trail: Callable[..., Ended]) -> None:
    """Each event has its number, clock time, tick, cause and all its details; what does not fit goes on below."""
    ended = trail("--job", "copies#1", "--kind", "handed_out", "--until", "21:40")
    assert ended == Ended(
        0,
        "event  time            tick  cause  what\n"
        "2026-06-12, America/Santiago (UTC-04:00)\n"
        "    7  21:35:00   300000000      -  handed_out job=1 name=copies#1 worker=dome-1\n"
        "                                    attempt=1 token=1 lease_until=21:36:30\n"
        "                                    incarnation=1\n",
        "",
    )


def test_a_table_says_that_there_is_no_allowance(trail: Callable[..., Ended]) -> None:
    """Without an allowance of retries there is no number of retries left: the table says none, and a clock time."""
    assert "due=21:38:10 retries_left=none" in " ".join(trail("--kind", "requeued").out.split())


def test_every_line_of_a_table_fits_and_every_value_is_there(trail: Callable[..., Ended], faulty_log: Path) -> None:
    """No line has more than 80 columns, and no detail of any event is missing."""
    out = trail().out
    assert max(columns(line) for line in out.splitlines()) <= 80
    said = " ".join(out.split())
    names = [f"{name}=" for event in open_log(faulty_log).events() for name in event.details]
    assert {name: said.count(f" {name}") for name in names if names.count(name) > said.count(f" {name}")} == {}


def test_every_filter_leaves_what_it_says(trail: Callable[..., Ended], faulty_log: Path) -> None:
    """Conditions hold together; of two times the second is left out; kinds may be listed or repeated."""

    def numbers(*arguments: str) -> list[int]:
        return [json.loads(line)["n"] for line in trail("--as", "jsonl", *arguments).out.splitlines()]

    events = list(open_log(faulty_log).events())
    assert numbers("--job", "2") == [event.number for event in events if event.job == 2]
    assert numbers("--worker", "dome-1") == [event.number for event in events if event.worker == "dome-1"]
    kinds = ("work_began", "work_stopped", "finished")
    expected = [event.number for event in events if event.kind in kinds]
    assert numbers("--kind", "work_began,work_stopped", "--kind", "finished") == expected
    begin, end = 7 * 60_000_000, 12 * 60_000_000  # 21:37 and 21:42
    expected = [event.number for event in events if begin <= event.at < end]
    assert numbers("--from", "21:37", "--until", "+12m") == expected
    assert numbers("--job", "1", "--kind", "work_began", "--until", "21:37") == [8]


def test_causes_are_shown_back_to_the_first(trail: Callable[..., Ended], faulty_log: Path) -> None:
    """With --causes the events that led to what is asked for are there too, all of them and no others."""
    events = {event.number: event for event in open_log(faulty_log).events()}
    wanted = {number for number, event in events.items() if event.kind == "finished"}
    for number in sorted(wanted, reverse=True):
        while number:
            wanted.add(number)
            number = events[number].cause
    shown = [
        json.loads(line)["n"] for line in trail("--kind", "finished", "--causes", "--as", "jsonl").out.splitlines()
    ]
    assert (shown, len(shown) > 2) == (sorted(wanted), True)


def test_a_spreadsheet_gets_clock_times_and_names(trail: Callable[..., Ended]) -> None:
    """As CSV each event has a row: local time, tick, job, name, details as JSON; lines end as in RFC 4180."""
    out = trail("--as", "csv", "--kind", "requeued").out
    assert out.count("\r\n") == out.count("\n") == 2
    [row] = list(csv.DictReader(io.StringIO(out)))
    details = json.loads(row.pop("details"))
    assert (row.pop("event").isdecimal(), row.pop("cause").isdecimal()) == (True, True)
    assert row == {
        "time": "2026-06-12T21:38:10.000000-04:00",
        "at": "490000000",
        "kind": "requeued",
        "job": "1",
        "job_name": "copies#1",
        "worker": "",
    }
    assert sorted(details) == ["due", "retries_left", "state"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--kind", "handed_uot"], "there is no event of the kind 'handed_uot': did you mean 'handed_out'?\n"),
        (["--job", "9"], "night.db: there is no job 9: the jobs of this night are 1 to 2\n"),
        (
            ["--job", "copys#1"],
            "night.db: there is no job 'copys#1': no job came from an entry 'copys': did you mean 'copies'?\n",
        ),
        (
            ["--job", "copies#3"],
            "night.db: there is no job 'copies#3': the last job of copies in this night is copies#2\n",
        ),
        (
            ["--job", "copies"],
            "night.db: there is no job 'copies': write its number, or its arrival entry and its number in it, such as "
            '"nightly#3"; the jobs of this night are 1 to 2\n',
        ),
        (["--worker", "dom-1"], "night.db: no event names a worker 'dom-1': did you mean 'dome-1'?\n"),
        (["--from", "25:00"], "--from: '25:00' is not a time: no calendar and no clock shows it\n"),
        (["--until", "soon"], '--until: \'soon\' is not a time: write "21:40", "+2h30m" or 2026-06-12T21:40:00\n'),
        (
            ["--from", "+3h"],
            "--from +3h: the night is over by then: it lasts 2h, from 2026-06-12 21:30 to 2026-06-12 23:30\n",
        ),
        (
            ["--until", "2026-06-12T21:00:00"],
            "--until 2026-06-12T21:00:00: the night has not begun by then: from 2026-06-12 21:30 to 2026-06-12 23:30\n",
        ),
        (
            ["--from", "22:00", "--until", "21:50"],
            "--until 21:50: comes before --from 22:00, or with it: nothing lies between them\n",
        ),
    ],
)
def test_what_is_not_there_is_said(trail: Callable[..., Ended], arguments: list[str], said: str) -> None:
    """An unknown kind, job, worker or time ends with 2 and tells the nearest that there is."""
    assert trail(*arguments) == Ended(2, "", said)


def test_a_time_that_the_clock_jumps_over_is_refused(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A local time that does not exist on the night in which clocks are put forward is named as such."""
    # In America/Santiago clocks go from 24:00 on 2026-09-05 to 01:00 on the next day (zone data of the tzdata package).
    spring = SCENARIO.replace("2026-06-12", "2026-09-05").replace("lasts: 2h", "lasts: 4h")
    (place / "spring.yaml").write_text(spring)
    assert answer(["run", "--quiet", "--log", "spring.db", "spring.yaml"]) == 0
    capsys.readouterr()
    assert answer(["trail", "spring.db", "--until", "00:30"]) == 2
    assert capsys.readouterr().err == (
        "--until 00:30: the clock in America/Santiago is put forward then and never shows it: did you mean 01:30?\n"
    )


def test_nothing_found_is_said_and_no_mistake(trail: Callable[..., Ended]) -> None:
    """A filter that leaves nothing ends with 0, and says so beside the results."""
    ended = trail("--kind", "queue_held", "--as", "jsonl")
    assert ended == Ended(0, "", "night.db: no event is as asked\n")


def test_a_finished_run_is_followed_to_its_end_at_once(trail: Callable[..., Ended]) -> None:
    """Following a log that is whole shows what it holds, in wider columns, and ends."""
    ended = trail("--follow", "--as", "jsonl", "--job", "1")
    assert ended == trail("--as", "jsonl", "--job", "1")


FOLLOWED = SCENARIO.replace("takes: 10m", "takes: 10s").replace("lasts: 2h", "lasts: 10m")


def start(*arguments: str) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "emulator", *arguments]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment)


def wait_for(path: Path) -> None:
    for _ in range(3_000):
        if path.exists():
            return
        time.sleep(0.02)
    raise AssertionError(f"{path} does not come")


@pytest.mark.slow
def test_a_run_is_followed_to_its_end(place: Path) -> None:
    """The trail of a run that goes on in another process ends when the run does, and holds every event once."""
    (place / "paced.yaml").write_text(FOLLOWED)
    with start("run", "--quiet", "--pace", "300", "--log", "paced.db", "paced.yaml") as run:
        wait_for(place / "paced.db")
        with start("trail", "paced.db", "--follow", "--as", "jsonl") as follower:
            out, err = follower.communicate(timeout=60)
        assert (follower.returncode, err) == (0, b"")
        run.communicate(timeout=60)
    assert hashlib.sha256(out).hexdigest() == open_log(place / "paced.db").digest


@pytest.mark.slow
def test_ctrl_c_ends_following(place: Path) -> None:
    """Ctrl-C ends a trail with 130 and without a traceback; what was there has been shown."""
    (place / "paced.yaml").write_text(FOLLOWED)
    with start("run", "--quiet", "--pace", "1", "--log", "paced.db", "paced.yaml") as run:
        try:
            wait_for(place / "paced.db")
            with start("trail", "paced.db", "--follow", "--as", "jsonl") as follower:
                assert follower.stdout is not None
                first = follower.stdout.readline()
                follower.send_signal(signal.SIGINT)
                _, err = follower.communicate(timeout=60)
        finally:
            run.kill()
            run.communicate(timeout=60)
    assert json.loads(first)["kind"] == "run_began"
    assert (follower.returncode, err) == (130, b"queuedrill: stopped by Ctrl-C\n")


def test_following_and_looking_back_exclude_each_other(trail: Callable[..., Ended]) -> None:
    """--follow with --causes is refused, with the reason."""
    ended = trail("--follow", "--causes")
    assert (ended.code, ended.out, "leave one out" in ended.err) == (2, "", True)
