"""``run --nights N --questions``: what a scenario asks is answered by nights on the same draws."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]

NIGHT = """\
title: Copies
starts: 2026-06-12T21:30:00
lasts: 3h
queues:
  night: {lease: 90s}
pools:
  dome: {count: 1, serves: [night], poll: 0s, heartbeat: 22s}
routines:
  copy:
    queue: night
    parts: [{name: copy, takes: 10m, effect: copied}]
arrivals:
  - {name: plates, routine: copy, count: 3, at: "21:30"}
must_hold:
  - {measure: done, at_least: 3}
  - {measure: makespan, at_most: 40m}
questions:
  - ask: What if a copy takes a quarter of an hour?
    change: {routines.copy.parts.copy.takes: 15m}
  - ask: What if there are two workers?
    change: {pools.dome.count: 2}
"""
LATE = NIGHT.replace("takes: 10m,", "takes: {between: [8m, 15m]},").replace("40m}", "40m, in_share: 0.5}")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("night.yaml").write_text(NIGHT)
    return tmp_path


def asked(queuedrill: Call, *more: str, file: str = "night.yaml", nights: int = 2) -> Any:
    return queuedrill("run", file, "--nights", str(nights), "--processes", "1", "--questions", *more)


def test_each_question_is_answered(queuedrill: Call, place: Path) -> None:
    """One worker copies three plates in 30 minutes, in 45 where a copy takes 15; two workers need 20.

    Nothing is random, so one night decides; worker-hours are planned: 3 h of one worker, 6 of two.
    """
    code, out, _ = asked(queuedrill)
    assert (code, out) == (
        0,
        """\
As written the night fits, in 2 of 2 nights. It fits with 1 of 2 questions.

Copies. 2 nights of each on the same draws, seeds 1 to 2.

Answers
              answer        nights kept  95 % interval
  as written  fits          2 of 2       -
  1           does not fit  0 of 2       -
  2           fits          2 of 2       -

1. What if a copy takes a quarter of an hour?
  makespan at most 40 min is missed: kept in 0 of 2 nights.
  It costs: makespan 15 min longer.
  The same: planned worker-hours, share of jobs done, wasted work.
  queuedrill run night.yaml --change 'routines.copy.parts.copy.takes="15m"' \\
    --seed 1

2. What if there are two workers?
  It costs: planned worker-hours 3 higher.
  It changes: makespan 10 min shorter.
  The same: share of jobs done, wasted work.

A rehearsal is a model: it supports and does not replace the organisation's own
change control, restore tests and the judgement of whoever is responsible for
the systems.
""",
    )


def test_the_command_of_an_answer_runs_its_night(queuedrill: Call, place: Path) -> None:
    """As a shell takes it apart; the night misses what the answer says."""
    import shlex

    told = json.loads(asked(queuedrill, "--json")[1])
    command = told["questions"][0]["command"]
    code, out, _ = queuedrill(*shlex.split(command)[1:], "--seed", "1", "--json")
    [missed] = [one for one in json.loads(out)["requirements"] if one["met"] is False]
    assert (code, missed["found"]["value"]) == (1, 45 * 60_000_000)


def test_answers_as_data_and_as_a_page(queuedrill: Call, place: Path) -> None:
    """The same answers, each with its figures; the page holds the words and the commands."""
    code, out, _ = asked(queuedrill, "--json", "--page", "it.html", "--change", "about=asked")
    told = json.loads(out)
    assert code == 0
    assert [(one["ask"], one["answer"], one["kept"], one["judged"]) for one in told["questions"]] == [
        ("What if a copy takes a quarter of an hour?", "does_not_fit", 0, 2),
        ("What if there are two workers?", "fits", 2, 2),
    ]
    assert [one["label"] for one in told["questions"][0]["fails"]] == ["makespan at most 40 min"]
    [makespan] = [one for one in told["questions"][0]["costs"] if one["measure"] == "makespan"]
    assert (makespan["mean"], makespan["effect"]) == (15 * 60_000_000, "worse")
    assert told["changes"] == ["--change about=asked"]
    page = Path("it.html").read_text()
    for words in (
        "What if there are two workers?",
        "does not fit",
        "It costs: makespan 15 min longer.",
        "Copies, with",
    ):
        assert words in page, words
    assert asked(queuedrill, "--quiet")[1].startswith("As written the night fits, in 2 of 2 nights.")


def test_few_nights_leave_it_open(queuedrill: Call, place: Path) -> None:
    """The exit code is that of the scenario as written: 4 where too few nights decide, 1 where it does not fit."""
    Path("late.yaml").write_text(LATE)
    code, out, _ = asked(queuedrill, file="late.yaml", nights=3)
    assert (code, out.partition(":")[0]) == (4, "As written too few nights decide")
    assert asked(queuedrill, "--undecided", "0", file="late.yaml", nights=3)[0] == 0
    Path("worse.yaml").write_text(NIGHT.replace("at_most: 40m", "at_most: 10m"))
    assert asked(queuedrill, file="worse.yaml")[0] == 1


@pytest.mark.parametrize(
    "arguments, message",
    [
        (("night.yaml", "--questions"), "--questions are answered by many nights as written: give --nights"),
        (("night.yaml", "--questions", "--nights", "2", "--variant", "x"), "give --nights, and no --variant."),
        (("plain.yaml", "--questions", "--nights", "2"), "plain.yaml: it asks no questions: give it `questions`"),
    ],
)
def test_what_cannot_be_answered_is_told(
    queuedrill: Call, place: Path, arguments: tuple[str, ...], message: str
) -> None:
    """Exit code 2, and what is missing."""
    Path("plain.yaml").write_text(NIGHT.partition("questions:")[0])
    code, _, err = queuedrill("run", *arguments)
    assert (code, message in err) == (2, True)


def test_without_requirements_nothing_is_asked_of_the_night(queuedrill: Call, place: Path) -> None:
    """The answers have their costs all the same, and the exit code is 0."""
    head, _, rest = NIGHT.partition("must_hold:")
    Path("none.yaml").write_text(head + rest[rest.index("questions:") :])
    code, out, _ = asked(queuedrill, file="none.yaml")
    assert (code, out.splitlines()[0]) == (
        0,
        "As written no night had a requirement to judge. It fits with 0 of 2 questions.",
    )
    assert "  It costs: makespan 15 min longer.\n" in out


def test_one_question_is_answered_in_a_sentence(queuedrill: Call, place: Path) -> None:
    """Whether the night fits with it too, or does not."""
    Path("one.yaml").write_text(NIGHT[: NIGHT.index("  - ask: What if there are two")])
    assert asked(queuedrill, "--quiet", file="one.yaml")[1] == (
        "As written the night fits, in 2 of 2 nights. With the one question it does not fit.\n"
    )
    Path("one.yaml").write_text(LATE[: LATE.index("  - ask: What if there are two")])
    assert asked(queuedrill, "--quiet", file="one.yaml")[1].endswith("The one question is open.\n")


def test_a_requirement_that_no_night_can_judge_leaves_it_open(queuedrill: Call, place: Path) -> None:
    """Without a single job of an entry nothing tells how long its jobs take: not judged is not good."""
    asks = "must_hold:\n  - {measure: turnaround_p90, at_most: 1h}\n"
    text = NIGHT.replace('count: 3, at: "21:30"', 'count: 3, at: "23:59", not_before: "00:20"')
    head, _, rest = text.partition("must_hold:")
    Path("later.yaml").write_text(
        head.replace("count: 3, at", "count: 0, at") + asks + rest[rest.index("questions:") :]
    )
    code, out, _ = asked(queuedrill, file="later.yaml")
    assert (code, "not judged" in out) == (4, True)


def test_more_requirements_than_are_told_are_counted(queuedrill: Call, place: Path) -> None:
    """Three that fail are named, and how many more."""
    more = "".join(f"  - {{measure: makespan, at_most: {minutes}m}}\n" for minutes in (36, 37, 38, 39))
    Path("many.yaml").write_text(NIGHT.replace("questions:", f"{more}questions:"))
    assert "  And 2 more requirements.\n" in asked(queuedrill, file="many.yaml")[1]
    assert asked(queuedrill, file="many.yaml", nights=0)[0] == 2


def test_long_questions_keep_within_80_columns(queuedrill: Call, place: Path) -> None:
    """A question of 200 characters is wrapped, and names the same question."""
    ask = "What if " + "it rains and " * 14 + "the dome is shut?"[:10]
    Path("long.yaml").write_text(NIGHT.replace("What if there are two workers?", f'"{ask}"'))
    out = asked(queuedrill, file="long.yaml")[1]
    assert ask in " ".join(out.split())
    assert [line for line in out.splitlines() if len(line) > 80] == []
