"""``queuedrill run``: what it prints where, and how it ends."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from emulator.errors import DefectError
from emulator.experiment import night
from emulator.record.log_reader import open_log

Call = Callable[..., tuple[int, str, str]]
GOLDEN = Path(__file__).parent.parent / "golden"
FITS = "The night fits: the one requirement is met.\n"
MISSES = "The night does not fit: makespan is 20 min, at most 19 min asked. 1 of 1 requirement missed.\n"
WRONG = (
    "wrong.yaml:1:1: missing-key: lasts: `lasts` is missing: "
    "How long it lasts; what is unfinished then is shown as such.\n"
    "wrong.yaml:4:1: unknown-key: lsts: unknown key 'lsts': did you mean 'lasts'?\n"
    "wrong.yaml:5:25: wrong-value: queues.night.lease: 'long' is not a duration: write 90s, 1h30m, 500ms or PT30S\n"
)


def test_a_night_that_fits_prints_its_summary_alone(queuedrill: Call) -> None:
    """The summary of a night is all that is printed, within 80 columns, and the exit code is 0 (a pin)."""
    code, out, err = queuedrill("run", "fits.yaml")
    assert (code, out, err) == (0, (GOLDEN / "run-fits.txt").read_text(), "")
    assert max(map(len, out.splitlines())) <= 80


def test_a_missed_requirement_ends_with_one(queuedrill: Call) -> None:
    """A night that misses a requirement ends with 1, also where the scenario is meant to miss it."""
    assert queuedrill("run", "misses.yaml", "--quiet") == (1, MISSES, "")


def test_mistakes_are_named_one_a_line_without_a_traceback(queuedrill: Call) -> None:
    """A wrong scenario ends with 2, and every mistake is one line on standard error."""
    assert queuedrill("run", "wrong.yaml") == (2, "", WRONG)


def test_a_file_that_is_not_there_is_an_error_of_input(queuedrill: Call) -> None:
    """A missing file is named, and ends with 2."""
    assert queuedrill("run", "none.yaml") == (
        2,
        "",
        "none.yaml: unreadable: cannot be read: No such file or directory\n",
    )


@pytest.mark.parametrize(
    ("files", "code"),
    [
        (["fits.yaml", "fits.yaml"], 0),
        (["misses.yaml", "fits.yaml"], 1),
        (["wrong.yaml", "misses.yaml", "fits.yaml"], 2),
    ],
)
def test_of_several_files_each_is_run_and_the_worst_decides(queuedrill: Call, files: list[str], code: int) -> None:
    """Each file that can be run is run, whatever the others do, and the exit code is the worst of all."""
    sentences = {"fits.yaml": FITS, "misses.yaml": MISSES}
    ended, out, _ = queuedrill("run", "--quiet", *files)
    assert (ended, out) == (code, "".join(f"{file}: {sentences[file]}" for file in files if file in sentences))


def test_several_summaries_stand_under_their_files(queuedrill: Call) -> None:
    """With several files each summary stands under the name of its file, after an empty line."""
    one = queuedrill("run", "fits.yaml")[1]
    assert queuedrill("run", "fits.yaml", "fits.yaml") == (0, f"fits.yaml\n{one}\nfits.yaml\n{one}", "")


def test_json_is_one_line_for_each_file(queuedrill: Call) -> None:
    """``--json`` gives one object a line, with the file and the verdict."""
    code, out, err = queuedrill("run", "--json", "fits.yaml", "misses.yaml")
    told = [json.loads(line) for line in out.splitlines()]
    assert (code, err) == (1, "")
    assert [(it["file"], it["verdict"]["fits"], it["seed"]) for it in told] == [
        ("fits.yaml", True, 1),
        ("misses.yaml", False, 1),
    ]
    assert told[0]["figures"]["makespan"]["value"] == 20 * 60 * 1_000_000


def test_the_seed_can_be_chosen(queuedrill: Call) -> None:
    """``--seed`` takes the place of the scenario's seed, and the summary tells how to run that night again."""
    code, out, _ = queuedrill("run", "fits.yaml", "--seed", "7")
    assert code == 0
    assert "One night (seed 7)." in out
    assert "queuedrill run fits.yaml --seed 7" in queuedrill("run", "fits.yaml", "--seed", "7", "--all")[1]


def test_a_log_is_written_and_told_on_standard_error(queuedrill: Call) -> None:
    """``--log`` writes every event to a file of a finished run; standard output is as without it."""
    plain = queuedrill("run", "fits.yaml")[1]
    assert queuedrill("run", "fits.yaml", "--log", "a.qdlog") == (
        0,
        plain,
        "Log written to a.qdlog\n",
    )
    structured = queuedrill("run", "fits.yaml", "--log", "a.qdlog", "--overwrite", "--structured")
    assert structured == (0, plain, 'level=info event="log written" path=a.qdlog seed=1\n')
    log = open_log("a.qdlog")
    log.verify()
    assert (log.seed, log.meta.scenario_name) == (1, "fits.yaml")


def test_a_log_is_overwritten_only_when_told(queuedrill: Call) -> None:
    """An earlier log stays as it is unless ``--overwrite`` is given."""
    queuedrill("run", "fits.yaml", "--log", "a.qdlog")
    before = Path("a.qdlog").read_bytes()
    code, out, err = queuedrill("run", "fits.yaml", "--log", "a.qdlog", "--seed", "2")
    assert (code, out, err.count("\n"), Path("a.qdlog").read_bytes()) == (2, "", 1, before)
    assert queuedrill("run", "fits.yaml", "--log", "a.qdlog", "--seed", "2", "--overwrite", "--quiet") == (0, FITS, "")
    assert open_log("a.qdlog").seed == 2


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (["fits.yaml", "misses.yaml", "--log", "a"], "--log takes one FILE: each run needs a log of its own."),
        (
            ["fits.yaml", "--overwrite"],
            "--overwrite says what may become of a log or a page: give --log or --page too.",
        ),
        (
            ["fits.yaml", "--pace", "nan"],
            "Invalid value for '--pace': nan is out of range: give seconds of virtual time a second, above 0.",
        ),
        (
            ["fits.yaml", "--pace", "0"],
            "Invalid value for '--pace': 0 is out of range: give seconds of virtual time a second, above 0.",
        ),
        (["fits.yaml", "--seed", "-1"], "Invalid value for '--seed': -1 is not in the range x>=0."),
        ([], "Missing argument 'FILE...'."),
    ],
)
def test_arguments_that_make_no_sense_are_refused(queuedrill: Call, arguments: list[str], error: str) -> None:
    """Wrong arguments end with 2, nothing is run, and the last line says what is wrong."""
    code, out, err = queuedrill("run", *arguments)
    assert (code, out, err.splitlines()[-1]) == (2, "", f"Error: {error}")


def test_a_seed_beyond_the_range_is_an_error_of_input(queuedrill: Call) -> None:
    """A seed of 2**63 or more is refused in words."""
    words = "the seed 9223372036854775808 is out of range: give a whole number from 0 to 9223372036854775807\n"
    assert queuedrill("run", "fits.yaml", "--seed", str(2**63)) == (2, "", words)


def test_a_paced_run_prints_the_same(queuedrill: Call) -> None:
    """A pace changes how long a run takes, and nothing that it prints."""
    assert queuedrill("run", "fits.yaml", "--pace", "1e6") == queuedrill("run", "fits.yaml")


@pytest.mark.parametrize("wish", ["", "1"])
@pytest.mark.parametrize("error", [ZeroDivisionError("by\nzero"), DefectError("by zero")])
def test_a_defect_says_what_to_report(
    queuedrill: Call, monkeypatch: pytest.MonkeyPatch, error: Exception, wish: str
) -> None:
    """A defect ends with 3 and a short text with the versions; the traceback comes only when it is asked for."""

    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(night, "World", fail)
    monkeypatch.setenv("QUEUEDRILL_TRACEBACK", wish)
    code, out, err = queuedrill("run", "fits.yaml")
    lines = err.splitlines()
    assert (code, out) == (3, "")
    assert lines[0] == f"queuedrill has a defect, your input is not to blame: {type(error).__name__}: by zero"
    assert lines[1].startswith("queuedrill 0.1.0, Python 3.")
    assert ("Traceback (most recent call last):" in lines) == bool(wish)
    assert len(lines) == 4 or wish
