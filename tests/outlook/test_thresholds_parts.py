"""Growth, what would help, words and the playing of nights: with nights made by hand where none has to be played."""

import json
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import Any, cast

import pytest
from watched_small import HOURS, SMALL, night

from emulator.errors import InputError
from emulator.experiment.settings import Setting, setting_of
from emulator.experiment.watched_nights import Watch, open_watch, watch_night
from emulator.measure.signals import Signal, WatchedNight
from emulator.outlook.found import Grown, Growth, Help, Moved, Part, growth_of, helps_of
from emulator.outlook.table import Limit, Shape, Table
from emulator.outlook.threshold_words import growth_words, help_words, letters, nights_words, notes, part_words
from emulator.outlook.thresholds import Thresholds
from emulator.scenario.load import Loaded, load_text

RETRIES = Signal("retries")
STILL = [0.0] * 4
TABLE = Table(
    HOURS, [Shape(RETRIES, 0, STILL, [1.0] * 4)], {RETRIES: (1.0, 1.0)}, Fraction(1, 100), Limit(299, 299, True), 0.0
)
"""One signal, which alarms from 1 on."""


class Played:
    """Stands in for what plays nights: gives those that are due, and keeps what was asked."""

    def __init__(self, give: Callable[[Setting, int], WatchedNight]) -> None:
        self._give = give
        self.asked: list[tuple[str, dict[str, Any], Sequence[int]]] = []

    def nights(self, setting: Setting, seeds: Sequence[int], done: Callable[[int], None]) -> list[WatchedNight]:
        self.asked.append((setting.name, json.loads(setting.patch), seeds))
        done(len(seeds))
        return [self._give(setting, seed) for seed in seeds]


def loaded(text: str = SMALL) -> Loaded:
    return load_text(text, name="strips.yaml")


def grown(text: str, played: Played) -> Growth:
    return growth_of(loaded(text), TABLE, cast(Watch, played), lambda more: None, 500, 10)


def alarming(count: int, of: int = 10) -> WatchedNight:
    return night([float(count % of == 0), 0, 0, 0])


def test_work_is_raised_until_the_table_fails() -> None:
    """With 20 % more, 5 of 10 quiet nights alarm, far more than 1 %; every growth has seeds of its own."""
    by = {"work times 6/5": 2}
    played = Played(lambda setting, seed: alarming(seed, by.get(setting.name, 10**9)))
    found = grown(SMALL, played)
    assert [(round(one.more, 3), one.alarms.count, one.alarms.of, one.holds) for one in found.tried] == [
        (0.05, 0, 10, True),
        (0.1, 0, 10, True),
        (0.2, 5, 10, False),
    ]
    assert [its for _, _, its in played.asked] == [range(500, 510), range(510, 520), range(520, 530)]
    assert (round(found.up_to, 3), found.fixed, found.grows) == (0.1, ("previews",), True)
    assert [patch for _, patch, _ in played.asked] == [
        {"arrivals.0.count": 9},
        {"arrivals.0.count": 9},
        {"arrivals.0.count": 10},
    ]


def test_rates_are_raised_and_nights_with_a_fault_do_not_count() -> None:
    text = SMALL.replace('every: 15m, until: "23:30"', "per_hour: 4")
    played = Played(lambda setting, seed: night([1, 0, 0, 0], fault=1))
    found = grown(text, played)
    assert played.asked[0][1] == {"arrivals.0.count": 9, "arrivals.1.per_hour": 4.2}
    assert (found.tried[0].alarms, found.tried[0].holds, found.up_to) == (Part(0, 0, None), False, 0.0)


def test_a_growth_that_every_table_survives_is_tried_to_the_end() -> None:
    found = grown(SMALL, Played(lambda setting, seed: night(STILL)))
    assert [round(one.more, 2) for one in found.tried] == [0.05, 0.1, 0.2, 0.3, 0.5, 1.0]
    assert found.up_to == 1


def test_what_has_neither_count_nor_rate_is_not_raised() -> None:
    text = SMALL.replace('count: 8, at: "22:10"', "every: 20m")
    assert grown(text, Played(lambda setting, seed: night(STILL))) == Growth((), ("strips", "previews"), grows=False)


def test_an_action_is_moved_to_every_hour() -> None:
    """Held in the first hour it saves both nights, in the second one of them: so it helps until the second.

    A third scanner has no hour; twice as many strips is not for people to choose.
    """

    def give(setting: Setting, seed: int) -> WatchedNight:
        late = json.loads(setting.patch).get("actions.0.at") == "+10m"
        return night(STILL, seed=seed, missed=20 if late and seed == 7 else None)

    played = Played(give)
    bad = [night(STILL, seed=seed, missed=20) for seed in (7, 9)]
    found = helps_of(loaded(), TABLE, cast(Watch, played), lambda more: None, bad)
    first, second = Moved(0, "22:00", 2), Moved(HOURS[1].begins, "23:00", 1)
    assert found == (
        Help("What if previews are held from half past ten on?", 2, 2, (first, second)),
        Help("What if there is a third scanner?", 2, 2, ()),
    )
    assert (found[0].until, found[1].until) == (second, None)
    assert played.asked[1][1] == {
        "actions": {"add": [{"hold_queue": "previews", "at": "22:30"}]},
        "actions.0.at": "+0s",
    }


def test_an_action_that_cannot_be_so_late_is_left_out() -> None:
    """A hold that ends at a time of the clock cannot begin after it."""
    text = SMALL.replace('hold_queue: previews, at: "22:30"', 'hold_queue: previews, at: "22:01", until: "22:05"')
    [first, *_] = helps_of(
        loaded(text),
        TABLE,
        cast(Watch, Played(lambda setting, seed: night(STILL))),
        lambda more: None,
        [night(STILL, missed=9)],
    )
    assert [one.clock for one in first.moved] == ["22:00"]


def test_without_a_bad_night_nothing_is_asked() -> None:
    played = Played(lambda setting, seed: night(STILL))
    assert helps_of(loaded(), TABLE, cast(Watch, played), lambda more: None, []) == ()
    assert played.asked == []


def test_words_of_growth_and_help() -> None:
    def words(growth: Growth | None) -> str:
        return growth_words(cast(Thresholds, SimpleNamespace(growth=growth)))

    held, failed = Grown(0.1, Part(0, 97, None), holds=True), Grown(0.2, Part(9, 97, None), holds=False)
    assert words(Growth((held, failed), ("ring",), grows=True)) == (
        "The table holds up to +10 % work: with +20 %, 9 of 97 quiet nights alarm. Make a new one before that. Not "
        "raised: ring."
    )
    assert words(Growth((failed,), (), grows=True)).startswith("The table does not hold with any more work: with +20 %")
    assert words(Growth((held,), (), grows=True)) == (
        "The table holds up to +10 % work, the most that was tried (0 of 97 quiet nights alarm)."
    )
    assert words(Growth((), ("ring",), grows=False)) == (
        "Whether the table holds with more work was not tried: no entry has a count or a rate to raise. Not "
        "raised: ring."
    )
    none = Help("What if it is held?", 9, 1, (Moved(0, "22:00", 0), Moved(1, "23:00", 0)))
    assert help_words(none) == "saves 1 of 9 bad nights; at no full hour does it save any"
    assert part_words(Part(0, 0, None)) == ("no such night", "-")


def test_more_signals_than_letters_have_two() -> None:
    table = replace(TABLE, shapes=[Shape(Signal("backlog", str(place)), 0, STILL, STILL) for place in range(28)])
    named = [letter for letter, _ in letters(cast(Thresholds, SimpleNamespace(table=table)))]
    assert (named[0], named[25:]) == ("A", ["Z", "A1", "A2"])


def test_what_a_reader_must_know_is_told() -> None:
    """That nothing varies, and which nights chose signals."""
    sets = SimpleNamespace(shape=[1] * 20, calibration=[1] * 40, choice=[1] * 3, report=[1] * 37)
    of = SimpleNamespace(
        varied=False, chosen=True, table=TABLE, candidates=8, sets=sets, first_seed=1, nights=100, played=100
    )
    assert list(notes(cast(Thresholds, of))) == [
        "Nothing varies between quiet nights: the table only tells what this one night looks like.",
        "1 of 8 signals are watched: each one more would widen the limits of all. --signals names others.",
    ]
    assert nights_words(cast(Thresholds, of)) == (
        "100 nights (seeds 1 to 100): 20 quiet ones gave the shape, 40 quiet ones the limit, 3 with a fault the choice "
        "of signals, and 37 are reported."
    )


class Dying:
    """An executor whose processes die."""

    def submit(self, call: object, *arguments: object) -> Future[list[WatchedNight]]:
        future: Future[list[WatchedNight]] = Future()
        future.set_exception(BrokenProcessPool("gone"))
        return future


class Near:
    """An executor that works at once, in this process."""

    def submit(self, call: Callable[..., Any], *arguments: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(call(*arguments))
        return future


def test_a_process_that_dies_is_told_in_a_sentence() -> None:
    with pytest.raises(InputError, match="a process that played nights died, perhaps for want of memory"):
        Watch(2, cast(Any, Dying())).nights(setting_of(loaded(), "as written"), range(4))


def test_nights_of_an_executor_come_in_the_order_of_their_seeds() -> None:
    """Also when more are asked for than are under way at once."""
    setting = setting_of(loaded(), "as written")
    found = Watch(1, cast(Any, Near())).nights(setting, range(3, 13))
    assert [one.seed for one in found] == list(range(3, 13))
    assert found[0] == watch_night(setting, 3)


def test_what_goes_wrong_meanwhile_ends_the_processes() -> None:
    with pytest.raises(KeyboardInterrupt), open_watch(2):
        raise KeyboardInterrupt
