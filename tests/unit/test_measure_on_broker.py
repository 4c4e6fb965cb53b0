"""The fold, fed by the real broker: both must agree on every job, whatever is asked of the broker."""

import pickle

import pytest
from broker_driver import Driver
from hypothesis import given, settings
from hypothesis import strategies as st
from night_rows import the_night

from emulator.broker.rules import DataRetry, QueueRules
from emulator.measure.figures import figure
from emulator.measure.fold import NightFold
from emulator.measure.night import ATTEMPTS
from emulator.timeline.ticks import SECOND

STEPS = st.lists(
    st.tuples(
        st.integers(0, 20 * SECOND),
        st.sampled_from(["submit", "later", "take", "ok", "error", "withdraw", "hold", "release"]),
        st.integers(0, 9),
    ),
    max_size=60,
)


def drive(steps: list[tuple[int, str, int]]) -> Driver:
    """Ask the broker for one thing after another; leases that nobody renews are lost after 90 s."""
    retry = DataRetry(attempts_in_all=3, pause="constant", first=10 * SECOND)
    driver = Driver(QueueRules("night", retry=retry, capacity=8))
    tokens: list[int] = []
    now = jobs = 0
    for gap, what, pick in steps:
        now += gap
        driver.at(now)
        if what in ("submit", "later"):
            jobs = max(jobs, driver.submit(not_before=now + 30 * SECOND if what == "later" else 0))
        elif what == "take":
            grant = driver.take(f"dome-{pick % 3}")
            tokens += [] if grant is None else [grant.token]
        elif what in ("ok", "error") and tokens:
            token = tokens.pop(pick % len(tokens))
            lease = driver.broker.lease_of(token)
            driver.hand_in(token, what, worker="dome-0" if lease is None else lease[1])
        elif what in ("withdraw", "hold", "release") and jobs:
            getattr(driver.broker, what)(now, 0, 1 + pick % jobs)
    return driver.after(now)


@pytest.mark.slow
@given(STEPS)
@settings(max_examples=60, deadline=None)
def test_the_fold_and_the_broker_agree_on_every_job(steps: list[tuple[int, str, int]]) -> None:
    driver = drive(steps)
    fold = NightFold(driver.now + 1)
    fold.feed_all(driver.recorder.rows)
    night = fold.close()
    kinds = [row[1] for row in driver.recorder.rows]
    jobs = range(1, 1 + kinds.count("submitted"))
    states = [driver.state(job) for job in jobs]
    assert [night.final_of(job)[:2] for job in jobs] == [
        driver.ends(job)[0] if state in ("done", "failed") else ("unfinished", "")
        for job, state in zip(jobs, states, strict=True)
    ]
    unfinished = [job for job, state in zip(jobs, states, strict=True) if state not in ("done", "failed")]
    assert [night.value(job, ATTEMPTS) for job in unfinished] == [driver.broker.last_attempt(job) for job in unfinished]
    left = [sum(len(one.begins) - len(one.ends) for one in stays) for stays in (night.waiting, night.held)]
    assert left == [
        sum(state in ("queued", "requeued") for state in states),
        sum(state.endswith("held") for state in states),
    ]
    assert figure(night, "attempts").value == kinds.count("handed_out")
    assert figure(night, "refused").value == kinds.count("submission_refused")
    assert figure(night, "stale_refused").value == kinds.count("stale_refused")


def test_a_night_can_be_sent_to_another_process() -> None:
    night = the_night()
    again = pickle.loads(pickle.dumps(night))
    assert (again.table, again.cells, again.pools) == (night.table, night.cells, night.pools)
