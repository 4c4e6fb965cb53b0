"""Retry policies of a user's own, for the tests of comparisons: defined here so that they can travel to a process."""

import os
from dataclasses import dataclass
from pathlib import Path

from emulator.broker.rules import RetryCase, Verdict


@dataclass(frozen=True)
class Patient:
    """Tries again so many times, always after the same pause."""

    attempts: int
    pause: int

    def decide(self, case: RetryCase) -> Verdict:
        return Verdict(case.attempt < self.attempts, self.pause, "" if case.attempt < self.attempts else "enough")


@dataclass(frozen=True)
class Deadly:
    """Kills its process: once, if it is given a file that says whether it has; else each time."""

    once: str = ""

    def decide(self, case: RetryCase) -> Verdict:
        if not self.once or not Path(self.once).exists():
            if self.once:
                Path(self.once).touch()
            os.kill(os.getpid(), 9)
        return Verdict(False, 0, "enough")


class Broken:
    """Raises whenever it is asked."""

    def decide(self, case: RetryCase) -> Verdict:
        raise RuntimeError("no idea")
