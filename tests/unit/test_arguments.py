"""Arguments of the Python interface of the wrong kind: each is told by its name, before anything runs."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import emulator
from emulator.errors import InputError
from emulator.experiment.compare import compare_async
from emulator.testing.hunting import hunt
from emulator.testing.strategies import fault_schedules

NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "1h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "4m"}]}},
    "arrivals": [{"routine": "copy", "count": 2, "at": "21:35"}],
    "must_hold": [{"measure": "makespan", "at_most": "1h"}],
    "variants": {"two": {"pools.dome.count": 2}},
}


class Own:
    """Something that is no plain value."""


def run(**options: Any) -> Any:
    return emulator.run(NIGHT, **options)


def compare(**options: Any) -> Any:
    return emulator.compare(NIGHT, **{"nights": 2, "processes": 1, **options})


def nights(count: Any = 2, **options: Any) -> Any:
    return emulator.nights(NIGHT, count, **{"processes": 1, **options})


def size(**options: Any) -> Any:
    given = {"by": "pools.dome.count", "values": [1], "processes": 1, "nights": 2, **options}
    return emulator.size(NIGHT, **given)


def whole(argument: str, found: str) -> str:
    return f"{argument}: found {found}: give a whole number"


SLIPS: list[tuple[Callable[[], Any], str]] = [
    (lambda: run(seed="1"), whole("seed", "'1'")),
    (lambda: run(seed=1.5), whole("seed", "1.5")),
    (lambda: run(seed=True), whole("seed", "True")),
    (lambda: run(variant=["two"]), "variant: found ['two']: give a text"),
    (lambda: run(log=5), "log: found 5: give the path of a file"),
    (lambda: run(log="no-such-folder/a.qdlog", overwrite="no"), "overwrite: found 'no': give True or False"),
    (lambda: run(overwrite=None), "overwrite: found None: give True or False"),
    (lambda: run(keep_events="no"), "keep_events: found 'no': give True or False"),
    (lambda: asyncio.run(emulator.run_async(NIGHT, keep_events=0)), "keep_events: found 0: give True or False"),  # type: ignore[arg-type]
    (lambda: run(pace="fast"), "pace: found 'fast': give a number"),
    (lambda: run(progress=5), "progress: found 5: give a function"),
    (
        lambda: run(heartbeats="simulatd"),
        "heartbeats: there is no way 'simulatd' to have them: did you mean 'simulated'?",
    ),
    (lambda: asyncio.run(emulator.run_async(NIGHT, progress=5)), "progress: found 5: give a function"),  # type: ignore[arg-type]
    (lambda: emulator.load(5), "path: found 5: give the path of a file"),  # type: ignore[arg-type]
    (lambda: emulator.load_text(b"title: x"), "written: found b'title: x': give a text"),  # type: ignore[arg-type]
    (lambda: emulator.load_text("a: 1", folder=3), "folder: found 3: give the path of a folder"),  # type: ignore[arg-type]
    (lambda: emulator.load_text("a: 1", 3), "name: found 3: give a text"),  # type: ignore[arg-type]
    (lambda: emulator.from_settings({}, folder=3), "folder: found 3: give the path of a folder"),  # type: ignore[arg-type]
    (lambda: emulator.from_settings({}, None), "name: found None: give a text"),  # type: ignore[arg-type]
    (lambda: emulator.from_settings([]), "settings: found []: give a mapping"),  # type: ignore[arg-type]
    (lambda: emulator.compare(5), "5 is no scenario: give a file's path, settings, or what `load` gave"),  # type: ignore[arg-type]
    (lambda: compare(variants="two"), "variants: found the text 'two': give a list, `variants=['two']`"),
    (lambda: compare(variants=5), "variants: found 5: give a list"),
    (lambda: compare(variants=[["two"]]), "variants: found ['two'] in the list: give texts"),
    (lambda: compare(variants=[Own()]), "variants: found a value of type Own in the list: give texts"),
    (lambda: compare(variants={5: {}}), "variants: 5 names no variant: give each a name, a text that is not empty"),
    (lambda: compare(variants={"": {}}), "variants: '' names no variant: give each a name, a text that is not empty"),
    (
        lambda: compare(variants={"three": 3}),
        "variants: three is 3: give a mapping from dotted paths to values, such as {'pools.dome.count': 2}",
    ),
    (lambda: compare(baseline=["two"]), "baseline: found ['two']: give a text"),
    (lambda: compare(nights="2"), whole("nights", "'2'")),
    (lambda: compare(nights=2.5), whole("nights", "2.5")),
    (lambda: compare(nights=None, precision="5%", at_most=2.5), whole("at_most", "2.5")),
    (lambda: compare(nights=None, precision=0.05), "precision: found 0.05: give a text"),
    (lambda: compare(measures="makespan"), "measures: found the text 'makespan': give a list, `measures=['makespan']`"),
    (lambda: compare(measures=[5]), "measures: found 5 in the list: give texts"),
    (
        lambda: compare(trade_off="makespan"),
        "trade_off: found the text 'makespan': give two figures, such as ('makespan', 'failed')",
    ),
    (
        lambda: compare(trade_off=("makespan",)),
        "trade_off: found 1 of the two figures: give two, such as ('makespan', 'failed')",
    ),
    (
        lambda: compare(trade_off=("makespan", "failed", "done")),
        "trade_off: found 3 of the two figures: give two, such as ('makespan', 'failed')",
    ),
    (lambda: compare(confidence="95%"), "confidence: found '95%': give a number"),
    (lambda: compare(confidence=None), "confidence: found None: give a number"),
    (lambda: compare(first_seed=1.5), whole("first_seed", "1.5")),
    (lambda: compare(processes="2"), whole("processes", "'2'")),
    (lambda: compare(processes=None, cluster=5), "cluster: found 5: give a text"),
    (lambda: compare(results=5), "results: found 5: give the path of a file"),
    (lambda: compare(results="nights.db", resume="no"), "resume: found 'no': give True or False"),
    (lambda: compare(progress=5), "progress: found 5: give a function"),
    (lambda: asyncio.run(compare_async(NIGHT, progress=5)), "progress: found 5: give a function"),
    (lambda: nights("3"), whole("count", "'3'")),
    (lambda: nights(None), whole("count", "None")),
    (lambda: nights(variant=["two"]), "variant: found ['two']: give a text"),
    (lambda: nights(measures="makespan"), "measures: found the text 'makespan': give a list, `measures=['makespan']`"),
    (lambda: nights(confidence="x"), "confidence: found 'x': give a number"),
    (lambda: nights(first_seed="x"), whole("first_seed", "'x'")),
    (lambda: size(by=5), "by: found 5: give a text"),
    (lambda: size(values=5), "values: found 5: give a list"),
    (lambda: size(values="1,2"), "values: found the text '1,2': give a list, `values=['1,2']`"),
    (lambda: size(values=None, first="1", last=2), whole("first", "'1'")),
    (lambda: size(values=None, first=1, last=2.5), whole("last", "2.5")),
    (lambda: size(values=None, first=1, last=2, step="x"), whole("step", "'x'")),
    (lambda: size(values=None, first=1, last=10**30), f"{10**30:,} values are out of range: try 1 to 100"),
    (lambda: size(share="x"), "share: found 'x': give a number"),
    (lambda: size(nights=None), whole("nights", "None")),
    (lambda: size(confidence="x"), "confidence: found 'x': give a number"),
    (lambda: size(first_seed="x"), whole("first_seed", "'x'")),
    (
        lambda: size(first_seed=2**63),
        "the first seed 9223372036854775808 is out of range: give a whole number from 0 to 9223372036853775807",
    ),
    (lambda: hunt(NIGHT, tries="x"), whole("tries", "'x'")),  # type: ignore[arg-type]
    (lambda: hunt(NIGHT, seed="x"), whole("seed", "'x'")),  # type: ignore[arg-type]
    (lambda: hunt(NIGHT, at_most="x"), whole("at_most", "'x'")),  # type: ignore[arg-type]
    (
        lambda: hunt(NIGHT, kinds="power_off"),
        "kinds: found the text 'power_off': give a list, `kinds=['power_off']`",
    ),
    (lambda: hunt(NIGHT, kinds=[]), "kinds: none is named: name at least one, or leave it out for all"),
    (lambda: fault_schedules(NIGHT, kinds=[5]), "kinds: found 5 in the list: give texts"),  # type: ignore[list-item]
    (lambda: emulator.export(5, "junit"), "log: found 5: give the path of a log, or what `open_log` gave"),  # type: ignore[arg-type]
    (
        lambda: emulator.export(run(), "junit"),
        "log: found a value of type NightResult: give the path of a log, or what `open_log` gave",
    ),
    (lambda: emulator.export("a.qdlog", 5), "form: found 5: give a text"),  # type: ignore[arg-type]
    (lambda: emulator.Emulator(NIGHT, by_hand=5), "by_hand: found 5: give a list"),  # type: ignore[arg-type]
    (
        lambda: emulator.Emulator(NIGHT, never=[5]),  # type: ignore[list-item]
        "never: found a value of type int in the list: give texts, or "
        '{"calls": "archive", "more_than": 20, "within": "1s"}',
    ),
    (
        lambda: emulator.Emulator(NIGHT, grace=float("nan")),
        "nan is not a duration: give '90s', seconds, or a timedelta",
    ),
    (
        lambda: emulator.Emulator(NIGHT, grace=float("inf")),
        "inf is not a duration: give '90s', seconds, or a timedelta",
    ),
]


@pytest.mark.parametrize("slip", range(len(SLIPS)), ids=[said.split(":")[0] for _, said in SLIPS])
def test_an_argument_of_the_wrong_kind_is_told_by_its_name(slip: int) -> None:
    call, said = SLIPS[slip]
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == said


def test_a_flag_of_the_wrong_kind_leaves_a_log_alone(tmp_path: Path) -> None:
    """What is no flag is not taken for yes: the log that is there stays as it is."""
    log = tmp_path / "a.qdlog"
    run(log=log)
    there = log.read_bytes()
    with pytest.raises(InputError, match="overwrite: found 'no': give True or False"):
        run(log=log, overwrite="no", seed=2)
    assert log.read_bytes() == there


def test_what_stands_for_a_whole_number_is_one(tmp_path: Path) -> None:
    """The whole numbers of numpy are taken as such, wherever Python's are; a path may be a text or a ``Path``."""
    numpy = pytest.importorskip("numpy")
    assert run(seed=numpy.int64(3)).digest() == run(seed=3, log=tmp_path / "a.qdlog").digest()
    assert nights(numpy.int64(2), first_seed=numpy.int64(3)).as_json() == nights(2, first_seed=3).as_json()
