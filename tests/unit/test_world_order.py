"""What must end before what: all jobs of an entry in a night, several entries, the first of several; and asked for.

Two workers ask without a pause (``poll: 0``), so that a job starts when it may. The clock shows 22:00 at the start.
"""

from pathlib import Path
from typing import Any

import pytest
from night_runs import MINUTE, Ran

from emulator import run
from emulator.report.storytelling import story_of_requirement
from emulator.scenario.load import from_settings

DAY = 24 * 60 * MINUTE


def settings(*arrivals: dict[str, Any], **more: Any) -> dict[str, Any]:
    """Give a night with work of 20 min (``copy``), of 5 min (``wipe``), and of 10 min that always fails (``break``)."""
    return {
        "title": "Order",
        "starts": "2026-06-12T22:00:00",
        "zone": "America/Santiago",
        "lasts": "6h",
        "queues": {"night": {}},
        "pools": {"dome": {"count": 2, "serves": ["night"], "poll": 0, "heartbeat": "20s"}},
        "routines": {
            "copy": {"queue": "night", "parts": [{"name": "copy", "takes": "20m"}]},
            "wipe": {"queue": "night", "parts": [{"name": "wipe", "takes": "5m"}]},
            "break": {"queue": "night", "parts": [{"name": "fail", "takes": "10m", "permanent_error_share": 1}]},
        },
        "arrivals": [{"at": 0, **arrival} if len({*arrival} & WAYS) == 0 else arrival for arrival in arrivals],
        **more,
    }


WAYS = {"at", "recurs", "every", "per_hour", "gaps", "again_after", "trace"}
SNAPSHOTS = {"name": "snapshots", "routine": "copy", "count": 6}


def wipe(after: Any, **more: Any) -> dict[str, Any]:
    return {"name": "clean", "routine": "wipe", "after": after, **more}


def ran(*arrivals: dict[str, Any], **more: Any) -> Ran:
    return Ran(from_settings(settings(*arrivals, **more)), 1)


def starts(found: Ran, entry: str = "clean") -> list[float]:
    """Give the minutes at which the jobs of an entry were handed out."""
    jobs = {row[3] for row in found.of("submitted") if row[8] == entry}
    return [row[0] / MINUTE for row in found.of("handed_out") if row[3] in jobs]


def ends(found: Ran, entry: str = "clean") -> list[tuple[float, str]]:
    jobs = {row[3] for row in found.of("submitted") if row[8] == entry}
    return [(row[0] / MINUTE, row[6] or row[5]) for row in found.of("finished") if row[3] in jobs]


def test_a_job_waits_for_the_last_of_an_entry() -> None:
    """Six snapshots of 20 min on two workers end at 20, 40 and 60 min; by its number alone it would start at 20 min.

    Its priority puts it before the snapshots that still wait.
    """
    assert starts(ran(SNAPSHOTS, wipe({"entry": "snapshots", "jobs": "all"}, priority=5))) == [60]
    assert starts(ran(SNAPSHOTS, wipe({"entry": "snapshots"}, priority=5))) == [20]


def test_a_job_waits_for_all_of_a_list_or_for_the_first() -> None:
    """The copy ends at 20 min, the other wipe at 5 min."""
    copy, other = {"name": "copies", "routine": "copy"}, {"name": "wipes", "routine": "wipe"}
    both = [{"entry": "copies"}, {"entry": "wipes"}]
    assert starts(ran(copy, other, wipe(both))) == [20]
    assert starts(ran(copy, other, wipe({"any_of": both}))) == [5]


def test_of_the_first_of_several_a_failure_does_not_count_unless_all_fail() -> None:
    """The broken one fails at 10 min, the copy is done at 20 min; of two broken ones nothing is left at 10 min."""
    copy, broken = {"name": "copies", "routine": "copy"}, {"name": "broken", "routine": "break"}
    either = {"any_of": [{"entry": "broken"}, {"entry": "copies"}]}
    assert starts(ran(copy, broken, wipe(either))) == [20]
    goes_on = {"any_of": [{"entry": "broken", "if_failed": "go_on"}, {"entry": "copies"}]}
    assert starts(ran(copy, broken, wipe(goes_on))) == [10]
    again = {"name": "again", "routine": "break"}
    neither = {"any_of": [{"entry": "broken"}, {"entry": "again"}]}
    assert ends(ran(broken, again, wipe(neither))) == [(10, "prerequisite_failed")]


def test_of_a_list_one_failure_is_enough() -> None:
    """The broken one fails at 10 min, and the job with it, before the copy ends."""
    copy, broken = {"name": "copies", "routine": "copy"}, {"name": "broken", "routine": "break"}
    assert ends(ran(copy, broken, wipe([{"entry": "copies"}, {"entry": "broken"}]))) == [(10, "prerequisite_failed")]


@pytest.mark.parametrize(("if_failed", "end"), [("fail", (20, "prerequisite_failed")), ("go_on", (25, "done"))])
def test_all_of_an_entry_are_judged_when_the_last_has_ended(if_failed: str, end: tuple[int, str]) -> None:
    """Four broken jobs on two workers fail at 10 and 20 min."""
    broken = {"name": "broken", "routine": "break", "count": 4}
    assert ends(ran(broken, wipe({"entry": "broken", "jobs": "all", "if_failed": if_failed}))) == [end]


def test_a_refused_job_of_an_entry_counts_as_failed() -> None:
    """The queue holds three jobs: two of the four snapshots after the job itself, and refuses the others."""
    full = {"queues": {"night": {"capacity": 3}}}
    snapshots, all_of_them = {**SNAPSHOTS, "count": 4}, {"entry": "snapshots", "jobs": "all"}
    assert ends(ran(wipe(all_of_them), snapshots, **full)) == [(20, "prerequisite_failed")]
    assert ends(ran(wipe({**all_of_them, "if_failed": "go_on"}), snapshots, **full)) == [(25, "done")]


def test_of_a_recurrence_the_jobs_of_the_same_night_count() -> None:
    """Three nights; a night runs from 22:00 to 22:00. Snapshots at 23:00, 00:00 and 01:00 of all nights but the 14th's
    end 20 min later; the clean-up at 00:30 waits for that of 01:00, and in the second night, which has one snapshot
    (of the evening), for nothing.
    """
    snapshots = {"name": "snapshots", "routine": "copy", "recurs": "0 23,0,1 * * *", "excludes": ["2026-06-14"]}
    clean = {**wipe({"entry": "snapshots", "jobs": "all"}), "recurs": "30 0 * * *"}
    found = ran(snapshots, clean, lasts="3d")
    of_night = (3 * 60 + 20, 24 * 60 + 150, 48 * 60 + 3 * 60 + 20)  # 01:20; 00:30; 01:20
    assert starts(found) == list(of_night)
    complete = [(row[0] / MINUTE, row[6]) for row in found.of("entry_complete")]
    assert complete == [(180, 1), (24 * 60 + 60, 2), (48 * 60 + 180, 3)]  # at 01:00, 23:00 and 01:00


def test_a_night_without_jobs_of_an_entry_is_waited_for_in_vain_by_nobody() -> None:
    """On the 13th there are no snapshots at all: the clean-up at 00:30 starts at once in that night, the second."""
    snapshots = {"name": "snapshots", "routine": "copy", "recurs": "0 23 * * *", "excludes": ["2026-06-13"]}
    clean = {**wipe({"entry": "snapshots", "jobs": "all"}), "recurs": "30 22 * * *"}
    assert starts(ran(snapshots, clean, lasts="2d")) == [80, 24 * 60 + 30]


def test_of_a_rate_the_last_has_come_when_its_time_is_over() -> None:
    """Copies every 30 min until 01:00 of the clock, the last at 00:30, ends at 00:50: nobody knows before 01:00.

    With `count: 6` the sixth, at 00:30, is known to be the last.
    """
    copies = {"name": "copies", "routine": "copy", "every": "30m", "until": "01:00"}
    all_of_them = wipe({"entry": "copies", "jobs": "all"})
    assert starts(ran(copies, all_of_them)) == [180]
    assert starts(ran({**copies, "count": 6}, all_of_them)) == [170]


def test_the_last_of_sources_has_come_when_their_time_is_over() -> None:
    """One source sends copies at 0, 30 and 60 min; it may send until 01:10 of the run."""
    copies = {"name": "copies", "routine": "copy", "again_after": "10m", "count": 1, "until": "+70m"}
    assert starts(ran(copies, wipe({"entry": "copies", "jobs": "all"}))) == [80]


def test_what_an_outage_keeps_back_is_waited_for() -> None:
    """The broker is down from 50 to 100 min; the copy due at 60 min comes at 100 and ends at 120 min."""
    copies = {"name": "copies", "routine": "copy", "every": "60m", "count": 2}
    down = {"broker_outage": True, "from": "+50m", "until": "+100m"}
    assert starts(ran(copies, wipe({"entry": "copies", "jobs": "all"}), faults=[down])) == [120]


def test_the_end_of_the_time_is_told_after_an_outage() -> None:
    """The time for copies is over at 70 min, while the broker is down: it is told at 100 min, when that is back."""
    copies = {"name": "copies", "routine": "copy", "every": "60m", "until": "+70m"}
    down = {"broker_outage": True, "from": "+65m", "until": "+100m"}
    found = ran(copies, wipe({"entry": "copies", "jobs": "all"}), faults=[down], queues={"night": {"lease": "2h"}})
    assert (starts(found), [row[0] / MINUTE for row in found.of("entry_complete")]) == ([100], [100])


def test_an_occurrence_that_is_skipped_is_not_waited_for() -> None:
    """Snapshots of 20 min come at 10, 20 and 40 min: the second finds the first running and is skipped."""
    snapshots = {"name": "snapshots", "routine": "copy", "recurs": "10,20,40 22 * * *", "if_still_running": "skip"}
    assert starts(ran(snapshots, wipe({"entry": "snapshots", "jobs": "all"}))) == [60]


def test_one_that_waits_for_the_occurrence_before_it_is_waited_for() -> None:
    """The second waits for the first to end at 30 min, and the third for the second: 10 + 3 * 20 min."""
    snapshots = {"name": "snapshots", "routine": "copy", "recurs": "10,20,30 22 * * *", "if_still_running": "wait"}
    assert starts(ran(snapshots, wipe({"entry": "snapshots", "jobs": "all"}))) == [70]


def test_a_resubmitted_job_is_waited_for_if_the_job_says_so() -> None:
    """Of two copies the first is resubmitted at 10 min and runs from 20 to 40 min."""
    copies, again = {"name": "copies", "routine": "copy", "count": 2}, [{"run_again": "copies#1", "at": "+10m"}]
    all_of_them = {"entry": "copies", "jobs": "all"}
    assert starts(ran(copies, wipe(all_of_them), actions=again)) == [20]
    assert starts(ran(copies, wipe({**all_of_them, "follows_resubmitted": True}), actions=again)) == [40]


def test_a_failed_job_that_was_resubmitted_is_judged_by_the_newest() -> None:
    """The first broken job is withdrawn and resubmitted as a copy would be: here both fail, so the job fails too."""
    copies = {"name": "copies", "routine": "copy", "count": 2}
    actions = [{"withdraw": "copies#1", "at": "+10m"}, {"run_again": "copies#1", "at": "+15m"}]
    all_of_them = {"entry": "copies", "jobs": "all"}
    assert ends(ran(copies, wipe(all_of_them), actions=actions)) == [(20, "prerequisite_failed")]
    follows = wipe({**all_of_them, "follows_resubmitted": True})
    assert ends(ran(copies, follows, actions=actions)) == [(40, "done")]  # the new copy runs from 15 to 35 min


def test_who_comes_when_all_has_ended_does_not_wait() -> None:
    """The wipe comes at 30 min; the copies ended at 20 min, one of them in failure in the second case."""
    copies = {"name": "copies", "routine": "copy", "count": 2}
    late = wipe({"entry": "copies", "jobs": "all"}, at="+30m")
    assert starts(ran(copies, late)) == [30]
    lost = [{"withdraw": "copies#1", "at": "+10m"}]
    assert ends(ran(copies, late, actions=lost)) == [(30, "prerequisite_failed")]


def test_a_job_that_waits_for_stuck_ones_is_stuck() -> None:
    """A person holds one snapshot for ever: whoever waits for all is stuck, whoever waits for the first is not."""
    hold = [{"hold": "snapshots#6", "at": "+5m"}]
    other = {"name": "other", "routine": "copy", "at": "+5h50m"}
    all_of_them = {"entry": "snapshots", "jobs": "all"}
    found = ran(SNAPSHOTS, other, wipe(all_of_them), actions=hold)
    names = {row[3]: f"{row[8]}#{row[9]}" for row in found.of("submitted")}
    assert [names[job] for job in found.world.stuck()] == ["snapshots#6", "clean#1"]
    found = ran(SNAPSHOTS, other, wipe({"any_of": [all_of_them, {"entry": "other"}]}), actions=hold)
    assert [names[job] for job in found.world.stuck()] == ["snapshots#6"]


def test_the_summary_says_what_an_unfinished_job_waits_for() -> None:
    """Four of the six snapshots have ended at 50 min."""
    night = run(settings(SNAPSHOTS, wipe({"entry": "snapshots", "jobs": "all"}), lasts="50m"))
    assert "it waits for jobs 5, 6" in night.summary(everything=True).as_text()


# -- asked for --------------------------------------------------------------------------------------------------------


def judged(*arrivals: dict[str, Any], **requirement: Any) -> tuple[bool | None, str]:
    [one] = run(settings(*arrivals, must_hold=[{"entry": "clean", **requirement}])).judged
    return one.met, one.sentence


def test_order_is_asked_for_and_its_breach_named() -> None:
    """By number alone the clean-up starts at 22:20 and takes 5 min of a worker: snapshot 6 ends at 23:05."""
    asked = {"starts_after_end_of": "snapshots"}
    assert judged(SNAPSHOTS, wipe({"entry": "snapshots"}, priority=5), **asked) == (
        False,
        "Missed: 1 of 1 job of clean: #1 was started at 2026-06-12 22:20, before snapshots#6, which ended at "
        "2026-06-12 23:05.",
    )
    assert judged(SNAPSHOTS, wipe({"entry": "snapshots", "jobs": "all"}), **asked) == (
        True,
        "Met: every job of clean after the end of snapshots: all 1.",
    )


def test_order_is_judged_of_what_was_started() -> None:
    """The clean-up comes after the end of the night: nothing of it started."""
    assert judged(SNAPSHOTS, wipe({"entry": "snapshots"}, at="+8h"), starts_after_end_of="snapshots") == (
        None,
        "Nothing to judge: no job of clean was started.",
    )


def test_the_jobs_of_any_entry_are_asked_for_by_a_clock_time() -> None:
    """The clean-up ends at 23:05."""
    clean = wipe({"entry": "snapshots", "jobs": "all"})
    assert judged(SNAPSHOTS, clean, finished_by="23:05")[0] is True
    assert judged(SNAPSHOTS, clean, finished_by="23:04") == (
        False,
        "Missed: 1 of 1 job of clean: #1 was done at 2026-06-12 23:05.",
    )
    assert judged(SNAPSHOTS, clean, started_by="22:59")[0] is False
    assert judged(SNAPSHOTS, clean, within="65m")[0] is True


@pytest.mark.parametrize(
    ("starts_at", "due", "takes", "met"),
    [
        ("2026-04-04T22:00:00", "+75m", 15, True),  # due at the first 23:15, done at the first 23:30
        ("2026-04-04T22:00:00", "+75m", 16, False),
        ("2026-04-04T22:00:00", "+105m", 45, True),  # due at the first 23:45, done at the second 23:30
        ("2026-04-04T22:00:00", "+105m", 46, False),
    ],
)
def test_a_clock_time_in_the_hour_that_comes_twice(starts_at: str, due: str, takes: int, met: bool) -> None:
    """In Santiago the clocks go back from 24:00 to 23:00 on 4 April 2026: 23:30 is 90 min and 150 min after 22:00."""
    assert by_2330(starts_at, due, takes, "23:30") is met


@pytest.mark.parametrize(("takes", "met"), [(90, True), (91, False)])
def test_a_clock_time_in_the_hour_that_is_skipped(takes: int, met: bool) -> None:
    """In Santiago the clocks go from 00:00 to 01:00 on 6 September 2026: 00:30 counts as 01:30, 90 min after 23:00."""
    assert by_2330("2026-09-05T23:00:00", "+0s", takes, "00:30") is met


def by_2330(starts_at: str, due: str, takes: int, limit: str) -> bool | None:
    """Play one job that is due so long after the start; say whether it was finished by a clock time."""
    found = settings({"name": "clean", "routine": "work", "at": due}, starts=starts_at)
    work = {"work": {"queue": "night", "parts": [{"name": "work", "takes": f"{takes}m"}]}}
    asked = [{"entry": "clean", "finished_by": limit}]
    return run({**found, "routines": work, "must_hold": asked}).judged[0].met


def test_the_story_of_a_requirement_on_order_names_both_jobs(tmp_path: Path) -> None:
    """The clean-up is handed out at 22:20 and snapshot 6 ends at 23:05; each is an event of the log."""
    asked = [{"entry": "clean", "starts_after_end_of": "snapshots"}]
    early = settings(SNAPSHOTS, wipe({"entry": "snapshots"}, priority=5), must_hold=asked)
    run(early, log=tmp_path / "night.qdlog")
    told = story_of_requirement(tmp_path / "night.qdlog", "1")
    [fact] = [fact for fact in told.story.facts if fact.what == "order"]
    rows = run(early).rows or []
    assert [rows[number - 1][1] for number in fact.events] == ["handed_out", "finished"]
    assert (fact.values["name"], fact.values["other"]) == ("clean#1", "snapshots#6")
    assert "clean#1 was started here; snapshots#6 ended at 23:05:00." in str(told.sentences)
