"""Files that a scenario or a log names: regular files below its folder, unless somebody allows another folder."""

import json
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from small_place import SCENARIO, Ended

import emulator
from emulator.errors import InputError, ScenarioError
from emulator.experiment.settings import setting_of
from emulator.report.reproduce import reproduce

Call = Callable[..., Ended]
NIGHT = SCENARIO.replace('count: 2, at: "21:35"', "trace: TRACE") + "variants: {two: {pools.dome.count: 2}}\n"
PLACE = "arrivals.0.trace"
TRACE = "at\n21:35\n21:35\n"
ALLOW = "allow its folder by --allow-folder (in Python: allow_folders)"
OUT = f"leads out of the scenario's folder: move it there, or {ALLOW}"


@pytest.fixture
def night(place: Path) -> Callable[[str], str]:
    """Give what writes ``mine/night.yaml``, whose jobs come from a trace of that name; ``outside`` lies beside."""
    for folder in ("mine", "mine/below", "outside"):
        (place / folder).mkdir()
        (place / folder / "jobs.csv").write_text(TRACE)
    (place / "mine" / "link.csv").symlink_to(place / "outside" / "jobs.csv")
    (place / "mine" / "inside.csv").symlink_to("below/jobs.csv")
    (place / "mine" / "round.csv").symlink_to("round.csv")
    os.mkfifo(place / "mine" / "pipe.csv")

    def write(trace: str) -> str:
        (place / "mine" / "night.yaml").write_text(NIGHT.replace("TRACE", trace.replace("PLACE", str(place))))
        return "mine/night.yaml"

    return write


@pytest.mark.parametrize(
    "trace", ["jobs.csv", "below/jobs.csv", "below/../jobs.csv", "inside.csv", "PLACE/mine/jobs.csv"]
)
def test_a_file_below_the_folder_is_read(trace: str, night: Callable[[str], str], queuedrill: Call) -> None:
    """A path counts from the scenario's own file, however it gets there and wherever the command is started."""
    assert queuedrill("run", "--quiet", night(trace))[0] == 0


@pytest.mark.parametrize(
    ("trace", "complaint"),
    [
        ("../outside/jobs.csv", OUT),
        ("PLACE/outside/jobs.csv", OUT),
        ("link.csv", OUT),
        ("/dev/zero", "is a device, a pipe or a socket: name a regular file"),
        ("pipe.csv", "is a device, a pipe or a socket: name a regular file"),
        ("below", "is a folder: name a file in it"),
        ("round.csv", "cannot be read: Too many levels of symbolic links"),
    ],
)
def test_any_other_file_is_refused(
    trace: str, complaint: str, night: Callable[[str], str], place: Path, queuedrill: Call
) -> None:
    """Each command that reads a scenario refuses what leads out of its folder or is no regular file, unopened."""
    file = night(trace)
    shown = trace.replace("PLACE", str(place))
    said = f"{file}:8:35: wrong-reference: {PLACE}: {shown!r} {complaint}\n"
    size = ("size", file, "--by", "pools.dome.count", "--values", "1,2")
    for command in (("run", file), ("check", file), ("hunt", file), ("compare", file), ("watch", file), size):
        assert queuedrill(*command) == (2, "", said), command


@pytest.mark.slow
def test_a_folder_may_be_allowed(night: Callable[[str], str], place: Path, queuedrill: Call) -> None:
    """``--allow-folder``, as often as needed, lets each command read files below other folders, and those alone."""
    file = night("link.csv")
    allowed = ("--allow-folder", "mine/below", "--allow-folder", "outside")
    log = ("--log", "night.db")
    assert queuedrill("run", "--quiet", file, *log, *allowed)[0] == 0
    assert queuedrill("check", file, *allowed)[0] == 0
    assert queuedrill("watch", file, "--plain", *allowed)[0] == 0
    assert queuedrill("compare", file, *allowed, "--nights", "2", "--processes", "2", "--quiet")[0] == 0
    size = ("size", file, *allowed, "--by", "pools.dome.count", "--values", "1,2", "--nights", "2")
    assert queuedrill(*size)[0] == 0
    assert queuedrill("hunt", file, *allowed, "--tries", "3", "--quiet")[0] in (0, 1)
    assert queuedrill("run", file, "--allow-folder", "mine/below")[0] == 2
    again = json.loads(queuedrill("run", file, "--json", *allowed).out)["again"]
    assert f"run {file} --seed 1 --allow-folder {place}/mine/below --allow-folder {place}/outside" in again
    of_log = (("page",), ("story", "1"), ("trail",), ("export", "--as", "junit"), ("reproduce",))
    for name, *rest in of_log:
        assert queuedrill(name, "night.db", *rest)[0] == 2, name
        assert queuedrill(name, "night.db", *rest, *allowed)[0] == 0, name
    code, _, err = queuedrill("check", file, "--allow-folder", "nowhere")
    assert (code, err.splitlines()[-1]) == (
        2,
        "Error: Invalid value for '--allow-folder': Directory 'nowhere' does not exist.",
    )


def test_python_may_allow_a_folder_too(night: Callable[[str], str], place: Path) -> None:
    """Whatever takes a scenario takes the folders that it may read too; what is loaded keeps them."""
    file = night("link.csv")
    with pytest.raises(ScenarioError, match="allow its folder by --allow-folder"):
        emulator.run(file)
    loaded = emulator.load(file, allow_folders=["outside"])
    assert emulator.run(loaded).fits and emulator.run(file, allow_folders=[place / "outside"], log="a.db").fits
    assert setting_of(loaded, "two", {"pools.dome.count": 2}).loaded().scenario.pools["dome"].count == 2
    assert reproduce("a.db", allow_folders=["outside"]).identical
    assert emulator.export("a.db", "jobs-csv", allow_folders=["outside"]).count("\n") == 3
    assert emulator.export(emulator.open_log("a.db", allow_folders=["outside"]), "jobs-csv").count("\n") == 3
    with pytest.raises(InputError, match="allow_folders: give them to `load`"):
        emulator.run(loaded, allow_folders=["outside"])
    with pytest.raises(InputError, match="allow_folders: there is no folder nowhere"):
        emulator.load(file, allow_folders=["nowhere"])
    with pytest.raises(InputError, match="allow_folders: found the text 'outside': give a list"):
        emulator.load(file, allow_folders="outside")


def test_the_paths_of_a_log_count_from_the_log(
    night: Callable[[str], str], place: Path, queuedrill: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A log is reproduced wherever the command is started, and after it was moved together with its scenario."""
    file = night("below/jobs.csv")
    assert queuedrill("run", "--quiet", "--log", "mine/night.db", file)[0] == 0
    assert queuedrill("run", "--quiet", "--log", "other.db", file)[0] == 0
    monkeypatch.chdir("/")
    for log in ("mine/night.db", "other.db"):
        assert queuedrill("reproduce", str(place / log))[0] == 0
    (place / "mine").rename(place / "moved")
    assert queuedrill("reproduce", str(place / "moved" / "night.db"))[0] == 0
    (place / "moved" / "below" / "jobs.csv").write_text(TRACE + "21:36\n")
    assert "another below/jobs.csv" in queuedrill("reproduce", str(place / "moved" / "night.db")).err


def test_a_log_cannot_make_the_program_read_what_it_likes(
    night: Callable[[str], str], place: Path, queuedrill: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder that a log names is believed below its own or the current one alone; a pipe in it is refused."""
    assert queuedrill("run", "--quiet", "--log", "night.db", night("below/jobs.csv"))[0] == 0
    (place / "logs").mkdir()
    (place / "night.db").rename(place / "logs" / "night.db")
    with closing(sqlite3.connect("logs/night.db", isolation_level=None)) as file:
        file.execute("UPDATE meta SET value = '../mine' WHERE key = 'scenario_folder'")
    assert queuedrill("reproduce", "logs/night.db")[0] == 0  # it lies below the current folder
    monkeypatch.chdir("logs")
    refused = "'below/jobs.csv' lies neither below the log's folder nor below the current one: allow its folder"
    assert refused in queuedrill("reproduce", "night.db").err
    assert queuedrill("reproduce", "night.db", "--allow-folder", "../mine")[0] == 0
    (place / "mine" / "below" / "jobs.csv").unlink()
    os.mkfifo(place / "mine" / "below" / "jobs.csv")
    code, _, err = queuedrill("reproduce", "night.db", "--allow-folder", "../mine")
    assert (code, "is a device, a pipe or a socket: name a regular file" in err) == (2, True)


def test_files_that_only_the_log_names_are_held_to_the_same(
    night: Callable[[str], str], place: Path, queuedrill: Call
) -> None:
    """What a log lists as read is looked up below the scenario's folder too: nothing else is opened."""
    assert queuedrill("run", "--quiet", "--log", "night.db", "fits.yaml")[0] == 0
    for name, complaint in (("outside/../mine/pipe.csv", "is a device, a pipe or a socket"), ("/etc/passwd", OUT)):
        with closing(sqlite3.connect("night.db", isolation_level=None)) as file:
            file.execute("UPDATE meta SET value = ? WHERE key = 'files'", [f'{{"{name}":"0"}}'])
        night("jobs.csv")
        code, out, err = queuedrill("reproduce", "night.db")
        assert (code, out) == (2, "")
        assert err.startswith(f"night.db: a file that the recorded run read cannot be read: {name!r} {complaint}")


def test_the_digests_of_files_are_part_of_what_a_comparison_is_of(
    night: Callable[[str], str], place: Path, queuedrill: Call
) -> None:
    """A comparison is not gone on with after a trace has changed: its nights would be of two different traces."""
    command = ("compare", night("jobs.csv"), "--nights", "2", "--processes", "1", "--quiet", "--results", "kept.db")
    assert queuedrill(*command)[0] == 0
    assert queuedrill(*command, "--resume")[0] == 0
    (place / "mine" / "jobs.csv").write_text(TRACE + "21:36\n")
    code, _, err = queuedrill(*command, "--resume")
    assert (code, "another comparison, other in the scenario under its variants" in err) == (2, True)


def test_a_trace_that_turned_into_a_pipe_is_not_waited_for(night: Callable[[str], str], place: Path) -> None:
    """Between loading and running a file may be replaced: what is no regular file any more is refused, not opened."""
    loaded = emulator.load(night("jobs.csv"))
    (place / "mine" / "jobs.csv").unlink()
    os.mkfifo(place / "mine" / "jobs.csv")
    with pytest.raises(InputError, match=r"mine/night\.yaml: jobs\.csv cannot be read: it is no regular file"):
        emulator.run(loaded)


def test_help_says_that_the_scheduler_of_a_cluster_must_be_trusted(queuedrill: Call) -> None:
    """Who controls the scheduler can run code on this machine: the help says so."""
    said = " ".join(queuedrill("compare", "--help").out.split())
    assert "the Dask cluster of this scheduler. Trust it first: it can run code here." in said
