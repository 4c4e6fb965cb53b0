"""Random nights of every kind keep what a queue with leases promises, the same in both modes of heartbeats."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from random_nights.checker import RULES, Broken, check
from random_nights.defects import DEFECTS
from random_nights.generator import night
from random_nights.keys import all_keys, keys_used
from random_nights.play import MODES, difference, job_events, loaded, play

import emulator
from emulator.record.events import DETAILS, Event, Row
from emulator.record.fold import fold
from emulator.record.recorder import Recorder
from emulator.scenario.schema import schema
from emulator.timeline.agenda import Agenda
from emulator.world.world import World

NIGHTS = range(1, 301)
LOGGED = NIGHTS[::5]
SEARCHED = range(201, 501)
"""Where a defect is looked for: 300 nights, in which each that was put back shows."""

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


# -- nothing unrelated changes a night --------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_what_has_nothing_to_do_with_it_changes_no_event_of_a_night(mode: str) -> None:
    """Not even what is due at the same instants: jobs, heartbeats and a silence of another queue, every second."""
    for number in NIGHTS[::10]:
        settings = night(number)
        alone = play(loaded(settings), number, mode)
        beside = play(loaded(with_others(settings)), number, mode)
        assert any(row[7] == "other" for row in beside if row[1] == "submitted")
        assert without_others(beside) == without_others(alone)


def with_others(settings: dict[str, Any]) -> dict[str, Any]:
    """Add a queue, a pool and a routine of their own, with jobs and heartbeats at every second."""
    other = {"count": 2, "serves": ["other"], "heartbeat": "1s", "silence": "59m"}
    return {
        **settings,
        "queues": {**settings["queues"], "other": {}},
        "pools": {**settings["pools"], "other": other},
        "routines": {**settings["routines"], "other": {"queue": "other", "parts": [{"name": "do", "takes": "1s"}]}},
        "arrivals": [*settings["arrivals"], {"routine": "other", "name": "others", "every": "1s"}],
    }


def without_others(rows: list[Row]) -> list[Row]:
    """Leave out what belongs to them, and number jobs, tokens and events anew."""
    others = {row[3] for row in rows if row[1] == "submitted" and row[7] == "other"}
    jobs: dict[int, int] = {0: 0}
    tokens: dict[int, int] = {0: 0}
    kept: list[Row] = []
    for row in job_events(rows):
        if row[3] in others or row[4].startswith("other"):
            continue
        details = list(row[5:])
        for place, name in enumerate(DETAILS[row[1]]):
            if name == "token":
                details[place] = tokens.setdefault(details[place], len(tokens))
            elif name == "resubmitted_from":
                details[place] = jobs[details[place]]
        if details and isinstance(details[-1], dict) and "job" in details[-1]:  # the values of a reason
            details[-1] = {**details[-1], "job": jobs[details[-1]["job"]]}
        kept.append((row[0], row[1], 0, jobs.setdefault(row[3], len(jobs)), row[4], *details))
    return kept


# -- what is found is found -------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.__name__)
def test_a_defect_that_is_put_back_is_found(
    defect: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every defect that the emulator has had breaks the promise that it should in one of the nights."""
    defect(monkeypatch)
    assert any(breaks(DEFECTS[defect], number) for number in SEARCHED)


def breaks(rule: str, number: int) -> bool:
    settings = night(number)
    said = loaded(settings)
    if rule == "modes":
        return bool(difference(*(play(said, number, mode) for mode in MODES)))
    return any(one.rule == rule for one in check(settings, play(said, number, "simulated"), "simulated"))


@pytest.mark.slow
def test_every_promise_is_broken_by_events_that_are_altered() -> None:
    """Each rule of the checker finds something, in altered events of good nights or in the defects above."""
    broken = set(DEFECTS.values()) - {"modes"}
    for number in NIGHTS:
        if broken == set(RULES):
            break
        settings = night(number)
        rows = play(loaded(settings), number, "simulated")
        assert check(settings, rows, "simulated") == []
        for altered in alterations(rows):
            broken |= rules_broken(settings, altered)
        for tighter in tighter_settings(settings):
            broken |= rules_broken(tighter, rows)
    assert broken == set(RULES)


def rules_broken(settings: dict[str, Any], rows: list[Row]) -> set[str]:
    try:
        return {one.rule for one in check(settings, rows, "simulated")}
    except (KeyError, IndexError, ValueError):  # an event that names what there is not
        return set()


def alterations(rows: list[Row]) -> Iterator[list[Row]]:
    """Give the events with one of each kind left out, told twice, told later, or told with another
    detail; and with all queues held from the start."""
    yield [rows[0], *((0, "queue_held", 0, 0, "", name) for name in ("night", "day")), *rows[1:]]
    by_kind: dict[str, list[int]] = {}
    for place, row in enumerate(rows):
        by_kind.setdefault(row[1], []).append(place)
    for places in by_kind.values():
        place = places[len(places) // 2]
        row, before, after = rows[place], rows[:place], rows[place + 1 :]
        yield [*before, *after]
        yield [*before, row, row, *after]
        yield [*before, (row[0] + 1, *row[1:]), *((max(each[0], row[0] + 1), *each[1:]) for each in after)]
        for at, value in enumerate(row[2:], 2):
            for other in others(value):
                yield [*before, (*row[:at], other, *row[at + 1 :]), *after]


def others(value: Any) -> list[Any]:
    if isinstance(value, bool):
        return [not value]
    return [value + 1, value - 1] if isinstance(value, int) else ["another"] if isinstance(value, str) else []


def tighter_settings(settings: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Give scenarios that forbid what happened in a night: limits that it passed, and tools that nobody has."""
    after = {"entry": settings["arrivals"][0]["name"], "number": 1}
    yield {**settings, "arrivals": [{**entry, "after": after} for entry in settings["arrivals"]]}
    yield {**settings, "routines": changed(settings["routines"], requires=["a tool that nobody has"])}
    cap = {"after": "1s"}
    for limit in ({"capacity": 0}, {"running_at_most": 1}, {"time_limit": cap}, {"matches_equipment": True}):
        yield {**settings, "queues": changed(settings["queues"], **limit)}
    retry = {"attempts_in_all": 100_000, "allowance": {"holds": 1, "refills": 0}}
    for said in (retry, {"attempts_in_all": 100_000, "total_limit": "1s"}):
        yield {**settings, "queues": changed(settings["queues"], retry=said)}


def changed(named: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {name: {**said, **more} for name, said in named.items()}
