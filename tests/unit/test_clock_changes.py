"""What comes of a clock time that is missing, or comes twice: as a scenario wishes it, and what `check` tells of it.

The nights are those of Santiago, by the zone database (version 2026f, from memory): on 6 September 2026 the clock goes
from 00:00 to 01:00 (-04:00 to -03:00), on 4 April 2026 from 24:00 back to 23:00 (-03:00 to -04:00). Where no other
source stands beside a value, what is taken follows from the wish alone, by hand.
"""

from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from night_runs import Ran

from emulator.errors import ScenarioError
from emulator.hazards import hazards
from emulator.scenario.clock import Clock
from emulator.scenario.load import Loaded, from_settings, load, varied
from emulator.scenario.recurrence import occurrences
from emulator.scenario.stated import resolved
from emulator.timeline.ticks import DAY, HOUR


def clock_at(text: str, zone: str) -> Clock:
    return Clock(datetime.fromisoformat(text), zone)


FORWARD, BACK = "2026-09-05T21:30:00", "2026-04-04T21:30:00"
BERLIN = clock_at("2026-03-28T12:00:00", "Europe/Berlin")  # 02:00 to 03:00 is missing on 29 March
BERLIN_IN_AUTUMN = clock_at("2026-10-24T12:00:00", "Europe/Berlin")  # 02:00 to 03:00 comes twice on 25 October


def night(starts: str = FORWARD, **entry: Any) -> Loaded:
    """Give a night of eight hours in Santiago with one entry of arrivals."""
    return from_settings(
        {
            "title": "The clocks change",
            "starts": starts,
            "zone": "America/Santiago",
            "lasts": "8h",
            "queues": {"night": {"lease": "2m"}},
            "pools": {"dome": {"serves": ["night"], "count": 2, "heartbeat": "30s"}},
            "routines": {"copy": {"queue": "night", "parts": [{"name": "write", "takes": "1m"}]}},
            "arrivals": [{"name": "plates", "routine": "copy", **entry}],
        }
    )


def told(loaded: Loaded) -> list[tuple[str, str]]:
    return [(hazard.path, hazard.message) for hazard in hazards(loaded) if hazard.code == "clock-change"]


def times(rule: str, clock: Clock, missing: str | None = None, double: str | None = None) -> list[str]:
    found = occurrences(rule, clock, DAY, at_changes=(missing, double))
    return [it.label[11:16] + it.label[19:] for it in found]


def submitted(loaded: Loaded) -> list[str]:
    """Play a night, and give the clock times at which its jobs were submitted."""
    return [loaded.clock.local(row[0]).isoformat()[11:] for row in Ran(loaded, 1).of("submitted")]


# What each wish means. POSIX (IEEE Std 1003.1, crontab) leaves open what happens around a change; RFC 5545, section
# 3.3.5, reads a missing time with the offset before the gap, and takes the first of two.


@pytest.mark.parametrize(
    ("wish", "comes"),
    [("skip", []), ("shift", ["03:30+02:00"]), ("at_its_end", ["03:00+02:00"])],
)
@pytest.mark.parametrize("rule", ["30 2 * * *", "FREQ=DAILY;BYHOUR=2;BYMINUTE=30;BYSECOND=0"])
def test_a_missing_time_comes_as_is_wished(rule: str, wish: str, comes: list[str]) -> None:
    """02:30 does not exist: it is skipped, an hour later, or comes at the end of the gap, in both notations."""
    assert times(rule, BERLIN, wish) == comes


@pytest.mark.parametrize(
    ("rule", "usual"), [("30 2 * * *", ["03:00+02:00"]), ("FREQ=DAILY;BYHOUR=2;BYMINUTE=30", ["03:30+02:00"])]
)
def test_a_missing_time_comes_as_usual_for_the_notation(rule: str, usual: list[str]) -> None:
    """Unless it is wished otherwise, a crontab comes at the end of the gap (common practice), a rule shifted (RFC)."""
    assert times(rule, BERLIN) == usual


@pytest.mark.parametrize(
    ("wish", "comes"),
    [
        (None, []),
        ("skip", []),
        ("shift", ["03:00+02:00", "03:30+02:00"]),
        ("at_its_end", ["03:00+02:00"]),
    ],
)
def test_a_line_with_a_star_makes_up_what_is_missing_only_if_it_is_wished(wish: str | None, comes: list[str]) -> None:
    """Every half hour from 2 to 3 does not come at all on that day, unless it is wished."""
    assert times("*/30 2 * * *", BERLIN, wish) == comes


@pytest.mark.parametrize(
    "rule", ["30 2 * * *", "FREQ=DAILY;BYHOUR=2;BYMINUTE=30", "*/30 2 * * *", "FREQ=HOURLY;BYHOUR=2"]
)
def test_a_time_that_comes_twice_is_taken_as_is_wished(rule: str) -> None:
    """02:30 comes twice: at the first alone, or both times, in every notation."""
    first, both = times(rule, BERLIN_IN_AUTUMN, None, "first"), times(rule, BERLIN_IN_AUTUMN, None, "both")
    assert {label[5:] for label in first} == {"+02:00"}
    assert both == [*first, *(label.replace("+02:00", "+01:00") for label in first)]
    assert times(rule, BERLIN_IN_AUTUMN) == (both if "*/" in rule or "HOURLY" in rule else first)


def test_an_hourly_rule_may_come_once_in_the_hour_that_comes_twice() -> None:
    """Wished `first`, what goes by the hour pauses for an hour: 24 times that day, not 25."""
    day = clock_at("2026-10-25T00:00:00", "Europe/Berlin")
    for rule in ("0 * * * *", "FREQ=HOURLY"):
        found = [len(occurrences(rule, day, 25 * HOUR, at_changes=(None, wish))) for wish in ("first", "both", None)]
        assert found == [24, 25, 25], rule


def test_count_has_counted_what_is_skipped() -> None:
    """The third time is the last, though the second is skipped, as with excluded days (RFC 5545, section 3.8.5.1)."""
    found = occurrences("FREQ=DAILY;BYHOUR=2;BYMINUTE=30;COUNT=3", BERLIN, 9 * DAY, at_changes=("skip", None))
    assert [it.label for it in found] == ["2026-03-30T02:30:00+02:00", "2026-03-31T02:30:00+02:00"]


def test_a_day_that_the_zone_skips_is_not_made_up() -> None:
    """Apia had no 30 December 2011 (zone database, from memory): no wish brings its times back."""
    clock = clock_at("2011-12-29T12:00:00", "Pacific/Apia")
    for wish in ("skip", "shift", "at_its_end"):
        for rule in ("0 11 * * *", "FREQ=DAILY;BYHOUR=11"):
            [only] = occurrences(rule, clock, DAY, at_changes=(wish, None))
            assert only.label == "2011-12-31T11:00:00+14:00"


# In a scenario


@pytest.mark.parametrize(
    ("wish", "comes"),
    [
        ({}, ["01:30:00-03:00"]),
        ({"in_missing_hour": "shift"}, ["01:30:00-03:00"]),
        ({"in_missing_hour": "at_its_end"}, ["01:00:00-03:00"]),
        ({"in_missing_hour": "skip"}, []),
    ],
)
@pytest.mark.parametrize("at", ["00:30", "2026-09-06T00:30:00"])
def test_at_in_the_missing_hour(at: str, wish: dict[str, str], comes: list[str]) -> None:
    """A plain `at` that the clock never shows comes an hour later, or as the entry says."""
    loaded = night(at=at, **wish)
    assert submitted(loaded) == comes
    assert load_again(loaded) == loaded.scenario


def load_again(loaded: Loaded) -> Any:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        path = Path(folder, "again.yaml")
        path.write_text(resolved(loaded), encoding="utf-8")
        return load(path).scenario


@pytest.mark.parametrize(
    ("rule", "wish", "comes"),
    [
        ("30 0 * * *", {}, ["01:00:00-03:00"]),
        ("30 0 * * *", {"in_missing_hour": "shift"}, ["01:30:00-03:00"]),
        ("30 0 * * *", {"in_missing_hour": "skip"}, []),
        ("FREQ=DAILY;BYHOUR=0;BYMINUTE=30", {"in_missing_hour": "at_its_end"}, ["01:00:00-03:00"]),
    ],
)
def test_a_recurrence_in_the_missing_hour(rule: str, wish: dict[str, str], comes: list[str]) -> None:
    """The entry's wish reaches the jobs that come."""
    assert submitted(night(recurs=rule, **wish)) == comes


def test_a_recurrence_in_the_hour_that_comes_twice() -> None:
    """Both times, if the entry says so; `count` bounds their total."""
    both = {"recurs": "30 23 * * *", "in_double_hour": "both"}
    assert submitted(night(BACK, **both)) == ["23:30:00-03:00", "23:30:00-04:00"]
    assert submitted(night(BACK, **both, count=1)) == ["23:30:00-03:00"]
    assert submitted(night(BACK, recurs="30 23 * * *")) == ["23:30:00-03:00"]


@pytest.mark.parametrize(
    ("rule", "comes"),
    [
        ("0,30 23 * * *", ["23:00-03:00", "23:30-03:00", "23:00-04:00", "23:30-04:00"]),
        ("0-59/30 23 * * *", ["23:00-03:00", "23:30-03:00", "23:00-04:00", "23:30-04:00"]),
        ("10-12 23 * * *", ["23:10-03:00", "23:11-03:00", "23:12-03:00", "23:10-04:00", "23:11-04:00", "23:12-04:00"]),
        # one minute of an hour, however it is written, and however many hours there are
        ("30,30 23 * * *", ["23:30-03:00"]),
        ("30-31/2 23 * * *", ["23:30-03:00"]),
        ("30 22,23 * * *", ["22:30-03:00", "23:30-03:00"]),
        ("FREQ=DAILY;BYHOUR=23;BYMINUTE=0,30", ["23:00-03:00", "23:30-03:00"]),  # RFC 5545, 3.3.5: the first of two
    ],
)
def test_several_minutes_of_an_hour_come_in_both_hours(rule: str, comes: list[str]) -> None:
    """A crontab that fires several times an hour fires in each of the two; with `in_double_hour: first` in one."""
    assert [at[:5] + at[8:] for at in submitted(night(BACK, recurs=rule))] == comes
    first = [at[:5] + at[8:] for at in submitted(night(BACK, recurs=rule, in_double_hour="first"))]
    assert first == [at for at in comes if at.endswith("-03:00")]


def test_a_variant_may_wish_otherwise() -> None:
    """The same entry under a variant comes at another time, or not at all."""
    loaded = night(at="00:30")
    assert submitted(varied(loaded, {"arrivals.plates.in_missing_hour": "at_its_end"})) == ["01:00:00-03:00"]
    assert submitted(varied(loaded, {"arrivals.plates.in_missing_hour": "skip"})) == []


@pytest.mark.parametrize(
    ("entry", "line", "column", "message"),
    [
        ("every: 1h, in_missing_hour: skip", 8, 47, "`in_missing_hour` does not belong to arrivals by `every`"),
        ("every: 1h, in_double_hour: both", 8, 46, "`in_double_hour` does not belong to arrivals by `every`"),
        (
            'at: "23:30", in_double_hour: both',
            8,
            48,
            "`at` is one time: give the other in an entry of its own, with its offset (-04:00)",
        ),
        (
            "recurs: FREQ=HOURLY, in_missing_hour: shift",
            8,
            57,
            "this rule goes by real hours or minutes, of which none is missing: leave it out",
        ),
        (
            'recurs: "0 2 * * *", in_missing_hour: later',
            8,
            57,
            "found 'later': allowed are: skip, shift, at_its_end",
        ),
    ],
)
def test_a_wish_that_means_nothing_is_refused(tmp_path: Path, entry: str, line: int, column: int, message: str) -> None:
    """A wish beside what it does not belong to is refused, at its line and column."""
    path = tmp_path / "night.yaml"
    path.write_text(
        "title: t\nstarts: 2026-09-05T21:30:00\nlasts: 8h\nqueues: {night: {lease: 2m}}\n"
        "pools: {dome: {serves: [night], count: 2, heartbeat: 30s}}\n"
        "routines: {copy: {queue: night, parts: [{name: write, takes: 1m}]}}\narrivals:\n"
        f"- {{routine: copy, {entry}}}\n"
    )
    with pytest.raises(ScenarioError) as refused:
        load(path)
    [problem] = refused.value.problems
    assert (problem.line, problem.column, problem.message) == (line, column, message)


# What `check` tells


@pytest.mark.parametrize(
    ("starts", "rule", "named", "comes", "usual"),
    [
        (FORWARD, "30 0 * * *", "00:30:00", "it comes at 2026-09-06T01:00:00-03:00", "at_its_end"),
        (FORWARD, "FREQ=DAILY;BYHOUR=0", "00:30:00", "it comes at 2026-09-06T01:30:00-03:00", "shift"),
        (FORWARD, "*/20 0 * * *", "00:00:00 (and 2 more)", "it does not come", "skip"),
        (FORWARD, "FREQ=HOURLY;BYHOUR=0;BYMINUTE=40", "00:40:00", "it does not come", "skip"),
        (BACK, "30 23 * * *", "23:30:00", "it comes at 2026-04-04T23:30:00-03:00", "first"),
        (
            BACK,
            "0,30 23 * * *",
            "23:00:00 (and 1 more)",
            "it comes at 2026-04-04T23:00:00-03:00 and 2026-04-04T23:00:00-04:00",
            "both",
        ),
        (FORWARD, "15,45 0 * * *", "00:15:00 (and 1 more)", "it comes at 2026-09-06T01:00:00-03:00", "at_its_end"),
        (BACK, "FREQ=DAILY;BYHOUR=23", "23:30:00", "it comes at 2026-04-04T23:30:00-03:00", "first"),
        (
            BACK,
            "0,30 * * * *",
            "23:00:00 (and 1 more)",
            "it comes at 2026-04-04T23:00:00-03:00 and 2026-04-04T23:00:00-04:00",
            "both",
        ),
        (
            BACK,
            "FREQ=HOURLY",
            "23:30:00",
            "it comes at 2026-04-04T23:30:00-03:00 and 2026-04-04T23:30:00-04:00",
            "both",
        ),
    ],
)
def test_every_way_of_recurring_is_told(starts: str, rule: str, named: str, comes: str, usual: str) -> None:
    """A time that is never shown, or twice, is told with what comes of it; a stated wish silences it."""
    spring = starts == FORWARD
    key, other = ("in_missing_hour", "in_double_hour") if spring else ("in_double_hour", "in_missing_hour")
    happens = "put forward over" if spring else "put back and shows twice"
    said = f"{rule} names {'2026-09-06' if spring else '2026-04-04'} {named}, which the clock in America/Santiago is "
    expected = [("arrivals.0.recurs", f"{said}{happens}: {comes} ({key}: {usual})")]
    assert told(night(starts, recurs=rule)) == expected
    assert told(night(starts, recurs=rule, **{key: usual})) == []
    assert told(night(starts, recurs=rule, **{other: "first" if spring else "skip"})) == expected
    assert told(night(starts, recurs=rule, excludes=["2026-09-06", "2026-04-04"])) == []
    assert told(night(starts, recurs=rule, count=0)) == []
    assert told(night(starts, recurs=rule, until="22:30")) == []


@pytest.mark.parametrize("rule", ["0,30 * * * *", "* * * * *", "FREQ=HOURLY", "FREQ=MINUTELY;INTERVAL=7", "0 1 * * *"])
def test_what_comes_every_hour_misses_none(rule: str) -> None:
    """A rule that names no hour, or one beside the gap, comes in every hour that the night has: nothing is told."""
    assert told(night(recurs=rule)) == []


def test_the_first_of_two_before_the_start_does_not_come() -> None:
    """A night that begins at the second 23:00 is told that the recurrence had its time before."""
    [(_, message)] = told(night("2026-04-04T23:20:00", recurs="10 23 * * *"))[-1:]
    assert message.endswith("and shows twice: it does not come (in_double_hour: first)")


def test_at_is_told_unless_the_entry_says_what_is_wanted() -> None:
    """`at` in a missing hour is told with the instant taken; with a wish nothing has to be told."""
    assert [path for path, _ in told(night(at="00:15"))] == ["arrivals.0.at"]
    assert [told(night(at="00:15", in_missing_hour=wish)) for wish in ("skip", "shift", "at_its_end")] == [[], [], []]
    assert [path for path, _ in told(night(BACK, at="23:15"))] == ["arrivals.0.at"]
    assert told(night(BACK, at="23:15", in_double_hour="first")) == []


# Days of the zone, and of 24 hours


@pytest.mark.parametrize(
    ("lasts", "hours"), [("P1D", 23), ("1d", 24), ("24h", 24), ("PT24H", 24), ("P1DT1H", 24), ("P1W", 7 * 24 - 1)]
)
def test_a_night_may_last_a_day_of_its_zone(lasts: str, hours: int) -> None:
    """`lasts: P1D` ends at the same time on the next day, 23 hours later in that night; `1d` is 24 hours."""
    assert varied(night(at="+1h"), {"lasts": lasts}).scenario.lasts == hours * HOUR


ZONE_DAYS = "days of a calendar, which the clocks make 23 to 25 hours long"
SPAN = "a duration above 0 such as 8h, 2d (48 hours) or P2D (days of the zone)"
NO_GAP = "is no fixed gap: write recurs: FREQ=DAILY"


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("queues.night.lease", "P1D", f"'P1D' counts {ZONE_DAYS}: write 1d"),
        ("arrivals.plates.every", "P2W", f"'P2W' {NO_GAP};INTERVAL=14 for days of the zone, or 14d"),
        ("arrivals.plates.every", "P1DT1H", f"'P1DT1H' {NO_GAP} for days of the zone, or 1d"),
        ("arrivals.plates.every", "PT", "'PT' is not a duration: write 90s, 1h30m, 500ms or PT30S"),
        ("lasts", "P0.5D", "'P0.5D' is not a duration: write 90s, 1h30m, 500ms or PT30S"),
        ("lasts", "P0D", f"found 'P0D': {SPAN} is wanted"),
    ],
)  # fmt: skip
def test_days_of_the_zone_are_refused_where_no_calendar_is_at_hand(key: str, value: str, message: str) -> None:
    """A nominal day beside a key of exact time is refused, with what to write instead."""
    with pytest.raises(ScenarioError) as refused:
        varied(night(every="2h"), {key: value})
    assert [problem.message for problem in refused.value.problems] == [message]


def test_days_of_24_hours_across_a_change_are_told() -> None:
    """Whole days that lead to another time on the clock are told, with the spelling that keeps it."""
    long = {"lasts": "3d"}
    meanwhile = "counts 24 hours a day, and the clocks change meanwhile: it leads to 2026-09-06T22:30:00-03:00"
    moment = varied(night(at="+1d"), long)
    assert told(moment) == [("arrivals.0.at", f"+1d {meanwhile}; for the same time on the clock write +P1D")]
    assert [told(varied(night(at=text), long)) for text in ("+P1D", "+24h", "+90m")] == [[], [], []]
    gaps = varied(night(every="24h"), long)
    assert told(gaps) == [
        ("arrivals.0.every", f"1d {meanwhile}; for the same time on the clock write recurs: FREQ=DAILY")
    ]
    gaps = varied(night(every="2d"), long)
    [(_, message)] = told(gaps)
    assert message.endswith(
        "2026-09-07T22:30:00-03:00; for the same time on the clock write recurs: FREQ=DAILY;INTERVAL=2"
    )
    assert [told(varied(night(every=text), long)) for text in ("25h", "3d")] == [[], []]
    assert told(varied(night("2026-06-12T21:30:00", every="1d"), long)) == []


SHIFTED = "2026-09-06T01:30:00-03:00"

# `at` on several days, and several jobs at each time


@pytest.mark.parametrize(
    ("wish", "comes"),
    [
        ({}, ["05T00:30:00-04:00", "06T01:30:00-03:00", "07T00:30:00-03:00"]),
        ({"in_missing_hour": "at_its_end"}, ["05T00:30:00-04:00", "06T01:00:00-03:00", "07T00:30:00-03:00"]),
        ({"in_missing_hour": "skip"}, ["05T00:30:00-04:00", "07T00:30:00-03:00"]),
    ],
)
def test_at_on_several_days_over_a_change(wish: dict[str, str], comes: list[str]) -> None:
    """Each day's time is taken as is wished, and the other days keep theirs."""
    loaded = varied(night("2026-09-04T21:30:00", at="00:30", days=["sat", "sun", "mon"], **wish), {"lasts": "3d"})
    found = [loaded.clock.local(row[0]).isoformat()[8:] for row in Ran(loaded, 1).of("submitted")]
    assert found == comes


def test_each_of_several_days_is_told() -> None:
    """A later day without the time is told as a recurrence is, if the entry is for that day and states no wish."""
    entry = {"starts": "2026-09-04T21:30:00", "at": "00:30"}
    said = (
        f"at names 2026-09-06 00:30:00, which the clock in America/Santiago is put forward over: it comes at {SHIFTED}"
    )
    several = varied(night(**entry, days=["sat", "sun"]), {"lasts": "3d"})
    assert told(several) == [("arrivals.0.at", f"{said} (in_missing_hour: shift)")]
    assert told(varied(several, {"arrivals.plates.in_missing_hour": "shift"})) == []
    assert told(varied(several, {"arrivals.plates.days": ["sat", "mon"]})) == []
    assert told(varied(several, {"lasts": "1d"})) == []
    assert told(varied(night(recurs="30 0 * * *", days=["sat", "mon"]), {"lasts": "3d"})) == []


def test_at_on_several_days_may_come_twice() -> None:
    """With `days` a time stands for several, and `in_double_hour: both` takes both of the night of the change."""
    for starts, days in ((BACK, 1), ("2026-04-03T21:30:00", 2)):
        entry = {"at": "23:30", "days": ["fri", "sat"], "in_double_hour": "both"}
        loaded = varied(night(starts, **entry), {"lasts": f"{days}d"})
        found = [loaded.clock.local(row[0]).isoformat()[8:] for row in Ran(loaded, 1).of("submitted")]
        assert found == [*(["03T23:30:00-03:00"] * (days - 1)), "04T23:30:00-03:00", "04T23:30:00-04:00"]


@pytest.mark.parametrize("wish", [{}, {"in_missing_hour": "skip"}])
def test_the_first_of_several_days_has_to_have_the_time(wish: dict[str, str]) -> None:
    """A missing time on the first day is refused: the time of the other days could not be told from what is taken."""
    with pytest.raises(ScenarioError, match=r"arrivals\.0\.at: the clock never shows 2026-09-06 00:30:00, the first"):
        night(at="00:30", days=["sun", "mon"], **wish)


def test_count_bounds_the_total_and_batch_the_number_at_each_time() -> None:
    """Two jobs at each of two occurrences are four; `count: 3` ends them in the middle of the second."""
    each = {"recurs": "0 22-23 * * *", "batch": 2}
    assert submitted(night("2026-06-12T21:30:00", **each)) == ["22:00:00-04:00"] * 2 + ["23:00:00-04:00"] * 2
    assert submitted(night("2026-06-12T21:30:00", **each, count=3)) == ["22:00:00-04:00"] * 2 + ["23:00:00-04:00"]
