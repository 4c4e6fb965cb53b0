"""The state table is complete, the broker does what it says, and the page of the docs is made from it."""

import ast
from itertools import product
from pathlib import Path

import pytest
import yaml
from broker_driver import Driver
from states_of_a_job import beyond, mermaid, page

from emulator import run
from emulator.broker import states
from emulator.broker.jobs import Attempt
from emulator.broker.rules import DataRetry, QueueRules, TimeLimit
from emulator.broker.states import FINAL_STATES, TABLE, Facts, Request, Rule, State, target
from emulator.errors import DefectError
from emulator.record.fold import fold

DOCS = Path(__file__).parents[2] / "docs" / "states.md"
RULES = QueueRules(
    "night",
    lease=100,
    time_limit=TimeLimit(70, "start_over"),
    retry=DataRetry(attempts_in_all=9, pause="constant", first=20, total_limit=10_000),
    start_within=5_000,
)


def in_state(state: State) -> tuple[Driver, int, int]:
    """Give a driver with one job in that state, and the job's last token."""
    d = Driver(RULES)
    job = d.submit(not_before=300 if state is State.QUEUED_HELD else 0)
    token = 0
    if state not in (State.QUEUED, State.QUEUED_HELD):
        token = d.taken().token
    if state is State.SUSPENDED:
        d.broker.suspend(0, 0, job)
        d.broker.suspension_acknowledged(0, 0, token)
    elif state in (State.REQUEUED, State.REQUEUED_HELD):
        d.hand_in(token, "error")
        if state is State.REQUEUED:
            d.after(20)
    elif state is State.DONE:
        d.hand_in(token)
    elif state is State.FAILED:
        d.hand_in(token, "permanent_error")
    assert d.broker.state_of(job) is state
    return d, job, token


def ask(d: Driver, job: int, token: int, request: Request) -> None:
    """Make the request in whatever way it reaches the broker."""
    broker, now = d.broker, d.now
    people = {
        Request.HOLD: broker.hold,
        Request.RELEASE: broker.release,
        Request.SUSPEND: broker.suspend,
        Request.RESUME: broker.resume,
        Request.WITHDRAW: broker.withdraw,
    }
    if request in people:
        people[request](now, 0, job)
    elif request is Request.TAKE:
        d.take("dome-2")
    elif request is Request.RENEWAL:
        d.heartbeat(token)
    elif request is Request.OUTCOME:
        d.hand_in(token)
    elif request is Request.HAND_BACK:
        broker.hand_back(now, 0, "dome-1", d._known("dome-1"), token)
    elif request is Request.FORGETTING:
        broker.forget(now, 0, token)
    elif request is Request.SUSPENSION:
        broker.suspension_acknowledged(now, 0, token)
    elif request is Request.RESUMPTION:
        broker.resumption_acknowledged(now, 0, token)
    else:
        at, what = {
            Request.END_OF_REASON: (300, "not_before" if d.broker.last_attempt(job) == 0 else "pause"),
            Request.LEASE_LOSS: (100, "lease"),
            Request.TIME_LIMIT: (70, "time_limit"),
            Request.START_LIMIT: (5_000, "start"),
            Request.TOTAL_LIMIT: (10_000, "total limit"),
        }[request]
        broker.due(at, 0, what, job, token if what in ("lease", "time_limit") else 0)


def facts_of(state: State, request: Request) -> Facts:
    """Give the facts of the jobs that ``in_state`` makes, for the requests that ``ask`` makes of them."""
    freed = request in (Request.END_OF_REASON, Request.HAND_BACK, Request.FORGETTING)
    again = request in (Request.LEASE_LOSS, Request.TIME_LIMIT)
    return Facts(
        held=again or (state in (State.QUEUED_HELD, State.REQUEUED_HELD) and not freed),
        wanted=state is State.SUSPENDED,
        well=request is Request.OUTCOME,
        again=again,
    )


def test_every_pair_of_state_and_request_stands_in_the_table():
    assert list(TABLE) == list(product(State, Request))


@pytest.mark.parametrize(("state", "request_"), TABLE, ids=lambda value: value.value)
def test_each_entry_moves_or_says_why_not(state, request_):
    """An entry has moves, the last of which needs no guard of its own, or a reason to refuse, or both."""
    rule = TABLE[state, request_]
    outcomes = {target(state, request_, Facts(*bits)) for bits in product((False, True), repeat=len(Facts._fields))}
    assert outcomes == {move.to for move in rule.moves} | ({rule.otherwise} if rule.otherwise else set())


def test_final_states_are_final():
    assert all(not TABLE[state, request].moves for state in FINAL_STATES for request in Request)


@pytest.mark.parametrize(("state", "request_"), TABLE, ids=lambda value: value.value)
def test_the_broker_does_what_the_table_says(state, request_):
    """Each request, made of a real job in each state, leads where the table says, and changes nothing if refused."""
    if request_ is Request.PREREQUISITE_FAILURE:
        return  # nobody can ask for it: see the test of prerequisites
    d, job, token = in_state(state)
    before, events = d.broker.snapshot(), len(d.recorder.rows)
    ask(d, job, token, request_)
    follows = target(state, request_, facts_of(state, request_))
    if isinstance(follows, State):
        assert d.broker.state_of(job) is follows
    else:
        told = {row[1] for row in d.recorder.rows[events:]}
        assert d.broker.snapshot() | {"workers": 0} == before | {"workers": 0}
        assert told <= {"stale_refused", "heartbeat_received", "worker_registered"}
    assert fold(d.recorder.rows) == d.broker.snapshot()


@pytest.mark.parametrize("state", State, ids=lambda state: state.value)
@pytest.mark.parametrize("call", ["hold", "release", "suspend", "resume", "withdraw"])
def test_a_refusal_is_told_in_words(call, state):
    """A person is told "" when the request is granted, and the table's own words when it is refused."""
    d, job, _ = in_state(state)
    follows = target(state, Request(call), facts_of(state, Request(call)))
    assert getattr(d.broker, call)(d.now, 0, job) == ("" if isinstance(follows, State) else follows)


def test_a_move_that_the_table_forbids_is_a_defect():
    """The broker never moves a job against the table, whoever asks."""
    d, job, _ = in_state(State.RUNNING)
    with pytest.raises(DefectError, match="job 1 is running, and take is refused: a worker has it"):
        d.broker._must_move(d.broker._jobs[job], Request.TAKE)


def test_one_function_alone_writes_the_state_of_a_job():
    """Beside the state in which a job is submitted, only ``_move`` changes it, and ``_move`` asks the table."""
    writers = set()
    for file in sorted((Path(states.__file__).parent).glob("*.py")):
        for function in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(function, ast.FunctionDef):
                stored = (one for one in ast.walk(function) if isinstance(one, ast.Attribute) and one.attr == "state")
                if any(isinstance(one.ctx, ast.Store) for one in stored):
                    writers.add((file.name, function.name))
    assert writers == {("leases.py", "submit"), ("retry.py", "_move")}


def test_the_page_of_the_docs_is_fresh():
    """Renew it with: python docs/make/states_of_a_job.py > docs/states.md"""
    assert DOCS.read_text(encoding="utf-8") == page()


def test_the_page_says_what_the_standard_would_refuse():
    """DRMAA v2 (GFD.231) holds only jobs that wait, and refuses the hold of one that runs or is suspended."""
    assert beyond().splitlines()[:2] == [
        "- **hold** of a job that is queued_held or running or suspended or requeued_held: a person's hold joins other "
        "reasons. What a worker has is held once it is back in the queue.",
        "- **release** of a job that is running or suspended: the hold of a job that a worker has is taken back.",
    ]
    assert beyond() in page()


def test_the_diagram_names_every_state():
    drawn = mermaid()
    assert [state.value for state in State if state.value.replace(" ", "_") not in drawn] == []


REFUSED = Rule((), "the table says no")


def make_grantable(d: Driver, job: int, state: State, request: Request) -> None:
    """Let the job be such that the table grants the request in its state."""
    broker, now = d.broker, d.now
    if request is Request.RELEASE:
        broker.hold(now, 0, job)
    elif request is Request.SUSPENSION or (request is Request.RESUME and state is State.RUNNING):
        broker.suspend(now, 0, job)
    elif request is Request.RESUMPTION or (request is Request.SUSPEND and state is State.SUSPENDED):
        broker.resume(now, 0, job)


def waiting_for(d: Driver) -> int:
    """Give a job that waits for another, which is there and will fail."""
    d.broker.hold(d.now, 0, d.submit(entry="before", ordinal=1))
    return d.submit(after=("before", 1))


def prepared(state: State, request: Request) -> tuple[Driver, int, int]:
    """Give a driver, a job in that state whose request would be granted, and its token."""
    if request is Request.PREREQUISITE_FAILURE:
        d = Driver(RULES, remembered={"before": False})
        return d, waiting_for(d), 0
    d, job, token = in_state(state)
    make_grantable(d, job, state, request)
    return d, job, token


def make(d: Driver, job: int, token: int, request: Request) -> str:
    """Make the request, and give what the broker raised, if it did."""
    try:
        if request is Request.PREREQUISITE_FAILURE:
            d.broker.withdraw(d.now, 0, job - 1)
        else:
            ask(d, job, token, request)
    except DefectError as error:
        return str(error)
    return ""


GRANTED = [pair for pair, rule in TABLE.items() if rule.moves]


@pytest.mark.parametrize(("state", "request_"), GRANTED, ids=lambda value: value.value)
@pytest.mark.parametrize("is_taken_away", [False, True], ids=["as it is", "taken away"])
def test_what_the_table_no_longer_grants_does_not_happen(monkeypatch, state, request_, is_taken_away):
    """Each entry is asked: the request that it grants is made as told; without the entry the job stays as it was."""
    if is_taken_away:
        monkeypatch.setattr(states, "TABLE", {**TABLE, (state, request_): REFUSED})
    d, job, token = prepared(state, request_)
    rows, before = len(d.recorder.rows), d.broker.snapshot()["jobs"][job]
    raised = make(d, job, token, request_)
    told = {row[1] for row in d.recorder.rows[rows:] if row[3] == job and row[1] != "stale_refused"}
    after = d.broker.snapshot()["jobs"].get(job)
    assert (bool(told), raised == "" or is_taken_away) == (not is_taken_away, True)
    assert (after == before) is (is_taken_away or request_ is Request.RENEWAL)


def test_computed_renewals_ask_the_table_too(monkeypatch):
    """Without renewal in the table a lease is not prolonged, and whoever computes heartbeats is told so."""
    lengths = []

    class Told(Driver):
        def lease(self, attempt: Attempt) -> None:
            lengths.append(attempt.job.terms.renewal)

    def settled() -> int:
        d = Told(RULES)
        d.submit()
        d.broker.settle_lease(d.taken().token, 250)
        lease = d.broker.lease_of(1)
        assert lease is not None
        return lease[3]

    as_it_is = settled()
    monkeypatch.setattr(states, "TABLE", {**TABLE, (State.RUNNING, Request.RENEWAL): REFUSED})
    assert (as_it_is, settled(), lengths) == (250, 100, [100, 0])


def test_a_bad_outcome_that_the_table_refuses_is_stale(monkeypatch):
    """An error that is handed in against the table changes nothing, and the worker is told that it does not count."""
    monkeypatch.setattr(states, "TABLE", {**TABLE, (State.RUNNING, Request.OUTCOME): REFUSED})
    d, job, token = in_state(State.RUNNING)
    before = d.broker.snapshot()
    assert not d.hand_in(token, "error")
    assert d.broker.snapshot() == before
    assert d.rows()[-1] == (0, "stale_refused", job, "dome-1", token, "outcome")


NIGHT = """
title: everything that can be asked of a job
starts: 2026-06-12T21:30:00
lasts: 3h
heartbeats: simulated
queues:
  night:
    lease: 90s
    time_limit: {after: 25m, then: start_over}
    retry: {attempts_in_all: 9, pause: constant, first: 1m, total_limit: 100m}
  late: {start_within: 5s}
pools:
  dome: {count: 2, serves: [night, late], heartbeat: 20s, poll: 10s}
routines:
  copy: {queue: night, parts: [{name: copy, takes: 10m}]}
  long: {queue: night, parts: [{name: copy, takes: 40m}]}
  survey: {queue: late, parts: [{name: look, takes: 1m}]}
arrivals:
  - {routine: copy, name: plates, count: 8, at: "21:30", not_before: "21:31"}
  - {routine: long, name: films, at: "21:30"}
  - {routine: copy, name: checks, at: "21:30", after: {entry: films}}
  - {routine: survey, name: sky, at: "21:40"}
faults:
  - {power_off: dome-1, at: "21:36", back_after: 5m}
  - {hand_out_twice: night, at: "21:41", how: forgets}
actions:
  - {hold: plates#6, at: "21:32"}
  - {release: plates#6, at: "22:30"}
  - {suspend: plates#1, at: "21:32", lasts: 3m}
  - {withdraw: plates#8, at: "21:34"}
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "request_", [one for one in Request if one is not Request.HAND_BACK], ids=lambda value: value.value
)
def test_a_night_without_a_request_is_another_night(monkeypatch, request_):
    """A whole run puts each request to the table: refused in every state, the run ends in another way.

    Only a client of a test's own hands back.
    """
    as_it_is = run(yaml.safe_load(NIGHT)).digest()
    without = {pair: REFUSED if pair[1] is request_ else rule for pair, rule in TABLE.items()}
    monkeypatch.setattr(states, "TABLE", without)
    try:
        assert run(yaml.safe_load(NIGHT)).digest() != as_it_is
    except DefectError as error:
        assert request_.value in str(error)
