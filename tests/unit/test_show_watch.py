"""A night as lines of text at a size, and events as sentences."""

from dataclasses import replace
from datetime import datetime

import pytest

from emulator.measure.live_state import LiveState
from emulator.record.events import DETAILS, Row
from emulator.report.watching import KEYS
from emulator.scenario.clock import Clock
from emulator.show.layout import columns, in_colour
from emulator.show.watch import PASSED_OVER, Ahead, Sight, crew, note, picture
from emulator.timeline.ticks import HOUR, MINUTE, SECOND

CLOCK = Clock(datetime.fromisoformat("2026-06-12T21:30:00"), "America/Santiago")


def came(job: int, entry: str = "plates") -> Row:
    return (5 * MINUTE, "submitted", 0, job, "", "queued", "copy", "night", entry, job, "", 0, "", 0)


def sight(*, workers: int = 3, prefix: str = "dome", entry: str = "plates", title: str = "One night") -> Sight:
    """At 21:41 the first worker is at work, the second frozen at work without a lease, the third idle."""
    names = tuple(f"{prefix}-{number}" for number in range(1, workers + 1))
    rows: list[Row] = [(0, "worker_changed", 0, 0, name, "idle", "", 1) for name in names]
    rows += [came(job, entry) for job in range(1, 7)]
    for job, worker in enumerate(names[:2], 1):
        rows.append((5 * MINUTE, "handed_out", 0, job, worker, 1, job, 6 * MINUTE, 1))
        rows.append((5 * MINUTE, "work_began", 0, job, worker, 1, job))
    rows += [
        (7 * MINUTE, "fault_began", 0, 0, names[1], "freeze", "faults[0]", 1, names[1]),
        (7 * MINUTE, "worker_changed", 0, 0, names[1], "frozen", "", 1),
        (7 * MINUTE, "work_paused", 0, 2, names[1], 2),
        (8 * MINUTE, "attempt_ended", 0, 2, names[1], 1, 2, "lease_lost", "lease_ran_out", 8 * MINUTE),
        (8 * MINUTE, "requeued", 0, 2, "", "requeued", 8 * MINUTE, -1),
    ]
    live, notes = LiveState(names, HOUR), []
    for row in rows:
        live.take(row)
        if (said := note(row, live.name, CLOCK)) is not None:
            notes.append((row[0], row[1], said))
    live.pass_to(11 * MINUTE)
    return Sight(
        title, 1, CLOCK, 11 * MINUTE, HOUR, live, notes, 60.0, ahead=(Ahead(HOUR // 2, "freeze", "dome"),), keys=KEYS
    )


def text(seen: Sight, width: int = 80, height: int = 24, *, blocks: bool = True) -> str:
    lines = picture(seen, width, height, blocks=blocks)
    assert len(lines) == height
    assert max(columns("".join(span.text for span in line)) for line in lines) <= width
    return "".join("".join(span.text for span in line).rstrip() + "\n" for line in lines)


def test_a_night_at_80_by_24() -> None:
    """Everything that matters stands on one ordinary terminal."""
    assert text(sight()) == (
        "One night                                                                 seed 1\n"
        "2026-06-12 21:41:00 America/Santiago                          60 times real time\n"
        "21:30 ############----------------------!--------------------------------- 22:30\n"
        "           \u2587\u2587\u2587\u2587\u2588\u2588\u2588\u2588\n"
        "11m of 1h, 18 %   5 wait for a worker, 5 at most\n"
        "\n"
        "Workers: 1 busy, 1 idle, 1 frozen\n"
        "  dome-1  busy      plates#1, attempt 1, for 6m\n"
        "  dome-2  frozen    WITHOUT A LEASE, plates#2, attempt 1, for 6m, stands still\n"
        "  dome-3  idle\n"
        "\n"
        "Jobs: 4 queued, 1 requeued, 1 running, 0 done, 0 failed\n"
        "Faults now: freeze of dome-2\n"
        "Next fault: 22:00:00, in 19m: freeze of dome\n"
        "\n"
        "Last events\n"
        "  21:35:00  dome-1 took plates#1, attempt 1\n"
        "  21:35:00  dome-2 took plates#2, attempt 1\n"
        "  21:37:00  A fault began: freeze of dome-2\n"
        "  21:37:00  dome-2 froze\n"
        "  21:38:00  Attempt 1 of plates#2 on dome-2 ended: lease lost (lease ran out)\n"
        "  21:38:00  plates#2 was requeued\n"
        "\n"
        "space pause  + faster  - slower  n next event  f next fault  e end  q stop\n"
    )


def test_a_low_and_narrow_window_keeps_what_matters() -> None:
    """At 40 by 12 the clock, the counts and the faults are left, and the keys as far as they go."""
    assert text(sight(), 40, 12) == (
        "One night                         seed 1\n"
        "2026-06-12 21:41:00   60 times real time\n"
        "Workers: 1 busy, 1 idle, 1 frozen\n"
        "Jobs: 4 queued, 1 requeued, 1 running,\n"
        "      0 done, 0 failed\n"
        "Faults now: freeze of dome-2\n"
        "Next fault: 22:00:00, in 19m: freeze ...\n"
        "21:30 #####---------!------------- 22:30\n"
        "        \u2587\u2588\u2588\u2588\n"
        "space pause  + faster  - slower\n"
        "n next event  f next fault  e end\n"
        "q stop\n"
    )


@pytest.mark.parametrize("width", [1, 2, 3, 5, 12, 20, 33, 60, 80, 200])
@pytest.mark.parametrize("height", [1, 2, 5, 6, 9, 15, 24, 60])
def test_any_size_is_filled_and_nothing_is_wider(width: int, height: int) -> None:
    """Every picture has as many lines as the window, none wider than it."""
    for workers in (3, 100):
        text(replace(sight(workers=workers), message="no fault comes any more", paused=True), width, height)


def test_workers_that_do_not_fit_are_counted() -> None:
    """With a hundred workers the one in trouble comes first, then the one at work; the last line counts the others."""
    lines = text(sight(workers=100)).splitlines()
    assert lines[6:12] == [
        "Workers: 1 busy, 98 idle, 1 frozen",
        "  dome-2  frozen    WITHOUT A LEASE, plates#2, attempt 1, for 6m, stands still",
        "  dome-1  busy      plates#1, attempt 1, for 6m",
        "  dome-3  idle",
        "  and 97 more: 97 idle",
        "",
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"paused": True}, "PAUSED (60 times real time)"),
        ({"aim": "event"}, "on to the next event, as fast as possible"),
        ({"aim": "fault"}, "on to the next fault, as fast as possible"),
        ({"aim": "end"}, "on to the end, as fast as possible"),
        ({"behind": True}, "60 times real time, more than this machine can"),
        ({"speed": 0.1}, "0.1 times real time"),
        ({"speed": 86_400.0}, "86,400 times real time"),
    ],
)
def test_how_the_night_goes_on_is_told_in_words(change: dict[str, object], said: str) -> None:
    """Speed, pause and where it goes stand at the right of the clock."""
    assert text(replace(sight(), **change)).splitlines()[1].endswith("  " + said)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("ahead", "unannounced", "said"),
    [((), False, "none is to come"), ((), True, "at random, nobody knows when")],
)
def test_what_is_not_known_of_faults_is_said(ahead: tuple[Ahead, ...], unannounced: bool, said: str) -> None:
    """Where no fault has a known time, the picture says whether one may come."""
    assert f"Next fault: {said}\n" in text(replace(sight(), ahead=ahead, unannounced=unannounced))


def test_without_block_characters_the_backlog_is_in_words_alone() -> None:
    """A terminal that cannot show them gets nothing but letters."""
    seen = text(sight(), blocks=False)
    assert seen.isascii()
    assert "5 wait for a worker, 5 at most" in seen


def test_a_held_queue_and_a_broker_that_is_down_are_told() -> None:
    """What makes all workers wait is said in words."""
    seen = sight()
    seen.live.take((10 * MINUTE, "queue_held", 0, 0, "", "night"))
    seen.live.take((10 * MINUTE, "broker_down", 0, 0, ""))
    assert "Standing still: the broker is down, queue night is held\n" in text(seen)


HOSTILE = [
    "dome\x1b[2J\x07\r\n",
    "[red]dome[/red][/]",
    "\u202eemod\u200b",
    "\u5929\u6587\u53f0" * 3_000,
    "e\u0301" * 5_000,
    "d" * 10_000,
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_do_no_harm(name: str) -> None:
    """Whatever a worker, an entry or a night is called, the picture keeps its size and holds no control character."""
    for width, height in ((80, 24), (30, 40), (10, 8)):
        seen = text(sight(prefix=name, entry=name, title=name), width, height)
        assert seen.replace("\n", "").isprintable()


def test_markup_in_a_name_stays_text() -> None:
    """What a name says in brackets is shown, not obeyed."""
    lines = picture(sight(prefix="[red]dome[/red]"), 80, 24)
    [line] = [
        line for line in lines if "[red]dome[/red]-1" in in_colour(line).plain and "busy" in in_colour(line).plain
    ]
    assert in_colour(line).plain == "".join(span.text for span in line)


def test_what_is_passed_over_is_a_kind_of_event() -> None:
    """Whatever is not named there gets a line in the words of the one table."""
    assert set(DETAILS) >= PASSED_OVER


def test_every_sentence_can_be_made_and_is_safe_to_show() -> None:
    """Whatever the details hold, a sentence is one line without control characters."""
    for kind, names in DETAILS.items():
        numbers = (
            "due",
            "lease_until",
            "last_heard",
            "was_due",
            "attempts",
            "attempt",
            "incarnation",
            "number",
            "ordinal",
            "seed",
            "at",
        )
        text = "a\x1b\n{job}"
        details = ["said" if name == "why" else 7 if name in numbers else text for name in names]
        details += [{"said": text}] if "why" in names else []
        said = note((5, kind, 0, 3, "dome\x1b-1", *details), "plates\x9b#{}".format, CLOCK)
        assert (said is None) or (said.isprintable() and bool(said)), kind


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ((0, "worker_changed", 0, 0, "dome-1", "booting", "", 1), None),
        ((9, "worker_changed", 0, 0, "dome-1", "booting", "", 2), "dome-1 was switched on"),
        ((9, "worker_changed", 0, 0, "dome-1", "idle", "", 1), None),
        ((9, "worker_changed", 0, 0, "dome-1", "idle", "link_restored", 1),
         "dome-1 was ready for work (link restored)"),
        ((9, "worker_changed", 0, 0, "dome-1", "cut_off", "out", 1),
         "dome-1 was cut off from the broker: its messages were lost"),
        ((9, "worker_changed", 0, 0, "dome-1", "cut_off", "both", 1), "dome-1 was cut off from the broker"),
        ((9, "attempt_ended", 0, 3, "dome-1", 1, 1, "ok", "", 9), None),
        ((9, "attempt_ended", 0, 3, "dome-1", 2, 1, "error", "", 9), "Attempt 2 of plates#3 on dome-1 ended: error"),
        ((9, "requeued", 0, 3, "", "requeued_held", 20 * SECOND, -1),
         "plates#3 was requeued, to be tried again at 21:30:20"),
        ((9, "requeued", 0, 3, "", "requeued", 9, -1), "plates#3 was requeued"),
        ((9, "finished", 0, 3, "", "failed", "expired", "", 0), "plates#3 failed (expired)"),
        ((9, "finished", 0, 3, "", "failed", "withdrawn", "", 1), "A person withdrew plates#3 after 1 attempt"),
        ((9, "finished", 0, 3, "", "failed", "attempts_used_up", "", 2),
         "plates#3 failed after 2 attempts (attempts used up)"),
        ((9, "stale_refused", 0, 3, "dome-1", 7, "outcome"),
         "The broker refused the outcome of dome-1 for plates#3: its token 7 was stale"),
        ((9, "stale_refused", 0, 0, "dome-1", 7, "renewal"),
         "The broker refused the renewal of dome-1: its token 7 was stale"),
        ((9, "worker_notified", 0, 3, "dome-1", 7, "lease_lost"),
         "dome-1 was told that its lease (token 7) for plates#3 was lost"),
        ((9, "worker_notified", 0, 3, "dome-1", 7, "suspend"), "dome-1 was told to suspend plates#3"),
        ((9, "equipment_changed", 0, 0, "dome-1", ""), "dome-1 was equipped with nothing"),
        ((9, "submission_repeated", 0, 3, "", "one"),
         "plates#3 was submitted again under the key one, and taken for the same job"),
        ((9, "effect_refused", 0, 3, "dome-1", 1, 7, "copied", "plate-7", "token_is_stale"),
         "The system refused copied on plate-7 from dome-1, for plates#3: its token is stale"),
        ((9, "held", 0, 3, "", "queued_held", "pausing"), None),
        ((9, "held", 0, 3, "", "queued_held", "by_person"), "A person held plates#3"),
        ((9, "work_stopped", 0, 3, "dome-1", 1, 1, "finished"), None),
        ((9, "fault_missed", 1, 0, "", "power_off", "faults[0]", 1, "dome-1", "was_off"),
         "A fault hit nothing: power off of dome-1: it was off"),
        ((9, "action_taken", 0, 0, "", "hold_queue", "actions[0]", "night"), "A person acted: hold queue night"),
    ],
)  # fmt: skip
def test_sentences(row: Row, said: str | None) -> None:
    """Each notable event reads as a plain sentence; the rest has none."""
    assert note(row, "plates#{}".format, CLOCK) == said


def test_a_worker_with_several_slots_shows_how_many_are_free() -> None:
    """An index takes three slots and a copy one, of five: one is free. A worker with one slot shows no count."""
    live = LiveState(("dome-1", "dome-2"), HOUR, slots={"dome-1": 5, "dome-2": 1}, takes_slots={"index": 3})
    for job, (routine, worker) in enumerate([("index", "dome-1"), ("copy", "dome-1"), ("copy", "dome-2")], 1):
        live.take((0, "submitted", 0, job, "", "queued", routine, "night", routine, job, "", 0, "", 0))
        live.take((0, "handed_out", 0, job, worker, 1, job, MINUTE, 1))
        live.take((0, "work_began", 0, job, worker, 1, job))
    lines = crew(live, MINUTE, 80, 5)
    assert ["".join(span.text for span in line) for line in lines[1:]] == [
        "  dome-1  busy      index#1, attempt 1, for 1m, and 1 more, 1 of 5 slots free",
        "  dome-2  busy      copy#3, attempt 1, for 1m",
    ]
