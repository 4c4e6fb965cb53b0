"""Reading a log: filters, states of jobs, what is refused, and the exact statements."""

import asyncio
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_rows import ABOUT, any_row, some_rows, write
from small_place import SCENARIO

import emulator
from emulator.errors import InputError, LogError
from emulator.record import sqlite_log
from emulator.record.events import Row, read
from emulator.record.export import digest
from emulator.record.log_reader import JobState, Log, open_log
from emulator.version import VERSION

ROWS: list[Row] = [
    (0, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 1, "", 0, "", 0),
    (0, "submitted", 0, 2, "", "queued_held", "copy", "night", "plates", 2, "", 0, "not_due", 0),
    (0, "submitted", 0, 3, "", "queued", "copy", "night", "plates", 3, "", 0, "", 0),
    (5, "handed_out", 1, 1, "dome-1", 1, 1, 95, 1),
    (5, "handed_out", 3, 3, "dome-2", 1, 2, 95, 1),
    (6, "suspended", 5, 3, "dome-2", 2),
    (9, "finished", 4, 1, "dome-1", "failed", "permanent_error", "no such plate", 1),
    (9, "queue_held", 0, 0, "", "night"),
]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "night.qdlog"
    asyncio.run(write(path, ROWS))
    return path


def change(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()


def test_a_finished_log_gives_back_the_run(log: Path) -> None:
    """Everything that was said of the run and every row comes back as it was given."""
    found = open_log(log)
    assert (found.meta, found.seed, found.scenario_text) == (ABOUT, ABOUT.seed, ABOUT.scenario_text)
    assert (found.finished, found.event_count, found.digest) == (True, len(ROWS), digest(ROWS))
    assert found.in_words() == f"{log}: a finished run of 8 events"
    assert list(found.rows()) == ROWS
    assert list(found.events()) == list(read(ROWS))
    found.verify()


@pytest.mark.parametrize(
    ("wanted", "numbers"),
    [
        ({}, [1, 2, 3, 4, 5, 6, 7, 8]),
        ({"job": 1}, [1, 4, 7]),
        ({"job": 0}, [8]),
        ({"worker": "dome-2"}, [5, 6]),
        ({"kinds": ["handed_out", "finished"]}, [4, 5, 7]),
        ({"kinds": []}, []),
        ({"from_": 5, "until": 9}, [4, 5, 6]),
        ({"from_": 9}, [7, 8]),
        ({"job": 1, "kinds": {"handed_out"}, "worker": "dome-1", "from_": 5, "until": 6}, [4]),
    ],
)
def test_filters(log: Path, wanted: dict[str, object], numbers: list[int]) -> None:
    """A question with several conditions gives the events that satisfy all of them, with their own numbers."""
    found = open_log(log)
    assert list(found.numbered(**wanted)) == [(number, ROWS[number - 1]) for number in numbers]
    assert list(found.rows(**wanted)) == [ROWS[number - 1] for number in numbers]
    assert [event.number for event in found.events(**wanted)] == numbers


def test_what_is_not_there_is_told(log: Path) -> None:
    """Whoever asks by numbers alone gets none for a job that is not there; in words it is refused, for a worker too."""
    found = open_log(log)
    assert list(found.numbered(job=99)) == []
    for ask in (found.events, found.rows):
        with pytest.raises(LogError, match=r"there is no job 99: the jobs of this night are 1 to 3$"):
            ask(job=99)
        with pytest.raises(LogError, match=r"no event names a worker 'dome-9': did you mean 'dome-"):
            ask(worker="dome-9")


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Log:
    """A log of a real night: two jobs of ten minutes from 21:35 on."""
    path = tmp_path_factory.mktemp("log") / "night.qdlog"
    emulator.run(emulator.load_text(SCENARIO.replace("count: 2,", "name: plates, count: 2,")), log=path)
    return open_log(path)


@pytest.mark.parametrize(
    ("words", "plain"),
    [
        ({"job": "plates#2"}, {"job": 2}),
        ({"job": "2"}, {"job": 2}),
        ({"from_": "21:45"}, {"from_": 15 * 60_000_000}),
        ({"until": "+15m"}, {"until": 15 * 60_000_000}),
        ({"from_": "2026-06-12T21:35:00", "until": 15 * 60_000_000}, {"from_": 300_000_000, "until": 900_000_000}),
        (
            {"job": "plates#1", "worker": "dome-1", "kinds": {"handed_out"}, "until": "21:45"},
            {"job": 1, "kinds": ["handed_out"]},
        ),
    ],
)
def test_events_are_asked_for_as_by_the_command(night: Log, words: dict[str, Any], plain: dict[str, Any]) -> None:
    """A job by its entry and number, a moment as in a scenario file: the same events as by number and tick."""
    expected = list(night.numbered(**plain))
    assert expected
    assert [event.number for event in night.events(**words)] == [number for number, _ in expected]
    assert list(night.rows(**words)) == [row for _, row in expected]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"job": "plates#3"}, "the last job of plates in this night is plates#2"),
        ({"job": "platse#1"}, "no job came from an entry 'platse': did you mean 'plates'?"),
        ({"job": 2.0}, "job: found 2.0: give a job: its number, or its entry and number, such as 'plates#3'"),
        ({"worker": 1}, "worker: found 1: give a text"),
        ({"kinds": "finished"}, "kinds: found the text 'finished': give a list, `kinds=['finished']`"),
        ({"kinds": ["finihsed"]}, "there is no event of the kind 'finihsed': did you mean 'finished'?"),
        ({"from_": "soon"}, 'from_: \'soon\' is not a time: write "21:40", "+2h30m" or 2026-06-12T21:40:00'),
        ({"from_": 1.5}, "from_: found 1.5: give a moment such as '21:40' or '+2h30m', or a tick"),
        (
            {"from_": "+3h"},
            "from_ +3h: the night is over by then: it lasts 2h, from 2026-06-12 21:30 to 2026-",
        ),
        (
            {"from_": "22:00", "until": "21:50"},
            "until 21:50: comes before from_ 22:00, or with it: nothing lies",
        ),
    ],
)
def test_what_cannot_be_there_is_refused_in_words(night: Log, words: dict[str, Any], said: str) -> None:
    """Nobody is given nothing for a slip of the pen: it is an error that says what is meant instead."""
    with pytest.raises(InputError) as caught:
        night.events(**words)
    assert said in str(caught.value)


def test_events_of_some_workers_and_heads(log: Path) -> None:
    """Several workers may be asked for at once; heads are events without their details."""
    found = open_log(log)
    asked = found.numbered(kinds=["handed_out", "finished"], workers={"dome-1", "dome-3"})
    assert list(asked) == [(4, ROWS[3]), (7, ROWS[6])]
    heads = [(4, (5, "handed_out", 1, 1, "dome-1")), (5, (5, "handed_out", 3, 3, "dome-2"))]
    assert list(found.heads(["handed_out", "finished"], up_to=6)) == heads


def test_a_misspelt_kind_is_refused(log: Path) -> None:
    """Asking for a kind that does not exist names the nearest one."""
    with pytest.raises(LogError) as caught:
        list(open_log(log).rows(kinds=["handed-out"]))
    assert str(caught.value) == "there is no event of the kind 'handed-out': did you mean 'handed_out'?"


def test_the_view_shows_the_state_of_each_job(log: Path) -> None:
    """The view ``jobs`` shows each job's state after its last event that tells one."""
    assert open_log(log).jobs() == [
        JobState(1, "failed", "permanent_error", 9, 7),
        JobState(2, "queued_held", "", 0, 2),
        JobState(3, "suspended", "", 6, 6),
    ]


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.lists(any_row(), max_size=30))
def test_any_rows_come_back(tmp_path_factory: pytest.TempPathFactory, rows: list[Row]) -> None:
    """Rows of every kind with whatever JSON can hold come back from the file as they were emitted.

    Their causes come before them, as the reader asks of every event.
    """
    rows = [(*row[:2], row[2] % number, *row[3:]) for number, row in enumerate(rows, 1)]
    path = tmp_path_factory.mktemp("log") / "any.qdlog"
    asyncio.run(write(path, rows, batch=7))
    assert list(open_log(path).rows()) == rows


def test_exact_statements_of_a_question(log: Path) -> None:
    """A question is asked with one read of the schema and one SELECT whose values are bound.

    With conditions two others look whether an event is missing.
    """
    statements: list[str] = []
    found = open_log(log, trace=statements.append)
    assert statements == [
        "PRAGMA application_id",
        "SELECT name, type, sql FROM sqlite_master WHERE name IN ('events', 'meta', 'schema_steps') LIMIT 4",
        "PRAGMA user_version",
        "SELECT name FROM schema_steps ORDER BY number LIMIT 100",
        "SELECT key, value FROM meta LIMIT 101",
    ]
    statements.clear()
    list(found.numbered(job=1, kinds=["finished", "handed_out"], worker="it's", from_=5, until=9))
    assert statements == [
        "PRAGMA application_id",
        "SELECT name, type, sql FROM sqlite_master WHERE name IN ('events', 'meta', 'schema_steps') LIMIT 4",
        "PRAGMA user_version",
        "SELECT name FROM schema_steps ORDER BY number LIMIT 100",
        "SELECT max(n) FROM events NOT INDEXED",
        "SELECT n FROM events NOT INDEXED ORDER BY n",
        "PRAGMA application_id",
        "SELECT name, type, sql FROM sqlite_master WHERE name IN ('events', 'meta', 'schema_steps') LIMIT 4",
        "PRAGMA user_version",
        "SELECT name FROM schema_steps ORDER BY number LIMIT 100",
        "SELECT n, at, kind, cause, job, worker, body FROM events NOT INDEXED WHERE job = 1 AND worker = 'it''s'"
        " AND at >= 5 AND at < 9 AND kind IN ('finished', 'handed_out') ORDER BY n",
    ]


def test_a_reader_changes_nothing(log: Path) -> None:
    """Reading leaves the file as it was, byte for byte, and nothing beside it."""
    before = log.read_bytes()
    found = open_log(log)
    assert list(found.rows()) == ROWS
    assert (log.read_bytes(), list(log.parent.iterdir())) == (before, [log])


def test_a_question_left_unfinished_closes_its_file(log: Path) -> None:
    """A stream of rows that is dropped half-way closes its connection (an open one would be a ResourceWarning)."""
    rows = open_log(log).rows()
    assert next(rows) == ROWS[0]
    del rows


@pytest.mark.parametrize("statement", ["UPDATE events SET at = 9 WHERE n = 1", "DELETE FROM events WHERE n = 8"])
def test_events_are_only_ever_appended(log: Path, statement: str) -> None:
    """SQLite itself refuses to change or to delete an event, whoever asks."""
    with pytest.raises(sqlite3.IntegrityError, match="events are only ever appended"):
        change(log, statement)
    assert list(open_log(log).rows()) == ROWS


def test_an_event_replaced_under_its_number_is_found(log: Path) -> None:
    """A change that gets past the triggers is found by the digest."""
    change(log, "REPLACE INTO events SELECT n, at + 1, kind, cause, job, worker, body FROM events WHERE n = 4")
    with pytest.raises(LogError) as caught:
        open_log(log).verify()
    assert str(caught.value) == f"{log}: the events are not those that the run wrote: the file was changed since"


@pytest.mark.parametrize(
    ("statements", "complaint"),
    [
        (["PRAGMA application_id = 7"], "is a SQLite file, but no event log"),
        (
            ["PRAGMA user_version = 0"],
            f"was written by queuedrill {VERSION} in log format 1, and this program reads format 3: run the scenario "
            "again",
        ),
        (
            ["PRAGMA user_version = 4", "DELETE FROM meta WHERE key = 'program_version'"],
            "was written by a version of queuedrill that it does not name in log format 4, and this program reads "
            "format 3: run the scenario again",
        ),
        (
            ["INSERT INTO schema_steps VALUES (4, 'colours')"],
            "was written by a newer version of the program (schema 4; this one knows up to 3): "
            "read it with that version",
        ),
        (
            ["DELETE FROM schema_steps WHERE number > 1"],
            "its schema (events_and_meta) is not one that this program has written",
        ),
        (["DELETE FROM schema_steps"], "its schema (none) is not one that this program has written"),
        (
            ["DELETE FROM meta WHERE key = 'seed'"],
            "what it says about its run is damaged: seed is missing: take a copy that was made before",
        ),
        (
            ["UPDATE meta SET value = 'x' WHERE key = 'seed'"],
            "what it says about its run is damaged: seed is 'x', which is no whole number: "
            "take a copy that was made before",
        ),
        (["DROP TABLE meta"], "the log cannot be read: no such table: meta"),
    ],
)
def test_what_is_no_log_of_ours_is_refused(log: Path, statements: list[str], complaint: str) -> None:
    """A SQLite file that is no log, of another format, of a newer schema, or damaged is refused with the reason."""
    change(log, *statements)
    with pytest.raises(LogError) as caught:
        open_log(log)
    assert str(caught.value) == f"{log}: {complaint}"


def test_files_that_are_no_logs_are_refused(tmp_path: Path) -> None:
    """Text, an empty file, a folder, a device, nothing at all and what is no path are each refused in words."""
    text, empty = tmp_path / "night.yaml", tmp_path / "empty.qdlog"
    text.write_text("title: A quiet night\n" * 100)
    empty.touch()
    complaints = []
    for path in (text, empty, tmp_path, "/dev/null", tmp_path / "absent.qdlog", 5):
        with pytest.raises(LogError) as caught:
            open_log(path)  # type: ignore[arg-type]  # as those write who have no annotations in view
        complaints.append(str(caught.value))
    assert complaints == [
        f"{text}: the log cannot be read: not an event log of this program (`run --log` writes one) "
        "(file is not a database)",
        f"{empty}: it is empty, not an event log of this program (`run --log` writes one)",
        f"{tmp_path}: it is a folder: name a log in it",
        "/dev/null: it is a device or a pipe: name a file",
        f"{tmp_path}/absent.qdlog: there is no such file",
        "path: found a value of type int: give the path of a log",
    ]


def test_a_damaged_page_is_reported(tmp_path: Path) -> None:
    """A file whose pages were overwritten raises LogError when they are read, not a traceback of SQLite."""
    path = tmp_path / "night.qdlog"
    asyncio.run(write(path, some_rows(3_000)))
    content = bytearray(path.read_bytes())
    content[8 * 4096 :] = b"\xff" * (len(content) - 8 * 4096)
    path.write_bytes(content)
    with pytest.raises(LogError, match="damaged"):
        list(open_log(path).rows())


def test_a_damaged_event_is_named(log: Path) -> None:
    """An event whose details are not those of its kind is named."""
    change(log, """INSERT INTO events VALUES (9, 9, 'queue_held', 0, 0, '', '{"q":1}')""")
    with pytest.raises(LogError) as caught:
        list(open_log(log).rows())
    assert (
        str(caught.value) == f"{log}: event 9 is damaged: "
        """{"q":1} is not what an event of the kind 'queue_held' carries"""
    )


def test_names_with_special_characters(tmp_path: Path) -> None:
    """A log whose name means something in a URI is read all the same."""
    path = tmp_path / "50% of #1? night.qdlog"
    asyncio.run(write(path, ROWS))
    assert list(open_log(path).rows()) == ROWS


def test_schema_steps_are_noted_one_by_one(log: Path) -> None:
    """The steps that made the schema stand in the file by number and name; only later ones are ever taken."""
    with closing(sqlite3.connect(log)) as connection:
        assert connection.execute("SELECT number, name FROM schema_steps").fetchall() == [
            (1, "events_and_meta"),
            (2, "append_only"),
            (3, "state_of_jobs"),
        ]
        statements: list[str] = []
        connection.set_trace_callback(statements.append)
        sqlite_log._apply_steps(connection)
    assert statements == [
        "CREATE TABLE IF NOT EXISTS schema_steps (number INTEGER PRIMARY KEY, name TEXT NOT NULL)",
        "SELECT count(*) FROM schema_steps",
    ]
