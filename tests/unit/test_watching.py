"""A night under the eyes of somebody who presses keys: the same events as any other."""

from collections.abc import Iterable
from pathlib import Path

import pytest

import emulator
from emulator.errors import LogError
from emulator.experiment.night import run_night
from emulator.record.log_reader import open_log
from emulator.report.watching import StoppedError, faults_ahead, told_night, watch_night
from emulator.scenario.load import Loaded, from_settings, load
from emulator.show.watch import Ahead, Sight, picture
from emulator.timeline.ticks import MINUTE

SCENARIOS = Path(emulator.__file__).parent.parent / "scenarios"

SETTINGS = {
    "title": "Two copies, one power cut",
    "starts": "2026-06-12T21:30:00",
    "zone": "America/Santiago",
    "lasts": "1h",
    "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 3, "pause": "constant", "first": "20s"}}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "20s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    "arrivals": [{"routine": "copy", "name": "copies", "count": 2, "at": "21:35"}],
    "faults": [{"power_off": "dome-1", "at": "21:37", "back_after": "5m"}],
}


class Scripted:
    """A viewer whose keys come one at each look, and whose clock goes on by a tenth of a second at each look."""

    def __init__(self, keys: str) -> None:
        self._keys = iter(keys)
        self._now = 0
        self.sights: list[tuple[int, bool, str, str]] = []
        self.last: list[str] = []

    def clock(self) -> int:
        return self._now

    def keys(self, seconds: float) -> Iterable[str]:
        self._now += 100_000
        key = next(self._keys, "e")
        return [] if key == "." else [key]

    def show(self, sight: Sight) -> None:
        self.sights.append((sight.now, sight.paused, sight.aim, sight.message))
        self.last = ["".join(span.text for span in line).rstrip() for line in picture(sight, 80, 24)]


@pytest.fixture
def loaded() -> Loaded:
    return from_settings(SETTINGS)


@pytest.mark.parametrize("keys", ["", "f", "nnnn+++...--- n.f .e", " n n n n", "ffff ", "........+....-"])
def test_keys_never_change_what_happens(loaded: Loaded, keys: str) -> None:
    """Whatever keys are pressed, the events are those of a run, and so is the verdict."""
    ran = run_night(loaded, keep_events=True)
    seen = watch_night(loaded, Scripted(keys), keep_events=True)
    assert (seen.rows, seen.digest(), seen.summary()) == (ran.rows, ran.digest(), ran.summary())


@pytest.mark.slow
@pytest.mark.parametrize("name", ["zombie-writes-twice", "worker-lost-mid-run"])
def test_a_watched_log_is_that_of_a_run(name: str, tmp_path: Path) -> None:
    """The log of a watched night exports to the same bytes as that of a run, with another seed too."""
    scenario = load(SCENARIOS / f"{name}.yaml")
    run_night(scenario, seed=7, log=tmp_path / "ran.db")
    watch_night(scenario, Scripted("f.n. .+n.f"), seed=7, log=tmp_path / "seen.db")
    ran, seen = (open_log(tmp_path / log) for log in ("ran.db", "seen.db"))
    assert list(ran.rows()) == list(seen.rows())
    assert ran.digest == seen.digest  # of the JSON Lines


def test_a_step_goes_to_the_next_event_of_note_and_no_further(loaded: Loaded) -> None:
    """The arrival at 21:35, the power cut at 21:37, its end at 21:42: each step stops at its instant, paused."""
    viewer = Scripted("n.n.n")
    watch_night(loaded, viewer)
    stops = [now // MINUTE for now, paused, _, _ in viewer.sights if paused]
    assert list(dict.fromkeys(stops))[:2] == [5, 7]


def test_a_jump_goes_to_the_fault(loaded: Loaded) -> None:
    """The first jump stops at 21:37 with the fault in force; the second finds none and pauses before the end."""
    viewer = Scripted("f.f..e")
    watch_night(loaded, viewer)
    paused = list(dict.fromkeys((now, said) for now, stopped, _, said in viewer.sights if stopped))
    assert paused == [(7 * MINUTE, ""), (60 * MINUTE - 1, "no fault comes any more: space or e ends the night")]


def test_the_speed_is_kept(loaded: Loaded) -> None:
    """At the usual 60 times real time each tenth of a second shows six seconds more."""
    viewer = Scripted("....e")
    watch_night(loaded, viewer)
    assert [now // 1_000_000 for now, *_ in viewer.sights[:5]] == [0, 6, 12, 18, 24]


def test_stopping_tells_where(loaded: Loaded) -> None:
    """Whoever stops gets no result but the instant that the night had come to."""
    with pytest.raises(StoppedError) as stopped:
        watch_night(loaded, Scripted("f.q"))
    assert stopped.value.at == 7 * MINUTE


def test_a_log_that_cannot_be_made_is_told_before_anything_is_shown(loaded: Loaded, tmp_path: Path) -> None:
    """A path in a folder that is not there is an error at once."""
    viewer = Scripted("")
    with pytest.raises(LogError):
        watch_night(loaded, viewer, log=tmp_path / "none" / "a.db")
    assert viewer.sights == []


def test_plain_lines_tell_the_night(loaded: Loaded) -> None:
    """Without a terminal each notable event is a line with its clock time; the events are those of a run."""
    lines: list[str] = []
    told = told_night(loaded, lines.append, keep_events=True)
    assert told.rows == run_night(loaded, keep_events=True).rows
    assert "".join(lines) == (
        "2026-06-12, America/Santiago (UTC-04:00)\n"
        "21:30:00  The run began, with seed 1\n"
        "21:35:00  copies#1 was submitted to the queue night (routine copy)\n"
        "21:35:00  copies#2 was submitted to the queue night (routine copy)\n"
        "21:35:00  dome-1 took copies#1, attempt 1\n"
        "21:37:00  A fault began: power off of dome-1\n"
        "21:37:00  dome-1 was off (power lost)\n"
        "21:37:00  dome-1 stopped its work on attempt 1 of copies#1: power lost\n"
        "21:38:10  Attempt 1 of copies#1 on dome-1 ended: lease lost (lease ran out)\n"
        "21:38:10  copies#1 was requeued, to be tried again at 21:38:30\n"
        "21:42:00  A fault ended: power off of dome-1\n"
        "21:42:00  dome-1 was switched on\n"
        "21:42:00  dome-1 took copies#1, attempt 2\n"
        "21:52:00  copies#1 was done after 2 attempts\n"
        "21:52:00  dome-1 took copies#2, attempt 1\n"
        "22:02:00  copies#2 was done after 1 attempt\n"
        "22:30:00  The run ended\n"
    )


def test_known_faults_are_told_ahead() -> None:
    """Faults with a stated time stand in their order; random ones are announced as such, poison not at all."""
    faults = [
        {"freeze": "dome", "at": "22:10", "lasts": "1m"},
        {"broker_outage": True, "from": "21:50", "until": "21:55"},
        {"power_off": "dome-1", "gaps": "2h", "back_after": "1m"},
        {"poison_job": "copies#1"},
    ]
    assert faults_ahead(from_settings({**SETTINGS, "faults": faults}).scenario) == (
        (Ahead(20 * MINUTE, "broker_outage", "broker"), Ahead(40 * MINUTE, "freeze", "dome")),
        True,
    )
    assert faults_ahead(from_settings({**SETTINGS, "faults": []}).scenario) == ((), False)
