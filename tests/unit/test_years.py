"""What a scenario says of the years: growth, dates on which access ends, how long results are kept."""

import pytest

import emulator
from emulator.errors import ScenarioError
from emulator.record.recorder import Recorder
from emulator.scenario.load import from_settings
from emulator.scenario.models import Credential, Grant
from emulator.scenario.models.routines import Growth
from emulator.scenario.schedules import factor_after, grown, patch_after
from emulator.timeline.agenda import Agenda
from emulator.world.access import Access
from emulator.world.draws import Draws

NIGHT = {
    "title": "Copies",
    "starts": "2026-06-12T21:30:00",
    "lasts": "6h",
    "queues": {"night": {}},
    "pools": {"dome": {"count": 2, "serves": ["night"]}},
    "systems": {"archive": {}},
    "routines": {"copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive", "effect": "copied"}]}},
    "arrivals": [{"name": "nightly", "routine": "copy", "count": 10, "at": "21:30"}],
}


def mistakes(**more: object) -> list[str]:
    with pytest.raises(ScenarioError) as wrong:
        from_settings({**NIGHT, **more})
    return [f"{problem.path}: {problem.message}" for problem in wrong.value.problems]


def ends(**more: object) -> tuple[int, ...]:
    """Play a night: how many jobs were done, and how many failed."""
    night = emulator.run({**NIGHT, **more})
    return tuple(int(night.figure(name).value or 0) for name in ("done", "failed"))


ONCE = {"night": {"retry": {"attempts_in_all": 1}}}


def test_a_grant_that_ended_before_the_night_is_over_from_the_start() -> None:
    """Given on 1 May and ended on 1 June, it lets nobody in on 12 June; one that ends on 1 July lets all ten in."""
    grant = {"who": "dome", "to": "archive", "given": "2026-05-01T00:00:00"}
    assert ends(queues=ONCE, access=[{**grant, "until": "2026-06-01"}]) == (0, 10)
    assert ends(queues=ONCE, access=[{**grant, "until": "2026-07-01"}]) == (10, 0)


def test_a_credential_is_refused_from_its_date_on() -> None:
    """It ends on the 13th at 00:00, 2.5 h after the start: a call at 23:59 is served, one at midnight is not."""
    day = {"name": "nightly", "routine": "copy"}
    both = [{**day, "at": "23:59"}, {"name": "late", "routine": "copy", "at": "00:00"}]
    shown = {"who": "dome", "to": "archive"}
    assert ends(queues=ONCE, arrivals=both, credentials=[{**shown, "ends": "2026-06-13"}]) == (1, 1)
    assert ends(queues=ONCE, arrivals=both, credentials=[{**shown, "ends": "2026-06-12"}]) == (0, 2)


def test_the_date_cuts_a_life_short_and_a_renewal_does_not_help() -> None:
    """A life of 20 from 0, renewed every 10, with an end at 35: good at 34, refused at 35, 40 and 41."""
    agenda, recorder = Agenda(), Recorder()
    shown = Credential(who="dome", to="archive", life=20, renewed_every=10, ends=35)
    access = Access([], [shown], {"dome-1": "dome"}, agenda, recorder, Draws(1))
    access.start()
    found = {}
    for tick in (34, 35, 40, 41):
        agenda.at(tick, lambda t: found.update({t: access.refusal("dome-1", "archive", "copy", 0, 0)}), tick)
    agenda.run()
    assert found == {34: "", 35: "credential_ended", 40: "credential_ended", 41: "credential_ended"}
    assert [row[:2] for row in recorder.rows] == [(35, "credential_changed")]  # told once


def test_access_that_ended_before_the_start_is_told_as_ended() -> None:
    """It was given and is over: the one event is its end, at the first instant."""
    agenda, recorder = Agenda(), Recorder()
    grant = Grant(who="dome", to="archive", given=-20, until=-10)
    access = Access([grant], [], {"dome-1": "dome"}, agenda, recorder, Draws(1))
    access.start()
    agenda.run()
    assert access.refusal("dome-1", "archive", "copy", 0, 0) == "ended"
    assert recorder.rows == [(0, "access_changed", 0, 0, "", "dome", "archive", "ended")]


def test_a_grant_of_this_night_that_ended_long_ago_gives_nothing() -> None:
    """Given at the start, which need not be stated, or an hour later: with an end weeks ago both are over."""
    over = {"who": "dome", "to": "archive", "until": "2026-06-01"}
    assert ends(queues=ONCE, access=[over]) == (0, 10)
    late = [{"name": "nightly", "routine": "copy", "count": 10, "at": "23:30"}]
    assert ends(queues=ONCE, arrivals=late, access=[{**over, "given": "22:30"}]) == (0, 10)
    assert mistakes(access=[{**over, "given": "23:00", "until": "22:30"}]) == [
        "access.0.until: the grant ends before it is given: `until` must be later than `given`"
    ]


def test_a_credential_needs_a_life_or_a_date() -> None:
    """Neither is a mistake; a renewal goes with a life alone."""
    shown = {"who": "dome", "to": "archive"}
    assert mistakes(credentials=[shown]) == [
        "credentials.0: until when is it good? give its `life`, or the date on which it `ends`"
    ]
    assert mistakes(credentials=[{**shown, "ends": "2026-07-01", "renewed_every": "1h"}]) == [
        "credentials.0.renewed_every: `renewed_every` belongs to a `life`: the date on which it `ends` stays"
    ]
    assert mistakes(credentials=[{**shown, "ends": "2026-02-30"}]) == [
        "credentials.0.ends: '2026-02-30T00:00:00' is not a time: no calendar and no clock shows it"
    ]


def test_growth_is_compounded_evenly() -> None:
    """3 % a month are 1.03^12 = 1.42576 after a year of 365.2425 days, and 1.03^0.5 = 1.01489 after half a month."""
    growth = Growth(path="arrivals.nightly.count", by="3 %")  # type: ignore[arg-type]  # as it is written
    assert growth.by == 0.03
    assert factor_after(growth, 365.2425) == pytest.approx(1.42576, abs=1e-5)
    assert factor_after(growth, 365.2425 / 24) == pytest.approx(1.01489, abs=1e-5)
    assert factor_after(growth, 0) == 1
    assert factor_after(growth, 365.2425, 0.02) == pytest.approx(1.26824, abs=1e-5)


def test_a_whole_number_is_rounded_up_in_as_many_nights_as_its_rest_says() -> None:
    """10 jobs, 3 % more: 10.3, so 11 in three of ten nights and 10 in seven; exactly 11 stays 11 in all."""
    places = [(night + 0.5) / 10 for night in range(10)]
    assert [grown(10, 1.03, place) for place in places] == [10] * 7 + [11] * 3
    assert {grown(10, 1.1, place) for place in places} == {11}


@pytest.mark.parametrize(
    ("value", "twice"),
    [
        (1.5, 3.0),
        ("90s", "3m"),
        ({"median": "4m", "p95": "9m"}, {"median": "8m", "p95": "18m"}),
        ({"one_of": ["1m", "2m"], "weights": [3, 1]}, {"one_of": ["2m", "4m"], "weights": [3, 1]}),
        ({"weekdays": {"18:00": 10}, "sat": 5}, {"weekdays": {"18:00": 20.0}, "sat": 10.0}),
        ("dome", None),
        (True, None),
        (None, None),
        ({"traced": True}, None),
    ],
)
def test_what_grows(value: object, twice: object) -> None:
    """Numbers, durations, rates and the durations of a distribution grow; weights, words and flags do not."""
    assert grown(value, 2) == twice


def test_growth_changes_nothing_in_one_night_and_leads_to_a_patch() -> None:
    """A night with growth and retention is the night without them; a month later the patch has the count of then."""
    by = {"value": "30 %", "from": "measured"}
    grows = {"growth": [{"path": "arrivals.nightly.count", "by": by, "each": "month"}]}
    part = {"name": "copy", "calls": "archive", "effect": "copied", "keeps": {"newest": 3}}
    kept = {"copy": {"queue": "night", "parts": [part]}}
    assert ends(**grows, routines=kept) == ends() == (10, 0)
    loaded = from_settings({**NIGHT, **grows})
    assert patch_after(loaded.data, loaded.scenario.growth, 365.2425 / 12) == {"arrivals.nightly.count": 13}
    assert loaded.provenance["growth.0.by"].source == "measured"


def test_wrong_growth_and_retention_are_told() -> None:
    """Each mistake at its path, with what to write."""
    path = "arrivals.nightly.count"
    assert mistakes(growth=[{"path": path, "by": 3}]) == ["growth.0.by: write a percentage with its sign, such as 3 %"]
    assert mistakes(growth=[{"path": path, "by": "3 percent"}]) == [
        "growth.0.by: '3 percent' is no percentage: write 3 % or -1.5 %"
    ]
    assert mistakes(growth=[{"path": path, "by": "3 %", "between": ["4 %", "5 %"]}]) == [
        "growth.0.between: `by` lies between the two, the lower of which comes first"
    ]
    twice = {"path": path, "by": "3 %"}
    assert mistakes(growth=[twice, twice]) == [
        "growth.1.path: arrivals.nightly.count grows already: state each path once"
    ]
    assert mistakes(growth=[{"path": "arrivals.weekly.count", "by": "3 %"}]) == [
        "growth.0.path: nothing is stated at arrivals.weekly.count: name a number, a duration or a rate that is "
        "written here"
    ]
    assert mistakes(growth=[{"path": "arrivals.nightly.routine", "by": "3 %"}]) == [
        "growth.0.path: what stands at arrivals.nightly.routine does not grow: name a number, a duration or a rate"
    ]
    keeps = {"copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive", "keeps": {"newest": 3}}]}}
    assert mistakes(routines=keeps) == [
        "routines.copy.parts.0.keeps: `keeps` is about an effect: say which with `effect`"
    ]
    both = {
        "copy": {"queue": "night", "parts": [{"name": "copy", "calls": "archive", "effect": "copied", "keeps": {}}]}
    }
    assert mistakes(routines=both) == [
        "routines.copy.parts.0.keeps: how long are they kept? write {newest: 14} or {for: 30d}"
    ]


def test_an_outage_before_the_night_is_over() -> None:
    """A planned outage of the day before is stated and changes nothing."""
    down = {"archive": {"outages": [{"from": "2026-06-11T22:00:00", "until": "2026-06-11T23:00:00"}]}}
    assert ends(systems=down) == ends()
