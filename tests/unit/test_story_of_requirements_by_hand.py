"""Stories of requirements on a night worked out by hand: which jobs and events are named, and in which words."""

import pytest
from night_rows import Stream, asked, the_night, the_rows
from story_rows import SCENARIO

from emulator.measure.requirements import judge
from emulator.measure.story.facts import Rows, settings_of
from emulator.measure.story.requirement import requirement_story
from emulator.measure.story.surroundings import Surroundings
from emulator.scenario.load import load_text
from emulator.show.story.writing import lines
from emulator.timeline.ticks import SECOND

LOADED = load_text(SCENARIO.replace("lasts: 1h", "lasts: 1000s"), "by-hand.yaml")


def told(stream: Stream | None = None, **keys: object) -> list[str]:
    """Tell the story of a requirement after its verdict, on the night of ``the_rows`` or of other events."""
    rows, night = (stream.rows, stream.night(1000 * SECOND)) if stream else (the_rows(SECOND).rows, the_night(SECOND))
    around = Surroundings(Rows(rows, finished=True), settings_of(LOADED.scenario), LOADED.scenario.lasts)
    requirement = asked(**keys)
    judged = judge(night, requirement, LOADED.clock)
    found = lines(requirement_story(around, night, requirement, judged, 1, "it"), LOADED.clock)
    assert found[0][2] == judged.sentence
    return [f"{time} {text}" for _, time, text, _ in found[1:]]


UNFINISHED = [
    "21:05:00 plates#3 is unfinished.",
    "21:01:20 sweeps#1 is unfinished.",
    "21:13:20 sweeps#2 (resubmitted as job 7) is unfinished.",
]
REFUSED = [
    "21:00:10 The queue night refused a job of copy, from plates: "
    "the queue holds 3 unfinished jobs, the most that it may."
]
SKIPPED = ["21:15:00 Occurrence 4 of sweeps was skipped: still running."]
STALE = ["21:15:00 The broker refused the renewal of dome-1 for plates#2: its token 3 was stale."]
NOT_DONE = [
    "21:08:20 Occurrence 2 of sweeps, due at 21:06:30, was unfinished at the end.",
    "21:11:40 Occurrence 3 of sweeps, due at 21:10:00, failed (withdrawn).",
    *SKIPPED,
]


@pytest.mark.parametrize(
    ("keys", "sentences"),
    [
        (
            {"measure": "wait_longest", "at_most": 100 * SECOND},
            [
                "21:05:00 plates#3 waited 4 min 10 s, beyond what was asked.",
                "21:13:20 sweeps#2 (resubmitted as job 7) waited 3 min 20 s, beyond what was asked.",
                "21:05:00 plates#2 waited 1 min 40 s.",
                "21:08:20 sweeps#2 waited 1 min 40 s.",
                "21:11:40 sweeps#3 waited 1 min 40 s.",
                "21:01:20 sweeps#1 waited 20 s.",
                "21:01:40 plates#1 waited 0 s.",
            ],
        ),
        (
            {"measure": "turnaround_longest", "at_most": 900 * SECOND, "routine": "sweep"},
            [
                "21:01:20 sweeps#1 had a turnaround of 15 min 50 s, beyond what was asked.",
                "21:13:20 sweeps#2 (resubmitted as job 7) had a turnaround of 3 min 20 s.",
            ],
        ),
        (
            {"measure": "run_time_longest", "at_most": 100 * SECOND},
            [
                "21:05:00 plates#3 had a run time of 11 min 40 s, beyond what was asked.",
                "21:01:40 plates#1 had a run time of 1 min 40 s.",
            ],
        ),
        (
            {"measure": "unsafe_repeats", "at_most": 0.0},
            ["21:04:50 plates#2 left 2 effects, the last here, on plate-2."],
        ),
        (
            {"measure": "done_share", "at_least": 1.0},
            [
                "21:05:00 plates#2 failed after 2 attempts (permanent error).",
                "21:08:20 sweeps#2 failed (expired).",
                "21:11:40 A person withdrew sweeps#3.",
                *UNFINISHED,
            ],
        ),
        (
            {"measure": "detection_delay_longest", "at_most": 0},
            ["21:03:00 Attempt 1 of sweeps#1 on tower-1 ended: lease lost."],
        ),
        ({"measure": "unfinished", "at_most": 0.0}, UNFINISHED),
        ({"measure": "refused", "at_most": 0.0}, REFUSED),
        ({"measure": "refused", "at_most": 0.0, "queue": "night"}, REFUSED),
        ({"measure": "refused", "at_most": 0.0, "queue": "day"}, []),
        ({"measure": "occurrences_skipped", "at_most": 0.0, "entry": "sweeps"}, SKIPPED),
        ({"measure": "occurrences_skipped", "at_most": 0.0, "entry": "plates"}, []),
        (
            {"measure": "stale_refused", "at_most": 0.0},
            [*STALE, "21:15:00 The broker refused the renewal of dome-1: its token 99 was stale."],
        ),
        ({"measure": "stale_refused", "at_most": 0.0, "queue": "night"}, STALE),
        (
            {"measure": "resubmitted", "at_most": 0.0},
            ["21:13:20 sweeps#2 (resubmitted as job 7) was submitted to the queue night (routine sweep)."],
        ),
        (
            {"each_occurrence_of": "sweeps", "finished_by": "22:00"},
            ["21:01:20 Occurrence 1 of sweeps, due at 21:00:50, was unfinished at the end.", *NOT_DONE],
        ),
        ({"each_occurrence_of": "sweeps", "started_by": "21:20"}, NOT_DONE),
        (
            {"each_occurrence_of": "plates", "started_by": "21:20"},
            [
                "21:01:40 Occurrence 1 of plates, due at 21:00:00, was done at 21:01:40.",
                "21:05:00 Occurrence 2 of plates, due at 21:00:00, failed (permanent error).",
                "21:05:00 Occurrence 3 of plates, due at 21:00:50, was unfinished at the end.",
            ],
        ),
    ],
)
def test_what_a_requirement_rests_on(keys: dict[str, object], sentences: list[str]) -> None:
    """Times name the jobs, the worst first; shares what counts against them; counts the events that were counted."""
    assert told(**keys) == sentences


def twice(origin: int) -> Stream:
    """Leave an effect late, and once more from another job, which was resubmitted for the first or was not."""
    s = Stream(SECOND)
    s.submit(0, 1)
    s.start(0, 1, "dome-1", 1)
    s.end(100, 1, "dome-1", 1, "lease_lost")
    s.land(120, 1, "dome-1", 1)
    s.stop(130, 1, "dome-1", 1)
    s.finish(130, 1, "attempts_used_up")
    s.submit(200, 2, ordinal=1 if origin else 2, origin=origin)
    s.start(200, 2, "dome-1", 2)
    s.land(250, 2, "dome-1", 2)
    s.go_well(300, 2, "dome-1", 2)
    return s


def test_effects_that_came_late_or_from_two_jobs() -> None:
    """Jobs that were resubmitted from one another are told of together, others one by one."""
    assert told(twice(1), measure="late_effects", at_most=0.0) == [
        "21:04:10 plates#1 and the jobs resubmitted from it left 2 effects, the last here, on plate-7."
    ]
    assert told(twice(0), measure="unsafe_repeats_across_jobs", at_most=0.0) == [
        "21:02:00 plates#1 left 1 effect, the last here, on plate-7.",
        "21:04:10 plates#2 left 1 effect, the last here, on plate-7.",
    ]


def test_effects_after_the_end_of_their_job() -> None:
    """The job is told whose effect landed after its end, with that landing; one before it is left alone."""
    s = Stream(SECOND)
    s.submit(0, 1)
    s.start(0, 1, "dome-1", 1)
    s.end(100, 1, "dome-1", 1, "lease_lost")
    s.stop(110, 1, "dome-1", 1)
    s.finish(130, 1, "attempts_used_up")
    s.land(150, 1, "dome-1", 1)
    s.submit(200, 2)
    s.start(200, 2, "dome-1", 2)
    s.land(250, 2, "dome-1", 2)
    s.go_well(300, 2, "dome-1", 2)
    assert told(s, measure="effects_after_end", at_most=0.0) == [
        "21:02:30 plates#1 left 1 effect, the last here, on plate-7."
    ]


def test_the_rest_is_counted() -> None:
    """Of twelve jobs ten are told, and the other two are counted, as jobs or as events."""
    s = Stream(SECOND)
    for job in range(1, 13):
        s.submit(100, job)
    waited = [f"21:01:40 plates#{job} waited 15 min, beyond what was asked." for job in range(1, 11)]
    assert told(s, measure="wait_longest", at_most=0) == [*waited, "21:16:40 And 2 more jobs."]
    came = [f"21:01:40 plates#{job} was submitted to the queue night (routine copy)." for job in range(1, 11)]
    assert told(s, measure="accepted", at_most=0.0) == [*came, "21:16:40 And 2 more events."]
    open_ = [f"21:01:40 plates#{job} is unfinished." for job in range(1, 11)]
    assert told(s, measure="done", at_least=1.0) == [*open_, "21:16:40 And 2 more jobs."]
