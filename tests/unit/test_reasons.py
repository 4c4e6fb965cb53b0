"""Why something happened stands in events as a code with values: no sentence, and nothing that a name could imitate."""

import ast
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from random_nights.generator import night
from random_nights.play import loaded, play

from emulator import Emulator, PermanentError, RetryCase, TransientError, Verdict, run_in_virtual_time
from emulator.errors import LogError
from emulator.measure.ages import ATTEMPTS, FINAL, FINISHED, SUBMITTED
from emulator.measure.fold import NightFold
from emulator.measure.night import Night
from emulator.measure.words import REFUSALS, WORDS, refusal_in_words, why_in_words
from emulator.record.events import DETAILS, Event, Row, details_of, read, reason_in, reason_of
from emulator.record.export import json_lines
from emulator.record.reasons import EVENT_REASONS, mistake_in
from emulator.scenario.load import from_settings, load
from emulator.show.words import told
from emulator.testing.work import Work
from emulator.timeline.ticks import SECOND

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted((ROOT / "scenarios").glob("*.yaml"))
TABLES = ("measure/words.py", "record/reasons.py")

EVERY_VALUE: dict[str, str | int] = {
    "count": 3,
    "job": 7,
    "limit": 90_000_000,
    "lost": 4,
    "most": 2,
    "outcome": "permanent_error",
    "part": "copy",
    "queue": "night",
    "refusal": "not_in_force_yet",
    "routine": "plate-copy",
    "said": "tape busy",
    "sub_state": "attempts_used_up",
    "system": "archive",
    "tool": "tape>=2",
    "worker": "dome-1",
}
"""A value for each name that occurs in the table of reasons."""

WORDS_OF_VALUES = {
    "said": "tape busy",
    "stale_token": "archive refused a stale token",
    "part_failed": "copy failed",
    "no_access": "no access to archive: not in force yet",
    "call_ended": "archive answered: permanent error",
    "error_burst": "a burst of errors of plate-copy",
    "no_tool": "dome-1 has no tape>=2",
    "outcome": "permanent_error",
    "total_limit_reached": "the total limit of 1m30s was reached",
    "not_retried": "the outcome permanent error is not retried",
    "attempts_in_all": "attempts in all: 2",
    "lost_leases": "lost leases: 4, at most 2",
    "no_retry_in_time": "no retry could start within the total limit of 1m30s",
    "time_limit_reached": "the time limit of 1m30s was reached",
    "time_limits_reached": "the time limit was reached 3 times, at most 2",
    "prerequisite_failed": "job 7, which goes before it, has failed: attempts used up",
    "queue_full": "the queue holds 2 unfinished jobs, the most that it may",
    "queue_held_already": "queue night is held already",
    "queue_not_held": "queue night is not held",
}
"""What is said of a reason with ``EVERY_VALUE``, written out by hand."""


def values_of(code: str) -> dict[str, str | int]:
    return {name: EVERY_VALUE[name] for name in EVENT_REASONS[code]}


def wrong_reasons(rows: Iterable[Row]) -> list[tuple[int, str]]:
    """Give the events whose ``why`` is no code of the table, or has other values."""
    return [
        (event.number, mistake)
        for event in read(rows)
        if "why" in event.details and (mistake := mistake_in(*reason_in(event)))
    ]


# -- the table ----------------------------------------------------------------------------------------------------


def test_every_code_has_a_sentence_and_every_sentence_a_code() -> None:
    """The two tables name the same codes in the same order, and the words of those with values are these."""
    assert list(WORDS) == list(EVENT_REASONS)
    assert {code for code, names in EVENT_REASONS.items() if names} == set(WORDS_OF_VALUES)
    assert {code: why_in_words(code, values_of(code)) for code in WORDS_OF_VALUES} == WORDS_OF_VALUES
    said = [why_in_words(code) for code, names in EVENT_REASONS.items() if not names]
    assert all(words == words.strip() and "{" not in words for words in said) and all(said)
    assert {refusal_in_words(code) for code in REFUSALS} == set(REFUSALS.values())


def literals(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_every_code_is_given_by_some_module() -> None:
    """No code, and so no sentence, is left over: each is written where it happens, or is a constant that is used."""
    package = ROOT / "emulator"
    sources = [path for path in package.rglob("*.py") if path.relative_to(package).as_posix() not in TABLES]
    given = {text for path in sources for text in literals(path)}
    reasons = ast.parse((package / "record" / "reasons.py").read_text("utf-8"))
    constants = {
        node.target.id: node.value.value
        for node in reasons.body
        if isinstance(node, ast.AnnAssign)
        and isinstance(node.target, ast.Name)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    }
    used = {
        node.id
        for path in sources
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)
    }
    given |= {code for name, code in constants.items() if name in used}
    given |= {"said"}  # by the function of that name
    assert set(EVENT_REASONS) - given == set()
    access = set(literals(package / "world" / "access.py"))
    assert set(REFUSALS) - access == set()


def test_a_reason_of_somebody_elses_is_refused_in_a_sentence() -> None:
    """A log may hold anything: what is no code, or has other values, is told as such."""
    assert mistake_in("", {}) == ""
    assert mistake_in("no worker", {}) == "there is no reason called 'no worker'"
    assert mistake_in("part_failed", {}) == "the reason 'part_failed' has the values part, not none"
    assert mistake_in("idle", {"a": 1}) == "the reason 'idle' has the values none, not a"
    assert mistake_in("part_failed", [1]) == "the reason 'part_failed' has the values part, not [1]"
    assert mistake_in("attempts_in_all", {"most": "two"}) == "the value most of the reason 'attempts_in_all' is 'two'"
    with pytest.raises(LogError, match="there is no reason called 'lease ran out'"):
        why_in_words("lease ran out")
    with pytest.raises(LogError, match="there is no refusal called 'closed'"):
        why_in_words("no_access", {"system": "archive", "refusal": "closed"})


# -- what events carry --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_the_events_of_every_scenario_carry_codes(path: Path) -> None:
    """In no shipped scenario does an event carry a sentence as its reason, and each reason can be said."""
    found = load(path)
    rows = play(found, found.scenario.seed, "computed")
    assert wrong_reasons(rows) == []
    for row in rows:
        if "why" in DETAILS[row[1]]:
            assert bool(why_in_words(*reason_of(row))) is bool(reason_of(row).code)


@pytest.mark.parametrize("number", range(1, 61))
def test_the_events_of_random_nights_carry_codes(number: int) -> None:
    """Nor in a random night, which uses every key of the format."""
    assert wrong_reasons(play(loaded(night(number)), number, "computed")) == []


# -- names that look like reasons ---------------------------------------------------------------------------------

NEUTRAL = "zzz"
HORIZON = 2 * 60 * 60 * SECOND
NAMES = sorted({*EVENT_REASONS, *(why_in_words(code, values_of(code)) for code in EVENT_REASONS)})


def settings(name: str) -> dict[str, Any]:
    """A night with losses, errors, refusals and retries, whose names all come from one; no draw depends on a name."""
    retry = {"attempts_in_all": 2, "pause": "constant", "first": "1m"}
    return {
        "title": "Names",
        "starts": "2026-06-12T22:00:00",
        "lasts": "2h",
        "queues": {
            name: {"lease": "2m", "retry": retry, "capacity": 4},
            f"{name}-b": {"lease": "2m", "retry": retry, "time_limit": {"after": "5m", "then": "fail"}},
        },
        "pools": {name: {"count": 2, "serves": [name, f"{name}-b"], "heartbeat": "20s", "poll": "0s"}},
        "systems": {f"{name}-s": {"answers_in": "10s", "outages": [{"begins": "22:30", "ends": "22:50"}]}},
        "routines": {
            name: {"queue": name, "parts": [{"name": name, "takes": "3m", "effect": name}]},
            f"{name}-e": {"queue": name, "parts": [{"name": name, "takes": "1m", "error_share": 1}]},
            f"{name}-l": {"queue": f"{name}-b", "parts": [{"name": name, "takes": "20m"}]},
            f"{name}-c": {"queue": f"{name}-b", "parts": [{"name": name, "calls": f"{name}-s", "effect": name}]},
        },
        "arrivals": [
            {"routine": name, "name": name, "at": "22:00", "count": 6, "key": name},
            {"routine": f"{name}-e", "name": f"{name}-e", "at": "22:10", "count": 2},
            {"routine": f"{name}-l", "name": f"{name}-l", "at": "22:20", "count": 1},
            {"routine": f"{name}-c", "name": f"{name}-c", "at": "22:35", "count": 2},
        ],
        "faults": [
            {"power_off": [f"{name}-1"], "at": "22:01", "back_after": "5m"},
            {"freeze": [f"{name}-1"], "at": "22:02", "lasts": "1m"},
            {"freeze": [f"{name}-2"], "at": "22:12", "lasts": "4m"},
        ],
        "actions": [
            {"hold_queue": name, "at": "22:40"},
            {"hold_queue": name, "at": "22:41"},
            {"withdraw": f"{name}-l#1", "at": "22:22"},
            {"withdraw": f"{name}-l#1", "at": "22:23"},
        ],
    }


def rows_of(name: str) -> list[Row]:
    return play(from_settings(settings(name)), 1, "computed")


@pytest.fixture(scope="module")
def neutral() -> list[Row]:
    return rows_of(NEUTRAL)


def test_the_night_of_names_meets_many_reasons(neutral: list[Row]) -> None:
    """What is renamed below is worth it: these reasons occur."""
    assert {details_of(row)["why"] for row in neutral if "why" in DETAILS[row[1]]} >= {
        "attempts_in_all",
        "call_ended",
        "finished",
        "it_has_failed",
        "lease_ran_out",
        "part_failed",
        "person_withdrew",
        "power_lost",
        "queue_full",
        "queue_held_already",
        "told_lease_lost",
        "was_off_or_frozen",
        "withdrawn",
    }


def columns_of(night: Night) -> list[tuple[int, ...]]:
    return [tuple(night.column(place)) for place in (SUBMITTED, FINISHED, ATTEMPTS, FINAL)]


def row_of(event: Event) -> Row:
    return (event.at, event.kind, event.cause, event.job, event.worker, *event.details.values())


def night_of(rows: Iterable[Row]) -> Night:
    fold = NightFold(HORIZON)
    fold.feed_all(rows)
    return fold.close()


@pytest.mark.parametrize("name", NAMES)
def test_a_name_like_a_reason_changes_nothing(name: str, neutral: list[Row]) -> None:
    """A key, queue, worker, routine, part or system called like a code or a sentence is a name and nothing else."""
    rows = rows_of(name)
    lines = b"".join(json_lines(neutral)).decode()
    assert b"".join(json_lines(rows)).decode() == lines.replace(NEUTRAL, json.dumps(name, ensure_ascii=False)[1:-1])
    assert columns_of(night_of(rows)) == columns_of(night_of(neutral))
    for row, other in zip(rows, neutral, strict=True):
        assert told(row, "it", str) == told(other, "it", str).replace(NEUTRAL, name)


# -- what a user's own code says ----------------------------------------------------------------------------------


def said_in_a_night(text: str) -> tuple[list[Event], list[str], Night]:
    """Play a night whose handlers, policy and program say that text: its events, its endings in words, its figures."""

    class Policy:
        def decide(self, case: RetryCase) -> Verdict:
            return Verdict(False, why=text)

    async def copy(work: Work) -> None:
        raise TransientError(text)

    async def move(work: Work) -> None:
        raise PermanentError(text)

    async def test() -> tuple[list[Event], list[str], Night]:
        async with Emulator(handlers={"copy": copy, "move": move}, retry={"night": Policy()}) as emu:
            endings = [await emu.submit("copy"), await emu.submit("move")]
            return emu.recorded(), [f"{one.sub_state}: {one.why}; {one.said}" for one in endings], emu.night()

    return run_in_virtual_time(test)


@pytest.mark.parametrize("text", NAMES)
def test_what_a_handler_or_a_policy_says_is_data(text: str) -> None:
    """Whatever a user's own code says, the night is the same: it stands as the value ``said``, and nobody reads it."""
    events, endings, night = said_in_a_night(text)
    others, _, other = said_in_a_night(NEUTRAL)
    assert [reason_in(one).values["said"] for one in events if one.details.get("why") == "said"] == [text] * 6
    assert [(one.at, one.kind, one.details.get("why", "")) for one in events] == [
        (one.at, one.kind, one.details.get("why", "")) for one in others
    ]
    assert endings == [f"attempts_used_up: {text}; {text}", f"permanent_error: {text}; {text}"]
    assert columns_of(night) == columns_of(other)
    stops = [told(row_of(one), "it", str) for one in events if one.kind == "work_stopped"]
    assert stops == [f"workers-1 stopped its work on attempt 1 of it: {text}"] * 2
