"""Rows of events, written short by hand, and the night that they fold into."""

from types import SimpleNamespace
from typing import Any

from emulator.measure.fold import NightFold
from emulator.measure.night import Night

KEYS = (
    "measure", "at_least", "at_most", "exactly", "routine", "queue", "pool", "entry",
    "each_occurrence_of", "started_by", "finished_by", "within", "in_share",
)  # fmt: skip


class Stream:
    """A stream of events in the making; ticks are small numbers, and a cause is always 0."""

    def __init__(self) -> None:
        self.rows: list[tuple[Any, ...]] = []

    def add(self, at: int, kind: str, job: int = 0, worker: str = "", *details: object) -> None:
        self.rows.append((at, kind, 0, job, worker, *details))

    def submit(
        self,
        at: int,
        job: int,
        *,
        state: str = "queued",
        routine: str = "copy",
        queue: str = "night",
        entry: str = "plates",
        ordinal: int | None = None,
        reasons: str = "",
        origin: int = 0,
    ) -> None:
        number = job if ordinal is None else ordinal
        self.add(at, "submitted", job, "", state, routine, queue, entry, number, "", 0, reasons, origin)

    def hand_out(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        self.add(at, "handed_out", job, worker, attempt, token, at + 90, 1)

    def begin(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        self.add(at, "work_began", job, worker, attempt, token)

    def stop(self, at: int, job: int, worker: str, token: int, attempt: int = 1, why: str = "finished") -> None:
        self.add(at, "work_stopped", job, worker, attempt, token, why)

    def end(
        self, at: int, job: int, worker: str, token: int, outcome: str = "ok", attempt: int = 1, why: str = ""
    ) -> None:
        self.add(at, "attempt_ended", job, worker, attempt, token, outcome, why, at)

    def requeue(self, at: int, job: int, state: str = "requeued", due: int | None = None) -> None:
        self.add(at, "requeued", job, "", state, at if due is None else due, -1)

    def finish(self, at: int, job: int, sub_state: str = "", attempts: int = 1, why: str = "") -> None:
        self.add(at, "finished", job, "", "failed" if sub_state else "done", sub_state, why, attempts)

    def land(
        self, at: int, job: int, worker: str, token: int, target: str = "plate-7", *, repeatable: object = False
    ) -> None:
        self.add(at, "effect_landed", job, worker, 1, token, "copied", target, repeatable)

    def start(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        """Hand a job out, and its work begins at once."""
        self.hand_out(at, job, worker, token, attempt)
        self.begin(at, job, worker, token, attempt)

    def go_well(self, at: int, job: int, worker: str, token: int, attempt: int = 1) -> None:
        """The work stops, the attempt ends ok and the job is done."""
        self.stop(at, job, worker, token, attempt)
        self.end(at, job, worker, token, "ok", attempt)
        self.finish(at, job, "", attempt)

    def worker(self, at: int, name: str, state: str) -> None:
        self.add(at, "worker_changed", 0, name, state, "", 1)

    def night(self, horizon: int, **knowledge: Any) -> Night:
        fold = NightFold(horizon, **knowledge)
        fold.feed_all(self.rows)
        return fold.close()


def asked(**keys: object) -> Any:
    """Make a requirement: every key that is not given is None."""
    return SimpleNamespace(**{**dict.fromkeys(KEYS), **keys})
