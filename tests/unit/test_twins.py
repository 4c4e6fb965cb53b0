"""Two workers with one token: each works on an attempt of its own."""

from pathlib import Path

from night_runs import Ran

from emulator.scenario.load import load

SCENARIO = Path(__file__).parents[2] / "scenarios" / "handed-out-twice.yaml"


def test_a_hand_out_that_comes_twice_is_worked_on_twice() -> None:
    """Both begin under the same token, on different workers."""
    began = [(row[3], row[6], row[4]) for row in Ran(load(SCENARIO), 1).of("work_began")]
    twice = {(job, token) for job, token, _ in began if len({w for j, t, w in began if (j, t) == (job, token)}) == 2}
    assert len(twice) == 1
