"""One night, run in every way that there is: the way decides nothing of what happens."""

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import emulator
from emulator.errors import InputError, LogError, ScenarioError
from emulator.experiment.night import run_night
from emulator.record.events import Row
from emulator.record.export import difference
from emulator.record.log_reader import open_log
from emulator.record.recorder import Recorder
from emulator.record.sqlite_log import LogFile
from emulator.report.paging import page_of_log, page_of_night
from emulator.report.reproduce import reproduce
from emulator.scenario.load import from_settings, load_text
from emulator.timeline.loop import VirtualLoop

NIGHT: dict[str, Any] = {
    "title": "Plates",
    "starts": "2026-06-12T21:30:00",
    "lasts": "4h",
    "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 3, "pause": "constant", "first": "20s"}}},
    "pools": {"dome": {"count": 3, "serves": ["night"], "poll": "10s", "heartbeat": "20s"}},
    "routines": {
        "copy": {
            "queue": "night",
            "parts": [{"name": "copy", "takes": {"median": "4m", "p95": "9m"}, "effect": "copied"}],
        }
    },
    "arrivals": [{"routine": "copy", "name": "plates", "count": 40, "at": "22:00"}],
    "faults": [{"power_off": "dome-2", "at": "22:11", "back_after": "25m"}],
    "must_hold": [{"measure": "lost_leases", "exactly": 1}, {"measure": "makespan", "at_most": "1s"}],
    "variants": {"single": {"pools.dome.count": 2}},
}


@pytest.fixture(scope="module")
def plain() -> emulator.NightResult:
    return emulator.run(NIGHT)


def test_a_night_is_judged(plain: emulator.NightResult) -> None:
    """A result has its verdict, its figures and its events; the run is from run_began to run_ended at the horizon."""
    assert (plain.fits, plain.sentence) == (
        False,
        "The night does not fit: makespan is 1 h 7 min, at most 1 s asked. 1 of 2 requirements missed.",
    )
    assert [one.met for one in plain.judged] == [True, False]
    assert (plain.figure("done").value, plain.figure("done", routine="copy").value, plain.seed) == (40, 40, 1)
    events = list(plain.events())
    assert (events[0].kind, events[0].details) == ("run_began", {"seed": 1})
    assert (events[-1].kind, events[-1].at) == ("run_ended", 4 * 3600 * 1_000_000)


@pytest.mark.parametrize("way", ["again", "log", "pace", "log and pace", "async", "async on a virtual loop", "unkept"])
def test_every_way_gives_the_same_events(plain: emulator.NightResult, way: str, tmp_path: Path) -> None:
    """With a log, at a pace, in a thread or on the loop of somebody else: the events are the same to the byte."""
    log = tmp_path / "a.qdlog"
    ways: dict[str, Callable[[], emulator.NightResult]] = {
        "again": lambda: emulator.run(NIGHT),
        "log": lambda: emulator.run(NIGHT, log=log),
        "pace": lambda: emulator.run(NIGHT, pace=1e7),
        "log and pace": lambda: emulator.run(NIGHT, log=log, pace=1e7),
        "async": lambda: asyncio.run(emulator.run_async(NIGHT)),
        "async on a virtual loop": lambda: _on_virtual_loop(log),
        "unkept": lambda: emulator.run(NIGHT, keep_events=False, log=log),
    }
    result = ways[way]()
    assert result.digest() == plain.digest()
    assert result.as_json() == plain.as_json()
    if log.exists():
        open_log(log).verify()
        assert open_log(log).digest == plain.digest()
        assert list(result.events()) == list(plain.events())


def _on_virtual_loop(log: Path) -> emulator.NightResult:
    async def main() -> emulator.NightResult:
        result = await emulator.run_async(NIGHT, log=log)
        assert asyncio.get_running_loop().time() == 0
        return result

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main())


def test_every_event_goes_to_one_more_sink(plain: emulator.NightResult) -> None:
    """A further sink gets every event in order."""
    sink = Recorder()
    run_night(from_settings(NIGHT), also_to=sink)
    assert plain.rows is not None
    assert difference(sink.rows, plain.rows) is None


def test_another_seed_is_another_night(plain: emulator.NightResult) -> None:
    """The seed stated in the call takes the place of the scenario's."""
    assert emulator.run(NIGHT, seed=2).digest() == emulator.run({**NIGHT, "seed": 2}).digest() != plain.digest()


@pytest.mark.parametrize("variant", ["", "single"])
@pytest.mark.parametrize("heartbeats", ["computed", "simulated"])
def test_a_log_holds_all_that_its_run_was_made_of(tmp_path: Path, variant: str, heartbeats: Any) -> None:
    """Settings from Python, variant, seed and mode of heartbeats: from the log alone the run is reproduced."""
    result = emulator.run(NIGHT, seed=5, variant=variant, heartbeats=heartbeats, log=tmp_path / "a.qdlog")
    found = reproduce(tmp_path / "a.qdlog")
    assert (found.identical, found.compared, found.about) == (True, len(list(result.events())), found.log.meta)
    assert (found.about.seed, found.about.variant, found.about.heartbeats) == (5, variant, heartbeats)


def test_a_variant_is_what_it_says() -> None:
    """A variant runs as the scenario does with its values changed."""
    two = {**NIGHT, "pools": {"dome": {**NIGHT["pools"]["dome"], "count": 2}}}
    assert emulator.run(NIGHT, variant="single").digest() == emulator.run(two).digest()


def test_an_entry_of_which_no_job_came_is_told(tmp_path: Path) -> None:
    """The summary, as text, as JSON and on the page, names the arrival entries that brought nothing."""
    [entry] = NIGHT["arrivals"]
    late = {**entry, "name": "too late", "at": "2026-06-14T09:00:00"}
    settings = {**NIGHT, "arrivals": [late, {**late, "name": "none meant", "count": 0}]}
    night = emulator.run(settings, log=tmp_path / "a.qdlog")
    assert "Arrivals without a job\n  too late: none before the end\n\n" in night.summary(everything=True).as_text()
    assert "  No job came from too late.\n" in night.summary().as_text()
    assert night.as_json()["arrivals_without_jobs"] == ["too late"]
    told = "<h3>Arrivals without a job</h3><ul><li><bdi>too late</bdi>: none before the end</li></ul>"
    assert [told in page for page in (page_of_night(night), page_of_log(tmp_path / "a.qdlog"))] == [True, True]
    assert emulator.run(NIGHT).as_json()["arrivals_without_jobs"] == []


def test_the_scenario_as_written_has_a_name() -> None:
    """The variant ``as written`` is the scenario itself, also where it has no variants, and in the log."""
    plain = {key: value for key, value in NIGHT.items() if key != "variants"}
    assert emulator.run(NIGHT, variant="as written").digest() == emulator.run(NIGHT).digest()
    assert emulator.run(plain, variant="as written").meta == emulator.run(plain).meta
    with pytest.raises(InputError, match=r"^settings: there is no variant 'single': it has none$"):
        emulator.run(plain, variant="single")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"seed": -1}, "the seed -1 is out of range: give a whole number from 0 to 9223372036854775807"),
        ({"seed": 2**63}, f"the seed {2**63} is out of range: give a whole number from 0 to 9223372036854775807"),
        ({"pace": 0}, "the pace 0 is out of range: give seconds of virtual time a second, above 0"),
        ({"pace": float("nan")}, "the pace nan is out of range: give seconds of virtual time a second, above 0"),
        ({"variant": "double"}, "settings: there is no variant 'double': allowed are: as written, single"),
        ({"variant": "singel"}, "settings: there is no variant 'singel': did you mean 'single'?"),
    ],
)
def test_what_makes_no_sense_is_refused(options: dict[str, Any], message: str) -> None:
    """A seed, pace or variant that cannot be is an error of input before anything runs."""
    with pytest.raises(InputError) as caught:
        emulator.run(NIGHT, **options)
    assert str(caught.value) == message


def test_mistakes_in_settings_come_all_at_once() -> None:
    """Wrong settings are one error with every mistake, by path."""
    with pytest.raises(ScenarioError) as caught:
        emulator.run({**NIGHT, "lasts": "long", "zone": "Mars"})
    assert [problem.path for problem in caught.value.problems] == ["zone", "lasts"]


def test_events_that_were_not_kept_cannot_be_read() -> None:
    """A run that kept neither events nor a log says how to keep them."""
    result = emulator.run(NIGHT, keep_events=False)
    for read in (result.events, result.digest):
        with pytest.raises(InputError, match=r"^this run kept no events: run it with keep_events=True, or with log="):
            read()


@pytest.mark.parametrize("pace", [None, 1e7])
def test_progress_is_told_from_nothing_to_all(pace: float | None) -> None:
    """Progress is told as a share that only grows and ends at 1; what it raises ends the run."""
    told: list[float] = []
    emulator.run(NIGHT, pace=pace, progress=told.append)
    assert told == [number / 200 for number in range(1, 201)]

    def enough(share: float) -> None:
        if share > 0.5:
            raise TimeoutError

    with pytest.raises(TimeoutError):
        emulator.run(NIGHT, pace=pace, progress=enough)


@pytest.mark.parametrize(
    ("name", "part", "said"),
    [
        ("done", {"pool": "doem"}, "'done for pool doem': there is no pool 'doem': did you mean 'dome'?"),
        ("done", {"queue": "nigth"}, "'done for queue nigth': there is no queue 'nigth': did you mean 'night'?"),
        ("done", {"routine": "coppy"}, "'done for routine coppy': there is no routine 'coppy': did you mean 'copy'?"),
        ("done", {"entry": "plaets"}, "'done for entry plaets': there is no entry 'plaets': did you mean 'plates'?"),
        ("wait_p90", {"pool": "attic"}, "'wait_p90 for pool attic': there is no pool 'attic': allowed are: dome"),
        ("done", {"pool": ["dome"]}, "done: ['dome'] names no pool: give its name as a text"),
        ("doen", {"pool": "attic"}, "there is no figure 'doen': did you mean 'done'?"),
        (["done"], {}, "['done'] names no figure: give its name as a text, such as 'makespan'"),
        (
            "backlog_peak",
            {"pool": "dome"},
            "backlog_peak cannot be told by pool: it is told by routine, queue, entry only",
        ),
    ],
)
def test_a_figure_of_what_is_not_there_is_told(plain: emulator.NightResult, name: Any, part: Any, said: str) -> None:
    """A figure, or a part of the night, that there is not is an error with the nearest name, and no figure of 0."""
    with pytest.raises(InputError) as caught:
        plain.figure(name, **part)
    assert str(caught.value) == said


def test_a_night_of_a_few_ticks_is_a_night() -> None:
    """A run shorter than the number of slices works too."""
    assert (
        emulator.run(
            {**NIGHT, "lasts": "3us", "faults": [], "arrivals": [{"routine": "copy", "count": 1, "at": "21:30"}]}
        )
        .figure("unfinished")
        .value
        == 1
    )


def test_a_log_that_cannot_be_written_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When a batch cannot be written the run ends early, with an error that says what is kept."""
    written = 0
    append = LogFile.append

    async def one_batch(self: LogFile, records: Any) -> None:
        nonlocal written
        written += 1
        if written > 1:
            raise LogError("the disk is full")
        await append(self, records)

    monkeypatch.setattr(LogFile, "append", one_batch)
    crowd = {**NIGHT, "arrivals": [{"routine": "copy", "per_hour": 9_000, "from": "21:30", "until": "+2h"}]}
    told: list[float] = []
    with pytest.raises(LogError, match=r"^the disk is full; events 1 to 4,000 are kept in the file, events 4,001 to"):
        emulator.run(crowd, log=tmp_path / "a.qdlog", progress=told.append)
    assert told[-1] < 1
    assert not open_log(tmp_path / "a.qdlog").finished


def test_a_night_that_nobody_waits_for_is_given_up() -> None:
    """When the wait for a night is cancelled, its thread ends at the end of the present slice."""
    reached, go_on = threading.Event(), threading.Event()
    told: list[float] = []

    def progress(share: float) -> None:
        told.append(share)
        reached.set()
        go_on.wait(10)

    async def main() -> None:
        task = asyncio.ensure_future(emulator.run_async(NIGHT, progress=progress))
        await asyncio.to_thread(reached.wait, 10)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        go_on.set()

    asyncio.run(main())  # which waits for the thread
    assert told == [1 / 200]


def test_the_summary_tells_how_to_run_it_again() -> None:
    """A file is run again by the command line, a variant or settings from Python."""
    loaded = load_text(
        "title: A\nstarts: 2026-06-12\nlasts: 1h\nqueues: {q: {lease: 90s}}\n"
        "pools: {p: {count: 1, serves: [q], poll: 0s, heartbeat: 20s}}\n"
        "routines: {r: {queue: q, parts: [{name: a, takes: 1m}]}}\narrivals: [{routine: r, count: 1, at: +1m}]\n"
        "variants: {two: {pools.p.count: 2}}\n",
        "my night.yaml",
    )
    assert emulator.run(loaded, seed=3).meta.again == "queuedrill run 'my night.yaml' --seed 3"
    assert emulator.run(loaded, variant="two").meta.again == "queuedrill run 'my night.yaml' --variant two --seed 1"
    assert emulator.run(NIGHT).meta.again == "emulator.run(settings, seed=1)"


def test_the_public_names_are_those_that_are_listed() -> None:
    """Every listed name can be had from the package, in order, and no other name is offered lazily."""
    assert emulator.__all__ == sorted(emulator.__all__)
    assert [name for name in emulator.__all__ if getattr(emulator, name).__name__ != name] == []
    assert set(emulator.__all__) <= set(dir(emulator))
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = emulator.nothing


@pytest.mark.slow
def test_a_night_that_is_stopped_does_not_go_on_while_its_log_is_closed(tmp_path: Path) -> None:
    """Ctrl-C cancels the task amid a stretch: the log keeps what was there, and no event comes after it."""

    class Stopping:
        """Counts events, and cancels the night at the 5,000th, as an interrupted ``asyncio.Runner`` does."""

        taken = 0

        def emit(self, row: Row) -> int:
            self.taken += 1
            if self.taken == 5_000:
                for task in asyncio.all_tasks():
                    task.cancel()
            return self.taken

    night = from_settings(NIGHT | {"arrivals": [{"routine": "copy", "per_hour": 5_000}]})
    with pytest.raises(asyncio.CancelledError):
        run_night(night, seed=1, log=tmp_path / "night.db", also_to=Stopping())
    log = open_log(tmp_path / "night.db")
    last, _ = log.last()
    assert not log.finished
    assert last >= 5_000
    whole = run_night(night, seed=1, keep_events=True)
    assert list(log.rows()) == list(whole.rows or ())[:last]
