"""Draws small scenarios, each from one whole number, that together use every key of the format.

A night is made of a few workers, some jobs and an hour or so. How much is unusual in it is drawn first, so that many
nights have only a few things that can meet, and some have nearly everything. Times are often whole half minutes, so
that things fall on one instant; some are odd to the microsecond.
"""

from collections.abc import Callable, Sequence
from typing import Any, Final

__all__ = ["Dice", "night"]

Settings = dict[str, Any]

THEMES = ("outages", "links", "freezes", "clocks", "effects", "equipment", "people", "power", "twice")
"""What a night is about: one to three of these, of which there is then more in it."""

_MASK = (1 << 64) - 1


_APART: Final = 1 << 40
"""Added to the number of a night for draws that leave all others as they are."""

_WINDOW: Final = {"at_shutdown": "kill", "skips_jobs_too_long_to_finish": False}


class Dice:
    """Draws from one number, the same on every machine and every Python (splitmix64, by Steele, Lea and Flood)."""

    def __init__(self, number: int) -> None:
        self._state = number * 0x9E3779B97F4A7C15 & _MASK

    def below(self, most: int) -> int:
        """Give a whole number from 0 to ``most - 1``."""
        self._state = (self._state + 0x9E3779B97F4A7C15) & _MASK
        z = self._state
        z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9 & _MASK
        z = (z ^ z >> 27) * 0x94D049BB133111EB & _MASK
        return (z ^ z >> 31) % most

    def between(self, low: int, high: int) -> int:
        """Give a whole number from ``low`` to ``high``."""
        return low + self.below(high - low + 1)

    def chance(self, share: float) -> bool:
        """Say yes in this share of cases."""
        return self.below(1_000_000) < share * 1_000_000

    def pick(self, *values: Any) -> Any:
        """Give one of the values, each as likely."""
        return values[self.below(len(values))]

    def some_of(self, values: Sequence[Any], most: int) -> list[Any]:
        """Give at least one and at most ``most`` of the values, in their order."""
        rest, found = list(values), []
        for _ in range(self.between(1, min(most, len(rest)))):
            found.append(rest.pop(self.below(len(rest))))
        return [value for value in values if value in found]

    # -- times --------------------------------------------------------------------------------------------------------

    def time(self, low: int, high: int) -> str:
        """Give a duration from ``low`` to about ``high`` seconds, often a round one."""
        second = self.between(low, high)
        kind = self.below(10)
        if kind < 5 and high >= 30:
            return f"{max(30, second - second % 30)}s"
        if kind < 9:
            return f"{max(1, second)}s"
        return f"{max(1, second) * 1_000_000 + self.below(1_000_000)}us"

    def moment(self, low: int, high: int) -> str:
        """Give a moment from ``low`` to about ``high`` seconds after the start."""
        return "+" + self.time(low, high)

    def law(self, low: int, high: int) -> Any:
        """Give a distribution of times between about ``low`` and ``high`` seconds; every law comes up."""
        one, other = sorted((self.between(low, high), self.between(low, high)))
        other = max(other, one + 1)
        mean = f"{max(1, one)}s"
        return self.pick(
            *[f"{one}s"] * 8,
            self.time(low, high),
            {"constant": f"{one}s"},
            {"between": [f"{one}s", f"{other}s"]},
            {"between": [f"{one}s", f"{other}s"]},
            {"min": f"{one}s", "mode": f"{one}s", "max": f"{other}s"},
            {"median": mean, "p95": f"{other + 1}s"},
            {"mean": mean, "law": "exponential"},
            {"mean": mean, "law": "erlang", "stages": 3},
            {"mean": mean, "law": "gamma", "shape": 2.0},
            {"mean": mean, "law": "weibull", "shape": 0.7},
            {"scale": mean, "law": "weibull", "shape": 1.5},
            {"mean": mean, "law": "lognormal", "cv": 0.5},
            {"one_of": [f"{one}s", f"{other}s"], "weights": [3, 1]},
        )


class _Night:
    """One night as it is drawn; ``settings`` is the scenario."""

    def __init__(self, number: int) -> None:
        self.dice = Dice(number)
        self.rough = self.dice.pick(0.05, 0.15, 0.25, 0.35, 0.5)
        self.themes = self.dice.some_of(THEMES, 3)
        self.lasts = self.dice.pick(2400, 3600, 5400)
        self.queues = ["night", "day"][: self.dice.pick(1, 1, 2)]
        self.pools = ["dome", "annex", "north"][: self.dice.pick(1, 1, 2, 2, 3)]
        most = (1, 2, 3) if "effects" in self.themes else (1, 1, 1, 2, 3)
        self.counts = {name: self.dice.pick(*most) for name in self.pools}
        own = {name: [f"{name} {letter}" for letter in "abc"[: self.counts[name]]] for name in self.pools}
        numbered = {name: [f"{name}-{number}" for number in range(1, self.counts[name] + 1)] for name in self.pools}
        self.names = {name: self.dice.pick(numbered, numbered, own)[name] for name in self.pools}
        self.systems = ["archive", "catalogue"][: self.dice.pick("effects" in self.themes, 1, 1, 2)]
        self.tools = ["tape", "lamp"]
        self.effects: list[str] = []
        self.routines = ["copy", "scan", "export"][: self.dice.pick(1, 2, 3)]
        self.scans_are_traced = "scan" in self.routines and self.dice.chance(0.3)
        self.entries: dict[str, Settings] = {}
        self.settings = self._settings(number)

    # -- shorthands ---------------------------------------------------------------------------------------------------

    def maybe(self, into: Settings, key: str, make: Callable[[], Any], weight: float = 1.0) -> None:
        """Set a key where the night is unusual enough."""
        if self.dice.chance(min(0.9, self.rough * weight)):
            into[key] = make()

    @property
    def workers(self) -> list[str]:
        return [worker for pool in self.pools for worker in self.names[pool]]

    def job(self) -> str:
        """Name a job that comes, or nearly always does."""
        entry = self.dice.pick(*self.entries)
        return f"{entry}#{self.dice.between(1, min(3, self.entries[entry].get('count', 3)))}"

    def part_of_system(self) -> str:
        system: str = self.dice.pick(*self.systems)
        return f"{system}/shelf" if self.dice.chance(0.2) else system

    # -- the file -----------------------------------------------------------------------------------------------------

    def _settings(self, number: int) -> Settings:
        dice = self.dice
        said: Settings = {
            "title": f"A random night, number {number}",
            "starts": "2026-06-12T21:30:00",
            "lasts": f"{self.lasts}s",
            "seed": number,
            "queues": {name: self._queue() for name in self.queues},
            "pools": {name: self._pool(name) for name in self.pools},
            "routines": {},
            "arrivals": [],
        }
        self.maybe(said, "about", lambda: "Drawn, and played in both modes of heartbeats.")
        self.maybe(said, "zone", lambda: dice.pick("America/Santiago", "Europe/London"))
        self.maybe(said, "heartbeats", lambda: dice.pick("computed", "simulated"))
        self.maybe(said, "meant_to_miss", lambda: True, 0.5)
        if dice.chance(0.4) or "outages" in self.themes:
            said["broker"] = {"leases_during_outage": dice.pick("expire", "extend")}
        if dice.chance(0.1):
            ends = {"plausible": ["1h", "12h"], "why": "nobody knows", "history": "sha256:0f"}
            said["lasts"] = {"value": said["lasts"], "from": "guess", "on": "2026-05-01", "n": 12, **ends}
        if self.systems:
            said["systems"] = {name: self._system() for name in self.systems}
            self.maybe(said, "access", lambda: [self._grant() for _ in range(dice.between(1, 2))], 1.2)
            self.maybe(said, "credentials", lambda: [self._credential()], 2.0)
        said["routines"] = {name: self._routine(name) for name in self.routines}
        for place in range(dice.pick(1, 2, 3, 4, 4)):
            entry = self._arrival(place)
            self.entries[entry["name"]] = entry
        said["arrivals"] = list(self.entries.values())
        faults = [self._fault() for _ in range(dice.pick(0, 1, 1, 2, 3, 4, 6))]
        strikes = {
            "outages": self._outage,
            "freezes": self._freeze,
            "clocks": self._skew,
            "links": self._cut,
            "twice": self._twice,
            "people": self._freeze,
        }
        for theme, strike in strikes.items():
            if theme in self.themes:
                faults += [strike() for _ in range(dice.pick(1, 2, 4))]
        said["faults"] = [fault for fault in faults if fault]
        said["actions"] = [self._action() for _ in range(dice.pick(0, 0, 0, 1, 2, 4) + 6 * ("people" in self.themes))]
        if dice.chance(0.1):
            said["must_hold"] = self._requirements()
        if dice.chance(0.05):
            said["variants"] = {"patient": {"queues.night.lease": "2m"}}
            said["baseline"] = "patient"
        if dice.chance(0.05):
            said["prefer"] = ["makespan", "worker_hours"]
        if dice.chance(0.05):
            said["combine"] = {"pools.dome.heartbeat": ["20s", "30s"]}
        if dice.chance(0.15):
            self._name_items(said)
        if dice.chance(0.1):
            said["based_on"] = "base.yaml"
        if dice.chance(0.05):
            said["prefer"] = ["done_share", "makespan"]
        if dice.chance(0.15):
            self._vary(said)
        if dice.chance(0.05):
            said["also_true"] = [{"measure": "accepted", "at_least": 0}]
        if number % 20 == 0:
            said["brief"] = {
                "question": f"May night {number} be played?",
                "purpose": "To try the keys.",
                "scope": "One night.",
                "impact": "None.",
                "way_back": "None is needed.",
                "risk_owner": "the night shift",
                "review": "2026-07-01",
                "not_looked_at": ["other nights"],
            }
        self.dice = Dice(number + _APART)
        self._add_windows(said)
        if self.dice.chance(0.25):
            self._take_slots(said)
        self.dice = Dice(number + 2 * _APART)
        if self.dice.chance(0.2):
            for item in (*said["faults"], *said["actions"]):
                if self.dice.chance(0.5):
                    item["share_of_nights"] = self.dice.pick(0, 0.3, 0.6, 1)
        if self.dice.chance(0.2):
            self._draw_strengths(said)
        self.dice = Dice(number + 3 * _APART)
        if self.dice.chance(0.15):
            self._let_years_pass(said)
        return said

    def _draw_strengths(self, said: Settings) -> None:
        """Let times, factors, shares, speeds and numbers of workers be drawn."""
        dice = self.dice
        for item in (*said["faults"], *said["actions"]):
            if "at" in item and "until" not in item and dice.chance(0.5):
                item["late_by"] = dice.law(1, 600)
            for key, low, high in (("factor", 0.5, 4), ("to", 0.25, 2), ("share", 0, 1), ("speed", 0.5, 2)):
                if key in item and dice.chance(0.5):
                    item[key] = dice.pick({"between": [low, high]}, {"one_of": [low, high], "weights": [2, 1]})
            for kind in ("power_off", "freeze", "cut_link", "slow_down", "lose_heartbeats", "lose_results", "drain"):
                aim = item.get(kind)
                if isinstance(aim, dict) and "share" in aim:
                    aim["share"] = {"between": [0, 1]}
                elif isinstance(aim, dict) and "some" in aim:
                    aim["some"] = {"one_of": [1, min(2, self.counts[aim["pool"]])]}

    def _let_years_pass(self, said: Settings) -> None:
        """Let access end on a date, perhaps before the night; state how long results are kept, and what grows."""
        dice = self.dice
        for grant in said.get("access", ()):
            if dice.chance(0.4):
                grant |= {"given": "2026-05-01T12:00:00", "until": dice.pick("2026-06-12", "2026-06-13", "2026-07-01")}
        for shown in said.get("credentials", ()):
            shown["ends"] = dice.pick("2026-06-12", dice.moment(600, self.lasts), "2027-01-01")
            if dice.chance(0.5):
                shown.pop("life")
                shown.pop("renewed_every", None)
        for routine in said["routines"].values():
            for part in routine["parts"]:
                if "effect" in part:
                    part["keeps"] = dice.pick({"newest": 14}, {"for": "30d"})
        counted = [f"arrivals.{entry['name']}.count" for entry in said["arrivals"] if "count" in entry]
        said["growth"] = [
            {"path": path, "by": "3 %", "each": dice.pick("week", "month", "year"), "between": ["2 %", "4 %"]}
            for path in counted
        ]

    def _take_slots(self, said: Settings) -> None:
        """Let jobs take several slots, at most as many as some worker has that serves their queue."""
        for pool in said["pools"].values():
            if self.dice.chance(0.6):
                pool["slots"] = self.dice.pick(2, 3, 4)
        for routine in said["routines"].values():
            serving = {name: pool for name, pool in said["pools"].items() if routine["queue"] in pool["serves"]}
            own = [
                pool.get("per_worker", {}).get(worker, {}).get("slots", pool.get("slots", 1))
                for name, pool in serving.items()
                for worker in self.names[name]
            ]
            if self.dice.chance(0.6) and max(own, default=1) > 1:
                routine["takes_slots"] = self.dice.between(2, max(own))

    def _vary(self, said: Settings) -> None:
        """Let the night be more or less of everything, by factors that are drawn or borrowed from past nights."""
        factors = {"demand": {"mean": 1.2, "cv": 0.5}, "pace": {"cv": 0.3, "law": "gamma"}}
        if self.dice.chance(0.3):
            factors["demand"] = {"one_of_nights": "nights.csv"}
        measured = (
            {"quantiles": ["20s", "50s", "3m"]},
            {"mixture": ["40s", {"between": ["1m", "4m"]}], "weights": [2, 1]},
            {"from_file": "times.csv"},
        )
        used = set()
        for entry in said["arrivals"]:
            if "per_hour" in entry:
                entry["varies_with"] = "demand"
                used.add("demand")
        for routine in said["routines"].values():
            for part in routine["parts"]:
                takes = part.get("takes")
                if takes is not None and "effect" not in part and takes != {"traced": True}:
                    grows = isinstance(takes, dict) and "base" in takes
                    measured_time = dict(self.dice.pick(*measured))
                    part["takes"] = {**takes, "base": measured_time} if grows else measured_time
                    takes = part["takes"]
                takes = takes["base"] if isinstance(takes, dict) and "base" in takes else takes
                if isinstance(takes, dict) and "traced" not in takes:
                    takes["varies_with"] = "pace"
                    used.add("pace")
                if "error_share" in part:
                    part["errors_vary_with"] = "demand"
                    used.add("demand")
        said["varies"] = {name: factor for name, factor in factors.items() if name in used}

    def _name_items(self, said: Settings) -> None:
        """Give items of lists names, and ask for nights without some of them and with others."""
        for key in ("faults", "actions", "access", "credentials", "must_hold"):
            for place, item in enumerate(said.get(key, ())):
                if self.dice.chance(0.5):
                    item["name"] = f"{key} {place}"
        named = [item["name"] for item in said["faults"] if "name" in item]
        change: Settings = {"add": [{"name": "one more", "freeze": "dome", "at": "+10m", "lasts": "5m"}]}
        other: Settings = {"queues.night.lease": None, "faults": {**change, "remove": named[:1]}}
        said["variants"] = {**said.get("variants", {}), "other": other, "later": {"based_on": "other"}}
        said["variants"]["later"]["faults.one more.at"] = "+20m"
        said["questions"] = [{"ask": "What if dome stands still?", "change": {"faults": change}}]

    def _requirements(self) -> list[Settings]:
        found: list[Settings] = [
            {"measure": "done_share", "at_least": 0.5, "in_share": 0.5, "say": "half of the work done"},
            {"measure": "makespan", "at_most": "1h", "routine": self.routines[0], "queue": self.queues[0]},
            {"measure": "utilisation", "at_most": 1.0, "pool": "dome"},
            {"measure": "lost_leases", "exactly": 0, "entry": self.dice.pick(*self.entries)},
        ]
        if self.dice.chance(0.5):
            found.append({"measure": "wait_p90", "not_worse_by": "5m"})
        recurring = [name for name, entry in self.entries.items() if "recurs" in entry]
        if recurring:
            found.append({"each_occurrence_of": recurring[0], "started_by": "23:00", "finished_by": "23:59"})
            found.append({"each_occurrence_of": recurring[0], "within": "30m"})
        first, *others = self.entries
        found.append({"measure": "effect_age_longest", "set_of": first, "at_most": "10h"})
        for effect in self.effects[:1]:
            found.append({"measure": "effect_age_longest", "effect": effect, "target": "s1", "at_most": "10h"})
        if others:
            found.append({"entry": others[-1], "starts_after_end_of": first, "finished_by": "22:10"})
        return found

    def _queue(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        leases = ["20s", "60s", "90s", "90s", "100s", "4m"] + ["20s"] * 6 * ("freezes" in self.themes)
        queue: Settings = {"lease": dice.pick(*leases)}
        maybe(queue, "renewed", lambda: dice.pick(True, False), 2 if "effects" in self.themes else 1)
        told_as = ("duration_from_request", "duration_from_reply", "clock_time")
        maybe(queue, "expiry_sent_as", lambda: dice.pick(*told_as))
        maybe(queue, "time_limit", self._time_limit)
        maybe(queue, "capacity", lambda: dice.pick(1, 3, 8))
        maybe(queue, "start_within", lambda: dice.time(60, 1200))
        maybe(queue, "running_at_most", lambda: dice.pick(1, 2, 3))
        if dice.chance(0.8 if "effects" in self.themes else self.rough):
            queue["per_key_at_most"] = dice.pick(1, 2, 3)
        maybe(queue, "requeued_keep_place", lambda: dice.pick(True, False), 2)
        maybe(queue, "matches_equipment", lambda: dice.pick(True, False), 2)
        maybe(queue, "idempotency_keys_kept", lambda: dice.time(60, 1200))
        retry = self._retry()
        if dice.chance(self.rough * 0.7):
            retry["allowance"] = {
                "holds": dice.pick(1, 3),
                "refills": dice.pick(0, 1, 4),
                "each": dice.time(60, 300),
            }
            if retry["allowance"]["refills"]:
                retry["allowance"]["when_empty"] = dice.pick("fail", "wait")
        queue["retry"] = retry
        return queue

    def _time_limit(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        cap: Settings = {"after": dice.time(45, 600), "then": dice.pick("fail", "start_over", "resume")}
        if cap["then"] != "fail":
            maybe(cap, "at_most", lambda: dice.pick(0, 1, 2), 2)
        return cap

    def _retry(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        retry: Settings = {"attempts_in_all": dice.pick(1, 2, 3, 4, 6, 9)}
        maybe(retry, "lost_leases_at_most", lambda: dice.pick(0, 1, 2), 2)
        maybe(retry, "retried", lambda: dice.some_of(["error", "permanent_error", "time_limit", "lease_lost"], 4))
        if dice.chance(0.6):
            self._pause_into(retry)
        maybe(retry, "total_limit", lambda: dice.time(120, 3000))
        maybe(retry, "respects_retry_after", lambda: dice.pick(True, False))
        return retry

    def _pause_into(self, into: Settings) -> None:
        """Set how the pauses between retries, or between the asks of a part, grow."""
        dice, maybe = self.dice, self.maybe
        into["pause"] = dice.pick("none", "constant", "linear", "exponential")
        into["first"] = dice.time(1, 60)
        if into["pause"] == "exponential":
            maybe(into, "grows_by", lambda: dice.pick(1.5, 3.0), 2)
        maybe(into, "longest", lambda: dice.time(90, 200), 2)
        if into["pause"] != "none":
            maybe(into, "jitter", lambda: dice.pick("none", "full", "equal", "decorrelated"), 2)

    def _own_terms(self, into: Settings) -> None:
        """Give jobs a lease, a time limit or retries of their own."""
        self.maybe(into, "lease", lambda: self.dice.pick("20s", "60s", "90s", "4m"), 0.5)
        self.maybe(into, "time_limit", self._time_limit, 0.5)
        self.maybe(into, "retry", self._retry, 0.5)

    def _asks_again(self) -> Settings:
        asks: Settings = {"times": self.dice.pick(1, 2, 3, 10)}
        self._pause_into(asks)
        return asks

    # -- workers ------------------------------------------------------------------------------------------------------

    def _pool(self, name: str) -> Settings:
        dice, maybe = self.dice, self.maybe
        queues = list(self.queues) if dice.chance(0.7) else [dice.pick(*self.queues)]
        if dice.chance(0.3):
            queues.reverse()
        if name == "dome":
            queues = [queue for queue in reversed(self.queues) if queue not in queues] + queues
        pool: Settings = {
            **({"count": self.counts[name]} if f"{name}-1" in self.names[name] else {"workers": self.names[name]}),
            "serves": queues,
            "heartbeat": dice.pick("10s", "15s", "30s", "45s"),
        }
        if dice.chance(0.35):
            pool["poll"] = dice.pick("7s", "10s", "30s", "1m")
        maybe(pool, "heartbeat_jitter", lambda: dice.pick("1s", "3s"))
        told = {"links", "clocks", "freezes"} & set(self.themes)
        maybe(pool, "silence", lambda: dice.pick("40s", "55s", "70s", "100s", "3m"), 4 if told else 1)
        maybe(pool, "slots", lambda: dice.pick(1, 2, 3))
        maybe(pool, "boots_in", lambda: dice.law(0, 60))
        maybe(pool, "speed", lambda: dice.pick(0.5, 2, 1.25))
        if dice.chance(0.8):
            pool["equipped_with"] = dice.pick([], ["tape"], ["tape 2.1"], ["tape 2.1", "lamp"], ["tape 2.2", "lamp"])
        changing = 2 if "equipment" in self.themes else 0.5
        maybe(pool, "equipment_changes", lambda: [self._change(name) for _ in range(dice.pick(1, 2))], changing)
        maybe(pool, "per_worker", lambda: {dice.pick(*self.names[name]): self._differs()})
        maybe(pool, "joins", lambda: dice.moment(0, 900))
        powered = "power" in self.themes
        if dice.chance(0.6 if powered else self.rough * 0.3):
            pool["power"] = self._power()
        if dice.chance(0.5 if powered else self.rough * 0.4):
            pool["woken_on_demand"] = True
            maybe(pool, "idle_off_after", lambda: dice.time(1, 400), 2)
        maybe(pool, "retires_after", lambda: dice.pick(1, 2, 5), 0.5)
        if dice.chance(0.7 if "outages" in self.themes or "clocks" in self.themes else 0.3):
            pool["stops_at_lease_end"] = dice.pick(True, True, False)
        if dice.chance(0.85 if {"links", "freezes"} & set(self.themes) else self.rough * 0.5):
            pool["link"] = self._link()
        maybe(pool, "clock", self._clock, 4 if "clocks" in self.themes else 0.4)
        return pool

    def _change(self, pool: str) -> Settings:
        change: Settings = {"at": self.dice.moment(30, self.lasts - 60)}
        if self.dice.chance(0.5):
            change["workers"] = self.names[pool][:1]
        if self.dice.chance(0.6):
            change["installs"] = [self.dice.pick("tape 2.2", "lamp", "tape")]
        if "installs" not in change or self.dice.chance(0.4):
            change["removes"] = [self.dice.pick("tape 2.1", "lamp", "tape")]
        return change

    def _differs(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        found: Settings = {}
        maybe(found, "equipped_with", lambda: dice.pick([], ["tape 2.1"], ["lamp"]), 2)
        maybe(found, "slots", lambda: dice.pick(1, 2), 2)
        maybe(found, "speed", lambda: dice.pick(0.5, 2.0), 2)
        maybe(found, "error_share", lambda: dice.pick(0.1, 0.4), 2)
        maybe(found, "clock", self._clock, 2)
        maybe(found, "joins", lambda: dice.moment(0, 600), 2)
        return found

    def _power(self) -> Settings:
        dice = self.dice
        power: Settings = {}
        if dice.chance(0.8):
            power["off"] = f"{dice.pick(21, 22)}:{dice.pick(35, 40, 45, 50)}"
        if dice.chance(0.8) or not power:
            power["on"] = f"{dice.pick('20:00', '21:00', '21:36', '21:55', '22:05')}"
        self.maybe(power, "days", lambda: ["fri", "sat"])
        self.maybe(power, "zone", lambda: dice.pick("UTC", "America/Santiago"))
        if "off" in power:
            if dice.chance(0.6):
                power["at_shutdown"] = dice.pick("kill", "finish", "finish")
            if power.get("at_shutdown") == "finish":
                self.maybe(power, "finish_within", lambda: dice.time(30, 600), 2)
            self.maybe(power, "skips_jobs_too_long_to_finish", lambda: dice.pick(True, False), 1.5)
        return power

    def _add_windows(self, said: Settings) -> None:
        """Give some pools that have a schedule several windows, which overlap, touch or lie apart."""
        for pool in said["pools"].values():
            if "power" in pool and self.dice.chance(0.4):
                windows = [pool["power"], *(self._power() for _ in range(self.dice.between(1, 2)))]
                for window in windows:
                    window.setdefault("on", self.dice.pick("20:00", "21:00", "21:36", "21:55"))
                    window.setdefault("off", self.dice.pick("21:40", "21:50", "22:05"))
                apart = [one for one in windows if one["on"] != one["off"]]
                whole = [_WINDOW | one for one in apart]  # a default that is stated makes no other window
                kept = [one for place, one in enumerate(apart) if whole[place] not in whole[:place]]
                pool["power"] = kept or windows[0]

    def _link(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        link: Settings = {}
        slow = dice.pick(0, 0, 1, 2) if "freezes" in self.themes else dice.pick(0, 1, 1, 2)
        if slow:
            delays = [
                "50ms", "1s", "2s", {"between": ["100ms", "2s"]}, {"mean": "8s", "law": "gamma", "shape": 2.0},
                {"mean": "1s", "law": "exponential"}, {"between": ["1s", "25s"]}, {"between": ["100ms", "40s"]},
                dice.law(0, 12),
            ]  # fmt: skip
            if slow == 2 or dice.chance(0.5):
                link["delay_out"] = dice.pick(*delays)
            if slow == 2 or not link or dice.chance(0.3):
                link["delay_back"] = dice.pick(*delays)
        if not slow or dice.chance(0.3):
            if dice.chance(0.5):
                link["loss_out"] = dice.pick(0.05, 0.2, 0.3)
            if dice.chance(0.7) or "freezes" in self.themes:
                link["loss_back"] = dice.pick(0.05, 0.2, 0.3)
        maybe(link, "answer_within", lambda: dice.pick("2s", "5s", "25s", "40s"), 2)
        return link

    def _clock(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        clock: Settings = {}
        maybe(clock, "offset", lambda: dice.pick("3s", "30s", "250ms"), 3)
        if "offset" in clock:
            maybe(clock, "behind", lambda: dice.pick(True, False), 2)
        maybe(clock, "drift_ppm", lambda: dice.pick(-40.0, 20_000.0, -500_000.0, 300_000.0), 3)
        return clock

    # -- systems ------------------------------------------------------------------------------------------------------

    def _system(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        system: Settings = {"answers_in": dice.law(*dice.pick((0, 60), (10, 200), (60, 600)))}
        if dice.chance(0.8 if "effects" in self.themes else 0.4):
            system["slots"] = dice.pick(1, 1, 2)
        if dice.chance(0.9 if "effects" in self.themes else 0.3):
            system["fenced"] = dice.pick(*["highest_token"] * 3, "asks_broker", "no")
        maybe(system, "waiting_at_most", lambda: dice.pick(0, 1, 3))
        if dice.chance(self.rough * 0.7):
            system["limit"] = {"allows": dice.pick(1, 4), "each": dice.time(30, 120)}
            maybe(system["limit"], "burst", lambda: 2)
            maybe(system["limit"], "when_empty", lambda: dice.pick("refuse", "wait"), 2)
        maybe(system, "error_share", lambda: dice.pick(0.1, 0.4))
        if dice.chance(self.rough * 0.5):
            start = dice.between(0, self.lasts - 600)
            system["outages"] = [{"from": f"+{start}s", "until": f"+{start + dice.between(10, 900)}s"}]
        maybe(system, "patience", lambda: dice.time(15, 200))
        maybe(system, "abandoned_calls", lambda: dice.pick("drop", "finish"), 1.5)
        maybe(system, "retry_after", lambda: dice.time(5, 120))
        return system

    def _who(self) -> str:
        return str(self.dice.pick(*self.pools, *self.workers))

    def _grant(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        grant: Settings = {"who": self._who(), "to": self.part_of_system()}
        if dice.chance(0.6):
            grant["given"] = dice.pick("+0s", dice.moment(0, 1800), "2026-06-12T21:00:00")
        maybe(grant, "in_force_after", lambda: dice.law(0, 300), 2)
        maybe(grant, "until", lambda: dice.moment(1801, self.lasts), 1)
        maybe(grant, "refusals_cached", lambda: dice.time(20, 200), 2)
        return grant

    def _credential(self) -> Settings:
        dice, maybe = self.dice, self.maybe
        shown: Settings = {"who": self._who(), "to": self.part_of_system(), "life": dice.time(60, 2400)}
        maybe(shown, "issued", lambda: dice.pick("at_attempt", "at_start"), 2)
        maybe(shown, "renewed_every", lambda: dice.time(50, 900), 1)
        return shown

    # -- work ---------------------------------------------------------------------------------------------------------

    def _routine(self, name: str) -> Settings:
        dice, maybe = self.dice, self.maybe
        queue = dice.pick(*self.queues)
        routine: Settings = {"queue": queue, "parameters": {"plates": "list", "shelf": "text", "weight": "number"}}
        if dice.chance(0.6 if "equipment" in self.themes else 0.15):
            routine["requires"] = dice.pick(["tape"], ["tape"], ["tape>=2.0"], ["lamp"], ["tape>=2.2", "lamp"])
        if dice.chance(0.5 if "effects" in self.themes else 0.2):
            routine["key"] = dice.pick("one key", "{shelf}")
        maybe(routine, "priority", lambda: dice.pick(-1, 0, 3), 2)
        maybe(routine, "after_failure", lambda: dice.pick("start_over", "resume"), 2)
        self._own_terms(routine)
        maybe(routine, "expected", lambda: dice.time(30, 900))
        maybe(routine, "drawn", lambda: dice.pick("once", "each_attempt"), 2)
        maybe(routine, "missing_tool", lambda: dice.pick("error", "permanent_error"), 2)
        routine["parts"] = [self._part(f"part-{place}", name) for place in range(1, dice.pick(1, 1, 2, 3) + 1)]
        return routine

    def _part(self, name: str, routine: str) -> Settings:
        dice, maybe = self.dice, self.maybe
        part: Settings = {"name": name}
        calls = bool(self.systems) and dice.chance(0.45)
        if calls:
            part["calls"] = self.part_of_system()
            maybe(part, "patience", lambda: dice.time(15, 200))
            maybe(part, "asks_again", self._asks_again, 1.5)
        elif routine == "scan" and self.scans_are_traced:
            part["takes"] = {"traced": True}
        else:
            likely = {"people": [(300, 1500)] * 3, "freezes": [(0, 60)] * 4}  # to be stopped; to be begun often
            more = [law for theme in self.themes for law in likely.get(theme, [])]
            grows = dice.pick({"per_element": "7s"}, {"per_element": "20s", "of": "plates"}, {"per_unit": "3s"})
            law = dice.law(*dice.pick(*more, (0, 60), (20, 240), (60, 500), (120, 600), (300, 1500)))
            part["takes"] = {"base": law, **grows} if dice.chance(self.rough * 0.5) else law
        maybe(part, "for_each", lambda: "plates", 0.7)
        maybe(part, "error_share", lambda: dice.pick(0.1, 0.5))
        maybe(part, "permanent_error_share", lambda: dice.pick(0.1, 0.3), 0.5)
        if "takes" in part:
            maybe(part, "fails_after", lambda: dice.law(1, 60))
        if dice.chance(0.9 if "effects" in self.themes else 0.4):
            part["effect"] = dice.pick("copied", f"left by {name}", f"left by {name}")
            element = "{shelf}/{element}" if "for_each" in part else "{shelf}"
            if dice.chance(0.7 if "effects" in self.themes else self.rough):
                part["target"] = dice.pick(element, "{key}", "{job} {weight}", *["one target"] * 3)
            if self.systems and not calls and dice.chance(0.9 if "effects" in self.themes else 0.4):
                part["effect_in"] = dice.pick(*self.systems)
            part["lands"] = dice.pick("at_request", "at_end", "remotely" if calls else "at_end")
            maybe(part, "repeatable", lambda: dice.pick(True, False, "checks_first"), 2)
            if part["effect"] == "copied":
                part["since"] = "2026-06-12T12:00:00"
            self.effects.append(part["effect"])
            if part["lands"] == "remotely":
                maybe(part, "if_already_in_progress", lambda: dice.pick("error", "ok", "wait"), 2)
        return part

    def _arrival(self, place: int) -> Settings:
        dice, maybe = self.dice, self.maybe
        routine = dice.pick(*self.routines)
        entry: Settings = {"name": f"entry-{place + 1}", "routine": routine}
        way = dice.pick(
            "at", "at", "at", "at", "per_hour", "per_hour", "every", "gaps", "again_after", "recurs", "trace"
        )
        if routine == "scan" and self.scans_are_traced:
            way = "trace"
        entry["parameters"] = {"plates": dice.pick(["a"], ["a", "b"], []), "shelf": dice.pick("s1", "s2"), "weight": 3}
        if way == "at":
            entry["at"] = dice.moment(0, dice.pick(60, 600, self.lasts // 2))
            entry["count"] = dice.pick(1, 3, 5, 8, 12, 16)
            maybe(entry, "in_missing_hour", lambda: dice.pick("skip", "shift", "at_its_end"))
        elif way == "trace":
            entry["trace"] = dice.pick("plates.csv", "plates.swf")
            if entry["trace"] == "plates.csv" and "scan" not in self.routines:
                entry["trace"] = "plates.swf"
            maybe(entry, "count", lambda: 2)
        elif way == "recurs":
            minutes = dice.pick("*/2", "*/5", "35,50,5", "*")
            entry["recurs"] = dice.pick(f"{minutes} * * * *", f"{minutes} 21-23 * * *", "FREQ=MINUTELY;INTERVAL=7")
            maybe(entry, "excludes", lambda: dice.pick(["2026-06-13"], ["sunday"]))
            maybe(entry, "in_double_hour", lambda: dice.pick("first", "both"))
            if not entry["recurs"].startswith("FREQ"):
                maybe(entry, "in_missing_hour", lambda: dice.pick("skip", "shift", "at_its_end"))
            maybe(entry, "if_still_running", lambda: dice.pick("skip", "wait", "both"), 3)
            maybe(entry, "if_missed", lambda: dice.pick("skip", "once", "each"), 3)
            if entry.get("if_missed", "skip") != "skip":
                maybe(entry, "late_at_most", lambda: dice.time(60, 900), 2)
            entry["count"] = dice.between(2, 20)
        else:
            entry["count"] = dice.between(2, 20)
            if way == "per_hour":
                entry["per_hour"] = dice.pick(6, 20, 40.0, 90, self._rates(), self._rates())
            elif way == "every":
                entry["every"] = dice.time(30, 400)
            elif way == "gaps":
                entry["gaps"] = dice.law(20, 300)
            else:
                entry["again_after"] = dice.law(1, 300)
                entry["count"] = dice.pick(1, 2, 3)
        if way not in ("at", "trace"):
            maybe(entry, "from", lambda: dice.moment(0, 1200), 2)
            maybe(entry, "until", lambda: dice.moment(1201, self.lasts))
        if way in ("per_hour", "every", "gaps") or (
            way == "recurs" and entry.get("if_still_running", "both") == "both"
        ):
            drawn = {"between": [1, 3]}, {"one_of": [0, 4]}, {"one_of": [1, 2], "weights": [3, 1]}
            maybe(entry, "batch", lambda: dice.pick(2, 3, *drawn), 1.5)
        if way == "recurs":
            maybe(entry, "late_by", lambda: dice.law(1, 300), 1.5)
        if way != "again_after" and dice.chance(0.1):
            entry["days"] = dice.pick(["fri", "sat"], ["mon", "fri"], ["sun"])
        maybe(entry, "priority", lambda: dice.pick(-1, 2, 5), 2)
        maybe(entry, "key", lambda: dice.pick("one key", "{shelf}"))
        maybe(entry, "idempotency_key", lambda: dice.pick("{number}", "{shelf}", "{number} {shelf}"), 0.7)
        self._own_terms(entry)
        maybe(entry, "not_before", lambda: dice.moment(60, 1800), 0.7)
        if self.entries and dice.chance(0.25):
            several = [self._before() for _ in range(dice.pick(2, 2, 3))]
            entry["after"] = dice.pick(self._before(), self._before(), several, {"any_of": several})
        return entry

    def _rates(self) -> Settings:
        """Draw rates by the day and the hour; each night begins on a Friday, and may go on after midnight."""
        others = {day: self.dice.pick(0, 5) for day in ("mon", "tue", "wed", "thu", "sat", "sun")}
        friday = self.dice.pick({"weekdays": 30}, {"fri": {"21:45": 60, "22:00": 20}}, {"every_day": 12})
        return friday | self.dice.pick({}, {"weekend": 5}, others)

    def _before(self) -> Settings:
        """Say what must end before the jobs of an entry: a job of an earlier entry, or all of its jobs."""
        dice, maybe = self.dice, self.maybe
        before: Settings = {"entry": dice.pick(*self.entries)}
        if dice.chance(0.4):
            before["jobs"] = dice.pick("all", "all", "same_number")
        if self.entries[before["entry"]].get("count", 1) > 1 and before.get("jobs") != "all":
            maybe(before, "number", lambda: dice.pick(1, 2), 2)
        maybe(before, "if_failed", lambda: dice.pick("fail", "go_on"), 3)
        maybe(before, "follows_resubmitted", lambda: dice.pick(True, False), 3)
        return before

    # -- what goes wrong, what people do ------------------------------------------------------------------------------

    def _aim(self) -> Any:
        dice, pool = self.dice, self.dice.pick(*self.pools)
        some: Settings = {"pool": pool}
        if dice.chance(0.7):
            some.update(dice.pick({"some": 1}, {"share": 0.5}))
        return dice.pick(pool, dice.pick(*self.workers), dice.pick(*self.workers), some, dice.some_of(self.workers, 3))

    def _times(self, lasting: bool = True) -> Settings:
        """When a fault strikes: once, from one moment until another, or again and again."""
        dice = self.dice
        way = dice.pick("at", "at", "at", "until", "gaps")
        if way == "until" and lasting:
            start = dice.between(30, self.lasts - 400)
            return {dice.pick("from", "at"): f"+{start}s", "until": f"+{start + dice.between(5, 900)}s"}
        if way == "gaps":
            times: Settings = {"gaps": dice.law(300, 1800)}
            self.maybe(times, "from", lambda: dice.moment(0, 900))
            self.maybe(times, "until", lambda: dice.moment(1800, self.lasts))
            self.maybe(times, "gaps_from", lambda: dice.pick("end", "onset"), 2)
        else:
            times = {"at": dice.moment(30, self.lasts - 300)}
        if lasting and (way == "gaps" or dice.chance(0.9)):
            times["lasts"] = dice.law(*dice.pick((1, 40), (20, 120), (100, 900)))
        return times

    def _fault(self) -> Settings:
        dice = self.dice
        kinds: list[tuple[str, Callable[[], Settings]]] = [
            ("power_off", self._power_off),
            ("freeze", self._freeze),
            ("cut_link", self._cut),
            ("slow_down", lambda: {"slow_down": self._aim(), "to": dice.pick(0.25, 0.5, 2)} | self._times()),
            ("lose_heartbeats", lambda: self._shared("lose_heartbeats")),
            ("lose_results", lambda: self._shared("lose_results")),
            ("hand_out_twice", self._twice),
            ("skew_clock", self._skew),
            ("broker_outage", self._outage),
            ("missing_tool", lambda: {"missing_tool": self._aim(), "tool": dice.pick(*self.tools)} | self._times()),
            ("withdraw_access", self._withdraw),
            ("system_outage", lambda: {"system_outage": dice.pick(*self.systems)} | self._times()),
            ("brown_out", self._brown_out),
            ("error_burst", self._burst),
            ("poison_job", self._poison),
            ("surge", self._surge),
        ]
        kind, make = dice.pick(*kinds)
        if kind in ("withdraw_access", "system_outage", "brown_out") and not self.systems:
            return {}
        fault: Settings = make()
        return fault

    def _freeze(self) -> Settings:
        times = self._times()
        if "lasts" in times and self.dice.chance(0.5):
            times["lasts"] = self.dice.law(20, 400)
        return {"freeze": self._aim()} | times

    def _skew(self) -> Settings:
        return {"skew_clock": self._aim(), "clock": self._clock()} | self._times()

    def _outage(self) -> Settings:
        return {"broker_outage": True} | self._times()

    def _power_off(self) -> Settings:
        fault = {"power_off": self._aim()} | self._times(lasting=False)
        if self.dice.chance(0.75) or "gaps" in fault:
            fault["back_after"] = self.dice.law(1, 600)
            self.maybe(fault, "program_absent", lambda: True, 0.5)
        return fault

    def _cut(self) -> Settings:
        fault = {"cut_link": self._aim()} | self._times()
        if self.dice.chance(0.7):
            fault["direction"] = self.dice.pick("out", "back", "both")
        return fault

    def _shared(self, kind: str) -> Settings:
        fault = {kind: self._aim()} | self._times()
        if self.dice.chance(0.7):
            fault["share"] = self.dice.pick(0.3, 0.7, 1)
        return fault

    def _twice(self) -> Settings:
        fault = {"hand_out_twice": self.dice.pick(*self.queues)} | self._times(lasting=False)
        if self.dice.chance(0.7):
            fault["how"] = self.dice.pick("same_token", "forgets")
        return fault

    def _withdraw(self) -> Settings:
        fault = {"withdraw_access": self._who()} | self._times()
        if self.dice.chance(0.7):
            fault["access_to"] = self.dice.pick(*self.systems)
        return fault

    def _brown_out(self) -> Settings:
        return {"brown_out": self.dice.pick(*self.systems), "factor": self.dice.pick(0.5, 3)} | self._times()

    def _burst(self) -> Settings:
        aim = self.dice.pick(*self.routines, *self.systems)
        return {"error_burst": aim, "share": self.dice.pick(0.3, 1.0)} | self._times()

    def _poison(self) -> Settings:
        fault: Settings = {"poison_job": self.job()}
        if self.dice.chance(0.7):
            fault["how"] = self.dice.pick("fails", "takes_worker_down")
        return fault

    def _surge(self) -> Settings:
        rated = [name for name, entry in self.entries.items() if {"per_hour", "every", "gaps"} & set(entry)]
        if not rated:
            return {}
        return {"surge": self.dice.pick(*rated), "factor": self.dice.pick(0.5, 4)} | self._times()

    def _action(self) -> Settings:
        dice = self.dice
        at, job = dice.moment(30, self.lasts - 60), self.job()
        kind = dice.pick(
            *("run_again", "run_again", "withdraw", "hold", "hold", "release"),
            *("suspend", "suspend", "suspend", "suspend", "resume", "resume"),
            *("hold_queue", "release_queue", "drain", "new_version"),
        )
        if kind == "drain":
            back = dice.pick(None, "back_after", "lasts", "until")
            ends = {"back_after": dice.law(0, 300), "lasts": dice.time(5, 600), "until": f"+{self.lasts - 30}s"}
            return {kind: self._aim(), "at": at} | ({back: ends[back]} if back is not None else {})
        if kind in ("hold_queue", "release_queue"):
            action: Settings = {kind: dice.pick(*self.queues), "at": at}
        elif kind == "new_version":
            action = {kind: dice.pick(*self.routines), "at": at}
            self.maybe(action, "requires", lambda: dice.pick([], ["tape"], ["lamp"]), 2)
            self.maybe(action, "speed", lambda: dice.pick(0.5, 2), 2)
            self.maybe(action, "old_jobs", lambda: dice.pick("run_new", "run_old", "fail"), 3)
        else:
            if kind in ("suspend", "hold"):
                job = job.partition("#")[0] + "#1"
            start = self.entries[job.partition("#")[0]].get("at", "")
            if (
                start.endswith("0s") and not start.endswith("us") and dice.chance(0.8)
            ):  # then it is often just the time for it
                at = f"+{int(start[1:-1]) + dice.between(1, 900)}s"
            action = {kind: job, "at": at}
        if kind in ("hold", "suspend", "hold_queue") and dice.chance(0.6):
            action["lasts"] = dice.time(5, 600)
        elif kind in ("hold", "suspend", "hold_queue") and dice.chance(0.2):
            action["until"] = f"+{self.lasts - 30}s"
        return action


def night(number: int) -> Settings:
    """Give the scenario of a number: a plain mapping, as a file would state it. Traces lie beside this module.

    >>> night(7) == night(7), night(7)["title"]
    (True, 'A random night, number 7')
    """
    return _Night(number).settings
