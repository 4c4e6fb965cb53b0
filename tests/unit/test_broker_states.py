"""The state table is complete, the broker does what it says, and the page of the docs is made from it."""

from itertools import product
from pathlib import Path

import pytest
from broker_driver import Driver

from emulator.broker.diagram import mermaid, page
from emulator.broker.rules import DataRetry, QueueRules, TimeLimit
from emulator.broker.states import FINAL_STATES, TABLE, Facts, Request, State, target
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
            Request.END_OF_REASON: (300, "not before" if d.broker.last_attempt(job) == 0 else "pause"),
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
        d.broker._enter(d.broker._jobs[job], Request.TAKE, Facts())


def test_the_page_of_the_docs_is_fresh():
    """Renew it with: python -m emulator.broker.diagram > docs/states.md"""
    assert DOCS.read_text(encoding="utf-8") == page()


def test_the_diagram_names_every_state():
    drawn = mermaid()
    assert [state.value for state in State if state.value.replace(" ", "_") not in drawn] == []
