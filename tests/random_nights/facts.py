"""Reads what the checker needs from the mapping of a scenario, with the defaults that the documentation states."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

__all__ = ["OUTAGE_KINDS", "Pool", "Queue", "Routine", "Said", "meets", "ticks"]

_UNITS = {"us": 1, "ms": 1000, "s": 1_000_000, "m": 60_000_000, "h": 3_600_000_000, "d": 86_400_000_000}

OUTAGE_KINDS = frozenset(
    (
        *("submitted", "submission_repeated", "submission_refused", "held", "hold_ended", "handed_out"),
        *("lease_renewed", "handed_back", "attempt_ended", "requeued", "finished", "suspend_requested", "suspended"),
        *("resume_requested", "resumed", "stale_refused", "lease_forgotten", "queue_held", "queue_released"),
        *("worker_registered", "worker_declared_lost", "worker_signed_off", "heartbeat_received"),
    )
)
"""What only a broker that is up can do: while it is down, nothing is accepted and nothing is decided."""


def ticks(written: str) -> int:
    """Give a duration, or a moment from the start, in microseconds.

    >>> ticks("1h30m"), ticks("+90s"), ticks("250ms")
    (5400000000, 90000000, 250000)
    """
    parts = re.findall(r"([0-9.]+)(us|ms|s|m|h|d)", written.lstrip("+"))
    assert parts, written
    return sum(int(Fraction(number) * _UNITS[unit]) for number, unit in parts)


def plain(value: Any) -> Any:
    """Take values out of the wrappers that say where they come from."""
    if isinstance(value, dict):
        if "value" in value and "from" in value:
            return plain(value["value"])
        return {key: plain(each) for key, each in value.items()}
    return [plain(each) for each in value] if isinstance(value, list) else value


def _longest(law: Any) -> int | None:
    """Give the longest time of a law, None if it has none."""
    if isinstance(law, str):
        return ticks(law)
    for key in ("constant", "max"):
        if key in law:
            return ticks(law[key])
    for key in ("between", "one_of"):
        if key in law:
            return max(ticks(each) for each in law[key])
    return None


class Pauses:
    """How the pauses between retries, or between the asks of a part, grow."""

    def __init__(self, said: dict[str, Any]) -> None:
        self.pause = said.get("pause", "none")
        self.first = ticks(said.get("first", "0s"))
        self.grows_by = Fraction(str(said.get("grows_by", 2)))
        self.longest = _ticks_or_none(said.get("longest"))
        self.jitter = said.get("jitter", "none")

    def after(self, number: int) -> tuple[int, int]:
        """Give the shortest and the longest pause that may follow an attempt or an ask, hints of systems apart."""
        if self.pause == "none":
            return 0, 0
        exact = Fraction(self.first)
        if self.pause == "linear":
            exact *= number
        elif self.pause == "exponential":
            exact *= self.grows_by ** (number - 1)
        most = round(exact)
        if self.jitter == "decorrelated":
            longest = 3**number * self.first if self.longest is None else min(self.longest, 3**number * self.first)
            return min(self.first, longest), longest
        if self.longest is not None:
            most = min(most, self.longest)
        if self.jitter == "none":
            return most, most
        return (0 if self.jitter == "full" else most - most // 2 - 1), most


class Queue:
    """What a queue is told."""

    def __init__(self, name: str, said: dict[str, Any]) -> None:
        retry = said.get("retry", {})
        cap = said.get("time_limit")
        self.name = name
        self.lease = ticks(said.get("lease", "90s"))
        self.renewed = said.get("renewed", True)
        self.told_as = said.get("expiry_sent_as", "duration_from_request")
        self.capacity: int | None = said.get("capacity")
        self.start_within = _ticks_or_none(said.get("start_within"))
        self.running_at_most: int | None = said.get("running_at_most")
        self.per_key_at_most: int = said.get("per_key_at_most", 1)
        self.keeps_place = said.get("requeued_keep_place", True)
        self.matches = said.get("matches_equipment", True)
        self.keys_kept = ticks(said.get("idempotency_keys_kept", "0s"))
        self.cap_after = _ticks_or_none(cap and cap["after"])
        self.cap_then = (cap or {}).get("then", "fail")
        self.cap_at_most: int | None = (cap or {}).get("at_most")
        self.attempts: int = retry.get("attempts_in_all", 1)
        self.lost_at_most: int | None = retry.get("lost_leases_at_most")
        retried = retry.get("retried", ["error", "time_limit", "lease_lost"])
        self.retried = {outcome.replace(" ", "_") for outcome in retried}
        self.pauses = Pauses(retry)
        self.total_limit = _ticks_or_none(retry.get("total_limit"))
        self.heeds = retry.get("respects_retry_after", True)
        allowance = retry.get("allowance")
        self.holds: int | None = allowance and allowance["holds"]
        self.refill = Fraction(0)
        if allowance:
            self.refill = Fraction(allowance.get("refills", 0), ticks(allowance.get("each", "1m")))
        self.may_wait = bool(allowance) and allowance.get("when_empty", "fail") == "wait"


class Pool:
    """What the workers of a pool are told."""

    def __init__(self, name: str, said: dict[str, Any], struck: set[str]) -> None:
        link, clock = said.get("link", {}), said.get("clock", {})
        self.name = name
        self.said = said
        self.serves: list[str] = said["serves"]
        self.poll = ticks(said.get("poll", "0s"))
        self.heartbeat = ticks(said.get("heartbeat", "30s"))
        self.silence = _ticks_or_none(said.get("silence"))
        self.leaves_after: int | None = said.get("retires_after")
        self.stops_itself = said.get("stops_at_lease_end", False)
        power = said.get("power", [])
        self.windows: list[dict[str, Any]] = power if isinstance(power, list) else [power]
        self.declines = any(window.get("skips_jobs_too_long_to_finish", False) for window in self.windows)
        self.on_demand = said.get("woken_on_demand", False)
        self.answer_within = ticks(link.get("answer_within", "10s"))
        self.out, self.back = _longest(link.get("delay_out", "0s")), _longest(link.get("delay_back", "0s"))
        self.overtakes = not isinstance(link.get("delay_out", "0s"), str)
        self.is_lossy = bool(link.get("loss_out") or link.get("loss_back") or "lose_results" in struck)
        self.is_prompt = self.out == 0 and self.back == 0 and not self.is_lossy
        others = [differs.get("clock", {}) for differs in said.get("per_worker", {}).values()]
        self.is_skewed = "skew_clock" in struck or any(each for each in (clock, *others))
        is_jittered = ticks(said.get("heartbeat_jitter", "0s")) > 0
        self.beats_are_regular = not (is_jittered or self.is_skewed or "lose_heartbeats" in struck)

    def is_in_hours(self, begins: datetime, at: int) -> bool | None:
        """Say whether any window is on at a tick of a night that begins at an instant; None: it never begins."""
        now = begins + timedelta(microseconds=at)
        if not self.windows or not all("on" in window for window in self.windows):
            return None
        return any(_last(window, "on", now) > _last(window, "off", now) for window in self.windows)

    def slots(self, worker: str) -> int:
        return int(self._own(worker, "slots", 1))

    def equipment(self, worker: str) -> frozenset[str]:
        return frozenset(self._own(worker, "equipped_with", []))

    def _own(self, worker: str, key: str, default: Any) -> Any:
        return self.said.get("per_worker", {}).get(worker, {}).get(key, self.said.get(key, default))

    def longest_wait(self) -> int | None:
        """Say how long an idle worker may leave a job waiting that it could do; None: as long as it happens to take.

        A request travels for at most ``out``, and its answer for ``back``; one that was answered in vain just before is
        on its way back first. What is lost is sent again after ``answer_within``; twelve losses in a row do not happen.
        """
        if self.out is None or self.back is None:
            return None
        tries = 12 if self.is_lossy else 0
        return self.poll + 2 * (self.out + self.back) + tries * (self.answer_within + self.out + self.back)


class Routine:
    """What a routine does, as far as events tell of it."""

    def __init__(self, name: str, said: dict[str, Any]) -> None:
        self.name = name
        self.queue: str = said["queue"]
        self.requires: list[str] = said.get("requires", [])
        self.takes_slots: int = said.get("takes_slots", 1)
        self.parts: list[dict[str, Any]] = said["parts"]

    def lands(self, effect: str) -> set[tuple[str, str]]:
        """Give (when it lands, which system holds it) of each part that leaves an effect, "" for no system."""
        return {
            (part.get("lands", "at_end"), part.get("effect_in", part.get("calls", "")).partition("/")[0])
            for part in self.parts
            if part.get("effect") == effect
        }

    def asking(self, effect: str) -> Iterator[tuple[int, Pauses, str]]:
        """Give (how often at most, its pauses, the system) of each part that leaves an effect and asks again."""
        for part in self.parts:
            if part.get("effect") == effect and "asks_again" in part:
                asks = part["asks_again"]
                yield asks["times"], Pauses(asks), part["calls"].partition("/")[0]

    def is_called(self, effect: str) -> bool:
        """Say whether some part that leaves an effect calls a system for it."""
        return any("calls" in part for part in self.parts if part.get("effect") == effect)


class Said:
    """A scenario as the checker reads it."""

    def __init__(self, settings: dict[str, Any]) -> None:
        said = plain(settings)
        self.lasts = ticks(said["lasts"])
        self.begins = datetime.fromisoformat(said["starts"]).replace(tzinfo=ZoneInfo(said.get("zone", "UTC")))
        self.pushes = said.get("broker", {}).get("leases_during_outage", "expire") == "extend"
        self.queues = {name: Queue(name, queue) for name, queue in said["queues"].items()}
        self._said = said
        self._terms: dict[tuple[str, str], Queue] = {}
        self.routines = {name: Routine(name, routine) for name, routine in said["routines"].items()}
        self.entries: dict[str, dict[str, Any]] = {entry["name"]: entry for entry in said["arrivals"]}
        self.faults: list[dict[str, Any]] = said.get("faults", [])
        self.actions: list[dict[str, Any]] = said.get("actions", [])
        self.hints = {name: ticks(system.get("retry_after", "0s")) for name, system in said.get("systems", {}).items()}
        self.fences = {name: system.get("fenced", "no") for name, system in said.get("systems", {}).items()}
        kinds = {kind for fault in self.faults for kind in fault}
        self.pools = {name: Pool(name, pool, kinds) for name, pool in said["pools"].items()}
        self.pool_of = {
            worker: pool
            for name, pool in self.pools.items()
            for worker in pool.said.get("workers") or [f"{name}-{n}" for n in range(1, pool.said["count"] + 1)]
        }
        self.places = {worker: place for place, worker in enumerate(self.pool_of)}
        versions = [action for action in said.get("actions", []) if "new_version" in action]
        self.renewed_versions = {action["new_version"] for action in versions if "requires" in action}
        """Routines of which a new version with other requirements is put in; what their old jobs want is left open."""

    def terms(self, entry: str, routine: str) -> Queue:
        """Say what holds for the jobs of a routine that an entry brings: its own words, the routine's, the queue's."""
        if (entry, routine) not in self._terms:
            general = self._said["routines"][routine]
            queue = self._said["queues"][general["queue"]]
            own = {key: one[key] for one in (general, self.entries[entry]) for key in _TERMS if key in one}
            if "retry" in own and "allowance" in queue.get("retry", {}):
                own["retry"] = {**own["retry"], "allowance": queue["retry"]["allowance"]}
            self._terms[entry, routine] = Queue(general["queue"], {**queue, **own})
        return self._terms[entry, routine]


def _last(window: dict[str, Any], key: str, now: datetime) -> datetime:
    """Give the last instant until now at which a window begins (``on``) or ends (``off``); the clocks do not change."""
    here = now if "zone" not in window else now.astimezone(ZoneInfo(window["zone"]))
    hour, minute = map(int, window.get(key, "00:00").split(":"))
    for back in range(8 if key in window else 0):
        at = (here - timedelta(days=back)).replace(hour=hour, minute=minute, second=0, microsecond=0)
        if at <= here and f"{at:%a}".lower() in window.get("days", [f"{at:%a}".lower()]):
            return at
    return datetime.min.replace(tzinfo=UTC)


_TERMS = ("lease", "time_limit", "retry")


def _ticks_or_none(written: str | None) -> int | None:
    return None if written is None else ticks(written)


def _version(written: str) -> tuple[int, ...]:
    return tuple(int(each) for each in written.split("."))


def meets(requires: list[str], equipment: frozenset[str]) -> bool:
    """Say whether equipment has all that is required.

    >>> meets(["tape>=2.0"], frozenset(["tape 2.1"])), meets(["tape>=2.0"], frozenset(["tape"]))
    (True, False)
    """
    for wanted in requires:
        name, _, least = wanted.partition(">=")
        for item in equipment:
            has, _, version = item.partition(" ")
            if has == name and (not least or (version and _version(version) >= _version(least))):
                break
        else:
            return False
    return True
