"""``queuedrill reproduce``: the same events once more, or where they part."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from emulator.experiment import night
from emulator.record.log_reader import open_log

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def log(queuedrill: Call) -> Path:
    """Give the log of a run."""
    assert queuedrill("run", "fits.yaml", "--log", "a.qdlog", "--quiet")[0] == 0
    return Path("a.qdlog")


def change(log: Path, statement: str) -> None:
    """Change a log behind the program's back, its guards against that taken off."""
    with closing(sqlite3.connect(log)) as connection, connection:
        for kind in ("update", "delete"):
            connection.execute(f"drop trigger if exists events_refuse_{kind}")
        connection.execute(statement)


def test_the_same_run_gives_identical_events(queuedrill: Call, log: Path) -> None:
    """A recorded run is reproduced to the last event, wherever its scenario has gone meanwhile."""
    Path("fits.yaml").unlink()
    count = open_log(log).event_count
    assert queuedrill("reproduce", "a.qdlog") == (0, f"The run is reproduced: {count} events, all identical.\n", "")


def test_it_names_the_first_event_that_differs(queuedrill: Call, log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where other events come than the recorded ones, the first of them is named, and the exit code is 1."""

    class Later(night.World):  # as another version of the program might
        def close(self) -> None:
            self.emit((self.scenario.lasts + 1, "run_ended", 0, 0, ""))

    monkeypatch.setattr(night, "World", Later)
    count = open_log(log).event_count
    words = f"event {count} differs in at: 7200000000 in the log, 7200000001 in the new run"
    assert queuedrill("reproduce", "a.qdlog") == (1, f"The run is not reproduced: {words}.\n", "")


def test_it_names_an_event_that_does_not_come_again(
    queuedrill: Call, log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recorded event that the new run lacks is named."""

    class Shorter(night.World):
        def close(self) -> None:
            pass

    monkeypatch.setattr(night, "World", Shorter)
    count = open_log(log).event_count
    words = f"event {count} (run_ended at 2h) is in the log alone: the new run ends before it"
    assert queuedrill("reproduce", "a.qdlog") == (1, f"The run is not reproduced: {words}.\n", "")


def test_other_versions_are_named(queuedrill: Call, log: Path) -> None:
    """A log of another version of the program or of the zone data says so."""
    change(log, "update meta set value = '0.0.9' where key = 'program_version'")
    change(log, "update meta set value = '1999a' where key = 'zone_data_version'")
    code, out, err = queuedrill("reproduce", "a.qdlog")
    meta = open_log(log).meta
    assert (meta.program_version, meta.zone_data_version) == ("0.0.9", "1999a")
    lines = out.splitlines()
    assert (code, err, len(lines)) == (0, "", 3)
    assert lines[1] == "The log was made with queuedrill 0.0.9, the new run with queuedrill 0.1.0."
    assert lines[2].startswith("The log was made with zone data 1999a, the new run with zone data 2")


def test_an_unfinished_log_is_compared_as_far_as_it_goes(queuedrill: Call, log: Path) -> None:
    """The log of a run that was killed is held against the new run up to its last event."""
    change(log, "delete from meta where key in ('finished', 'events', 'digest')")
    change(log, "delete from events where n > 5")
    assert queuedrill("reproduce", "a.qdlog") == (
        0,
        "The run is reproduced as far as the log goes: 5 events, all identical.\n"
        "The recorded run was not finished: what it did after that is not known.\n",
        "",
    )


def test_a_changed_log_is_refused(queuedrill: Call, log: Path) -> None:
    """A log whose events were changed after the run is an error of input."""
    change(log, "update events set at = at + 1 where n = 3")
    words = "a.qdlog: the events are not those that the run wrote: the file was changed since\n"
    assert queuedrill("reproduce", "a.qdlog") == (2, "", words)


def test_a_changed_trace_is_refused(queuedrill: Call) -> None:
    """A file that the recorded run read must still be what it was."""
    text = Path("fits.yaml").read_text().replace('count: 2, at: "21:35"', "trace: jobs.csv")
    Path("traced.yaml").write_text(text)
    Path("jobs.csv").write_text("at\n+5m\n")
    assert queuedrill("run", "traced.yaml", "--log", "t.qdlog", "--quiet")[0] == 0
    assert queuedrill("reproduce", "t.qdlog")[0] == 0
    Path("jobs.csv").write_text("at\n+6m\n")
    words = (
        "t.qdlog: the recorded run read another jobs.csv: the file jobs.csv was changed since, "
        "put the old one in its place to compare\n"
    )
    assert queuedrill("reproduce", "t.qdlog") == (2, "", words)


def test_what_is_no_log_is_refused(queuedrill: Call) -> None:
    """A file that is no event log ends with 2."""
    code, out, err = queuedrill("reproduce", "fits.yaml")
    assert (code, out, err.count("\n")) == (2, "", 1)
