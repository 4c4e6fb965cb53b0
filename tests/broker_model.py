"""A tiny reference model of the broker, for property tests: what may be handed out next, and which tokens are good.

It knows the jobs as they were submitted and the ends of the leases; states it asks of the broker, whose moves are
held against the state table elsewhere.
"""

from typing import Any, NamedTuple

from broker_driver import Driver

from emulator.broker.rules import Allowance, DataRetry, QueueRules, TimeLimit, meets
from emulator.broker.states import FINAL_STATES, State
from emulator.record.fold import fold

QUEUES = (
    QueueRules(
        "night",
        lease=30,
        retry=DataRetry(attempts_in_all=3, lost_leases_at_most=1, pause="exponential", first=5, jitter="full"),
        allowance=Allowance(3, 1, 40, "wait"),
        idempotency_keys_kept=25,
        capacity=12,
    ),
    QueueRules(
        "day",
        lease=40,
        time_limit=TimeLimit(50, "resume", 1),
        retry=DataRetry(attempts_in_all=4, pause="constant", first=10, total_limit=300),
        start_within=90,
        running_at_most=3,
        per_key_at_most=2,
        requeued_keep_place=False,
    ),
    QueueRules(
        "bulk",
        lease=50,
        renewed=False,
        time_limit=TimeLimit(45, "fail"),
        retry=DataRetry(attempts_in_all=2, total_limit=200),
        allowance=Allowance(2, 0, 40),
        matches_equipment=False,
    ),
)
RULES = {rules.name: rules for rules in QUEUES}
NAMES = tuple(RULES)
WORKERS = ("dome-1", "dome-2", "archive-1")
EQUIPMENT = (("tape 2.1",), (), ("tape 1.9", "laser"))
SILENCE = (None, 35, 60)
REQUIRES = ((), ("tape",), ("tape>=2",), ("laser", "tape"))


class Known(NamedTuple):
    """A job as it was submitted; ``place`` moves when a requeued job goes to the back."""

    queue: str
    priority: int
    key: str
    requires: tuple[str, ...]
    expected: int


class Model:
    """A driver with a memory of its own; every ``do_`` method is one random request, numbers choose what about."""

    def __init__(self, **options: Any) -> None:
        self.d = Driver(*QUEUES, remembered=dict.fromkeys(NAMES, False), u=0.7, **options)
        self.broker = self.d.broker
        self.jobs: dict[int, Known] = {}
        self.place: dict[int, int] = {}
        self.places = 0
        self.seen = 0
        self.labels: dict[str, int] = dict.fromkeys(NAMES, 0)
        self.tokens: list[tuple[int, int, str]] = []  # token, job, worker
        self.ends: dict[int, int] = {}
        self.forgotten: dict[int, int] = {}
        self.top_token = 0
        for worker, silence in zip(WORKERS, SILENCE, strict=True):
            self.d.register(worker, silence)

    # -- requests ------------------------------------------------------------------------------------------------------

    def do_submit(self, a: int, b: int, c: int) -> None:
        queue, before = NAMES[a % 3], NAMES[b % 3]
        self.labels[queue] += 1
        origin = 1 + c % len(self.jobs) if self.jobs and c % 7 == 6 else 0
        words = {
            "entry": queue,
            "ordinal": self.labels[queue],
            "priority": b % 3,
            "key": ("", "", "m31", "m42")[c % 4],
            "requires": REQUIRES[(a + c) % 4],
            "expected": (0, 20, 70)[b % 3],
            "idempotency_key": ("", "", "", "once")[(a + b) % 4],
            "not_before": self.d.now + 15 if c % 5 == 4 else 0,
            "after": (before, 1 + c % 5) if b % 4 == 3 and (before, 1 + c % 5) != (queue, self.labels[queue]) else None,
            "if_failed": ("fail", "go_on")[a % 2],
            "follows_resubmitted": c % 2 == 0,
            "origin": origin,
        }
        known = len(self.jobs)
        job = self.d.submit(queue, **words)
        if job > known:
            requires = words["requires"] if RULES[queue].matches_equipment else ()
            self.jobs[job] = Known(queue, words["priority"], words["key"], requires, words["expected"])

    def do_take(self, a: int, b: int, c: int) -> None:
        worker = a % 3
        queues = (NAMES, NAMES[:1], NAMES[1:], NAMES[::-1])[b % 4]
        time_left = (None, 50, 5)[c % 3]
        expected = self.best(worker, queues, time_left)
        could = self.broker.best(queues, frozenset(EQUIPMENT[worker]), time_left) is not None
        grant = self.d.take(WORKERS[worker], queues, EQUIPMENT[worker], time_left)
        assert (grant.job if grant else None) == expected
        assert could == (grant is not None)
        if grant:
            assert grant.token > self.top_token
            assert grant.until == self.d.now + RULES[self.jobs[grant.job].queue].lease
            self.top_token = grant.token
            self.tokens.append((grant.token, grant.job, WORKERS[worker]))
            self.ends[grant.token] = grant.until

    def best(self, worker: int, queues: tuple[str, ...], time_left: int | None) -> int | None:
        """Find the best job by looking at every one of them."""
        self.update_places()
        running = [self.jobs[job] for _, job in self.good_tokens()]
        best: tuple[int, int, int] | None = None
        for job, known in self.jobs.items():
            rules = RULES[known.queue]
            if (
                known.queue in queues
                and self.broker.state_of(job) in (State.QUEUED, State.REQUEUED)
                and known.queue not in self.broker.snapshot()["queues_held"]
                and meets(known.requires, EQUIPMENT[worker])
                and (time_left is None or known.expected <= time_left)
                and (not known.key or sum(one.key == known.key for one in running) < rules.per_key_at_most)
                and (rules.running_at_most is None or sum(one.queue == known.queue for one in running) < 3)
            ):
                found = (-known.priority, self.place[job], job)
                best = found if best is None else min(best, found)
        return None if best is None else best[2]

    def update_places(self) -> None:
        """Read from the events who came when, and who went to the back."""
        for row in self.d.recorder.rows[self.seen :]:
            back = row[1] == "requeued" and not RULES[self.jobs[row[3]].queue].requeued_keep_place
            if row[1] == "submitted" or back:
                self.places += 1
                self.place[row[3]] = self.places
        self.seen = len(self.d.recorder.rows)

    def some_token(self, a: int) -> tuple[int, int, str]:
        """Choose a token: mostly a good one, sometimes one of the last granted, whatever became of it."""
        tokens = [one for one in self.tokens if self.broker.lease_of(one[0]) is not None] if a % 4 else self.tokens[-6:]
        return tokens[a % len(tokens)] if tokens else (99, 0, WORKERS[0])

    def do_heartbeat(self, a: int, b: int, c: int) -> None:
        worker = WORKERS[a % 3]
        named = [token for token, _, holder in self.tokens[-8:] if holder == worker][b % 2 :]
        good = {token for token in named if self.good(token, worker)}
        reply = self.d.heartbeat(*named, worker=worker)
        assert set(named) - set(reply.refused) == good
        for token in good:
            job = next(job for one, job, _ in self.tokens if one == token)
            if RULES[self.jobs[job].queue].renewed:
                self.ends[token] = self.d.now + RULES[self.jobs[job].queue].lease

    def good(self, token: int, worker: str) -> bool:
        lease = self.broker.lease_of(token)
        return lease is not None and (lease[1] != worker or lease[2] == self.d.incarnations[worker])

    def do_hand_in(self, a: int, b: int, c: int) -> None:
        token, job, worker = self.some_token(a)
        good = self.good(token, worker)
        outcome = ("ok", "error", "permanent_error", "time_limit", "error")[b % 5]
        hint = {"hint": (12, self.d.now - 2)} if c % 4 == 0 else {}
        counted = self.d.hand_in(token, outcome, worker, **hint)
        assert counted or not good
        if counted:
            assert self.broker.token_of(job) != token

    def do_hand_back(self, a: int, b: int, c: int) -> None:
        token, _, worker = self.some_token(a)
        good = self.good(token, worker)
        incarnation = self.d.incarnations[worker]
        assert self.broker.hand_back(self.d.now, 0, worker, incarnation, token) or not good

    def do_ask(self, a: int, b: int, c: int) -> None:
        if self.jobs:
            job = self.some_token(a)[1] if c % 2 else 0
            job = job or len(self.jobs) - a % min(len(self.jobs), 6)
            call = ("hold", "release", "suspend", "resume", "suspend", "release", "suspend", "withdraw")[b % 8]
            before, events = self.broker.snapshot(), len(self.d.recorder.rows)
            refusal = getattr(self.broker, call)(self.d.now, 0, job)
            assert not refusal or (before, events) == (self.broker.snapshot(), len(self.d.recorder.rows))

    def do_acknowledge(self, a: int, b: int, c: int) -> None:
        token, _, _ = self.some_token(a)
        if b % 2:
            self.broker.resumption_acknowledged(self.d.now, 0, token)
        else:
            self.broker.suspension_acknowledged(self.d.now, 0, token)

    def do_hold_queue(self, a: int, b: int, c: int) -> None:
        call = self.broker.hold_queue if b % 3 == 0 else self.broker.release_queue
        call(self.d.now, 0, NAMES[a % 3])

    def do_restart(self, a: int, b: int, c: int) -> None:
        worker = a % 3
        if b % 3 == 0:
            self.broker.sign_off(self.d.now, 0, WORKERS[worker], self.d.incarnations[WORKERS[worker]])
        self.d.register(WORKERS[worker], SILENCE[worker])

    def do_forget(self, a: int, b: int, c: int) -> None:
        token, job, _ = self.some_token(a)
        if self.broker.forget(self.d.now, 0, token):
            self.forgotten[job] = self.forgotten.get(job, 0) + 1

    def do_wait(self, a: int, b: int, c: int) -> None:
        self.d.at(self.d.now + (a % 23 if c % 4 == 0 else a % 6))
        if b % 2:
            self.d.after(self.d.now)

    def do_outage(self, a: int, b: int, c: int) -> None:
        self.broker.go_down(self.d.now, 0)
        pushed, start = self.broker._leases_during_outage == "extend", self.d.now
        self.d.at(self.d.now + a % 60)
        self.broker.come_up(self.d.now, 0)
        if pushed:
            self.ends = {token: end + self.d.now - start for token, end in self.ends.items()}

    # -- what must be true ---------------------------------------------------------------------------------------------

    def good_tokens(self) -> list[tuple[int, int]]:
        return [(token, job) for token, job, _ in self.tokens if self.broker.lease_of(token) is not None]

    def check(self) -> None:
        """Hold everything that must be true at all times against the broker."""
        good, now = self.good_tokens(), self.d.now
        assert len({job for _, job in good}) == len(good), "two leases on one job"
        assert all(self.ends[token] > now for token, _ in good), "a lease outlived its end"
        for job, known in self.jobs.items():
            allowed = RULES[known.queue].retry.attempts_in_all + self.forgotten.get(job, 0)
            assert self.broker.last_attempt(job) <= allowed
            if self.broker.state_of(job) not in FINAL_STATES:
                told = self.broker.explain(now, job, [frozenset(has) for has in EQUIPMENT])
                assert told, f"nothing explains job {job}"
        for name in NAMES:
            states = [self.broker.state_of(job) for job, known in self.jobs.items() if known.queue == name]
            assert self.broker.queued(name) == sum(state in (State.QUEUED, State.REQUEUED) for state in states)
            assert self.broker.running(name) == sum(state in (State.RUNNING, State.SUSPENDED) for state in states)
            assert self.broker.unfinished(name) == sum(state not in FINAL_STATES for state in states)
        assert fold(self.d.recorder.rows) == self.broker.snapshot()


_OFTEN = (
    Model.do_submit,
    Model.do_take,
    Model.do_hand_in,
    Model.do_wait,
    Model.do_heartbeat,
    Model.do_ask,
    Model.do_acknowledge,
)
_SELDOM = (Model.do_hand_back, Model.do_hold_queue, Model.do_restart, Model.do_forget, Model.do_outage)
STEPS = (*_OFTEN * 4, *_SELDOM)


def chosen(seed: int, length: int) -> list[tuple[int, int, int, int]]:
    """Give as many steps, chosen by a linear congruential generator (Numerical Recipes' constants, from memory)."""
    numbers, x = [], seed
    for _ in range(4 * length):
        x = (1664525 * x + 1013904223) % 2**32
        numbers.append(x >> 16)
    return list(zip(*[iter(numbers)] * 4, strict=True))


def play(steps: list[tuple[int, int, int, int]], **options: Any) -> Model:
    """Make the requests that the numbers choose, without checks between them."""
    model = Model(**options)
    for step, a, b, c in steps:
        STEPS[step % len(STEPS)](model, a, b, c)
    return model
