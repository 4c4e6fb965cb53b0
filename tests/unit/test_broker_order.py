"""Which job goes next: priority, place, exclusive keys, limits, equipment, time left; and how fast it is found."""

import tracemalloc

import pytest
from broker_driver import Driver, new_job
from call_counts import calls_of
from hypothesis import given
from hypothesis import strategies as st

from emulator.broker.broker import Broker
from emulator.broker.rules import DataRetry, QueueRules, meets, read_equipment, read_requirement

AGAIN = DataRetry(attempts_in_all=9)


def take_all(d: Driver, **more: object) -> list[int]:
    """Let new workers take until nothing is left for them."""
    jobs = []
    while (grant := d.take(f"worker-{len(d.incarnations)}", **more)) is not None:
        jobs.append(grant.job)
    return jobs


def test_priority_goes_before_place():
    d = Driver(QueueRules("night"))
    for priority in (0, 5, 0, -1, 5):
        d.submit(priority=priority)
    assert take_all(d) == [2, 5, 1, 3, 4]


def test_the_best_job_of_all_queues_is_given():
    """A worker that serves two queues gets the best job of both, however it names them."""
    d = Driver(QueueRules("night"), QueueRules("day"))
    d.submit("night"), d.submit("day", priority=1), d.submit("night", priority=1), d.submit("day")
    assert take_all(d, queues=("day", "night")) == [2, 3, 1, 4]


@pytest.mark.parametrize(("keeps", "order"), [(True, [1, 3, 2]), (False, [2, 1, 3])])
def test_a_requeued_job_keeps_its_place_or_goes_to_the_back(keeps, order):
    """By its first submission, unless the queue says otherwise; then behind all that wait when it is requeued."""
    d = Driver(QueueRules("night", retry=AGAIN, requeued_keep_place=keeps, lease=100))
    d.submit(), d.submit()
    if keeps:
        d.taken("dome-1"), d.taken("dome-2")
        d.submit()
        d.hand_in(1, "error")
        assert take_all(d) == [1, 3]
    else:
        d.taken("dome-1")
        d.hand_in(1, "error")
        d.submit()
        assert take_all(d) == order


def test_one_job_runs_per_key():
    """Jobs with a busy key are passed over; when it comes free, the best of them stands where it always stood."""
    d = Driver(QueueRules("night"))
    d.submit(key="m31"), d.submit(key="m31"), d.submit(), d.submit(key="m31", priority=2)
    assert take_all(d) == [4, 3]
    d.submit()
    d.hand_in(1, worker="worker-0")
    assert take_all(d) == [1, 5]
    d.hand_in(3)
    assert take_all(d) == [2]


def test_a_key_is_exclusive_over_all_queues():
    """Two queues know the same key; each has its own limit, held against all jobs that run under it."""
    d = Driver(QueueRules("night"), QueueRules("day", per_key_at_most=2))
    for queue in ("night", "night", "day", "day"):
        d.submit(queue, key="m31")
    assert take_all(d) == [1, 3]
    d.hand_in(1)
    assert take_all(d) == [4]
    d.hand_in(2), d.hand_in(3)
    assert take_all(d) == [2]


def test_a_pausing_job_does_not_occupy_its_key():
    d = Driver(QueueRules("night", retry=DataRetry(9, pause="constant", first=50)))
    d.submit(key="m31"), d.submit(key="m31")
    d.taken()
    d.hand_in(1, "error")
    assert take_all(d) == [2]


def test_a_lost_lease_frees_its_key():
    d = Driver(QueueRules("night", lease=100, retry=DataRetry(9, pause="constant", first=50)))
    d.submit(key="m31"), d.submit(key="m31")
    d.taken()
    d.at(100)
    assert take_all(d) == [2]


def test_held_and_withdrawn_jobs_make_way_for_the_next_of_their_key():
    d = Driver(QueueRules("night"))
    for _ in range(4):
        d.submit(key="m31")
    d.broker.hold(0, 0, 1)
    d.broker.withdraw(0, 0, 2)
    assert take_all(d) == [3]
    d.broker.release(0, 0, 1)
    d.hand_in(1, worker="worker-0")
    assert take_all(d) == [1]


def test_a_held_and_released_job_with_a_key_is_not_given_twice():
    d = Driver(QueueRules("night", per_key_at_most=5))
    d.submit(key="m31"), d.submit(key="m31")
    for _ in range(3):
        d.broker.hold(0, 0, 1), d.broker.release(0, 0, 1)
    assert take_all(d) == [1, 2]


def test_a_job_that_is_held_and_released_behind_another_of_its_busy_key_is_given_once_in_its_turn():
    d = Driver(QueueRules("night"))
    for _ in range(3):
        d.submit(key="m31")
    given = [d.taken().job]
    d.broker.hold(0, 0, 3), d.broker.release(0, 0, 3)
    for token in (1, 2):
        d.hand_in(token)
        given.append(d.taken().job)
    d.hand_in(3)
    assert (given, d.take()) == ([1, 2, 3], None)


def test_a_requeued_job_that_goes_to_the_back_of_its_lane_stands_there_once():
    """Its key stays busy with a job of another queue meanwhile, so that its old place is not cleared at once."""
    d = Driver(QueueRules("night", retry=AGAIN, requeued_keep_place=False), QueueRules("day", per_key_at_most=2))
    d.submit("night", key="m31"), d.submit("night", key="m31"), d.submit("day", key="m31")
    d.taken(queues=("night",)), d.taken("dome-2", queues=("day",))
    d.hand_in(1, "error")
    assert d.take("dome-3", queues=("night",)) is None
    d.hand_in(2, worker="dome-2")
    assert d.taken("dome-3", queues=("night",)).job == 2
    d.hand_in(3, worker="dome-3")
    assert take_all(d) == [1]


def test_a_full_queue_hands_out_nothing():
    d = Driver(QueueRules("night", running_at_most=2))
    for _ in range(3):
        d.submit()
    assert take_all(d) == [1, 2]
    d.hand_in(1, worker="worker-0")
    assert take_all(d) == [3]


def test_jobs_that_cannot_end_in_time_are_passed_over():
    """By their stated expectation; what just fits is given, and no limit lets all through."""
    d = Driver(QueueRules("night"))
    d.submit(expected=100), d.submit(expected=50), d.submit(expected=51)
    assert take_all(d, time_left=50) == [2]
    assert take_all(d) == [1, 3]


@pytest.mark.parametrize(("matches", "order"), [(True, [2, 4]), (False, [1, 2, 3, 4])])
def test_a_queue_matches_equipment_or_not(matches, order):
    """Lines that come after a worker was first seen are matched too."""
    d = Driver(QueueRules("night", matches_equipment=matches))
    d.submit(requires=("laser",)), d.submit(requires=("tape",))
    assert d.taken("dome-1", equipment=["tape 2.1"]).job == order[0]
    d.submit(requires=("tape>=3",)), d.submit(requires=("tape>=2",))
    assert take_all(d, equipment=["tape 2.1"]) == order[1:]


def test_whether_there_is_a_job_can_be_asked_without_taking_it():
    d = Driver(QueueRules("night"))
    ask = (("night",), frozenset(), None)
    d.submit(requires=("tape",))
    assert (d.broker.best(*ask) is None, d.broker.best(("night",), frozenset(["tape"]), None) is None) == (True, False)
    assert take_all(d, equipment=["tape"]) == [1]


@pytest.mark.parametrize(
    ("requires", "equipment", "met"),
    [
        ((), (), True),
        (("tape",), (), False),
        (("tape",), ("tape",), True),
        (("tape",), ("tape 2.1",), True),
        (("tape 2.1",), ("tape 2.1",), True),
        (("tape>=2.1",), ("tape",), False),
        (("tape>=2.1",), ("tape 2.1",), True),
        (("tape>=2.1",), ("tape 2.0.9",), False),
        (("tape>=2.9",), ("tape 2.10",), True),
        (("tape>=2",), ("tape 2.0",), True),
        (("tape>=2.0",), ("tape 2",), True),
        (("tape>=2",), ("tape 1", "tape 3"), True),
        (("tape>=2", "laser"), ("tape 3",), False),
        (("wide bay>=2",), ("wide bay 2",), True),
        (("tape>=new",), ("tape 2",), False),
        (("tape>=new",), ("tape>=new",), True),
        (("2",), ("2",), True),
        ((" 2",), (" 2",), True),
    ],
)
def test_requirements_are_matched_with_versions(requires, equipment, met):
    """Versions are compared number by number, a missing one counting as 0; what has none meets no minimum."""
    assert meets(requires, equipment) is met


@given(st.lists(st.integers(0, 30), min_size=1, max_size=4), st.lists(st.integers(0, 30), min_size=1, max_size=4))
def test_versions_are_ordered_as_lists_of_numbers(has, least):
    """A version meets a minimum exactly if its numbers, filled up with zeros, are not below."""
    text = [".".join(map(str, numbers)) for numbers in (has, least)]
    filled = [numbers + [0] * (4 - len(numbers)) for numbers in (has, least)]
    assert meets([f"tape>={text[1]}"], [f"tape {text[0]}"]) is (filled[0] >= filled[1])


def test_names_and_versions_are_read_apart():
    assert [read_equipment("tape 2.1"), read_equipment("tape"), read_equipment("tape ii")] == [
        ("tape", (2, 1)),
        ("tape", None),
        ("tape ii", None),
    ]
    assert [read_requirement("tape >= 2.1"), read_requirement(">=2")] == [("tape", (2, 1)), (">=2", None)]


def taking(waiting: int, takes: int, blocked: int = 0) -> float:
    """Give the calls that one taking costs with so many jobs waiting: 3 priorities, 8 sets of requirements, 200
    workers; ``blocked`` jobs more wait on one busy key, ahead of all others."""
    sets = [("tape",), ("laser",), ("tape", "laser"), ("tape>=2",), (), ("mount",), ("mount>=3",), ("mount", "tape")]
    d = Driver(QueueRules("night"))
    for number in range(blocked):
        d.submit(key="m31", priority=3, ordinal=number)
    if blocked:
        d.taken("blocker")
    for number in range(waiting):
        d.submit(priority=number % 3, requires=sets[number % 8])
    names = [f"worker-{number}" for number in range(200)]
    has = [
        frozenset([f"tape {1 + number % 3}", f"mount {number % 5}", *(["laser"] if number % 2 else [])])
        for number in range(200)
    ]
    for name in names:
        d.register(name)
    broker, queues = d.broker, ("night",)
    holders = [broker.holder(name, 1) for name in names]
    for number, name in enumerate(names):  # every worker has been seen
        broker.take(0, d.message(1, worker=name), queues, has[number], None)

    def take() -> None:
        for number in range(takes):
            who = number % 200
            assert broker.take(0, (holders[who], 2 + number, 0), queues, has[who], None) is not None

    return calls_of(take) / takes


@pytest.mark.slow
def test_taking_does_not_cost_more_when_a_hundred_times_more_jobs_wait():
    """With 100,000 jobs waiting, a taking costs less than one and a half times the calls that it does with 1,000."""
    assert taking(100_000, 500) < 1.5 * taking(1_000, 500)


@pytest.mark.slow
def test_jobs_that_wait_on_a_busy_key_cost_the_others_nothing():
    """With 100,000 jobs on one busy key ahead of 1,000 free ones, a taking costs hardly more calls."""
    assert taking(1_000, 500, blocked=100_000) < 1.5 * taking(1_000, 500)


class NoMemory:
    """A sink that keeps nothing, and alarms that never ring."""

    def emit(self, row: tuple[object, ...]) -> int:
        return 1

    def ring(self, *_: object) -> None:
        pass

    lease = silence = ring


@pytest.mark.slow
def test_a_finished_job_leaves_some_hundred_bytes_at_most():
    """Of 20,000 jobs that were done or withdrawn, with keys and without, less than 100 bytes each are left."""
    broker = Broker([QueueRules("night", retry=AGAIN)], NoMemory(), NoMemory(), lambda job, attempt: 0.5)
    dome = broker.register(0, 0, "dome-1", 1, None)

    def work(first: int, count: int) -> None:
        for number in range(first, first + count):
            key = f"volume-{number}" if number % 2 else ""
            job = broker.submit(number, 0, new_job("night", number, key=key))
            if number % 5 == 0:
                broker.withdraw(number, 0, job)
                continue
            grant = broker.take(number, (dome, number, 0), ("night",), frozenset(), None)
            assert grant is not None
            broker.hand_in(number, 0, (dome, number, 0), grant.token, "ok")
        broker.fresh.clear()

    work(1, 2_000)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    work(2_001, 20_000)
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert (after - before) / 20_000 < 100
