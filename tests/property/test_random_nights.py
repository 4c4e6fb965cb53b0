"""Random nights of every kind keep what a queue with leases promises, the same in both modes of heartbeats."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from random_nights.checker import Broken, check
from random_nights.generator import night
from random_nights.keys import all_keys, keys_used
from random_nights.play import MODES, difference, loaded, play

import emulator
from emulator.record.events import DETAILS, Event, Row
from emulator.record.fold import fold
from emulator.record.recorder import Recorder
from emulator.scenario.schema import schema
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

NIGHTS = range(1, 301)
LOGGED = NIGHTS[::5]

Finding = tuple[int, str, Broken]


def findings(numbers: range) -> Iterator[Finding]:
    """Play nights in both modes; give what either breaks, and where the two differ."""
    for number in numbers:
        settings = night(number)
        said = loaded(settings)
        rows = {mode: play(said, number, mode) for mode in MODES}
        yield from ((number, "both", one) for one in difference(rows["computed"], rows["simulated"]))
        for mode in MODES:
            yield from ((number, mode, one) for one in check(settings, rows[mode], mode))


def test_nights_use_every_key_of_the_format() -> None:
    """Whatever a scenario may state is stated in some of the nights."""
    said = schema()
    used = set().union(*(keys_used(said, night(number)) for number in NIGHTS))
    assert all_keys(said) - used == set()


@pytest.mark.slow
def test_both_modes_of_heartbeats_keep_every_promise_and_agree_on_every_event() -> None:
    """In every night the events of both modes are the same, heartbeats apart, and break no promise."""
    assert list(findings(NIGHTS)) == []


@pytest.mark.slow
def test_nights_have_nearly_every_kind_of_event() -> None:
    """What the nights are made of makes every kind of event there is, but those that only real code makes."""
    kinds = {row[1] for number in NIGHTS for row in play(loaded(night(number)), number, "simulated")}
    assert set(DETAILS) - kinds == {"handed_back"}  # modelled workers begin whatever they get


@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_folding_the_events_gives_the_state_of_the_broker(mode: str) -> None:
    """The events tell all that the broker holds to be true, whatever went wrong."""
    for number in NIGHTS[::3]:
        recorder, agenda = Recorder(), Agenda()
        world = World(loaded(night(number)), number, agenda, recorder, heartbeats=mode)
        world.start()
        world.run()
        world.close()
        assert fold(recorder.rows) == world.broker.snapshot()
        unfinished = {row[3] for row in recorder.rows if row[1] == "submitted"}
        unfinished -= {row[3] for row in recorder.rows if row[1] == "finished"}
        assert unfinished == set(world.explanations())


@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_a_log_holds_the_same_night(tmp_path: Path, mode: str) -> None:
    """A night that is written to a log gives the same events as one that is not, and the log adds up."""
    for number in LOGGED:
        settings = night(number)
        said = loaded(settings)
        path = tmp_path / f"{number}-{mode}.qdlog"
        emulator.run(said, seed=number, log=path, heartbeats=mode, keep_events=False)
        log = emulator.open_log(path)
        log.verify()
        rows = [as_written(event) for event in log.events()]
        assert rows == play(said, number, mode)
        assert check(settings, rows, mode) == []


def as_written(event: Event) -> Row:
    return (event.at, event.kind, event.cause, event.job, event.worker, *event.details.values())
