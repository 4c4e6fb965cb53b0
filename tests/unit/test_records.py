"""Records are what frozen dataclasses with slots are, and quicker to make."""

import copy
import dataclasses
import pickle
from typing import Any, ClassVar

import pytest

from emulator.records import field, record


@dataclasses.dataclass(frozen=True, slots=True)
class Plain:
    """Every kind of field, as a dataclass."""

    kind: ClassVar[str] = "plate"
    worker: str
    since: int = 0
    names: list[str] = dataclasses.field(default_factory=list)
    text: str = dataclasses.field(default="none", repr=False, compare=False)
    _longer: int = dataclasses.field(init=False, repr=False, compare=False)
    seen: list[int] = dataclasses.field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_longer", self.since + 1)

    @property
    def longer(self) -> int:
        return self._longer


@record
class Quick:
    """Every kind of field, as a record."""

    kind: ClassVar[str] = "plate"
    worker: str
    since: int = 0
    names: list[str] = field(default_factory=list)
    text: str = field(default="none", repr=False, compare=False)
    _longer: int = field(init=False, repr=False, compare=False)
    seen: list[int] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_longer", self.since + 1)

    @property
    def longer(self) -> int:
        return self._longer


CASES: list[tuple[tuple[Any, ...], dict[str, Any]]] = [
    (("dome-1",), {}),
    (("dome-1", 3), {"text": "other"}),
    ((), {"worker": "dome-2", "names": ["a"], "since": 4}),
]


@pytest.mark.parametrize(("given", "named"), CASES)
def test_a_record_is_made_shown_and_compared_like_a_dataclass(given: tuple[Any, ...], named: dict[str, Any]) -> None:
    """Defaults, what is left out, ``repr``, ``==`` and what ``dataclasses`` tells are the same."""
    quick, plain = Quick(*given, **named), Plain(*given, **named)
    assert repr(quick) == repr(plain).replace("Plain", "Quick")
    assert dataclasses.asdict(quick) == dataclasses.asdict(plain)
    assert (quick.longer, quick.kind, quick.text) == (plain.longer, plain.kind, plain.text)
    assert [each.name for each in dataclasses.fields(quick)] == [each.name for each in dataclasses.fields(plain)]
    assert dataclasses.is_dataclass(quick)
    assert dataclasses.replace(quick, since=9) == Quick(quick.worker, 9, quick.names)
    assert (quick == Quick(*given, **{**named, "text": "not compared"}), quick == Quick("x"), quick == plain) == (
        True,
        False,
        False,
    )


def test_defaults_that_are_made_are_made_each_time() -> None:
    one, two = Quick("a"), Quick("a")
    one.names.append("x")
    one.seen.append(1)
    assert (two.names, two.seen) == ([], [])


def test_a_record_is_frozen_has_slots_and_travels() -> None:
    """Nothing can be changed or added; copies and what is sent to another process are equal, hidden fields too."""
    one = Quick("dome-1", 3)
    with pytest.raises(dataclasses.FrozenInstanceError, match="'since' is what it was made with"):
        one.since = 4  # type: ignore[misc]  # what is tried
    with pytest.raises(dataclasses.FrozenInstanceError):
        del one.since
    assert not hasattr(one, "__dict__")
    for other in (copy.copy(one), copy.deepcopy(one), pickle.loads(pickle.dumps(one))):
        assert (other == one, other.longer) == (True, 4)


def test_a_record_hashes_by_what_it_compares() -> None:
    @record
    class Place:
        worker: str
        since: int = 0
        text: str = field(default="", compare=False)

    assert len({Place("a"), Place("a", 0, "b"), Place("b")}) == 2
    match Place("a", 5):
        case Place(worker, since):
            assert (worker, since) == ("a", 5)


def test_mistakes_in_arguments_are_told_by_python() -> None:
    for wrong in (lambda: Quick(), lambda: Quick("a", nonsense=1), lambda: Quick("a", 1, [], "t", 5)):
        with pytest.raises(TypeError):
            wrong()


def test_a_record_with_the_fields_of_another_is_refused() -> None:
    with pytest.raises(TypeError, match="compose"):

        @record
        class More(Quick):
            more: int = 0
