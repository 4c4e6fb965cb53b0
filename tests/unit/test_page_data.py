"""What the page's picture is drawn from, held against events worked out by hand."""

import re
from pathlib import Path

from emulator.record.events import DETAILS
from emulator.record.reasons import EVENT_REASONS
from emulator.show.page import data
from emulator.show.page.data import columns
from emulator.show.words import BY_DETAIL, EVENTS, told

SUBMITTED = ("queued", "copy", "night", "plates", 1, "", 0, "", 0)


def test_an_attempt_outlives_its_lease_and_the_next_one_stands_in_its_own_lane() -> None:
    """A worker that goes on without its lease has a bar longer than its band; counts follow the job's state."""
    rows = [
        (0, "submitted", 0, 1, "", *SUBMITTED),
        (10, "handed_out", 1, 1, "dome-1", 1, 7, 100, 1),
        (10, "work_began", 2, 1, "dome-1", 1, 7),
        (100, "attempt_ended", 2, 1, "dome-1", 1, 7, "lease_lost", "lease_ran_out", 100),
        (100, "requeued", 4, 1, "", "requeued", 100, -1),
        (110, "handed_out", 5, 1, "dome-2", 2, 8, 200, 1),
        (110, "work_began", 6, 1, "dome-2", 2, 8),
        (130, "work_stopped", 2, 1, "dome-1", 1, 7, "told"),
        (150, "work_stopped", 7, 1, "dome-2", 2, 8, "finished"),
        (150, "attempt_ended", 7, 1, "dome-2", 2, 8, "ok", "", 150),
        (150, "finished", 10, 1, "", "done", "", "", 2),
    ]
    found = columns(enumerate(rows, 1), 300, ["dome-1", "dome-2"], [(40, 7, "dome-1"), (70, 7, "dome-1")]).as_data()
    names = ("lanes", "job", "attempt", "begins", "lasts", "lease", "leased", "beats", "counts", "jobs")
    assert {name: found[name] for name in names} == {
        "lanes": [[0, 0, 1], [1, 1, 2]],
        "job": [1, 1],
        "attempt": [1, 2],
        "begins": [10, 110],
        "lasts": [120, 40],
        "lease": [0, 0],
        "leased": [90, 40],
        "beats": [[0, 30, 60]],
        "counts": {"night": [[0, 10, 100, 110, 150], [1, 0, 1, 0, 0], [0, 0, 0, 0, 0], [0, 1, 0, 1, 0]]},
        "jobs": [[1, "plates#1", 0]],
    }
    assert [found["outcomes"][code] for code in found["outcome"]] == ["lease lost", "ok"]


def test_a_second_worker_with_the_same_lease_has_none_of_its_own() -> None:
    """A second hand-out of one token is shown as such, without a lease, and cut off at the horizon."""
    rows = [
        (0, "submitted", 0, 1, "", *SUBMITTED),
        (10, "handed_out", 1, 1, "dome-1", 1, 7, 100, 1),
        (10, "work_began", 2, 1, "dome-1", 1, 7),
        (20, "work_began", 2, 1, "dome-2", 1, 7),
    ]
    found = columns(enumerate(rows, 1), 50, ["dome-1", "dome-2"]).as_data()
    assert (found["begins"], found["lasts"], found["leased"]) == ([10, 20], [40, 30], [40, -1])
    assert [found["outcomes"][code] for code in found["outcome"]] == ["in progress", "second hand-out"]


def test_a_fault_that_hit_nothing_is_an_instant() -> None:
    """It did not last, so it has no band up to the end; the words say that it hit nothing."""
    fault = "freeze", "faults[0]", 1, "dome-1"
    rows = [
        (20, "fault_began", 0, 0, "dome-1", *fault),
        (20, "fault_missed", 1, 0, "dome-1", *fault, "was_off_or_frozen"),
        (25, "fault_missed", 0, 0, "dome-1", *fault, "was_off_or_frozen"),
    ]
    assert columns(enumerate(rows, 1), 50, ["dome-1"]).marks == [(20, -1, "dome-1", "freeze hit nothing: dome-1", 1)]


def test_two_slots_of_a_worker_are_two_lanes() -> None:
    """Attempts of one worker that overlap in time never stand in one lane."""
    rows = [
        (0, "submitted", 0, 1, "", *SUBMITTED),
        (0, "submitted", 0, 2, "", *SUBMITTED),
        (10, "handed_out", 1, 1, "dome-1", 1, 7, 100, 1),
        (10, "handed_out", 2, 2, "dome-1", 1, 8, 100, 1),
    ]
    assert columns(enumerate(rows, 1), 50, ["dome-1"]).as_data()["lanes"] == [[0, 0, 1], [0, 1, 2]]


def test_calls_under_way_are_counted_from_their_begin() -> None:
    """The load of a system rises when a call was made and falls when it ended."""
    rows = [
        (30, "call_ended", 0, 1, "dome-1", 1, 7, "archive", "ok", 20),
        (40, "call_ended", 0, 2, "dome-1", 1, 8, "archive", "ok", 20),
    ]
    found = columns(enumerate(rows, 1), 50, ["dome-1"]).systems
    assert found == {"archive": [(0, 0), (10, 1), (20, 2), (30, 1), (40, 0)]}


def test_a_fault_of_a_system_is_marked_once() -> None:
    """What a fault does to its system is not marked beside it under another name; a change without a fault is."""
    rows = [
        (10, "fault_began", 0, 0, "", "brown_out", "faults[0]", 1, "archive"),
        (10, "system_changed", 1, 0, "", "archive", "brown_out"),
        (20, "fault_ended", 1, 0, "", "brown_out", "faults[0]", 1, "archive"),
        (20, "system_changed", 3, 0, "", "archive", "up"),
        (30, "action_taken", 0, 0, "", "hold_queue", "actions[0]", "night"),
        (30, "queue_held", 5, 0, "", "night"),
        (40, "system_changed", 0, 0, "", "archive", "down"),
    ]
    assert columns(enumerate(rows, 1), 50, ["dome-1"]).marks == [
        (10, 20, "", "brown-out: archive", 1),
        (30, 50, "", "hold queue: night", 5),
        (40, 50, "", "archive: down", 7),
    ]


def test_what_hits_several_at_once_is_one_mark() -> None:
    """Three workers lose heartbeats from 10 to 20, and one more to 25; two that are declared lost at 30 are one too."""
    rows = [
        *((10, "fault_began", 0, 0, "", "lose_heartbeats", "faults[0]", n, f"dome-{n}") for n in (1, 2, 3, 4)),
        *((20, "fault_ended", n, 0, "", "lose_heartbeats", "faults[0]", n, f"dome-{n}") for n in (1, 2, 3)),
        (25, "fault_ended", 4, 0, "", "lose_heartbeats", "faults[0]", 4, "dome-4"),
        *((30, "worker_declared_lost", 0, 0, f"dome-{n}") for n in (1, 2)),
    ]
    assert columns(enumerate(rows, 1), 50, ["dome-1"]).marks == [
        (10, 20, "", "lose heartbeats: dome-1, dome-2 and dome-3", 1),
        (10, 25, "", "lose heartbeats: dome-4", 4),
        (30, -1, "", "declared lost: dome-1 and dome-2", 9),
    ]


def test_a_held_queue_and_an_outage_last_until_they_end() -> None:
    """From the hold to the release, from down to up; what released or began it is marked as it was before."""
    rows = [
        (5, "queue_held", 0, 0, "", "day"),
        (10, "action_taken", 0, 0, "", "hold_queue", "actions[0]", "night"),
        (10, "queue_held", 2, 0, "", "night"),
        (15, "system_changed", 0, 0, "", "archive", "down"),
        (20, "queue_released", 0, 0, "", "day"),
        (25, "action_taken", 0, 0, "", "release_queue", "actions[1]", "night"),
        (25, "queue_released", 6, 0, "", "night"),
        (35, "system_changed", 0, 0, "", "archive", "up"),
    ]
    assert columns(enumerate(rows, 1), 50, ["dome-1"]).marks == [
        (5, 20, "", "queue held: day", 1),
        (10, 25, "", "hold queue: night", 2),
        (15, 35, "", "archive: down", 4),
        (25, -1, "", "release queue: night", 6),
    ]


def test_a_caller_that_gives_up_is_not_said_to_have_an_answer() -> None:
    """A call that was abandoned is told of its caller, any other by how it ended."""
    calls = [(9, "call_ended", 0, 3, "dome-1", 1, 7, "archive", outcome, 5) for outcome in ("abandoned", "error")]
    assert [told(row, "plates#3", str) for row in calls] == [
        "dome-1 gave up its call to archive",
        "A call of dome-1 to archive ended: error",
    ]


def test_the_picture_does_not_call_running_jobs_backlog() -> None:
    """Its curves are of queued, held and running jobs: their scale says jobs, and from where to where it goes."""
    script = (Path(data.__file__).parent / "axis.js").read_text("utf-8")
    assert re.findall(r"this\.label\(c, (.*?), (?:top|low)", script) == [
        '"jobs"',
        "`0 to ${most}`",
        "name",
        '`0 to ${peak} call${peak === 1 ? "" : "s"}`',
        '"faults, actions"',
        'second ? "\N{DOUBLE PRIME}" : this.night.workers[worker]',
    ]


def test_every_kind_of_event_is_told_with_all_that_its_pattern_names() -> None:
    """Each kind has its sentence, which names nothing that the kind does not carry."""
    assert {key.partition(":")[0] for key in EVENTS} == set(EVENTS) & set(DETAILS) == set(DETAILS)
    for key, pattern in EVENTS.items():
        kind, _, value = key.partition(":")
        known = {"job", "worker", "took", *DETAILS[kind]} | ({"system"} if kind == "effect_refused" else set())
        assert set(re.findall(r"\{(\w+)", pattern)) <= known, key
        usual = {"why": value if value in EVENT_REASONS else "idle"}
        details = [usual.get(name, value if name in BY_DETAIL.get(kind, ()) else 0) for name in DETAILS[kind]]
        sentence = told((0, kind, 0, 1, "dome-1", *details), "plates#1", str)
        assert sentence and not set(sentence) & set("{}[]"), key


def test_a_pattern_that_a_detail_chooses_is_chosen_by_it() -> None:
    """Each pattern of a value is reached by that value, and by no other."""
    others = {"why": "link_restored"}
    for key in EVENTS:
        kind, colon, value = key.partition(":")
        if colon:
            rows = [
                (0, kind, 0, 1, "dome-1", *({**others, chooser: given}.get(name, "x") for name in DETAILS[kind]))
                for chooser in BY_DETAIL[kind]
                if chooser != "why" or value in EVENT_REASONS
                for given in (value, others.get(chooser, "another"))
            ]
            assert len({told(row, "plates#1", str) for row in rows}) > 1, key
