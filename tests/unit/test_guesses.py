"""The words for what guesses do to a verdict, and the ends that nobody stated."""

from typing import Any

import pytest

from emulator.errors import InputError
from emulator.experiment.guesses import guesses, half_and_double
from emulator.measure.comparison.questions import Corner, End, Guess, Resting, Rests, sentence_of
from emulator.show.comparison.questions import guesses_page

GUESSES = tuple(Guess(f"queues.{name}.lease", "the lease of 90 s", "45 s", "3 min") for name in "abc")
HELD = Corner({}, 60, 60, "holds")


def flipped(*names: str) -> Corner:
    """A corner at which the verdict is the other one."""
    ends: dict[str, End] = {f"queues.{name}.lease": "low" for name in names}
    return Corner(ends, 0, 60, "does_not_hold")


@pytest.mark.parametrize(
    "rests, told",
    [
        (Rests("", "", HELD), "The verdict does not rest on a guess."),
        (
            Rests("", "", HELD, smallest=(flipped("a", "b"), flipped("a", "c"))),
            "The verdict rests on 2 guesses together: the lease of 90 s (queues.a.lease) and the lease of 90 s "
            "(queues.b.lease). 1 more set of as many flip it too. Measure one of them first.",
        ),
        (
            Rests("", "", HELD, smallest=(flipped("a", "b", "c"),), proven=False),
            "The verdict rests on 3 guesses together: the lease of 90 s (queues.a.lease), the lease of 90 s "
            "(queues.b.lease) and the lease of 90 s (queues.c.lease). No single one of them can be left out. "
            "Measure one of them first.",
        ),
    ],
)
def test_each_kind_of_set_has_its_sentence(rests: Rests, told: str) -> None:
    """Two guesses of the same words are told apart by their paths; a set that is not proven smallest says so."""
    assert sentence_of(rests, GUESSES) == told


def test_the_outcome_is_open_where_nights_are_too_few_at_the_worst_ends() -> None:
    """Nights that decide as written may be too few with all guesses at their ends."""
    worst = Corner(dict(flipped("a").ends), 30, 30, "undecided")
    found = Resting("t", "f", GUESSES, (Rests("", "", HELD, against=worst), Rests("", "", HELD)), 60, 1, 0.95, True, 3)
    assert (found.outcome, found.sentence) == ("open", "Too few nights to decide: give more with --nights.")
    assert "No further pair flips it." in guesses_page(found).as_text()


def test_nothing_judged_is_no_good_verdict() -> None:
    """No night with anything to judge is open; beside a requirement that was judged it is named."""
    nothing = Rests("", "share of jobs done at least 1", Corner({}, 0, 0, "nothing_to_judge"))
    found = Resting("t", "f", GUESSES, (nothing,), 60, 1, 0.95, False, 3)
    assert (found.outcome, found.sentence.split(":")[0]) == ("open", "Nothing could be judged")
    beside = Resting("t", "f", GUESSES, (nothing, Rests("", "", HELD)), 60, 1, 0.95, False, 3)
    assert (beside.outcome, beside.sentence.partition("once.")[2]) == (
        "good",
        " Nothing could be judged of share of jobs done at least 1.",
    )
    gone = Rests("", "", HELD, against=Corner(dict(flipped("a").ends), 0, 0, "nothing_to_judge"))
    lost = Resting("t", "f", GUESSES, (gone,), 60, 1, 0.95, False, 3)
    assert (lost.outcome, lost.sentence.split(":")[0]) == ("open", "Not everything could be judged")


@pytest.mark.parametrize("count", [0, {"value": 1, "from": "guess", "plausible": [0, 1]}])
def test_a_night_without_jobs_is_not_judged(count: Any) -> None:
    """Without a job as written nothing is judged; an end that brings none is not taken to go against a verdict."""
    arrivals = [{**STALLS["arrivals"][0], "count": count}]
    asked = [{"measure": "done_share", "at_least": 1}]
    found = guesses({**STALLS, "arrivals": arrivals, "must_hold": asked}, nights=1, processes=1)
    assert found.outcome == ("good" if count else "open")
    against = found.requirements[0].against
    assert (against.verdict if against is not None else "not tried") == ("holds" if count else "not tried")


def test_several_requirements_are_told_by_their_labels() -> None:
    """Each requirement whose verdict flips has its own sentence behind its words."""
    one, other = Rests("r", "first", HELD, smallest=(flipped("a"),)), Rests("s", "second", HELD)
    found = Resting("t", "f", GUESSES, (one, other), 60, 1, 0.95, False, 3, refused=2)
    assert found.sentence == (
        "first: The verdict rests on one guess: the lease of 90 s (queues.a.lease). Measure that one."
    )
    assert "2 combinations were left out: the scenario would be wrong with them." in guesses_page(found).as_text()


STALLS = {
    "title": "Stalls",
    "starts": "2026-06-12T22:00:00",
    "lasts": "2h",
    "queues": {"night": {"lease": {"value": "90s", "from": "guess", "plausible": ["20s", "5m"]}}},
    "pools": {"dome": {"count": 1, "serves": ["night"], "poll": "0s", "heartbeat": "5s"}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": "10m"}]}},
    "arrivals": [{"name": "plates", "routine": "copy", "count": 1, "at": "22:00"}],
}


def test_many_guesses_are_left_out_one_after_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there are more pairs than are tried, the set is found by leaving out, and is not called proven.

    A freeze of 60 s exceeds a lease of 20 s at 22:05; at 23:30 there is no work, so those freezes do no harm. Four
    freezes and a lease make ten pairs, and nine are tried here.
    """
    monkeypatch.setattr("emulator.experiment.guesses._MOST_SETS", 9)
    lasts = {"value": "5s", "from": "guess", "plausible": ["5s", "60s"]}
    stalls = {
        **STALLS,
        "faults": [
            {"freeze": "dome-1", "at": "22:05", "lasts": lasts},
            *({"freeze": "dome-1", "at": f"23:3{place}", "lasts": lasts} for place in range(3)),
        ],
        "must_hold": [{"measure": "lost_leases", "exactly": 0}, {"entry": "plates", "started_by": "22:01"}],
    }
    found = guesses(stalls, nights=1, processes=1)
    lost, started = found.requirements
    assert (lost.proven, [sorted(one.ends.items()) for one in lost.smallest]) == (
        False,
        [[("faults.0.lasts", "high"), ("queues.night.lease", "low")]],
    )
    assert (started.flips, started.as_written.verdict) == (False, "holds")


def test_a_combination_that_would_be_wrong_is_left_out() -> None:
    """Two ends may each stand alone and not together: a mode of 9 min exceeds a longest time of 6 min."""
    takes = {
        "min": "1m",
        "mode": {"value": "5m", "from": "guess", "plausible": ["5m", "9m"]},
        "max": {"value": "10m", "from": "guess", "plausible": ["6m", "12m"]},
    }
    said = {
        **STALLS,
        "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "takes": takes}]}},
        "must_hold": [{"measure": "makespan", "at_most": "2h", "in_share": 0.1}],
    }
    found = guesses(said, nights=4, processes=1, pairs=True)
    assert (found.outcome, found.refused) == ("good", 2)  # with the lease as written, and at an end


def test_the_figure_tells_the_worst_end_where_every_night_keeps_the_requirement() -> None:
    """Copies of 10 min, one after the other: 4 take 40 min, 6 take 60 min, 8 take 80 min."""
    said = {
        **STALLS,
        "arrivals": [
            {"routine": "copy", "count": {"value": 6, "from": "guess", "plausible": [4, 8]}, "at": "22:00"},
        ],
        "lasts": "4h",
        "queues": {"night": {"lease": "90s"}},
        "must_hold": [
            {"measure": "makespan", "at_most": "100m", "at_least": "10m"},
            {"measure": "makespan", "at_most": "65m"},
            {"measure": "lost_leases", "exactly": 1},
            {"measure": "detection_delay_mean", "at_most": "1m"},
            {"measure": "makespan", "not_worse_by": "1m"},
        ],
    }
    found = guesses(said, nights=1, processes=1)
    worst = [one.against and dict(one.against.ends) for one in found.requirements]
    assert worst == [{"arrivals.0.count": "high"}, {"arrivals.0.count": "high"}, {"arrivals.0.count": "low"}, None]
    assert [one.flips for one in found.requirements] == [False, True, False, False]


@pytest.mark.parametrize(
    "settings, arguments, told",
    [
        ({}, {"nights": 0}, "0 nights are out of range"),
        ({}, {"confidence": 1.5}, "a confidence of 1.5 is out of range"),
    ],
)
def test_numbers_out_of_range_are_refused(settings: dict[str, Any], arguments: dict[str, Any], told: str) -> None:
    """Wrong numbers are told before any night is played."""
    with pytest.raises(InputError, match=told):
        guesses({**STALLS, **settings}, processes=1, **arguments)


@pytest.mark.parametrize(
    "path, value, ends",
    [
        ("queues.night.lease", "1us", (None, None)),
        ("faults.0.at", "23:00", (None, None)),
        ("renewed", True, (None, None)),
        ("pools.dome.link.loss_out", 0, (None, None)),
        ("pools.dome.count", 3, (2, 6)),
        ("faults.0.share", 0.7, (0.35, 1.0)),
        ("routines.copy.scale", 0.7, (0.35, 1.4)),
    ],
)
def test_half_and_twice(path: str, value: object, ends: tuple[object, object]) -> None:
    """A whole number is halved upwards, a share ends at 1, and what is no number above 0 has no such ends."""
    assert half_and_double(path, value) == ends


def test_progress_is_told_and_a_night_that_fails_to_run_is_named() -> None:
    """The share of a step ends at 1; a night that cannot be played is told with its ends and its seed."""
    shares: list[float] = []
    guesses(
        {**STALLS, "must_hold": [{"measure": "makespan", "at_most": "1h"}]},
        nights=1,
        processes=1,
        progress=shares.append,
    )
    assert shares[2] == 1.0
    with pytest.raises(InputError, match="202 guesses are too many to try"):
        many = [{"freeze": "dome-1", "at": "22:05", "lasts": {"value": "5s", "from": "guess"}} for _ in range(201)]
        guesses({**STALLS, "faults": many, "must_hold": [{"measure": "makespan", "at_most": "1h"}]}, processes=1)
