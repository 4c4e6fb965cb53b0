"""Events in memory: packed where they are old, and the same rows for whoever reads them."""

import gc
import pickle
import tracemalloc
from pathlib import Path

import pytest

from emulator import from_settings, run
from emulator.experiment.night import run_night
from emulator.record.buffer import EventBuffer
from emulator.record.events import Emit, Row, emitter
from emulator.record.kinds import BEGUN, COMPOUND, ENDED_WELL, QUEUED
from emulator.record.recorder import Both, Recorder
from emulator.scenario.load import load

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted((ROOT / "scenarios").glob("*.yaml"))


def rows_of(count: int) -> list[Row]:
    """Rows of every type that a detail may have: 1, 1.0 and True are equal, and not the same."""
    values = (1, 1.0, True, "", "Größe \ud800", 2**70, -1, False)
    return [(tick, "x", tick - 1, 0, "", values[tick % 8], {"said": "a", "most": tick}) for tick in range(count)]


def buffer_of(rows: list[Row]) -> EventBuffer:
    kept = EventBuffer()
    read: list[Row] = []
    for number, row in enumerate(rows, 1):
        assert kept.emit(row) == number
        read += kept.read_on(3)
        assert len(read) == number - number % 3
    return kept


@pytest.mark.parametrize("count", [0, 1, 3, 4, 5, 8, 11])
def test_a_buffer_reads_like_the_rows_that_were_written(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """Before, at and after the ends of packed stretches: by place, by slice, forwards, backwards, with exact types."""
    monkeypatch.setattr(EventBuffer, "LONG", 4)
    rows = rows_of(count)
    found = buffer_of(rows)
    assert (len(found), list(found), list(reversed(found))) == (count, rows, rows[::-1])
    assert [list(map(type, row)) for row in found] == [list(map(type, row)) for row in rows]
    assert [found[place] for place in range(-count, count)] == rows + rows
    assert [found[low:high:step] for low in (0, 2, -3) for high in (5, None) for step in (1, 3, -1)] == [
        rows[low:high:step] for low in (0, 2, -3) for high in (5, None) for step in (1, 3, -1)
    ]
    for beyond in (count, -count - 1):
        with pytest.raises(IndexError, match=f"there are {count} events"):
            found[beyond]
    assert (found == rows, found == tuple(rows), found == [*rows, rows_of(1)[0]], found == 3) == (
        True,
        True,
        False,
        False,
    )
    assert found == buffer_of(rows) == pickle.loads(pickle.dumps(found))
    assert repr(found) == f"<{count} events>"


def test_rows_that_cannot_be_packed_stay_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """A text of a class of somebody's own is given back as it was."""

    class Text(str):
        pass

    monkeypatch.setattr(EventBuffer, "LONG", 2)
    rows: list[Row] = [(1, "x", 0, 0, "", Text("a")), (2, "x", 0, 0, "", "b"), (3, "x", 0, 0, "", "c")]
    found = buffer_of(rows)
    assert (list(found), type(found[0][5])) == (rows, Text)
    assert pickle.loads(pickle.dumps(buffer_of(rows[1:]))) == rows[1:]


ORDINARY: list[Row] = [
    (5, QUEUED, 0, 1, "", ("copy", "night", "plates", 2), 7),
    (5, "queue_held", 1, 0, "", "night"),
    (9, BEGUN, 0, 1, "dome-1", 1, 4, 99, 3),
    (20, ENDED_WELL, 4, 1, "dome-1", 1, 4),
    (21, "queue_released", 7, 0, "", "night"),
]
APART: list[Row] = [
    (5, "submitted", 0, 1, "", "queued", "copy", "night", "plates", 7, "", 2, "", 0),
    (5, "queue_held", 1, 0, "", "night"),
    (9, "handed_out", 0, 1, "dome-1", 1, 4, 99, 3),
    (9, "work_began", 0, 1, "dome-1", 1, 4),
    (20, "work_stopped", 4, 1, "dome-1", 1, 4, "finished"),
    (20, "attempt_ended", 5, 1, "dome-1", 1, 4, "ok", "", 20),
    (20, "finished", 6, 1, "", "done", "", "", 1),
    (21, "queue_released", 7, 0, "", "night"),
]
"""The events of the rows above, written out by hand: an event names that before it of the same row as its cause."""


def written(emit: Emit) -> list[int]:
    return [emit(row, COMPOUND[row[1]].events if row[1] in COMPOUND else 1) for row in ORDINARY]


@pytest.mark.parametrize("long", [1, 2, 3, 100])
def test_a_compound_row_is_read_as_its_events(monkeypatch: pytest.MonkeyPatch, long: int) -> None:
    """A buffer is read by event, wherever its packed stretches end; who folds its rows is given them as they are."""
    monkeypatch.setattr(EventBuffer, "LONG", long)
    kept = EventBuffer()
    assert written(emitter(kept)) == [1, 2, 4, 7, 8]
    assert (kept.read_on(), kept.read_on()) == (ORDINARY, [])
    assert (len(kept), list(kept), [kept[place] for place in range(8)], kept[-3:]) == (8, APART, APART, APART[-3:])
    again = pickle.loads(pickle.dumps(kept))
    assert (list(again), again.emit((22, "broker_down", 0, 0, "")), again[8][1]) == (APART, 9, "broker_down")


def test_a_buffer_that_keeps_nothing_gives_each_row_once() -> None:
    kept = EventBuffer()
    numbers = written(emitter(kept))
    assert (kept.read_on(6, keep=False), kept.read_on(5, keep=False), kept.read_on(keep=False)) == ([], ORDINARY, [])
    assert (numbers[-1], kept.emit((22, "broker_down", 0, 0, ""))) == (8, 9)
    assert kept.read_on() == [(22, "broker_down", 0, 0, "")]


def test_a_sink_that_takes_no_compound_rows_is_given_their_events() -> None:
    """A recorder gets each event by itself, and so does one beside a buffer that takes rows as they are."""
    alone, beside, kept = Recorder(), Recorder(), EventBuffer()
    assert written(emitter(alone)) == written(emitter(Both(beside, kept))) == [1, 2, 4, 7, 8]
    assert alone.rows == beside.rows == list(kept) == APART


@pytest.mark.parametrize("path", SCENARIOS[:6], ids=lambda path: path.stem)
def test_a_night_keeps_the_rows_that_it_wrote(monkeypatch: pytest.MonkeyPatch, path: Path) -> None:
    """What is kept of a night in packed stretches is what is kept of it in one piece."""
    whole = run_night(load(path), keep_events=True).rows
    monkeypatch.setattr(EventBuffer, "LONG", 16)
    assert whole is not None
    assert len(whole) > 16
    assert run_night(load(path), keep_events=True).rows == list(whole)


@pytest.mark.slow
def test_a_job_that_is_kept_with_its_events_takes_at_most_700_bytes() -> None:
    """A night of 20,000 jobs on three workers, in bytes that Python has asked for and not given back."""
    settings = {
        "title": "Kept",
        "starts": "2026-01-01T00:00:00",
        "lasts": "100000s",
        "queues": {"q": {"lease": "1000s"}},
        "pools": {"p": {"count": 3, "serves": ["q"], "poll": "0s"}},
        "routines": {"r": {"queue": "q", "parts": [{"name": "a", "takes": {"law": "exponential", "mean": "10s"}}]}},
        "arrivals": [{"routine": "r", "name": "e", "every": "4s", "until": "+80000s"}],
    }
    loaded = from_settings(settings)
    run(loaded, keep_events=False)  # what is made once is made
    gc.collect()
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        night = run(loaded)
        gc.collect()
        after, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert night.rows is not None
    assert len(night.rows) > 6 * 20_000
    assert (after - before) / 20_000 <= 700
