"""A forecast of nights in which nothing is drawn: every date is worked out by hand.

One worker takes 10 minutes for each of 12 jobs, all there at 21:30: done after 120 minutes, with 13 after 130, and 125
are allowed. At 3 % a month 12 jobs are 12.1 after ln(12.1 / 12) / ln(1.03) = 0.2805 months, or 8.54 days: from the
ninth day on, 21 June, more than one night in ten has 13 jobs. They are 13 after 2.71 months, on 2 September.
"""

import json
from datetime import date
from typing import Any

import pytest

from emulator.errors import InputError
from emulator.outlook.forecast import forecast
from emulator.outlook.forecast_result import Answer, Forecast
from emulator.outlook.forecast_words import forecast_csv, forecast_json, forecast_screen, headline
from emulator.outlook.nights_ahead import growing_entries
from emulator.scenario.load import from_settings

NIGHT: dict[str, Any] = {
    "title": "Plates to the archive",
    "starts": "2026-06-12T21:30:00",
    "lasts": "6h",
    "queues": {"night": {"retry": {"attempts_in_all": 1}}},
    "pools": {"dome": {"count": 1, "serves": ["night"]}},
    "systems": {"archive": {}},
    "routines": {
        "copy": {
            "queue": "night",
            "parts": [
                {"name": "read", "takes": "10m"},
                {"name": "store", "calls": "archive", "effect": "stored", "keeps": {"newest": 3}},
            ],
        }
    },
    "arrivals": [{"name": "nightly", "routine": "copy", "count": 12, "at": "21:30"}],
    "must_hold": [{"measure": "makespan", "at_most": "125m", "in_share": 0.9}],
}
GROWTH = [{"path": "arrivals.nightly.count", "by": {"value": "3 %", "from": "measured"}, "between": ["2 %", "6 %"]}]


def told(months: int = 3, nights: int = 300, **more: Any) -> Forecast:
    return forecast({**NIGHT, **more}, months=months, nights=nights, processes=1)


@pytest.fixture(scope="module")
def grows() -> Forecast:
    """Three months of growth, at 3 % a month, perhaps 2 %, perhaps 6 %."""
    return told(growth=GROWTH)


@pytest.mark.slow
def test_the_first_date_lies_in_its_interval(grows: Forecast) -> None:
    """It falls below on 21 June, for sure before September; by then there are 13 jobs in every night."""
    (one,) = grows.answers
    assert (one.kind, one.share, one.outlook) == ("every night", 0.9, "falls_below")
    assert one.low is not None and one.first is not None and one.high is not None
    assert date(2026, 6, 12) <= one.low <= date(2026, 6, 21) <= one.high < date(2026, 8, 1)
    assert one.today is not None and one.today > 0.9
    assert one.at_end is not None and one.at_end < 0.05
    assert one.months[-1] == "below" and [cell.state for cell in grows.calendar] == list(one.months)
    assert grows.nights <= 300


@pytest.mark.slow
def test_other_growth_reaches_the_same_place_on_another_date(grows: Forecast) -> None:
    """At 6 % a month the days shrink by ln 1.03 / ln 1.06 = 0.507, at 2 % they are 1.493 times as many."""
    (one,) = grows.answers
    slow, fast = one.others
    assert (slow.by, fast.by) == (0.02, 0.06)
    assert one.first is not None and slow.first is not None and fast.first is not None
    days = (one.first - date(2026, 6, 12)).days
    assert (slow.first - date(2026, 6, 12)).days == pytest.approx(days * 1.493, abs=2)
    assert (fast.first - date(2026, 6, 12)).days == pytest.approx(days * 0.507, abs=2)


@pytest.mark.slow
def test_what_breaks_it_is_the_figure_today_and_then(grows: Forecast) -> None:
    """The middle night takes 120 minutes today; what was played next to the date is counted."""
    (one,) = grows.answers
    assert (one.breaks[0].measure, one.breaks[0].today) == ("makespan", 120 * 60e6)
    assert one.before is not None and one.after is not None
    assert one.before.held / one.before.judged > one.after.held / one.after.judged
    assert one.factors["arrivals.nightly.count"] == pytest.approx(1.01, abs=0.03)


@pytest.mark.slow
def test_headroom_is_what_may_come_more_tonight(grows: Forecast) -> None:
    """12.1 jobs of 12 are 1.008 times as many: less than 1.2 times for sure."""
    (one,) = grows.headroom
    assert one.entry == "nightly" and one.first is not None and one.first < 1.15
    assert one.breaks.startswith("makespan at most 2 h 5 min")


@pytest.mark.slow
def test_it_is_told_on_a_screen_and_to_machines(grows: Forecast) -> None:
    """The screen begins with the answer; JSON and CSV have the same date."""
    (one,) = grows.answers
    said = headline(grows)
    assert said.startswith(
        f"From {one.first} on, makespan at most 2 h 5 min, in 90 % of nights is met in too few nights"
    )
    text = forecast_screen(grows, everything=True).as_text()
    assert " ".join(text.split()).startswith(said)
    for part in ("What breaks it", "Calendar", "Headroom tonight", "Kept of stored", "By formula"):
        assert part in text
    assert max(map(len, text.splitlines())) <= 80
    told_json = json.loads(json.dumps(forecast_json(grows)))
    assert (told_json["verdict"], told_json["answers"][0]["first"]) == (said, str(one.first))
    assert forecast_csv(grows).splitlines()[1].split(",")[-6:-3] == [str(one.first), str(one.low), str(one.high)]


@pytest.mark.slow
def test_without_growth_only_dates_count_and_retention_is_exact() -> None:
    """12 results a night and the newest three nights: 36 at most, from the third night on; the first go in the fourth.

    Access ends on 1 July at 00:00. The night of 30 June has done its work by 23:30, so that of 1 July is the first
    that misses.
    """
    access = [{"who": "dome", "to": "archive", "until": "2026-07-01"}]
    done = [*NIGHT["must_hold"], {"measure": "done_share", "at_least": 1}]
    found = told(1, 100, access=access, must_hold=done)
    assert [(one.outlook, one.first) for one in found.answers] == [("stays", None), ("stays", None)]
    (end,) = found.ends_tried
    assert (end.what, str(end.breaks_on)) == ("access of dome to archive ends", "2026-07-01")
    assert [(held, of) for _, held, of in end.missed] == [(0, 10)]
    assert headline(found) == (
        "From 2026-07-01 on, if not renewed: access of dome to archive ends; share of jobs done at least 100 % is met "
        "in too few nights."
    )
    (kept,) = found.retained
    assert (kept.keeps, kept.most, str(kept.most_on)) == ("those of the newest 3 nights", 36.0, "2026-06-14")
    assert kept.example == "the results of the night of 2026-06-12 are deleted in the night of 2026-06-15"
    assert kept.months == (("2026-06", 36.0, 192.0), ("2026-07", 36.0, 132.0))  # 19 nights and 11 nights
    assert found.outlook == "bad"


@pytest.mark.slow
def test_what_is_kept_for_a_time_goes_when_it_is_over() -> None:
    """For two days: the results of the 12th go in the night of the 14th, and those of two nights are there."""
    routines = json.loads(json.dumps(NIGHT["routines"]))
    routines["copy"]["parts"][1]["keeps"] = {"for": "2d"}
    (kept,) = told(1, 100, routines=routines).retained
    assert (kept.keeps, kept.most) == ("each for 2 d", 24.0)
    assert kept.example == "the results of the night of 2026-06-12 are deleted in the night of 2026-06-14"


@pytest.mark.slow
def test_what_is_missed_today_is_told_as_such() -> None:
    """13 jobs take 130 minutes in every night: below already, by growth or without it."""
    arrivals = [{"name": "nightly", "routine": "copy", "count": 13, "at": "21:30"}]
    found = told(1, 100, arrivals=arrivals)
    assert found.answers[0].outlook == "below_already"
    assert headline(found).startswith("Already today, on every night: makespan at most 2 h 5 min")


@pytest.mark.slow
def test_a_requirement_with_nothing_to_judge_says_so() -> None:
    """No worker is lost, so there is no time until that is noticed."""
    must = [*NIGHT["must_hold"], {"measure": "detection_delay_longest", "at_most": "90s"}]
    found = told(1, 100, must_hold=must)
    by_measure: dict[str, Answer] = {one.requirement.split()[0]: one for one in found.answers}
    assert by_measure["detection_delay_longest"].outlook == "nothing_to_judge"
    assert found.outlook == "good"
    assert headline(found) == "Every requirement is met in enough nights until 2026-07-12."


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"nights": 99}, "from 100 to 1,000,000"),
        ({"months": 0}, "from 1 to 60"),
        ({"must_hold": []}, "nothing is required of a night"),
        ({"arrivals": [{"routine": "copy", "at": "21:30", "count": 0}]}, "no job is due in any night ahead"),
        (
            {
                "nights": 100,
                "arrivals": [
                    {"name": day, "routine": "copy", "at": "21:30", "days": [day], "count": place + 1}
                    for place, day in enumerate(("mon", "tue", "wed"))
                ],
            },
            "too few for 3 kinds of nights: give at least 300",
        ),
    ],
)
def test_wrong_input_is_told(more: dict[str, Any], said: str) -> None:
    """Each mistake says what to give instead."""
    with pytest.raises(InputError, match=said):
        told(**{"months": 1, **more})


@pytest.mark.parametrize(
    ("entry", "twice"),
    [
        ({"at": "21:30", "count": 5}, {"arrivals.0.count": 10}),
        ({"at": "21:30"}, {"arrivals.0.count": 2}),
        ({"per_hour": 6}, {"arrivals.0.per_hour": 12.0}),
        ({"per_hour": {"sat": 5}}, {"arrivals.0.per_hour": {"sat": 10.0}}),
        ({"recurs": "0 22 * * *", "batch": 3}, {"arrivals.0.batch": 6}),
        ({"every": "10m"}, {"arrivals.0.every": "5m"}),
        ({"gaps": {"between": ["2m", "4m"]}}, {"arrivals.0.gaps": {"between": ["1m", "2m"]}}),
        ({"again_after": "5m", "count": 4}, {"arrivals.0.count": 8}),
        ({"recurs": "0 22 * * *", "batch": {"between": [1, 3]}}, None),
    ],
)
def test_twice_as_many_jobs_of_an_entry(entry: dict[str, Any], twice: dict[str, Any] | None) -> None:
    """By its own way of arriving: more at once, a higher rate, or gaps half as long; a drawn batch stays."""
    found = growing_entries(from_settings({**NIGHT, "arrivals": [{"name": "it", "routine": "copy", **entry}]}))
    assert [more(2.0, 0.5) for _, more in found] == ([] if twice is None else [twice])


FREEZES = {"freeze": "dome-1", "at": "22:05", "lasts": "5m", "share_of_nights": 0.3}


@pytest.mark.parametrize(
    ("growth", "said"),
    [
        # 0.3 is 1 after ln(1 / 0.3) / ln(1.5) = 2.97 months of 30.4369 days: 90.4 days after 12 June is 11 September
        ({"by": "50 %"}, "leaves its range in 2026-09 (found 1.0"),
        # at twice as much a month after 1.737 months, or 52.9 days: 4 August
        (
            {"by": "50 %", "between": ["40 %", "100 %"]},
            "leaves its range in 2026-08 at the fastest growth of `between` (",
        ),
        ({"by": "5000 %"}, "leaves its range in 2026-06 (found 1.0"),
    ],
)
def test_growth_beyond_what_a_key_takes_is_told(growth: Any, said: str) -> None:
    """Which growth, in which month, and how many months can be forecast: a sentence, and no mapping."""
    grows = [{"path": "arrivals.nightly.count", "by": "1 %"}, {"path": "faults.0.share_of_nights", **growth}]
    with pytest.raises(InputError) as refused:
        told(months=12, nights=100, faults=[FREEZES], growth=grows[1:] if "between" in growth else grows)
    message = str(refused.value)
    at = 0 if "between" in growth else 1
    assert f"growth.{at}: faults.0.share_of_nights {said}" in message and "{" not in message
    fit = {"2026-09": "--months 2 at most", "2026-08": "--months 1 at most"}.get(said.split()[4], "give a slower")
    assert fit in message
