"""Lets jobs wait for those before them, and judges those who wait as jobs end."""

from collections.abc import Callable, Collection, Mapping

from emulator.broker.finished import ENDS, Finished
from emulator.broker.jobs import PREREQUISITE, Job
from emulator.broker.prerequisites import REFUSED, After, Key, Prerequisites, Unmet, Waiter
from emulator.errors import DefectError
from emulator.record.reasons import Because

__all__ = ["Waiters"]


class Waiters:
    """The jobs that wait for others.

    Args:
        jobs: the unfinished jobs, by number; finished: how the others ended.
        known: who waits for what.
        remembered: the arrival entries that prerequisites name.

    Attributes:
        let_go, fail: take (tick, cause, job) when all has ended that a job waited for, and with the reason when a job
            has to fail because of that.
    """

    __slots__ = ("_ended", "_finished", "_jobs", "_known", "_remembered", "fail", "let_go")

    let_go: Callable[[int, int, Job], None]
    fail: Callable[[int, int, Job, Because], None]

    def __init__(
        self, jobs: Mapping[int, Job], finished: Finished, known: Prerequisites, remembered: Collection[str]
    ) -> None:
        self._jobs, self._finished, self._known, self._remembered = jobs, finished, known, remembered
        self._ended: list[tuple[Key, int]] = []

    def unmet(self, job: int) -> tuple[bool, tuple[Unmet, ...]]:
        """Say what a job waits for still, and whether the first of it suffices."""
        return self._known.unmet(job)

    def may_go_on(self, job: Job, after: After) -> bool:
        """Say whether all that a job waits for has ended already, in a way that lets it go on."""
        for before in after.befores:
            if before.entry not in self._remembered:
                raise DefectError(f"{job.name} waits for an entry that is not remembered: {before.entry}")
        return self._known.verdict(after) is True

    def wait(self, now: int, job: Job, after: After) -> None:
        """Let a job wait for those before it; if what has ended of them forbids it, it fails at once."""
        if self._known.verdict(after) is None:
            self._known.wait(job.number, after)
        else:
            self.fail(now, job.born, job, self._why(self._known.failed_of(after)))

    def complete(self, now: int, event: int, entry: str, night: int) -> None:
        """No more jobs of an entry come in a night."""
        for key in self._known.complete(entry, night):
            self._judge(now, event, key)

    def submitted(self, now: int, cause: int, job: Job, number: int, resubmitted: bool) -> None:
        """A submission was taken (or repeated, or refused): some may have waited for a job of its name."""
        waiters: list[Waiter] = []
        extra = job.rare
        arrival = job.source.arrival
        if arrival in self._remembered:
            night = 0 if extra is None else extra.night
            waiters += self._known.submitted((arrival, job.ordinal), number, night)
        if resubmitted:
            waiters += self._known.resubmitted(number)
        if waiters and (number == REFUSED or self._finished.how(number) is not None):
            self._judge(now, cause, number)

    def ended(self, now: int, cause: int, number: int) -> None:
        """A job is final: judge those who waited for it, or for all jobs of its night."""
        for key in self._known.ended(number):
            self._judge(now, cause, key)

    def _judge(self, now: int, cause: int, ended: Key) -> None:
        """Judge those who waited, and those who waited for them, without recursion: chains may be long."""
        row = self._ended
        row.append((ended, cause))
        if len(row) > 1:
            return  # called from the loop below
        for key, event in row:  # the list grows while it is walked
            failed = self._known.failed(key)
            for waiter in self._known.release(key):
                job = self._jobs.get(waiter.job)
                if job is not None and job.held & PREREQUISITE:
                    self._judge_one(now, event, job, waiter, failed)
        row.clear()

    def _judge_one(self, now: int, cause: int, job: Job, waiter: Waiter, failed: int) -> None:
        """One of the things that a job waits for has ended; ``failed``: the job of it that failed, 0 for none."""
        goes_on = self._known.settle(waiter, not failed or self._known.goes_on(waiter))
        if goes_on is None:
            return
        self._known.forget(job.number)
        if goes_on:
            self.let_go(now, cause, job)
        else:
            self.fail(now, cause, job, self._why(failed))

    def _why(self, failed: int) -> Because:
        """Say why a job fails because one that it waited for has."""
        if failed <= 0:
            return Because("prerequisite_refused")
        _, sub_state = self._finished.how(failed) or ENDS[0]
        return Because("prerequisite_failed", {"job": failed, "sub_state": sub_state})
