"""What keys do to the run of a night, without a terminal and without a clock."""

import pytest

from emulator.report.watching import KEYS, SPEEDS, RunControl, usual_speed
from emulator.timeline.ticks import DAY, HOUR, MINUTE, SECOND

LAST = HOUR - 1


def pressed(keys: str, speed: float = 60.0, *, faults: bool = True) -> RunControl:
    control = RunControl(speed, faults=faults)
    for key in keys:
        control.press(key)
    return control


def test_a_night_keeps_to_its_speed() -> None:
    """A tenth of a second of real time at 60 times real time is six seconds, up to the last tick."""
    control = RunControl(60.0)
    assert [control.reach(at, 100_000, LAST) for at in (0, 6 * SECOND, LAST - SECOND)] == [
        6 * SECOND,
        12 * SECOND,
        LAST,
    ]


def test_a_machine_that_slept_does_not_leap() -> None:
    """However long nobody looked, a quarter of a second counts at most."""
    assert RunControl(60.0).reach(0, 3_600_000_000, LAST) == 15 * SECOND


@pytest.mark.parametrize(
    ("keys", "before", "after"),
    [
        *(("+", 60.0, 120.0), ("=", 60.0, 120.0), ("-", 60.0, 30.0), ("_", 60.0, 30.0), ("+-", 60.0, 60.0)),
        *(("+", 70.0, 120.0), ("-", 70.0, 60.0), ("-", 0.1, 0.1), ("+", 86_400.0, 86_400.0), ("-", 1e9, 86_400.0)),
    ],
)
def test_faster_and_slower(keys: str, before: float, after: float) -> None:
    """The speed goes to the next one of the row, from wherever it was, and stays within the row."""
    assert pressed(keys, before).speed == after


def test_the_ends_of_the_row_are_told() -> None:
    """A key that can change the speed no more says so; the next key takes the message away."""
    control = pressed("-", SPEEDS[0])
    first = control.message
    control.press("+")
    assert (first, control.message) == ("this is the slowest; space pauses", "")
    assert pressed("+", SPEEDS[-1]).message == "this is the fastest; e goes straight to the end"


def test_pause_and_go_on() -> None:
    """Space pauses and goes on; paused, the night stays where it is."""
    assert [pressed(keys).paused for keys in ("", " ", "  ", "p", "P ")] == [False, True, False, True, False]
    assert pressed(" ").reach(5, 100_000, LAST) == 5


@pytest.mark.parametrize(
    ("key", "seen", "arrives"),
    [
        ("n", {"of_note": False, "fault": False}, False),
        ("n", {"of_note": True, "fault": False}, True),
        ("f", {"of_note": True, "fault": False}, False),
        ("f", {"of_note": True, "fault": True}, True),
        ("e", {"of_note": True, "fault": True}, False),
        ("", {"of_note": True, "fault": True}, False),
    ],
)
def test_what_is_looked_for_pauses_the_night(key: str, seen: dict[str, bool], arrives: bool) -> None:
    """A step ends at a notable event, a jump at a fault; going to the end stops nowhere."""
    control = pressed(" " + key if key else key)
    control.see(**seen)
    aim = control.aim
    assert (control.arrives(), control.paused) == (arrives, arrives)
    assert control.aim == ("" if arrives else aim)
    assert not control.arrives()


def test_on_the_way_the_night_goes_as_far_as_it_can() -> None:
    """A step, a jump and the end reach for the last tick, whatever the speed and though it was paused."""
    assert [pressed(" " + key, 0.1).reach(0, 1, LAST) for key in "nfe"] == [LAST] * 3


def test_space_ends_a_jump() -> None:
    """Space on the way to a fault pauses there and then."""
    control = pressed("f ")
    assert (control.aim, control.paused) == ("", True)


def test_looking_in_vain_pauses_before_the_end() -> None:
    """Whoever waited for a fault that never came is told, and ends the night by a key of their own."""
    control = pressed("f")
    assert (control.is_over(), control.paused, control.message) == (
        False,
        True,
        "no fault comes any more: space or e ends the night",
    )
    assert not control.is_over()
    control.press(" ")
    assert control.is_over()
    assert (pressed("n").is_over(), pressed(" ").is_over(), pressed("e").is_over(), pressed("").is_over()) == (
        False,
        False,
        True,
        True,
    )


def test_a_scenario_without_faults_has_none_to_jump_to() -> None:
    """Then the key says so, and the night goes on as it did."""
    control = pressed("f", faults=False)
    assert (control.aim, control.message) == ("", "this scenario has no faults")


def test_other_keys_do_nothing() -> None:
    """A key that is not among those that are told changes nothing, not even the message."""
    control = pressed("fxZ7\t", faults=False)
    assert (control.message, control.stopped, control.speed) == ("this scenario has no faults", False, 60.0)
    assert [pressed(key).stopped for key in "qQ"] == [True, True]
    assert [key for key, _ in KEYS] == ["space", "+", "-", "n", "f", "e", "q"]


def test_a_night_takes_a_minute_or_a_little_more() -> None:
    """By default no night of a minute to six days takes less than a minute, or as much as three and a half."""
    for lasts in (MINUTE, 7 * MINUTE, HOUR, 2 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 3 * DAY, 6 * DAY):
        assert 60 <= lasts / SECOND / usual_speed(lasts) < 151
    assert usual_speed(SECOND) == 0.1
    assert usual_speed(365 * DAY) == 86_400.0
