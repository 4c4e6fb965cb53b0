"""``queuedrill guesses``: on which guessed values a verdict rests."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from small_place import Ended

Call = Callable[..., Ended]

PAIR = """\
title: A stall in the copies
starts: 2026-06-12T22:00:00
lasts: 2h
queues:
  night:
    lease: {value: 90s, from: guess, plausible: [20s, 5m]}
    retry: {attempts_in_all: 1}
pools: {dome: {count: 1, serves: [night], poll: 0s, heartbeat: 5s}}
routines: {copy: {queue: night, parts: [{name: copy, takes: 10m}]}}
arrivals: [{routine: copy, count: 2, at: "22:00"}]
faults:
  - {freeze: dome-1, at: "22:05", lasts: {value: 5s, from: guess, plausible: [5s, 60s]}}
must_hold: [{measure: done_share, at_least: {value: 1, from: guess}}]
"""
"""One worker, two copies, no draw: a lease of 90 s outlasts a freeze of 60 s, and one of 20 s a freeze of 5 s. A lease
of 20 s, last renewed at most 5 s before, does not outlast a freeze of 60 s: then the copy fails for good."""


@pytest.mark.slow
def test_one_guess_at_a_time_is_blind_to_a_pair(place: Path, queuedrill: Call) -> None:
    """Neither the short lease nor the long stall flips the verdict alone; both together do, and are named."""
    (place / "pair.yaml").write_text(PAIR)
    answer = (
        "The verdict rests on 2 guesses together: faults.0.lasts of 5 s and the lease of 90 s. "
        "Measure one of them first.\n"
    )
    assert queuedrill("guesses", "pair.yaml", "--nights", "1", "--processes", "1", "--quiet") == Ended(1, answer, "")
    code, out, err = queuedrill("guesses", "pair.yaml", "--nights", "1", "--processes", "1", "--pairs", "--json")
    said = json.loads(out)
    (one,) = said["requirements"]
    together = {"ends": {"faults.0.lasts": "high", "queues.night.lease": "low"}, "held": 0, "judged": 1}
    assert (code, err, said["outcome"], said["refused"]) == (1, "", "bad", 0)
    assert (one["as_written"]["held"], [it["held"] for it in one["single"]]) == (1, [1, 1, 1, 1])
    assert one["against"] == {**together, "verdict": "does_not_hold"}
    assert one["smallest"] == one["pairs"] == [one["against"]]
    assert said["combinations"] == 9  # as written, two ends of each guess, four pairs of ends


def test_the_screen_tells_each_guess_alone_and_the_set(place: Path, queuedrill: Call) -> None:
    """The answer comes first, then each requirement with its guesses."""
    (place / "one.yaml").write_text(PAIR.replace("lasts: {value: 5s, from: guess, plausible: [5s, 60s]}", "lasts: 60s"))
    code, out, _ = queuedrill("guesses", "one.yaml", "--nights", "1", "--processes", "1")
    assert (code, out) == (
        1,
        """\
The verdict rests on one guess: the lease of 90 s. Measure that one.

A stall in the copies. 1 night (seed 1) of each of 3 combinations of values.

share of jobs done at least 100 %
  As written: holds (1 of 1 night kept it).
  With the guess at the worst end: does not hold (0 of 1 night kept it).
  guess alone        from  nights kept  to     nights kept  against
  the lease of 90 s  20 s       0 of 1  5 min       1 of 1  20 s
  Flips it: queues.night.lease = 20 s (0 of 1 night kept it).

More: --pairs   --json   --nights N
A rehearsal is a model; it does not replace your own change control.
""",
    )


def test_a_missed_requirement_is_tried_at_the_best_ends(place: Path, queuedrill: Call) -> None:
    """What is missed as written may rest on guesses as well: the other way round."""
    missed = PAIR.replace("value: 90s", "value: 20s").replace("value: 5s", "value: 60s")
    (place / "missed.yaml").write_text(missed)
    code, out, _ = queuedrill("guesses", "missed.yaml", "--nights", "1", "--processes", "1", "--quiet")
    assert (code, out) == (
        1,
        "The verdict rests on each of 2 guesses alone: the lease of 20 s and faults.0.lasts of 60 s. "
        "Measure them all.\n",
    )


def test_half_and_twice_are_tried_where_no_end_is_stated(place: Path, queuedrill: Call) -> None:
    """A guess without ends is tried at half and twice; what is no number is told as not tried."""
    text = PAIR.replace(", plausible: [20s, 5m]", "").replace(", plausible: [5s, 60s]", "")
    text = text.replace("serves: [night]", "serves: {value: [night], from: guess}")
    (place / "plain.yaml").write_text(text)
    code, out, _ = queuedrill("guesses", "plain.yaml", "--nights", "1", "--processes", "1")
    assert code == 0
    assert out.startswith("No verdict rests on a guess: each stays with all guesses at their worst ends at\nonce.\n")
    assert ["the", "lease", "of", "90", "s", "45", "s", "1", "of", "1", "3", "min"] in [
        line.split()[:12] for line in out.splitlines()
    ]
    assert " ".join(out.split("\n\n")[3].split()) == (
        "pools.dome.serves was not tried: it is no number and no duration above 0: give it `plausible: [LOW, HIGH]`. "
        "Nobody said what is plausible for queues.night.lease, faults.0.lasts: half and twice the value were tried. "
        "Say it with `plausible: [LOW, HIGH]`. "
        "Tried: each guess alone, and all at once. Two of them at other ends may still flip a verdict: --pairs."
    )


def test_without_a_guess_nothing_is_played(place: Path, queuedrill: Call) -> None:
    """A scenario without guesses is told how to mark one; where none can be tried, how to state ends."""
    assert queuedrill("guesses", "fits.yaml", "--quiet") == Ended(
        0, "fits.yaml marks no value as a guess. Mark one with {value: 90s, from: guess}.\n", ""
    )
    only = PAIR.replace("{value: 90s, from: guess, plausible: [20s, 5m]}", "90s").replace(
        "{value: 5s, from: guess, plausible: [5s, 60s]}", "5s"
    )
    (place / "list.yaml").write_text(only.replace("serves: [night]", "serves: {value: [night], from: guess}"))
    assert queuedrill("guesses", "list.yaml").out == (
        "list.yaml: none of its guesses can be tried. Give each `plausible: [LOW, HIGH]`.\n\n"
        "pools.dome.serves was not tried: it is no number and no duration above 0: give\n"
        "  it `plausible: [LOW, HIGH]`.\n"
    )


@pytest.mark.parametrize(
    "change, arguments, told",
    [
        (("[20s, 5m]", "[soon, 5m]"), (), "queues.night.lease"),
        (
            ("must_hold: [{measure: done_share, at_least: {value: 1, from: guess}}]", ""),
            (),
            "nothing is required of a night",
        ),
        (("", ""), ("--confidence", "2"), "a confidence of 2 is out of range"),
    ],
)
def test_wrong_input_is_told(
    place: Path, queuedrill: Call, change: tuple[str, str], arguments: tuple[str, ...], told: str
) -> None:
    """An end that cannot stand there, a scenario that asks nothing, and numbers out of range are wrong input."""
    (place / "wrong-end.yaml").write_text(PAIR.replace(*change) if change[0] else PAIR)
    code, out, err = queuedrill("guesses", "wrong-end.yaml", "--nights", "1", *arguments)
    assert (code, out) == (2, "")
    assert told in err


def test_too_few_nights_are_told(place: Path, queuedrill: Call) -> None:
    """Where chance plays a part and the nights are few, no verdict is made up, and the exit code is 4."""
    drawn = PAIR.replace("takes: 10m", "takes: {median: 10m, p95: 11m}")
    (place / "drawn.yaml").write_text(drawn)
    ended = queuedrill("guesses", "drawn.yaml", "--nights", "2", "--processes", "1", "--quiet")
    assert ended == Ended(4, "Too few nights to decide: give more with --nights.\n", "")
