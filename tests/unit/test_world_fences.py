"""Which writes does a fenced system accept? Both orders of a zombie and its successor, and what shares a row."""

import pytest

from emulator.errors import DefectError
from emulator.world.access import Fences


def never(token: int) -> bool:
    raise AssertionError("a system that keeps tokens asks no broker")


def test_a_fence_keeps_the_highest_token_seen() -> None:
    """Tokens 33 34 33 34 35 are accepted, accepted, refused, accepted, accepted.

    Source: Kleppmann, Designing Data-Intensive Applications, 2017, ch. 8, figure of fencing tokens (from memory).
    """
    fences = Fences()
    accepted = [fences.accepts("highest_token", "plate 7", "copy#1", token, never) for token in (33, 34, 33, 34, 35)]
    assert accepted == [True, True, False, True, True]


@pytest.mark.parametrize(
    ("order", "accepted"),
    [((2, 1), [True, False]), ((1, 2), [True, True])],
    ids=["the successor writes first", "the zombie writes first"],
)
def test_a_zombie_is_refused_only_after_its_successor_has_written(order: tuple[int, int], accepted: list[bool]) -> None:
    """The zombie holds token 1, its successor 2; no lease is looked at, so the zombie may be first."""
    fences = Fences()
    assert [fences.accepts("highest_token", "plate 7", "copy#1", token, never) for token in order] == accepted


def test_a_refused_write_leaves_no_trace() -> None:
    """After 5, the refused 3 does not lower what is needed: 4 is refused as well."""
    fences = Fences()
    assert [fences.accepts("highest_token", "t", "s", token, never) for token in (5, 3, 4, 5)] == [
        True, False, False, True,
    ]  # fmt: skip


@pytest.mark.parametrize(
    "other", [("plate 8", "copy#1", "stacks"), ("plate 7", "copy#2", "stacks"), ("plate 7", "copy#1", "archive")]
)
def test_another_target_scope_or_system_has_a_row_of_its_own(other: tuple[str, str, str]) -> None:
    """Token 9 on one row does not shut token 1 out of another."""
    fences = Fences()
    assert fences.accepts("highest_token", "plate 7", "copy#1", 9, never, system="stacks")
    target, scope, system = other
    assert fences.accepts("highest_token", target, scope, 1, never, system=system)
    assert not fences.accepts("highest_token", "plate 7", "copy#1", 1, never, system="stacks")


def test_a_system_that_asks_the_broker_refuses_a_lost_lease_in_either_order() -> None:
    """With token 2 valid, the zombie's 1 is refused before and after its successor's write."""
    fences, valid = Fences(), {2}
    accepted = [fences.accepts("asks_broker", "plate 7", "copy#1", token, valid.__contains__) for token in (1, 2, 1)]
    assert accepted == [False, True, False]


def test_a_system_without_a_fence_accepts_everything() -> None:
    """Lower tokens after higher ones land on an unfenced system, and nobody is asked."""
    fences = Fences()
    assert [fences.accepts("no", "plate 7", "copy#1", token, never) for token in (34, 33)] == [True, True]


def test_an_unknown_mode_is_a_defect() -> None:
    """A mode that is none of the three is refused with the three."""
    with pytest.raises(DefectError, match="no, highest_token or asks_broker"):
        Fences().accepts("perhaps", "plate 7", "copy#1", 1, never)
