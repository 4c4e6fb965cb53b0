"""Random requests and alarms in their order: the broker keeps its promises against a tiny reference model."""

import pytest
from broker_model import STEPS, Model, chosen
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

number = st.integers(0, 60)
three = {"a": number, "b": number, "c": number}


class RandomRequests(RuleBasedStateMachine):
    """At most one good lease a job, tokens rise, attempts stay within limits, the best job is given, events fold."""

    def __init__(self) -> None:
        super().__init__()
        self.model = Model()

    @initialize(over=st.sampled_from(["expire", "extend"]), first=st.sampled_from([1, 1000]))
    def begin(self, over: str, first: int) -> None:
        self.model = Model(leases_during_outage=over, first=(1, first))

    @invariant()
    def all_is_well(self) -> None:
        self.model.check()

    @rule(**three)
    def submit(self, a: int, b: int, c: int) -> None:
        self.model.do_submit(a, b, c)

    @rule(**three)
    def submit_more(self, a: int, b: int, c: int) -> None:
        for more in range(3):
            self.model.do_submit(a + more, b, c)

    @rule(**three)
    def take(self, a: int, b: int, c: int) -> None:
        self.model.do_take(a, b, c)

    @rule(**three)
    def take_more(self, a: int, b: int, c: int) -> None:
        for more in range(3):
            self.model.do_take(a + more, b, c)

    @rule(**three)
    def heartbeat(self, a: int, b: int, c: int) -> None:
        self.model.do_heartbeat(a, b, c)

    @rule(**three)
    def hand_in(self, a: int, b: int, c: int) -> None:
        self.model.do_hand_in(a, b, c)

    @rule(**three)
    def hand_back(self, a: int, b: int, c: int) -> None:
        self.model.do_hand_back(a, b, c)

    @rule(**three)
    def ask(self, a: int, b: int, c: int) -> None:
        self.model.do_ask(a, b, c)

    @rule(**three)
    def acknowledge(self, a: int, b: int, c: int) -> None:
        self.model.do_acknowledge(a, b, c)

    @rule(**three)
    def hold_queue(self, a: int, b: int, c: int) -> None:
        self.model.do_hold_queue(a, b, c)

    @rule(**three)
    def restart(self, a: int, b: int, c: int) -> None:
        self.model.do_restart(a, b, c)

    @rule(**three)
    def forget(self, a: int, b: int, c: int) -> None:
        self.model.do_forget(a, b, c)

    @rule(**three)
    def wait(self, a: int, b: int, c: int) -> None:
        self.model.do_wait(a, b, c)

    @rule(**three)
    def outage(self, a: int, b: int, c: int) -> None:
        self.model.do_outage(a, b, c)


RandomRequests.TestCase.settings = settings(
    max_examples=60, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
TestRandomRequests = RandomRequests.TestCase


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(40))
def test_long_streams_of_requests_keep_every_promise(seed):
    """After long streams of requests the model and the broker still agree, whatever becomes of leases over outages."""
    model = Model(leases_during_outage=("expire", "extend")[seed % 2])
    for count, (step, a, b, c) in enumerate(chosen(seed, 500)):
        STEPS[step % len(STEPS)](model, a, b, c)
        if count % 20 == 0:
            model.check()
    model.check()
