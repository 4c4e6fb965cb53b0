"""Comparisons: the same bytes wherever nights are run, whatever dies meanwhile, and after an interruption."""

import asyncio
import json
import os
import pickle
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from contextlib import closing, nullcontext
from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from compare_policies import Broken, Deadly, Patient
from real_time import at_best

from emulator import compare, nights, size
from emulator.broker.rules import RetryCase
from emulator.errors import InputError, ScenarioError
from emulator.experiment import executors, night
from emulator.experiment.compare import compare_async
from emulator.experiment.executors import replicate
from emulator.experiment.replications import looks
from emulator.experiment.settings import setting_of
from emulator.measure.comparison.result import Comparison
from emulator.measure.comparison.wanted import PlayedNight
from emulator.scenario import load
from emulator.timeline.ticks import MINUTE

NIGHT: dict[str, Any] = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "6h",
    "queues": {"night": {"retry": {"attempts_in_all": 2}}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "30s"}},
    "routines": {
        "copy": {
            "queue": "night",
            "parts": [{"name": "copy", "takes": {"median": "4m", "p95": "9m"}, "error_share": 0.3}],
        }
    },
    "arrivals": [{"routine": "copy", "count": 6, "at": "21:30"}],
    "must_hold": [
        {"measure": "makespan", "at_most": "1h", "in_share": 0.9},
        {"measure": "done_share", "at_least": 0.5},
    ],
    "variants": {"two": {"pools.dome.count": 2}, "patient": {"queues.night.retry.attempts_in_all": 4}},
}
PATHS = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]
MEASURES = ["makespan", "done_share", "attempts"]


def same(comparison: Comparison) -> str:
    return json.dumps(asdict(comparison), sort_keys=True)


def compared(**options: Any) -> Comparison:
    return compare(NIGHT, measures=MEASURES, **{"nights": 12, "processes": 1, **options})


# -- what is compared --------------------------------------------------------------------------------------------------


def test_all_variants_are_compared_with_the_scenario_as_written() -> None:
    """Every variant is played on the same seeds; the file as written comes first."""
    found = compared()
    assert found.variants == ("as written", "two", "patient")
    assert (found.first_seed, found.nights, found.stopped) == (1, 12, "")
    assert [(one.seed, one.variant) for one in found.played[:4]] == [
        (1, "as written"),
        (1, "two"),
        (1, "patient"),
        (2, "as written"),
    ]
    assert {one.effect for one in found.differences if one.measure == "makespan" and one.variant == "two"} == {"better"}


def test_variants_can_be_chosen_and_the_baseline_named() -> None:
    """Names choose among the variants; the baseline goes first, whether it is chosen or not."""
    assert compared(variants=["two"]).variants == ("as written", "two")
    assert compared(variants=["two"], baseline="patient").variants == ("patient", "two")
    named = {**NIGHT, "baseline": "patient"}
    assert compare(named, nights=2, processes=1, measures=MEASURES).variants == ("patient", "as written", "two")


def test_a_variant_may_carry_a_retry_policy_of_ones_own() -> None:
    """An object with ``decide`` in the place of ``queues.NAME.retry`` is that queue's policy."""
    again = {"attempts_in_all": 4, "pause": "constant", "first": "1m"}
    own = {"queues.night.retry.attempts_in_all": 4, "queues.night.retry": Patient(4, MINUTE)}  # the file's limit stands
    found = compared(variants={"own": own, "file": {"queues.night.retry": again}})
    readings = {(one.variant, one.seed): one.readings for one in found.played}
    assert all(readings["own", seed] == readings["file", seed] for seed in range(1, 13))
    assert any(readings["own", seed] != readings["as written", seed] for seed in range(1, 13))


def test_equal_scenarios_in_different_spelling_are_identical(tmp_path: Path) -> None:
    """Two files that say the same in other words show no difference in any figure, on any night."""
    one, other = tmp_path / "main.yaml", tmp_path / "change.yaml"
    plain = {key: value for key, value in NIGHT.items() if key != "variants"}
    one.write_text(json.dumps(plain))
    other.write_text(json.dumps({**plain, "lasts": "PT360M", "zone": "UTC", "heartbeats": "computed"}))
    found = compare([one, other], nights=4, processes=1)
    assert found.variants == (str(one), str(other))
    assert {difference.effect for difference in found.differences} == {"same"}


def test_what_a_comparison_reads_and_works_out_of_a_scenario_it_does_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The file and each of its variants are validated once, and stated loads summed up once, for any number of nights.

    Another process is sent what was validated, and validates nothing.
    """
    validated, summed = list[str](), list[int]()
    validate, offered_load = load.validated, night.offered_load

    def counted(data: Any, clock: Any) -> Any:
        validated.append(f"{data['pools']['dome']['count']} workers, {data['queues']['night']['retry']}")
        return validate(data, clock)

    def counted_load(scenario: Any, clock: Any) -> Any:
        summed.append(scenario.pools["dome"].count)
        return offered_load(scenario, clock)

    monkeypatch.setattr(load, "validated", counted)
    monkeypatch.setattr(night, "offered_load", counted_load)
    assert compared(nights=5).nights == 5
    two, four = ({"attempts_in_all": many} for many in (2, 4))
    assert validated == [f"1 workers, {two}", f"2 workers, {two}", f"1 workers, {four}"]
    assert sorted(summed) == [1, 1, 2]
    setting = setting_of(load.from_settings(NIGHT), "two", NIGHT["variants"]["two"])
    validated.clear()
    sent = pickle.loads(pickle.dumps(setting))
    assert replicate(sent, 1, MEASURES) == replicate(setting, 1, MEASURES)
    assert validated == []


def test_nights_of_one_scenario_are_judged_by_their_shares() -> None:
    """``nights`` has one variant, no differences, and a share for each requirement and for all."""
    found = nights(NIGHT, 40, processes=1)
    assert (found.variants, found.differences, found.nights) == (("as written",), (), 40)
    assert [(one.requirement, one.judged) for one in found.shares] == [
        ("makespan at most 1 h, in 90 % of nights", 40),
        ("done_share at least 50 %", 40),
        ("all requirements", 40),
    ]
    assert nights(NIGHT, 2, variant="two", processes=1).variants == ("two",)


def test_precision_ends_a_comparison_as_soon_as_a_look_finds_it_reached() -> None:
    """Looks come at fixed numbers of nights, and what is said tells whether the precision or the limit ended it."""
    assert looks(50) == [10, 20, 40, 50]
    found = compared(nights=None, precision="done_share=0.2", at_most=200)
    assert found.nights in looks(200)[:-1]
    assert found.stopped == f"Stopped after {found.nights} nights of each: done_share=0.2 is reached."
    limited = compared(nights=None, precision="0.01%", at_most=12)
    assert limited.nights == 12
    assert limited.stopped.startswith(
        "Stopped at the limit of 12 nights of each: 0.01% is not reached. 'two': makespan is"
    )


# -- where nights are run ----------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_it_does_not_matter_where_nights_are_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """One process, two, and an executor of one's own give the same bytes."""
    alone = same(compared())
    started = list[int]()
    start = executors.own_processes
    monkeypatch.setattr(executors, "_WORTH_PROCESSES", 0.0)
    monkeypatch.setattr(executors, "own_processes", lambda many, **how: (started.append(many), start(many, **how))[1])
    assert same(compared(processes=2)) == alone
    assert started == [1]  # beside this one
    with ThreadPoolExecutor(3) as executor:
        assert same(compared(processes=None, executor=executor)) == alone


@pytest.mark.parametrize(
    ("each", "nights", "left"),
    [
        (0.01, 60, None),  # 0.58 s are left after the second night
        (0.01, 100, 98),  # 0.98 s are left after the second
        (0.15, 7, 5),  # the first night is no measure; 0.75 s are left after the second, and others come later
        (0.3, 4, 3),  # the first night is measure enough: 0.9 s are left
    ],
)
def test_other_processes_are_started_where_what_is_left_is_worth_it(
    monkeypatch: pytest.MonkeyPatch, each: float, nights: int, left: int | None
) -> None:
    """The first nights are run here and timed: if the rest takes more than 0.8 s, others start."""
    sent = list[int]()

    class Other:
        def run(self, tasks: Any, figures: Any, done: Any, more: int = 0, *, meanwhile: Any) -> None:
            meanwhile()
            sent.append(len(tasks))

    now, meanwhile, played = [0.0], list[str](), list[int]()

    def replicated(setting: Any, seed: int, figures: Any) -> PlayedNight:
        now[0] += each
        return PlayedNight("as written", seed, {}, (), 1)

    monkeypatch.setattr(executors, "replicate", replicated)
    monkeypatch.setattr(executors, "_own_processes", lambda *many, **how: nullcontext(Other()))
    monkeypatch.setattr(executors, "time", SimpleNamespace(process_time=lambda: now[0]))
    setting = setting_of(load.from_settings(NIGHT), "as written")
    with executors.open_workers([setting], 2, meanwhile=lambda: meanwhile.append("loaded")) as workers:
        tasks = [executors.Task(setting, seed) for seed in range(nights)]
        workers.run(tasks, (), lambda one: played.append(one.seed), more=1 if each == 0.15 else 0)
    assert (sent, meanwhile) == (([], []) if left is None else ([left], ["loaded"]))
    assert played == list(range(nights - (left or 0)))


@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes() -> None:
    """Dask's distributed engine, with a real local cluster of two processes, gives what one process gives."""
    distributed = pytest.importorskip("distributed")
    code = f"""
        import json, sys
        from dataclasses import asdict
        from distributed import LocalCluster
        sys.path[:0] = {PATHS!r}
        from emulator import compare
        from test_compare import MEASURES, NIGHT
        if __name__ == "__main__":
            with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:
                found = compare(NIGHT, measures=MEASURES, nights=12, cluster=cluster.scheduler_address)
            print(json.dumps(asdict(found), sort_keys=True))
    """
    assert distributed is not None
    done = _child(code)
    assert done.stdout.strip() == same(compared()), done.stderr


@pytest.mark.slow
def test_a_killed_process_costs_nothing_but_time(tmp_path: Path) -> None:
    """A replication whose process is killed once is run again, and nothing is lost."""
    found = compared(variants={"deadly": {"queues.night.retry": Deadly(str(tmp_path / "has killed"))}}, processes=2)
    assert (tmp_path / "has killed").exists()
    assert found.lost == ()
    assert len(found.played) == 24


class NoMore(Executor):
    """Runs so many batches in this thread, and then is broken in one of the ways in which executors break."""

    _max_workers = 4  # so that the first batches are of one night, on any machine

    def __init__(self, batches: int, how: str) -> None:
        self.batches, self.how = batches, how

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Any:
        future: Future[Any] = Future()
        if self.batches > 0:
            future.set_result(fn(*args, **kwargs))
        elif self.how == "cancels":
            future.cancel()
            future.set_running_or_notify_cancel()
        elif self.how == "dies":
            raise BrokenExecutor("A process died.")
        else:
            raise RuntimeError("cannot schedule new futures after shutdown")
        self.batches -= 1
        return future


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("dies", "the given executor takes no more work (A process died)"),
        ("closed", "the given executor takes no more work (cannot schedule new futures after shutdown)"),
        ("cancels", "the given executor has cancelled what it was given"),
    ],
)
def test_a_given_executor_that_breaks_is_told_with_how_to_go_on(tmp_path: Path, how: str, said: str) -> None:
    """What is done is kept where a file was named; the message says where and how to go on, else that it is not."""
    instead = "(instead of an executor, `processes=N` survives processes that die)"
    with pytest.raises(InputError) as told:
        nights(NIGHT, 3, executor=NoMore(1, how))
    assert str(told.value) == (
        f"{said}; 1 night so far, not kept: begin again with a new executor; `compare(..., results=PATH)` would keep "
        f"them {instead}"
    )
    path = str(tmp_path / "nights.db")
    with pytest.raises(InputError) as told:
        compared(processes=None, executor=NoMore(5, how), results=path)
    assert str(told.value) == (
        f"{said}; 5 nights so far, kept in {path}: go on with a new executor, results={path!r} and resume=True "
        f"{instead}"
    )
    assert same(compared(results=path, resume=True)) == same(compared())


@pytest.mark.parametrize("wrong", [3, ThreadPoolExecutor])
def test_what_is_no_executor_is_told(wrong: Any) -> None:
    with pytest.raises(InputError, match=r"^executor=.* is no executor: give an object with the interface of "):
        nights(NIGHT, 2, executor=wrong)


class Odd(Executor):
    """Answers with what it was made with: a future, or another value in the place of one."""

    def __init__(self, answer: Any) -> None:
        self.answer = answer

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Any:
        return self.answer


def over(result: Any) -> Any:
    future: Future[Any] = Future()
    future.set_result(result)
    return future


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (None, "executor: `submit` of Odd gave a value of type NoneType: it has to give a `concurrent.futures.Future`"),
        *[
            (
                over(result),
                f"executor: a future of Odd has a result of type {kind} that is not what the submitted call returns: "
                "let `submit(call, *arguments)` carry out `call(*arguments)`",
            )
            for result, kind in ((None, "NoneType"), ([], "list"), ([5], "list"))
        ],
    ],
)
def test_an_executor_that_answers_otherwise_is_told(answer: Any, said: str) -> None:
    """What has the interface, and does not keep to it, is told by the argument's name."""
    with pytest.raises(InputError) as told:
        nights(NIGHT, 2, executor=Odd(answer))
    assert str(told.value) == said


@pytest.mark.slow
def test_a_replication_that_always_kills_its_process_is_named_and_the_rest_completes() -> None:
    """Nights in which a retry is asked for die each time; they are lost by name, all others are there."""
    found = compared(variants={"deadly": {"queues.night.retry": Deadly()}}, processes=2, nights=4)
    assert {lost.variant for lost in found.lost} == {"deadly"}
    assert all(lost.why.startswith("its process died each time, 3 times") for lost in found.lost)
    assert [one.seed for one in found.played if one.variant == "as written" and not one.failure] == [1, 2, 3, 4]


def test_a_policy_that_raises_loses_its_nights_alone() -> None:
    """What a policy raises is told with the night that it ended; the baseline is complete."""
    found = compared(variants={"broken": {"queues.night.retry": Broken()}}, nights=4)
    assert found.lost
    assert {(lost.variant, lost.why) for lost in found.lost} == {("broken", "RuntimeError: no idea")}


def test_a_policy_that_answers_no_verdict_loses_its_nights_by_name() -> None:
    """The failure says which queue's policy answered what, and what is to be answered."""

    class Silent:
        def decide(self, case: RetryCase) -> Any:
            return None

    found = compared(variants={"silent": {"queues.night.retry": Silent()}}, nights=4)
    why = "InputError: the retry policy of queue night answered None: return an `emulator.Verdict`"
    assert {(lost.variant, lost.why) for lost in found.lost} == {("silent", why)}


@pytest.mark.parametrize("options", [{"nights": 20}, {"nights": None, "precision": "5%"}])
def test_a_policy_that_loses_all_its_nights_ends_the_comparison(options: dict[str, Any]) -> None:
    """Nothing is concluded from no night: the error names the variant, how many nights, and the first failure."""
    often = {"queues.night.retry.attempts_in_all": 2, "routines.copy.parts.copy.error_share": 1.0}
    count = options["nights"] or 10
    for baseline in (None, "broken"):
        with pytest.raises(InputError) as told:
            compared(variants={"broken": {**often, "queues.night.retry": Broken()}}, baseline=baseline, **options)
        assert str(told.value) == (
            f"broken: all {count} nights with a retry policy of your own failed to run, so there is nothing to "
            "compare; with seed 1: RuntimeError: no idea"
        )


def test_a_policy_that_cannot_travel_is_told_before_it_is_sent() -> None:
    """In one process any object will do; for others its class has to be found there."""

    class Local(Patient):
        pass

    own = {"own": {"queues.night.retry": Local(2, MINUTE)}}
    assert compared(variants=own, nights=2).variants == ("as written", "own")
    with pytest.raises(InputError, match="own: its retry policy cannot travel to another process"):
        compared(variants=own, nights=2, processes=2)


# -- the file of results -----------------------------------------------------------------------------------------------


def test_a_comparison_goes_on_from_its_file_of_results(tmp_path: Path) -> None:
    """More nights are added to those that are kept, and the result is that of one uninterrupted comparison."""
    path = tmp_path / "results.db"
    compared(results=path, nights=5)
    assert same(compared(results=path, resume=True)) == same(compared())


def test_a_file_of_results_of_another_comparison_is_refused(tmp_path: Path) -> None:
    """What differs is named; a file that is there is never taken without being asked to; another file is no results."""
    path = tmp_path / "results.db"
    compared(results=path, nights=2)
    with pytest.raises(
        InputError,
        match=r"is there already: go on with it by --resume \(in Python: resume=True\), or give another name",
    ):
        compared(results=path)
    with pytest.raises(InputError, match="of another comparison, other in the figures:"):
        compare(NIGHT, measures=["makespan"], nights=2, processes=1, results=path, resume=True)
    changed = {**NIGHT, "lasts": "7h"}
    with pytest.raises(InputError, match="other in the scenario under its variants:"):
        compare(changed, measures=MEASURES, nights=2, processes=1, results=path, resume=True)
    (tmp_path / "notes.txt").write_text("not a database, but long enough to look like one" * 10)
    with pytest.raises(InputError, match=r"notes.txt cannot be used as a file of results: file is not a database"):
        compared(results=tmp_path / "notes.txt", resume=True)
    with pytest.raises(InputError, match=r"there is no folder .*/nowhere: make it first"):
        compared(results=tmp_path / "nowhere" / "results.db")
    for resume in (False, True):
        with pytest.raises(InputError, match="is a folder: name a file in it"):
            compared(results=tmp_path, resume=resume)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA user_version = 1")
    with pytest.raises(InputError, match=r"was written by queuedrill \S+ in results format 1, and this program reads"):
        compared(results=path, resume=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DELETE FROM identity WHERE name = 'the version of queuedrill'")
    with pytest.raises(InputError, match="by a version of queuedrill that it does not name in results format 1"):
        compared(results=path, resume=True)


@pytest.mark.slow
@pytest.mark.parametrize("processes", [1, 2])
def test_ctrl_c_stops_within_a_second_and_keeps_what_is_done(tmp_path: Path, processes: int) -> None:
    """SIGINT ends a long comparison at once; going on from its file gives the bytes of an uninterrupted one."""
    path = tmp_path / "results.db"

    def check() -> None:
        path.unlink(missing_ok=True)
        assert _seconds_from_ctrl_c_to_the_end(path, processes) < 3  # a second on a quiet machine; tests share theirs

    at_best(check)
    kept = _kept(path)
    assert kept > 0
    assert same(compared(results=path, resume=True, nights=3)) == same(compared(nights=3))


def _seconds_from_ctrl_c_to_the_end(path: Path, processes: int) -> float:
    code = f"""
        import sys
        sys.path[:0] = {PATHS!r}
        from emulator import compare
        from test_compare import MEASURES, NIGHT
        if __name__ == "__main__":
            print("begins", flush=True)
            compare(NIGHT, measures=MEASURES, nights=100_000, processes={processes}, results={str(path)!r})
    """
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=path.parent
    )
    assert child.stdout is not None
    child.stdout.readline()
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and not _kept(path):
        time.sleep(0.1)
    child.send_signal(signal.SIGINT)
    began = time.monotonic()
    child.communicate(timeout=60)
    took = time.monotonic() - began
    assert child.returncode in (1, 130, -signal.SIGINT)
    return took


def _kept(path: Path) -> int:
    import sqlite3

    if not path.exists():
        return 0
    connection = sqlite3.connect(path)
    try:
        return int(connection.execute("SELECT count(*) FROM nights").fetchone()[0])
    except sqlite3.Error:
        return 0
    finally:
        connection.close()


def _child(code: str) -> "subprocess.CompletedProcess[str]":
    path = Path(os.environ.get("TMPDIR", "/tmp")) / f"queuedrill-child-{os.getpid()}.py"
    path.write_text(textwrap.dedent(code))
    try:
        return subprocess.run([sys.executable, str(path)], capture_output=True, text=True, timeout=100)
    finally:
        path.unlink()


# -- refusals ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"variants": ["too"]}, "settings: there is no variant 'too': did you mean 'two'?"),
        ({"baseline": "patent"}, "settings: there is no variant 'patent': did you mean 'patient'?"),
        ({"measures": []}, "no figure is compared: name at least one, or leave `measures` out"),
        ({"measures": ["makespam"]}, "there is no figure 'makespam': did you mean 'makespan'?"),
        ({"nights": 0}, "0 nights are out of range: give a number from 1 to 1,000,000"),
        ({"precision": "5%"}, "a precision and a number of nights are given: choose one"),
        ({"at_most": 5}, "at_most goes with a precision: give `precision`, or `nights` alone"),
        ({"resume": True}, "to go on, the file of results has to be named: give `results` too"),
        ({"confidence": 95}, "a confidence of 95 is out of range: give a share such as 0.95"),
        ({"processes": 0}, "0 processes are out of range: give a number from 1 to 1024"),
        ({"cluster": "tcp://x"}, "processes, an executor and a cluster are given: choose one"),
        ({"variants": {"as written": {}}}, "'as written' is the scenario itself: give the variant another name"),
        ({"variants": {"own": {"queues.day.retry": Broken()}}}, "own: there is no queue 'day': it has night"),
        (
            {"variants": {"own": {"pools.dome": Broken()}}},
            "own: pools.dome takes no retry policy: write queues.NAME.retry",
        ),
        (
            {"variants": {"own": {"queues.night.retry": Broken}}},
            "own: the retry policy of queue 'night' is the class Broken: give an object, `Broken()`",
        ),
        (
            {"variants": {"own": {"queues.night.retry": Broken(), "queues.night.retry.attempts_in_all": 1}}},
            "own: the retry policy of queue 'night' is never asked, because the scenario allows 1 attempt in all: give "
            "`queues.night.retry.attempts_in_all` more, such as 5",
        ),
    ],
)
def test_wrong_arguments_are_told_with_what_to_give(options: dict[str, Any], message: str) -> None:
    """Each wrong argument is answered with what is wrong and what instead, before any night is run."""
    with pytest.raises(InputError) as caught:
        compare(NIGHT, **{"measures": MEASURES, "nights": 2, "processes": 1, **options})
    assert str(caught.value) == message


def test_a_patch_with_mistakes_is_told_by_its_paths() -> None:
    """A variant given in Python is validated like one of a file."""
    with pytest.raises(ScenarioError, match=r"queus\.night\.lease: there is no 'queus' in the scenario"):
        compared(variants={"wrong": {"queus.night.lease": "2m"}})


def test_a_wrong_value_is_told_with_the_name_of_its_variant() -> None:
    with pytest.raises(ScenarioError) as caught:
        compare(NIGHT, variants={"often": {"pools.dome.poll": "soon"}}, nights=2)
    assert str(caught.value) == (
        "settings (often): wrong-value: pools.dome.poll: 'soon' is not a duration: write 90s, 1h30m, 500ms or PT30S"
    )


def test_a_scenario_without_variants_has_nothing_to_compare() -> None:
    """One setting alone is no comparison."""
    plain = {key: value for key, value in NIGHT.items() if key != "variants"}
    with pytest.raises(InputError, match="settings: there is nothing to compare: give the scenario `variants`"):
        compare(plain, processes=1)


def test_the_async_twin_gives_the_same() -> None:
    """Awaited in a thread, a comparison is the same to the byte."""
    assert same(asyncio.run(compare_async(NIGHT, measures=MEASURES, nights=12, processes=1))) == same(compared())


# -- size --------------------------------------------------------------------------------------------------------------


def test_size_finds_the_smallest_value_with_the_evidence_for_it_and_the_one_below() -> None:
    """With one worker the hour is missed in too many nights, with two it is not."""
    asked = {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "35m"}]}
    found = size(asked, by="pools.dome.count", first=1, last=3, share=0.9, nights=100, processes=1)
    assert (found.smallest, found.monotone) == (2, True)
    assert [one.verdict for one in found.tried] == ["does_not_hold", "holds", "holds"]
    assert found.sentence.startswith("Take 2: the smallest pools.dome.count that keeps the requirements. ")
    assert f" {found.tried[1].held} of 100 nights keep them, at least " in found.sentence
    assert "\nWhy not 1\n" in str(found)


def test_size_says_when_no_value_is_enough_and_when_larger_is_not_better() -> None:
    """Not reachable, not enough nights, and not monotone are each said."""
    asked = {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "1m"}]}
    none = size(asked, by="pools.dome.count", first=1, last=2, nights=20, processes=1)
    assert none.smallest is None
    assert none.sentence.startswith(
        "No pools.dome.count that was tried is shown to keep the requirements, and none is better than another. "
    )
    few = size(
        {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "5h"}]},
        by="pools.dome.count",
        values=[1, 2],
        nights=10,
        processes=1,
    )
    assert few.sentence.endswith(". Too few nights to decide on 1, 2; 86 nights without a miss would show one.")
    turned = size(
        {**NIGHT, "must_hold": [{"measure": "makespan", "at_most": "30m"}]},
        by="pools.dome.count",
        values=[6, 1],
        share=0.5,
        nights=40,
        processes=1,
    )
    assert (turned.smallest, turned.monotone) == (6, False)
    assert turned.sentence.endswith("Larger values are not always better here: look at each.")


def test_size_says_when_there_is_nothing_to_judge() -> None:
    """A requirement on times that nothing took is judged in no night, and that is said of each value."""
    asked = {**NIGHT, "must_hold": [{"measure": "detection_delay_longest", "at_most": "1m"}]}
    found = size(asked, by="pools.dome.count", first=1, last=2, nights=3, processes=1)
    assert [(one.judged, one.interval, one.verdict) for one in found.tried] == [(0, None, "nothing_to_judge")] * 2
    assert (found.smallest, found.monotone) == (None, True)
    assert found.sentence.endswith(" is shown to keep the requirements: nothing could be judged.")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"by": "pools.dome.counts"}, "there is no 'counts' in pools.dome: did you mean 'count'?"),
        ({"first": 3, "last": 1}, "from 3 to 1 by 1 there is nothing: give a range that goes up"),
        ({"last": None}, "which values? give `first` and `last`, or `values`"),
        ({"values": [1]}, "values and a range are given: choose one"),
        ({"first": None, "last": None, "values": [1, 1]}, "a value is given twice: give each once"),
        ({"share": 95}, "a share of 95 is out of range: give one such as 0.95"),
        ({"nights": 0}, "0 nights are out of range: give a number from 1 to 1,000,000"),
        ({"last": 500}, "500 values are out of range: try 1 to 100"),
    ],
)
def test_size_refuses_what_makes_no_sense(options: dict[str, Any], message: str) -> None:
    """Each wrong argument of a search is answered with what instead."""
    with pytest.raises(InputError) as caught:
        size(NIGHT, **{"by": "pools.dome.count", "first": 1, "last": 2, "nights": 2, "processes": 1, **options})
    assert message in str(caught.value)
