"""Which job must end before which? Jobs are named by their arrival entry and their number in it.

Only the entries that some prerequisite names are remembered. A job may be submitted before the one that it waits for.
Who follows resubmitted jobs waits for the newest job of the family: the first of that name and all resubmitted from it.
"""

from collections.abc import Callable
from typing import Final

__all__ = ["REFUSED", "Label", "Prerequisites"]

Label = tuple[str, int]

REFUSED: Final = -1
"""Stands for the job when the submission of that name was refused."""


class Prerequisites:
    """Who waits for whom.

    Args:
        family: gives the number of the first job of a job's family.
    """

    __slots__ = ("_family", "_first", "_latest", "_unsubmitted", "_waiting")

    def __init__(self, family: Callable[[int], int]) -> None:
        self._family = family
        self._first: dict[Label, int] = {}
        self._latest: dict[int, int] = {}
        self._waiting: dict[int, list[tuple[int, bool]]] = {}
        self._unsubmitted: dict[Label, list[tuple[int, bool]]] = {}

    def find(self, label: Label, follows: bool) -> int:
        """Give the job of that name (or its newest successor), REFUSED, or 0 when none has been submitted yet."""
        first = self._first.get(label, 0)
        return self._latest.get(self._family(first), first) if follows and first > 0 else first

    def wait(self, job: int, label: Label, follows: bool) -> None:
        """Let a job wait for the one of that name."""
        found = self.find(label, follows)
        if found:
            self._waiting.setdefault(found, []).append((job, follows))
        else:
            self._unsubmitted.setdefault(label, []).append((job, follows))

    def submitted(self, label: Label, job: int) -> list[int]:
        """A job of that name was submitted, or refused (REFUSED); give those who have waited for it to come."""
        if label in self._first:
            return []  # a resubmitted job under the same name: the first keeps it
        self._first[label] = job
        waiters = self._unsubmitted.pop(label, [])
        if waiters:
            self._waiting[job] = waiters
        return [waiter for waiter, _ in waiters]

    def resubmitted(self, job: int) -> list[int]:
        """A job was resubmitted into its family; give those who wait for it from now on."""
        family = self._family(job)
        before = self._latest.get(family, family)
        self._latest[family] = job
        waiters = self._waiting.get(before, [])
        moved = [entry for entry in waiters if entry[1]]
        if moved:
            self._waiting[before] = [entry for entry in waiters if not entry[1]]
            self._waiting[job] = moved
        return [waiter for waiter, _ in moved]

    def has_waiters(self, job: int) -> bool:
        """Say whether anybody waits for the job."""
        return job in self._waiting

    def release(self, job: int) -> list[int]:
        """Give the jobs that wait for this one, in the order in which they came, and forget them."""
        return [waiter for waiter, _ in self._waiting.pop(job, [])]
