"""Events fold back into the broker's state, and damage to them is noticed."""

import itertools
from functools import cache

import pytest
from broker_model import STEPS, Model, chosen
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from emulator.broker.states import State
from emulator.errors import LogError
from emulator.record.events import DETAILS, Row
from emulator.record.fold import fold, verify

LIFE = [
    "submitted",
    "handed_out",
    "handed_back",
    "attempt_ended",
    "requeued",
    "finished",
    "suspended",
    "resumed",
    "lease_forgotten",
]
"""What happens to a job in an order that cannot be another."""

CHANGING = [*LIFE, *["held", "hold_ended", "suspend_requested", "resume_requested", "queue_held", "queue_released"]]
CHANGING += ["broker_down", "broker_up", "worker_registered", "worker_signed_off"]
SUB_STATES = ("", "attempts_used_up", "permanent_error", "withdrawn", "expired", "out_of_time", "prerequisite_failed")
STREAMS = 12

common = settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
streams = st.integers(0, STREAMS - 1)
place = st.integers(0, 100_000)


@cache
def stream(seed: int) -> tuple[Row, ...]:
    """Give the events of a random stream of requests, folded once to be sure of it."""
    model = Model(leases_during_outage=("expire", "extend")[seed % 2], first=(1, 1 + 10 * (seed % 3)))
    for step, a, b, c in chosen(seed + 100, 220):
        STEPS[step % len(STEPS)](model, a, b, c)
    rows = tuple(model.d.recorder.rows)
    assert fold(rows) == model.broker.snapshot()
    return rows


@cache
def prefix(seed: int, length: int) -> tuple[int, dict[str, object]]:
    """Give the length of the shortest prefix from ``length`` on that can end a log, with the state it folds into."""
    rows = stream(seed)
    while True:
        try:
            return length, fold(rows[:length])
        except LogError:  # within the end of an attempt
            length += 1


def of_kinds(seed: int, kinds: list[str]) -> list[int]:
    return [index for index, row in enumerate(stream(seed)) if row[1] in kinds]


def noticed(damaged: list[Row], whole: dict[str, object]) -> bool:
    """Say whether folding objects, or comes to another state."""
    try:
        return fold(damaged) != whole
    except LogError:
        return True


@pytest.mark.slow
@common
@given(streams, place)
def test_a_dropped_event_is_noticed(seed, where):
    """Without an event that changed something, the log does not add up or comes to another state."""
    kinds = of_kinds(seed, CHANGING)
    index = kinds[where % len(kinds)]
    rows = stream(seed)
    if rows[index][1] in ("worker_signed_off", "worker_registered"):  # of a former incarnation: nothing changes
        assume(prefix(seed, index)[1] != prefix(seed, index + 1)[1])
    length, whole = prefix(seed, index + 1)
    assert noticed([*rows[:index], *rows[index + 1 : length]], whole)


@pytest.mark.slow
@common
@given(streams, place)
def test_two_swapped_events_of_a_job_are_noticed(seed, where):
    """Two neighbouring events in the life of one job cannot change places."""
    rows = stream(seed)
    lives: dict[int, list[int]] = {}
    for index in of_kinds(seed, LIFE):
        lives.setdefault(rows[index][3], []).append(index)
    pairs = [pair for life in lives.values() for pair in itertools.pairwise(life)]
    first, second = pairs[where % len(pairs)]
    length, whole = prefix(seed, second + 1)
    swapped = list(rows[:length])
    swapped[first], swapped[second] = swapped[second], swapped[first]
    assert noticed(swapped, whole)


@pytest.mark.slow
@common
@given(streams, place, place)
def test_two_swapped_events_of_different_instants_are_noticed(seed, one, other):
    """Events do not change places over time."""
    rows = list(stream(seed))
    first, second = sorted((one % len(rows), other % len(rows)))
    assume(rows[first][0] != rows[second][0])
    rows[first], rows[second] = rows[second], rows[first]
    assert noticed(rows, {})


def altered(row: Row, number: int, how: int) -> list[Row]:
    """Give the row with one thing in it altered, in every way that matters."""
    at, kind, cause, job, worker, *details = row
    names = DETAILS[kind]
    found: list[Row] = [
        (at, kind, number + how % 3, job, worker, *details),
        (at, kind, -1 - how, job, worker, *details),
        (at, "no such kind", cause, job, worker, *details),
        (at, kind, cause, str(job), worker, *details),
        (at, kind, cause, job, worker, *details, 0),
        (str(at), kind, cause, job, worker, *details),
        (at, kind, cause, job),
    ]
    if details:
        found.append((at, kind, cause, job, worker, *details[:-1]))
    if job and kind != "stale_refused":
        found.append((at, kind, cause, job + 1000, worker, *details))
    for index, name in enumerate(names):
        value = details[index]
        new: list[object] = [None if isinstance(value, str) else str(value)]
        if name == "state":
            new += [state.value for state in State if state.value != value]
        elif name in ("attempt", "attempts"):
            new += [value - 1, value + 1 + how]
        elif name == "token" and kind != "stale_refused":
            new += [-value, value - 1, value + 1 + how] if kind != "handed_out" else [-value, value + 1 + how, 0]
        elif name == "outcome":
            new += ["nonsense", "ok" if value != "ok" else "error"]
        elif name == "sub_state":
            new += ["nonsense", *(word for word in SUB_STATES if word != value)]
        elif name == "reason":
            new += [word for word in ("by_person", "not_due", "pausing", "prerequisite") if word != value]
        elif name == "reasons":
            new += [word for word in ("", "not_due", "prerequisite", "prerequisite,not due", "x") if word != value]
        elif name == "incarnation" and kind in ("handed_out", "worker_registered", "heartbeat_received"):
            new.append(value + 100)
        elif name == "due":
            new.append(at + 1 if value == at else at)
        elif name == "queue" and kind.startswith("queue_"):
            new.append(value + "x")
        elif name == "was_due":
            new.append(at + 1)
        elif name == "lease_until":
            new.append(at)
        for replacement in new:
            found.append((at, kind, cause, job, worker, *details[:index], replacement, *details[index + 1 :]))
    return found


@pytest.mark.slow
@common
@given(streams, place, place, st.integers(0, 3))
def test_an_altered_event_is_noticed(seed, where, which, how):
    """A detail that matters cannot be another."""
    rows = list(stream(seed))
    index = where % len(rows)
    choices = altered(rows[index], index + 1, how)
    length, whole = prefix(seed, index + 1)
    damaged = rows[:length]
    damaged[index] = choices[which % len(choices)]
    assert noticed(damaged, whole), damaged[index]


@pytest.mark.slow
@common
@given(streams, place)
def test_time_that_goes_back_is_noticed(seed, where):
    """An event cannot lie before the one before it."""
    rows = list(stream(seed))
    index = 1 + where % (len(rows) - 1)
    rows[index] = (rows[index - 1][0] - 1, *rows[index][1:])
    assert noticed(rows, {})


def test_whole_streams_verify():
    """What the broker writes adds up."""
    assert [verify(stream(seed)) for seed in range(STREAMS)] == [None] * STREAMS
