"""How old the last good result on a target is: worked out by hand, and read from the events of many nights."""

from typing import Any

import pytest
from night_runs import MINUTE
from random_nights.generator import night as random_night
from random_nights.play import loaded as loaded_night

from emulator.errors import InputError, ScenarioError
from emulator.experiment.night import NightResult, run_night
from emulator.hazards import hazards
from emulator.measure.ages import Age
from emulator.measure.figures import Selection, Where
from emulator.record.events import Row
from emulator.report.storytelling import story_of_night
from emulator.scenario.load import Loaded, from_settings
from emulator.scenario.stated import UNKNOWN, Aim, aims

START = "2026-06-12T22:00:00"
PLATES = {"shelf": "s1", "plates": ["plates-1", "plates-2"]}


def scenario(parts: list[dict[str, Any]], arrivals: list[dict[str, Any]], **more: Any) -> Loaded:
    """One worker that takes a job at once, 4 h from 22:00 on."""
    return from_settings(
        {
            "title": "Copies",
            "starts": START,
            "lasts": "4h",
            "queues": {"night": {"lease": "90s", "retry": {"attempts_in_all": 1}, **more.pop("queue", {})}},
            "pools": {"dome": {"count": 1, "serves": ["night"], "poll": 0, "heartbeat": "20s", **more.pop("pool", {})}},
            "routines": {
                "copy": {
                    "queue": "night",
                    "key": "{shelf}",
                    "parameters": {"shelf": "text", "plates": "list"},
                    "parts": parts,
                }
            },
            "arrivals": [{"name": "copy", "routine": "copy", "parameters": PLATES, **one} for one in arrivals],
            **more,
        }
    )


def ages(played: NightResult | Loaded, **where: str) -> list[Age]:
    found = run_night(played, seed=1) if isinstance(played, Loaded) else played
    return Selection(found.night, Where(**where)).ages()


def in_minutes(found: list[Age]) -> list[tuple[str, float, bool, float, float | None, int]]:
    """Give what it is of, its age, whether that is a lower bound, when it was so old, as of when it was, results."""
    return [
        (
            one.what,
            one.longest / MINUTE,
            one.at_least,
            one.at / MINUTE,
            None if one.as_of is None else one.as_of / MINUTE,
            one.results,
        )
        for one in found
    ]


READ = {"name": "read", "takes": "5m"}
COPY = {"name": "copy", "takes": "10m", "effect": "copied"}


def test_a_result_is_as_of_the_beginning_of_the_part_that_made_it() -> None:
    """Two jobs, at 22:00 and 23:00: the second copy is begun at 23:05 and lands at 23:15.

    The first was as of 22:05, so that it is 70 min old by then; the second is as of 65 min, and 175 min old at the end.
    """
    found = ages(scenario([READ, COPY], [{"at": "22:00"}, {"name": "again", "at": "23:00"}]))
    assert in_minutes(found) == [("s1", 175, True, 240, 65, 2)]


def test_what_was_there_before_is_not_known_unless_it_is_said() -> None:
    """With a result as of 20:00 the age is 135 min as the first copy lands at 22:15; it is more at the end: 235 min."""
    said = [READ, {**COPY, "since": "2026-06-12T20:00:00"}]
    assert in_minutes(ages(scenario(said, [{"at": "22:00"}]))) == [("s1", 235, False, 240, 5, 1)]
    day = [READ, {**COPY, "since": "2026-06-12"}]  # its first instant: 22 h before the start
    assert in_minutes(ages(scenario(day, [{"at": "+3h50m"}]))) == [("s1", 26 * 60, False, 240, -22 * 60, 0)]
    assert in_minutes(ages(scenario(said, [{"at": "+3h50m"}]))) == [("s1", 360, False, 240, -120, 0)]
    night = run_night(scenario([READ, COPY], [{"at": "+3h50m"}]), seed=1)
    assert in_minutes(ages(night)) == [("s1", 240, True, 240, None, 0)]
    figure = night.figure("effect_age_longest", effect="copied", target="s1")
    assert (figure.value, figure.more_than, figure.n, figure.unfinished) == (240 * MINUTE, True, 1, 1)


def test_a_target_on_which_nothing_ever_lands_is_named() -> None:
    """The elements of a list are known from the scenario; a target that is made of the job's name is not."""
    each = {**COPY, "for_each": "plates"}
    loaded = scenario([each, {**COPY, "name": "log", "effect": "logged", "target": "{job}"}], [{"at": "+3h55m"}])
    assert aims(loaded) == (Aim("copy", "copied", ("plates-1", "plates-2"), UNKNOWN),)
    assert [one.what for one in ages(loaded)] == ["plates-1", "plates-2"]


def test_a_failure_resets_nothing() -> None:
    """The effect lands as its part begins, and the part fails 10 min later: no good result is left."""
    fails = {**COPY, "lands": "at_request", "error_share": 1, "since": START}
    assert in_minutes(ages(scenario([fails], [{"at": "22:00"}]))) == [("s1", 240, False, 240, 0, 0)]
    ends_well = {**fails, "error_share": 0}
    assert in_minutes(ages(scenario([READ, ends_well], [{"at": "22:00"}]))) == [("s1", 235, False, 240, 5, 1)]


def test_a_result_of_a_part_before_the_one_that_fails_is_good() -> None:
    """The copy is as of 22:00; the check after it fails."""
    parts = [{**COPY, "since": START}, {"name": "check", "takes": "5m", "error_share": 1}]
    assert in_minutes(ages(scenario(parts, [{"at": "+1h"}]))) == [("s1", 180, False, 240, 60, 1)]


def test_a_late_result_of_a_lost_worker_makes_nothing_younger() -> None:
    """dome-1 begins to copy at 22:00, freezes at 22:05 for an hour and is cut off: dome-2 takes its job over.

    The zombie's copy lands at 23:10, as of 22:00, and makes nothing younger: dome-2's has been there for long, and at
    the end the age is counted from the beginning of dome-2's part.
    """
    loaded = scenario(
        [{**COPY, "since": START}],
        [{"at": "22:00"}],
        queue={"retry": {"attempts_in_all": 2}},
        pool={"count": 2},
        faults=[
            {"freeze": "dome-1", "at": "22:05", "lasts": "1h"},
            {"cut_link": "dome-1", "at": "22:04", "lasts": "2h"},
        ],
    )
    night = run_night(loaded, seed=1, keep_events=True)
    began = [row for row in night.rows or () if row[1] == "work_began"]
    landed = [row for row in night.rows or () if row[1] == "effect_landed"]
    assert [row[4] for row in landed] == ["dome-2", "dome-1"]
    [age] = ages(night)
    assert (age.longest, age.as_of, age.results) == (240 * MINUTE - began[1][0], began[1][0], 2)


def test_a_set_is_as_old_as_its_oldest_member_and_counts_when_its_job_is_done() -> None:
    """Two plates of 10 min each and a check of 30 min: done at 22:50 as of 22:00, and again at 23:50 as of 23:00."""
    parts = [{**COPY, "for_each": "plates", "since": START}, {"name": "check", "takes": "30m"}]
    loaded = scenario(parts, [{"name": "nightly", "recurs": "FREQ=HOURLY", "until": "+90m"}])
    assert in_minutes(ages(loaded, set_of="nightly")) == [("nightly", 180, False, 240, 60, 2)]
    assert in_minutes(ages(loaded)) == [("plates-1", 180, False, 240, 60, 2), ("plates-2", 170, False, 240, 70, 2)]


def test_elapsed_time_counts_when_the_clocks_change() -> None:
    """In Santiago the clocks go back at midnight of 4 April 2026: from 22:05 to 02:05 are 5 h."""
    loaded = scenario(
        [READ, {**COPY, "since": "2026-04-04T20:00:00"}],
        [{"at": "22:00"}],
        starts="2026-04-04T22:00:00",
        zone="America/Santiago",
        lasts="5h5m",
    )
    assert in_minutes(ages(loaded)) == [("s1", 300, False, 305, 5, 1)]
    assert str(loaded.clock.local(305 * MINUTE)) == "2026-04-05 02:05:00-04:00"


def test_a_requirement_asks_for_it_and_cannot_be_met_by_what_nobody_knows() -> None:
    asked = [
        {"measure": "effect_age_longest", "effect": "copied", "at_most": "4h"},
        {"measure": "effect_age_longest", "set_of": "copy", "at_most": "1h"},
    ]
    unknown = run_night(scenario([COPY], [{"at": "22:00"}], must_hold=asked), seed=1)
    assert [one.sentence for one in unknown.judged] == [
        "Missed: longest age of the last good result for effect copied: more than 4 h (asked: at most 4 h); whether it "
        "holds cannot be known because the scenario does not say (`since`) what was there before, of 1 of 1.",
        "Missed: longest age of the last good result for the set of copy: more than 4 h (asked: at most 1 h).",
    ]
    said = run_night(scenario([{**COPY, "since": START}], [{"at": "22:00"}], must_hold=asked), seed=1)
    assert [one.met for one in said.judged] == [True, False]


@pytest.mark.parametrize(
    ("more", "wrong"),
    [
        ({"target": "s1", "set_of": "copy"}, "must_hold.0.set_of: an age is that of a `target` or of a set: name one"),
        ({"effect": "copies"}, "must_hold.0.effect: no effect is called 'copies': did you mean 'copied'?"),
        ({"set_of": "copies"}, "must_hold.0.set_of: no arrival entry is called 'copies': did you mean 'copy'?"),
        ({"queue": "night"}, "must_hold.0.queue: effect_age_longest cannot be told by queue, only by effect, target"),
    ],
)
def test_a_requirement_that_makes_no_sense_is_told(more: dict[str, str], wrong: str) -> None:
    asked = [{"measure": "effect_age_longest", "at_most": "4h", **more}]
    with pytest.raises(ScenarioError) as caught:
        scenario([COPY], [{"at": "22:00"}], must_hold=asked)
    [problem] = caught.value.problems
    assert f"{problem.path}: {problem.message}".startswith(wrong)


def test_what_was_there_before_the_start_cannot_lie_after_it() -> None:
    with pytest.raises(ScenarioError, match="what was there before the start is meant"):
        scenario([{**COPY, "since": "+1h"}], [{"at": "22:00"}])


@pytest.mark.parametrize(
    ("part", "arrival", "told"),
    [
        (COPY, {"at": "22:00"}, ["each target gets one result in this run"]),
        ({**COPY, "target": "{job}"}, {"at": "22:00", "count": 3}, ["each target is another one for each job"]),
        (COPY, {"at": "22:00", "count": 3}, []),
        (COPY, {"recurs": "FREQ=HOURLY"}, []),
        (COPY, {"recurs": "FREQ=HOURLY", "until": "+30m"}, ["each target gets one result in this run"]),
    ],
)
def test_single_results_are_a_hazard(part: dict[str, Any], arrival: dict[str, Any], told: list[str]) -> None:
    """Where no second result comes, an age says nothing of whether the results keep coming."""
    asked = [{"measure": "effect_age_longest", "at_most": "4h"}]
    loaded = scenario([part], [arrival], must_hold=asked)
    found = [one.message for one in hazards(loaded) if one.code == "age-of-single-results"]
    assert [one.partition(",")[0] for one in found] == told


def test_only_the_sets_of_the_entry_that_is_asked_for_count() -> None:
    """Another entry's job leaves its own set; a target and a set at once make no sense."""
    loaded = scenario([{**COPY, "since": START}], [{"at": "22:00"}, {"name": "again", "at": "23:00"}])
    night = run_night(loaded, seed=1)
    assert in_minutes(ages(night, set_of="again")) == [("again", 180, False, 240, 60, 1)]
    with pytest.raises(InputError, match="name one of the two"):
        ages(night, set_of="again", target="s1")


def test_its_story_names_what_grew_oldest() -> None:
    """As of 22:05 (65 min: 23:05) the copies are; unknown is told as such, and so is a set."""
    asked = [
        {"measure": "effect_age_longest", "at_most": "1h"},
        {"measure": "effect_age_longest", "set_of": "copy", "at_most": "9h"},
    ]
    night = run_night(scenario([READ, COPY], [{"at": "22:00"}], must_hold=asked), seed=1, keep_events=True)
    told = [[one.text for one in story_of_night(night, requirement=place).sentences[1:]] for place in ("1", "2")]
    assert told == [
        [
            "The last good result of copied on s1 was at least 3 h 55 min old here, beyond what was asked: it was as "
            "of 22:05:00 on 2026-06-12."
        ],
        [
            "The last good result of copied on copy (a set of 1 target) was at least 3 h 55 min old here: it was as "
            "of 22:05:00 on 2026-06-12."
        ],
    ]


# -- read from the events by itself ------------------------------------------------------------------------------------


def by_hand(rows: list[Row], horizon: int, known: tuple[Aim, ...]) -> dict[tuple[str, str], int]:
    """Read the longest age of each target from the events: look back for when a part began, ahead for how it ended."""
    results: dict[tuple[str, str], list[tuple[int, int]]] = {}
    since: dict[tuple[str, str], int] = {}
    for aim in known:
        for target in aim.targets:
            since[aim.effect, target] = max(aim.since, since.get((aim.effect, target), UNKNOWN))
    for place, row in enumerate(rows):
        if row[1] != "effect_landed":
            continue
        who = (row[4], row[6])  # the worker, and the token
        steps = [n for n in range(place) if rows[n][1] in ("work_began", "part_finished") and rows[n][4:7:2] == who]
        ends = [one for one in rows[steps[-1] + 1 :] if one[1] in ("part_finished", "attempt_ended")]
        later = [one for one in ends if one[4:7:2] == who]
        fails = bool(later) and later[0][1] == "attempt_ended"
        if not fails or later[0][7] not in ("error", "permanent_error", "time_limit"):
            results.setdefault((row[7], row[8]), []).append((row[0], rows[steps[-1]][0]))
    found = {}
    for name in {**since, **results}:
        landed, before = results.get(name, []), since.get(name, UNKNOWN)
        ages_seen = []
        for moment in [at for at, _ in landed] + [horizon]:
            newest = max([before, *(as_of for at, as_of in landed if at < moment)])
            ages_seen.append(moment - newest if newest > UNKNOWN else moment)
        found[name] = max(ages_seen)
    return found


@pytest.mark.slow
def test_ages_equal_a_reading_of_the_events_by_hand() -> None:
    """To the microsecond, in random nights with effects, losses, zombies, failing parts and remote landings."""
    compared = 0
    for number in range(1, 61):
        loaded = loaded_night(random_night(number))
        night = run_night(loaded, seed=number, keep_events=True)
        found = {(one.effect, one.what): one.longest for one in ages(night)}
        assert found == by_hand(list(night.rows or ()), loaded.scenario.lasts, aims(loaded)), number
        compared += len(found)
    assert compared > 100
