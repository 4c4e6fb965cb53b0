"""Whether the observatory's scripts may be run again: at each point what is expected was worked out by hand.

Marks, one a point, in order: ``.`` safe, ``r`` an effect is repeated, ``m`` one is missing, ``l`` something is left
over, ``f`` a file differs, ``n`` it never succeeds again.

How they were worked out: a script with n calls has the points 1-before, 1-after, ..., n-after, end. What dies before
its k-th call has done the calls before k, what dies after it has done the k-th too; a second run on another machine
then does what the script does from its first line. What sleeps instead does, once it wakes, all that it had left.
"""

from pathlib import Path

import pytest

from emulator.scripts.load import load_scripts
from emulator.scripts.processes import Starter
from emulator.scripts.rerun import Found, Judgement, rerun

SCENARIOS = Path(__file__).parents[2] / "scenarios" / "scripts"
TWO = {"plates": ["plate-1", "plate-2"]}

DIES = {
    # put, put: each put before the cut is done once more
    "copy-plates": ". r r r r",
    # has, put, has, put: what is there is left alone
    "copy-plates-asking": ". . . . . . . . .",
    "copy-plates-once": ". . . . .",
    # is-closed, close, under a lock that outlives its holder: from the first call to the last the lock stays; the dome
    # is closed only from 2-after on, and the file of the lock is there where it should not be
    "close-dome": "mfn mfn mfn fn .",
    "close-dome-careful": ". . . . .",
    # take, put-cold, take, put-cold
    "move-plates": ". r r r r r r r r",
    "move-plates-careful": " ".join("." * 17),
    # has, has, mail: a report of 0 or 1 lines is taken for a whole one
    "night-report": "mlf mlf mlf mlf . r r",
    "night-report-careful": ". . . . . . .",
    "flush-buffer": ". r r",
    "flush-buffer-careful": ". . . . .",
}

WAKES = {
    "copy-plates": "r r r r r",
    # asleep between question and deed: after `has`, and before `put`
    "copy-plates-asking": ". r r . . r r . .",
    "copy-plates-once": ". . . . .",
    # the other attempt never gets past the lock, and the woken one does all the rest: the job has failed
    "close-dome": "n n n n .",
    "close-dome-careful": ". r r . .",
    "move-plates": "r r r r r r r r r",
    "move-plates-careful": ". r r . . r r . . r r . . r r . .",
    # the other attempt sends a report of the 0 or 1 lines there are, and the woken one the whole one of 2
    "night-report": "l l l l r r r",
    "night-report-careful": ". . . . . . .",
    "flush-buffer": "r r r",
    "flush-buffer-careful": ". r r . .",
}


def marks(found: Found) -> str:
    """Write what came of a point as the tables above do."""
    said = (
        ("r", found.repeated),
        ("m", found.missing),
        ("l", found.extra),
        ("f", found.files),
        ("n", not found.done),
    )
    return "".join(mark for mark, is_so in said if is_so) or "."


@pytest.fixture(scope="module")
def starter() -> object:
    with Starter() as one:
        yield one


def judged(name: str, starter: Starter) -> Judgement:
    loaded = load_scripts(SCENARIOS / "scripts.yaml")
    return rerun(loaded, name, TWO if "{plates}" in loaded.scripts.scripts[name].argv else {}, starter=starter)


@pytest.mark.slow
@pytest.mark.parametrize("name", DIES)
def test_each_point_of_each_script_ends_as_worked_out_by_hand(name: str, starter: Starter) -> None:
    """Where a script is cut off, what is repeated, missing or left over is what reading it says."""
    found = judged(name, starter)
    assert (" ".join(map(marks, found.of("dies"))), " ".join(map(marks, found.of("wakes")))) == (
        DIES[name],
        WAKES[name],
    )
