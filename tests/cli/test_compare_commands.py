"""``compare``, ``size``, ``hunt`` and ``run --nights``: whole outputs, exit codes, files, and what is refused."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from emulator import compare, load
from emulator.errors import InputError
from emulator.show.words import planned_words
from emulator.testing.hunting import hunt
from emulator.testing.strategies import KINDS, fault_schedules

Call = Callable[..., Any]

COMPARED = """\
title: Copies of plates
starts: 2026-06-12T21:30:00
lasts: 2h
queues: {night: {lease: 90s}}
pools: {dome: {count: 1, serves: [night], poll: 0s, heartbeat: 20s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: {median: 4m, p95: 9m}, effect: copied, repeatable: false}]}}
arrivals: [{routine: copy, count: 6, at: "21:35"}]
must_hold: [{measure: makespan, at_most: 40m, in_share: 0.5}, {measure: unsafe_repeats, at_most: 0}]
variants: {two: {pools.dome.count: 2}}
"""


@pytest.fixture
def compared(place: Path) -> Path:
    """A scenario with one variant, in the folder that commands work in."""
    path = place / "compared.yaml"
    path.write_text(COMPARED)
    return path


FEW = ["--nights", "42", "--processes", "1"]
"""As many nights as show that nothing is missed, for two candidates."""


def test_compare_prints_its_verdict_first_and_ends_with_what_the_variants_hold(
    queuedrill: Call, compared: Path
) -> None:
    """The same command gives the same output; ``--quiet`` the verdict alone, ``--json`` one line."""
    code, out, err = queuedrill("compare", "compared.yaml", *FEW, "--measures", "makespan")
    assert (code, err) == (0, "")
    first = out.split("\n\n")[0].replace("\n", " ")
    assert first == (
        "Take the scenario as written: it kept both requirements in 41 of 42 nights (at least 85 % of all, 95 % sure). "
        "'two' qualifies too, with planned worker-hours 2 higher."
    )
    assert queuedrill("compare", "compared.yaml", *FEW, "--measures", "makespan") == (code, out, err)
    quiet = queuedrill("compare", "compared.yaml", *FEW, "--measures", "makespan", "--quiet")
    assert quiet.out == out.split("\n\n")[0].replace("\n", " ") + "\n"
    said = json.loads(queuedrill("compare", "compared.yaml", *FEW, "--json").out)
    assert (said["files"], said["holds"], said["nights"]) == (["compared.yaml"], True, 42)


def test_compare_writes_csv_markdown_and_pictures(queuedrill: Call, compared: Path) -> None:
    """Each is written to where it was asked for, and nothing else is."""
    options = ["--csv", "a.csv", "--markdown", "a.md", "--pictures", "pictures", "--quiet"]
    assert queuedrill("compare", "compared.yaml", *FEW, *options).code == 0
    assert Path("a.csv").read_bytes().startswith(b"measure,variant,unit,nights,")
    assert Path("a.md").read_text("utf-8").startswith("**Take the scenario as written: it kept ")
    assert sorted(path.name for path in Path("pictures").iterdir()) == ["differences.svg", "trade-off.svg"]


def test_pictures_are_light_or_dark_or_both(queuedrill: Call, compared: Path) -> None:
    """``--theme`` fixes what the viewer's system would choose; the drawing is the same."""
    drawn = {}
    for theme in ("both", "light", "dark"):
        options = ["--pictures", theme, *(["--theme", theme] if theme != "both" else []), "--quiet"]
        assert queuedrill("compare", "compared.yaml", *FEW, *options).code == 0
        for path in Path(theme).iterdir():
            style, _, rest = path.read_text().partition("<style>")[2].partition("</style>")
            drawn[theme, path.name] = (style, rest)
    for name in ("differences.svg", "trade-off.svg"):
        (both, rest), (light, rest_light), (dark, rest_dark) = (
            drawn[theme, name] for theme in ("both", "light", "dark")
        )
        assert (rest_light, rest_dark) == (rest, rest)
        assert both == f"{light}@media(prefers-color-scheme:dark){{{dark}}}"


def test_compare_writes_the_page_that_python_gives(queuedrill: Call, compared: Path) -> None:
    """``--page`` writes one HTML file as ``page()`` of the comparison does; it names nothing of this machine."""
    assert (
        queuedrill("compare", "compared.yaml", *FEW, "--measures", "makespan", "--page", "a.html", "--quiet").code == 0
    )
    written = Path("a.html").read_text("utf-8")
    assert written == compare(compared.name, nights=42, processes=1, measures=["makespan"]).page()
    assert (written.startswith("<!doctype html>"), str(compared.parent) in written) == (True, False)


def test_what_cannot_be_written_is_told_before_the_work(queuedrill: Call, compared: Path) -> None:
    """A picture's name that is a folder already is wrong input, no defect."""
    (Path("pictures") / "trade-off.svg").mkdir(parents=True)
    code, out, err = queuedrill("compare", "compared.yaml", *FEW, "--pictures", "pictures")
    assert (code, out) == (2, "")
    assert "pictures/trade-off.svg cannot be written: Is a directory; name another file." in err


def test_compare_ends_with_1_where_none_qualifies_and_with_4_where_nights_are_too_few(
    queuedrill: Call, compared: Path
) -> None:
    """One is said to be missed, the other to need more nights; ``--undecided`` chooses its code."""
    compared.write_text(COMPARED.replace("at_most: 40m", "at_most: 5m"))
    bad = queuedrill("compare", "compared.yaml", *FEW, "--quiet")
    assert (bad.code, "It misses: makespan at most 5 min" in bad.out) == (1, True)
    compared.write_text(COMPARED.replace("in_share: 0.5", "in_share: 0.9"))
    few = ["compare", "compared.yaml", "--nights", "4", "--processes", "1", "--quiet"]
    assert (queuedrill(*few).code, "Too few nights to decide: " in queuedrill(*few).out) == (4, True)
    assert [queuedrill(*few, "--undecided", code).code for code in "014"] == [0, 1, 4]
    assert queuedrill(*few, "--undecided", "3").code == 2


def test_compare_keeps_its_nights_and_goes_on(queuedrill: Call, compared: Path) -> None:
    """What a file of results keeps is not run again; another comparison is refused."""
    first = queuedrill("compare", "compared.yaml", "--nights", "5", "--processes", "1", "--results", "r.db")
    assert first.code == 4
    on = queuedrill("compare", "compared.yaml", *FEW, "--results", "r.db", "--resume")
    assert on == queuedrill("compare", "compared.yaml", *FEW)
    refused = queuedrill("compare", "compared.yaml", *FEW, "--results", "r.db")
    assert (refused.code, refused.err) == (
        2,
        "r.db is there already: go on with it by --resume (in Python: resume=True), or give another name\n",
    )


def test_several_files_are_compared_as_they_stand(queuedrill: Call, compared: Path) -> None:
    """The first is the baseline; what is equal shows no difference."""
    Path("other.yaml").write_text(COMPARED.replace("lasts: 2h", "lasts: PT2H"))
    same = queuedrill("compare", "compared.yaml", "other.yaml", *FEW, "--quiet")
    assert same.out.startswith(
        "Tie: 'compared.yaml' and 'other.yaml' both kept both requirements in 41 of 42 nights "
        "(at least 85 % of all, 95 % sure). Compared by "
    )
    assert "they do not clearly differ" in same.out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["compare", "compared.yaml", "--variants", "tow"], "there is no variant 'tow': did you mean 'two'?"),
        (
            ["compare", "compared.yaml", "--measures", "makespam"],
            "there is no figure 'makespam': did you mean 'makespan'?",
        ),
        (
            ["compare", "compared.yaml", "--precision", "5%", "--nights", "3"],
            "both say how many nights: choose one",
        ),
        (["compare", "compared.yaml", "--at-most", "3"], "--at-most is the limit of --precision: give that too"),
        (["compare", "compared.yaml", "--resume"], "give --results too"),
        (["compare", "compared.yaml", "--trade-off", "makespan"], "--trade-off takes two figures"),
        (
            ["compare", "compared.yaml", "--csv", "no/such/folder.csv"],
            "no/such/folder.csv cannot be written: No such file",
        ),
        (
            ["compare", "compared.yaml", "--page", "no/such/folder.html"],
            "no/such/folder.html cannot be written: No such file",
        ),
        (["run", "compared.yaml", "--page", "no/such/page.html"], "no/such/page.html cannot be written: No such file"),
        (["compare", "compared.yaml", "--pictures", "fits.yaml"], "fits.yaml cannot be made: File exists"),
        (["compare", "compared.yaml", "--variants", ","], "--variants names none: name some, or leave it out for all"),
        (
            ["compare", "compared.yaml", "--csv", "./compared.yaml"],
            "./compared.yaml is what is read: name another file to write to",
        ),
        (["compare", "compared.yaml", "--csv", "a", "--page", "a"], "a is named twice: give each a file of its own"),
        (["compare", "compared.yaml", "--results", "a", "--page", "a"], "a is named twice"),
        (["run", "compared.yaml", "--page", "compared.yaml", "--overwrite"], "compared.yaml is what is read"),
        (["run", "compared.yaml", "--page", "a", "--log", "a", "--overwrite"], "a is named twice"),
        (
            ["size", "compared.yaml", "--by", "pools.dome.count", "--from", "0", "--to", "99999999999"],
            "100,000,000,000 values are out of range: try 1 to 100",
        ),
        (["compare", "compared.yaml", "--theme", "dark"], "--theme is how the files of --pictures look: give that too"),
        (
            ["compare", "compared.yaml", "--pictures", "p", "--theme", "drak"],
            "'drak' is not one of 'both', 'light', 'dark'",
        ),
        (["compare", "compared.yaml", "fits.yaml", "--variants", "two"], "--variants are those of one FILE"),
        (["compare", "fits.yaml"], "fits.yaml: there is nothing to compare"),
        (["compare", "compared.yaml", "--confidence", "95"], "a confidence of 95 is out of range"),
        (["compare", "nowhere.yaml"], "nowhere.yaml: unreadable: cannot be read: No such file or directory"),
        (["compare", "wrong.yaml"], "wrong.yaml:"),
        (["size", "compared.yaml", "--by", "pools.dome.count"], "which values? give --from and --to, or --values"),
        (["size", "compared.yaml", "--by", "pools.dom.count", "--from", "1", "--to", "2"], "did you mean 'dome'?"),
        (["size", "compared.yaml", "--by", "pools.dome.count", "--values", "1,few"], "pools.dome.count = few"),
        (["run", "compared.yaml", "--nights", "3", "--log", "a.qdlog"], "--log and --pace are for one night"),
        (["run", "compared.yaml", "--processes", "3"], "give --nights too"),
        (["run", "compared.yaml", "--variant", "tow"], "there is no variant 'tow': did you mean 'two'?"),
        (
            ["run", "compared.yaml", "--variant", "tow", "--nights", "2"],
            "there is no variant 'tow': did you mean 'two'?",
        ),
        (["hunt", "compared.yaml", "--kinds", "power_of"], "'power_of' is not drawn: did you mean 'power_off'?"),
        (["hunt", "compared.yaml", "--kinds", "missing_tool"], "the scenario has no target for missing_tool"),
        (["hunt", "misses.yaml"], "no requirement holds in the night with seed 1 before any fault"),
    ],
)
def test_wrong_input_ends_with_2_and_says_what_instead(
    queuedrill: Call, compared: Path, arguments: list[str], message: str
) -> None:
    """Each is told on standard error, without a traceback and before any night is run."""
    code, out, err = queuedrill(*arguments, *(["--processes", "1"] if arguments[0] == "compare" else []))
    assert (code, out) == (2, "")
    assert message in err
    assert "Traceback" not in err


def test_many_nights_are_judged_together(queuedrill: Call, compared: Path) -> None:
    """``run --nights`` says in what share of nights each requirement holds, of a variant too, and for several files."""
    code, out, _ = queuedrill("run", "compared.yaml", "--nights", "40", "--variant", "two", "--processes", "1")
    assert (code, out.splitlines()[0]) == (
        0,
        "The night fits often enough: both requirements were kept in all 40 nights. At",
    )
    assert "makespan: median " in out
    both = queuedrill("run", "compared.yaml", "fits.yaml", "--nights", "3", "--processes", "1", "--quiet")
    assert [line.split(":")[0] for line in both.out.splitlines()] == ["compared.yaml", "fits.yaml"]
    said = json.loads(queuedrill("run", "compared.yaml", "--nights", "3", "--processes", "1", "--json").out)
    assert (said["file"], said["nights"], said["differences"]) == ("compared.yaml", 3, [])
    assert queuedrill("run", "compared.yaml", "--variant", "two", "--quiet").code == 0


@pytest.mark.slow
def test_size_gives_the_smallest_value_and_ends_with_1_or_4_without_one(queuedrill: Call, compared: Path) -> None:
    """Whole numbers or a list; the answer alone, the page, or JSON."""
    options = ["--by", "pools.dome.count", "--nights", "40", "--processes", "1"]
    code, out, _ = queuedrill("size", "compared.yaml", *options, "--from", "1", "--to", "3", "--share", "0.8")
    assert (code, out.splitlines()[0][:54]) == (0, "Take 1: every pools.dome.count that was tried keeps th")
    quiet = queuedrill("size", "compared.yaml", *options, "--values", "2,3", "--quiet", "--share", "0.8")
    assert quiet.out.count("\n") == 1
    said = json.loads(queuedrill("size", "compared.yaml", *options, "--values", "1,2", "--json").out)
    assert [row["value"] for row in said["tried"]] == [1, 2]
    none = queuedrill("size", "compared.yaml", *options, "--values", "1", "--quiet", "--share", "0.99")
    assert (
        none.code,
        none.out.startswith("No pools.dome.count that was tried is shown to "),
    ) == (4, True)
    never = queuedrill("size", "compared.yaml", *options, "--values", "0", "--quiet", "--share", "0.9")
    few = ["size", "compared.yaml", *options, "--values", "1", "--share", "0.99", "--quiet"]
    assert (never.code, queuedrill(*few).code, queuedrill(*few, "--undecided", "0").code) == (1, 4, 0)


MORE = "\nMore: --tries N   --kinds A,B   --json\n"
FOUND = """\
One fault breaks the night: {words}. {tried} nights were tried.
  Missed: effects repeated that are not safe to repeat: 1 (asked: at most 0).

To see that night, put this into compared.yaml:

faults:
  - {{{fault}}}

and run it:
  queuedrill run compared.yaml --seed 1

More: --tries N   --kinds A,B   --json
"""


@pytest.mark.slow
def test_hunt_finds_the_smallest_faults_and_the_same_each_time(queuedrill: Call, compared: Path) -> None:
    """What it prints can be pasted, and then the scenario misses what it says; the same seed finds the same."""
    compared.write_text(
        COMPARED.replace("queues: {night: {lease: 90s}}", "queues: {night: {retry: {attempts_in_all: 3}}}").replace(
            "{measure: makespan, at_most: 40m, in_share: 0.5}, ", ""
        )
    )
    first = queuedrill("hunt", "compared.yaml", "--tries", "300", "--kinds", "lose_results,power_off")
    assert first == queuedrill("hunt", "compared.yaml", "--tries", "300", "--kinds", "lose_results,power_off")
    assert first.code == 1
    said = json.loads(
        queuedrill("hunt", "compared.yaml", "--tries", "300", "--kinds", "lose_results,power_off", "--json").out
    )
    [fault] = said["faults"]
    assert fault["lose_results"] == "dome-1"
    text = ", ".join(f"{key}: {value}" for key, value in fault.items())
    head, _, rest = first.out.partition("\n  Missed")  # the sentence is wrapped
    assert f"{' '.join(head.split())}\n  Missed{rest}" == FOUND.format(
        tried=said["tried"], fault=text, words=planned_words(fault)
    )
    pasted = first.out.partition("faults:")[2].partition("\n\nand")[0]
    Path("found.yaml").write_text(compared.read_text() + "faults:" + pasted + "\n")
    assert (
        "effects repeated that are not safe to repeat: 1 (asked: at most 0)"
        in queuedrill("run", "found.yaml", "--seed", "1", "--all").out
    )
    assert not Path(".hypothesis").exists()


def test_hunt_says_how_many_it_tried(queuedrill: Call, compared: Path) -> None:
    """Slow heartbeats break nothing here: the budget is used up, and no more."""
    code, out, err = queuedrill("hunt", "compared.yaml", "--tries", "25", "--kinds", "skew_clock")
    assert (code, err) == (0, "")
    tried = int(out.split(": ")[1].split(" ")[0])
    assert out == f"No schedule of faults was found that breaks a requirement: {tried} nights were tried.\n{MORE}"
    assert 1 < tried <= 25


def test_hunt_adds_to_the_faults_that_are_there_and_counts_what_is_missed_already_for_nothing(place: Path) -> None:
    """The fragment has no key that the scenario has already; a requirement that is missed anyway is told apart."""
    path = place / "more.yaml"
    more = "[{measure: done_share, at_least: 1}, {measure: makespan, at_most: 1s}]\n"
    more += 'faults: [{freeze: dome-1, at: "23:20", lasts: 1m}]'
    path.write_text(
        COMPARED.replace(
            "[{measure: makespan, at_most: 40m, in_share: 0.5}, {measure: unsafe_repeats, at_most: 0}]", more
        )
    )
    found = hunt(load(path), tries=200, kinds=["power_off"])
    assert found.faults is not None
    assert (found.has_faults, found.fragment().startswith("  - {power_off: dome-1")) == (True, True)
    assert [text[:20] for text in found.already_missed] == ["Missed: makespan: 25"]
    with pytest.raises(InputError, match="tries=0 is out of range: give a number from 1 to 1,000,000"):
        hunt(load(path), tries=0)


def test_every_kind_that_is_drawn_is_a_fault_of_the_scenario_file() -> None:
    """The kinds are those of the file; how many are drawn is checked."""
    from emulator.scenario.fault_kinds import FAULT_KINDS

    assert set(KINDS) <= set(FAULT_KINDS)
    with pytest.raises(InputError, match="at_least=2, at_most=1: give 0 <= at_least <= at_most"):
        fault_schedules(
            load(Path(__file__).parent.parent.parent / "scenarios" / "lost-results.yaml"), at_least=2, at_most=1
        )


@pytest.mark.slow
def test_hunt_breaks_what_a_share_of_nights_is_asked_of_and_leaves_facts_alone(
    queuedrill: Call, compared: Path
) -> None:
    """The night is judged for itself, whatever share is asked; a fact that faults make untrue is no find."""
    text = COMPARED.partition("must_hold")[0].replace("{median: 4m, p95: 9m}", "4m")
    asked = "must_hold: [{measure: lost_leases, at_most: 0, in_share: 0.9}]\n"
    compared.write_text(text + asked)
    options = ["--tries", "60", "--kinds", "power_off", "--json"]
    found = queuedrill("hunt", "compared.yaml", *options)
    assert (found.code, json.loads(found.out)["faults"][0]["power_off"]) == (1, "dome-1")
    compared.write_text(
        text + "must_hold: [{measure: done, at_least: 0}]\nalso_true: [{measure: lost_leases, exactly: 0}]\n"
    )
    none = queuedrill("hunt", "compared.yaml", *options)
    assert (none.code, json.loads(none.out)["faults"]) == (0, None)


def test_a_comparison_that_is_stopped_says_what_its_nights_say_and_that_it_was_cut_short(
    queuedrill: Call, compared: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 130; the answer is that of the nights that every setting has; without such nights nothing is said.

    Rounds end after 10, 35, 60, 85 and 100 nights of each: in the last one the first setting goes before the other.
    """
    from collections.abc import Iterator
    from contextlib import contextmanager

    stop_at = [0.9]

    class Stopping:
        def __call__(self, share: float) -> None:
            if share > stop_at[0]:
                raise KeyboardInterrupt

        def so_far(self, answer: str) -> None: ...

    @contextmanager
    def stopping(*_: object, **__: object) -> Iterator[Stopping]:
        yield Stopping()

    monkeypatch.setattr("emulator.cli.progress.progress", stopping)
    options = ["compare", "compared.yaml", "--nights", "100", "--processes", "1"]
    stopped = queuedrill(*options, "--json")
    said = json.loads(stopped.out)
    advice = said["recommendation"]
    assert (stopped.code, said["nights"], advice["planned"], advice["cut_short"]) == (130, 85, 100, "interrupted")
    assert "Cut short after 85 of 100 nights." in queuedrill(*options, "--quiet").out
    assert "Cut short after 85 of 100 nights." in " ".join(queuedrill(*options).out.split())
    stop_at[0] = 0.0
    nothing = queuedrill(*options)
    assert (nothing.code, nothing.out) == (130, "")
