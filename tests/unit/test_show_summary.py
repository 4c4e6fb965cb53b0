"""The summary of a run, whole: as text and as JSON.

The two long expected outputs stand in tests/golden. Their figures are those worked out by hand in
test_measure_figures.py; the wording and the layout are pins, copied from a run and read through.
"""

import json
import re
from datetime import datetime
from pathlib import Path

import pytest
from night_rows import Stream, asked, the_night

from emulator.measure.estimate import Figure
from emulator.measure.occurrences import Judged
from emulator.measure.requirements import judge_all
from emulator.scenario.clock import Clock
from emulator.show.layout import columns
from emulator.show.meta import RunMeta, verdict
from emulator.show.summary import as_json, summary
from emulator.timeline.ticks import MINUTE, SECOND

GOLDEN = Path(__file__).parents[1] / "golden"

META = RunMeta(
    title="Plates and sweeps",
    seed=7,
    again="queuedrill run plates.yaml --seed 7",
    guessed=3,
    stated=12,
    explanations={3: "at work on dome-1 since +5 min", 4: "no worker that could take it is on"},
    stuck=frozenset({4}),
    versions={"queuedrill": "0.1.0", "zone data": "2026a"},
)


def bad_night() -> tuple[object, ...]:
    night = the_night(SECOND)
    requirements = [
        asked(measure="makespan", at_most=30 * MINUTE),
        asked(measure="failed", at_most=2.0),
        asked(measure="wait_p90", at_most=2 * MINUTE, routine="copy"),
        asked(measure="utilisation", at_least=0.5, pool="cellar"),
        asked(measure="done_share", at_least=0.99),
        asked(each_occurrence_of="sweeps", started_by="22:00"),
    ]
    return night, judge_all(night, requirements, Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago"))


def good_night() -> Stream:
    """One job, submitted at 0, handed out at 60 s, done at 180 s; the run lasts 600 s."""
    s = Stream(SECOND)
    s.submit(0, 1)
    s.start(60, 1, "dome-1", 1)
    s.go_well(180, 1, "dome-1", 1)
    return s


def test_the_text_of_a_bad_night_is_the_golden_one() -> None:
    night, judged = bad_night()
    assert summary(night, judged, META).as_text() == (GOLDEN / "summary-bad-night.txt").read_text(encoding="utf-8")
    whole = summary(night, judged, META, everything=True).as_text()
    assert whole == (GOLDEN / "summary-bad-night-all.txt").read_text(encoding="utf-8")


def test_the_json_of_a_bad_night_is_the_golden_one() -> None:
    night, judged = bad_night()
    found = json.dumps(as_json(night, judged, META), indent=1) + "\n"
    assert found == (GOLDEN / "summary-bad-night.json").read_text(encoding="utf-8")


def test_the_text_of_a_good_night_is_short() -> None:
    """Every figure: wait 60 s, run time 120 s, turnaround and makespan 180 s, backlog 1 for 60 of 600 s."""
    meta = RunMeta(title="One plate", seed=1, again="queuedrill run plate.yaml --seed 1", file="plate.yaml")
    assert summary(good_night().night(600 * SECOND), [], meta).as_text() == (
        "No requirement is stated, so whether the night fits is not judged. One night\n"
        "(seed 1).\n"
        "\n"
        "One plate. 10 min in virtual time.\n"
        "\n"
        "What went wrong\n"
        "  No fault. At most 1 job was queued; the queue was empty 1 min later.\n"
        "\n"
        "Figures\n"
        "  jobs         1 done, 0 unfinished\n"
        "  wait         median 1 min, nine in ten at most 1 min\n"
        "  turnaround   median 3 min, nine in ten at most 3 min\n"
        "  wasted work  0 s; effects repeated unsafely: 0\n"
        "\n"
        "Other seeds differ. Judge many nights:\n"
        "  queuedrill run plate.yaml --nights 40\n"
        "A rehearsal is a model; it does not replace your own change control.\n"
        "\n"
        "More: --all   --page FILE   --json\n"
    )


def test_all_of_a_good_night_has_every_section() -> None:
    """What the first screen leaves out: quantiles, attempts, the backlog, the worst jobs, the command once more."""
    meta = RunMeta(title="One plate", seed=1, again="queuedrill run plate.yaml --seed 1")
    text = summary(good_night().night(600 * SECOND), [], meta, everything=True).as_text()
    assert text[text.index("\nJobs\n") :] == (
        "\n"
        "Jobs\n"
        "  done        1\n"
        "  unfinished  0\n"
        "  Done: 100 % of all submitted jobs (refused ones included).\n"
        "\n"
        "Times\n"
        "              median    p90    p99  longest\n"
        "  wait         1 min  1 min  1 min    1 min\n"
        "  run time     2 min  2 min  2 min    2 min\n"
        "  turnaround   3 min  3 min  3 min    3 min\n"
        "  Makespan: 3 min.\n"
        "\n"
        "Attempts\n"
        "  attempts                1 (1 for each job that had one)\n"
        "  leases lost             0\n"
        "  overlapping work        0 s in 0 jobs\n"
        "  stale requests refused  0\n"
        "  wasted work             0 s (0 % of all executed)\n"
        "\n"
        "Backlog\n"
        "  peak           1 job\n"
        "  drained after  1 min\n"
        "  on average     0.1 jobs\n"
        "\n"
        "Worst jobs\n"
        "  plates#1: done after 3 min\n"
        "\n"
        "One night (seed 1). Other seeds differ: judge many with --nights. To run it\n"
        "again:\n"
        "  queuedrill run plate.yaml --seed 1\n"
        "\n"
        "A rehearsal is a model: it supports and does not replace the organisation's own\n"
        "change control, restore tests and the judgement of whoever is responsible for\n"
        "the systems.\n"
    )


def test_a_night_without_jobs_can_be_shown() -> None:
    meta = RunMeta(title="Nothing", seed=1, again="queuedrill run nothing.yaml")
    night = Stream().night(600 * SECOND)
    text = summary(night, [], meta, everything=True).as_text()
    assert "  No fault. No job waited.\n" in text
    assert "  wait          none  none  none     none\n" in text
    assert "  Makespan: none.\n" in text
    assert as_json(night, [], meta)["figures"]["wait_p90"]["value"] is None


def many_of_everything() -> Stream:
    """Fifteen jobs that each leave two effects twice, one of them on a shared target, with long and wide names."""
    s = Stream(SECOND)
    wide, long = "\u5929\u6587" * 30, "exposure-" * 15
    for job in range(1, 16):
        s.submit(0, job, entry=wide if job % 2 else long)
        s.start(1, job, "dome-1", job)
        for target in (f"{long}-{job}", "shared"):
            s.land(2, job, "dome-1", job, target)
            s.land(2, job, "dome-1", job, target)
        s.end(90, job, "dome-1", job, "lease_lost")
        s.requeue(90, job)
        s.add(91, "fault_missed", 0, "", "power_off", f"faults[{job}]", 1, long, "was_off")
    for job in range(12):
        s.submit(100, 16 + job)
        s.add(100, "submission_refused", 0, "", "copy", "night", f"target {job}", 9, "queue_full", {"most": 3})
    return s


def test_every_line_keeps_within_80_columns_whatever_the_names() -> None:
    night = many_of_everything().night(
        600 * SECOND, pools={"dome-1": "\u5929" * 60, "dome-2": "x" * 199}, offered_load={"\u5929" * 60: 1.5}
    )
    requirements = [
        asked(measure="wait_p90", at_most=1, entry="exposure-" * 15),
        asked(measure="failed", at_most=0.0),
        asked(measure="unfinished", at_most=0.0),
    ]
    clock = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
    judged = judge_all(night, requirements, clock)
    meta = RunMeta(title="t" * 300, seed=2**62, again="queuedrill run " + "x" * 70, explanations={1: "key busy " * 30})
    for everything in (False, True):
        text = summary(night, judged, meta, everything=everything).as_text()
        assert max(columns(line) for line in text.splitlines()) <= 80
        assert "\x1b" not in text
    for expected in ("and 20 more\n", "and 17 more\n", "and 5 more\n", "from unrelated jobs\n"):
        assert expected in text
    assert " and more." in " ".join(text.split())  # of more than three jobs that show why


def test_lost_leases_of_workers_at_work_and_resubmitted_jobs_are_told() -> None:
    s = good_night()
    s.submit(200, 2, ordinal=1, origin=1)
    s.start(200, 2, "dome-1", 2)
    s.end(290, 2, "dome-1", 2, "lease_lost")
    s.finish(290, 2, "attempts_used_up", 1)
    meta = RunMeta(title="One plate", seed=1, again="queuedrill run plate.yaml")
    text = summary(s.night(600 * SECOND), [], meta, everything=True).as_text()
    assert "  leases lost             1\n    by healthy workers    1\n" in text
    assert (
        "Done: 50 % of all submitted jobs (refused ones included); resubmitted jobs\n    counted with the first: 100 %."
        in text
    )


def one(met: bool | None) -> Judged:
    return Judged("jobs failed at most 0", met, Figure(1, "count"), 0, "x", about="jobs failed", limit="at most 0")


@pytest.mark.parametrize(
    ("mets", "fits", "sentence"),
    [
        ((), None, "No requirement is stated, so whether the night fits is not judged."),
        ((True,), True, "The night fits: the one requirement is met."),
        ((True, True), True, "The night fits: both requirements met."),
        ((False,), False, "The night does not fit: jobs failed are 1, at most 0 asked. 1 of 1 requirement missed."),
        (
            (False, True, True, False, True),
            False,
            "The night does not fit: jobs failed are 1, at most 0 asked. 2 of 5 requirements missed.",
        ),
        (
            (False, None),
            False,
            "The night does not fit: jobs failed are 1, at most 0 asked. 1 of 2 requirements missed. "
            "1 could not be judged on this night.",
        ),
        ((True, None), True, "The night fits: 1 of 2 requirements met. 1 could not be judged on this night."),
        (
            (None,),
            None,
            "Whether the night fits is not judged: none of 1 requirement could be judged on this night.",
        ),
    ],
)
def test_the_verdict_is_one_sentence(mets: tuple[bool | None, ...], fits: bool | None, sentence: str) -> None:
    assert verdict(tuple(one(met) for met in mets)) == (fits, sentence)


def test_no_figure_is_called_by_its_key() -> None:
    """What is typed with underscores stands on no screen of a night: figures and ends are called by words."""
    night, judged = bad_night()
    assert re.findall(r"\w+_\w+", summary(night, judged, META).as_text()) == []


def test_a_miss_is_said_with_what_was_found_and_asked() -> None:
    """The words of the requirement first where it has some; occurrences by how many were in time; a found value that
    reads like the bound is written exactly."""
    time, bound = 900_000_001, 900_000_000
    assert [
        verdict((missed,))[1].split(". ")[0]
        for missed in (
            Judged("x", False, Figure(time, "time"), bound, "x", about="makespan", limit="at most 15 min"),
            Judged(
                "x", False, Figure(9, "time"), 8, "x", about="makespan", limit="at most 8 us", said="all done by six"
            ),
            Judged("x", False, Figure(9, "time", more_than=True), 8, "x", about="makespan", limit="at most 8 us"),
            Judged("x", False, Figure(3, "count", n=4), 0, "x", of_occurrences=True, about="each sweep by 22:00"),
        )
    ] == [
        "The night does not fit: makespan is 15m1us, at most 15 min asked",
        "The night does not fit: all done by six was missed (makespan is 9 us, at most 8 us asked)",
        "The night does not fit: makespan is more than 9 us, at most 8 us asked",
        "The night does not fit: each sweep by 22:00: 1 of 4 in time",
    ]


def night_of_troubles() -> Stream:
    """Two faults, an action, three lost leases (one of a healthy worker), a failed job, a refusal, a repeat."""
    s = Stream(SECOND)
    for worker in ("dome-1", "dome-2"):
        s.worker(0, worker, "idle")
    for job, worker in ((1, "dome-1"), (2, "dome-2")):
        s.submit(0, job)
        s.start(0, job, worker, job)
    s.add(10, "fault_began", 0, "dome-1", "freeze", "faults[0]", 1, "dome-1")
    s.worker(10, "dome-1", "frozen")
    s.add(12, "action_taken", 0, "", "hold_queue", "actions[0]", "night")
    s.end(90, 1, "dome-1", 1, "lease_lost")
    s.requeue(90, 1)
    s.end(95, 2, "dome-2", 2, "lease_lost")
    s.finish(95, 2, "attempts_used_up", 1)
    s.add(310, "fault_ended", 0, "dome-1", "freeze", "faults[0]", 1, "dome-1")
    s.add(320, "submission_refused", 0, "", "copy", "night", "plates", 9, "queue_is_full")
    return s


def test_what_went_wrong_is_told_with_the_command_of_its_story() -> None:
    """Faults and what people did by the clock, then what came of them; the story is that of a job that shows it."""
    clock = Clock(datetime.fromisoformat("2026-06-12T21:30"), "America/Santiago")
    meta = RunMeta(
        title="Troubles", seed=4, again="x", file="my night.yaml", variant="a b", clock=clock, allowed=("/x",)
    )
    night = night_of_troubles().night(600 * SECOND)
    requirements = [asked(measure="lost_while_healthy", at_most=0.0), asked(measure="unfinished", at_most=1.0)]
    text = summary(night, judge_all(night, requirements, clock), meta).as_text()
    assert text[: text.index("Figures")] == (
        "The night does not fit: leases lost by healthy workers are 1, at most 0 asked. 1\n"
        "of 2 requirements missed. One night (seed 4).\n"
        "\n"
        "Troubles, variant 'a b'. From 2026-06-12 21:30, America/Santiago, 10 min in\n"
        "virtual time.\n"
        "\n"
        "  requirement                         asked  found\n"
        "  leases lost by healthy workers  at most 0      1  missed\n"
        "  jobs unfinished                 at most 1      1  met\n"
        "\n"
        "What went wrong\n"
        "  21:30 dome-1 freezes for 5 min, until 21:35.\n"
        "  21:30 A person acted: hold queue night.\n"
        "  2 leases were lost, 1 of them by a healthy worker; 1 was noticed after 1 min\n"
        "    20 s.\n"
        "  1 job failed: attempts used up.\n"
        "  1 job was refused: the queue is full.\n"
        "  1 job was unfinished; plates#1: not done when the run ended.\n"
        "  Leases lost by healthy workers: see plates#2.\n"
        "  queuedrill story 'my night.yaml' plates#2 --variant 'a b' --seed 4 \\\n"
        "    --allow-folder /x\n"
        "\n"
    )
