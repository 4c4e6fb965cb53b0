"""Promises of faults and actions, on a stand-in world that writes down what is done to it.

The stand-in knows who is off and who stands still, and takes part in nothing else; all expectations are by hand.
"""

from typing import Any

import pytest

from emulator.scenario.models.scenario import Scenario
from emulator.timeline.agenda import ENDS, REST, Agenda
from emulator.world.actions import Actions
from emulator.world.draws import Draws, Purpose
from emulator.world.fault_hits import why_missed
from emulator.world.faults import Faults, Missed
from emulator.world.sampling_of import sampling_of

MINUTE = 60_000_000
HOUR = 60 * MINUTE


class StandInWorker:
    def __init__(self, name: str, pool: str, index: int) -> None:
        self.name, self.pool, self.index = name, pool, index
        self.is_on, self.is_frozen = True, False

    def __repr__(self) -> str:
        return self.name


class Part:
    """Systems, access or arrivals: writes down each call and agrees to it."""

    def __init__(self, world: "StandInWorld", name: str) -> None:
        self._world, self._name = world, name

    def __getattr__(self, method: str) -> Any:
        def call(*arguments: Any) -> bool:
            if method != "set_factor":  # the only one without a cause
                self._world.causes.append(arguments[0])
                arguments = arguments[1:]
            self._world.note(f"{self._name}.{method}", *arguments)
            return True

        return call


class StandInWorld:
    """Writes down (minute, method, arguments) of every call."""

    def __init__(self, scenario: Scenario, agenda: Agenda, seed: int) -> None:
        self.agenda, self.draws = agenda, Draws(seed)
        self.calls: list[tuple[Any, ...]] = []
        self.causes: list[int] = []
        self.rows: list[tuple[Any, ...]] = []
        self.jobs: dict[tuple[str, int], int] = {}
        self.refusals: dict[str, str] = {}
        self.pools: dict[str, list[Any]] = {}
        self.workers: dict[str, Any] = {}
        for pool, model in scenario.pools.items():
            names = [f"{pool}-{number}" for number in range(1, model.count + 1)]
            self.pools[pool] = [StandInWorker(name, pool, len(self.workers) + n) for n, name in enumerate(names)]
            self.workers.update((worker.name, worker) for worker in self.pools[pool])
        self.systems, self.access, self.arrivals = Part(self, "systems"), Part(self, "access"), Part(self, "arrivals")

    def emit(self, row: tuple[Any, ...]) -> int:
        self.rows.append(row)
        return len(self.rows)

    def note(self, method: str, *arguments: Any) -> None:
        shown = tuple(one.name if isinstance(one, StandInWorker) else one for one in arguments)
        self.calls.append((self.agenda.now / MINUTE, method, *shown))

    def power_off(self, cause: int, worker: Any) -> bool:
        self.causes.append(cause)
        self.note("power_off", worker)
        was_on, worker.is_on = worker.is_on, False
        return bool(was_on)

    def power_on(self, cause: int, worker: Any, program: bool = True) -> bool:
        self.causes.append(cause)
        self.note("power_on", worker, program)
        was_on, worker.is_on = worker.is_on, True
        return not was_on

    def freeze(self, cause: int, worker: Any) -> bool:
        self.causes.append(cause)
        self.note("freeze", worker)
        hit = worker.is_on and not worker.is_frozen
        worker.is_frozen = worker.is_frozen or hit
        return bool(hit)

    def thaw(self, cause: int, worker: Any) -> bool:
        self.causes.append(cause)
        self.note("thaw", worker)
        was_frozen, worker.is_frozen = worker.is_frozen, False
        return bool(was_frozen)

    def set_speed_factor(self, cause: int, worker: Any, factor: float) -> bool:
        self.causes.append(cause)
        self.note("set_speed_factor", worker, factor)
        return bool(worker.is_on)

    def job_of(self, entry: str, ordinal: int) -> int:
        return self.jobs.get((entry, ordinal), 0)

    def new_version(self, cause: int, routine: str, action: Any) -> bool:
        self.causes.append(cause)
        self.note("new_version", routine, action.speed)
        return True

    def _plainly(self, method: str, answer: Any, cause: int, *arguments: Any) -> Any:
        self.causes.append(cause)
        self.note(method, *arguments)
        return answer

    def __getattr__(self, method: str) -> Any:
        refusal = self.refusals.get(method, "")
        if method == "run_again":
            return lambda cause, job: self._plainly(method, refusal, cause, job)
        if method in ("do_to_job", "do_to_queue"):
            return lambda what, cause, target: self._plainly(method, refusal, cause, what, target)
        if method == "finish_and_leave":
            return lambda cause, worker: self._plainly(method, worker.is_on, cause, worker)
        return lambda *given: self._plainly(method, True, *given)


class Night:
    """Runs faults and actions to the end of a night of ``lasts`` minutes."""

    def __init__(self, faults: Any = (), actions: Any = (), lasts: int = 600, seed: int = 1, **more: Any) -> None:
        pools = more.pop("pools", {"dome": 3})
        self.scenario = Scenario.model_validate(
            {
                "title": "A night",
                "starts": "2026-06-12T21:30:00",
                "lasts": lasts * MINUTE,
                "queues": {"night": {}},
                "pools": {
                    name: given if isinstance(given, dict) else {"count": given, "serves": ["night"]}
                    for name, given in pools.items()
                },
                "routines": {"plate-copy": {"queue": "night", "parts": [{"name": "copy", "takes": MINUTE}]}},
                "arrivals": [{"routine": "plate-copy", "name": "plates", "every": MINUTE}],
                "systems": {"vault": {"answers_in": MINUTE}},
                "faults": list(faults),
                "actions": list(actions),
            }
        )
        self.agenda = Agenda()
        self.world = StandInWorld(self.scenario, self.agenda, seed)
        world: Any = self.world
        self.faults = Faults(world, self.scenario, self.agenda, self.world.draws, self.world)
        self.actions = Actions(world, self.scenario, self.agenda, self.world)

    def run(self) -> "Night":
        self.faults.start()
        self.actions.start()
        self.agenda.run(before=(self.scenario.lasts,))
        self.faults.finish()
        return self

    @property
    def calls(self) -> list[tuple[Any, ...]]:
        return self.world.calls

    @property
    def told(self) -> list[tuple[Any, ...]]:
        """Give what was told: minute, kind, cause, job, worker, details."""
        return [(row[0] / MINUTE, *row[1:]) for row in self.world.rows]

    def onsets(self, kind: str = "fault_began") -> dict[str, list[int]]:
        """Give the ticks at which something of a kind was told of each worker."""
        found: dict[str, list[int]] = {}
        for row in self.world.rows:
            if row[1] == kind:
                found.setdefault(row[4], []).append(row[0])
        return found

    def hit(self) -> list[str]:
        return [row[4] for row in self.world.rows if row[1] == "fault_began"]


def at(minute: float) -> int:
    return round(minute * MINUTE)


# -- times ------------------------------------------------------------------------------------------------------------


def test_a_fault_at_a_time_lasts_as_long_as_it_says_and_is_told_with_its_causes():
    """A freeze at minute 10 for 5 minutes is begun and undone at those instants, and each call names its event."""
    night = Night([{"freeze": "dome-2", "at": at(10), "lasts": at(5)}]).run()
    assert night.told == [
        (10, "fault_began", 0, 0, "dome-2", "freeze", "faults[0]", 1, "dome-2"),
        (15, "fault_ended", 1, 0, "dome-2", "freeze", "faults[0]", 1, "dome-2"),
    ]
    assert night.calls == [(10, "freeze", "dome-2"), (15, "thaw", "dome-2")]
    assert night.world.causes == [1, 2]
    assert night.faults.missed == []


def test_a_window_is_the_fault_itself_where_there_are_no_gaps():
    """With ``from`` and ``until`` alone a fault lasts from the one to the other; without ``until`` to the end."""
    night = Night(
        [
            {"cut_link": "dome-1", "from": at(10), "until": at(30), "direction": "back"},
            {"slow_down": "dome-2", "from": at(20), "to": 0.5},
        ]
    ).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "back"),
        (20, "set_speed_factor", "dome-2", 0.5),
        (30, "restore_link", "dome-1", "back"),
    ]


def test_a_random_process_begins_within_its_window_only():
    """Gaps of 10 minutes from minute 30 on, until 60, give onsets at 40 and 50: the window is half-open."""
    night = Night([{"broker_outage": True, "from": at(30), "until": at(60), "gaps": at(10), "lasts": at(2)}]).run()
    assert night.calls == [(40, "broker_down"), (42, "broker_up"), (50, "broker_down"), (52, "broker_up")]
    assert [row[5:] for row in night.told] == [
        ("broker_outage", "faults[0]", 1, "broker"),
        ("broker_outage", "faults[0]", 1, "broker"),
        ("broker_outage", "faults[0]", 2, "broker"),
        ("broker_outage", "faults[0]", 2, "broker"),
    ]


def test_the_run_covers_no_onset_at_its_end():
    """Gaps of 10 minutes in a night of 30 give two onsets: what is due at the end is not of the night."""
    night = Night([{"freeze": "dome-1", "gaps": at(10), "lasts": at(1)}], lasts=30).run()
    assert night.onsets() == {"dome-1": [at(10), at(20)]}


def test_gaps_go_from_onset_to_onset_and_repairs_are_drawn_by_the_same_key():
    """Onset k is the sum of k keyed gaps, its end a keyed repair later, as worked out from the draws by hand."""
    gaps, repair = {"mean": HOUR, "law": "exponential"}, {"median": 4 * MINUTE, "p95": 9 * MINUTE}
    night = Night([{"power_off": "dome-1", "gaps": gaps, "back_after": repair}], seed=7)
    night.faults.start()
    (lane,) = [entry[6][0] for entry in night.agenda.entries]
    law, repairs = (sampling_of(model) for model in (lane.fault.gaps, lane.fault.back_after))
    assert law is not None and repairs is not None
    draws, onset, began, ended = Draws(7), 0, [], []
    for k in range(1, 100):
        onset += law.sample(draws.row(Purpose.FAULT_GAP, lane.entity, k))
        end = onset + repairs.sample(draws.row(Purpose.FAULT_REPAIR, lane.entity, k))
        began += [onset] if onset < 600 * MINUTE else []
        ended += [end] if onset < 600 * MINUTE and end < 600 * MINUTE else []
    night.agenda.run(before=(night.scenario.lasts,))
    assert len(began) > 3
    assert (night.onsets(), night.onsets("fault_ended")) == ({"dome-1": began}, {"dome-1": ended})


# -- order ------------------------------------------------------------------------------------------------------------


def test_at_one_instant_ends_go_first_then_faults_and_actions_in_file_order_then_the_rest():
    """The place in the file decides, not the order of making, and all actions follow all faults."""
    night = Night(
        [
            {"freeze": "dome-3", "at": at(5), "lasts": at(5)},  # ends at 10, in the place of faults[0]
            {"cut_link": "dome-2", "at": at(10)},
            {"system_outage": "vault", "at": at(10)},
        ],
        [{"hold_queue": "night", "at": at(10)}, {"new_version": "plate-copy", "at": at(10), "speed": 2.0}],
    )
    night.agenda.at(at(10), lambda _: night.world.note("the rest"), rank=REST)
    night.agenda.at(at(10), lambda _: night.world.note("an end"), rank=ENDS)
    assert night.run().calls == [
        (5, "freeze", "dome-3"),
        (10, "an end"),
        (10, "thaw", "dome-3"),
        (10, "cut_link", "dome-2", "both"),
        (10, "systems.set_down", "vault"),
        (10, "do_to_queue", "hold_queue", "night"),
        (10, "new_version", "plate-copy", 2.0),
        (10, "the rest"),
    ]


def test_an_earlier_occurrence_ends_before_a_later_one_begins_at_the_same_instant():
    """Gaps and repairs of 10 minutes leave a worker cut off for the whole hour, in whole spells."""
    night = Night([{"cut_link": "dome-1", "gaps": at(10), "lasts": at(10)}], lasts=35).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "both"),
        (20, "restore_link", "dome-1", "both"),
        (20, "cut_link", "dome-1", "both"),
        (30, "restore_link", "dome-1", "both"),
        (30, "cut_link", "dome-1", "both"),
    ]


# -- overlaps ---------------------------------------------------------------------------------------------------------


def test_of_faults_that_overlap_the_later_end_ends_it():
    """Frozen from 10 to 30 and from 20 to 25, a worker goes on at 30; both faults are told in full."""
    faults = [
        {"freeze": "dome-1", "at": at(10), "lasts": at(20)},
        {"freeze": "dome-1", "at": at(20), "lasts": at(5)},
    ]
    night = Night(faults).run()
    assert night.calls == [(10, "freeze", "dome-1"), (20, "freeze", "dome-1"), (30, "thaw", "dome-1")]
    assert [row[:2] + row[6:7] for row in night.told] == [
        (10, "fault_began", "faults[0]"),
        (20, "fault_began", "faults[1]"),
        (25, "fault_ended", "faults[1]"),
        (30, "fault_ended", "faults[0]"),
    ]
    assert night.faults.missed == []


def test_power_that_never_comes_back_outlasts_one_that_does():
    """A worker that is off for good is not switched on by the end of an overlapping fault."""
    night = Night(
        [{"power_off": "dome-1", "at": at(10), "back_after": at(20)}, {"power_off": "dome-1", "at": at(20)}]
    ).run()
    assert night.calls == [(10, "power_off", "dome-1"), (20, "power_off", "dome-1")]


def test_of_values_that_overlap_the_one_that_began_last_holds():
    """Half speed from 10 to 50, a tenth from 20 to 30, a quarter from 40 to 60: each end brings back what lasts."""
    night = Night(
        [
            {"slow_down": "dome-1", "at": at(10), "lasts": at(40), "to": 0.5},
            {"slow_down": "dome-1", "at": at(20), "lasts": at(10), "to": 0.1},
            {"slow_down": "dome-1", "at": at(40), "lasts": at(20), "to": 0.25},
        ]
    ).run()
    assert night.calls == [
        (10, "set_speed_factor", "dome-1", 0.5),
        (20, "set_speed_factor", "dome-1", 0.1),
        (30, "set_speed_factor", "dome-1", 0.5),
        (40, "set_speed_factor", "dome-1", 0.25),
        (60, "set_speed_factor", "dome-1", 1.0),
    ]


def test_the_two_directions_of_a_link_are_cut_and_restored_each_on_its_own():
    """Both cut from 10 to 20, the way out from 15 to 30: at 20 only the way back is restored."""
    night = Night(
        [
            {"cut_link": "dome-1", "at": at(10), "lasts": at(10)},
            {"cut_link": "dome-1", "at": at(15), "lasts": at(15), "direction": "out"},
        ]
    ).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "both"),
        (15, "cut_link", "dome-1", "out"),
        (20, "restore_link", "dome-1", "back"),
        (30, "restore_link", "dome-1", "out"),
    ]


def test_a_link_cut_twice_is_restored_once():
    """Cut in both directions from 10 to 20 and from 15 to 30, the link is restored at 30 alone."""
    cut = {"cut_link": "dome-1"}
    night = Night([{**cut, "at": at(10), "lasts": at(10)}, {**cut, "at": at(15), "lasts": at(15)}]).run()
    assert night.calls == [
        (10, "cut_link", "dome-1", "both"),
        (15, "cut_link", "dome-1", "both"),
        (30, "restore_link", "dome-1", "both"),
    ]


# -- whom -------------------------------------------------------------------------------------------------------------


def test_a_pool_is_all_its_workers_and_a_list_names_each_once():
    """``dome`` in a list takes in dome-1, which is not hit twice."""
    night = Night([{"freeze": ["tower-2", "dome", "dome-1"], "at": at(1)}], pools={"dome": 2, "tower": 2}).run()
    assert night.hit() == ["tower-2", "dome-1", "dome-2"]


@pytest.mark.parametrize("kind", ["share", "some"])
def test_a_larger_share_contains_the_smaller(kind):
    """Of ten workers 1, 2, ... 10 are hit, in the pool's order, and each set contains the one before it."""
    before: set[str] = set()
    for many in range(1, 11):
        target = {"pool": "dome", kind: many / 10 if kind == "share" else many}
        hit = Night([{"freeze": target, "at": at(1)}], pools={"dome": 10}).run().hit()
        assert hit == [f"dome-{n}" for n in range(1, 11) if f"dome-{n}" in hit]
        assert len(hit) == many
        assert before < set(hit)
        before = set(hit)


@pytest.mark.parametrize(
    ("share", "count", "many"), [(0.5, 3, 2), (0.5, 5, 3), (0.1, 5, 1), (0.1, 4, 0), (0.29, 50, 15)]
)
def test_a_share_is_rounded_to_whole_workers_halves_up(share, count, many):
    """0.29 of 50 is 14.5 and so 15, although the product of the two floats is below it."""
    assert (
        len(Night([{"freeze": {"pool": "dome", "share": share}, "at": 0}], pools={"dome": count}).run().hit()) == many
    )


def test_a_larger_pool_ranks_its_earlier_workers_in_the_same_order():
    """Of those whom 5 of 10 workers are, some drop out for new ones when there are 12, and none of the old comes in."""
    small = Night([{"freeze": {"pool": "dome", "some": 5}, "at": 0}], pools={"dome": 10}).run().hit()
    large = Night([{"freeze": {"pool": "dome", "some": 5}, "at": 0}], pools={"dome": 12}).run().hit()
    assert {name for name in large if name not in ("dome-11", "dome-12")} <= set(small)


def test_some_are_drawn_anew_for_each_occurrence():
    """One process strikes the pool every 10 minutes, and not always the same worker."""
    night = Night([{"freeze": {"pool": "dome", "some": 1}, "gaps": at(10), "lasts": at(1)}], pools={"dome": 9}).run()
    assert [row[0] for row in night.told if row[1] == "fault_began"] == [10.0 * k for k in range(1, 60)]
    assert len(set(night.hit())) > 5


def test_a_pool_aimed_at_as_one_is_struck_as_one():
    """``{pool: dome}`` without a number has one process for all of it, where ``dome`` has one for each worker."""
    gaps = {"mean": HOUR, "law": "exponential"}
    together, apart = (
        Night([{"freeze": aim, "gaps": gaps, "lasts": at(1)}]).run().onsets() for aim in ({"pool": "dome"}, "dome")
    )
    assert together["dome-1"] == together["dome-2"] == together["dome-3"]
    assert len({tuple(ticks) for ticks in apart.values()}) == 3


def test_a_worker_that_is_added_leaves_the_others_as_they_were():
    """A process goes by worker: the onsets of three workers are among those of five, tick by tick."""
    fault = {"freeze": "dome", "gaps": {"mean": HOUR, "law": "exponential"}, "lasts": at(1)}
    three, five = (Night([fault], pools={"dome": count}).run().onsets() for count in (3, 5))
    assert sorted(three) == ["dome-1", "dome-2", "dome-3"]
    assert three == {name: five[name] for name in three}
    assert len({tuple(ticks) for ticks in five.values()}) == 5


def test_a_worker_is_struck_at_the_same_time_whether_it_is_up_or_not():
    """A worker that is off for two hours misses what comes then, and meets the rest at the same ticks."""
    process = {"freeze": "dome-1", "gaps": {"mean": HOUR // 4, "law": "exponential"}, "lasts": at(1)}
    alone = Night([process]).run()
    off = Night([process, {"power_off": "dome-1", "from": at(60), "until": at(180)}]).run()
    freezes = [row[0] for row in off.world.rows if row[1] == "fault_began" and row[5] == "freeze"]
    assert freezes == alone.onsets()["dome-1"]
    missed = [row[0] for row in off.world.rows if row[1] == "fault_missed"]
    assert missed == [tick for tick in freezes if at(60) <= tick < at(180)]
    assert len(missed) > 2


def test_a_fault_is_known_by_its_content_not_by_its_place():
    """Other faults before or behind it, and how hard it hits, leave its occurrences as they were."""
    gaps = {"mean": HOUR // 2, "law": "exponential"}
    mine = {"slow_down": "dome-1", "gaps": gaps, "lasts": at(1), "to": 0.5}
    expected = Night([mine]).run().onsets()["dome-1"]
    others = [{"freeze": "dome-2", "gaps": gaps, "lasts": at(1)}, {"slow_down": "dome-3", "at": 0, "to": 0.5}]
    for faults in ([*others, mine], [mine, *others], [others[0], {**mine, "to": 0.1, "lasts": at(2)}]):
        assert Night(faults).run().onsets()["dome-1"] == expected


def test_faults_that_are_alike_strike_at_times_of_their_own_in_any_order_of_the_file():
    """Two processes that differ in their strength alone share no draws, and keep theirs when they change places."""
    one, other = (
        {"slow_down": "dome-1", "gaps": {"mean": HOUR, "law": "exponential"}, "lasts": at(1), "to": to}
        for to in (0.5, 0.1)
    )
    forth, back = Night([one, other]).run(), Night([other, one]).run()

    def onsets(night: Night, place: str) -> list[float]:
        return [row[0] for row in night.told if row[1] == "fault_began" and row[6] == place]

    first, second = onsets(forth, "faults[0]"), onsets(forth, "faults[1]")
    assert first and second and not set(first) & set(second)
    assert (onsets(back, "faults[1]"), onsets(back, "faults[0]")) == (first, second)


# -- what each kind does ----------------------------------------------------------------------------------------------

KINDS = [
    (
        {"power_off": "dome-1", "back_after": 5, "program_absent": True},
        [("power_off", "dome-1"), ("power_on", "dome-1", False)],
    ),
    ({"power_off": "dome-1", "back_after": 5}, [("power_off", "dome-1"), ("power_on", "dome-1", True)]),
    ({"freeze": "dome-1", "lasts": 5}, [("freeze", "dome-1"), ("thaw", "dome-1")]),
    ({"cut_link": "dome-1", "lasts": 5}, [("cut_link", "dome-1", "both"), ("restore_link", "dome-1", "both")]),
    (
        {"slow_down": "dome-1", "lasts": 5, "to": 0.5},
        [("set_speed_factor", "dome-1", 0.5), ("set_speed_factor", "dome-1", 1.0)],
    ),
    (
        {"lose_heartbeats": "dome-1", "lasts": 5},
        [("set_heartbeat_loss", "dome-1", 1.0), ("set_heartbeat_loss", "dome-1", 0.0)],
    ),
    (
        {"lose_heartbeats": "dome-1", "lasts": 5, "share": 0.25},
        [("set_heartbeat_loss", "dome-1", 0.25), ("set_heartbeat_loss", "dome-1", 0.0)],
    ),
    (
        {"lose_results": "dome-1", "lasts": 5, "share": 0.0},
        [("set_result_loss", "dome-1", 0.0), ("set_result_loss", "dome-1", 0.0)],
    ),
    ({"hand_out_twice": "night"}, [("hand_out_twice", "night", "same_token")]),
    ({"hand_out_twice": "night", "how": "forgets"}, [("hand_out_twice", "night", "forgets")]),
    (
        {"skew_clock": "dome-1", "lasts": 5, "clock": {"offset": 7, "behind": True, "drift_ppm": 50.0}},
        [("set_clock", "dome-1", -7, 50.0), ("set_clock", "dome-1", 3, 2.0)],
    ),
    ({"broker_outage": True, "lasts": 5}, [("broker_down",), ("broker_up",)]),
    (
        {"missing_tool": "dome-1", "lasts": 5, "tool": "tape"},
        [("remove_tool", "dome-1", "tape"), ("return_tool", "dome-1", "tape")],
    ),
    (
        {"withdraw_access": "dome", "lasts": 5},
        [("access.withdraw", "dome", None), ("access.restore", "dome", None)],
    ),
    (
        {"withdraw_access": "dome-1", "lasts": 5, "access_to": "vault"},
        [("access.withdraw", "dome-1", "vault"), ("access.restore", "dome-1", "vault")],
    ),
    ({"system_outage": "vault", "lasts": 5}, [("systems.set_down", "vault"), ("systems.set_up", "vault")]),
    (
        {"brown_out": "vault", "lasts": 5, "factor": 3.0},
        [("systems.set_brown_out", "vault", 3.0), ("systems.set_brown_out", "vault", 1.0)],
    ),
    (
        {"error_burst": "vault", "lasts": 5, "share": 0.5},
        [("systems.set_error_share", "vault", 0.5), ("systems.set_error_share", "vault", None)],
    ),
    (
        {"error_burst": "plate-copy", "lasts": 5, "share": 0.5},
        [("set_routine_error_share", "plate-copy", 0.5), ("set_routine_error_share", "plate-copy", None)],
    ),
    (
        {"surge": "plates", "lasts": 5, "factor": 4.0},
        [("arrivals.set_factor", "plates", 4.0), ("arrivals.set_factor", "plates", 1.0)],
    ),
]


@pytest.mark.parametrize(("fault", "calls"), KINDS)
def test_each_kind_of_fault_does_its_own_to_the_world_and_undoes_it(fault, calls):
    """What is begun is undone by its counterpart; a clock goes back to what the pool says of it."""
    pool = {"count": 1, "serves": ["night"], "clock": {"offset": 3, "drift_ppm": 2.0}}
    night = Night([{**fault, "at": at(10)}], pools={"dome": pool}).run()
    assert [call[1:] for call in night.calls] == calls
    assert [row[1] for row in night.told] == ["fault_began", "fault_ended"][: len(calls)]


def test_a_clock_goes_back_to_what_the_worker_itself_differs_in():
    """Where a worker's own clock differs from its pool's, that one holds after the fault."""
    pool = {"count": 1, "serves": ["night"], "differ": {"dome-1": {"clock": {"offset": 9, "behind": True}}}}
    fault = {"skew_clock": "dome-1", "at": at(1), "lasts": at(1), "clock": {"offset": 1}}
    night = Night([fault], pools={"dome": pool}).run()
    assert night.calls == [(1, "set_clock", "dome-1", 1, 0.0), (2, "set_clock", "dome-1", -9, 0.0)]


def test_poison_is_given_at_the_start_and_never_ends():
    """A poison job needs no time: its number in its entry is marked before anything arrives."""
    night = Night([{"poison_job": "plates#3", "how": "takes_worker_down"}])
    night.world.jobs["plates", 3] = 7
    assert night.run().calls == [(0, "poison", "plates", 3, "takes_worker_down")]
    assert night.told == [(0, "fault_began", 0, 0, "", "poison_job", "faults[0]", 1, "plates#3")]


# -- what hits nothing ------------------------------------------------------------------------------------------------


def test_a_fault_that_finds_its_worker_off_is_told_and_leaves_nothing_behind():
    """A slow-down of a worker that is off is taken back at once, a freeze has no end; both are listed."""
    night = Night(
        [
            {"power_off": "dome-1", "at": at(5)},
            {"freeze": "dome-1", "at": at(10), "lasts": at(5)},
            {"slow_down": "dome-1", "at": at(20), "lasts": at(5), "to": 0.5},
        ]
    ).run()
    assert night.calls == [
        (5, "power_off", "dome-1"),
        (10, "freeze", "dome-1"),
        (20, "set_speed_factor", "dome-1", 0.5),
        (20, "set_speed_factor", "dome-1", 1.0),
    ]
    assert night.told[1:] == [
        (10, "fault_began", 0, 0, "dome-1", "freeze", "faults[1]", 1, "dome-1"),
        (10, "fault_missed", 2, 0, "dome-1", "freeze", "faults[1]", 1, "dome-1", "it was off or stood still"),
        (20, "fault_began", 0, 0, "dome-1", "slow_down", "faults[2]", 1, "dome-1"),
        (20, "fault_missed", 4, 0, "dome-1", "slow_down", "faults[2]", 1, "dome-1", "it was off"),
    ]
    assert night.faults.missed == [
        Missed(at(10), "freeze", "faults[1]", 1, "dome-1", "it was off or stood still"),
        Missed(at(20), "slow_down", "faults[2]", 1, "dome-1", "it was off"),
    ]


def test_faults_that_never_occurred_are_told_at_the_end():
    """Too late a time, no such workers, too small a share, a job that never came: each with its reason."""
    night = Night(
        [
            {"freeze": "dome-1", "at": at(600)},
            {"freeze": ["dome-1", "dome-2"], "gaps": at(601)},
            {"freeze": "tower", "at": at(1)},
            {"freeze": {"pool": "tower", "some": 2}, "at": at(2)},
            {"freeze": {"pool": "dome", "share": 0.1}, "at": at(3)},
            {"poison_job": "plates#3"},
        ],
        pools={"dome": 3, "tower": 0},
    ).run()
    assert night.faults.missed == [
        Missed(at(2), "freeze", "faults[3]", 1, "tower", "it has no workers"),
        Missed(at(3), "freeze", "faults[4]", 1, "dome", "so small a share of its workers is none"),
        Missed(at(600), "poison_job", "faults[5]", 1, "plates#3", "no such job came"),
        Missed(at(600), "freeze", "faults[0]", 0, "dome-1", "it did not occur before the end"),
        Missed(at(600), "freeze", "faults[1]", 0, "dome-1, dome-2", "it did not occur before the end"),
        Missed(at(600), "freeze", "faults[2]", 0, "tower", "there are no such workers"),
    ]
    assert [row[-1] for row in night.told if row[1] == "fault_missed"] == [one.why for one in night.faults.missed]


def test_an_answer_of_the_world_is_read_as_a_miss_only_where_it_says_so():
    """False and a reason are misses; True, nothing and an empty text are none."""
    answers = [True, None, "", False, "it was off"]
    assert [why_missed(answer, "so") for answer in answers] == ["", "", "", "so", "it was off"]


# -- actions ----------------------------------------------------------------------------------------------------------


def test_a_hold_that_lasts_is_released_after_it():
    """A job held at 10 for 5 minutes is released at 15, and a suspended one resumed, each with its cause."""
    night = Night(
        actions=[
            {"hold": "plates#1", "at": at(10), "lasts": at(5)},
            {"suspend": "plates#2", "at": at(11), "lasts": at(1)},
            {"hold_queue": "night", "at": at(20), "lasts": at(30)},
            {"hold_queue": "night", "at": at(60)},
        ]
    )
    night.world.jobs = {("plates", 1): 4, ("plates", 2): 5}
    assert night.run().calls == [
        (10, "do_to_job", "hold", 4),
        (11, "do_to_job", "suspend", 5),
        (12, "do_to_job", "resume", 5),
        (15, "do_to_job", "release", 4),
        (20, "do_to_queue", "hold_queue", "night"),
        (50, "do_to_queue", "release_queue", "night"),
        (60, "do_to_queue", "hold_queue", "night"),
    ]
    assert night.world.causes == [1, 2, 3, 4, 5, 6, 7]
    assert night.told[:4] == [
        (10, "action_taken", 0, 4, "", "hold", "actions[0]", "plates#1"),
        (11, "action_taken", 0, 5, "", "suspend", "actions[1]", "plates#2"),
        (12, "action_taken", 2, 5, "", "resume", "actions[1]", "plates#2"),
        (15, "action_taken", 1, 4, "", "release", "actions[0]", "plates#1"),
    ]


def test_what_is_refused_is_told_with_the_reason_and_not_undone():
    """A refusal of the broker follows the act; a job that has not come is not even tried."""
    night = Night(
        actions=[
            {"hold": "plates#1", "at": at(10), "lasts": at(5)},
            {"withdraw": "plates#9", "at": at(11)},
            {"run_again": "plates#1", "at": at(12)},
        ]
    )
    night.world.jobs = {("plates", 1): 4}
    night.world.refusals = {"do_to_job": "it is done"}
    assert night.run().told == [
        (10, "action_taken", 0, 4, "", "hold", "actions[0]", "plates#1"),
        (10, "action_refused", 1, 4, "", "hold", "actions[0]", "plates#1", "it is done"),
        (11, "action_refused", 0, 0, "", "withdraw", "actions[1]", "plates#9", "there is no such job yet"),
        (12, "action_taken", 0, 4, "", "run_again", "actions[2]", "plates#1"),
    ]
    assert night.calls == [(10, "do_to_job", "hold", 4), (12, "run_again", 4)]


def test_workers_are_told_to_leave_by_name_by_pool_or_some_of_them():
    """Each worker that is told has its event; fewer of a pool are among more of it; an empty pool is a refusal."""
    pools = {"dome": 10, "tower": 2, "cellar": 0}

    def leaving(aim: Any) -> list[Any]:
        return [call[2] for call in Night(actions=[{"finish_and_leave": aim, "at": at(9)}], pools=pools).run().calls]

    assert leaving(["tower", "dome-3"]) == ["tower-1", "tower-2", "dome-3"]
    three, six = (set(leaving({"pool": "dome", "some": many})) for many in (3, 6))
    assert (len(three), len(six), three < six) == (3, 6, True)
    night = Night(actions=[{"finish_and_leave": "cellar", "at": at(9)}], pools=pools).run()
    refused = (9, "action_refused", 0, 0, "", "finish_and_leave", "actions[0]", "cellar", "there are no such workers")
    assert night.told == [refused]


def test_a_worker_that_has_left_refuses_to_leave_again():
    """The stand-in's worker is off, so the act is told and then refused, under that worker's name."""
    night = Night([{"power_off": "dome-1", "at": 0}], [{"finish_and_leave": "dome-1", "at": at(9)}]).run()
    assert night.told[1:] == [
        (9, "action_taken", 0, 0, "dome-1", "finish_and_leave", "actions[0]", "dome-1"),
        (9, "action_refused", 2, 0, "dome-1", "finish_and_leave", "actions[0]", "dome-1", "it has been told already"),
    ]
