"""Who may call what, and when? Every expected instant here is worked out by hand; times are in ticks."""

from typing import Any

import pytest

from emulator.record.recorder import Recorder
from emulator.scenario.models import Credential, Grant
from emulator.timeline.agenda import Agenda
from emulator.world.access import Access
from emulator.world.draws import Draws, Purpose, entity_key
from emulator.world.sampling import Uniform

WORKERS = {"dome-1": "dome", "dome-2": "dome", "tower-1": "tower"}


class Desk:
    """A table of access, and looks into it at chosen instants."""

    def __init__(self, grants: list[dict[str, Any]], credentials: list[dict[str, Any]] | None = None) -> None:
        self.agenda = Agenda()
        self.recorder = Recorder()
        self.access = Access(
            [Grant(**each) for each in grants],
            [Credential(**each) for each in credentials or []],
            WORKERS,
            self.agenda,
            self.recorder,
            Draws(1),
        )
        self.access.start()

    def look(
        self,
        *ticks: int,
        worker: str = "dome-1",
        system: str = "stacks",
        part: str = "copy",
        began: int = 0,
        on: int = 0,
    ) -> dict[int, str]:
        """Say what the worker is refused for at each tick, "" for nothing, after all that is due at that tick."""
        found: dict[int, str] = {}
        for tick in ticks:
            self.agenda.run((tick + 1,))
            self.agenda.at(
                tick, lambda t: found.update({t: self.access.refusal(worker, system, part, began, on)}), tick
            )
            self.agenda.run((tick + 1,))
        return found


def test_a_system_that_no_grant_names_is_open() -> None:
    """Without a grant that names it, a system may be called by every worker; one with a grant by the granted alone."""
    desk = Desk([{"who": "dome", "to": "stacks"}])
    assert desk.access.refusal("tower-1", "archive", "copy", 0, 0) == ""
    assert desk.access.refusal("tower-1", "stacks", "copy", 0, 0) == "no_grant"
    assert desk.access.refusal("dome-2", "stacks", "copy", 0, 0) == ""


def test_a_grant_to_one_part_closes_the_others() -> None:
    """With stacks/read granted to one worker, that part is open to that worker, and nothing else to anyone."""
    desk = Desk([{"who": "dome-1", "to": "stacks/read"}])
    assert [
        desk.access.refusal(worker, "stacks", part, 0, 0)
        for worker, part in (("dome-1", "read"), ("dome-1", "write"), ("dome-2", "read"))
    ] == ["", "no_grant", "no_grant"]


def test_a_grant_is_in_force_from_its_delay_up_to_its_end() -> None:
    """Given at 10, in force after 5, until 30: refused at 9, 10 and 14, allowed in [15, 30), ended at 30."""
    desk = Desk([{"who": "dome", "to": "stacks", "given": 10, "in_force_after": 5, "until": 30}])
    assert desk.look(9, 10, 14, 15, 29, 30) == {
        9: "not_in_force_yet", 10: "not_in_force_yet", 14: "not_in_force_yet", 15: "", 29: "", 30: "ended",
    }  # fmt: skip
    assert desk.recorder.rows == [
        (10, "access_changed", 0, 0, "", "dome", "stacks", "given"),
        (15, "access_changed", 0, 0, "", "dome", "stacks", "in_force"),
        (30, "access_changed", 0, 0, "", "dome", "stacks", "ended"),
    ]


def test_a_grant_from_before_the_start_is_in_force_at_once() -> None:
    """Given 100 before the start with a delay of 60 it is in force at 0; with a delay of 140 it is at 40."""
    early = {"who": "dome", "to": "stacks", "given": -100}
    assert Desk([{**early, "in_force_after": 60}]).look(0) == {0: ""}
    assert Desk([{**early, "in_force_after": 140}]).look(39, 40) == {39: "not_in_force_yet", 40: ""}


def test_a_grant_that_ends_before_its_delay_is_over_never_helps() -> None:
    """Given at 0, in force after 50, until 20: not yet at 19, ended from 20 on, still ended at 50."""
    desk = Desk([{"who": "dome", "to": "stacks", "in_force_after": 50, "until": 20}])
    assert desk.look(19, 20, 50) == {19: "not_in_force_yet", 20: "ended", 50: "ended"}


def test_one_grant_in_force_is_enough() -> None:
    """One until 10 and one from 20: allowed, refused as not yet in force in [10, 20), allowed."""
    desk = Desk([{"who": "dome", "to": "stacks", "until": 10}, {"who": "dome-1", "to": "stacks", "given": 20}])
    assert desk.look(9, 10, 19, 20) == {9: "", 10: "not_in_force_yet", 19: "not_in_force_yet", 20: ""}


def test_the_delay_of_a_grant_is_keyed_by_what_the_grant_says() -> None:
    """A delay between 2 m and 7 m is the quantile of the grant's own uniform, whatever grants stand before it."""
    drawn = {"who": "dome", "to": "stacks", "given": 0, "in_force_after": {"between": ["2m", "7m"]}}
    uniform = Draws(1).uniform(Purpose.PROPAGATION_DELAY, entity_key("grant", "dome", "stacks", 0))
    due = Uniform(120_000_000, 420_000_000).quantile(uniform)
    for grants in ([drawn], [{"who": "tower", "to": "archive"}, drawn]):
        desk = Desk(grants)
        desk.agenda.run()
        assert desk.recorder.rows[-1] == (due, "access_changed", 0, 0, "", "dome", "stacks", "in_force")


def test_a_refusal_is_cached_even_when_access_has_come() -> None:
    """In force at 20, refusals cached for 50: refused at 10 and without a look until 60, for that worker alone."""
    desk = Desk([{"who": "dome", "to": "stacks", "in_force_after": 20, "refusals_cached": 50}])
    assert desk.look(10, 25, 59) == {
        10: "not_in_force_yet", 25: "refused_earlier", 59: "refused_earlier",
    }  # fmt: skip
    assert desk.look(59, worker="dome-2") == {59: ""}
    assert desk.look(60) == {60: ""}


def test_a_cached_refusal_does_not_prolong_itself() -> None:
    """Cached for 10 from a refusal at 0: a refusal at 9 is from the cache; the look at 10 refuses anew until 20."""
    desk = Desk([{"who": "dome", "to": "stacks", "in_force_after": 15, "refusals_cached": 10}])
    assert desk.look(0, 9, 10, 19, 20) == {
        0: "not_in_force_yet", 9: "refused_earlier", 10: "not_in_force_yet", 19: "refused_earlier",
        20: "",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("who", "system", "refused"),
    [
        ("dome", "stacks", [("dome-1", "stacks"), ("dome-2", "stacks")]),
        ("dome-1", "stacks", [("dome-1", "stacks")]),
        ("dome", None, [("dome-1", "stacks"), ("dome-1", "archive"), ("dome-2", "stacks"), ("dome-2", "archive")]),
        ("tower", "archive", [("tower-1", "archive")]),
    ],
)
def test_access_withdrawn_is_refused_until_it_is_restored(
    who: str, system: str | None, refused: list[tuple[str, str]]
) -> None:
    """Withdrawn from a pool or a worker, from one system or all, granted or open; told once each; then as before."""
    desk = Desk([{"who": "dome", "to": "stacks"}, {"who": "tower", "to": "stacks"}])
    everyone = [(worker, each) for worker in WORKERS for each in ("stacks", "archive")]

    def found() -> list[tuple[str, str]]:
        return [(worker, each) for worker, each in everyone if desk.access.refusal(worker, each, "copy", 0, 0)]

    before = len(desk.recorder.rows)
    assert [desk.access.withdraw(7, who, system), desk.access.withdraw(7, who, system)] == [True, False]
    assert found() == refused
    assert desk.access.refusal(*refused[0], "copy", 0, 0) == "withdrawn"
    assert [desk.access.restore(8, who, system), desk.access.restore(8, who, system)] == [True, False]
    assert found() == []
    assert desk.recorder.rows[before:] == [
        (0, "access_changed", 7, 0, "", who, system or "", "withdrawn"),
        (0, "access_changed", 8, 0, "", who, system or "", "in_force"),
    ]


def test_a_credential_issued_at_the_attempt_ends_in_the_middle_of_long_work() -> None:
    """A life of 30 from the attempt's begin at 100: alive in [100, 130), ended at 130; the next attempt has a new one.

    The end is told once, when somebody meets it.
    """
    desk = Desk([], [{"who": "dome", "to": "stacks", "life": 30}])
    assert desk.look(100, 129, 130, 140, began=100) == {
        100: "",
        129: "",
        130: "credential_ended",
        140: "credential_ended",
    }
    assert desk.look(141, began=141) == {141: ""}
    assert desk.look(141, worker="tower-1") == {141: ""}
    assert desk.recorder.rows == [(130, "credential_changed", 0, 0, "dome-1", "dome-1", "stacks", "ended")]


def test_a_credential_issued_at_the_start_of_a_worker_outlives_attempts() -> None:
    """A life of 30 from the worker's start at 50 ends at 80, however late the attempt began."""
    desk = Desk([], [{"who": "dome-1", "to": "stacks/copy", "life": 30, "issued": "at_start"}])
    assert desk.look(79, 80, began=78, on=50) == {79: "", 80: "credential_ended"}
    assert desk.look(80, part="read", began=78, on=50) == {80: ""}


@pytest.mark.parametrize(
    ("every", "expected"),
    [
        (30, {29: "", 30: "", 60: ""}),
        (40, {29: "", 30: "credential_ended", 39: "credential_ended", 40: "", 69: "", 70: "credential_ended"}),
    ],
)
def test_a_credential_is_refused_from_its_end_to_its_renewal(every: int, expected: dict[int, str]) -> None:
    """A life of 30, renewed every 30: never refused; renewed every 40: refused in [30, 40), [70, 80)."""
    desk = Desk([], [{"who": "dome", "to": "stacks", "life": 30, "renewed_every": every}])
    assert desk.look(*expected) == expected


def test_each_credential_that_applies_must_be_alive() -> None:
    """With one of 10 for the pool and one of 20 for the worker, the shorter one refuses first."""
    desk = Desk([], [{"who": "dome", "to": "stacks", "life": 20}, {"who": "dome-1", "to": "stacks", "life": 10}])
    assert desk.look(9, 10) == {9: "", 10: "credential_ended"}


def test_a_named_grant_takes_the_same_time_wherever_it_is_given() -> None:
    """Its delay is drawn by its name; that of a grant without one by whom, to what and when it is given."""

    def delay(given: int, **name: str) -> int:
        within = {"between": (0, 1_000_000)}
        desk = Desk([{**name, "who": "dome", "to": "stacks", "given": given, "in_force_after": within}])
        desk.agenda.run((given + 1_000_001,))
        [row] = [row for row in desk.recorder.rows if row[1] == "access_changed" and "in_force" in row]
        return row[0] - given

    assert delay(5, name="keys") == delay(70, name="keys")
    assert delay(5) != delay(70)
    assert delay(5, name="keys") != delay(5, name="card")
